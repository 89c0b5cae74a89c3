//! From steps to command bytes, and the layout of what will come back.

use crate::bits::Bits;
use crate::tap::{Level, Line, Step, TapState};

use super::super::{Chip, Profile, Rate};
use super::op;

/// The most TMS bits in one command.
const TMS_BITS: u8 = 6;
/// The most bytes in one byte shift.
const SHIFT_BYTES: usize = 0x1_0000;
/// Clocks up to this number go as TMS bits: no longer than a clock-only command with the bits
/// that bring the levels about.
const SHORT_HOLD: u64 = 12;
/// Waits longer than this leave the stream on chips without clock-only commands: more than a
/// piece of a cut program holds.
const LONG_WAIT_NS: u64 = 25_000_000;

/// A stretch of the answer stream.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Part {
    /// So many whole bytes of TDO.
    Bytes(usize),
    /// One byte with so many bits of TDO in its top bits.
    Bits(u8),
    /// One byte of a TMS command of `len` clocks; wanted is the bit of clock `index`.
    Tms {
        /// Clocks.
        len: u8,
        /// The clock whose bit is wanted.
        index: u8,
    },
    /// The spare lines: a byte of low pins if `low`, then one of high pins if `high`.
    Lines {
        /// Whether the low pins come.
        low: bool,
        /// Whether the high pins come.
        high: bool,
    },
    /// The echo of a mark.
    Mark(u8),
}

impl Part {
    /// Bytes that it takes in the stream.
    pub(super) fn bytes(self) -> usize {
        match self {
            Part::Bytes(n) => n,
            Part::Bits(_) | Part::Tms { .. } => 1,
            Part::Lines { low, high } => usize::from(low) + usize::from(high),
            Part::Mark(_) => 2,
        }
    }
}

/// The host waits here: everything before `at` is sent and its mark awaited first.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Pause {
    /// Place in the command stream.
    pub(super) at: usize,
    /// Answer bytes that come before it.
    pub(super) answers: usize,
    /// How long.
    pub(super) ns: u64,
}

/// Commands ready to be sent.
#[derive(Debug, Default, PartialEq, Eq)]
pub(super) struct Stream {
    pub(super) bytes: Vec<u8>,
    pub(super) parts: Vec<Part>,
    pub(super) answer_bytes: usize,
    pub(super) pauses: Vec<Pause>,
    /// Cycles of TCK in it.
    pub(super) cycles: u64,
}

impl Stream {
    fn part(&mut self, part: Part) {
        self.answer_bytes += part.bytes();
        self.parts.push(part);
    }
}

/// TMS bits gathered for one command.
#[derive(Debug, Default)]
struct Run {
    bits: u8,
    len: u8,
    /// The level that TDI must have, if it matters to one of the bits.
    tdi: Option<bool>,
    /// The clock whose TDO is wanted.
    read: Option<u8>,
}

/// Levels and directions of the chip's sixteen lines; TCK, TDI and TMS apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
struct Pins {
    value: u16,
    outputs: u16,
}

/// Turns steps into commands; keeps the levels of the lines between pieces.
#[derive(Debug)]
pub(super) struct Encoder {
    chip: &'static Chip,
    profile: Profile,
    pins: Pins,
    tms: bool,
    tdi: bool,
    run: Run,
    tck_hz: u32,
    next_mark: usize,
    stream: Stream,
}

/// TCK, TDI and TMS are outputs, TDO is an input.
const TAP_OUTPUTS: u16 = 0x0b;

impl Encoder {
    /// With TCK and TDI low, TMS high and the profile's fixed lines set.
    pub(super) fn new(chip: &'static Chip, profile: Profile) -> Encoder {
        let mut pins = Pins::default();
        for &(pin, level) in &profile.fixed {
            pins.outputs |= 1 << pin;
            pins.value |= u16::from(level) << pin;
        }
        Encoder {
            chip,
            profile,
            pins,
            tms: true,
            tdi: false,
            run: Run::default(),
            tck_hz: 1,
            next_mark: 0,
            stream: Stream::default(),
        }
    }

    pub(super) fn profile(&self) -> &Profile {
        &self.profile
    }

    /// The commands that bring a freshly synchronised chip to its starting point.
    pub(super) fn set_up(&mut self, rate: Rate) {
        if self.chip.fast {
            let adaptive = if self.profile.return_clock {
                op::ADAPTIVE_ON
            } else {
                op::ADAPTIVE_OFF
            };
            self.stream.bytes.extend([adaptive, op::THREE_PHASE_OFF]);
        }
        self.stream.bytes.push(op::LOOPBACK_OFF);
        self.rate(rate);
        self.drive();
    }

    /// Sets the divisor.
    pub(super) fn rate(&mut self, rate: Rate) {
        self.flush();
        if self.chip.fast {
            self.stream.bytes.push(if rate.is_fast() {
                op::DIVIDE_BY_5_OFF
            } else {
                op::DIVIDE_BY_5_ON
            });
        }
        let [low, high] = rate.divisor.to_le_bytes();
        self.stream.bytes.extend([op::DIVISOR, low, high]);
        self.tck_hz = rate.tck_hz().max(1);
    }

    /// Puts all lines to the levels kept here.
    pub(super) fn drive(&mut self) {
        self.set_low();
        if self.chip.high_lines > 0 {
            self.set_high();
        }
    }

    /// Makes all lines inputs.
    pub(super) fn undrive(&mut self) {
        self.flush();
        self.stream.bytes.extend([op::SET_LOW, 0, 0]);
        if self.chip.high_lines > 0 {
            self.stream.bytes.extend([op::SET_HIGH, 0, 0]);
        }
    }

    /// Appends a step; `state` is the TAP's state when it begins.
    pub(super) fn step(&mut self, state: TapState, step: Step) {
        match step {
            Step::Tms(path) => {
                // A clock in Shift shifts a bit even on a mere way: a one, as in every hold.
                let mut at = state;
                for tms in path.iter() {
                    let shifts = matches!(at, TapState::ShiftDr | TapState::ShiftIr);
                    self.tms_bit(tms, shifts.then_some(true), false);
                    at = at.next(tms);
                }
            }
            Step::Shift { bits, last, read } => self.shift(bits, last, read),
            Step::Hold { tms, cycles } => self.hold(tms, cycles),
            Step::Wait(ns) => self.wait(state, ns),
            Step::Line(line, level) => self.line(line, level),
            Step::Sense(_) => self.sense(),
        }
    }

    /// Ends a piece: a mark if `answers` are awaited, and the commands so far.
    pub(super) fn finish(&mut self) -> Stream {
        self.flush();
        if !self.stream.parts.is_empty() {
            self.mark();
        }
        std::mem::take(&mut self.stream)
    }

    /// A mark, to be echoed at once.
    pub(super) fn mark(&mut self) {
        self.flush();
        let mark = op::MARKS[self.next_mark];
        self.next_mark = 1 - self.next_mark;
        self.stream.bytes.extend([mark, op::SEND_IMMEDIATE]);
        self.stream.part(Part::Mark(mark));
    }

    fn tms_bit(&mut self, tms: bool, tdi: Option<bool>, read: bool) {
        let clash = matches!((self.run.tdi, tdi), (Some(a), Some(b)) if a != b);
        if clash || (read && self.run.read.is_some()) {
            self.flush();
        }
        let run = &mut self.run;
        run.bits |= u8::from(tms) << run.len;
        run.tdi = run.tdi.or(tdi);
        if read {
            run.read = Some(run.len);
        }
        run.len += 1;
        self.tms = tms;
        if run.len == TMS_BITS {
            self.flush();
        }
    }

    /// Sends the gathered TMS bits.
    fn flush(&mut self) {
        let run = std::mem::take(&mut self.run);
        if run.len == 0 {
            return;
        }
        self.tdi = run.tdi.unwrap_or(self.tdi);
        let code = if run.read.is_some() {
            op::TMS_READ
        } else {
            op::TMS
        };
        let data = run.bits | u8::from(self.tdi) << 7;
        self.stream.bytes.extend([code, run.len - 1, data]);
        self.stream.cycles += u64::from(run.len);
        if let Some(index) = run.read {
            self.stream.part(Part::Tms {
                len: run.len,
                index,
            });
        }
    }

    fn shift(&mut self, bits: &Bits, last: bool, read: bool) {
        let n = bits.len() - usize::from(last);
        if n > 0 {
            self.flush();
            debug_assert!(!self.tms, "TMS is low in Shift");
            self.tdi = bits.get(n - 1);
            self.stream.cycles += n as u64;
        }
        let (whole, odd) = (n / 8, n % 8);
        let mut from = 0;
        while from < whole {
            let take = (whole - from).min(SHIFT_BYTES);
            self.byte_header(read, take);
            push_bytes(&mut self.stream.bytes, bits, from, take);
            from += take;
        }
        if odd > 0 {
            let code = if read { op::BITS_BOTH } else { op::BITS_OUT };
            let data = bits.get_u64(whole * 8, odd) as u8;
            self.stream.bytes.extend([code, odd as u8 - 1, data]);
            if read {
                self.stream.part(Part::Bits(odd as u8));
            }
        }
        if last {
            self.tms_bit(true, Some(bits.get(n)), read);
        }
    }

    fn byte_header(&mut self, read: bool, bytes: usize) {
        let code = if read { op::BYTES_BOTH } else { op::BYTES_OUT };
        let [low, high] = ((bytes - 1) as u16).to_le_bytes();
        self.stream.bytes.extend([code, low, high]);
        if read {
            self.stream.part(Part::Bytes(bytes));
        }
    }

    /// Clocks with TMS held and TDI high.
    fn hold(&mut self, tms: bool, cycles: u64) {
        let mut left = cycles;
        let bits = |encoder: &mut Encoder, n: u64| {
            for _ in 0..n {
                encoder.tms_bit(tms, Some(true), false);
            }
        };
        if left <= SHORT_HOLD {
            return bits(self, left);
        }
        // Clocks without data keep the levels, so the levels must be there first: at most six
        // clocks as TMS bits.
        while self.run.len > 0 || self.tms != tms || !self.tdi {
            bits(self, 1);
            left -= 1;
        }
        let mut eights = left / 8;
        self.stream.cycles += eights * 8;
        while eights > 0 {
            let take = eights.min(SHIFT_BYTES as u64);
            if self.chip.fast {
                let [low, high] = ((take - 1) as u16).to_le_bytes();
                self.stream.bytes.extend([op::CLOCK_BYTES, low, high]);
            } else {
                self.byte_header(false, take as usize);
                let len = self.stream.bytes.len() + take as usize;
                self.stream.bytes.resize(len, 0xff);
            }
            eights -= take;
        }
        bits(self, left % 8);
    }

    fn wait(&mut self, state: TapState, ns: u64) {
        if ns == 0 {
            return;
        }
        let idle = match state {
            TapState::ShiftDr | TapState::ShiftIr => None,
            other => other.hold(),
        };
        match idle {
            Some(tms) if self.chip.fast || ns <= LONG_WAIT_NS => {
                let cycles = (u128::from(ns) * u128::from(self.tck_hz)).div_ceil(1_000_000_000);
                self.hold(tms, cycles as u64);
            }
            _ => {
                self.mark();
                self.stream.pauses.push(Pause {
                    at: self.stream.bytes.len(),
                    answers: self.stream.answer_bytes,
                    ns,
                });
            }
        }
    }

    fn line(&mut self, line: Line, level: Level) {
        let Some(wire) = self.profile.wire(line) else {
            return;
        };
        let bit = 1 << wire.pin;
        let value = match level {
            Level::Released => None,
            Level::High => Some(!wire.inverted),
            Level::Low => Some(wire.inverted),
        };
        match value {
            Some(value) if !(wire.open_drain && value) => {
                self.pins.outputs |= bit;
                self.pins.value = self.pins.value & !bit | if value { bit } else { 0 };
            }
            _ => {
                self.pins.outputs &= !bit;
                self.pins.value &= !bit;
            }
        }
        if wire.pin < 8 {
            self.set_low();
        } else {
            self.set_high();
        }
    }

    fn set_low(&mut self) {
        self.flush();
        let tap = u8::from(self.tdi) << 1 | u8::from(self.tms) << 3;
        let value = self.pins.value.to_le_bytes()[0] | tap;
        let outputs = (self.pins.outputs | TAP_OUTPUTS).to_le_bytes()[0];
        self.stream.bytes.extend([op::SET_LOW, value, outputs]);
    }

    fn set_high(&mut self) {
        self.flush();
        let value = self.pins.value.to_le_bytes()[1];
        let outputs = self.pins.outputs.to_le_bytes()[1];
        self.stream.bytes.extend([op::SET_HIGH, value, outputs]);
    }

    fn sense(&mut self) {
        self.flush();
        let low = self.profile.spare.iter().any(|w| w.pin < 8);
        let high = self.profile.spare.iter().any(|w| w.pin >= 8);
        if low || !high {
            self.stream.bytes.push(op::READ_LOW);
        }
        if high {
            self.stream.bytes.push(op::READ_HIGH);
        }
        self.stream.part(Part::Lines {
            low: low || !high,
            high,
        });
    }
}

/// Appends `n` bytes of `bits` from byte `from`, a multiple of 8.
fn push_bytes(out: &mut Vec<u8>, bits: &Bits, from: usize, n: usize) {
    out.reserve(n + 8);
    let words = &bits.words()[from / 8..(from + n).div_ceil(8)];
    let end = out.len() + n;
    for word in words {
        out.extend_from_slice(&word.to_le_bytes());
    }
    out.truncate(end);
}
