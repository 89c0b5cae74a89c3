//! Edges, states and registers, by strings written by hand.

use super::*;
use crate::tap::{Level, Line, TapState};

/// Blind interrogation: five clocks with TMS high, then straight to Shift-DR, with a marker at TDI whose manufacturer
/// field is never assigned (1149.1-2001 clause 12, from memory; the bit-0 rule also in TI SLAU723A).
#[test]
fn identity_codes_come_out_before_the_marker() {
    let mut bench = scenario_bench("as-drawn-no-clip.toml");
    clock(&mut bench, "11111 0100", "11111 1111");
    // 0x000000FF, first bit left, again and again.
    let marker = format!("{}{}", "1".repeat(8), "0".repeat(24));
    let out = clock(&mut bench, &"0".repeat(192), &marker.repeat(6));
    let words: Vec<u32> = (0..6)
        .map(|w| {
            (0..32).fold(0, |v, i| {
                v | u32::from(out.as_bytes()[32 * w + i] == b'1') << i
            })
        })
        .collect();
    // Nearest TDO first; the version digit of U3 is open in its BSDL.
    assert_eq!(words[0], 0x32C5_2A01);
    assert_eq!(words[1] & 0x0fff_ffff, 0x02C4_4A01);
    assert_eq!(words[2..], [0x14D1_6501, 0x24D0_8501, 0xff, 0xff]);
}

#[test]
fn counting_by_bypass_and_total_ir_length() {
    let mut bench = scenario_bench("as-drawn.toml");
    reset(&mut bench);
    // Ones flush the instruction registers; a zero then comes out after exactly as many clocks as they have bits.
    let sent = format!("{}0{}", "1".repeat(200), "1".repeat(100));
    let out = scan_ir(&mut bench, &sent);
    assert_eq!(out[200..].find('0'), Some(10 + 8 + 8 + 5 + 6));
    // Now all in BYPASS: five zeros captured, then a one sent after zeros appears after five clocks.
    let out = scan_dr(&mut bench, "000000 1 0000000");
    assert_eq!(out, format!("{}1{}", "0".repeat(11), "00"));
}

#[test]
fn tdo_is_driven_in_shift_states_only() {
    let mut rig = Rig::new(2, "");
    // BYPASS in both, all-zero data: TDO reads 1 but for the cycles that begin in Shift-DR.
    scan_ir(&mut rig.bench, "1111 1111");
    //                             Sel Cap  Sh Sh Ex Pau Ex2 Sh Sh Ex Upd Rti
    let out = clock(
        &mut rig.bench,
        "1 0 0  0 1 0 0 1 0  0 1  1 0 0",
        "00000000000000",
    );
    assert_eq!(out, "111 00 1111 00 111".replace(' ', ""));
}

#[test]
fn a_pause_resumes_the_same_shift_and_updates_nothing() {
    let mut rig = Rig::new(4, "");
    rig.extest();
    // All drivers of U1 on, driving 1 0 1 0, in two pieces with a pause between.
    let image = format!("{}{}", "0".repeat(8), "11 10 11 10").replace(' ', "");
    let (first, second) = image.split_at(11);
    clock(&mut rig.bench, "100", "000");
    clock(&mut rig.bench, &format!("{}1", "0".repeat(10)), first);
    clock(&mut rig.bench, "0000 1 0", "111111");
    assert_eq!(
        seen(&rig.bench).devices[0].boundary_drivers,
        0,
        "no Update yet"
    );
    clock(&mut rig.bench, &format!("{}1", "0".repeat(4)), second);
    // The falling edge in Update-DR sets the latches.
    clock(&mut rig.bench, "1", "0");
    assert_eq!(seen(&rig.bench).devices[0].state, TapState::UpdateDr);
    assert_eq!(seen(&rig.bench).devices[0].boundary_drivers, 4);
    clock(&mut rig.bench, "0", "0");
    let now: [Vec<bool>; 2] = rig.exchange(&[]);
    assert_eq!(now[1], [true, false, true, false]);
}

#[test]
fn capture_takes_place_on_the_edge_that_leaves_capture() {
    let mut rig = Rig::with(1, "", "spare = { 0 = \"U2.1\" }");
    rig.extest();
    rig.bench.line(Line::Spare(0), Level::Low).unwrap();
    // Into Capture-DR (two edges), then the pin changes, then the edge that leaves it.
    clock(&mut rig.bench, "10", "00");
    rig.bench.line(Line::Spare(0), Level::High).unwrap();
    clock(&mut rig.bench, "0", "0");
    rig.bench.line(Line::Spare(0), Level::Low).unwrap();
    let out = clock(&mut rig.bench, "0001", "0000");
    assert_eq!(&out[1..2], "1", "U2.1 as it was on that edge");
    assert_eq!(&out[3..4], "1", "U1.1 is on the same wire");
}

#[test]
fn private_and_unknown_codes_act_as_bypass() {
    let mut rig = Rig::new(3, "");
    for code in ["1010", "1111", "0110", "1110"] {
        // SECRET (0101), BYPASS, and two codes that the part does not have; first bit left.
        scan_ir(&mut rig.bench, &format!("{code} {code}"));
        assert_eq!(scan_dr(&mut rig.bench, "1011 0000"), "00101100", "{code}");
    }
}

#[test]
fn clamp_holds_and_highz_releases_with_bypass_between() {
    let mut rig = Rig::new(2, "[[device]]\nname = \"U2\"\nidle = \"pull-down\"");
    rig.extest();
    rig.drive(&[(1, 1, true)]);
    // CLAMP in U1 (TDI end, shifted last), SAMPLE in U2.
    scan_ir(&mut rig.bench, "1000 0010");
    assert_eq!(seen(&rig.bench).devices[0].boundary_drivers, 1);
    let out = scan_dr(&mut rig.bench, "0000 0");
    assert_eq!(&out[1..2], "1", "U2.1 hears U1.1");
    assert_eq!(&out[4..5], "0", "one bit of BYPASS in U1");
    // HIGHZ in U1: the pull on U2's side wins.
    scan_ir(&mut rig.bench, "1000 1100");
    assert_eq!(seen(&rig.bench).devices[0].boundary_drivers, 0);
    assert_eq!(&scan_dr(&mut rig.bench, "0000 0")[1..2], "0");
}

#[test]
fn reset_gives_the_pins_back_and_disables_controlr_cells() {
    let mut rig = Rig::new(2, "");
    rig.extest();
    rig.drive(&[(1, 1, true), (1, 2, false)]);
    assert!(!seen(&rig.bench).left_safe());
    reset(&mut rig.bench);
    assert_eq!(seen(&rig.bench).devices[0].instruction, "IDCODE");
    // EXTEST without a preload: the control cells were reset, so nothing drives.
    scan_ir(&mut rig.bench, "0000 0000");
    assert_eq!(seen(&rig.bench).devices[0].boundary_drivers, 0);
    clock(&mut rig.bench, "11111", "11111");
    assert!(seen(&rig.bench).left_safe());
    // A shift that was broken off is not safe.
    clock(&mut rig.bench, "0100 00", "000000");
    assert!(!seen(&rig.bench).left_safe());
}

#[test]
fn time_is_virtual() {
    let mut rig = Rig::new(1, "");
    let before = rig.bench.now_ns();
    rig.bench.tck_hz(30_000_000);
    clock(&mut rig.bench, &"0".repeat(3_000), &"0".repeat(3_000));
    rig.bench.pass(20_000).unwrap();
    assert_eq!(rig.bench.now_ns() - before, 100_000 + 20_000);
}

#[test]
fn trst_resets_only_parts_that_have_it() {
    let scratch = Scratch::new();
    let with = loom("KEEN", 1, "Z")
        .replace("TDI, TMS, TCK : in bit;", "TDI, TMS, TCK, NR : in bit;")
        .replace("TDI:T1,", "TDI:T1, NR:T5,")
        .replace(
            "  attribute INSTRUCTION_LENGTH",
            "  attribute TAP_SCAN_RESET of NR : signal is true;\n  attribute INSTRUCTION_LENGTH",
        );
    scratch.write("keen.bsd", &with);
    scratch.write("loom.bsd", &loom("LOOM", 1, "Z"));
    let board = "[board]\nformat = 1\nname = \"two\"\nbsdl = [\".\"]\n[[device]]\nname = \"U1\"\nentity = \"KEEN\"\n\
                 [[device]]\nname = \"U2\"\nentity = \"LOOM\"\n";
    let mut bench = scratch.open(board, "").unwrap_or_else(|e| panic!("{e}"));
    reset(&mut bench);
    bench.line(Line::Trst, Level::Low).unwrap();
    let states = |b: &Bench| seen(b).devices.iter().map(|d| d.state).collect::<Vec<_>>();
    assert_eq!(
        states(&bench),
        [TapState::TestLogicReset, TapState::RunTestIdle]
    );
    // Held in reset while the other one walks on.
    clock(&mut bench, "100", "000");
    assert_eq!(
        states(&bench),
        [TapState::TestLogicReset, TapState::ShiftDr]
    );
    // U1 does not drive its TDO, so U2 reads ones: its IDCODE first.
    let out = clock(&mut bench, &"0".repeat(40), &"0".repeat(40));
    assert_eq!(&out[32..], "11111111");
    bench.line(Line::Trst, Level::Released).unwrap();
    clock(&mut bench, "11111", "11111");
    assert!(seen(&bench).left_safe());
}
