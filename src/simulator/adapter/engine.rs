//! The serial engine: executes commands from the OUT FIFO in virtual time.

use crate::bits::Bits;
use crate::tap::{Clocks, PortError};

use super::chip::EmulatedChip;
use super::commands::{Command, ShiftKind};
use super::pins::{GPIOL1, TCK, TDI, TMS};
use super::time::{BASE_12_MHZ, BASE_60_MHZ, TICKS_PER_US, Ticks, from_ns, to_ns};

/// The most cycles handed to the bench at once.
const STRETCH: u64 = 1 << 16;
/// How often a wait for a line looks at it, in ticks.
const LOOK: Ticks = TICKS_PER_US;

/// What the engine is in the middle of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Doing {
    /// Nothing: the next byte is an opcode.
    Ready,
    /// A byte shift with so many bytes to go.
    Bytes(ShiftKind, usize),
    /// Clocks without data, so many to go (none: no end), ended early by this level of GPIOL1.
    Clocks(Option<u64>, Option<bool>),
    /// Waiting for this level of GPIOL1.
    Line(bool),
}

/// The engine's registers.
#[derive(Debug)]
pub(super) struct Engine {
    pub(super) doing: Doing,
    /// Everything up to here is done.
    pub(super) at: Ticks,
    pub(super) divisor: u16,
    pub(super) divide_by_5: bool,
    pub(super) three_phase: bool,
    pub(super) adaptive: bool,
    pub(super) loopback: bool,
    /// The input shift register: what is left in it shows in answers of fewer than 8 bits.
    input: u8,
    /// Up to here the bench has been told of time.
    bench_at: Ticks,
}

impl Engine {
    pub(super) fn new() -> Engine {
        Engine {
            doing: Doing::Ready,
            at: 0,
            divisor: 0,
            divide_by_5: true,
            three_phase: false,
            adaptive: false,
            loopback: false,
            input: 0,
            bench_at: 0,
        }
    }

    /// The engine as a change of mode leaves it.
    pub(super) fn restarted(&self) -> Engine {
        Engine {
            at: self.at,
            bench_at: self.bench_at,
            ..Engine::new()
        }
    }
}

/// What the engine could do next.
enum Next {
    /// Nothing until bytes come or go.
    Blocked,
    /// Something that is done after so many ticks for each of at most `units`.
    Work { unit: Ticks, units: u64 },
}

impl<C: Clocks> EmulatedChip<C> {
    /// Ticks of one period of TCK.
    fn period(&self) -> Ticks {
        if self.bangs() {
            return 2 * self.byte_ticks();
        }
        let base = if self.model.fast && !self.engine.divide_by_5 {
            BASE_60_MHZ
        } else {
            BASE_12_MHZ
        };
        let period = 2 * (1 + Ticks::from(self.engine.divisor)) * base;
        if self.engine.three_phase {
            period * 3 / 2
        } else {
            period
        }
    }

    pub(super) fn tell_rate(&mut self) {
        let hz = TICKS_PER_US * 1_000_000 / self.period();
        self.clocks.tck_hz(hz as u32);
    }

    fn gap(&self) -> Ticks {
        from_ns(self.timing.gap_ns)
    }

    /// Executes everything that is done by `until`.
    pub(super) fn execute(&mut self, until: Ticks) -> Result<(), PortError> {
        loop {
            match self.next() {
                Next::Blocked => {
                    self.engine.at = self.engine.at.max(until);
                    return Ok(());
                }
                Next::Work { unit, units } => {
                    let time = until.saturating_sub(self.engine.at);
                    let units = units.min(time / unit.max(1));
                    if units == 0 && unit > time {
                        return Ok(());
                    }
                    self.work(units.max(1), unit)?;
                }
            }
        }
    }

    /// The moment at which the engine will have done something that matters outside: filled an
    /// IN packet, made `room` in the OUT FIFO, come to the end of a command. `None` while it is
    /// blocked.
    pub(super) fn due(&self, room: usize) -> Option<Ticks> {
        match self.next() {
            Next::Blocked => None,
            Next::Work { unit, units } => {
                let mut units = units.max(1);
                if let Doing::Bytes(kind, _) = self.engine.doing {
                    let payload = self.model.packet_bytes - 2;
                    if kind.read && self.in_fifo.len() < payload {
                        units = units.min((payload - self.in_fifo.len()) as u64);
                    }
                    let free = self.model.out_fifo - self.out_fifo.len();
                    if kind.write && free < room {
                        units = units.min((room - free) as u64);
                    }
                }
                Some(self.engine.at + unit * units)
            }
        }
    }

    /// The command that the next byte is.
    fn command(&self) -> Option<Command> {
        let code = *self.out_fifo.front()?;
        let m = &self.model;
        Some(Command::of(code, m.fast, m.open_drain, m.high_lines))
    }

    fn next(&self) -> Next {
        let room = self.model.in_fifo - self.in_fifo.len();
        match self.engine.doing {
            Doing::Ready => {
                let Some(command) = self.command() else {
                    return Next::Blocked;
                };
                if self.out_fifo.len() < command.head() || room < command.answers() {
                    return Next::Blocked;
                }
                let clocks = match command {
                    Command::Bits(_) | Command::Tms(_) | Command::ClockBits => {
                        u64::from(self.out_fifo[1] & 7) + 1
                    }
                    _ => 0,
                };
                // A byte shift or a run of clocks has its gap at its end.
                let gap = match command {
                    Command::Bytes(_)
                    | Command::ClockBytes
                    | Command::ClockBytesUntil(_)
                    | Command::ClockUntil(_)
                    | Command::WaitLine(_) => 0,
                    _ => self.gap(),
                };
                Next::Work {
                    unit: clocks * self.period() + gap,
                    units: 1,
                }
            }
            Doing::Bytes(_, 0) | Doing::Clocks(Some(0), _) => Next::Work {
                unit: self.gap(),
                units: 1,
            },
            Doing::Bytes(kind, left) => {
                let mut units = left;
                if kind.write {
                    units = units.min(self.out_fifo.len());
                }
                if kind.read {
                    units = units.min(room);
                }
                if units == 0 {
                    return Next::Blocked;
                }
                Next::Work {
                    unit: 8 * self.period(),
                    units: (units as u64).min(STRETCH / 8),
                }
            }
            Doing::Clocks(left, None) => Next::Work {
                unit: self.period(),
                units: left.unwrap_or(STRETCH).min(STRETCH),
            },
            Doing::Clocks(_, Some(_)) => Next::Work {
                unit: self.period(),
                units: 1,
            },
            Doing::Line(_) => Next::Work {
                unit: LOOK,
                units: 1,
            },
        }
    }

    /// Does `units` of what [`Self::next`] named, each `unit` ticks long.
    fn work(&mut self, units: u64, unit: Ticks) -> Result<(), PortError> {
        match self.engine.doing {
            Doing::Ready => self.begin()?,
            Doing::Bytes(_, 0) | Doing::Clocks(Some(0), _) => self.engine.doing = Doing::Ready,
            Doing::Bytes(kind, left) => {
                self.shift_bytes(kind, units as usize)?;
                self.engine.doing = Doing::Bytes(kind, left - units as usize);
            }
            Doing::Clocks(left, until) => {
                if until.is_some_and(|level| self.line_is(level)) {
                    self.engine.doing = Doing::Clocks(Some(0), None);
                    return Ok(());
                }
                let (tms, tdi) = (self.pins.level(TMS), self.pins.level(TDI));
                let n = units as usize;
                self.cycles(run(tms, n), run(tdi, n))?;
                self.engine.doing = Doing::Clocks(left.map(|l| l - units), until);
            }
            Doing::Line(level) => {
                self.pass_to(self.engine.at)?;
                if self.line_is(level) {
                    self.engine.doing = Doing::Clocks(Some(0), None);
                    return Ok(());
                }
            }
        }
        self.engine.at += unit * units;
        Ok(())
    }

    /// Takes a whole command from the FIFO and starts it; a short one is done at once.
    fn begin(&mut self) -> Result<(), PortError> {
        let command = self.command().expect("a command is there");
        let head: Vec<u8> = self.out_fifo.drain(..command.head()).collect();
        let length = || u16::from_le_bytes([head[1], head[2]]);
        self.commands += 1;
        match command {
            Command::Bytes(kind) => {
                self.engine.doing = Doing::Bytes(kind, usize::from(length()) + 1);
            }
            Command::Bits(kind) => {
                let n = usize::from(head[1] & 7) + 1;
                let tdi = if kind.write {
                    let data = if kind.lsb_first {
                        head[2]
                    } else {
                        head[2].reverse_bits()
                    };
                    Bits::from_u64(data.into(), n)
                } else {
                    run(self.pins.level(TDI), n)
                };
                let tms = run(self.pins.level(TMS), n);
                let tdo = self.shifted(kind, tms, tdi, false)?;
                self.answer_bits(kind, &tdo);
            }
            Command::Tms(kind) => {
                let n = (usize::from(head[1] & 7) + 1).min(7);
                self.set_level(TDI, head[2] & 0x80 != 0);
                let tdi = run(self.pins.level(TDI), n);
                let tdo = self.shifted(kind, Bits::from_u64(head[2].into(), n), tdi, true)?;
                self.answer_bits(kind, &tdo);
            }
            Command::SetLow => self.set_pins(0x00ff, head[1].into(), head[2].into())?,
            Command::SetHigh => {
                let there = ((1u16 << self.model.high_lines) - 1) << 8;
                self.set_pins(there, u16::from(head[1]) << 8, u16::from(head[2]) << 8)?;
            }
            Command::ReadLow | Command::ReadHigh => {
                self.pass_to(self.engine.at)?;
                let levels = self.pins.read(self.clocks.sense()?).to_le_bytes();
                self.in_fifo
                    .push_back(levels[usize::from(command == Command::ReadHigh)]);
            }
            Command::Loopback(on) => self.engine.loopback = on,
            Command::Divisor => {
                self.engine.divisor = length();
                self.tell_rate();
            }
            Command::SendImmediate => self.flush = true,
            Command::WaitLine(level) => self.engine.doing = Doing::Line(level),
            Command::DivideBy5(on) => {
                self.engine.divide_by_5 = on;
                self.tell_rate();
            }
            Command::ThreePhase(on) => {
                self.engine.three_phase = on;
                self.tell_rate();
            }
            Command::ClockBits => {
                let n = usize::from(head[1] & 7) + 1;
                self.cycles(run(self.pins.level(TMS), n), run(self.pins.level(TDI), n))?;
            }
            Command::ClockBytes => {
                self.engine.doing = Doing::Clocks(Some((u64::from(length()) + 1) * 8), None);
            }
            Command::ClockUntil(level) => self.engine.doing = Doing::Clocks(None, Some(level)),
            Command::ClockBytesUntil(level) => {
                self.engine.doing = Doing::Clocks(Some((u64::from(length()) + 1) * 8), Some(level));
            }
            Command::Adaptive(on) => self.engine.adaptive = on,
            Command::PullOnly => {
                self.pins.pull_only = length();
                self.pins.tell(&mut self.clocks)?;
            }
            Command::Unknown => {
                self.bad_commands += 1;
                self.in_fifo.extend([0xfa, head[0]]);
            }
        }
        Ok(())
    }

    fn line_is(&mut self, level: bool) -> bool {
        // A bench that fails here fails at the next clock as well, and is reported then.
        let spares = self.clocks.sense().unwrap_or(0xff);
        (self.pins.read(spares) & GPIOL1 != 0) == level
    }

    fn shift_bytes(&mut self, kind: ShiftKind, bytes: usize) -> Result<(), PortError> {
        let n = bytes * 8;
        let tdi = if kind.write {
            let mut data: Vec<u8> = self.out_fifo.drain(..bytes).collect();
            if !kind.lsb_first {
                data.iter_mut().for_each(|b| *b = b.reverse_bits());
            }
            Bits::from_bytes(&data, n)
        } else {
            run(self.pins.level(TDI), n)
        };
        let tdo = self.shifted(kind, run(self.pins.level(TMS), n), tdi, false)?;
        if kind.read {
            let mut data = tdo.to_bytes();
            self.engine.input = *data.last().expect("at least one byte");
            if !kind.lsb_first {
                data.iter_mut().for_each(|b| *b = b.reverse_bits());
            }
            self.in_fifo.extend(&data);
        }
        Ok(())
    }

    /// One answer byte for at most 8 bits: they push the old contents of the input register
    /// along, downwards least significant bit first, else upwards.
    fn answer_bits(&mut self, kind: ShiftKind, tdo: &Bits) {
        if !kind.read {
            return;
        }
        for bit in tdo.iter() {
            self.engine.input = if kind.lsb_first {
                self.engine.input >> 1 | u8::from(bit) << 7
            } else {
                self.engine.input << 1 | u8::from(bit)
            };
        }
        self.in_fifo.push_back(self.engine.input);
    }

    /// Clocks a shift and gives what it reads; `to_tms`: the data goes to TMS.
    fn shifted(
        &mut self,
        kind: ShiftKind,
        mut tms: Bits,
        mut tdi: Bits,
        to_tms: bool,
    ) -> Result<Bits, PortError> {
        let n = tdi.len();
        let last = |bits: &Bits| bits.get(n - 1);
        let (tms_after, tdi_after) = (last(&tms), last(&tdi));
        let own = tdi.clone();
        // Data that changes on the rising edge is late for it: the bench sees the bit before.
        if kind.write && !kind.on_falling && !self.pins.level(TCK) {
            let (data, line) = if to_tms {
                (&mut tms, TMS)
            } else {
                (&mut tdi, TDI)
            };
            let mut late = Bits::with_capacity(n);
            late.push(self.pins.level(line));
            late.append(&data.slice(0, n - 1));
            *data = late;
        }
        let before = self.pins.tdo;
        let tdo = self.cycles(tms, tdi)?;
        self.set_level(TMS, tms_after);
        self.set_level(TDI, tdi_after);
        if self.engine.loopback {
            return Ok(own);
        }
        // With TCK idle high the falling edge comes first: TDO is still that of the last cycle.
        if kind.at_falling && self.pins.level(TCK) && n > 0 {
            let mut early = Bits::with_capacity(n);
            early.push(before);
            early.append(&tdo.slice(0, n - 1));
            return Ok(early);
        }
        Ok(tdo)
    }

    /// Sets the value of an output, as the engine does with TMS and TDI.
    fn set_level(&mut self, line: u16, level: bool) {
        if level {
            self.pins.value |= line;
        } else {
            self.pins.value &= !line;
        }
    }

    /// Lets the bench have the time up to `at`.
    pub(super) fn pass_to(&mut self, at: Ticks) -> Result<(), PortError> {
        let ns = to_ns(at.saturating_sub(self.engine.bench_at));
        if ns > 0 {
            self.clocks.pass(ns)?;
            self.engine.bench_at += from_ns(ns);
        }
        Ok(())
    }

    /// Cycles of TCK at the bench, from the engine's present moment on.
    pub(super) fn cycles(&mut self, tms: Bits, tdi: Bits) -> Result<Bits, PortError> {
        let n = tms.len();
        let tap = self.pins.tap;
        if !self.pins.drives(tap.tck) {
            // Nothing moves the clock, TDO stays as it was.
            return Ok(run(self.pins.tdo, n));
        }
        let tms = if self.pins.drives(tap.tms) {
            tms
        } else {
            Bits::ones(n)
        };
        let tdi = if self.pins.drives(tap.tdi) {
            tdi
        } else {
            Bits::ones(n)
        };
        self.pass_to(self.engine.at)?;
        let tdo = self.clocks.clock(&tms, &tdi)?;
        if tdo.len() != n {
            return Err(PortError::OutOfStep {
                what: "the bench".to_owned(),
                expected: format!("{n} bits of TDO"),
                found: format!("{} bits", tdo.len()),
            });
        }
        self.engine.bench_at += n as u64 * self.period();
        self.tck_cycles += n as u64;
        if n > 0 {
            self.pins.tdo = tdo.get(n - 1);
        }
        Ok(tdo)
    }

    /// A set-bits command: `which` lines get new values and directions.
    pub(super) fn set_pins(
        &mut self,
        which: u16,
        value: u16,
        outputs: u16,
    ) -> Result<(), PortError> {
        let tap = self.pins.tap;
        let low_before = self.pins.drives(tap.tck) && self.pins.value & tap.tck == 0;
        let rises = which & tap.tck != 0 && low_before && outputs & value & tap.tck != 0;
        if rises {
            let (tms, tdi) = (self.pins.level(tap.tms), self.pins.level(tap.tdi));
            self.cycles(run(tms, 1), run(tdi, 1))?;
        }
        self.pins.value = self.pins.value & !which | value & which;
        self.pins.outputs = self.pins.outputs & !which | outputs & which;
        self.pass_to(self.engine.at)?;
        self.pins.tell(&mut self.clocks)
    }
}

/// `n` bits of one level.
fn run(level: bool, n: usize) -> Bits {
    if level { Bits::ones(n) } else { Bits::zeros(n) }
}
