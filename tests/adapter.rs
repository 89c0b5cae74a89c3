//! The real encoders on the emulated adapter chips, with a small TAP chain at the pins.

use taploom::{bits, tap};

#[path = "../src/transport/testing.rs"]
mod chain;

use std::time::Duration;

use bits::Bits;
use chain::Chain;
use proptest::prelude::*;
use tap::{
    Answers, Clocks, Compare, Level, Line, Op, Piece, PieceLimits, Port, PortError, Register,
    ScanProgram, Shift, Slot, TapState,
};
use taploom::simulator::adapter::{EmulatedAdapter, Model};
use taploom::transport::{Lowered, Mpsse, Profile, Usb};

const IDCODES: [(usize, u32); 3] = [(4, 0x1234_5041), (6, 0x0abc_d0a7), (5, 0x5005_0093)];

fn profile(model: &Model) -> Profile {
    Profile::plain_module("plain module", 0, model.high_lines)
}

fn open(model: Model) -> Mpsse<EmulatedAdapter<Chain>> {
    let profile = profile(&model);
    Mpsse::open(EmulatedAdapter::new(model, Chain::new(&IDCODES)), profile).unwrap()
}

/// Runs a program with at most two pieces in flight, as a session does.
fn run(
    port: &mut dyn Port,
    program: ScanProgram,
    limits: PieceLimits,
) -> Result<Answers, PortError> {
    let mut answers = Answers::default();
    let mut before = None;
    for piece in program.pieces(limits) {
        let ticket = port.submit(piece)?;
        if let Some(before) = before.replace(ticket) {
            answers.join(port.collect(before)?);
        }
    }
    if let Some(last) = before {
        answers.join(port.collect(last)?);
    }
    Ok(answers)
}

#[test]
fn every_chip_reads_the_idcodes() {
    for model in Model::all() {
        let name = model.name.clone();
        let mut port = open(model);
        port.set_tck_hz(6_000_000).unwrap();
        let mut program = ScanProgram::new();
        program.reset();
        let slot = program.scan_captured(Register::Dr, Bits::ones(128), TapState::RunTestIdle);
        let answers = run(&mut port, program, PieceLimits::at(6_000_000)).unwrap();
        let seen = answers.bits(slot);
        for (i, (_, idcode)) in IDCODES.iter().rev().enumerate() {
            assert_eq!(seen.get_u64(i * 32, 32) as u32, *idcode, "{name}");
        }
        let traffic = port.traffic();
        println!("{name}: {traffic:?}");
        assert_eq!(traffic.round_trips, 2, "{name}: synchronisation and scan");
        let limit = if name == "FT2232C" { 20 } else { 5 };
        assert!(
            traffic.elapsed < Duration::from_millis(limit),
            "{name}: {traffic:?}"
        );
        assert_eq!(port.usb().clocks().tck_hz, 6_000_000, "{name}");
    }
}
