//! A bench in software: a board, its harness and its machine as a bench file says they really are.
//!
//! [`Bench::open`] reads the bench file and the board file that it names, and makes something that takes TMS and TDI
//! and gives TDO ([`Clocks`](crate::tap::Clocks)). What the board itself saw (drivers at odds, images taken, the state
//! it was left in) is told by its [`Witness`].
//!
//! The devices are conforming parts: capture on the rising edge that leaves Capture, one bit a rising edge in Shift,
//! TDO changes on the falling edge and is driven in Shift only, registers update on the falling edge in Update, an
//! undriven line reads 1 (IEEE Std 1149.1-2001 clauses 4 and 6; from memory, edges of TCK also in the TI octal data
//! sheets). **Bit 0 is the bit nearest TDO.**
//!
//! This room must never know the encoders and the adapter profiles: it sees adapters only as whoever calls it, or, in
//! the emulated chip, through the trait `Usb`.

pub mod adapter;
mod bench;
mod bench_file;
mod build;
mod chain;
mod chance;
mod device;
mod engine;
mod engine_file;
mod nets;
mod pins;
mod reading;
mod shift;
#[cfg(test)]
mod tests;
mod wiring;
mod witness;

pub use bench::Bench;
pub use bench_file::{
    AdapterSettings, AdapterValue, Behaviour, BenchFile, ChainFault, ChainFaultKind, DeviceRow,
    End, Fault, FaultKind, Floating, Idle, Machine, Named, ShortBehaviour, Spot,
};
pub use build::BenchError;
pub use witness::{BackFeed, DeviceSeen, Fight, FightPin, Loaded, Seen, Strain, Witness};
