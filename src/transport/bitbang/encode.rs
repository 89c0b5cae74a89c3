//! From steps to bytes for the lines, and where among the readings the answers are.

use crate::bits::Bits;
use crate::tap::{Level, Line, Step, TmsPath};

use super::super::Profile;

/// Waits of up to so many bytes go with the stream; longer ones are the host's.
const WAIT_BYTES: u64 = 3000;

/// Readings of a stream that are wanted; places count from its first byte.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Part {
    /// TDO in every second reading from `from`, so many bits.
    Tdo {
        /// The first reading.
        from: usize,
        /// How many.
        bits: usize,
    },
    /// The spare lines in this reading.
    Lines(usize),
}

/// What is to be done between two bytes, everything before them having been answered.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Stop {
    /// The host lets so many nanoseconds pass.
    Wait(u64),
    /// These lines are outputs from now on.
    Outputs(u8),
}

/// Bytes ready to be sent.
#[derive(Debug, Default, PartialEq, Eq)]
pub(super) struct Stream {
    pub(super) bytes: Vec<u8>,
    pub(super) parts: Vec<Part>,
    /// Stops, each before the byte of this number.
    pub(super) stops: Vec<(usize, Stop)>,
    /// Cycles of TCK in it.
    pub(super) cycles: u64,
}

/// Turns steps into bytes; keeps the levels of the lines between pieces.
#[derive(Debug)]
pub(super) struct Encoder {
    profile: Profile,
    tck: u8,
    tdi: u8,
    tms: u8,
    /// The levels as last sent.
    value: u8,
    /// The outputs, when the lines are not released.
    outputs: u8,
    byte_hz: u64,
    stream: Stream,
}

impl Encoder {
    /// With TCK low, TDI and TMS high and the profile's fixed lines set.
    pub(super) fn new(profile: Profile) -> Encoder {
        let [tck, tdi, _, tms] = profile.tap.all().map(|pin| 1u8 << pin);
        let mut value = tdi | tms;
        let mut outputs = tck | tdi | tms;
        for &(pin, level) in &profile.fixed {
            outputs |= 1 << pin;
            value |= u8::from(level) << pin;
        }
        Encoder {
            profile,
            tck,
            tdi,
            tms,
            value,
            outputs,
            byte_hz: 1,
            stream: Stream::default(),
        }
    }

    pub(super) fn profile(&self) -> &Profile {
        &self.profile
    }

    /// The lines that must read as they were set.
    pub(super) fn watched(&self) -> u8 {
        self.tck | self.tdi | self.tms
    }

    /// The level of TDO's line in a reading.
    pub(super) fn tdo(&self) -> u8 {
        1 << self.profile.tap.tdo
    }

    pub(super) fn set_byte_hz(&mut self, hz: u64) {
        self.byte_hz = hz;
    }

    /// Puts all lines to the levels kept here, outputs last.
    pub(super) fn drive(&mut self) {
        self.stream.bytes.push(self.value);
        self.stop(Stop::Outputs(self.outputs));
    }

    /// Makes all lines inputs.
    pub(super) fn undrive(&mut self) {
        self.settle();
        self.stop(Stop::Outputs(0));
    }

    /// Bytes that move TDI alone, to be read back: it ends as it was.
    pub(super) fn mark(&mut self) {
        self.settle();
        let value = self.value;
        for flip in [true, false, true, true, false] {
            let tdi = if flip { self.tdi } else { 0 };
            self.stream.bytes.push(value ^ tdi);
        }
    }

    /// Appends a step.
    pub(super) fn step(&mut self, step: Step) {
        match step {
            Step::Tms(path) => self.path(path),
            Step::Shift { bits, last, read } => self.shift(bits, last, read),
            Step::Hold { tms, cycles } => {
                for _ in 0..cycles {
                    self.cycle(tms, true);
                }
            }
            Step::Wait(ns) => self.wait(ns),
            Step::Line(line, level) => self.line(line, level),
            Step::Sense(_) => {
                self.settle();
                // The next reading shows what the byte before it left.
                self.stream.parts.push(Part::Lines(self.stream.bytes.len()));
                self.stream.bytes.push(self.value);
            }
        }
    }

    /// Ends a piece, with TCK low.
    pub(super) fn finish(&mut self) -> Stream {
        self.settle();
        std::mem::take(&mut self.stream)
    }

    fn stop(&mut self, stop: Stop) {
        self.stream.stops.push((self.stream.bytes.len(), stop));
    }

    /// TCK low.
    fn settle(&mut self) {
        if self.value & self.tck != 0 {
            self.value &= !self.tck;
            self.stream.bytes.push(self.value);
        }
    }

    fn cycle(&mut self, tms: bool, tdi: bool) {
        let set = |value: u8, line: u8, level: bool| {
            if level { value | line } else { value & !line }
        };
        let low = set(set(self.value & !self.tck, self.tms, tms), self.tdi, tdi);
        self.value = low | self.tck;
        self.stream.bytes.extend([low, self.value]);
        self.stream.cycles += 1;
    }

    /// TDI is high on the way, which is all that a step asks for.
    fn path(&mut self, path: TmsPath) {
        for tms in path.iter() {
            self.cycle(tms, true);
        }
    }

    fn shift(&mut self, bits: &Bits, last: bool, read: bool) {
        let n = bits.len();
        if read {
            self.stream.parts.push(Part::Tdo {
                from: self.stream.bytes.len() + 1,
                bits: n,
            });
        }
        self.stream.bytes.reserve(2 * n);
        for (i, tdi) in bits.iter().enumerate() {
            self.cycle(last && i + 1 == n, tdi);
        }
    }

    fn wait(&mut self, ns: u64) {
        if ns == 0 {
            return;
        }
        self.settle();
        let bytes = u128::from(ns) * u128::from(self.byte_hz) / 1_000_000_000 + 1;
        if bytes <= u128::from(WAIT_BYTES) {
            let len = self.stream.bytes.len() + bytes as usize;
            self.stream.bytes.resize(len, self.value);
        } else {
            self.stop(Stop::Wait(ns));
        }
    }

    fn line(&mut self, line: Line, level: Level) {
        let Some(wire) = self.profile.wire(line) else {
            return;
        };
        self.settle();
        let bit = 1u8 << wire.pin;
        let chip_level = match level {
            Level::Released => None,
            Level::High => Some(!wire.inverted),
            Level::Low => Some(wire.inverted),
        };
        match chip_level {
            Some(high) if !(wire.open_drain && high) => {
                self.value = self.value & !bit | if high { bit } else { 0 };
                self.stream.bytes.push(self.value);
                if self.outputs & bit == 0 {
                    self.outputs |= bit;
                    self.stop(Stop::Outputs(self.outputs));
                }
            }
            _ if self.outputs & bit != 0 => {
                self.outputs &= !bit;
                self.stop(Stop::Outputs(self.outputs));
            }
            _ => {}
        }
    }
}
