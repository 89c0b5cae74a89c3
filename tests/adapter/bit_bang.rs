//! Bit-bang on the emulated chips that have it.

use std::time::Duration;

use proptest::prelude::*;
use taploom::bits::Bits;
use taploom::simulator::adapter::{EmulatedAdapter, Model, Timing, Wiring};
use taploom::tap::{Level, Line, Piece, PieceLimits, Port, PortError, ScanProgram, TapState};
use taploom::transport::{BitBang, Chip, Fault, Faulty, Profile, profiles};

use super::chain::Chain;
use super::ports::{Watched, run};
use super::programs::{
    IDCODES, a_long_read_comes_back, answers_as_without_an_adapter, any_op, long_read,
    reads_the_idcodes,
};

/// The chips, FT2232C by its channel B; and FIFOs of a single packet.
fn chips() -> Vec<(Model, u8)> {
    let small = Model {
        name: "FT232R, small".to_owned(),
        out_fifo: 64,
        in_fifo: 3,
        ..Model::ft232r()
    };
    vec![
        (Model::ft232r(), 0),
        (Model::ft_x(), 0),
        (Model::ft2232c(), 1),
        (small, 0),
    ]
}

fn adapter(model: Model, channel: u8) -> EmulatedAdapter<Chain> {
    // Channel B of an FT2232C is wired as an FT232R is.
    let wiring = Wiring::plain(&Model::ft232r(), 0);
    let mut chain = Chain::new(&IDCODES);
    chain.keep = false;
    EmulatedAdapter::with(model, channel, wiring, Timing::default(), chain)
}

fn open(model: Model, channel: u8) -> BitBang<EmulatedAdapter<Chain>> {
    let profile = Profile::plain_bit_bang("plain module", channel);
    BitBang::open(adapter(model, channel), profile).unwrap()
}

#[test]
fn every_chip_reads_the_idcodes() {
    for (model, channel) in chips() {
        let name = model.name.clone();
        let mut port = open(model, channel);
        assert_eq!(port.set_tck_hz(6_000_000), Ok(300_000), "{name}");
        reads_the_idcodes(&mut port, PieceLimits::at(300_000), &name);
        println!("{name}: {:?}", port.traffic());
        assert!(port.usb().chip().in_bit_bang_mode());
        assert_eq!(port.usb().clocks().tck_hz, 300_000, "{name}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 100, failure_persistence: None, ..ProptestConfig::default() })]

    /// Whatever the program, whatever the chip and however small its FIFOs: the same answers as
    /// without any adapter, and the same chain afterwards.
    #[test]
    fn programs_answer_as_without_an_adapter(
        random in prop::collection::vec(any_op(), 1..60),
        chip in 0..4usize,
        piece_bits in 100..3000usize,
        hz in 20_000..400_000u32,
    ) {
        let (model, channel) = chips()[chip].clone();
        // Two spare lines only.
        let random: Vec<_> = random.into_iter().filter(|op| !op.needs_spare(2)).collect();
        let limits = PieceLimits { shift_bits: piece_bits, wait_ns: 100_000 };
        let mut port = open(model, channel);
        let hz = port.set_tck_hz(hz).unwrap();
        let plain = answers_as_without_an_adapter(&mut port, &random, limits)?;
        port.release().unwrap();
        let chip = port.usb().chip();
        prop_assert_eq!(chip.driven_lines(), 0);
        prop_assert!(chip.in_bit_bang_mode());
        prop_assert_eq!(chip.tck_cycles(), port.traffic().tck_cycles);
        let (ours, theirs) = (chip.clocks(), plain.clocks());
        prop_assert_eq!(ours.registers(), theirs.registers());
        prop_assert_eq!(ours.state, theirs.state);
        // The chip's byte period is rounded up to a tick.
        prop_assert!(ours.tck_hz <= hz && ours.tck_hz >= hz - hz / 10_000 - 1);
    }
}

#[test]
fn no_line_is_an_output_before_it_has_its_starting_level() {
    let usb = Watched::new(adapter(Model::ft232r(), 0));
    let mut port = BitBang::open(usb, Profile::plain_bit_bang("plain", 0)).unwrap();
    // Off, the mode with inputs only, then TCK, TMS and TDI (lines 0, 2 and 4) after one byte.
    assert_eq!(port.usb().modes, [(0, 0), (0x0400, 0), (0x0415, 1)]);
    let mut program = ScanProgram::new();
    program.line(Line::Trst, Level::Low);
    program.line(Line::Trst, Level::High);
    run(&mut port, program, PieceLimits::at(300_000)).unwrap();
    // TRST* (line 3) is only ever pulled low, and let go again.
    let modes: Vec<u16> = port.usb().modes.iter().map(|m| m.0).collect();
    assert_eq!(modes[3..], [0x041d, 0x0415]);
    port.release().unwrap();
    assert_eq!(port.usb().modes.last().unwrap().0, 0x0400);
}

#[test]
fn the_rate_of_tck_holds_and_waits_are_long_enough() {
    for hz in [300_000, 100_000, 5_000] {
        let mut port = open(Model::ft232r(), 0);
        let hz = port.set_tck_hz(hz).unwrap();
        for (ns, most) in [
            (20_000, 2_000_000),
            (1_000_000, 4_000_000),
            (40_000_000, 50_000_000),
        ] {
            let mut program = ScanProgram::new();
            program.sense();
            run(&mut port, program, PieceLimits::at(hz)).unwrap();
            let before = port.usb().clocks().passed_ns;
            let mut program = ScanProgram::new();
            program.wait_ns(ns);
            program.clocks(1);
            program.sense();
            run(&mut port, program, PieceLimits::at(hz)).unwrap();
            let passed = port.usb().clocks().passed_ns - before;
            assert!(
                (ns..ns + most).contains(&passed),
                "{hz} Hz: {passed} ns for {ns}"
            );
        }
        let before = port.traffic();
        let mut program = ScanProgram::new();
        program.clocks(2000);
        program.sense();
        run(&mut port, program, PieceLimits::at(hz)).unwrap();
        let took = port.traffic().elapsed - before.elapsed;
        let least = Duration::from_secs_f64(2000.0 / f64::from(hz + 1));
        assert!(took >= least, "{hz} Hz: {took:?} of at least {least:?}");
    }
}

type Odd = Faulty<EmulatedAdapter<Chain>>;

fn open_odd(fault: Fault) -> Result<BitBang<Odd>, PortError> {
    let profile = Profile::plain_bit_bang("plain module", 0);
    let usb = Faulty::new(adapter(Model::ft232r(), 0), Some(fault));
    BitBang::open(usb, profile)
}

#[test]
fn lost_doubled_and_wrong_readings_do_not_become_answers() {
    for fault in [
        Fault::Lose { packet: 6 },
        Fault::Double { packet: 6 },
        // TMS of a reading.
        Fault::Corrupt { byte: 901 },
    ] {
        let mut port = open_odd(fault).unwrap();
        let limits = PieceLimits::at(300_000);
        let error = run(&mut port, long_read(20_000), limits).unwrap_err();
        assert!(
            matches!(error, PortError::OutOfStep { .. }),
            "{fault:?}: {error}"
        );
        assert!(
            error.to_string().contains("brought into step again"),
            "{fault:?}: {error}"
        );
        // It takes programs again, with the test logic reset.
        assert_eq!(port.usb().usb().clocks().state, TapState::TestLogicReset);
        let mut program = ScanProgram::new();
        program.reset();
        let slot = program.scan_dr_captured(Bits::ones(32), TapState::RunTestIdle);
        let answers = run(&mut port, program, limits).unwrap();
        assert_eq!(answers.bits(slot).get_u64(0, 32) as u32, IDCODES[2].1);
        port.release().unwrap();
        assert_eq!(port.usb().usb().chip().driven_lines(), 0);
    }
}

#[test]
fn unplugged_and_stalled_adapters_are_told() {
    let limits = PieceLimits::at(300_000);
    let mut port = open_odd(Fault::Unplug { after: 5000 }).unwrap();
    let error = run(&mut port, long_read(20_000), limits).unwrap_err();
    assert!(
        matches!(error, PortError::Gone { bytes_out: Some(n), .. } if (4000..=5000).contains(&n)),
        "{error}"
    );
    assert!(port.release().is_err());
    let mut port = open_odd(Fault::Stall { after: 5000 }).unwrap();
    let before = port.traffic().elapsed;
    let error = run(&mut port, long_read(20_000), limits).unwrap_err();
    assert!(matches!(error, PortError::TimedOut { .. }), "{error}");
    assert!(port.traffic().elapsed - before < Duration::from_secs(5));
    assert_eq!(port.submit(Piece::default()).map(|_| ()), Err(error));
}

#[test]
fn a_host_that_does_not_read_stops_the_chip_and_times_out() {
    // The canary of the FIFOs: with nobody reading, nothing may go on for ever.
    let error = match open_odd(Fault::Deaf) {
        Ok(mut port) => {
            let whole = PieceLimits {
                shift_bits: 1 << 20,
                wait_ns: 1,
            };
            match run(&mut port, long_read(200_000), whole) {
                Ok(_) => panic!("a deaf host read everything"),
                Err(e) => e,
            }
        }
        Err(e) => e,
    };
    assert!(matches!(error, PortError::TimedOut { .. }), "{error}");
}

#[test]
fn answers_beyond_every_fifo_come_back() {
    for (model, channel) in chips() {
        let mut port = open(model, channel);
        a_long_read_comes_back(&mut port, 30_000);
    }
}

#[test]
fn chips_and_profiles_that_do_not_go_together_are_refused() {
    let refused = |model: Model, profile| {
        let usb = EmulatedAdapter::new(model, Chain::new(&IDCODES));
        BitBang::open(usb, profile)
            .map(|_| ())
            .unwrap_err()
            .to_string()
    };
    let plain = || Profile::plain_bit_bang("plain", 0);
    let bm = refused(Model::ft232bm(), plain());
    assert!(
        bm.contains("a FT232BM has no synchronous bit-bang on channel A"),
        "{bm}"
    );
    let h = refused(Model::ft2232h(), plain());
    assert!(h.contains("a FT2232H has no synchronous bit-bang"), "{h}");
    let wrong = Profile {
        fixed: vec![(2, true)],
        ..plain()
    };
    let twice = refused(Model::ft232r(), wrong);
    assert!(twice.contains("line RTS has two tasks"), "{twice}");
    let engine = refused(Model::ft232r(), Profile::plain_module("plain", 0, 0));
    assert!(engine.contains("has no MPSSE"), "{engine}");
    assert!(profiles::fitting(Chip::of_release(0x0400).unwrap(), 0).is_none());
}
