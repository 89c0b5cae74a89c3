//! The MPSSE on the emulated chips that have one.

use std::time::Duration;

use proptest::prelude::*;
use taploom::bits::Bits;
use taploom::simulator::adapter::{EmulatedAdapter, Faults, Model};
use taploom::tap::{Level, Line, Piece, PieceLimits, Port, PortError, ScanProgram, TapState};
use taploom::transport::{Fault, Faulty, Mpsse, Profile, Usb};

use super::chain::Chain;
use super::ports::{self, blind_shift, captured_vectors, run};
use super::programs::{
    IDCODES, a_long_read_comes_back, answers_as_without_an_adapter, any_op, long_read,
    reads_the_idcodes,
};

fn open(model: Model) -> Mpsse<EmulatedAdapter<Chain>> {
    let lines = model.high_lines;
    ports::mpsse(EmulatedAdapter::new(model, Chain::new(&IDCODES)), lines).unwrap()
}

#[test]
fn every_chip_reads_the_idcodes() {
    for model in Model::with_mpsse() {
        let name = model.name.clone();
        let mut port = open(model);
        port.set_tck_hz(6_000_000).unwrap();
        reads_the_idcodes(&mut port, PieceLimits::at(6_000_000), &name);
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

proptest! {
    #![proptest_config(ProptestConfig { cases: 200, failure_persistence: None, ..ProptestConfig::default() })]

    /// Whatever the program, whatever the chip and however small its FIFOs: the same answers as
    /// without any adapter, and the same chain afterwards.
    #[test]
    fn programs_answer_as_without_an_adapter(
        random in prop::collection::vec(any_op(), 1..60),
        chip in 0..13usize,
        piece_bits in 100..3000usize,
        hz in 200_000..40_000_000u32,
    ) {
        let model = match chip {
            11 => Model { out_fifo: 1024, in_fifo: 128, ..Model::ft2232h() },
            12 => Model { out_fifo: 128, in_fifo: 128, packet_bytes: 64, ..Model::ft2232h() },
            n => Model::with_mpsse()[n].clone(),
        };
        let limits = PieceLimits { shift_bits: piece_bits, wait_ns: 100_000 };
        let mut port = open(model);
        let hz = port.set_tck_hz(hz).unwrap();
        let plain = answers_as_without_an_adapter(&mut port, &random, limits)?;
        port.release().unwrap();
        let chip = port.usb().chip();
        prop_assert_eq!(chip.driven_lines(), 0);
        prop_assert!(chip.in_mpsse_mode());
        prop_assert_eq!(chip.tck_cycles(), port.traffic().tck_cycles);
        let (ours, theirs) = (chip.clocks(), plain.clocks());
        prop_assert_eq!(ours.registers(), theirs.registers());
        prop_assert_eq!(ours.state, theirs.state);
        prop_assert_eq!(ours.tck_hz, hz);
    }
}

#[test]
fn answers_beyond_every_fifo_come_back() {
    for model in Model::with_mpsse() {
        let mut port = open(model);
        port.set_tck_hz(6_000_000).unwrap();
        a_long_read_comes_back(&mut port, 40_000 * 8);
    }
}

type Odd = Faulty<EmulatedAdapter<Chain>>;

fn open_odd(model: Model, fault: Fault) -> Result<Mpsse<Odd>, PortError> {
    let lines = model.high_lines;
    let usb = EmulatedAdapter::new(model, Chain::new(&IDCODES));
    let mut port = ports::mpsse(Faulty::new(usb, Some(fault)), lines)?;
    port.set_tck_hz(30_000_000)?;
    Ok(port)
}

#[test]
fn a_host_that_does_not_read_while_it_writes_locks_up_and_times_out() {
    let mut port = open_odd(Model::ft232h(), Fault::Deaf).unwrap();
    // Three pieces of 8 KiB read: the third write waits for the first to be taken.
    let limits = PieceLimits {
        shift_bits: 8192 * 8,
        wait_ns: 1,
    };
    let mut result = Ok(());
    for piece in long_read(8192 * 8 * 4).pieces(limits) {
        result = port.submit(piece).map(|_| ());
        if result.is_err() {
            break;
        }
    }
    assert!(
        matches!(result, Err(PortError::TimedOut { .. })),
        "{result:?}"
    );
    // 1 KiB of answers in the chip, as much again waiting to be shifted, and no more.
    let taken = port.traffic().usb_out;
    assert!((1536..2048 + 200).contains(&taken), "{taken}");
    // And the port stays failed.
    assert_eq!(port.submit(Piece::default()).map(|_| ()), result);
}

#[test]
fn lost_doubled_and_wrong_bytes_do_not_become_answers() {
    // Packets 0 and bytes 0 to 3 are the synchronisation. A wrong byte of TDO cannot be known
    // here, a wrong mark can.
    let whole = 4 + 2048 + 1 + 2;
    for fault in [
        Fault::Lose { packet: 2 },
        Fault::Double { packet: 2 },
        Fault::Corrupt { byte: whole - 1 },
        Fault::Corrupt { byte: whole - 2 },
    ] {
        let mut port = open_odd(Model::ft2232h(), fault).unwrap();
        let mut program = ScanProgram::new();
        program.reset();
        program.scan_dr_captured(Bits::ones(2048 * 8 + 1), TapState::RunTestIdle);
        let limits = PieceLimits::at(30_000_000);
        let error = run(&mut port, program, limits).unwrap_err();
        assert!(
            matches!(error, PortError::OutOfStep { .. }),
            "{fault:?}: {error}"
        );
        assert!(
            error
                .to_string()
                .ends_with("it was brought into step again and the test logic reset"),
            "{fault:?}: {error}"
        );
        // It takes programs again, from the reset on.
        assert_eq!(port.usb().usb().clocks().state, TapState::TestLogicReset);
        let mut program = ScanProgram::new();
        let slot = program.scan_dr_captured(Bits::ones(32), TapState::RunTestIdle);
        let answers = run(&mut port, program, limits).unwrap();
        assert_eq!(
            answers.bits(slot).get_u64(0, 32) as u32,
            IDCODES[2].1,
            "{fault:?}"
        );
        port.release().unwrap();
        assert_eq!(port.usb().usb().chip().driven_lines(), 0, "{fault:?}");
    }
}

#[test]
fn waits_of_seconds_are_no_silence_of_the_adapter() {
    // The chip takes the commands of a long wait at once; the answer behind it comes when it is over, or never.
    let second = 1_000_000_000;
    for model in [Model::ft2232h(), Model::ft2232c()] {
        let mut port = open(model);
        port.set_tck_hz(6_000_000).unwrap();
        let before = port.traffic().elapsed;
        for _ in 0..7 {
            let mut program = ScanProgram::new();
            program.go(TapState::RunTestIdle).wait_ns(second);
            let ticket = port
                .submit(Piece {
                    ops: program.ops().to_vec(),
                })
                .unwrap();
            port.collect(ticket).unwrap();
        }
        let mut program = ScanProgram::new();
        let slot = program.sense();
        let answers = run(&mut port, program, PieceLimits::at(6_000_000)).unwrap();
        assert!(answers.get(slot).is_some());
        let took = port.traffic().elapsed - before;
        assert!((7.0..7.1).contains(&took.as_secs_f64()), "{took:?}");
    }
    // A chip that hangs is told all the same, when the wait is over.
    let usb = EmulatedAdapter::new(Model::ft2232h(), Chain::new(&IDCODES));
    let usb = usb.with_faults(Faults {
        hang_after: Some(60),
        unplug_after: None,
    });
    let mut port = Mpsse::open(usb, Profile::plain_ft2232h()).unwrap();
    let mut result = Ok(());
    for _ in 0..3 {
        let mut program = ScanProgram::new();
        program.go(TapState::RunTestIdle).wait_ns(second);
        program.sense();
        result = run(&mut port, program, PieceLimits::at(1_000_000)).map(|_| ());
        if result.is_err() {
            break;
        }
    }
    assert!(
        matches!(result, Err(PortError::TimedOut { .. })),
        "{result:?}"
    );
    assert!(port.traffic().elapsed < Duration::from_secs(10));
}

#[test]
fn out_of_step_a_second_time_is_final() {
    // Packet 2 has the first answer; some packets later, after the resynchronisation, another one is lost.
    let usb = EmulatedAdapter::new(Model::ft2232h(), Chain::new(&IDCODES));
    let usb = Faulty::new(usb, Some(Fault::Lose { packet: 2 }));
    let usb = Faulty::new(usb, Some(Fault::Lose { packet: 24 }));
    let mut port = Mpsse::open(usb, Profile::plain_ft2232h()).unwrap();
    let limits = PieceLimits::at(1_000_000);
    let first = run(&mut port, long_read(2048 * 8), limits).unwrap_err();
    assert!(
        first.to_string().contains("brought into step again"),
        "{first}"
    );
    let mut second = None;
    for _ in 0..40 {
        if let Err(e) = run(&mut port, long_read(2048 * 8), limits) {
            second = Some(e);
            break;
        }
    }
    let second = second.expect("a packet was lost");
    assert!(matches!(second, PortError::OutOfStep { .. }), "{second}");
    assert!(!second.to_string().contains("brought"), "{second}");
    assert_eq!(port.submit(Piece::default()).unwrap_err(), second);
    // The chip itself is in step: its lines can still be let go.
    let _ = port.release();
    assert_eq!(port.usb().usb().usb().chip().driven_lines(), 0);
}

#[test]
fn a_wrong_synchronisation_is_tried_once_more() {
    let mut port = open_odd(Model::ft2232h(), Fault::Corrupt { byte: 1 }).unwrap();
    let program = long_read(100);
    assert!(run(&mut port, program, PieceLimits::at(1_000_000)).is_ok());
}

#[test]
fn an_engine_left_in_the_middle_of_a_command_is_brought_back() {
    let mut usb = EmulatedAdapter::new(Model::ft2232h(), Chain::new(&IDCODES));
    usb.control_out(0x0b, 0x0200, 1).unwrap();
    // A shift of 65536 bytes that stops after four of them: an earlier run that was killed.
    usb.write(vec![0x19, 0xff, 0xff, 1, 2, 3, 4], Duration::from_secs(1))
        .unwrap();
    usb.pause(Duration::from_millis(5));
    let mut port = Mpsse::open(usb, Profile::plain_ft2232h()).unwrap();
    let mut program = ScanProgram::new();
    program.reset();
    let slot = program.scan_dr_captured(Bits::ones(32), TapState::RunTestIdle);
    let answers = run(&mut port, program, PieceLimits::at(1_000_000)).unwrap();
    assert_eq!(answers.bits(slot).get_u64(0, 32) as u32, IDCODES[2].1);
}

#[test]
fn unplugged_and_stalled_adapters_say_how_far_they_got() {
    let limits = PieceLimits::at(30_000_000);
    let mut port = open_odd(Model::ft2232h(), Fault::Unplug { after: 5000 }).unwrap();
    let error = run(&mut port, long_read(8192 * 16), limits).unwrap_err();
    assert!(
        matches!(error, PortError::Gone { bytes_out: Some(n), .. } if (4000..=5000).contains(&n)),
        "{error}"
    );
    assert!(error.to_string().contains("emulated FT2232H"), "{error}");
    assert!(port.release().is_err());
    let mut port = open_odd(Model::ft2232h(), Fault::Stall { after: 5000 }).unwrap();
    let before = port.traffic().elapsed;
    let error = run(&mut port, long_read(8192 * 16), limits).unwrap_err();
    assert!(matches!(error, PortError::TimedOut { .. }), "{error}");
    assert!(port.traffic().elapsed - before < Duration::from_secs(5));
    // Pieces without answers are not counted as run while they cannot have been taken.
    let mut port = open_odd(Model::ft2232h(), Fault::Unplug { after: 50_000 }).unwrap();
    let mut program = ScanProgram::new();
    program.scan_dr(Bits::ones(200_000 * 8), TapState::RunTestIdle);
    let (mut collected, mut before) = (0, None);
    let error = program.pieces(limits).into_iter().find_map(|piece| {
        let bytes = piece.shift_bits() / 8;
        let ticket = match port.submit(piece) {
            Ok(ticket) => ticket,
            Err(e) => return Some(e),
        };
        if let Some((before, bytes)) = before.replace((ticket, bytes)) {
            match port.collect(before) {
                Ok(_) => collected += bytes,
                Err(e) => return Some(e),
            }
        }
        None
    });
    assert!(matches!(error, Some(PortError::Gone { .. })), "{error:?}");
    assert!(collected <= 50_000 + 4096, "{collected}");
    // At opening as well.
    assert!(matches!(
        open_odd(Model::ft2232h(), Fault::Unplug { after: 1 }).map(|_| ()),
        Err(PortError::Gone { .. })
    ));
}

#[test]
fn a_bench_that_fails_is_told() {
    let mut chain = Chain::new(&IDCODES);
    chain.dies_at = Some(50);
    let usb = EmulatedAdapter::new(Model::ft2232h(), chain);
    let mut port = Mpsse::open(usb, Profile::plain_ft2232h()).unwrap();
    let error = run(&mut port, long_read(500), PieceLimits::at(1_000_000)).unwrap_err();
    assert!(
        error.to_string().contains("the test chain is gone"),
        "{error}"
    );
}

#[test]
fn profiles_that_do_not_fit_the_chip_are_refused() {
    let open = |model: Model, profile| {
        let usb = EmulatedAdapter::new(model, Chain::new(&IDCODES));
        Mpsse::open(usb, profile)
            .map(|_| ())
            .unwrap_err()
            .to_string()
    };
    let error = open(Model::ft232h(), Profile::plain_module("x", 1, 8));
    assert!(
        error.contains("a FT232H has no MPSSE on channel B"),
        "{error}"
    );
    let error = open(Model::ft4232h(), Profile::plain_ft2232h());
    assert!(
        error.contains("a FT4232H has no line ACBUS0 for it"),
        "{error}"
    );
    let mut port = self::open(Model::ft4232h());
    let mut program = ScanProgram::new();
    program.line(Line::Trst, Level::Low);
    let error = run(&mut port, program, PieceLimits::at(1_000_000)).unwrap_err();
    assert!(error.to_string().contains("set TRST*"), "{error}");
    // Nothing was run, so the port is as good as before.
    assert!(run(&mut port, long_read(10), PieceLimits::at(1_000_000)).is_ok());
}

/// Bytes, time and round trips of a blind shift of 1 MiB: at 30 MHz, on the C type at 6 MHz.
#[test]
fn a_blind_shift_goes_at_the_speed_of_tck() {
    for (model, hz) in [
        (Model::ft2232h(), 30_000_000),
        (Model::ft232h(), 30_000_000),
        (Model::ft4232h(), 30_000_000),
        (Model::ft2232c(), 6_000_000),
    ] {
        let (out, trips, share) = blind_shift(&model, hz, 1 << 20);
        let name = &model.name;
        println!(
            "{name}: {out:.5} bytes out a payload byte (limit 1.001), \
             {share:.2} % of TCK (goal 99), {trips} round trips"
        );
        assert!(out <= 1.001, "{name}: {out}");
        assert!(share >= 99.0, "{name}: {share}");
        assert_eq!(trips, 1, "{name}");
    }
}

/// Vectors of 1,500 cells, all captured.
#[test]
fn captured_vectors_come_close_to_the_ceiling() {
    for (model, hz, goal) in [
        (Model::ft2232h(), 30_000_000, 95.0),
        (Model::ft232h(), 30_000_000, 95.0),
        (Model::ft2232c(), 6_000_000, 75.0),
    ] {
        let (trips, share) = captured_vectors(&model, hz);
        let name = &model.name;
        println!(
            "{name}: captured vectors at {share:.2} % of TCK (goal {goal}), {trips} round trips"
        );
        assert!(share >= goal, "{name}: {share}");
        assert!(trips <= 2, "{name}: {trips}");
    }
}
