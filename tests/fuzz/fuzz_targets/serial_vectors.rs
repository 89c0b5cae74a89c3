//! Any bytes are rehearsed as serial vectors or refused with a place; what is read with departures is refused under the
//! letter of the specification or read the same.
#![no_main]

use libfuzzer_sys::fuzz_target;
use taploom::load::play::{ChainPads, PlayOptions, rehearse};
use taploom::svf::Limits;

fuzz_target!(|bytes: &[u8]| {
    let spares = [("a".to_owned(), 0), ("b".to_owned(), 3)];
    let options = |strict| PlayOptions {
        limits: Limits { strict, statement_bytes: 1 << 16 },
        keep_going: false,
        compare: true,
        pads: ChainPads { ir_before: 3, ir_after: 5, dr_before: 1, dr_after: 2 },
        tck_hz: 1_000_000,
        inspect: None,
        locate: None,
        spares: &spares,
    };
    let (loose, error) = rehearse(bytes, &options(false));
    if let Some(error) = &error {
        assert!(!loose.complete && !error.to_string().is_empty());
    }
    let (strict, refused) = rehearse(bytes, &options(true));
    if refused.is_none() {
        assert!(error.is_none() && loose.warnings.is_empty());
        assert_eq!((strict.commands, strict.bits_shifted), (loose.commands, loose.bits_shifted));
    }
});
