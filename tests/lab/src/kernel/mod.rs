//! The route over a real kernel's USB core: a virtual machine (QEMU, no acceleration) in which an emulated device hangs on
//! the kernel's virtual host controller.
//!
//! ```text
//!  outside: boot   packs the program, the probe (examples/guest.rs) and kernel modules into an archive, starts QEMU,
//!                  reads the facts from a serial line
//!  inside:  guest  the first process: mounts, modules, the probe, facts to the serial line, off
//!           vhci   plugs: one end of a socket pair to the kernel's virtual host controller (module vhci-hcd),
//!                  USB/IP messages on the other end, answered by the same controller and device as on the FUSE route
//! ```
//!
//! `tests/run --full` puts a kernel and its modules into `target/guest`.

mod archive;
mod boot;
mod guest;
mod vhci;

pub use boot::{Boot, folder};
pub use guest::guest;
pub use vhci::Bus;
