//! What must hold for any bytes that are read as BSDL; the fuzz targets and the replay of the seeds share it.

#![allow(unreachable_pub)] // Shared by targets and a test.

use taploom_bsdl::{Options, parse, parse_package, print};

/// Any bytes are read or refused: no panic, and every place lies inside the text.
pub fn any_bytes(bytes: &[u8]) {
    let strict = Options {
        strict: true,
        ..Options::default()
    };
    let outcome = parse(bytes, &strict);
    for d in &outcome.diagnostics {
        for span in std::iter::once(d.primary).chain(d.secondary.iter().map(|s| s.0)) {
            let inside = span.start <= span.end && span.end as usize <= bytes.len();
            assert!(inside, "{d:?}");
        }
    }
    if let Some(device) = &outcome.device {
        for (port, _) in device.ports.iter().enumerate().take(100) {
            for bit in device.bits_of(port as u32).take(10) {
                let _ = device.pin_cells(bit);
                let _ = (device.siblings(bit), device.differential_partner(bit));
            }
        }
    }
    let _ = parse_package(bytes, &Options::default());
}

/// What was read and printed reads as the same model.
pub fn round_trip(bytes: &[u8]) {
    let Some(device) = parse(bytes, &Options::default()).device else {
        return;
    };
    let printed = print(&device);
    let again = parse(printed.as_bytes(), &Options::default()).device;
    let again = again.expect("printed text has an entity");
    assert!(device.same_model(&again), "{printed}");
}
