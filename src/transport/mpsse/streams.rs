//! A dozen programs as the bytes that go out, each byte explained (`explain.rs`), held by a snapshot. The explainer's own
//! counts of answers and of cycles must agree with the encoder's. `tests.rs` has the same kind of streams written by hand.

use std::fmt::Write;

use super::super::lowered::steps_of;
use super::super::{Chip, Profile};
use super::encode::{Encoder, Stream};
use super::explain::Explainer;
use crate::bits::Bits;
use crate::tap::{Instructions, Level, Line, Piece, ScanProgram, TapState, Walker};

/// Releases of the FT2232H and of the FT2232C.
const H: u16 = 0x0700;
const C: u16 = 0x0500;

struct Job {
    name: &'static str,
    release: u16,
    /// Where the TAP is at the start: Run-Test/Idle or, with TMS high, Test-Logic-Reset.
    idle: bool,
    program: ScanProgram,
}

fn programs() -> Vec<Job> {
    let mut jobs = Vec::new();
    let mut job = |name, release, idle, build: &dyn Fn(&mut ScanProgram)| {
        let mut program = ScanProgram::new();
        build(&mut program);
        jobs.push(Job {
            name,
            release,
            idle,
            program,
        });
    };
    job("reset", H, false, &|p| {
        p.reset().go(TapState::RunTestIdle);
    });
    job(
        "reset, then an instruction scan that is read",
        H,
        false,
        &|p| {
            p.reset();
            p.scan_ir_captured(Instructions::bypass(8), TapState::RunTestIdle);
        },
    );
    job("data scan that is not read", H, true, &|p| {
        p.scan_dr(Bits::from_u64(0x5_1234, 20), TapState::RunTestIdle);
    });
    job("data scan of 32 bits that is read", C, true, &|p| {
        p.scan_dr_captured(Bits::ones(32), TapState::PauseDr);
    });
    job("two vectors back to back", H, true, &|p| {
        p.scan_dr_captured(Bits::from_u64(0x1aa, 9), TapState::UpdateDr);
        p.scan_dr_captured(Bits::from_u64(0x055, 9), TapState::RunTestIdle);
    });
    job("one bit", H, true, &|p| {
        p.scan_dr_captured(Bits::ones(1), TapState::RunTestIdle);
    });
    job("1000 clocks in Run-Test/Idle", H, true, &|p| {
        p.clocks(1000);
    });
    job(
        "1000 clocks in Run-Test/Idle, without a command for it",
        C,
        true,
        &|p| {
            p.clocks(1000);
        },
    );
    job("few clocks before a scan", H, true, &|p| {
        p.clocks(3);
        p.scan_dr(Bits::ones(1), TapState::RunTestIdle);
    });
    job("a wait as clocks", H, true, &|p| {
        p.wait_ns(20_000);
    });
    job("a wait where no clock may come", H, true, &|p| {
        p.go(TapState::ShiftDr).wait_ns(1000);
    });
    job("TRST*, spare lines, and all of them read", H, true, &|p| {
        p.line(Line::Trst, Level::Low);
        p.line(Line::Trst, Level::High);
        p.line(Line::Spare(0), Level::High);
        p.line(Line::Spare(4), Level::High);
        p.line(Line::Spare(0), Level::Released);
        p.sense();
    });
    job(
        "a data scan to Pause-DR, from there an instruction scan",
        C,
        true,
        &|p| {
            p.scan_dr(Bits::from_u64(0x2d, 6), TapState::PauseDr);
            p.scan_ir(Instructions::of(Bits::from_u64(0x05, 4)), TapState::PauseIr);
        },
    );
    jobs
}

fn encoder(release: u16) -> Encoder {
    let chip = Chip::of_release(release).unwrap();
    Encoder::new(
        chip,
        Profile::plain_module("plain module", 0, chip.high_lines),
    )
}

fn encode(encoder: &mut Encoder, walker: &mut Walker, program: &ScanProgram) -> Stream {
    let piece = Piece {
        ops: program.ops().to_vec(),
    };
    for (state, step) in steps_of(walker, &piece).unwrap() {
        encoder.step(state, step);
    }
    encoder.finish()
}

/// A stream under its name.
fn explain(text: &mut String, name: &str, release: u16, stream: &Stream, idle: bool) {
    let chip = Chip::of_release(release).unwrap();
    let state = if idle {
        TapState::RunTestIdle
    } else {
        TapState::TestLogicReset
    };
    let waits: Vec<(usize, String)> = stream
        .pauses
        .iter()
        .map(|p| (p.at, format!("the host waits {} ns", p.ns)))
        .collect();
    let told = Explainer::new(&stream.bytes, state, !idle).explain(&waits);
    assert_eq!(
        (told.answers, told.cycles),
        (stream.answer_bytes, stream.cycles),
        "{name}:\n{}",
        told.text
    );
    writeln!(
        text,
        "{name} ({})\n{}  = {} bytes out, {} back, {} cycles of TCK\n",
        chip.name,
        told.text,
        stream.bytes.len(),
        told.answers,
        told.cycles
    )
    .unwrap();
}

#[test]
fn every_byte_of_a_dozen_programs_is_explained() {
    let mut text = String::new();
    for release in [H, C] {
        let mut encoder = encoder(release);
        encoder.set_up(Chip::of_release(release).unwrap().rate(6_000_000).unwrap());
        explain(
            &mut text,
            "set-up at 6 MHz",
            release,
            &encoder.finish(),
            false,
        );
        encoder.drive();
        encoder.undrive();
        explain(
            &mut text,
            "lines driven, then released",
            release,
            &encoder.finish(),
            false,
        );
    }
    for job in programs() {
        let mut encoder = encoder(job.release);
        encoder.set_up(
            Chip::of_release(job.release)
                .unwrap()
                .rate(6_000_000)
                .unwrap(),
        );
        encoder.finish();
        let mut walker = Walker::new();
        if job.idle {
            let mut start = ScanProgram::new();
            start.reset().go(TapState::RunTestIdle);
            encode(&mut encoder, &mut walker, &start);
        }
        let stream = encode(&mut encoder, &mut walker, &job.program);
        explain(&mut text, job.name, job.release, &stream, job.idle);
    }
    insta::assert_snapshot!("streams", text);
}
