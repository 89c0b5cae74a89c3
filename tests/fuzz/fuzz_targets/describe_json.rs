//! Whatever has an entity can be described as JSON.
#![no_main]

#[path = "../bodies/files.rs"]
#[allow(dead_code, reason = "each target uses one of them")]
mod bodies;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| bodies::described(bytes));
