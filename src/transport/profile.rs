//! Adapter profiles: which line of the chip is which line of the board.

use crate::tap::Line;

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

/// Which line is which. TCK, TDI, TDO and TMS are where the MPSSE has them: ADBUS0 to ADBUS3.
/// Lines that stand nowhere in the profile stay inputs.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Profile {
    /// What the adapter is called.
    pub name: String,
    /// The chip's channel, 0 for A.
    pub channel: u8,
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
    /// A plain module with an MPSSE that has `high_lines` lines in its high byte: spare 0 to 3
    /// on ADBUS4 to 7, spare 4 to 7 on ACBUS0 to 3, TRST* on ACBUS4 and system reset on ACBUS5
    /// (both only pulled low), as far as the chip has them.
    pub fn plain_module(name: &str, channel: u8, high_lines: u8) -> Profile {
        let has = |pin: Pin| pin < 8 + high_lines;
        Profile {
            name: name.to_owned(),
            channel,
            trst: has(12).then_some(Wire::open_drain(12)),
            system_reset: has(13).then_some(Wire::open_drain(13)),
            spare: (4..12)
                .filter(|&pin| has(pin))
                .map(Wire::straight)
                .collect(),
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
}
