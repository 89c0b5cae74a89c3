//! Adapters: how scan programs become USB transfers or socket messages.
//!
//! - [`Usb`]: the seam below the encoders.
//! - [`Lowered`]: programs straight onto clocks.
//! - [`tap_socket`]: a TAP that another process plays, both ends of the wire.
//!
//! This room knows nothing of the simulator, of BSDL or of boards.

mod lowered;
pub mod tap_socket;
#[cfg(test)]
mod testing;
mod usb;

pub use lowered::Lowered;
pub use usb::{Usb, UsbCounts, UsbError};
