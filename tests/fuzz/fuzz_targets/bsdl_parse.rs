//! Any bytes are read or refused: no panic, and every place lies inside the text.
#![no_main]

#[path = "../bodies/bsdl.rs"]
#[allow(dead_code, reason = "each target uses one of them")]
mod bodies;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| bodies::any_bytes(bytes));
