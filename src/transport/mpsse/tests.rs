//! Byte streams of programs, each command explained.

use super::super::lowered::steps_of;
use super::super::{Chip, Profile};
use super::encode::{Encoder, Part, Pause, Stream};
use super::op;
use crate::bits::Bits;
use crate::tap::{Instructions, Level, Line, Op, Piece, ScanProgram, Shift, TapState, Walker};

const H: u16 = 0x0700;
const C: u16 = 0x0500;

/// An encoder just opened at 6 MHz, its set-up commands taken off.
fn encoder(release: u16) -> (Encoder, Walker) {
    let chip = Chip::of_release(release).unwrap();
    let profile = Profile::plain_module("plain module", 0, chip.high_lines);
    let mut encoder = Encoder::new(chip, profile);
    encoder.set_up(chip.rate(6_000_000).unwrap());
    encoder.finish();
    (encoder, Walker::new())
}

fn encode(encoder: &mut Encoder, walker: &mut Walker, ops: &[Op]) -> Stream {
    let piece = Piece { ops: ops.to_vec() };
    for (state, step) in steps_of(walker, &piece).unwrap() {
        encoder.step(state, step);
    }
    encoder.finish()
}

fn hex(bytes: &[u8]) -> String {
    let text: Vec<String> = bytes.iter().map(|b| format!("{b:02X}")).collect();
    text.join(" ")
}

/// The commands of a program, after a reset and a way to Run-Test/Idle where `idle`.
/// `expected` has one command a line, explained behind `;`.
fn check(release: u16, idle: bool, program: &ScanProgram, expected: &str) -> Stream {
    let (mut encoder, mut walker) = encoder(release);
    if idle {
        let mut start = ScanProgram::new();
        start.reset().go(TapState::RunTestIdle);
        encode(&mut encoder, &mut walker, start.ops());
    }
    let stream = encode(&mut encoder, &mut walker, program.ops());
    let expected: Vec<&str> = expected
        .lines()
        .map(|line| line.split(';').next().unwrap().trim())
        .filter(|line| !line.is_empty())
        .collect();
    assert_eq!(hex(&stream.bytes), expected.join(" "));
    stream
}

#[test]
fn set_up_of_both_kinds() {
    for (release, expected) in [
        (H, "97 8D 85 8A 86 04 00 80 08 0B 82 00 00"),
        // The C type has neither adaptive nor three-phase clocking nor divide-by-5.
        (C, "85 86 00 00 80 08 0B 82 00 00"),
    ] {
        let chip = Chip::of_release(release).unwrap();
        let mut encoder = Encoder::new(chip, Profile::plain_module("", 0, chip.high_lines));
        encoder.set_up(chip.rate(6_000_000).unwrap());
        assert_eq!(hex(&encoder.finish().bytes), expected);
    }
}

#[test]
fn a_return_clock_is_waited_for_where_the_board_gives_one() {
    let chip = Chip::of_release(H).unwrap();
    let mut profile = Profile::plain_module("", 0, chip.high_lines);
    profile.return_clock = true;
    profile
        .spare
        .retain(|wire| wire.pin != Profile::RETURN_CLOCK);
    assert_eq!(profile.fault(chip), None);
    assert!(profile.fault(Chip::of_release(C).unwrap()).is_some());
    let mut encoder = Encoder::new(chip, profile);
    encoder.set_up(chip.rate(6_000_000).unwrap());
    // 96: TCK waits for GPIOL3, which stays an input.
    let expected = "96 8D 85 8A 86 04 00 80 08 0B 82 00 00";
    assert_eq!(hex(&encoder.finish().bytes), expected);
}

#[test]
fn a_reset_and_an_instruction_scan() {
    let mut program = ScanProgram::new();
    program.reset();
    program.scan_ir_captured(Instructions::bypass(8), TapState::RunTestIdle);
    let stream = check(
        H,
        false,
        &program,
        "4B 05 1F   ; TMS 1 1 1 1 1, and the first 0 of 0 1 1 0 0 to Shift-IR
         4B 03 03   ; TMS 1 1 0 0
         3B 06 7F   ; seven bits out and in
         6B 02 83   ; TMS 1 1 0: the eighth bit, a 1 in bit 7, then to Run-Test/Idle
         AA 87      ; the mark, and send",
    );
    let tms = Part::Tms { len: 3, index: 0 };
    assert_eq!(stream.parts, [Part::Bits(7), tms, Part::Mark(0xaa)]);
    assert_eq!(stream.answer_bytes, 4);
    assert_eq!(stream.cycles, 5 + 5 + 8 + 2);
}

#[test]
fn a_data_scan_that_is_not_read() {
    let mut program = ScanProgram::new();
    let bits = Bits::from_u64(0x5_1234, 20);
    program.scan_dr(bits, TapState::RunTestIdle);
    let stream = check(
        H,
        true,
        &program,
        "4B 02 01        ; TMS 1 0 0 to Shift-DR
         19 01 00 34 12  ; two bytes
         1B 02 05        ; three bits
         4B 02 03        ; TMS 1 1 0 with the last bit, a 0",
    );
    assert_eq!(stream.answer_bytes, 0);
}

#[test]
fn vectors_back_to_back_share_their_moves() {
    let mut program = ScanProgram::new();
    program.scan_dr_captured(Bits::from_u64(0x1aa, 9), TapState::UpdateDr);
    program.scan_dr_captured(Bits::from_u64(0x055, 9), TapState::RunTestIdle);
    check(
        H,
        true,
        &program,
        "4B 02 01     ; to Shift-DR
         39 00 00 AA  ; eight bits out and in
         6B 04 87     ; TMS 1 1 1 0 0: last bit, Update, Select, Capture, Shift
         39 00 00 55
         6B 02 03     ; last bit, a 0, and to Run-Test/Idle
         AA 87",
    );
}

#[test]
fn a_scan_of_one_bit_is_one_command_with_its_moves() {
    let mut program = ScanProgram::new();
    program.scan_dr_captured(Bits::ones(1), TapState::RunTestIdle);
    let stream = check(
        H,
        true,
        &program,
        "6B 05 99     ; TMS 1 0 0 1 1 0, TDI 1
         AA 87",
    );
    assert_eq!(stream.parts[0], Part::Tms { len: 6, index: 3 });
}

#[test]
fn clocks_in_a_stable_state() {
    let mut program = ScanProgram::new();
    program.clocks(1000);
    // TDI is brought to 1 by six of them, 124 x 8 go without data, two are left.
    check(H, true, &program, "4B 05 80\n 8F 7B 00\n 4B 01 80");
    let ones = "FF ".repeat(124);
    let on_c = format!("4B 05 80\n 19 7B 00 {ones}\n 4B 01 80");
    let stream = check(C, true, &program, &on_c);
    assert_eq!(stream.cycles, 1000);
    let mut program = ScanProgram::new();
    program.clocks(3);
    program.scan_dr(Bits::ones(1), TapState::RunTestIdle);
    // Few clocks go with the moves that follow: TMS 0 0 0 1 0 0, then 1 1 0.
    check(H, true, &program, "4B 05 88\n 4B 02 83");
}

#[test]
fn waits_become_clocks_where_tms_can_hold() {
    let mut program = ScanProgram::new();
    program.wait_ns(20_000);
    // 20 us at 6 MHz are 120 clocks.
    let stream = check(H, true, &program, "4B 05 80\n 8F 0D 00\n 4B 01 80");
    assert_eq!(stream.cycles, 120);
    let mut program = ScanProgram::new();
    program.go(TapState::ShiftDr).wait_ns(1000);
    let stream = check(H, true, &program, "4B 02 01\n AA 87\n AB 87");
    let pause = Pause {
        at: 5,
        answers: 2,
        ns: 1000,
    };
    assert_eq!(stream.pauses, [pause], "the host waits, with the chip idle");
    let mut program = ScanProgram::new();
    program.wait_ns(50_000_000);
    let stream = check(C, true, &program, "AA 87\n AB 87");
    assert_eq!(stream.pauses.len(), 1, "too long for shifts on the C type");
}

#[test]
fn side_lines_and_their_levels() {
    let mut program = ScanProgram::new();
    program.line(Line::Trst, Level::Low);
    program.line(Line::Trst, Level::High);
    program.line(Line::Spare(0), Level::High);
    program.line(Line::Spare(4), Level::High);
    program.line(Line::Spare(0), Level::Released);
    let spares = program.sense();
    check(
        H,
        true,
        &program,
        "82 00 10   ; TRST* on ACBUS4 is pulled low
         82 00 00   ; and let go, as it is only ever pulled low
         80 10 1B   ; spare 0 on ADBUS4 to 1; TMS is 0 here, TDI 0
         82 01 01   ; spare 4 on ACBUS0
         80 00 0B
         81 83      ; both bytes read
         AA 87",
    );
    assert_eq!(spares, crate::tap::Slot(0));
}

#[test]
fn long_shifts_are_split_at_64_kib() {
    let bits = Bits::ones(70_000 * 8);
    let op = Op::Shift(Shift::dr(bits).captured(crate::tap::Slot(0)));
    let (mut encoder, mut walker) = encoder(H);
    let stream = encode(&mut encoder, &mut walker, &[op]);
    let mark = Part::Mark(0xaa);
    assert_eq!(stream.parts, [Part::Bytes(65536), Part::Bytes(4464), mark]);
    // To Shift-DR (one command), two heads, the data, the mark.
    assert_eq!(stream.bytes.len(), 3 + 3 + 3 + 70_000 + 2);
    assert_eq!(stream.bytes[3..6], [0x39, 0xff, 0xff]);
    assert_eq!(stream.bytes[6 + 65536..][..3], [0x39, 0x6f, 0x11]);
}

#[test]
fn marks_take_turns_and_no_command_has_seven_tms_bits() {
    let (mut encoder, mut walker) = encoder(H);
    let mut marks = Vec::new();
    for len in 1..40 {
        let mut program = ScanProgram::new();
        program.reset();
        program.scan_dr_captured(Bits::ones(len), TapState::PauseDr);
        let stream = encode(&mut encoder, &mut walker, program.ops());
        marks.push(stream.bytes[stream.bytes.len() - 2]);
        for pair in stream.bytes.windows(2) {
            if matches!(pair[0], op::TMS | op::TMS_READ) {
                assert!(pair[1] < 6);
            }
        }
    }
    assert!(
        marks
            .chunks(2)
            .all(|m| m[0] == 0xaa && m.get(1).is_none_or(|&b| b == 0xab))
    );
}
