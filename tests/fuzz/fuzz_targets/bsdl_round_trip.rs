//! What was read and printed reads as the same model.
#![no_main]

#[path = "../bodies/bsdl.rs"]
#[allow(dead_code, reason = "each target uses one of them")]
mod bodies;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| bodies::round_trip(bytes));
