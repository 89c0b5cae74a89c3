//! Adapter profiles: which line of a chip is which line of the board.
//!
//! - [`Profile`]: what the driver needs.
//! - [`ProfileFile`]: a profile as a file has it, with the chips and channels that it is for.
//! - [`built_in`]: the profiles that come with Taploom: plain modules, each chip's lines led out
//!   as they are.
//!
//! # A profile of one's own
//!
//! ```toml
//! [profile]
//! format = 1
//! name = "bench cable with a level buffer"
//! chips = ["FT2232H"]          # the chips that it is for
//! channel = "A"                # or ["A", "B"]: either; "A" if it is not said
//! drive = "MPSSE"              # or "bit-bang"; MPSSE if it is not said
//! note = "TRST* goes through an inverter"
//!
//! [tap]                        # with an MPSSE always D0, D1, D2, D3
//! tck = "D0"
//! tdi = "D1"                   # to the board's TDI: an output of the chip
//! tdo = "D2"
//! tms = "D3"
//! return_clock = "D7"          # H types: TCK waits for the board's return clock on this line
//!
//! [lines]                      # each may be left out
//! trst = { line = "C0", inverted = true }
//! system_reset = { line = "C1", open_drain = true }
//! spare = ["D4", { line = "D5", open_drain = true }]
//!
//! [[enable]]                   # set when opened, let go at the end
//! line = "D6"
//! on = "low"                   # the level that switches the buffer on
//! what = "output buffer of TCK, TDI and TMS"
//! ```
//!
//! Lines are `D0` to `D7` (low byte) and `C0` to `C7` (high byte), or as on data sheets `ADBUS0`,
//! `BCBUS3` with the channel's letter in front, or by bit-bang as on a serial port: `TXD RXD RTS
//! CTS DTR DSR DCD RI` for D0 to D7. Lines that stand nowhere are inputs and stay so.

mod error;
mod profile;
mod read;
#[cfg(test)]
mod tests;

pub use error::{ProfileError, ProfileFault};
pub use profile::{Pin, Profile, TapLines, Wire};
pub use read::ProfileFile;

use super::Chip;

/// Name and text of each built-in profile.
const TEXTS: [(&str, &str); 6] = [
    ("plain-ft2232h", include_str!("plain-ft2232h.toml")),
    ("plain-ft232h", include_str!("plain-ft232h.toml")),
    ("plain-ft4232h", include_str!("plain-ft4232h.toml")),
    ("plain-ft2232c", include_str!("plain-ft2232c.toml")),
    ("plain-ft2232c-b", include_str!("plain-ft2232c-b.toml")),
    ("plain-ft232r", include_str!("plain-ft232r.toml")),
];

/// The profiles that come with Taploom, each with the name that it is asked for by.
pub fn built_in() -> impl Iterator<Item = (&'static str, ProfileFile)> {
    TEXTS
        .iter()
        .filter_map(|&(name, text)| Some((name, ProfileFile::parse(name, text).ok()?)))
}

/// The built-in profile that fits a chip's channel (0 for A), and its name; `None` if the
/// channel cannot be driven.
pub fn fitting(chip: &Chip, channel: u8) -> Option<(&'static str, Profile)> {
    built_in().find_map(|(name, file)| {
        let fits = file.is_for(chip) && file.channels.contains(&channel);
        fits.then(|| (name, file.on(channel)))
    })
}
