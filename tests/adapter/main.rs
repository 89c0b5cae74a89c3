//! The real encoders on the emulated adapter chips, with a small TAP chain at the pins.
//!
//! - `mpsse`, `bit_bang`: the two ways to drive a chip; `programs`: what is run through both; `wrappers`: traces, records;
//! - `profiles`, `benches`: the program itself.

#![allow(
    clippy::print_stdout,
    reason = "the measured numbers are shown beside their limits"
)]

use taploom::{bits, tap};

mod benches;
mod bit_bang;
#[path = "../../src/transport/testing.rs"]
mod chain;
mod mpsse;
#[path = "../support/ports.rs"]
#[allow(dead_code, reason = "some of it is for the benchmark alone")]
mod ports;
mod profiles;
mod programs;
mod wrappers;
