//! The engine's commands: which byte is which command, and how long its head is.
//!
//! Source: AN_108 and the maker's pages on single commands; the commands that those do not show are from memory.

/// A shift's options, as the bits of its opcode say them.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct ShiftKind {
    /// Writes TDI (TMS with `tms`).
    pub(super) write: bool,
    /// Reads TDO.
    pub(super) read: bool,
    /// Output changes on the falling edge of TCK, else on the rising one.
    pub(super) on_falling: bool,
    /// Input is taken at the falling edge, else at the rising one.
    pub(super) at_falling: bool,
    /// Least significant bit first.
    pub(super) lsb_first: bool,
}

/// A command, by its opcode.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Command {
    /// Whole bytes: length less 1 in two bytes, then the data if it writes.
    Bytes(ShiftKind),
    /// One to eight bits: length less 1, then the data if it writes.
    Bits(ShiftKind),
    /// One to seven bits to TMS; bit 7 of the data is held on TDI.
    Tms(ShiftKind),
    SetLow,
    ReadLow,
    SetHigh,
    ReadHigh,
    Loopback(bool),
    Divisor,
    SendImmediate,
    /// Wait until GPIOL1 has this level.
    WaitLine(bool),
    DivideBy5(bool),
    ThreePhase(bool),
    /// n + 1 clocks.
    ClockBits,
    /// 8 (n + 1) clocks.
    ClockBytes,
    /// Clock until GPIOL1 has this level.
    ClockUntil(bool),
    Adaptive(bool),
    /// 8 (n + 1) clocks, ended early when GPIOL1 has this level.
    ClockBytesUntil(bool),
    PullOnly,
    /// Echoed after FA.
    Unknown,
}

impl Command {
    /// The command of an opcode on a chip of the H types (`fast`), with 9E (`open_drain`) and
    /// with so many lines in its high byte.
    pub(super) fn of(code: u8, fast: bool, open_drain: bool, high_lines: u8) -> Command {
        let kind = ShiftKind {
            write: code & 0x50 != 0,
            read: code & 0x20 != 0,
            on_falling: code & 0x01 != 0,
            at_falling: code & 0x04 != 0,
            lsb_first: code & 0x08 != 0,
        };
        match code {
            0x10 | 0x11 | 0x18 | 0x19 => Command::Bytes(kind),
            0x20 | 0x24 | 0x28 | 0x2c => Command::Bytes(kind),
            0x31 | 0x34 | 0x39 | 0x3c => Command::Bytes(kind),
            0x12 | 0x13 | 0x1a | 0x1b => Command::Bits(kind),
            0x22 | 0x26 | 0x2a | 0x2e => Command::Bits(kind),
            0x33 | 0x36 | 0x3b | 0x3e => Command::Bits(kind),
            0x4a | 0x4b | 0x6a | 0x6b | 0x6e | 0x6f => Command::Tms(kind),
            0x80 => Command::SetLow,
            0x81 => Command::ReadLow,
            0x82 if high_lines > 0 => Command::SetHigh,
            0x83 if high_lines > 0 => Command::ReadHigh,
            0x84 | 0x85 => Command::Loopback(code == 0x84),
            0x86 => Command::Divisor,
            0x87 => Command::SendImmediate,
            0x88 | 0x89 => Command::WaitLine(code == 0x88),
            0x8a | 0x8b if fast => Command::DivideBy5(code == 0x8b),
            0x8c | 0x8d if fast => Command::ThreePhase(code == 0x8c),
            0x8e if fast => Command::ClockBits,
            0x8f if fast => Command::ClockBytes,
            0x94 | 0x95 if fast => Command::ClockUntil(code == 0x94),
            0x96 | 0x97 if fast => Command::Adaptive(code == 0x96),
            0x9c | 0x9d if fast => Command::ClockBytesUntil(code == 0x9c),
            0x9e if open_drain => Command::PullOnly,
            _ => Command::Unknown,
        }
    }

    /// Bytes that must be there before it starts: opcode, lengths, and all data but that of a
    /// byte shift.
    pub(super) fn head(self) -> usize {
        match self {
            Command::Bytes(_)
            | Command::Tms(_)
            | Command::SetLow
            | Command::SetHigh
            | Command::Divisor
            | Command::ClockBytes
            | Command::ClockBytesUntil(_)
            | Command::PullOnly => 3,
            Command::Bits(kind) => 2 + usize::from(kind.write),
            Command::ClockBits => 2,
            _ => 1,
        }
    }

    /// Answer bytes, those of a byte shift apart.
    pub(super) fn answers(self) -> usize {
        match self {
            Command::Bits(kind) | Command::Tms(kind) => usize::from(kind.read),
            Command::ReadLow | Command::ReadHigh => 1,
            Command::Unknown => 2,
            _ => 0,
        }
    }
}
