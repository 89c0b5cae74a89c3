//! USB devices from the inside: what they answer to control requests and to bulk packets.
//!
//! - [`Device`]: the seam; [`Adapter`]: an emulated adapter chip with all its channels; [`Faulty`]: a device on which
//!   something goes wrong.
//! - [`Setup`], [`Descriptors`]: SETUP packets, descriptors and standard requests (USB 2.0 chapter 9, from memory).
//!
//! This room must never know how a host reaches the device.

mod adapter;
mod descriptors;
mod faults;

use std::time::Duration;

pub use adapter::{Adapter, Nothing};
pub use descriptors::{Descriptors, Speed};
pub use faults::{Fault, Faulty};

/// A SETUP packet: the head of a control request.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Setup {
    /// bmRequestType: bit 7 to the host; bits 5 and 6 standard (0), class, vendor (2); low bits the recipient.
    pub kind: u8,
    /// bRequest.
    pub request: u8,
    /// wValue.
    pub value: u16,
    /// wIndex.
    pub index: u16,
    /// wLength.
    pub length: u16,
}

impl Setup {
    /// From its eight bytes, words little-endian.
    pub fn from_bytes(b: [u8; 8]) -> Setup {
        let word = |at: usize| u16::from_le_bytes([b[at], b[at + 1]]);
        Setup {
            kind: b[0],
            request: b[1],
            value: word(2),
            index: word(4),
            length: word(6),
        }
    }

    /// Whether the data goes to the host.
    pub fn to_host(&self) -> bool {
        self.kind & 0x80 != 0
    }

    /// Whether it is a vendor request.
    pub fn is_vendor(&self) -> bool {
        self.kind & 0x60 == 0x40
    }
}

/// What a device says to a packet that is sent to it, or asked of it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Reply<T> {
    /// Taken; or here it is.
    Done(T),
    /// Not now (NAK).
    Later,
    /// The endpoint is halted, or the request refused (STALL).
    Stalled,
    /// The device does not answer at all, as when it is gone.
    Silent,
}

impl<T> Reply<T> {
    /// The same with another content.
    pub fn map<U>(self, f: impl FnOnce(T) -> U) -> Reply<U> {
        match self {
            Reply::Done(t) => Reply::Done(f(t)),
            Reply::Later => Reply::Later,
            Reply::Stalled => Reply::Stalled,
            Reply::Silent => Reply::Silent,
        }
    }
}

/// How a device stands: the laboratory's own view of it.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Standing {
    /// Lines that each channel drives, as bits, the low byte in the low bits.
    pub driven: Vec<u16>,
    /// Bytes that the bulk OUT endpoints have taken.
    pub taken: u64,
    /// Whether a fault has not struck yet.
    pub fault_pending: bool,
    /// Why its bench failed: a failure of the laboratory, not of what is tried in it.
    pub failed: Option<String>,
}

/// A USB device. `now` is the time since it was plugged in and never goes backwards.
pub trait Device: Send {
    /// Its descriptors, and how fast it is.
    fn descriptors(&self) -> &Descriptors;

    /// A whole control request, with the data that goes to the device; gives the data that goes to the host, at most
    /// as much as was asked for.
    fn control(&mut self, now: Duration, setup: Setup, data: &[u8]) -> Reply<Vec<u8>>;

    /// One packet to bulk endpoint `endpoint` (its address, bit 7 clear).
    fn take(&mut self, now: Duration, endpoint: u8, packet: &[u8]) -> Reply<()>;

    /// One packet from bulk endpoint `endpoint` (its address, bit 7 set).
    fn give(&mut self, now: Duration, endpoint: u8) -> Reply<Vec<u8>>;

    /// When to try an endpoint again that said [`Reply::Later`], for a packet of so many bytes; `None`: not before
    /// something else has happened.
    fn due(&self, endpoint: u8, bytes: usize) -> Option<Duration>;

    /// How it stands when everything is done that is done by `now`.
    fn standing(&mut self, now: Duration) -> Standing;

    /// The host pulled the plug: no power any more.
    fn unplug(&mut self, now: Duration);

    /// Whether it is plugged in; a device may pull its own plug.
    fn is_plugged(&self) -> bool;
}
