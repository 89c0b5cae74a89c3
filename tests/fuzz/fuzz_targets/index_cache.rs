//! Any bytes are the cache of an index or none.
#![no_main]

#[path = "../bodies/files.rs"]
#[allow(dead_code, reason = "each target uses one of them")]
mod bodies;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| bodies::cache(bytes));
