//! Programs for both ways to drive a chip, and what must come of them whatever the way.

use proptest::prelude::*;
use proptest::test_runner::TestCaseError;
use taploom::bits::Bits;
use taploom::tap::{
    self, Compare, Instructions, Level, Line, Op, PieceLimits, Port, ScanProgram, Shift, Slot,
    TapState,
};
use taploom::transport::Lowered;

use super::chain::Chain;
use super::ports::{random_bits, run};

/// Instruction register lengths and IDCODEs, TDI to TDO.
pub(crate) const IDCODES: [(usize, u32); 3] =
    [(4, 0x1234_5041), (6, 0x0abc_d0a7), (5, 0x5005_0093)];

/// A random op; which of them can follow is found out by walking.
pub(crate) fn any_op() -> impl Strategy<Value = RandomOp> {
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
pub(crate) enum RandomOp {
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
    pub(crate) fn needs_spare(&self, lines: u8) -> bool {
        matches!(self, RandomOp::Line(line, _) if *line >= lines)
    }
}

/// The ops that can follow one another, as a program that begins with a reset and ends with no
/// scan open.
pub(crate) fn program_of(random: &[RandomOp]) -> (ScanProgram, Vec<Slot>) {
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
            } => {
                // What goes into instruction registers is BYPASS: nobody outside may shift anything else there.
                let mut shift = match walker.is_open() && walker.state() == TapState::ShiftIr || ir
                {
                    true => Shift::ir(Instructions::bypass(len)),
                    false => Shift::dr(random_bits(seed, len)),
                };
                if reads & 1 != 0 {
                    shift = shift.captured(Slot(program.slots()));
                }
                if reads & 2 != 0 {
                    shift = shift.compared(Compare {
                        expected: random_bits(seed.rotate_left(17), len),
                        mask: random_bits(seed.rotate_left(31), len),
                        tag: seed,
                        offset: 0,
                    });
                }
                Op::Shift(match TapState::ALL.get(end) {
                    Some(state) => shift.to(*state),
                    None => shift,
                })
            }
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

/// A long scan that is read, as one program.
pub(crate) fn long_read(bits: usize) -> ScanProgram {
    let mut program = ScanProgram::new();
    program.reset();
    program.scan_ir(Instructions::bypass(15), TapState::RunTestIdle);
    program.scan_dr_captured(random_bits(5, bits), TapState::RunTestIdle);
    program
}

/// A reset, then the whole chain's IDCODEs, and one of ones.
pub(crate) fn reads_the_idcodes(port: &mut dyn Port, limits: PieceLimits, name: &str) {
    let mut program = ScanProgram::new();
    program.reset();
    let slot = program.scan_dr_captured(Bits::ones(128), TapState::RunTestIdle);
    let answers = run(port, program, limits).unwrap_or_else(|e| panic!("{name}: {e}"));
    let seen = answers.bits(slot);
    for (i, (_, idcode)) in IDCODES.iter().rev().enumerate() {
        assert_eq!(seen.get_u64(i * 32, 32) as u32, *idcode, "{name}");
    }
}

/// The same answers as without any adapter; gives the chain that had none, for its registers.
pub(crate) fn answers_as_without_an_adapter(
    port: &mut dyn Port,
    random: &[RandomOp],
    limits: PieceLimits,
) -> Result<Lowered<Chain>, TestCaseError> {
    let (program, slots) = program_of(random);
    let mut plain = Lowered::new(Chain::new(&IDCODES));
    let expected = run(&mut plain, program.clone(), limits).unwrap();
    let seen = run(port, program, limits).unwrap();
    for slot in slots {
        prop_assert_eq!(seen.get(slot), expected.get(slot), "{:?}", slot);
    }
    prop_assert_eq!(&seen.mismatches, &expected.mismatches);
    prop_assert_eq!(seen.compares, expected.compares);
    prop_assert_eq!(port.traffic().shift_bits, plain.traffic().shift_bits);
    Ok(plain)
}

/// More answers in one piece than any FIFO holds.
pub(crate) fn a_long_read_comes_back(port: &mut dyn Port, bits: usize) {
    let limits = PieceLimits {
        shift_bits: bits * 2,
        wait_ns: 1,
    };
    let answers = run(port, long_read(bits), limits).unwrap();
    let seen = answers.bits(Slot(0));
    // Three devices in BYPASS.
    let (seen, sent) = (seen.slice(3, bits - 3), random_bits(5, bits));
    assert_eq!(seen, sent.slice(0, bits - 3));
}
