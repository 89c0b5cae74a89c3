//! Plays serial vectors: statements to scan programs, answers to mismatches.
//!
//! Source: *Serial Vector Format Specification*, revision E (semantics and sticky rules from
//! memory). **Bit 0 is scanned first**; a header's bits go before the scan's, a trailer's after.
//!
//! What has been compared must have passed before a new instruction is shifted: a file that
//! begins by asking for the device's IDCODE must not erase another device because the answer
//! was still on its way.

mod counts;
mod deck;
mod error;
mod parallel;
mod player;
mod sticky;

pub use counts::{PlayMismatch, Played};
pub use error::PlayError;
pub use parallel::Spares;
pub use player::{ChainPads, Inspect, Locate, PastGuard, PlayOptions, play, rehearse};
