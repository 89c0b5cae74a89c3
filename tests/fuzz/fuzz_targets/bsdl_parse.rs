//! Any bytes are read or refused: no panic, and every place lies inside the text.
#![no_main]

use libfuzzer_sys::fuzz_target;
use taploom_bsdl::{Options, parse, parse_package};

fuzz_target!(|bytes: &[u8]| {
    let outcome = parse(bytes, &Options { strict: true, ..Options::default() });
    for d in &outcome.diagnostics {
        for span in std::iter::once(d.primary).chain(d.secondary.iter().map(|s| s.0)) {
            assert!(span.start <= span.end && span.end as usize <= bytes.len(), "{d:?}");
        }
    }
    if let Some(device) = &outcome.device {
        for (port, _) in device.ports.iter().enumerate().take(100) {
            for bit in device.bits_of(port as u32).take(10) {
                let _ = (device.pin_cells(bit), device.siblings(bit), device.differential_partner(bit));
            }
        }
    }
    let _ = parse_package(bytes, &Options::default());
});
