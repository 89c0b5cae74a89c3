//! An MPSSE command stream in words, read from its bytes alone: by the bits of the shift commands and the table of the
//! others in AN_108, with the TAP's states followed from TMS. Knows nothing of the encoder.

use std::fmt::Write;

use crate::tap::TapState;

/// What a stream does, counted while it is explained.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct Explained {
    pub(super) text: String,
    /// Bytes that come back.
    pub(super) answers: usize,
    /// Cycles of TCK.
    pub(super) cycles: u64,
}

/// The engine as far as a stream shows it.
pub(super) struct Explainer<'a> {
    bytes: &'a [u8],
    at: usize,
    out: Explained,
    state: TapState,
    /// The level that TMS was left at.
    tms: bool,
    /// MHz that the divisor divides: 12 on a chip without divide-by-5, or while that is on.
    base_mhz: u32,
}

/// The low byte's lines, as AN_108 names them for JTAG.
const LOW: [&str; 8] = [
    "TCK", "TDI", "TDO", "TMS", "GPIOL0", "GPIOL1", "GPIOL2", "GPIOL3",
];
const HIGH: [&str; 8] = [
    "GPIOH0", "GPIOH1", "GPIOH2", "GPIOH3", "GPIOH4", "GPIOH5", "GPIOH6", "GPIOH7",
];

impl<'a> Explainer<'a> {
    /// From a state of the TAP and a level of TMS.
    pub(super) fn new(bytes: &'a [u8], state: TapState, tms: bool) -> Explainer<'a> {
        Explainer {
            bytes,
            at: 0,
            out: Explained {
                text: String::new(),
                answers: 0,
                cycles: 0,
            },
            state,
            tms,
            base_mhz: 12,
        }
    }

    /// All of it, with notes before the bytes of these numbers.
    pub(super) fn explain(mut self, notes: &[(usize, String)]) -> Explained {
        let mut notes = notes.iter().peekable();
        while self.at < self.bytes.len() {
            while let Some((_, note)) = notes.next_if(|(at, _)| *at <= self.at) {
                writeln!(self.out.text, "  -- {note}").expect("a string takes it");
            }
            let op = self.bytes[self.at];
            if op < 0x80 {
                self.shift(op);
            } else {
                self.other(op);
            }
        }
        for (_, note) in notes {
            writeln!(self.out.text, "  -- {note}").expect("a string takes it");
        }
        self.out
    }

    /// The next byte with what it means.
    fn say(&mut self, meaning: impl FnOnce(&mut Self, u8) -> String) -> u8 {
        let byte = self.bytes[self.at];
        self.at += 1;
        let meaning = meaning(self, byte);
        writeln!(self.out.text, "  {byte:02X}  {meaning}").expect("a string takes it");
        byte
    }

    /// One cycle; `tms` as it is at the rising edge.
    fn clock(&mut self, tms: bool) {
        self.tms = tms;
        self.state = self.state.next(tms);
        self.out.cycles += 1;
    }

    /// Cycles with TMS as it is.
    fn clocks(&mut self, n: u64) -> String {
        let before = self.state;
        let tms = self.tms;
        (0..n).for_each(|_| self.clock(tms));
        if self.state == before {
            format!("TMS stays {}: {before}", u8::from(tms))
        } else {
            format!("TMS stays {}: {before} > {}", u8::from(tms), self.state)
        }
    }

    /// A length of two bytes, low first, that stands for one more.
    fn length(&mut self, what: &str) -> usize {
        let low = self.say(|_, _| "length, low byte".to_owned());
        let n = usize::from(low) + 1;
        let high = usize::from(self.bytes[self.at]) << 8;
        self.say(|_, _| {
            format!(
                "length, high byte: {} + 1 = {} {what}",
                n - 1 + high,
                n + high
            )
        });
        n + high
    }

    /// AN_108's bits of a shift command: 0 out on the falling edge, 1 bits, 2 in on the falling edge, 3 least significant
    /// bit first, 4 TDI, 5 TDO, 6 TMS.
    fn shift(&mut self, op: u8) {
        let has = |bit: u8| op >> bit & 1 == 1;
        let edge = |falling| if falling { "falling" } else { "rising" };
        let mut parts = Vec::new();
        if has(4) {
            parts.push(format!("TDI out on the {} edge", edge(has(0))));
        }
        if has(6) {
            parts.push(format!("TMS out on the {} edge", edge(has(0))));
        }
        if has(5) {
            parts.push(format!("TDO in on the {} edge", edge(has(2))));
        }
        parts.push(if has(1) { "bits" } else { "bytes" }.to_owned());
        let first = if has(3) { "least" } else { "most" };
        parts.push(format!("{first} significant bit first"));
        self.say(|_, _| parts.join(", "));
        if has(6) {
            return self.moves(has(5));
        }
        if has(1) {
            let n = self.say(|_, n| format!("length: {n} + 1 = {} bits", n + 1)) + 1;
            self.out.answers += usize::from(has(5));
            if has(4) {
                self.say(|e, byte| format!("TDI {}; {}", levels(byte, n), e.clocks(n.into())));
            }
            return;
        }
        let n = self.length("byte(s)");
        self.out.answers += if has(5) { n } else { 0 };
        if !has(4) {
            let clocks = self.clocks(8 * n as u64);
            writeln!(self.out.text, "      {clocks}").expect("a string takes it");
            return;
        }
        let data = &self.bytes[self.at..self.at + n];
        for run in data.chunk_by(|a, b| a == b) {
            // Long runs of one byte are said once.
            if run.len() > 3 {
                let clocks = self.clocks(8 * run.len() as u64);
                let times = run.len();
                self.say(|_, byte| format!("TDI {}; {clocks}; {times} times", levels(byte, 8)));
                self.at += times - 1;
                continue;
            }
            for _ in run {
                self.say(|e, byte| format!("TDI {}; {}", levels(byte, 8), e.clocks(8)));
            }
        }
    }

    fn moves(&mut self, reads: bool) {
        let n = self.say(|_, n| format!("length: {n} + 1 = {} bits", n + 1)) + 1;
        self.out.answers += usize::from(reads);
        self.say(|e, byte| {
            let mut states = vec![e.state];
            for k in 0..n {
                e.clock(byte >> k & 1 == 1);
                states.push(e.state);
            }
            let tdi = byte >> 7;
            format!(
                "TMS {}, TDI held at {tdi}: {}",
                levels(byte, n),
                way(&states)
            )
        });
    }

    fn other(&mut self, op: u8) {
        let plain = |e: &mut Self, meaning: &str| {
            e.say(|_, _| meaning.to_owned());
        };
        match op {
            0x80 | 0x82 => {
                let (name, lines) = if op == 0x80 {
                    ("low", LOW)
                } else {
                    ("high", HIGH)
                };
                plain(self, &format!("set the lines of the {name} byte"));
                let value = self.bytes[self.at];
                let outputs = self.bytes[self.at + 1];
                self.say(|_, value| format!("levels: {} high", names(value, &lines)));
                self.say(|_, outputs| format!("outputs: {}", names(outputs, &lines)));
                if op == 0x80 && outputs & 0x08 != 0 {
                    self.tms = value & 0x08 != 0;
                }
            }
            0x81 | 0x83 => {
                self.out.answers += 1;
                let name = if op == 0x81 { "low" } else { "high" };
                plain(
                    self,
                    &format!("read the lines of the {name} byte: one byte back"),
                );
            }
            0x85 => plain(self, "TDI is not connected to TDO inside"),
            0x86 => {
                plain(self, "divisor of TCK");
                let low = self.say(|_, _| "low byte".to_owned());
                self.say(|e, high| {
                    let n = 1 + (u32::from(high) << 8 | u32::from(low));
                    let khz = f64::from(e.base_mhz) * 1000.0 / f64::from(2 * n);
                    format!("high byte: {} MHz / (2 x {n}) = {khz} kHz", e.base_mhz)
                });
            }
            0x87 => plain(self, "send what waits to the host now"),
            0x8a => {
                self.base_mhz = 60;
                plain(self, "divide-by-5 off: the divisor divides 60 MHz");
            }
            0x8b => {
                self.base_mhz = 12;
                plain(self, "divide-by-5 on: the divisor divides 12 MHz");
            }
            0x8d => plain(self, "three-phase clocking off"),
            0x8f => {
                plain(self, "clocks without data, by eights");
                let n = self.length("times eight");
                let clocks = self.clocks(8 * n as u64);
                writeln!(self.out.text, "      {clocks}").expect("a string takes it");
            }
            0x96 => plain(self, "adaptive clocking on: TCK waits for GPIOL3"),
            0x97 => plain(self, "adaptive clocking off"),
            0xaa | 0xab => {
                self.out.answers += 2;
                plain(
                    self,
                    &format!("no chip has this command: FA {op:02X} comes back"),
                );
            }
            _ => panic!("{op:02X} has no place in our streams"),
        }
    }
}

/// States one after the other; where a cycle stays, how often.
fn way(states: &[TapState]) -> String {
    let stops: Vec<String> = states
        .chunk_by(|a, b| a == b)
        .map(|same| match same.len() {
            1 => same[0].to_string(),
            n => format!("{} x{n}", same[0]),
        })
        .collect();
    stops.join(" > ")
}

/// The lowest `n` bits, bit 0 first.
fn levels(byte: u8, n: u8) -> String {
    let bits: Vec<String> = (0..n).map(|k| (byte >> k & 1).to_string()).collect();
    bits.join(" ")
}

fn names(byte: u8, lines: &[&str; 8]) -> String {
    let named: Vec<&str> = (0..8)
        .filter(|k| byte >> k & 1 == 1)
        .map(|k| lines[k])
        .collect();
    if named.is_empty() {
        "none".to_owned()
    } else {
        named.join(", ")
    }
}
