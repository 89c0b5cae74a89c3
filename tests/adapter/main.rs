//! The real encoders on the emulated adapter chips, with a small TAP chain at the pins.

#![allow(
    clippy::print_stdout,
    reason = "the measured numbers are shown beside their limits"
)]

use taploom::{bits, tap};

mod benches;
mod bit_bang;
#[path = "../../src/transport/testing.rs"]
mod chain;
mod profiles;

use std::time::Duration;

use bits::Bits;
use chain::Chain;
use proptest::prelude::*;
use tap::{
    Answers, Clocks, Compare, Level, Line, Op, Piece, PieceLimits, Port, PortError, Register,
    ScanProgram, Shift, Slot, TapState,
};
use taploom::simulator::adapter::{EmulatedAdapter, Faults, Model};
use taploom::transport::{Fault, Faulty, Lowered, Mpsse, Profile, Recorder, Replay, Trace, Usb};

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
    for model in Model::with_mpsse() {
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

/// A random op; which of them can follow is found out by walking.
fn any_op() -> impl Strategy<Value = RandomOp> {
    prop_oneof![
        1 => Just(RandomOp::Reset),
        3 => (0..16usize).prop_map(RandomOp::Go),
        8 => (any::<bool>(), any::<u64>(), 1..300usize, any::<u8>(), 0..17usize)
            .prop_map(|(ir, seed, len, reads, end)| RandomOp::Shift { ir, seed, len, reads, end }),
        1 => (any::<u64>(), 1..9usize, 0..17usize).prop_map(|(seed, len, end)| RandomOp::Shift {
            ir: false, seed, len, reads: 1, end
        }),
        2 => (1..200u64).prop_map(RandomOp::Clocks),
        1 => (0..40_000u64).prop_map(RandomOp::Wait),
        1 => (0..4u8, 0..3u8).prop_map(|(line, level)| RandomOp::Line(line, level)),
        1 => Just(RandomOp::Sense),
    ]
}

#[derive(Debug, Clone)]
enum RandomOp {
    Reset,
    Go(usize),
    Shift {
        ir: bool,
        seed: u64,
        len: usize,
        reads: u8,
        end: usize,
    },
    Clocks(u64),
    Wait(u64),
    Line(u8, u8),
    Sense,
}

impl RandomOp {
    /// Whether it sets a spare line that an adapter with so many has not.
    fn needs_spare(&self, lines: u8) -> bool {
        matches!(self, RandomOp::Line(line, _) if *line >= lines)
    }
}

/// `len` bits that only depend on `seed`.
fn random_bits(seed: u64, len: usize) -> Bits {
    let mut x = seed | 1;
    let mut bits = Bits::with_capacity(len);
    while bits.len() < len {
        x ^= x << 13;
        x ^= x >> 7;
        x ^= x << 17;
        bits.push_u64(x, (len - bits.len()).min(64));
    }
    bits
}

/// The ops that can follow one another, as a program that begins with a reset and ends with no
/// scan open.
fn program_of(random: &[RandomOp]) -> (ScanProgram, Vec<Slot>) {
    let mut program = ScanProgram::new();
    let mut walker = tap::Walker::new();
    let mut slots = Vec::new();
    program.reset();
    for op in random {
        let wanted = matches!(op, RandomOp::Sense)
            || matches!(op, RandomOp::Shift { reads, .. } if reads & 1 != 0);
        let op = match *op {
            RandomOp::Reset => Op::Reset,
            RandomOp::Go(state) => Op::Go(TapState::ALL[state]),
            RandomOp::Clocks(n) => Op::Clocks(n),
            RandomOp::Wait(ns) => Op::Wait(ns),
            RandomOp::Line(line, level) => Op::Line(
                Line::Spare(line),
                [Level::Low, Level::High, Level::Released][usize::from(level)],
            ),
            RandomOp::Sense => Op::Sense(Slot(program.slots())),
            RandomOp::Shift {
                ir,
                seed,
                len,
                reads,
                end,
            } => Op::Shift(Shift {
                register: if walker.is_open() && walker.state() == TapState::ShiftIr || ir {
                    Register::Ir
                } else {
                    Register::Dr
                },
                out: random_bits(seed, len),
                capture: (reads & 1 != 0).then_some(Slot(program.slots())),
                compare: (reads & 2 != 0).then(|| Compare {
                    expected: random_bits(seed.rotate_left(17), len),
                    mask: random_bits(seed.rotate_left(31), len),
                    tag: seed,
                    offset: 0,
                }),
                end: TapState::ALL.get(end).copied(),
            }),
        };
        if walker.walk(&op, &mut |_| {}).is_err() {
            continue;
        }
        if wanted {
            slots.push(program.slot());
        }
        program.push(op);
    }
    program.reset();
    (program, slots)
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
        let (program, slots) = program_of(&random);
        let limits = PieceLimits { shift_bits: piece_bits, wait_ns: 100_000 };
        let mut plain = Lowered::new(Chain::new(&IDCODES));
        let expected = run(&mut plain, program.clone(), limits).unwrap();
        let mut port = open(model);
        let hz = port.set_tck_hz(hz).unwrap();
        let seen = run(&mut port, program, limits).unwrap();
        for slot in slots {
            prop_assert_eq!(seen.get(slot), expected.get(slot), "{:?}", slot);
        }
        prop_assert_eq!(&seen.mismatches, &expected.mismatches);
        prop_assert_eq!(seen.compares, expected.compares);
        port.release().unwrap();
        let chip = port.usb().chip();
        prop_assert_eq!(chip.driven_lines(), 0);
        prop_assert!(chip.in_mpsse_mode());
        prop_assert_eq!(chip.tck_cycles(), port.traffic().tck_cycles);
        let (ours, theirs) = (chip.clocks(), plain.clocks());
        prop_assert_eq!(ours.registers(), theirs.registers());
        prop_assert_eq!(ours.state, theirs.state);
        prop_assert_eq!(ours.tck_hz, hz);
        prop_assert_eq!(port.traffic().shift_bits, plain.traffic().shift_bits);
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 60, failure_persistence: None, ..ProptestConfig::default() })]

    /// A trace changes no answer, and shows the TMS and TDI that were clocked.
    #[test]
    fn a_trace_shows_what_was_clocked(
        random in prop::collection::vec(any_op(), 1..40),
        piece_bits in 100..3000usize,
    ) {
        let (program, slots) = program_of(&random);
        let limits = PieceLimits { shift_bits: piece_bits, wait_ns: 100_000 };
        let chain = || {
            let mut chain = Chain::new(&IDCODES);
            chain.keep = true;
            chain
        };
        let mut plain = Lowered::new(chain());
        let expected = run(&mut plain, program.clone(), limits).unwrap();
        let mut text = Vec::new();
        let mut trace = Trace::new(Lowered::new(chain()), 1_000_000, &mut text).unwrap();
        let seen = run(&mut trace, program, limits).unwrap();
        for slot in slots {
            prop_assert_eq!(seen.get(slot), expected.get(slot), "{:?}", slot);
        }
        prop_assert_eq!(&seen.mismatches, &expected.mismatches);
        prop_assert_eq!(&trace.port().clocks().log, &plain.clocks().log);
        drop(trace);
        let shown = clocked(&String::from_utf8(text).unwrap());
        prop_assert_eq!(shown.len(), plain.clocks().log.len());
        for ((tms, tdi), (their_tms, their_tdi)) in shown.iter().zip(&plain.clocks().log) {
            let level = |high: bool| if high { '1' } else { '0' };
            let (their_tms, their_tdi) = (level(*their_tms), level(*their_tdi));
            prop_assert_eq!(*tms, their_tms);
            prop_assert!(*tdi == 'x' || *tdi == their_tdi);
        }
    }
}

/// TMS and TDI at each rising edge of TCK in a dump, read line by line.
fn clocked(text: &str) -> Vec<(char, char)> {
    let mut codes = std::collections::HashMap::new();
    let mut now = std::collections::HashMap::new();
    let mut edges = Vec::new();
    for line in text.lines() {
        let words: Vec<&str> = line.split_whitespace().collect();
        if let ["$var", _, _, code, name, "$end"] = words[..] {
            codes.insert(name, code);
        } else if let Some(value) = line.chars().next().filter(|c| "01xz".contains(*c)) {
            now.insert(line[1..].to_owned(), value);
            if line[1..] == *codes["TCK"] && value == '1' {
                edges.push((now[codes["TMS"]], now[codes["TDI"]]));
            }
        }
    }
    edges
}

/// A long scan that is read, as one program.
fn long_read(bits: usize) -> ScanProgram {
    let mut program = ScanProgram::new();
    program.reset();
    program.scan(Register::Ir, Bits::ones(15), TapState::RunTestIdle);
    program.scan_captured(Register::Dr, random_bits(5, bits), TapState::RunTestIdle);
    program
}

#[test]
fn answers_beyond_every_fifo_come_back() {
    for model in Model::with_mpsse() {
        let mut port = open(model);
        port.set_tck_hz(6_000_000).unwrap();
        let bits = 40_000 * 8;
        let limits = PieceLimits {
            shift_bits: bits * 2,
            wait_ns: 1,
        };
        let answers = run(&mut port, long_read(bits), limits).unwrap();
        let seen = answers.bits(Slot(0));
        assert_eq!(
            seen.slice(3, bits - 3),
            random_bits(5, bits).slice(0, bits - 3)
        );
    }
}

type Odd = Faulty<EmulatedAdapter<Chain>>;

fn open_odd(model: Model, fault: Fault) -> Result<Mpsse<Odd>, PortError> {
    let profile = profile(&model);
    let usb = EmulatedAdapter::new(model, Chain::new(&IDCODES));
    let mut port = Mpsse::open(Faulty::new(usb, Some(fault)), profile)?;
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
        program.scan_captured(
            Register::Dr,
            Bits::ones(2048 * 8 + 1),
            TapState::RunTestIdle,
        );
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
        let slot = program.scan_captured(Register::Dr, Bits::ones(32), TapState::RunTestIdle);
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
    let slot = program.scan_captured(Register::Dr, Bits::ones(32), TapState::RunTestIdle);
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
    program.scan(Register::Dr, Bits::ones(200_000 * 8), TapState::RunTestIdle);
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
fn a_recorded_run_comes_again_bit_for_bit() {
    let limits = PieceLimits::at(2_000_000);
    let program = || {
        let mut program = long_read(30_000);
        program.go(TapState::PauseDr).wait_ns(1_000);
        program.go(TapState::UpdateDr).wait_ns(2_000);
        program.sense();
        program
    };
    let drive = |port: &mut dyn Port| {
        port.set_tck_hz(2_000_000).unwrap();
        let answers = run(port, program(), limits).unwrap();
        port.release().unwrap();
        (answers, port.traffic())
    };
    let mut log = Vec::new();
    let usb = EmulatedAdapter::new(Model::ft232h(), Chain::new(&IDCODES));
    let recorder = Recorder::new(usb, &mut log).unwrap();
    let profile = || Profile::plain_module("plain", 0, 8);
    let first = drive(&mut Mpsse::open(recorder, profile()).unwrap());
    let usb = Replay::new(&log[..]).unwrap();
    assert_eq!(usb.name(), "emulated FT232H EMU232H");
    let again = drive(&mut Mpsse::open(usb, profile()).unwrap());
    assert_eq!(again, first);
    // A log that was tampered with is noticed.
    let text = String::from_utf8(log).unwrap();
    let at = text.find("write 97").unwrap();
    let text = format!("{}write 87{}", &text[..at], &text[at + 8..]);
    let mut port = Mpsse::open(Replay::new(text.as_bytes()).unwrap(), profile()).unwrap();
    port.set_tck_hz(2_000_000).unwrap();
    let error = run(&mut port, program(), limits).unwrap_err().to_string();
    assert!(error.contains("of the log: it has \"write 87"), "{error}");
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

/// Bytes, time and round trips of a blind shift of 1 MiB: at 30 MHz, on the C type
/// at 6 MHz.
#[test]
fn a_blind_shift_goes_at_the_speed_of_tck() {
    for (model, hz, bytes) in [
        (Model::ft2232h(), 30_000_000, 1 << 20),
        (Model::ft232h(), 30_000_000, 1 << 20),
        (Model::ft4232h(), 30_000_000, 1 << 20),
        (Model::ft2232c(), 6_000_000, 1 << 20),
    ] {
        let name = model.name.clone();
        let profile = profile(&model);
        let mut port = Mpsse::open(EmulatedAdapter::new(model, Wire), profile).unwrap();
        assert_eq!(port.set_tck_hz(hz).unwrap(), hz);
        run(
            &mut port,
            {
                let mut p = ScanProgram::new();
                p.reset();
                p
            },
            PieceLimits::at(hz),
        )
        .unwrap();
        let before = port.traffic();
        let mut program = ScanProgram::new();
        program.scan(
            Register::Dr,
            random_bits(9, bytes * 8),
            TapState::RunTestIdle,
        );
        // A last look waits for the end.
        program.scan_captured(Register::Dr, Bits::ones(8), TapState::RunTestIdle);
        run(&mut port, program, PieceLimits::at(hz)).unwrap();
        let after = port.traffic();
        let out = (after.usb_out - before.usb_out) as f64 / bytes as f64;
        let ideal = bytes as f64 * 8.0 / f64::from(hz);
        let took = (after.elapsed - before.elapsed).as_secs_f64();
        let share = ideal / took * 100.0;
        let trips = after.round_trips - before.round_trips;
        println!(
            "{name}: {out:.5} bytes out a payload byte (limit 1.001), \
             {share:.2} % of TCK (goal 99), {trips} round trips"
        );
        assert!(out <= 1.001, "{name}: {out}");
        assert!(share >= 99.0, "{name}: {share}");
        assert_eq!(trips, 1, "{name}");
    }
}

/// A bench that costs nothing: TDO is TDI.
struct Wire;

impl Clocks for Wire {
    fn clock(&mut self, _tms: &Bits, tdi: &Bits) -> Result<Bits, PortError> {
        Ok(tdi.clone())
    }

    fn line(&mut self, _line: Line, _level: Level) -> Result<u8, PortError> {
        Ok(0xff)
    }

    fn sense(&mut self) -> Result<u8, PortError> {
        Ok(0xff)
    }

    fn pass(&mut self, _ns: u64) -> Result<(), PortError> {
        Ok(())
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
        let name = model.name.clone();
        let profile = profile(&model);
        let mut port = Mpsse::open(EmulatedAdapter::new(model, Wire), profile).unwrap();
        port.set_tck_hz(hz).unwrap();
        let (cells, vectors) = (1500, 1000);
        let mut program = ScanProgram::new();
        program.reset();
        for i in 0..vectors {
            program.scan_captured(Register::Dr, random_bits(i, cells), TapState::UpdateDr);
        }
        let before = port.traffic();
        run(&mut port, program, PieceLimits::at(hz)).unwrap();
        let after = port.traffic();
        let ideal = (cells as u64 * vectors) as f64 / f64::from(hz);
        let took = (after.elapsed - before.elapsed).as_secs_f64();
        let share = ideal / took * 100.0;
        let trips = after.round_trips - before.round_trips;
        println!(
            "{name}: captured vectors at {share:.2} % of TCK (goal {goal}), {trips} round trips"
        );
        assert!(share >= goal, "{name}: {share}");
        assert!(trips <= 2, "{name}: {trips}");
    }
}
