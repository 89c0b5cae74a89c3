//! Adapters: how scan programs become USB transfers or socket messages.
//!
//! This room knows nothing of the simulator, of BSDL or of boards.

mod usb;

pub use usb::{Usb, UsbError};
