//! The octal scan device of the standard's sample as golden values, all of them published (see the fixture's head for
//! the sources), and through it the questions that a model answers.

use taploom_bsdl::model::{
    CaptureMode, CaptureSource, CellFunction, DisableResult, Edition, Halt, RegisterRef,
};
use taploom_bsdl::{Device, Options, parse, print};

fn octal() -> Device {
    let bytes = include_bytes!("../../fixtures/bsdl/octal_8374.bsd");
    let outcome = parse(
        bytes,
        &Options {
            strict: true,
            ..Options::default()
        },
    );
    assert_eq!(outcome.diagnostics, []);
    outcome.device.unwrap()
}

/// Opcodes of IEEE 1149.1b-1994 annex B's sample (from memory), hex, and the register that each selects.
const OPCODES: [(&str, &[u64], &str); 13] = [
    ("BYPASS", &[0xff, 0x88, 0x05, 0x84, 0x01], "BYPASS"),
    ("EXTEST", &[0x00, 0x80], "BOUNDARY"),
    ("SAMPLE", &[0x02, 0x82], "BOUNDARY"),
    ("INTEST", &[0x03, 0x83], "BOUNDARY"),
    ("TRIBYP", &[0x06, 0x86], "BYPASS"),
    ("SETBYP", &[0x07, 0x87], "BYPASS"),
    ("RUNT", &[0x09, 0x89], "BYPASS"),
    ("READBN", &[0x0a, 0x8a], "BOUNDARY"),
    ("READBT", &[0x0b, 0x8b], "BOUNDARY"),
    ("CELLTST", &[0x0c, 0x8c], "BOUNDARY"),
    ("TOPHIP", &[0x0d, 0x8d], "BYPASS"),
    ("SCANCN", &[0x0e, 0x8e], "BCR"),
    ("SCANCT", &[0x0f, 0x8f], "BCR"),
];

#[test]
fn lengths_codes_and_registers() {
    let d = octal();
    assert_eq!((d.instruction_length, d.boundary_length), (8, 18));
    assert_eq!((d.edition, d.conformance), (Some(Edition::Y1990), None));
    // 18 bits and the second line of the merged cell.
    assert_eq!(d.cells.len(), 19);
    assert_eq!(
        d.instruction_capture
            .as_ref()
            .unwrap()
            .value_with_x_as(false),
        Some(0x81)
    );
    assert_eq!((d.tap.max_hz, d.tap.halt), (Some(20.0e6), Some(Halt::Both)));
    assert!(d.idcodes.is_empty() && !d.idcode_matches(0x0000_0001));
    assert_eq!(d.instructions.len(), OPCODES.len());
    for (name, codes, register) in OPCODES {
        let instruction = d.instruction(name).unwrap();
        let seen: Vec<u64> = instruction
            .opcodes
            .iter()
            .map(|o| o.value_with_x_as(false).unwrap())
            .collect();
        assert_eq!(seen, codes, "{name}");
        let selected = d.register_for(instruction).unwrap();
        assert_eq!(d.register_name(selected), register, "{name}");
        for code in codes {
            let bits: Vec<bool> = (0..8).map(|i| code >> i & 1 == 1).collect();
            assert_eq!(d.decode(&bits).unwrap().name, name, "{code:#04x}");
        }
    }
    let bcr = d.register_for(d.instruction("scancn").unwrap()).unwrap();
    assert_eq!(
        (bcr, d.register_length(bcr)),
        (RegisterRef::Named(0), Some(2))
    );
    assert_eq!(d.bypass_opcodes()[0].to_string(), "11111111");
    assert_eq!(d.bypass_opcodes().len(), 5);
    assert_eq!(d.highz().unwrap().name, "TRIBYP");
    assert_eq!(d.clamp().unwrap().name, "SETBYP");
    assert_eq!(d.preload().unwrap().name, "SAMPLE");
}

#[test]
fn pins_ports_and_cells() {
    let d = octal();
    let package = d.default_package().unwrap();
    assert_eq!((package.name.as_str(), package.len()), ("DW_PACKAGE", 24));
    // Texas Instruments SCBS471: the 8373 has the same positions.
    for (pin, port) in [
        ("1", "CLK"),
        ("24", "OC_NEG"),
        ("2", "Q(1)"),
        ("7", "Q(5)"),
        ("10", "Q(8)"),
        ("23", "D(1)"),
    ] {
        let bit = package.bit_of(pin).unwrap();
        assert_eq!(d.bit_name(bit), port);
        assert_eq!(d.bit(port), Some(bit));
        assert_eq!(package.pin_of(bit).unwrap().name, pin);
    }
    assert_eq!(
        (
            d.bit("q(9)"),
            d.bit("Q"),
            d.bit("CLK(0)"),
            d.bit("clk").is_some()
        ),
        (None, None, None, true)
    );
    let q1 = d.bit("Q(1)").unwrap();
    let cells = d.pin_cells(q1);
    let disable = cells.disable.unwrap();
    assert_eq!((cells.driver.unwrap().number, cells.observer), (7, None));
    assert_eq!(
        (disable.cell, disable.disable_value, disable.result),
        (16, true, DisableResult::Z)
    );
    assert_eq!(d.controlled_by(16).count(), 8);
    assert_eq!(
        d.siblings(q1)
            .iter()
            .map(|b| d.bit_name(*b))
            .collect::<Vec<_>>()[0],
        "Q(2)"
    );
    let merged: Vec<_> = d.cells_numbered(16).map(|c| c.function).collect();
    assert_eq!(merged, [CellFunction::Input, CellFunction::Control]);
    let d1 = d.pin_cells(d.bit("D(1)").unwrap());
    assert_eq!((d1.driver, d1.observer.unwrap().number), (None, 15));
    assert_eq!(
        d.capture_source(d1.observer.unwrap(), false, CaptureMode::Extest),
        CaptureSource::Pi
    );
}

#[test]
fn printing_and_reading_again_changes_nothing() {
    let d = octal();
    let text = print(&d);
    let again = parse(
        text.as_bytes(),
        &Options {
            strict: true,
            ..Options::default()
        },
    );
    assert_eq!(again.diagnostics, []);
    assert!(d.same_model(&again.device.unwrap()));
    // A different model is told apart.
    let mut other = d.clone();
    other.cells[3].safe = true.into();
    assert!(!d.same_model(&other));
}
