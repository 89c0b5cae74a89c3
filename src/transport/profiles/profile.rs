//! What the driver needs of a profile.

use crate::tap::Line;

use super::super::{Chip, Way};

/// A line of the chip: 0 to 7 are the low byte (ADBUS0 to ADBUS7), 8 to 15 the high byte
/// (ACBUS0 to ACBUS7).
pub type Pin = u8;

/// How a side line is wired.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Wire {
    /// The chip's line.
    pub pin: Pin,
    /// An inverter stands in between: the chip's 1 is the board's 0.
    pub inverted: bool,
    /// The chip only ever pulls it to 0; a 1 is made by a pull-up.
    pub open_drain: bool,
}

impl Wire {
    /// A line straight from the chip, driven both ways.
    pub const fn straight(pin: Pin) -> Wire {
        Wire {
            pin,
            inverted: false,
            open_drain: false,
        }
    }

    /// A line that the chip only pulls to 0.
    pub const fn open_drain(pin: Pin) -> Wire {
        Wire {
            pin,
            inverted: false,
            open_drain: true,
        }
    }
}

/// The lines of the low byte as a serial port names them.
pub(super) const SERIAL_NAMES: [&str; 8] = ["TXD", "RXD", "RTS", "CTS", "DTR", "DSR", "DCD", "RI"];

/// The lines of the TAP, in the low byte.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct TapLines {
    /// TCK.
    pub tck: Pin,
    /// TDI of the board: an output here.
    pub tdi: Pin,
    /// TDO of the board: an input here.
    pub tdo: Pin,
    /// TMS.
    pub tms: Pin,
}

impl TapLines {
    /// Where every MPSSE has them.
    pub const MPSSE: TapLines = TapLines {
        tck: 0,
        tdi: 1,
        tdo: 2,
        tms: 3,
    };

    /// Our order for bit-bang: TCK on TXD, TDO on RXD, TMS on RTS, TDI on DTR. A chip that is
    /// still a serial port drives TXD, RTS and DTR, all of them high, and none of them meets an
    /// output of the board.
    pub const BIT_BANG: TapLines = TapLines {
        tck: 0,
        tdi: 4,
        tdo: 1,
        tms: 2,
    };

    /// All four: TCK, TDI, TDO, TMS.
    pub fn all(self) -> [Pin; 4] {
        [self.tck, self.tdi, self.tdo, self.tms]
    }
}

/// Which line is which. Lines that stand nowhere in the profile stay inputs.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Profile {
    /// What the adapter is called.
    pub name: String,
    /// The chip's channel, 0 for A.
    pub channel: u8,
    /// How the channel is driven.
    pub way: Way,
    /// TCK, TDI, TDO and TMS.
    pub tap: TapLines,
    /// TCK waits for the board's return clock on [`Profile::RETURN_CLOCK`] (adaptive clocking;
    /// H types).
    pub return_clock: bool,
    /// TRST*, if it is wired.
    pub trst: Option<Wire>,
    /// The board's system reset, if it is wired.
    pub system_reset: Option<Wire>,
    /// The spare lines, spare 0 first, at most 8.
    pub spare: Vec<Wire>,
    /// Lines that are set once when the adapter is opened, to this level of the chip's own
    /// line: buffer enables and the like.
    pub fixed: Vec<(Pin, bool)>,
}

impl Profile {
    /// The line of the return clock on chips that have it: GPIOL3 (AN_108).
    pub const RETURN_CLOCK: Pin = 7;

    /// What data sheets call a line: `ADBUS4`, `BCBUS0`; by bit-bang as on a serial port, `TXD`.
    pub fn line_name(&self, pin: Pin) -> String {
        let letter = char::from(b'A' + self.channel.min(25));
        match (self.way, pin) {
            (Way::BitBang, 0..8) => SERIAL_NAMES[usize::from(pin)].to_owned(),
            (_, 0..8) => format!("{letter}DBUS{pin}"),
            _ => format!("{letter}CBUS{}", pin - 8),
        }
    }

    /// A plain module with an MPSSE that has `high_lines` lines in its high byte: spare 0 to 3
    /// on ADBUS4 to 7, spare 4 to 7 on ACBUS0 to 3, TRST* on ACBUS4 and system reset on ACBUS5
    /// (both only pulled low), as far as the chip has them.
    pub fn plain_module(name: &str, channel: u8, high_lines: u8) -> Profile {
        let has = |pin: Pin| pin < 8 + high_lines;
        Profile {
            name: name.to_owned(),
            channel,
            way: Way::Mpsse,
            tap: TapLines::MPSSE,
            return_clock: false,
            trst: has(12).then_some(Wire::open_drain(12)),
            system_reset: has(13).then_some(Wire::open_drain(13)),
            spare: (4..12)
                .filter(|&pin| has(pin))
                .map(Wire::straight)
                .collect(),
            fixed: Vec::new(),
        }
    }

    /// A plain module by bit-bang: [`TapLines::BIT_BANG`], TRST* on CTS and system reset on DSR
    /// (both only pulled low), spare 0 on DCD, spare 1 on RI.
    pub fn plain_bit_bang(name: &str, channel: u8) -> Profile {
        Profile {
            name: name.to_owned(),
            channel,
            way: Way::BitBang,
            tap: TapLines::BIT_BANG,
            return_clock: false,
            trst: Some(Wire::open_drain(3)),
            system_reset: Some(Wire::open_drain(5)),
            spare: vec![Wire::straight(6), Wire::straight(7)],
            fixed: Vec::new(),
        }
    }

    /// A plain FT2232H module, channel A.
    pub fn plain_ft2232h() -> Profile {
        Profile::plain_module("plain FT2232H module, channel A", 0, 8)
    }

    /// The wire of a side line, if there is one.
    pub fn wire(&self, line: Line) -> Option<Wire> {
        match line {
            Line::Trst => self.trst,
            Line::SystemReset => self.system_reset,
            Line::Spare(k) => self.spare.get(usize::from(k)).copied(),
        }
    }

    /// What is wrong with it on a chip: a channel that cannot be driven so, lines that are not
    /// there or have two tasks, too many spare lines.
    pub fn fault(&self, chip: &Chip) -> Option<String> {
        let letter = char::from(b'A' + self.channel.min(25));
        let there = match self.way {
            Way::Mpsse => self.channel < chip.mpsse_channels,
            Way::BitBang => chip.bit_bang && self.channel < chip.channels,
        };
        if !there {
            let how = match self.way {
                Way::Mpsse => "MPSSE",
                Way::BitBang => "synchronous bit-bang",
            };
            return Some(format!("a {} has no {how} on channel {letter}", chip.name));
        }
        let lines = match self.way {
            Way::Mpsse if self.tap != TapLines::MPSSE => {
                return Some(
                    "an MPSSE has TCK, TDI, TDO and TMS on lines 0, 1, 2 and 3, in this order"
                        .to_owned(),
                );
            }
            Way::Mpsse => 8 + chip.high_lines,
            Way::BitBang => 8,
        };
        if self.return_clock && !chip.fast {
            return Some(format!(
                "a {} cannot wait for a return clock: H types can",
                chip.name
            ));
        }
        if self.spare.len() > 8 {
            return Some(format!("{} spare lines, of 8 at most", self.spare.len()));
        }
        let mut taken = 0u16;
        for pin in self.pins() {
            if pin >= lines {
                let name = self.line_name(pin);
                return Some(format!("a {} has no line {name} for it", chip.name));
            }
            if taken >> pin & 1 == 1 {
                return Some(format!("line {} has two tasks", self.line_name(pin)));
            }
            taken |= 1 << pin;
        }
        None
    }

    /// Every line that has a task.
    fn pins(&self) -> impl Iterator<Item = Pin> {
        let side = self
            .spare
            .iter()
            .chain(&self.trst)
            .chain(&self.system_reset);
        self.tap
            .all()
            .into_iter()
            .chain(side.map(|wire| wire.pin))
            .chain(self.fixed.iter().map(|&(pin, _)| pin))
            .chain(self.return_clock.then_some(Profile::RETURN_CLOCK))
    }

    /// The wish that cannot be met when a side line is not there.
    pub(in super::super) fn lacks(&self, line: Line) -> String {
        let line = match line {
            Line::Trst => "TRST*".to_owned(),
            Line::SystemReset => "the system reset".to_owned(),
            Line::Spare(k) => format!("spare line {k}"),
        };
        format!("set {line}: the profile \"{}\" has no such line", self.name)
    }

    /// From the levels of the chip's lines: bit k is spare line k as the board has it; lines
    /// that there are not read 1.
    pub(in super::super) fn spare_levels(&self, pins: u16) -> u64 {
        let mut levels = 0xff;
        for (k, wire) in self.spare.iter().enumerate() {
            let level = (pins >> wire.pin & 1 == 1) != wire.inverted;
            if !level {
                levels &= !(1 << k);
            }
        }
        levels
    }
}
