//! Scan programs straight onto clocks: no adapter, no USB.

use std::collections::VecDeque;
use std::time::Duration;

use crate::bits::Bits;
use crate::tap::{
    Answers, Clocks, Level, Line, Piece, Port, PortError, Step, TapState, Ticket, Traffic, Walker,
};

/// Cycles gathered before they are handed to [`Clocks::clock`].
const BATCH_CYCLES: usize = 1 << 16;

/// A [`Port`] over [`Clocks`]: a simulated bench without an adapter, or a TAP socket.
///
/// A piece runs when it is submitted. Time is counted, not measured: cycles at the rate set
/// (1 MHz until then) and the waits asked for.
pub struct Lowered<C> {
    clocks: C,
    walker: Walker,
    tck_hz: u32,
    traffic: Traffic,
    /// Cycles of the present rate, not yet in `traffic.elapsed`.
    cycles_at_rate: u64,
    lines_set: Vec<Line>,
    next_ticket: u64,
    done: VecDeque<(Ticket, Answers)>,
    failed: Option<PortError>,
}

impl<C: Clocks> Lowered<C> {
    /// A port onto `clocks`, whose TAP state is not known yet.
    pub fn new(clocks: C) -> Self {
        Lowered {
            clocks,
            walker: Walker::new(),
            tck_hz: 1_000_000,
            traffic: Traffic::default(),
            cycles_at_rate: 0,
            lines_set: Vec::new(),
            next_ticket: 0,
            done: VecDeque::new(),
            failed: None,
        }
    }

    /// What it runs on.
    pub fn clocks(&self) -> &C {
        &self.clocks
    }

    /// What it runs on, to be changed between pieces.
    pub fn clocks_mut(&mut self) -> &mut C {
        &mut self.clocks
    }

    /// Gives back what it ran on.
    pub fn into_clocks(self) -> C {
        self.clocks
    }

    fn run(&mut self, steps: &[StepFrom]) -> Result<Vec<Bits>, PortError> {
        let mut batch = Batch::default();
        for &(_, step) in steps {
            match step {
                Step::Tms(path) => {
                    batch.tms.push_u64(path.bits.into(), path.len.into());
                    batch.tdi.push_run(true, path.len.into());
                }
                Step::Shift { bits, last, read } => {
                    self.traffic.shift_bits += bits.len() as u64;
                    if read {
                        batch.answers.push(Bits::with_capacity(bits.len()));
                    }
                    let mut from = 0;
                    while from < bits.len() {
                        let n = (bits.len() - from).min(BATCH_CYCLES);
                        let ends = last && from + n == bits.len();
                        if read {
                            let answer = batch.answers.len() - 1;
                            batch.wanted.push((batch.tms.len(), n, answer));
                        }
                        batch.tms.push_run(false, n - usize::from(ends));
                        batch.tms.push_run(true, usize::from(ends));
                        if n == bits.len() {
                            batch.tdi.append(bits);
                        } else {
                            batch.tdi.append(&bits.slice(from, n));
                        }
                        from += n;
                        self.flush_full(&mut batch)?;
                    }
                }
                Step::Hold { tms, mut cycles } => {
                    while cycles > 0 {
                        let n = cycles.min(BATCH_CYCLES as u64);
                        batch.tms.push_run(tms, n as usize);
                        batch.tdi.push_run(true, n as usize);
                        cycles -= n;
                        self.flush_full(&mut batch)?;
                    }
                }
                Step::Wait(ns) => {
                    self.flush(&mut batch)?;
                    self.clocks.pass(ns)?;
                    self.traffic.elapsed += Duration::from_nanos(ns);
                }
                Step::Line(line, level) => {
                    self.flush(&mut batch)?;
                    self.clocks.line(line, level)?;
                    if !self.lines_set.contains(&line) {
                        self.lines_set.push(line);
                    }
                }
                Step::Sense(_) => {
                    self.flush(&mut batch)?;
                    let levels = self.clocks.sense()?;
                    batch.answers.push(Bits::from_u64(levels.into(), 8));
                }
            }
            self.flush_full(&mut batch)?;
        }
        self.flush(&mut batch)?;
        Ok(batch.answers)
    }

    fn flush_full(&mut self, batch: &mut Batch) -> Result<(), PortError> {
        if batch.tms.len() >= BATCH_CYCLES {
            self.flush(batch)?;
        }
        Ok(())
    }

    fn flush(&mut self, batch: &mut Batch) -> Result<(), PortError> {
        if batch.tms.is_empty() {
            return Ok(());
        }
        let cycles = batch.tms.len();
        let tdo = self.clocks.clock(&batch.tms, &batch.tdi)?;
        if tdo.len() != cycles {
            return Err(PortError::OutOfStep {
                what: "the TAP".to_owned(),
                expected: format!("{cycles} bits of TDO"),
                found: format!("{} bits", tdo.len()),
            });
        }
        self.traffic.tck_cycles += cycles as u64;
        self.cycles_at_rate += cycles as u64;
        for (from, n, answer) in batch.wanted.drain(..) {
            batch.answers[answer].append(&tdo.slice(from, n));
        }
        batch.tms = Bits::new();
        batch.tdi = Bits::new();
        Ok(())
    }

    fn check(&self) -> Result<(), PortError> {
        self.failed.clone().map_or(Ok(()), Err)
    }
}

/// Cycles on their way, and where their answers go.
#[derive(Default)]
struct Batch {
    tms: Bits,
    tdi: Bits,
    /// First cycle in the batch, number of cycles, index of the answer.
    wanted: Vec<(usize, usize, usize)>,
    answers: Vec<Bits>,
}

/// `cycles` of TCK at `hz` as time, rounded down to a nanosecond.
pub(super) fn cycles_time(cycles: u64, hz: u32) -> Duration {
    let hz = u64::from(hz.max(1));
    let rest = u128::from(cycles % hz) * 1_000_000_000 / u128::from(hz);
    Duration::from_secs(cycles / hz) + Duration::from_nanos(rest as u64)
}

/// A step and the TAP's state when it begins.
pub(super) type StepFrom<'a> = (TapState, Step<'a>);

/// The steps of a piece from the state of `walker`, which moves on only if the whole piece can
/// be run.
pub(super) fn steps_of<'a>(
    walker: &mut Walker,
    piece: &'a Piece,
) -> Result<Vec<StepFrom<'a>>, PortError> {
    let mut ahead = *walker;
    let mut steps = Vec::with_capacity(piece.ops.len() * 2);
    for op in &piece.ops {
        let mut state = ahead.state();
        ahead.walk(op, &mut |step| {
            // The first step of a shift may be its way into Shift, so that the rest starts there.
            steps.push((state, step));
            state = match step {
                Step::Tms(path) => state.after(path),
                Step::Shift { last: true, .. } => state.next(true),
                _ => state,
            };
        })?;
    }
    *walker = ahead;
    Ok(steps)
}

impl<C: Clocks> Port for Lowered<C> {
    fn submit(&mut self, piece: Piece) -> Result<Ticket, PortError> {
        self.check()?;
        let steps = steps_of(&mut self.walker, &piece)?;
        let raw = self
            .run(&steps)
            .inspect_err(|e| self.failed = Some(e.clone()))?;
        let ticket = Ticket(self.next_ticket);
        self.next_ticket += 1;
        self.done
            .push_back((ticket, piece.expectations().answer(raw)));
        Ok(ticket)
    }

    fn collect(&mut self, ticket: Ticket) -> Result<Answers, PortError> {
        self.check()?;
        match self.done.iter().position(|(t, _)| *t == ticket) {
            Some(at) => Ok(self.done.remove(at).expect("a position just found").1),
            None => Err(unknown_ticket(ticket)),
        }
    }

    fn set_tck_hz(&mut self, hz: u32) -> Result<u32, PortError> {
        if hz == 0 {
            return Err(PortError::Unsupported {
                what: "the TAP".to_owned(),
                wish: "run TCK at 0 Hz".to_owned(),
            });
        }
        self.traffic.elapsed += cycles_time(self.cycles_at_rate, self.tck_hz);
        self.cycles_at_rate = 0;
        self.tck_hz = hz;
        self.clocks.tck_hz(hz);
        Ok(hz)
    }

    fn release(&mut self) -> Result<(), PortError> {
        for line in std::mem::take(&mut self.lines_set) {
            self.clocks.line(line, Level::Released)?;
        }
        Ok(())
    }

    fn traffic(&self) -> Traffic {
        Traffic {
            elapsed: self.traffic.elapsed + cycles_time(self.cycles_at_rate, self.tck_hz),
            ..self.traffic
        }
    }
}

/// A ticket that this port did not give out or that was collected before: a defect of the
/// caller.
pub(super) fn unknown_ticket(ticket: Ticket) -> PortError {
    PortError::Other {
        what: format!("piece {}", ticket.0),
        said: "it is not in flight: never submitted here, or collected before".to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::super::testing::Chain;
    use super::*;
    use crate::tap::{Instructions, Op, PieceLimits, ProgramError, ScanProgram, TapState};

    fn piece(program: ScanProgram) -> Piece {
        Piece {
            ops: program.ops().to_vec(),
        }
    }

    #[test]
    fn a_chain_answers_its_idcodes_after_reset() {
        let mut port = Lowered::new(Chain::new(&[(4, 0x1234_5041), (5, 0x0abc_d0a7)]));
        let mut program = ScanProgram::new();
        program.reset();
        let slot = program.scan_dr_captured(Bits::ones(70), TapState::RunTestIdle);
        let ticket = port.submit(piece(program)).unwrap();
        let answers = port.collect(ticket).unwrap();
        let seen = answers.bits(slot);
        // The device nearest TDO is the last one of the list and comes out first.
        assert_eq!(seen.get_u64(0, 32), 0x0abc_d0a7);
        assert_eq!(seen.get_u64(32, 32), 0x1234_5041);
        assert!(seen.slice(64, 6).all(true), "then what was shifted in");
        // 5 clocks of reset, 4 to Shift-DR, 70 bits, 2 to Run-Test/Idle.
        assert_eq!(port.traffic().tck_cycles, 5 + 4 + 70 + 2);
        assert_eq!(port.traffic().shift_bits, 70);
        assert_eq!(port.traffic().elapsed, Duration::from_micros(81));
        assert!(port.collect(ticket).is_err(), "collected once only");
    }

    #[test]
    fn shifts_longer_than_a_batch_come_back_whole() {
        let mut port = Lowered::new(Chain::new(&[(4, 1)]));
        let pattern: Bits = (0..BATCH_CYCLES * 2 + 77).map(|i| i % 7 < 3).collect();
        let mut program = ScanProgram::new();
        program.reset();
        program.scan_ir(Instructions::bypass(4), TapState::RunTestIdle);
        let slot = program.scan_dr_captured(pattern.clone(), TapState::RunTestIdle);
        let mut answers = Answers::default();
        for piece in program.pieces(PieceLimits::at(100_000_000)) {
            let ticket = port.submit(piece).unwrap();
            answers.join(port.collect(ticket).unwrap());
        }
        let seen = answers.bits(slot);
        assert_eq!(seen.len(), pattern.len());
        assert!(!seen.get(0), "BYPASS captures 0");
        assert_eq!(
            seen.slice(1, seen.len() - 1),
            pattern.slice(0, seen.len() - 1)
        );
    }

    #[test]
    fn a_piece_that_cannot_follow_runs_nothing_of_itself() {
        let mut port = Lowered::new(Chain::new(&[(4, 1)]));
        let bad = Piece {
            ops: vec![Op::Go(TapState::UpdateDr), Op::Clocks(3)],
        };
        let error = port.submit(bad).unwrap_err();
        assert_eq!(
            error,
            PortError::Program(ProgramError::NotHeld(TapState::UpdateDr))
        );
        assert_eq!(port.traffic().tck_cycles, 0);
        let good = Piece {
            ops: vec![Op::Go(TapState::RunTestIdle)],
        };
        assert!(port.submit(good).is_ok());
    }

    #[test]
    fn release_releases_the_lines_that_were_set() {
        let mut port = Lowered::new(Chain::new(&[(4, 1)]));
        let mut program = ScanProgram::new();
        program.line(Line::Trst, Level::Low);
        program.line(Line::Spare(2), Level::High);
        let levels = program.sense();
        let ticket = port.submit(piece(program)).unwrap();
        let answers = port.collect(ticket).unwrap();
        // The chain's undriven spare lines read 1; bit 2 is driven to 1, and TRST is not spare.
        assert_eq!(answers.bits(levels).get_u64(0, 8), 0xff);
        assert_eq!(port.clocks().lines[&Line::Trst], Level::Low);
        port.release().unwrap();
        assert!(
            port.clocks()
                .lines
                .values()
                .all(|level| *level == Level::Released)
        );
    }
}
