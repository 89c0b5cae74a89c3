//! Real USB devices through libusb.
//!
//! [`adapters`] lists what is plugged in, [`open`] claims one channel of one of them,
//! [`others()`] names what else looks like a JTAG cable, [`wait_for_plug`] waits for a plug, and
//! [`LibUsb`] is that channel as [`Usb`](super::Usb). A writer thread and a reader thread stand
//! at the two bulk endpoints, so that both directions go on by themselves.
//!
//! On a host without USB (no device nodes, or none that this process may see) libusb cannot be
//! started at all: that is an empty list, not a failure.
//!
//! **Set-up on Linux.** Reading the descriptors needs nothing; opening needs write access to the
//! device node. A kernel driver for serial ports that holds the channel is detached when the
//! channel is claimed, and gets it back at the end only if that is asked for ([`open`]).

mod device;
mod list;
mod others;
mod plug;
mod texts;

pub use device::LibUsb;
pub use list::{Adapter, Selector, adapters, has_usb, open};
pub use others::{Other, others};
pub use plug::{Plugged, wait_for_plug};

use super::UsbError;

/// libusb's errors by what the user can do about them.
fn error_of(e: rusb::Error) -> UsbError {
    match e {
        rusb::Error::NoDevice | rusb::Error::NotFound => UsbError::Gone,
        rusb::Error::Busy => UsbError::Busy,
        rusb::Error::Access => UsbError::NotAllowed,
        rusb::Error::Pipe => UsbError::Stalled,
        rusb::Error::Timeout => UsbError::TimedOut { done: 0 },
        rusb::Error::Overflow => UsbError::Other(
            "the device sent more than was asked for: IN requests must be whole packets".to_owned(),
        ),
        other => UsbError::Other(other.to_string()),
    }
}

/// A context, or none on a host without USB.
fn context() -> Option<rusb::Context> {
    rusb::Context::new().ok()
}
