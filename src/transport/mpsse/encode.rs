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
            self.stream
                .bytes
                .extend([op::ADAPTIVE_OFF, op::THREE_PHASE_OFF]);
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

    /// Whether the profile can do what the step asks of side lines.
    pub(super) fn has(&self, line: Line) -> bool {
        self.profile.wire(line).is_some()
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

#[cfg(test)]
mod tests {
    use super::super::super::lowered::steps_of;
    use super::*;
    use crate::tap::{Op, Piece, Register, ScanProgram, Walker};

    const H: u16 = 0x0700;
    const C: u16 = 0x0500;

    /// An encoder just opened at 6 MHz, its set-up commands taken off.
    fn encoder(release: u16) -> (Encoder, Walker) {
        let chip = Chip::of_release(release).unwrap();
        let profile = Profile::plain_module("plain module", 0, chip.high_lines);
        let mut encoder = Encoder::new(chip, profile);
        encoder.set_up(chip.rate(6_000_000).unwrap());
        encoder.finish();
        (encoder, Walker::new())
    }

    fn encode(encoder: &mut Encoder, walker: &mut Walker, ops: &[Op]) -> Stream {
        let piece = Piece { ops: ops.to_vec() };
        for (state, step) in steps_of(walker, &piece).unwrap() {
            encoder.step(state, step);
        }
        encoder.finish()
    }

    fn hex(bytes: &[u8]) -> String {
        let text: Vec<String> = bytes.iter().map(|b| format!("{b:02X}")).collect();
        text.join(" ")
    }

    /// The commands of a program, after a reset and a way to Run-Test/Idle where `idle`.
    /// `expected` has one command a line, explained behind `;`.
    fn check(release: u16, idle: bool, program: &ScanProgram, expected: &str) -> Stream {
        let (mut encoder, mut walker) = encoder(release);
        if idle {
            let mut start = ScanProgram::new();
            start.reset().go(TapState::RunTestIdle);
            encode(&mut encoder, &mut walker, start.ops());
        }
        let stream = encode(&mut encoder, &mut walker, program.ops());
        let expected: Vec<&str> = expected
            .lines()
            .map(|line| line.split(';').next().unwrap().trim())
            .filter(|line| !line.is_empty())
            .collect();
        assert_eq!(hex(&stream.bytes), expected.join(" "));
        stream
    }

    #[test]
    fn set_up_of_both_kinds() {
        for (release, expected) in [
            (H, "97 8D 85 8A 86 04 00 80 08 0B 82 00 00"),
            // The C type has neither adaptive nor three-phase clocking nor divide-by-5.
            (C, "85 86 00 00 80 08 0B 82 00 00"),
        ] {
            let chip = Chip::of_release(release).unwrap();
            let mut encoder = Encoder::new(chip, Profile::plain_module("", 0, chip.high_lines));
            encoder.set_up(chip.rate(6_000_000).unwrap());
            assert_eq!(hex(&encoder.finish().bytes), expected);
        }
    }

    #[test]
    fn a_reset_and_an_instruction_scan() {
        let mut program = ScanProgram::new();
        program.reset();
        program.scan_captured(Register::Ir, Bits::ones(8), TapState::RunTestIdle);
        let stream = check(
            H,
            false,
            &program,
            "4B 05 1F   ; TMS 1 1 1 1 1, and the first 0 of 0 1 1 0 0 to Shift-IR
             4B 03 03   ; TMS 1 1 0 0
             3B 06 7F   ; seven bits out and in
             6B 02 83   ; TMS 1 1 0: the eighth bit, a 1 in bit 7, then to Run-Test/Idle
             AA 87      ; the mark, and send",
        );
        let tms = Part::Tms { len: 3, index: 0 };
        assert_eq!(stream.parts, [Part::Bits(7), tms, Part::Mark(0xaa)]);
        assert_eq!(stream.answer_bytes, 4);
        assert_eq!(stream.cycles, 5 + 5 + 8 + 2);
    }

    #[test]
    fn a_data_scan_that_is_not_read() {
        let mut program = ScanProgram::new();
        let bits = Bits::from_u64(0x5_1234, 20);
        program.scan(Register::Dr, bits, TapState::RunTestIdle);
        let stream = check(
            H,
            true,
            &program,
            "4B 02 01        ; TMS 1 0 0 to Shift-DR
             19 01 00 34 12  ; two bytes
             1B 02 05        ; three bits
             4B 02 03        ; TMS 1 1 0 with the last bit, a 0",
        );
        assert_eq!(stream.answer_bytes, 0);
    }

    #[test]
    fn vectors_back_to_back_share_their_moves() {
        let mut program = ScanProgram::new();
        program.scan_captured(Register::Dr, Bits::from_u64(0x1aa, 9), TapState::UpdateDr);
        program.scan_captured(
            Register::Dr,
            Bits::from_u64(0x055, 9),
            TapState::RunTestIdle,
        );
        check(
            H,
            true,
            &program,
            "4B 02 01     ; to Shift-DR
             39 00 00 AA  ; eight bits out and in
             6B 04 87     ; TMS 1 1 1 0 0: last bit, Update, Select, Capture, Shift
             39 00 00 55
             6B 02 03     ; last bit, a 0, and to Run-Test/Idle
             AA 87",
        );
    }

    #[test]
    fn a_scan_of_one_bit_is_one_command_with_its_moves() {
        let mut program = ScanProgram::new();
        program.scan_captured(Register::Dr, Bits::ones(1), TapState::RunTestIdle);
        let stream = check(
            H,
            true,
            &program,
            "6B 05 99     ; TMS 1 0 0 1 1 0, TDI 1
             AA 87",
        );
        assert_eq!(stream.parts[0], Part::Tms { len: 6, index: 3 });
    }

    #[test]
    fn clocks_in_a_stable_state() {
        let mut program = ScanProgram::new();
        program.clocks(1000);
        // TDI is brought to 1 by six of them, 124 x 8 go without data, two are left.
        check(H, true, &program, "4B 05 80\n 8F 7B 00\n 4B 01 80");
        let ones = "FF ".repeat(124);
        let on_c = format!("4B 05 80\n 19 7B 00 {ones}\n 4B 01 80");
        let stream = check(C, true, &program, &on_c);
        assert_eq!(stream.cycles, 1000);
        let mut program = ScanProgram::new();
        program.clocks(3);
        program.scan(Register::Dr, Bits::ones(1), TapState::RunTestIdle);
        // Few clocks go with the moves that follow: TMS 0 0 0 1 0 0, then 1 1 0.
        check(H, true, &program, "4B 05 88\n 4B 02 83");
    }

    #[test]
    fn waits_become_clocks_where_tms_can_hold() {
        let mut program = ScanProgram::new();
        program.wait_ns(20_000);
        // 20 us at 6 MHz are 120 clocks.
        let stream = check(H, true, &program, "4B 05 80\n 8F 0D 00\n 4B 01 80");
        assert_eq!(stream.cycles, 120);
        let mut program = ScanProgram::new();
        program.go(TapState::ShiftDr).wait_ns(1000);
        let stream = check(H, true, &program, "4B 02 01\n AA 87\n AB 87");
        let pause = Pause {
            at: 5,
            answers: 2,
            ns: 1000,
        };
        assert_eq!(stream.pauses, [pause], "the host waits, with the chip idle");
        let mut program = ScanProgram::new();
        program.wait_ns(50_000_000);
        let stream = check(C, true, &program, "AA 87\n AB 87");
        assert_eq!(stream.pauses.len(), 1, "too long for shifts on the C type");
    }

    #[test]
    fn side_lines_and_their_levels() {
        let mut program = ScanProgram::new();
        program.line(Line::Trst, Level::Low);
        program.line(Line::Trst, Level::High);
        program.line(Line::Spare(0), Level::High);
        program.line(Line::Spare(4), Level::High);
        program.line(Line::Spare(0), Level::Released);
        let spares = program.sense();
        check(
            H,
            true,
            &program,
            "82 00 10   ; TRST* on ACBUS4 is pulled low
             82 00 00   ; and let go, as it is only ever pulled low
             80 10 1B   ; spare 0 on ADBUS4 to 1; TMS is 0 here, TDI 0
             82 01 01   ; spare 4 on ACBUS0
             80 00 0B
             81 83      ; both bytes read
             AA 87",
        );
        assert_eq!(spares, crate::tap::Slot(0));
    }

    #[test]
    fn long_shifts_are_split_at_64_kib() {
        let bits = Bits::ones(70_000 * 8);
        let op = Op::Shift(crate::tap::Shift {
            register: Register::Dr,
            out: bits,
            capture: Some(crate::tap::Slot(0)),
            compare: None,
            end: None,
        });
        let (mut encoder, mut walker) = encoder(H);
        let stream = encode(&mut encoder, &mut walker, &[op]);
        let mark = Part::Mark(0xaa);
        assert_eq!(stream.parts, [Part::Bytes(65536), Part::Bytes(4464), mark]);
        // To Shift-DR (one command), two heads, the data, the mark.
        assert_eq!(stream.bytes.len(), 3 + 3 + 3 + 70_000 + 2);
        assert_eq!(stream.bytes[3..6], [0x39, 0xff, 0xff]);
        assert_eq!(stream.bytes[6 + 65536..][..3], [0x39, 0x6f, 0x11]);
    }

    #[test]
    fn marks_take_turns_and_no_command_has_seven_tms_bits() {
        let (mut encoder, mut walker) = encoder(H);
        let mut marks = Vec::new();
        for len in 1..40 {
            let mut program = ScanProgram::new();
            program.reset();
            program.scan_captured(Register::Dr, Bits::ones(len), TapState::PauseDr);
            let stream = encode(&mut encoder, &mut walker, program.ops());
            marks.push(stream.bytes[stream.bytes.len() - 2]);
            for pair in stream.bytes.windows(2) {
                if matches!(pair[0], op::TMS | op::TMS_READ) {
                    assert!(pair[1] < 6);
                }
            }
        }
        assert!(
            marks
                .chunks(2)
                .all(|m| m[0] == 0xaa && m.get(1).is_none_or(|&b| b == 0xab))
        );
    }
}
