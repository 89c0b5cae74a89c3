//! Adapters: how scan programs become USB transfers or socket messages.
//!
//! - [`Usb`]: the seam below the encoders.
//! - [`libusb`]: the real thing behind it.
//! - [`Mpsse`]: programs as commands of the chips' serial engine, over [`Usb`].
//! - [`BitBang`]: programs as bytes for eight lines, on chips and channels without that engine.
//! - [`Channel`]: what the two have in common.
//! - [`open()`]: the one of the two that a profile asks for.
//! - [`Chip`], [`Rate`]: what each chip can do; [`profiles`]: which line is which.
//! - [`Lowered`]: programs straight onto clocks.
//! - [`Trace`]: a wrapper that writes what runs as a value-change dump.
//! - [`Faulty`]: a USB device that misbehaves on purpose.
//! - [`Recorder`], [`Replay`]: a log of what went over USB, and the same run from it.
//! - [`tap_socket`]: a TAP that another process plays, both ends of the wire.
//!
//! This room knows nothing of the simulator, of BSDL or of boards.

mod bitbang;
mod channel;
mod chip;
mod fault;
pub mod libusb;
mod log;
mod lowered;
mod mpsse;
mod open;
pub mod profiles;
pub mod tap_socket;
#[cfg(test)]
mod testing;
mod trace;
mod usb;

pub use bitbang::BitBang;
pub use channel::Channel;
pub use chip::{Chip, Rate, Way};
pub use fault::{Fault, Faulty};
pub use log::{Recorder, Replay};
pub use lowered::Lowered;
pub use mpsse::Mpsse;
pub use open::open;
pub use profiles::{Pin, Profile, TapLines, Wire};
pub use trace::Trace;
pub use usb::{Usb, UsbCounts, UsbError};
