//! The port that a profile asks for.

use crate::tap::{Port, PortError};

use super::{BitBang, Mpsse, Profile, Usb, Way};

/// Opens a chip as its profile says: by its MPSSE or by bit-bang.
///
/// # Errors
/// As [`Mpsse::open`] and [`BitBang::open`].
pub fn open<U: Usb + 'static>(usb: U, profile: Profile) -> Result<Box<dyn Port>, PortError> {
    Ok(match profile.way {
        Way::Mpsse => Box::new(Mpsse::open(usb, profile)?),
        Way::BitBang => Box::new(BitBang::open(usb, profile)?),
    })
}
