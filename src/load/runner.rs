//! Runs a plan's ops through a port in pieces, or counts them without one.

use std::collections::VecDeque;
use std::time::Duration;

use crate::bits::Bits;
use crate::tap::{
    Answers, Instructions, Mismatch, Op, Piece, PieceLimits, Port, PortError, Shift, Slot, Step,
    TapState, Ticket, Walker,
};

/// How many pieces are in flight while nobody waits for an answer: one runs, one waits in the adapter, one is on its way.
const IN_FLIGHT: usize = 3;
/// The longest stretch of waiting without an answer.
const SLICE_NS: u64 = 100_000_000;

/// Behind the bits of an image each piece asks for the spare lines: the answer says that the bits have gone in. Beyond the
/// slots of the two captures of a status look.
const PROOF: Slot = Slot(2);

/// What has gone over the wire in a load.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Counts {
    /// Bits in Shift-IR and Shift-DR, pads included.
    pub bits_shifted: u64,
    /// Bits of the image.
    pub payload_bits: u64,
    /// Cycles of TCK.
    pub tck_cycles: u64,
    /// Compares: data steps with an expected answer, and the image when it is read back.
    pub compares: u64,
    /// Compares that failed.
    pub mismatches: u64,
    /// Seconds that it took; in a rehearsal clocks and waits at the rate of TCK, with each poll right the first time.
    pub seconds: f64,
    /// Payload bits at the rate of TCK: no load can be faster.
    pub limit_seconds: f64,
}

/// Why running ended early.
#[derive(Debug)]
pub(super) enum Stopped {
    /// The user wishes to stop.
    Cancelled,
    /// The adapter failed.
    Port(PortError),
}

impl Stopped {
    /// As the port's error.
    pub(super) fn into_port(self) -> PortError {
        match self {
            Stopped::Cancelled => PortError::Interrupted,
            Stopped::Port(error) => error,
        }
    }
}

impl From<PortError> for Stopped {
    fn from(error: PortError) -> Self {
        match error {
            PortError::Interrupted => Stopped::Cancelled,
            error => Stopped::Port(error),
        }
    }
}

/// A compare that failed, over all the pieces that it was cut into.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Failed {
    /// The first bit that differs, counted through the whole compare.
    pub(super) first_bit: u64,
    /// How many bits differ.
    pub(super) bits: u64,
    /// The first piece of it that failed.
    pub(super) mismatch: Mismatch,
}

/// Adds mismatches to what has failed.
fn note(failed: &mut Option<Failed>, mismatches: Vec<Mismatch>) {
    for mismatch in mismatches {
        let differing = mismatch.seen.differing(&mismatch.expected, &mismatch.mask);
        let bits = differing.len() as u64;
        match failed {
            Some(failed) => failed.bits += bits,
            None => {
                let first_bit = (mismatch.offset + differing.first().copied().unwrap_or(0)) as u64;
                *failed = Some(Failed {
                    first_bit,
                    bits,
                    mismatch,
                });
            }
        }
    }
}

pub(super) struct Runner<'a> {
    /// `None` in a rehearsal.
    port: Option<&'a mut dyn Port>,
    cancelled: Option<&'a dyn Fn() -> bool>,
    tck_hz: u32,
    limits: PieceLimits,
    /// Ops that are not yet submitted, and what they count.
    ops: Vec<Op>,
    shift_bits: usize,
    walker: Walker,
    counts: Counts,
    waited: Duration,
    /// As of the last piece that was submitted.
    submitted: (Walker, Counts),
    /// With the bits of the image up to the end of each.
    flying: VecDeque<(Ticket, u64)>,
    /// Bits of the image that have gone in: an answer from behind them has come.
    payload_proven: u64,
    /// What failed in the present compare.
    failed: Option<Failed>,
    began: Duration,
}

impl<'a> Runner<'a> {
    pub(super) fn new(
        port: Option<&'a mut dyn Port>,
        cancelled: Option<&'a dyn Fn() -> bool>,
        tck_hz: u32,
    ) -> Self {
        let began = port
            .as_ref()
            .map_or(Duration::ZERO, |p| p.traffic().elapsed);
        let walker = Walker::new();
        Runner {
            port,
            cancelled,
            tck_hz,
            limits: PieceLimits::at(tck_hz),
            ops: vec![],
            shift_bits: 0,
            walker,
            counts: Counts::default(),
            waited: Duration::ZERO,
            submitted: (walker, Counts::default()),
            flying: VecDeque::new(),
            payload_proven: 0,
            failed: None,
            began,
        }
    }

    /// Whether there is no port.
    pub(super) fn is_rehearsal(&self) -> bool {
        self.port.is_none()
    }

    /// Whether anything has been submitted.
    pub(super) fn has_begun(&self) -> bool {
        self.submitted.1.tck_cycles > 0
    }

    /// Bits of the image that have been submitted.
    pub(super) fn payload_submitted(&self) -> u64 {
        self.submitted.1.payload_bits
    }

    /// Bits of the image that have gone into the device for certain, as far as the adapter told.
    pub(super) fn payload_proven(&self) -> u64 {
        self.payload_proven
    }

    /// Bits that still fit the piece, for shifts that can be cut anywhere.
    pub(super) fn room_bits(&self) -> usize {
        self.limits.shift_bits.saturating_sub(self.shift_bits)
    }

    /// Counts, with times.
    pub(super) fn counts(&self) -> Counts {
        let seconds = match &self.port {
            Some(port) => port
                .traffic()
                .elapsed
                .saturating_sub(self.began)
                .as_secs_f64(),
            None => {
                self.counts.tck_cycles as f64 / f64::from(self.tck_hz) + self.waited.as_secs_f64()
            }
        };
        let limit_seconds = self.counts.payload_bits as f64 / f64::from(self.tck_hz);
        Counts {
            seconds,
            limit_seconds,
            ..self.counts
        }
    }

    pub(super) fn count_payload(&mut self, bits: u64) {
        self.counts.payload_bits += bits;
    }

    pub(super) fn count_compare(&mut self) {
        self.counts.compares += 1;
    }

    /// Adds an op; a full piece is submitted.
    pub(super) fn push(&mut self, op: Op) -> Result<(), Stopped> {
        let counts = &mut self.counts;
        let (mut wait, mut ahead) = (0, self.walker);
        ahead
            .walk(&op, &mut |step| match step {
                Step::Tms(path) => counts.tck_cycles += u64::from(path.len),
                Step::Shift { bits, .. } => {
                    counts.tck_cycles += bits.len() as u64;
                    counts.bits_shifted += bits.len() as u64;
                }
                Step::Hold { cycles, .. } => counts.tck_cycles += cycles,
                Step::Wait(ns) => wait = ns,
                Step::Line(..) | Step::Sense(_) => {}
            })
            .map_err(PortError::from)?;
        self.walker = ahead;
        self.waited += Duration::from_nanos(wait);
        self.shift_bits += match &op {
            Op::Shift(shift) => shift.out().len(),
            // Idle clocks and waits take the time that shifts would take.
            Op::Clocks(n) => usize::try_from(*n).unwrap_or(usize::MAX),
            Op::Wait(ns) => (u128::from(*ns) * u128::from(self.tck_hz) / 1_000_000_000) as usize,
            _ => 8,
        };
        self.ops.push(op);
        if self.shift_bits >= self.limits.shift_bits {
            self.submit()
        } else {
            Ok(())
        }
    }

    /// One whole scan.
    pub(super) fn scan(&mut self, scan: Shift, capture: Option<Slot>) -> Result<(), Stopped> {
        let scan = scan.to(TapState::RunTestIdle);
        self.push(Op::Shift(match capture {
            Some(slot) => scan.captured(slot),
            None => scan,
        }))
    }

    /// Clocks in Run-Test/Idle, cut so that a long run of them can be stopped.
    pub(super) fn clocks(&mut self, mut n: u64) -> Result<(), Stopped> {
        let most = u64::from(self.tck_hz / 50).max(4096);
        let mut run = 0;
        while n > 0 {
            let now = n.min(most);
            self.push(Op::Clocks(now))?;
            n -= now;
            run += now;
            if run >= 5 * most {
                self.ask()?;
                run = 0;
            }
        }
        Ok(())
    }

    /// An answer that nobody needs, so that what is in flight does not run far ahead of what has run: an adapter takes
    /// commands faster than they run.
    fn ask(&mut self) -> Result<(), Stopped> {
        self.submit()?;
        self.push(Op::Sense(Slot(0)))?;
        self.submit()
    }

    /// A wait, cut so that a long one can be stopped.
    pub(super) fn wait(&mut self, mut ns: u64) -> Result<(), Stopped> {
        let mut run = 0;
        while ns > 0 {
            let now = ns.min(SLICE_NS / 5);
            self.push(Op::Wait(now))?;
            ns -= now;
            run += now;
            if run >= SLICE_NS {
                self.ask()?;
                run = 0;
            }
        }
        Ok(())
    }

    /// Submits what has gathered.
    pub(super) fn submit(&mut self) -> Result<(), Stopped> {
        if self.ops.is_empty() {
            return Ok(());
        }
        if self.cancelled.is_some_and(|asked| asked()) {
            self.forget();
            return Err(Stopped::Cancelled);
        }
        let payload = self.counts.payload_bits;
        if payload > self.submitted.1.payload_bits {
            self.ops.push(Op::Sense(PROOF));
        }
        if let Some(port) = &mut self.port {
            if self.flying.len() >= IN_FLIGHT
                && let Some((oldest, payload)) = self.flying.pop_front()
            {
                let answers = port.collect(oldest)?;
                self.payload_proven = payload;
                note(&mut self.failed, answers.mismatches);
            }
            match port.submit(Piece {
                ops: std::mem::take(&mut self.ops),
            }) {
                Ok(ticket) => self.flying.push_back((ticket, payload)),
                Err(error) => {
                    self.forget();
                    return Err(error.into());
                }
            }
        }
        self.ops.clear();
        self.shift_bits = 0;
        self.submitted = (self.walker, self.counts);
        Ok(())
    }

    /// Drops what was not submitted: the TAP is where the last submitted piece leaves it.
    fn forget(&mut self) {
        self.ops.clear();
        self.shift_bits = 0;
        (self.walker, self.counts) = self.submitted;
    }

    /// Submits the rest and waits until all has run. The answers are those of the last piece; empty in a rehearsal.
    pub(super) fn finish(&mut self) -> Result<Answers, Stopped> {
        self.submit()?;
        let mut answers = Answers::default();
        if let Some(port) = &mut self.port {
            while let Some((ticket, payload)) = self.flying.pop_front() {
                answers = port.collect(ticket)?;
                self.payload_proven = payload;
                note(&mut self.failed, std::mem::take(&mut answers.mismatches));
            }
        }
        Ok(answers)
    }

    /// What has failed since the last call; to be asked after [`Runner::finish`].
    pub(super) fn compare_failed(&mut self) -> Option<Failed> {
        let failed = self.failed.take();
        let more = u64::from(failed.is_some());
        self.counts.mismatches += more;
        self.submitted.1.mismatches += more;
        failed
    }

    /// After a stop: nothing more is asked of the user, and a scan that is open is ended through Update with ones behind
    /// what was sent.
    pub(super) fn close(&mut self) -> Result<(), Stopped> {
        self.cancelled = None;
        self.forget();
        if self.walker.is_open() {
            let rest = match self.walker.state() {
                TapState::ShiftIr => Shift::ir(Instructions::bypass(1)),
                _ => Shift::dr(Bits::ones(1)),
            };
            self.scan(rest, None)?;
        }
        self.finish().map(drop)
    }
}
