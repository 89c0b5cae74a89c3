//! Are the wires right? Plans, observations and diagnosis of a ring-out.
//!
//! - [`Method`]: the ways to ring out a harness
//! - [`RingOut`]: verdicts with evidence and words to act on
//!
//! Plans and diagnosis are pure functions. This room must never know the terminal, adapters or sessions.

mod method;
mod verdict;

pub use method::Method;
pub use verdict::{Alternative, Evidence, Finding, Heard, RingOut, Untested, Verdict, WireVerdict};
