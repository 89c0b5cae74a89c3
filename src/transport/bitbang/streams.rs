//! Programs as the bytes that go out, each byte explained from its bits alone, held by a snapshot: levels, the cycles of
//! TCK that they make, the states that TMS leads to. `tests.rs` has the same kind of streams written by hand.

use std::fmt::Write;

use super::super::Profile;
use super::super::lowered::steps_of;
use super::encode::{Encoder, Part, Stop, Stream};
use crate::bits::Bits;
use crate::tap::{Level, Line, Piece, ScanProgram, TapState, Walker};

/// The plain module's lines from bit 0 on: TXD, RXD, RTS, CTS, DTR, DSR, DCD, RI.
const LINES: [&str; 8] = [
    "TCK", "TDO", "TMS", "TRST*", "TDI", "reset", "spare 0", "spare 1",
];

fn names(byte: u8) -> String {
    let named: Vec<&str> = (0..8)
        .filter(|k| byte >> k & 1 == 1)
        .map(|k| LINES[k])
        .collect();
    if named.is_empty() {
        "none".to_owned()
    } else {
        named.join(", ")
    }
}

fn stop_in_words(stop: &Stop) -> String {
    match stop {
        Stop::Wait(ns) => format!("the host waits {ns} ns"),
        Stop::Outputs(lines) => format!("from here on outputs are: {}", names(*lines)),
    }
}

/// A stream under its name, from Test-Logic-Reset, with TCK low.
fn explain(name: &str, stream: &Stream) -> String {
    let mut text = format!("{name}\n");
    let (mut state, mut tck, mut cycles) = (TapState::TestLogicReset, false, 0);
    let wanted = |at: usize| {
        stream.parts.iter().any(|part| match *part {
            Part::Tdo { from, bits } => {
                at >= from && (at - from).is_multiple_of(2) && (at - from) / 2 < bits
            }
            Part::Lines(place) => at == place,
        })
    };
    let stops = |text: &mut String, at: usize| {
        for (_, stop) in stream.stops.iter().filter(|(place, _)| *place == at) {
            writeln!(text, "  -- {}", stop_in_words(stop)).unwrap();
        }
    };
    for (at, &byte) in stream.bytes.iter().enumerate() {
        stops(&mut text, at);
        let mut told = format!("high: {}", names(byte));
        let high = byte & 0x01 != 0;
        if high && !tck {
            let before = state;
            state = state.next(byte & 0x04 != 0);
            cycles += 1;
            write!(told, "; TCK rises: {before} > {state}").unwrap();
        } else if tck && !high {
            told.push_str("; TCK falls");
        }
        if wanted(at) {
            told.push_str("; the reading that comes with it is wanted");
        }
        tck = high;
        writeln!(text, "  {byte:02X}  {told}").unwrap();
    }
    stops(&mut text, stream.bytes.len());
    assert_eq!(cycles, stream.cycles, "{text}");
    assert!(!tck, "a stream ends with TCK low: {text}");
    let bytes = stream.bytes.len();
    writeln!(text, "  = {bytes} bytes each way, {cycles} cycles of TCK\n").unwrap();
    text
}

fn encode(program: &ScanProgram) -> Stream {
    let mut encoder = Encoder::new(Profile::plain_bit_bang("plain", 0));
    encoder.set_byte_hz(600_000);
    let piece = Piece {
        ops: program.ops().to_vec(),
    };
    for (_, step) in steps_of(&mut Walker::new(), &piece).unwrap() {
        encoder.step(step);
    }
    encoder.finish()
}

#[test]
fn every_byte_is_explained() {
    let mut encoder = Encoder::new(Profile::plain_bit_bang("plain", 0));
    encoder.drive();
    encoder.mark();
    let mut text = explain(
        "start: levels, outputs, a pattern on TDI",
        &encoder.finish(),
    );
    encoder.undrive();
    text += &explain("lines released", &encoder.finish());

    let mut program = ScanProgram::new();
    program.reset().go(TapState::RunTestIdle);
    text += &explain("reset", &encode(&program));

    let mut program = ScanProgram::new();
    let bits = Bits::from_u64(0b101, 3);
    program.scan_dr_captured(bits, TapState::RunTestIdle);
    text += &explain("three bits of data, read", &encode(&program));

    let mut program = ScanProgram::new();
    program.clocks(2).wait_ns(10_000).wait_ns(6_000_000);
    text += &explain(
        "clocks, a wait as bytes, a wait of the host",
        &encode(&program),
    );

    let mut program = ScanProgram::new();
    program.line(Line::Spare(0), Level::High);
    program.line(Line::Trst, Level::Low);
    program.sense();
    program.line(Line::Trst, Level::High);
    program.line(Line::Spare(0), Level::Released);
    text += &explain("a spare line, TRST*, lines read", &encode(&program));
    insta::assert_snapshot!("streams", text);
}
