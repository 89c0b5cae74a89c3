//! An FPGA of the scenario takes its image, by the steps that the scenario's README describes.

use super::*;

/// In U1, the device nearest TDI; the others are in BYPASS: bits for U1 come last.
fn ir(bench: &mut Bench, code: &str) {
    // Code is written most significant bit first, as in BSDL; U2, U3, U4 have 8, 8 and 5 bits.
    let first_left: String = code.chars().rev().collect();
    scan_ir(bench, &format!("{}{first_left}", "1".repeat(21)));
}

fn status(bench: &mut Bench, codes: &Codes) -> u16 {
    ir(bench, &codes.status);
    let out = scan_dr(bench, &"0".repeat(3 + 16));
    (0..16).fold(0, |v, i| v | u16::from(out.as_bytes()[3 + i] == b'1') << i)
}

struct Codes {
    open: String,
    shift: String,
    status: String,
    start: String,
    close: String,
}

/// The codes as the BSDL file gives them.
fn codes() -> Codes {
    let bytes = std::fs::read(scenario().join("devices/heddle_208.bsd")).unwrap();
    let device = taploom_bsdl::parse(&bytes, &Default::default())
        .device
        .unwrap();
    let code = |name: &str| {
        let opcode = &device.instruction(name).unwrap().opcodes[0];
        opcode.bits().iter().rev().map(|t| t.to_char()).collect()
    };
    Codes {
        open: code("CFG_OPEN"),
        shift: code("CFG_SHIFT"),
        status: code("CFG_STATUS"),
        start: code("CFG_START"),
        close: code("CFG_CLOSE"),
    }
}

fn idle(bench: &mut Bench, n: usize) {
    clock(bench, &"0".repeat(n), &"0".repeat(n));
}

fn image_bits(image: &[u8]) -> String {
    let bits = image
        .iter()
        .flat_map(|b| (0..8).rev().map(move |i| b >> i & 1));
    bits.map(|b| char::from(b'0' + b)).collect()
}

#[test]
fn an_image_is_loaded_and_the_design_runs() {
    let scratch = Scratch::new();
    let board = scenario().join("board.toml");
    let bench = format!(
        "[bench]\nformat = 1\nboard = {board:?}\n[[device]]\nname = \"U1\"\nmission = {{ 12 = \"high\" }}\n"
    );
    let mut bench =
        Bench::open(scratch.write("bench.toml", &bench)).unwrap_or_else(|e| panic!("{e}"));
    let image = std::fs::read(scenario().join("pattern-tap.bin")).unwrap();
    let codes = codes();
    reset(&mut bench);
    ir(&mut bench, &codes.open);
    assert_eq!(status(&mut bench, &codes), 0x5001, "open, not ready yet");
    ir(&mut bench, &codes.open);
    idle(&mut bench, 600);
    assert_eq!(status(&mut bench, &codes), 0x5003);
    // The captured IR shows READY in bit 5: U2, U3, U4 stand before U1.
    let out = scan_ir(&mut bench, &"1".repeat(31));
    assert_eq!(&out[21..], "1000010000");
    ir(&mut bench, &codes.shift);
    scan_dr(&mut bench, &format!("{}000", image_bits(&image)));
    assert_eq!(status(&mut bench, &codes), 0x500f);
    ir(&mut bench, &codes.start);
    idle(&mut bench, 64);
    assert_eq!(status(&mut bench, &codes), 0x501f);
    ir(&mut bench, &codes.close);
    idle(&mut bench, 16);
    let seen = seen(&bench);
    assert_eq!(seen.loaded.len(), 1);
    let loaded = &seen.loaded[0];
    assert_eq!((loaded.device.as_str(), loaded.running), ("U1", true));
    assert_eq!(loaded.text, "HEDDLE_208 pattern-tap");
    assert_eq!(loaded.payload_bytes as usize, image.len() - 70);

    // U1 runs its own design now: reset does not stop it, and SAMPLE sees pin 12 high.
    reset(&mut bench);
    let bytes = std::fs::read(scenario().join("devices/heddle_208.bsd")).unwrap();
    let device = taploom_bsdl::parse(&bytes, &Default::default())
        .device
        .unwrap();
    let bit = device.pin_map("PQ208").unwrap().bit_of("12").unwrap();
    let cell = device.pin_cells(bit).observer.unwrap().number as usize;
    let sample = &device.instruction("SAMPLE").unwrap().opcodes[0];
    let code: String = sample.bits().iter().rev().map(|t| t.to_char()).collect();
    ir(&mut bench, &code);
    let out = scan_dr(&mut bench, &"0".repeat(3 + device.boundary_length as usize));
    assert_eq!(&out[3 + cell..3 + cell + 1], "1");
}

#[test]
fn a_damaged_image_is_refused_and_closing_leaves_the_device_blank() {
    let mut bench = scenario_bench("as-drawn-no-clip.toml");
    let mut image = std::fs::read(scenario().join("pattern-tap.bin")).unwrap();
    image[100] ^= 1;
    let codes = codes();
    reset(&mut bench);
    ir(&mut bench, &codes.open);
    idle(&mut bench, 512);
    ir(&mut bench, &codes.shift);
    scan_dr(&mut bench, &format!("{}000", image_bits(&image)));
    assert_eq!(status(&mut bench, &codes), 0x5107);
    ir(&mut bench, &codes.start);
    idle(&mut bench, 64);
    assert_eq!(status(&mut bench, &codes), 0x5907);
    ir(&mut bench, &codes.close);
    assert_eq!(
        status(&mut bench, &codes) & 0x13,
        0,
        "not open, not ready, not done"
    );
    assert!(seen(&bench).loaded.is_empty());
}
