//! The USB laboratory: the emulated adapter chips of `taploom::simulator` as USB devices, met by real programs.
//!
//! ```text
//!  the program (a child process): Taploom's driver, rusb, libusb
//!        │ usbdevfs ioctls                      │ the same, to a real kernel in a virtual machine
//!        ▼                                      ▼
//!  fuse/ a device file system that only    kernel/ that kernel's USB core; its virtual
//!        the child sees                            host controller, over USB/IP
//!        └───────────────┬──────────────────────┘
//!                        ▼
//!  controller   transfers → packets, as a host controller does; cancels; time
//!                        ▼
//!  personality/ the device's side: descriptors, standard requests, the emulated chip; faults
//!                        ▼
//!  taploom::simulator    EmulatedChip ──► Bench
//! ```
//!
//! - [`personality`] knows USB devices and packets and nothing of how they are reached.
//! - [`controller`] turns transfers into packets; every route uses it, so that routes can be held against each other.
//! - [`fuse`] is one route: `/dev/bus/usb` and `/sys/bus/usb` in a private mount name space. Linux only; needs root, or a
//!   readable `/dev/fuse` and user name spaces.
//! - [`kernel`] is the other: `/dev/bus/usb` of a Linux kernel that runs in QEMU. Slow to begin, and the check on what the
//!   first one makes of the system's interface.
//! - [`steps`] is a list of commands with the facts that are expected of them, run over both routes.
//!
//! **Time.** The emulated chip keeps virtual time. Here its clock is the real one, counted from the moment that the plug
//! went in: whoever calls a device says how late it is, and the device does everything that is done by then. So a slow
//! host finds full FIFOs, and an idle chip sends its two status bytes each time that its latency timer runs out.
//!
//! Nothing here is a model of bus bandwidth: packets go as fast as both sides take them. Numbers come from the virtual bus
//! of `taploom::simulator::adapter`; what is proven here is behaviour.

pub mod controller;
pub mod fuse;
pub mod kernel;
pub mod personality;
mod run;
pub mod steps;

pub use run::{Run, Running};
