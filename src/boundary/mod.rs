//! The boundary register as pins: what drives, what listens, and the guard that alone leads to EXTEST.
//!
//! - [`Pins`]: the chain's boundary registers as pins, with the place of every cell in one scan of the whole chain
//! - [`Guard`]: turns wanted levels into a [`GuardedImage`], or refuses with reason and mend
//! - [`SampleLook`]: looks by SAMPLE, and the look that must find everything still before EXTEST
//! - [`Batch`]: scan programs under EXTEST: entry, vectors, exit, and the reading of what came back
//! - [`Clamp`]: devices held by CLAMP while another is loaded
//! - [`drive`]: levels on named pins for any length of time, and tables of test vectors
//!
//! **Bit 0 is the bit nearest TDO**: cell 0 of the last device is bit 0 of an image.
//!
//! The only way to an EXTEST instruction is a [`Batch`], and a batch takes nothing but guarded images: the opcode
//! stays inside this room. This room must never know adapters, transport, or what a wire's verdict is.
//!
//! Standard: IEEE Std 1149.1-2001 (from memory), no clause checked in print.

mod clamp;
pub mod drive;
mod error;
mod extest;
mod guard;
mod image;
mod permit;
mod pins;
mod refusal;
mod sample;
#[cfg(test)]
mod tests;

pub use clamp::Clamp;
pub use error::{BatchError, PinsError};
pub use extest::{Batch, BatchReader, Captures, Held, VectorId, leaving};
pub use guard::{Conditions, Guard, GuardedImage, MachinePower, Note};
pub use permit::{Drives, Guarded, Wanted, drives, harmless};
pub use pins::{Drive, Enable, Fixed, PinIndex, Pins, ScanPin, Seat, Watch};
pub use refusal::{Refusal, Why};
pub use sample::{Moved, SampleLook, Stillness, StillnessError};

/// Where a scan that was broken off left the TAP.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum OpenScan {
    /// In no shift.
    None,
    /// In Shift-DR, part of a data scan done.
    Dr,
    /// In Shift-IR, part of an instruction scan done.
    Ir,
}
