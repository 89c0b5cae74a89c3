//! The octal scan device of the 1149.1b-1994 annex B sample (from memory; its siblings' data sheets SCBS067E, SCBS042E
//! and SCBS043E agree on register lengths and cell order): published numbers, worked on the simulated part.

use super::*;

/// The same device in words of our own.
fn octal() -> String {
    let inputs = (0..8).map(|i| format!("{} (BC_1, D({}), input, X)", 15 - i, i + 1));
    let outputs = (0..8).map(|i| format!("{} (BC_1, Q({}), output3, X, 16, 1, Z)", 7 - i, i + 1));
    let rows = [
        "17 (BC_1, CLK, input, X)".to_string(),
        "16 (BC_1, OC_NEG, input, X)".into(),
        "16 (BC_1, *, control, 1)".into(),
    ];
    let rows: Vec<String> = rows.into_iter().chain(inputs).chain(outputs).collect();
    format!(
        "entity OCTAL is
  generic (PHYSICAL_PIN_MAP : string := \"DW\");
  port (CLK : in bit; Q : out bit_vector(1 to 8); D : in bit_vector(1 to 8); GND, VCC : linkage bit;
    OC_NEG : in bit; TDO : out bit; TMS, TDI, TCK : in bit);
  use STD_1149_1_1994.all;
  attribute COMPONENT_CONFORMANCE of OCTAL : entity is \"STD_1149_1_1990\";
  attribute PIN_MAP of OCTAL : entity is PHYSICAL_PIN_MAP;
  constant DW : PIN_MAP_STRING := \"CLK:1, Q:(2,3,4,5,7,8,9,10), GND:6, TDO:11, TMS:12, TCK:13, TDI:14,\"
    & \"D:(23,22,21,20,19,17,16,15), VCC:18, OC_NEG:24\";
  attribute TAP_SCAN_IN of TDI : signal is true;
  attribute TAP_SCAN_MODE of TMS : signal is true;
  attribute TAP_SCAN_OUT of TDO : signal is true;
  attribute TAP_SCAN_CLOCK of TCK : signal is (20.0e6, BOTH);
  attribute INSTRUCTION_LENGTH of OCTAL : entity is 8;
  attribute INSTRUCTION_OPCODE of OCTAL : entity is
    \"BYPASS (11111111, 10001000, 00000101, 10000100, 00000001), EXTEST (00000000, 10000000),\"
    & \"SAMPLE (00000010, 10000010), INTEST (00000011, 10000011), TRIBYP (00000110, 10000110),\"
    & \"SETBYP (00000111, 10000111), RUNT (00001001, 10001001), READBN (00001010, 10001010),\"
    & \"READBT (00001011, 10001011), CELLTST (00001100, 10001100), TOPHIP (00001101, 10001101),\"
    & \"SCANCN (00001110, 10001110), SCANCT (00001111, 10001111)\";
  attribute INSTRUCTION_CAPTURE of OCTAL : entity is \"10000001\";
  attribute INSTRUCTION_DISABLE of OCTAL : entity is \"TRIBYP\";
  attribute INSTRUCTION_GUARD of OCTAL : entity is \"SETBYP\";
  attribute REGISTER_ACCESS of OCTAL : entity is \"BYPASS (TOPHIP, SETBYP, RUNT, TRIBYP),\"
    & \"BOUNDARY (READBN, READBT, CELLTST), BCR[2] (SCANCN, SCANCT)\";
  attribute BOUNDARY_LENGTH of OCTAL : entity is 18;
  attribute BOUNDARY_REGISTER of OCTAL : entity is \"{}\";
end OCTAL;
",
        rows.join(",\"\n    & \"")
    )
}

fn chain_of(count: usize, more: &str) -> Bench {
    let scratch = Scratch::new();
    scratch.write("octal.bsd", &octal());
    let device = |i: usize| format!("[[device]]\nname = \"U{i}\"\nentity = \"OCTAL\"\n");
    let devices: String = (1..=count).map(device).collect();
    let board = format!("[board]\nformat = 1\nname = \"octals\"\nbsdl = [\".\"]\n{devices}{more}");
    let mut bench = scratch.open(&board, "").unwrap_or_else(|e| panic!("{e}"));
    reset(&mut bench);
    bench
}

/// Length of the register between TDI and TDO, by sending a one through zeros.
fn length(bench: &mut Bench) -> usize {
    let out = scan_dr(bench, &format!("{}1{}", "0".repeat(100), "0".repeat(100)));
    out[100..].find('1').expect("the one comes through")
}

#[test]
fn instruction_register_is_8_bits_and_captures_1000_0001() {
    let mut bench = chain_of(1, "");
    // Bit 0 leaves first; the ones that follow are what was sent.
    assert_eq!(
        scan_ir(&mut bench, "1111 1111 0000 0000"),
        "1000 0001 1111 1111".replace(' ', "")
    );
    // A chain of four: 32 bits.
    let mut bench = chain_of(4, "");
    let sent = format!("{}{}", "1".repeat(32), "0".repeat(8));
    let out = scan_ir(&mut bench, &sent);
    assert_eq!(&out[..32], "10000001".repeat(4));
    assert_eq!(&out[32..], "11111111");
}

#[test]
fn bypass_is_selected_after_reset_and_captures_0() {
    let mut bench = chain_of(4, "");
    // No ID register: four zeros, then what was sent.
    assert_eq!(scan_dr(&mut bench, "1111 1111"), "00001111");
    assert_eq!(length(&mut bench), 4);
}

#[test]
fn every_published_code_selects_its_register() {
    let mut bench = chain_of(1, "");
    let codes: &[(&str, usize)] = &[
        ("FF 88 05 84 01", 1),
        ("00 80", 18),
        ("02 82", 18),
        ("03 83", 18),
        ("06 86 07 87 09 89 0D 8D", 1),
        ("0A 8A 0B 8B 0C 8C", 18),
        ("0E 8E 0F 8F", 2),
        // Codes that the part does not name act as BYPASS.
        ("04 08 10 7F FE", 1),
    ];
    for &(list, expected) in codes {
        for code in list.split(' ') {
            let value = u8::from_str_radix(code, 16).unwrap();
            let first_bit_left: String = (0..8)
                .map(|i| char::from(b'0' + (value >> i & 1)))
                .collect();
            scan_ir(&mut bench, &first_bit_left);
            assert_eq!(length(&mut bench), expected, "{code}");
        }
    }
}

#[test]
fn a_boundary_scan_takes_18_and_5_cycles() {
    let mut bench = chain_of(1, "");
    scan_ir(&mut bench, "0100 0000");
    let before = seen(&bench).tck_cycles;
    scan_dr(&mut bench, &"0".repeat(18));
    let after = seen(&bench);
    assert_eq!(after.tck_cycles - before, 18 + 5);
    assert!(after.devices[0].state == crate::tap::TapState::RunTestIdle);
    // Four of them: boundary 72.
    let mut bench = chain_of(4, "");
    scan_ir(&mut bench, &"0100 0000".repeat(4));
    assert_eq!(length(&mut bench), 72);
}

#[test]
fn pins_are_captured_and_driven_in_the_published_order() {
    // Outputs Q1..Q8 of U1 to inputs D1..D8 of U2; U1's output enable is held low, U2's high.
    let q = [2, 3, 4, 5, 7, 8, 9, 10];
    let d = [23, 22, 21, 20, 19, 17, 16, 15];
    let wire = |i: usize| {
        format!(
            "[[wire]]\nlabel = \"W{i}\"\nfrom = \"U1.{}\"\nto = \"U2.{}\"\n",
            q[i], d[i]
        )
    };
    let more: String = (0..8).map(wire).collect();
    let pulls =
        "[[pull]]\npin = \"U1.24\"\nto = \"low\"\n[[pull]]\npin = \"U2.24\"\nto = \"high\"\n";
    let mut bench = chain_of(2, &(more + pulls));
    // SAMPLE into both, the image for U1: cell 16 low switches its outputs on; Q(k) is cell 8 - k.
    scan_ir(&mut bench, "0100 0000 0100 0000");
    let image = |outputs: &str, off: char| format!("{outputs}0000 0000 {off} 0");
    let idle = image("0000 0000", '1');
    // U2 is nearest TDO: its bits go first.
    scan_dr(&mut bench, &format!("{idle}{}", image("1011 0010", '0')));
    scan_ir(&mut bench, "0000 0000 0000 0000");
    let out = scan_dr(&mut bench, &format!("{idle}{idle}"));
    // Cells 8 to 15 of U2 are D(8) to D(1), in the order of Q(8) to Q(1) in cells 0 to 7 of U1.
    assert_eq!(&out[8..16], "10110010");
    // Cell 16 is merged with the input on OC_NEG and captures that pin: U2's is pulled up, U1's down.
    assert_eq!((&out[16..17], &out[18 + 16..18 + 17]), ("1", "0"));
    assert_eq!(seen(&bench).fight_count, 0);
}
