//! A bench in software: a board, its harness and its machine as a bench file says they really are.
//!
//! [`Bench::open`] reads the bench file and the board file that it names, and makes something that takes TMS and TDI
//! and gives TDO ([`Clocks`](crate::tap::Clocks)). What the board itself saw (drivers at odds, images taken, the state
//! it was left in) is told by its [`Witness`]. The keys of bench files stand in [`bench_file`].
//!
//! The devices are conforming parts: capture on the rising edge that leaves Capture, one bit a rising edge in Shift,
//! TDO changes on the falling edge and is driven in Shift only, registers update on the falling edge in Update, an
//! undriven line reads 1 (IEEE Std 1149.1-2001 clauses 4 and 6; from memory, edges of TCK also in the TI octal data
//! sheets). **Bit 0 is the bit nearest TDO.**
//!
//! Electrically: a net is what less than a kilo-ohm joins. On it the least ohms win: a supply, then enabled outputs (30
//! ohms), then whatever pulls or holds. Drivers at odds read low (high where a short is declared wired-or, the first
//! wire's level where it is `strong`). Where nothing acts the charge stays for ever, or follows a neighbour's edges
//! ([`Floating`]). Levels change at once, except through a resistance, which takes 0.69 times ohms times 50 pF. Parts are powered
//! from the board. What is not modelled: levels between 0 and 1, leakage, the pulses of EXTEST_PULSE and EXTEST_TRAIN,
//! INTEST and RUNBIST (INTEST releases the pins and captures bits that nobody can foretell).
//!
//! What nobody knows follows from the seed: update latches and core levels at power-on, digits that the BSDL leaves
//! open, captured bits that a cell does not define. A run can be repeated to the bit.
//!
//! The watcher counts every moment of two enabled drivers at odds as a [`Fight`], once until it ends. A driver that
//! changes all the time is at odds with any other. A driver against a line that is stuck to a supply is a [`Strain`],
//! counted apart, because no test can find a stuck line without trying both levels on it; a line driven high into an
//! output without power is a [`BackFeed`].
//!
//! This room must never know the encoders and the adapter profiles: it sees adapters only as whoever calls it, or, in
//! the emulated chip, through the trait `Usb`.

pub mod adapter;
mod bench;
pub mod bench_file;
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
    End, Entity, Fault, FaultKind, Floating, Idle, Machine, Move, Named, ShortBehaviour, Spot,
};
pub use build::BenchError;
pub use witness::{BackFeed, DeviceSeen, Fight, FightPin, Loaded, Seen, Strain, Witness};
