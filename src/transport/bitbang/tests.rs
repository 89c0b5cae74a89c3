//! Byte streams of programs, each byte explained.

use super::super::Profile;
use super::super::lowered::steps_of;
use super::encode::{Encoder, Part, Stop, Stream};
use crate::bits::Bits;
use crate::tap::{Level, Line, Op, Piece, ScanProgram, TapState, Walker};

/// The bytes of a program at 300 kHz. Lines: TCK 01, TMS 04, TDI 10; TRST* 08, spares 40 and 80.
fn encode(program: &[Op]) -> Stream {
    let mut encoder = Encoder::new(Profile::plain_bit_bang("plain", 0));
    encoder.set_byte_hz(600_000);
    let piece = Piece {
        ops: program.to_vec(),
    };
    let mut walker = Walker::new();
    for (_, step) in steps_of(&mut walker, &piece).unwrap() {
        encoder.step(step);
    }
    encoder.finish()
}

/// `expected` has the bytes, explained behind `;`.
fn check(program: &ScanProgram, expected: &str) -> Stream {
    let stream = encode(program.ops());
    let text: Vec<String> = stream.bytes.iter().map(|b| format!("{b:02X}")).collect();
    let expected: Vec<&str> = expected
        .lines()
        .map(|line| line.split(';').next().unwrap().trim())
        .filter(|line| !line.is_empty())
        .collect();
    assert_eq!(text.join(" "), expected.join(" "));
    stream
}

#[test]
fn the_start_sets_levels_before_directions() {
    let mut encoder = Encoder::new(Profile::plain_bit_bang("plain", 0));
    encoder.drive();
    encoder.mark();
    let stream = encoder.finish();
    // TMS and TDI high, TCK low; then TDI 0 1 0 0 1 with TCK still low.
    assert_eq!(stream.bytes, [0x14, 0x14 ^ 0x10, 0x14, 0x04, 0x04, 0x14]);
    assert_eq!(stream.stops, [(1, Stop::Outputs(0x15))]);
    assert_eq!(stream.cycles, 0);
}

#[test]
fn a_scan_of_three_bits() {
    let mut program = ScanProgram::new();
    program.scan_dr_captured(Bits::from_u64(0b101, 3), TapState::RunTestIdle);
    let stream = check(
        &program,
        "10 11  ; TMS 0 1 0 0: from Test-Logic-Reset to Shift-DR
         14 15
         10 11
         10 11
         10 11  ; a 1
         00 01  ; a 0
         14 15  ; a 1 with TMS 1
         14 15  ; TMS 1 0: Update, Idle
         10 11
         10     ; TCK falls",
    );
    // The readings of the rising edges of the three bits.
    assert_eq!(stream.parts, [Part::Tdo { from: 9, bits: 3 }]);
    assert_eq!(stream.cycles, 9);
}

#[test]
fn waits_are_bytes_or_stops() {
    let mut program = ScanProgram::new();
    program.wait_ns(10_000).wait_ns(6_000_000);
    // 10 µs are six bytes at 600,000 a second, and one for the rest; 6 ms are the host's.
    let stream = check(&program, "14 14 14 14 14 14 14");
    assert_eq!(stream.stops, [(7, Stop::Wait(6_000_000))]);
}

#[test]
fn side_lines_change_by_bytes_and_their_directions_by_stops() {
    let mut program = ScanProgram::new();
    program.line(Line::Spare(0), Level::High);
    program.line(Line::Spare(0), Level::Low);
    program.sense();
    program.line(Line::Trst, Level::Low);
    program.line(Line::Trst, Level::High);
    program.line(Line::Spare(0), Level::Released);
    program.line(Line::Spare(1), Level::Released);
    let stream = check(
        &program,
        "54   ; spare 0 high, then an output
         14   ; low
         14   ; read
         14   ; TRST* low, then an output; an input again when it is high",
    );
    assert_eq!(
        stream.stops,
        [
            (1, Stop::Outputs(0x55)),
            (4, Stop::Outputs(0x5d)),
            (4, Stop::Outputs(0x55)),
            (4, Stop::Outputs(0x15)),
        ]
    );
    assert_eq!(stream.parts, [Part::Lines(2)]);
}
