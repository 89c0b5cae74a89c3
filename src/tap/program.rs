//! Scan programs: what is to be clocked, as data, and what came back.

use crate::bits::Bits;

use super::{Instructions, TapState};

/// Which register a shift goes through.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Register {
    /// The instruction registers of the chain.
    Ir,
    /// The data registers that the present instructions select.
    Dr,
}

/// A line of the adapter beside the four TAP lines.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Line {
    /// TRST*, which resets the test logic at level 0.
    Trst,
    /// The board's system reset; acts at level 0.
    SystemReset,
    /// A spare line of the adapter, by number from 0.
    Spare(u8),
}

/// An electrical level that the adapter puts on a line.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Level {
    /// Driven to 0.
    Low,
    /// Driven to 1.
    High,
    /// Not driven.
    Released,
}

/// Where an answer stands in [`Answers`]: numbered from 0 within one [`ScanProgram`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Slot(pub u32);

/// What a shift must answer, bit by bit.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Compare {
    /// The expected bits, as long as the shift.
    pub expected: Bits,
    /// Ones where the answer counts, as long as the shift.
    pub mask: Bits,
    /// The producer's own mark (a line number, say), given back in [`Mismatch::tag`].
    pub tag: u64,
    /// How many bits of the same scan came before, where a scan was cut; 0 for a whole one.
    pub offset: usize,
}

/// One shift through the chain.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Shift {
    register: Register,
    out: Bits,
    capture: Option<Slot>,
    compare: Option<Compare>,
    end: Option<TapState>,
}

impl Shift {
    /// Through the data registers, bit 0 of `out` first; at least one bit. More bits of the same scan follow in the next
    /// shift and the TAP stays in Shift, unless [`to`](Self::to) says otherwise.
    pub fn dr(out: Bits) -> Shift {
        Shift::through(Register::Dr, out)
    }

    /// Through the instruction registers.
    pub fn ir(out: Instructions) -> Shift {
        Shift::through(Register::Ir, out.into_bits())
    }

    fn through(register: Register, out: Bits) -> Shift {
        Shift {
            register,
            out,
            capture: None,
            compare: None,
            end: None,
        }
    }

    /// The bits from TDO are wanted in this slot.
    pub fn captured(mut self, slot: Slot) -> Shift {
        self.capture = Some(slot);
        self
    }

    /// As [`captured`](Self::captured), for a shift that stands in a piece.
    pub fn capture_in(&mut self, slot: Slot) {
        self.capture = Some(slot);
    }

    /// The bits from TDO must be so.
    pub fn compared(mut self, compare: Compare) -> Shift {
        self.compare = Some(compare);
        self
    }

    /// The scan ends with this shift, and the TAP goes to `state`.
    pub fn to(mut self, state: TapState) -> Shift {
        self.end = Some(state);
        self
    }

    /// Through the instruction or the data registers.
    pub fn register(&self) -> Register {
        self.register
    }

    /// The bits for TDI, bit 0 first.
    pub fn out(&self) -> &Bits {
        &self.out
    }

    /// Where the bits from TDO go, if they are wanted.
    pub fn capture(&self) -> Option<Slot> {
        self.capture
    }

    /// What the bits from TDO must be, if that is asked.
    pub fn compare(&self) -> Option<&Compare> {
        self.compare.as_ref()
    }

    /// The state to go to afterwards; `None`: more bits of the same scan follow in the next shift, and the TAP stays in
    /// Shift.
    pub fn end(&self) -> Option<TapState> {
        self.end
    }

    /// Whether the bits from TDO are needed.
    pub fn reads(&self) -> bool {
        self.capture.is_some() || self.compare.is_some()
    }
}

/// One thing to do.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Op {
    /// Five clocks with TMS high, from whatever state: Test-Logic-Reset.
    Reset,
    /// The shortest path to a state.
    Go(TapState),
    /// An explicit path, each state the neighbour of the one before.
    Along(Vec<TapState>),
    /// A shift; goes to Shift-IR or Shift-DR by the shortest path first, unless it is there.
    Shift(Shift),
    /// Clocks in the present state, which must be one that can be held.
    Clocks(u64),
    /// At least so many nanoseconds in the present state. An adapter may let TCK run meanwhile
    /// where that changes nothing: in Test-Logic-Reset, Run-Test/Idle and the Pause states, TMS
    /// held.
    Wait(u64),
    /// A side line's level.
    Line(Line, Level),
    /// Reads the spare lines: bit k of the answer is the level of spare line k.
    Sense(Slot),
}

/// Why a program cannot be run from the present state.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ProgramError {
    /// A shift of no bits.
    #[error("a shift needs at least one bit")]
    EmptyShift,
    /// Expected bits or mask differ in length from the shift.
    #[error("a shift of {shift} bits is compared with {expected} expected and {mask} mask bits")]
    CompareLength {
        /// Length of the shift.
        shift: usize,
        /// Length of the expected bits.
        expected: usize,
        /// Length of the mask.
        mask: usize,
    },
    /// Clocks asked for in a state that cannot be held.
    #[error(
        "{0} cannot be held: clocks need Test-Logic-Reset, Run-Test/Idle, a Pause or a Shift state"
    )]
    NotHeld(TapState),
    /// An explicit path with a jump.
    #[error("{to} does not follow {from}")]
    NoSuchStep {
        /// The state before.
        from: TapState,
        /// The state that cannot be reached in one clock.
        to: TapState,
    },
    /// A scan was left open and something else than its continuation follows.
    #[error("a {0} scan is still open: its last shift said that more bits follow")]
    OpenShift(TapState),
}

/// A scan program under construction: a list of [`Op`]s and the count of answer slots.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct ScanProgram {
    ops: Vec<Op>,
    slots: u32,
}

impl ScanProgram {
    /// An empty program.
    pub fn new() -> Self {
        Self::default()
    }

    /// The ops so far.
    pub fn ops(&self) -> &[Op] {
        &self.ops
    }

    /// How many answer slots the program has given out.
    pub fn slots(&self) -> u32 {
        self.slots
    }

    /// Whether there is nothing to do.
    pub fn is_empty(&self) -> bool {
        self.ops.is_empty()
    }

    /// A new answer slot.
    pub fn slot(&mut self) -> Slot {
        self.slots += 1;
        Slot(self.slots - 1)
    }

    /// Appends any op.
    pub fn push(&mut self, op: Op) -> &mut Self {
        self.ops.push(op);
        self
    }

    /// Five clocks with TMS high.
    pub fn reset(&mut self) -> &mut Self {
        self.push(Op::Reset)
    }

    /// The shortest path to `state`.
    pub fn go(&mut self, state: TapState) -> &mut Self {
        self.push(Op::Go(state))
    }

    /// `n` clocks in the present state.
    pub fn clocks(&mut self, n: u64) -> &mut Self {
        self.push(Op::Clocks(n))
    }

    /// At least `ns` nanoseconds in the present state: see [`Op::Wait`].
    pub fn wait_ns(&mut self, ns: u64) -> &mut Self {
        self.push(Op::Wait(ns))
    }

    /// Sets a side line.
    pub fn line(&mut self, line: Line, level: Level) -> &mut Self {
        self.push(Op::Line(line, level))
    }

    /// Reads the spare lines.
    pub fn sense(&mut self) -> Slot {
        let slot = self.slot();
        self.push(Op::Sense(slot));
        slot
    }

    /// A whole data scan that ends in `end`, answer not wanted.
    pub fn scan_dr(&mut self, out: Bits, end: TapState) -> &mut Self {
        self.push(Op::Shift(Shift::dr(out).to(end)))
    }

    /// A whole data scan that ends in `end`, answer wanted.
    pub fn scan_dr_captured(&mut self, out: Bits, end: TapState) -> Slot {
        let slot = self.slot();
        self.push(Op::Shift(Shift::dr(out).to(end).captured(slot)));
        slot
    }

    /// A whole instruction scan that ends in `end`, answer not wanted.
    pub fn scan_ir(&mut self, out: Instructions, end: TapState) -> &mut Self {
        self.push(Op::Shift(Shift::ir(out).to(end)))
    }

    /// A whole instruction scan that ends in `end`, answer wanted.
    pub fn scan_ir_captured(&mut self, out: Instructions, end: TapState) -> Slot {
        let slot = self.slot();
        self.push(Op::Shift(Shift::ir(out).to(end).captured(slot)));
        slot
    }

    /// Shifts `lead` ones, a 0 and `after` ones into the instruction registers and stays in Shift-IR, to see when the 0
    /// comes out again: more ones must follow until nothing else is inside, for the way out leads through Update-IR. Answer
    /// wanted.
    pub fn measure_ir(&mut self, lead: usize, after: usize) -> Slot {
        let mut out = Bits::ones(lead);
        out.push(false);
        out.push_run(true, after);
        let slot = self.slot();
        self.push(Op::Shift(Shift::through(Register::Ir, out).captured(slot)));
        slot
    }

    /// Cuts the program into pieces within `limits`; long shifts, waits and runs of clocks are
    /// cut in the middle and carry on in the next piece.
    pub fn pieces(self, limits: PieceLimits) -> Vec<Piece> {
        let mut cutter = Cutter {
            limits,
            pieces: Vec::new(),
            ops: Vec::new(),
            used: Load::default(),
        };
        for op in self.ops {
            match op {
                Op::Shift(shift) if shift.out.len() > cutter.free() => cutter.cut(&shift),
                Op::Wait(ns) if ns > limits.wait_ns => cutter.spread(ns, limits.wait_ns, Op::Wait),
                Op::Clocks(n) if n > limits.clocks() => {
                    cutter.spread(n, limits.clocks(), Op::Clocks);
                }
                op => cutter.push(op),
            }
        }
        cutter.end_piece();
        cutter.pieces
    }
}

/// Fills pieces up to their limits.
struct Cutter {
    limits: PieceLimits,
    pieces: Vec<Piece>,
    ops: Vec<Op>,
    used: Load,
}

impl Cutter {
    /// Shift bits that the present piece still takes.
    fn free(&self) -> usize {
        self.limits.shift_bits.saturating_sub(self.used.shift_bits)
    }

    fn push(&mut self, op: Op) {
        self.used.add(&op);
        self.ops.push(op);
        if self.free() == 0 || self.used.wait_ns >= self.limits.wait_ns {
            self.end_piece();
        }
    }

    fn end_piece(&mut self) {
        if !self.ops.is_empty() {
            self.pieces.push(Piece {
                ops: std::mem::take(&mut self.ops),
            });
        }
        self.used = Load::default();
    }

    /// More of something than one piece takes, in parts of at most `most`.
    fn spread(&mut self, all: u64, most: u64, op: fn(u64) -> Op) {
        let mut left = all;
        while left > 0 {
            let part = left.min(most.max(1));
            self.push(op(part));
            left -= part;
        }
    }

    /// A shift that does not fit: cut at piece ends, but not for a rest of a few bits.
    fn cut(&mut self, shift: &Shift) {
        if self.free() < self.limits.shift_bits.min(64) {
            self.end_piece();
        }
        let mut at = 0;
        while at < shift.out.len() {
            let n = self.free().max(1).min(shift.out.len() - at);
            self.push(Op::Shift(part(shift, at, n)));
            at += n;
        }
    }
}

/// Bits `at` to `at + n` of a shift, as a shift of its own.
fn part(shift: &Shift, at: usize, n: usize) -> Shift {
    Shift {
        register: shift.register,
        out: shift.out.slice(at, n),
        capture: shift.capture,
        compare: shift.compare.as_ref().map(|c| Compare {
            expected: c.expected.slice(at, n),
            mask: c.mask.slice(at, n),
            tag: c.tag,
            offset: c.offset + at,
        }),
        end: shift.end.filter(|_| at + n == shift.out.len()),
    }
}

/// How large a piece may grow.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PieceLimits {
    /// Bits in shifts (clocks in stable states count 1 bit in 64).
    pub shift_bits: usize,
    /// Nanoseconds of waits.
    pub wait_ns: u64,
}

impl PieceLimits {
    /// At most 64 KiB of scan data and about 20 ms at `tck_hz`.
    pub fn at(tck_hz: u32) -> Self {
        let clocks = u64::from(tck_hz) / 50;
        PieceLimits {
            shift_bits: (clocks as usize).clamp(4096, 64 * 1024 * 8),
            wait_ns: 20_000_000,
        }
    }

    /// Clocks in a stable state that fill a piece.
    fn clocks(self) -> u64 {
        self.shift_bits as u64 * 64
    }
}

/// What a piece holds so far, for [`PieceLimits`].
#[derive(Default)]
struct Load {
    shift_bits: usize,
    wait_ns: u64,
}

impl Load {
    fn add(&mut self, op: &Op) {
        match op {
            Op::Shift(shift) => self.shift_bits += shift.out.len(),
            Op::Clocks(n) => {
                self.shift_bits += usize::try_from(n / 64 + 1).unwrap_or(usize::MAX / 2)
            }
            Op::Wait(ns) => self.wait_ns += ns,
            _ => self.shift_bits += 8,
        }
    }
}

/// A part of a program that goes to the adapter as one.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Piece {
    /// What to do, in order.
    pub ops: Vec<Op>,
}

impl Piece {
    /// What the piece is to answer, to be kept by a [`Port`](super::Port) until the raw bits
    /// are there.
    pub fn expectations(&self) -> Expectations {
        let wanted = self
            .ops
            .iter()
            .filter_map(|op| match op {
                Op::Shift(shift) if shift.reads() => Some(Wanted::Shift {
                    len: shift.out.len(),
                    capture: shift.capture,
                    compare: shift.compare.clone(),
                }),
                Op::Sense(slot) => Some(Wanted::Sense(*slot)),
                _ => None,
            })
            .collect();
        Expectations { wanted }
    }

    /// Bits in shifts.
    pub fn shift_bits(&self) -> usize {
        self.ops
            .iter()
            .map(|op| {
                if let Op::Shift(s) = op {
                    s.out.len()
                } else {
                    0
                }
            })
            .sum()
    }
}

#[derive(Debug, Clone)]
enum Wanted {
    Shift {
        len: usize,
        capture: Option<Slot>,
        compare: Option<Compare>,
    },
    Sense(Slot),
}

/// What a piece is to answer: reading shifts and senses, in order.
#[derive(Debug, Clone)]
pub struct Expectations {
    wanted: Vec<Wanted>,
}

impl Expectations {
    /// The lengths of the raw answers in order: bits of each reading shift, 8 for a sense.
    pub fn lengths(&self) -> impl Iterator<Item = usize> + '_ {
        self.wanted.iter().map(|w| match w {
            Wanted::Shift { len, .. } => *len,
            Wanted::Sense(_) => 8,
        })
    }

    /// Turns the raw answers (in the order and of the lengths of [`Expectations::lengths`])
    /// into [`Answers`]. The one place where compares are evaluated.
    ///
    /// # Panics
    /// If number or length of the raw answers is wrong: a defect of the caller.
    pub fn answer(self, raw: impl IntoIterator<Item = Bits>) -> Answers {
        let mut answers = Answers::default();
        let mut raw = raw.into_iter();
        for wanted in self.wanted {
            let seen = raw.next().expect("one raw answer for each reading op");
            match wanted {
                Wanted::Sense(slot) => answers.put(slot, &seen),
                Wanted::Shift {
                    len,
                    capture,
                    compare,
                } => {
                    assert_eq!(seen.len(), len, "a raw answer as long as its shift");
                    if let Some(Compare {
                        expected,
                        mask,
                        tag,
                        offset,
                    }) = compare
                    {
                        answers.compares += 1;
                        if !seen.differing(&expected, &mask).is_empty() {
                            answers.mismatches.push(Mismatch {
                                tag,
                                offset,
                                seen: seen.clone(),
                                expected,
                                mask,
                            });
                        }
                    }
                    if let Some(slot) = capture {
                        answers.put(slot, &seen);
                    }
                }
            }
        }
        assert!(raw.next().is_none(), "no raw answer left over");
        answers
    }
}

/// A compare that failed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Mismatch {
    /// The mark of the [`Compare`].
    pub tag: u64,
    /// The offset of the [`Compare`]: bit 0 of `seen` is this bit of the scan.
    pub offset: usize,
    /// What came from TDO.
    pub seen: Bits,
    /// What should have come.
    pub expected: Bits,
    /// Ones where it counts.
    pub mask: Bits,
}

/// What came back from a piece or a whole program.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Answers {
    slots: Vec<Option<Bits>>,
    /// The compares that failed, in order.
    pub mismatches: Vec<Mismatch>,
    /// How many compares were made (a shift cut in two counts twice).
    pub compares: u64,
}

impl Answers {
    /// The bits of a slot, or `None` if it was not answered.
    pub fn get(&self, slot: Slot) -> Option<&Bits> {
        self.slots.get(slot.0 as usize)?.as_ref()
    }

    /// The bits of a slot.
    ///
    /// # Panics
    /// If the slot was not answered: the program never gave it out or did not run to its end.
    pub fn bits(&self, slot: Slot) -> &Bits {
        self.get(slot).expect("the slot of a program that ran")
    }

    /// Takes the bits of a slot out, as if it had never been asked for.
    pub fn take(&mut self, slot: Slot) -> Option<Bits> {
        let bits = self.slots.get_mut(slot.0 as usize)?.take();
        while self.slots.last().is_some_and(Option::is_none) {
            self.slots.pop();
        }
        bits
    }

    /// Adds bits to a slot, after those that are there.
    fn put(&mut self, slot: Slot, bits: &Bits) {
        let i = slot.0 as usize;
        if self.slots.len() <= i {
            self.slots.resize(i + 1, None);
        }
        self.slots[i].get_or_insert_with(Bits::new).append(bits);
    }

    /// Adds the answers of the next piece of the same program.
    pub fn join(&mut self, next: Answers) {
        for (i, bits) in next.slots.into_iter().enumerate() {
            if let Some(bits) = bits {
                self.put(Slot(i as u32), &bits);
            }
        }
        self.mismatches.extend(next.mismatches);
        self.compares += next.compares;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn long_shifts_are_cut_and_their_answers_joined() {
        let mut program = ScanProgram::new();
        program.reset();
        let pattern: Bits = (0..1000).map(|i| i % 3 == 0).collect();
        let slot = program.scan_dr_captured(pattern.clone(), TapState::RunTestIdle);
        program.wait_ns(5);
        let pieces = program.pieces(PieceLimits {
            shift_bits: 300,
            wait_ns: 1000,
        });
        assert!(pieces.len() >= 4);
        let mut sent = Bits::new();
        let mut answers = Answers::default();
        for (i, piece) in pieces.iter().enumerate() {
            assert!(piece.shift_bits() <= 300);
            let raw: Vec<Bits> = piece
                .ops
                .iter()
                .filter_map(|op| match op {
                    Op::Shift(s) => {
                        sent.append(&s.out);
                        assert_eq!(s.end.is_some(), sent.len() == 1000, "piece {i}");
                        Some(s.out.clone())
                    }
                    _ => None,
                })
                .collect();
            answers.join(piece.expectations().answer(raw));
        }
        assert_eq!(sent, pattern);
        assert_eq!(answers.bits(slot), &pattern);
    }

    #[test]
    fn long_waits_and_runs_of_clocks_are_cut() {
        let mut program = ScanProgram::new();
        program.reset().wait_ns(2500).clocks(100_000).wait_ns(0);
        let pieces = program.pieces(PieceLimits {
            shift_bits: 500,
            wait_ns: 1000,
        });
        let ops: Vec<Vec<Op>> = pieces.into_iter().map(|p| p.ops).collect();
        assert_eq!(
            ops,
            [
                vec![Op::Reset, Op::Wait(1000)],
                vec![Op::Wait(1000)],
                vec![Op::Wait(500), Op::Clocks(32_000)],
                vec![Op::Clocks(32_000)],
                vec![Op::Clocks(32_000)],
                vec![Op::Clocks(4_000), Op::Wait(0)],
            ]
        );
    }

    #[test]
    fn a_compare_fails_under_its_mask_only() {
        let piece = |mask: u64| Piece {
            ops: vec![Op::Shift(
                Shift::ir(Instructions::bypass(4))
                    .compared(Compare {
                        expected: Bits::from_u64(0b0001, 4),
                        mask: Bits::from_u64(mask, 4),
                        tag: 7,
                        offset: 0,
                    })
                    .to(TapState::RunTestIdle),
            )],
        };
        let seen = || [Bits::from_u64(0b0101, 4)];
        assert!(
            piece(0b0011)
                .expectations()
                .answer(seen())
                .mismatches
                .is_empty()
        );
        let answers = piece(0b1111).expectations().answer(seen());
        assert_eq!(answers.mismatches[0].tag, 7);
        assert_eq!(answers.compares, 1);
    }
}
