//! What was read and printed reads as the same model.
#![no_main]

use libfuzzer_sys::fuzz_target;
use taploom_bsdl::{Options, parse, print};

fuzz_target!(|bytes: &[u8]| {
    let Some(device) = parse(bytes, &Options::default()).device else { return };
    let printed = print(&device);
    let again = parse(printed.as_bytes(), &Options::default()).device.expect("printed text has an entity");
    assert!(device.same_model(&again), "{printed}");
});
