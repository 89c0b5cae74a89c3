//! A trace of what a port clocks, as a value-change dump (IEEE Std 1364, clause not checked).

use std::collections::{HashMap, VecDeque};
use std::io::{self, Write};

use vcd::{IdCode, TimescaleUnit, Value};

use crate::bits::Bits;
use crate::tap::{
    Answers, Level, Line, Op, Piece, Port, PortError, Slot, Step, TapState, Ticket, Traffic, Walker,
};

use super::lowered::{steps_of, unknown_ticket};

/// A [`Port`] that writes everything that runs through it as a value-change dump.
///
/// Signals: TCK, TMS, TDI, TDO, TRST, SYSTEM_RESET, SPARE0 to SPARE7. Times are in ns from the
/// rate of TCK: a cycle begins with the falling edge, on which TMS, TDI and TDO change, and has
/// its rising edge in its middle. TDO is `z` outside Shift, and `x` in Shift where the program
/// did not ask for it: tracing changes nothing of what goes over the wire. Released side lines
/// are `z`. Waits pass without clocks here, also where the adapter fills them with clocks.
///
/// A piece is written when it is collected. The dump is complete after [`Trace::finish`], and
/// is finished when the trace is dropped.
pub struct Trace<P, W: Write> {
    port: P,
    walker: Walker,
    dump: Dump<W>,
    flight: VecDeque<Flight>,
}

/// A piece whose answers are awaited.
struct Flight {
    ticket: Ticket,
    piece: Piece,
    began: Walker,
    /// Slots that were added to see the answers of mere compares.
    added: Vec<Slot>,
    answers: Option<Answers>,
}

impl<P: Port, W: Write> Trace<P, W> {
    /// Writes the head of the dump to `out`; TCK is taken to run at `tck_hz` until the rate is
    /// set.
    ///
    /// # Errors
    /// `out` cannot be written.
    pub fn new(port: P, tck_hz: u32, out: W) -> io::Result<Trace<P, W>> {
        Ok(Trace {
            port,
            walker: Walker::new(),
            dump: Dump::new(tck_hz, out)?,
            flight: VecDeque::new(),
        })
    }

    /// The port below.
    pub fn port(&self) -> &P {
        &self.port
    }

    /// Writes what is left: pieces that were not collected have no known TDO.
    ///
    /// # Errors
    /// The dump cannot be written.
    pub fn finish(&mut self) -> io::Result<()> {
        while let Some(first) = self.flight.pop_front() {
            self.dump
                .piece(&first, &first.answers.clone().unwrap_or_default())?;
        }
        self.dump.end()
    }

    /// Writes the pieces at the front whose answers are there.
    fn write_landed(&mut self) -> Result<(), PortError> {
        while self.flight.front().is_some_and(|f| f.answers.is_some()) {
            let first = self.flight.pop_front().expect("looked at just now");
            let answers = first.answers.as_ref().expect("looked at just now");
            self.dump.piece(&first, answers).map_err(no_trace)?;
        }
        Ok(())
    }
}

fn no_trace(e: io::Error) -> PortError {
    PortError::Other {
        what: "the trace file".to_owned(),
        said: e.to_string(),
    }
}

/// The piece with a slot on each shift that is only compared.
fn with_slots(mut piece: Piece) -> (Piece, Vec<Slot>) {
    let slot_of = |op: &Op| match op {
        Op::Shift(shift) => shift.capture(),
        Op::Sense(slot) => Some(*slot),
        _ => None,
    };
    let mut next = piece
        .ops
        .iter()
        .filter_map(slot_of)
        .map(|s| s.0 + 1)
        .max()
        .unwrap_or(0);
    let mut added = Vec::new();
    for op in &mut piece.ops {
        if let Op::Shift(shift) = op
            && shift.compare().is_some()
            && shift.capture().is_none()
        {
            shift.capture_in(Slot(next));
            added.push(Slot(next));
            next += 1;
        }
    }
    (piece, added)
}

impl<P: Port, W: Write> Port for Trace<P, W> {
    fn submit(&mut self, piece: Piece) -> Result<Ticket, PortError> {
        let began = self.walker;
        let mut walker = began;
        steps_of(&mut walker, &piece)?;
        let (piece, added) = with_slots(piece);
        let ticket = self.port.submit(piece.clone())?;
        self.walker = walker;
        self.flight.push_back(Flight {
            ticket,
            piece,
            began,
            added,
            answers: None,
        });
        Ok(ticket)
    }

    fn collect(&mut self, ticket: Ticket) -> Result<Answers, PortError> {
        let Some(at) = self.flight.iter().position(|f| f.ticket == ticket) else {
            return Err(unknown_ticket(ticket));
        };
        let answers = self.port.collect(ticket)?;
        self.flight[at].answers = Some(answers.clone());
        let added = self.flight[at].added.clone();
        self.write_landed()?;
        let mut answers = answers;
        for slot in added {
            answers.take(slot);
        }
        Ok(answers)
    }

    fn set_tck_hz(&mut self, hz: u32) -> Result<u32, PortError> {
        let hz = self.port.set_tck_hz(hz)?;
        self.dump.rate(hz);
        Ok(hz)
    }

    fn release(&mut self) -> Result<(), PortError> {
        let released = self.port.release();
        self.finish().map_err(no_trace)?;
        released
    }

    /// The clocks of a rescue are not in the trace: it ends with the failure.
    fn rescue(&mut self) -> Result<(), PortError> {
        self.port.rescue()
    }

    fn traffic(&self) -> Traffic {
        self.port.traffic()
    }
}

impl<P, W: Write> Drop for Trace<P, W> {
    fn drop(&mut self) {
        for flight in std::mem::take(&mut self.flight) {
            let answers = flight.answers.clone().unwrap_or_default();
            // Nobody is left to be told that the disk is full.
            let _ = self.dump.piece(&flight, &answers);
        }
        let _ = self.dump.end();
    }
}

/// The signals, in the order of their declaration.
#[derive(Clone, Copy)]
enum Signal {
    Tck,
    Tms,
    Tdi,
    Tdo,
    Trst,
    SystemReset,
    Spare(u8),
}

const SIGNALS: usize = 14;

impl Signal {
    fn index(self) -> usize {
        match self {
            Signal::Tck => 0,
            Signal::Tms => 1,
            Signal::Tdi => 2,
            Signal::Tdo => 3,
            Signal::Trst => 4,
            Signal::SystemReset => 5,
            Signal::Spare(k) => 6 + usize::from(k.min(7)),
        }
    }
}

/// The writer, and the state of every signal.
struct Dump<W: Write> {
    vcd: vcd::Writer<W>,
    ids: [IdCode; SIGNALS],
    now: [Value; SIGNALS],
    tck_hz: u32,
    /// Picoseconds up to the last change of rate or wait, and cycles since.
    base_ps: u128,
    cycles: u64,
    stamped: Option<u64>,
}

impl<W: Write> Dump<W> {
    fn new(tck_hz: u32, out: W) -> io::Result<Dump<W>> {
        let mut vcd = vcd::Writer::new(out);
        vcd.comment("bits of TDO that the program did not ask for are x")?;
        vcd.timescale(1, TimescaleUnit::NS)?;
        vcd.add_module("tap")?;
        let mut ids = Vec::with_capacity(SIGNALS);
        for name in ["TCK", "TMS", "TDI", "TDO", "TRST", "SYSTEM_RESET"] {
            ids.push(vcd.add_wire(1, name)?);
        }
        for k in 0..8 {
            ids.push(vcd.add_wire(1, &format!("SPARE{k}"))?);
        }
        vcd.upscope()?;
        vcd.enddefinitions()?;
        let mut now = [Value::Z; SIGNALS];
        now[Signal::Tck.index()] = Value::V0;
        now[Signal::Tms.index()] = Value::V1;
        now[Signal::Tdi.index()] = Value::X;
        vcd.timestamp(0)?;
        vcd.begin(vcd::SimulationCommand::Dumpvars)?;
        for (id, value) in ids.iter().zip(now) {
            vcd.change_scalar(*id, value)?;
        }
        vcd.end()?;
        Ok(Dump {
            vcd,
            ids: ids.try_into().expect("one code for each signal"),
            now,
            tck_hz: tck_hz.max(1),
            base_ps: 0,
            cycles: 0,
            stamped: Some(0),
        })
    }

    fn ps(&self, half_cycles: u64) -> u128 {
        self.base_ps + u128::from(half_cycles) * 500_000_000_000 / u128::from(self.tck_hz)
    }

    fn rebase(&mut self) {
        self.base_ps = self.ps(self.cycles * 2);
        self.cycles = 0;
    }

    fn rate(&mut self, hz: u32) {
        self.rebase();
        self.tck_hz = hz.max(1);
    }

    fn set(&mut self, signal: Signal, value: Value, ps: u128) -> io::Result<()> {
        let i = signal.index();
        if self.now[i] == value {
            return Ok(());
        }
        let ns = (ps / 1000) as u64;
        if self.stamped != Some(ns) {
            self.vcd.timestamp(ns)?;
            self.stamped = Some(ns);
        }
        self.now[i] = value;
        self.vcd.change_scalar(self.ids[i], value)
    }

    fn cycle(&mut self, tms: bool, tdi: Value, tdo: Value) -> io::Result<()> {
        let begins = self.ps(self.cycles * 2);
        self.set(Signal::Tck, Value::V0, begins)?;
        self.set(Signal::Tms, tms.into(), begins)?;
        self.set(Signal::Tdi, tdi, begins)?;
        self.set(Signal::Tdo, tdo, begins)?;
        let rises = self.ps(self.cycles * 2 + 1);
        self.set(Signal::Tck, Value::V1, rises)?;
        self.cycles += 1;
        Ok(())
    }

    /// TCK comes to rest; `state` is the TAP's.
    fn rest(&mut self, state: TapState) -> io::Result<()> {
        let at = self.ps(self.cycles * 2);
        self.set(Signal::Tck, Value::V0, at)?;
        if !shifts(state) {
            self.set(Signal::Tdo, Value::Z, at)?;
        }
        Ok(())
    }

    fn piece(&mut self, flight: &Flight, answers: &Answers) -> io::Result<()> {
        let mut walker = flight.began;
        let steps = steps_of(&mut walker, &flight.piece).expect("walked when it was submitted");
        let mut shifts_read = flight.piece.ops.iter().filter_map(|op| match op {
            Op::Shift(shift) => Some(shift.capture()),
            _ => None,
        });
        let mut used: HashMap<Slot, usize> = HashMap::new();
        for (state, step) in steps {
            match step {
                Step::Tms(path) => {
                    let mut at = state;
                    for tms in path.iter() {
                        self.cycle(tms, Value::X, outside(at))?;
                        at = at.next(tms);
                    }
                }
                Step::Hold { tms, cycles } => {
                    for _ in 0..cycles {
                        self.cycle(tms, Value::V1, outside(state))?;
                    }
                }
                Step::Shift { bits, last, .. } => {
                    let slot = shifts_read.next().flatten();
                    let from = slot.map_or(0, |s| *used.entry(s).or_default());
                    let seen = slot.and_then(|s| answers.get(s));
                    self.shift(bits, last, seen, from)?;
                    if let Some(slot) = slot {
                        *used.entry(slot).or_default() += bits.len();
                    }
                }
                Step::Wait(ns) => {
                    self.rest(state)?;
                    self.rebase();
                    self.base_ps += u128::from(ns) * 1000;
                }
                Step::Line(line, level) => {
                    self.rest(state)?;
                    let value = match level {
                        Level::Low => Value::V0,
                        Level::High => Value::V1,
                        Level::Released => Value::Z,
                    };
                    let signal = match line {
                        Line::Trst => Signal::Trst,
                        Line::SystemReset => Signal::SystemReset,
                        Line::Spare(k) => Signal::Spare(k),
                    };
                    self.set(signal, value, self.ps(self.cycles * 2))?;
                }
                Step::Sense(_) => self.rest(state)?,
            }
        }
        self.rest(walker.state())
    }

    fn shift(
        &mut self,
        bits: &Bits,
        last: bool,
        seen: Option<&Bits>,
        from: usize,
    ) -> io::Result<()> {
        for i in 0..bits.len() {
            let tdo = match seen {
                Some(seen) if from + i < seen.len() => seen.get(from + i).into(),
                _ => Value::X,
            };
            let tms = last && i + 1 == bits.len();
            self.cycle(tms, bits.get(i).into(), tdo)?;
        }
        Ok(())
    }

    fn end(&mut self) -> io::Result<()> {
        let end = (self.ps(self.cycles * 2) / 1000) as u64;
        if self.stamped.is_none_or(|at| at < end) {
            self.vcd.timestamp(end)?;
            self.stamped = Some(end);
        }
        self.vcd.flush()
    }
}

fn shifts(state: TapState) -> bool {
    matches!(state, TapState::ShiftDr | TapState::ShiftIr)
}

/// TDO in a clock that is no shift of the program.
fn outside(state: TapState) -> Value {
    if shifts(state) { Value::X } else { Value::Z }
}

#[cfg(test)]
mod tests {
    use super::super::Lowered;
    use super::super::testing::Chain;
    use super::*;
    use crate::tap::{Compare, Instructions, ScanProgram, Shift};

    fn text(run: impl FnOnce(&mut Trace<Lowered<Chain>, &mut Vec<u8>>)) -> String {
        let mut out = Vec::new();
        let port = Lowered::new(Chain::new(&[(4, 1)]));
        let mut trace = Trace::new(port, 1_000_000, &mut out).unwrap();
        run(&mut trace);
        drop(trace);
        String::from_utf8(out).unwrap()
    }

    fn piece(program: &ScanProgram) -> Piece {
        Piece {
            ops: program.ops().to_vec(),
        }
    }

    /// The levels of TMS, TDI and TDO at each rising edge of TCK with its time, as the reader of
    /// the crate finds them.
    fn edges(text: &str) -> Vec<(u64, String)> {
        let mut parser = vcd::Parser::new(text.as_bytes());
        let header = parser.parse_header().unwrap();
        let id = |name: &str| header.find_var(&["tap", name]).unwrap().code;
        let (tck, others) = (id("TCK"), ["TMS", "TDI", "TDO"].map(id));
        let mut now = HashMap::new();
        let mut time = 0;
        let mut edges = Vec::new();
        for command in parser {
            match command.unwrap() {
                vcd::Command::Timestamp(t) => {
                    assert!(t >= time, "time goes on");
                    time = t;
                }
                vcd::Command::ChangeScalar(id, value) => {
                    now.insert(id, value);
                    if id == tck && value == Value::V1 {
                        let levels: String = others.iter().map(|o| now[o].to_string()).collect();
                        edges.push((time, levels));
                    }
                }
                _ => {}
            }
        }
        edges
    }

    #[test]
    fn a_short_program_in_full() {
        let text = text(|trace| {
            trace.set_tck_hz(5_000_000).unwrap();
            let mut program = ScanProgram::new();
            program.reset();
            let instruction = Instructions::of(Bits::from_u64(0b1011, 4));
            program.scan_ir_captured(instruction, TapState::RunTestIdle);
            let ticket = trace.submit(piece(&program)).unwrap();
            let answers = trace.collect(ticket).unwrap();
            assert_eq!(answers.bits(Slot(0)).get_u64(0, 4), 0b0001);
        });
        let edges = edges(&text);
        // Period 200 ns: rising edges at 100, 300, ... Five of reset, 01100 to Shift-IR, four
        // bits with the capture 1000 on TDO, two to Run-Test/Idle.
        let times: Vec<u64> = edges.iter().map(|e| e.0).collect();
        let expected: Vec<u64> = (0..16).map(|i| 100 + 200 * i).collect();
        assert_eq!(times, expected);
        let levels: Vec<&str> = edges.iter().map(|e| e.1.as_str()).collect();
        assert_eq!(
            levels,
            [
                "1xz", "1xz", "1xz", "1xz", "1xz", "0xz", "1xz", "1xz", "0xz", "0xz", "011", "010",
                "000", "110", "1xz", "0xz"
            ]
        );
        assert!(text.contains("$timescale 1 ns $end"));
        assert!(text.trim_end().ends_with("#3200\n0!"), "{text}");
    }

    #[test]
    fn waits_lines_and_unread_shifts() {
        let text = text(|trace| {
            let mut program = ScanProgram::new();
            program.reset();
            program.line(Line::Trst, Level::Low);
            program.wait_ns(3_000);
            program.line(Line::Trst, Level::Released);
            program.line(Line::Spare(3), Level::High);
            program.scan_dr(Bits::from_u64(0b01, 2), TapState::RunTestIdle);
            let ticket = trace.submit(piece(&program)).unwrap();
            trace.collect(ticket).unwrap();
        });
        // 1 MHz: five cycles end at 5 µs, then TRST is low for 3 µs.
        assert!(text.contains("#5000\n0!\n0%\n"), "{text}");
        assert!(text.contains("#8000\nz%\n1*\n"), "{text}");
        let edges = edges(&text);
        assert_eq!(edges[5].0, 8500);
        let levels: Vec<&str> = edges[9..].iter().map(|e| e.1.as_str()).collect();
        assert_eq!(levels, ["01x", "10x", "1xz", "0xz"]);
    }

    #[test]
    fn compares_show_their_tdo_and_answers_stay_as_they_are() {
        let shift = |bits: u64, capture| {
            let shift = Shift::ir(Instructions::bypass(4)).to(TapState::RunTestIdle);
            let shift = shift.compared(Compare {
                expected: Bits::from_u64(bits, 4),
                mask: Bits::ones(4),
                tag: bits,
                offset: 0,
            });
            Op::Shift(match capture {
                Some(slot) => shift.captured(slot),
                None => shift,
            })
        };
        let piece = Piece {
            ops: vec![
                Op::Reset,
                shift(1, None),
                shift(9, Some(Slot(0))),
                shift(1, None),
            ],
        };
        let mut plain = Lowered::new(Chain::new(&[(4, 1)]));
        let ticket = plain.submit(piece.clone()).unwrap();
        let expected = plain.collect(ticket).unwrap();
        let text = text(|trace| {
            let ticket = trace.submit(piece).unwrap();
            assert_eq!(trace.collect(ticket).unwrap(), expected);
        });
        let shown: String = edges(&text)
            .iter()
            .filter_map(|(_, levels)| levels.chars().nth(2).filter(|&c| c != 'z'))
            .collect();
        assert_eq!(shown, "100010001000");
    }

    #[test]
    fn what_was_not_collected_is_written_all_the_same() {
        let text = text(|trace| {
            let mut program = ScanProgram::new();
            program.reset();
            program.scan_ir_captured(Instructions::bypass(4), TapState::RunTestIdle);
            trace.submit(piece(&program)).unwrap();
        });
        assert_eq!(edges(&text).len(), 16);
        assert_eq!(edges(&text)[10].1, "01x");
    }
}
