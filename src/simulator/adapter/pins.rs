//! The chip's sixteen lines and what the bench sees of them.

use crate::tap::{Clocks, Level, Line, PortError};

use super::model::Wiring;

/// TCK of an MPSSE in the low byte.
pub(super) const TCK: u16 = 1;
/// TDI of an MPSSE in the low byte.
pub(super) const TDI: u16 = 1 << 1;
/// TMS of an MPSSE in the low byte.
pub(super) const TMS: u16 = 1 << 3;
/// GPIOL1 in the low byte, which the wait commands look at.
pub(super) const GPIOL1: u16 = 1 << 5;

/// The lines of the TAP, each as its bit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Tap {
    pub(super) tck: u16,
    pub(super) tdi: u16,
    pub(super) tdo: u16,
    pub(super) tms: u16,
}

/// Values and directions.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Pins {
    pub(super) value: u16,
    pub(super) outputs: u16,
    /// Lines that are only ever pulled low.
    pub(super) pull_only: u16,
    /// TDO at the last rising edge.
    pub(super) tdo: bool,
    /// The lines that are the bench's TCK, TDI, TDO and TMS.
    pub(super) tap: Tap,
    wiring: Wiring,
    /// What the bench was last told, for each wired line.
    told: Vec<Level>,
}

impl Pins {
    pub(super) fn new(wiring: Wiring) -> Pins {
        let told = vec![Level::Released; wiring.lines.len()];
        let [tck, tdi, tdo, tms] = wiring.tap.map(|pin| 1 << pin);
        Pins {
            value: 0,
            outputs: 0,
            pull_only: 0,
            tdo: true,
            tap: Tap { tck, tdi, tdo, tms },
            wiring,
            told,
        }
    }

    /// Whether the chip drives the line just now.
    pub(super) fn drives(&self, line: u16) -> bool {
        self.outputs & line != 0 && !(self.pull_only & line != 0 && self.value & line != 0)
    }

    /// The level of a line that nothing else drives: 1 where the chip does not.
    pub(super) fn level(&self, line: u16) -> bool {
        !self.drives(line) || self.value & line != 0
    }

    /// The lines that go to side lines of the bench, as bits.
    pub(super) fn side_lines(&self) -> u16 {
        self.wiring.lines.iter().map(|&(pin, _)| 1 << pin).sum()
    }

    /// All levels as the read commands give them, with the bench's spare lines at `spares`.
    pub(super) fn read(&self, spares: u8) -> u16 {
        let mut levels = 0;
        for pin in 0..16 {
            let line = 1 << pin;
            let wired = self.wiring.lines.iter().find(|&&(p, _)| p == pin);
            let level = match wired {
                // What the chip drives it reads back, whatever the bench has on that line.
                Some((_, Line::Spare(k))) if *k < 8 && !self.drives(line) => spares >> k & 1 == 1,
                _ if line == self.tap.tdo && !self.drives(line) => self.tdo,
                _ => self.level(line),
            };
            levels |= u16::from(level) << pin;
        }
        levels
    }

    /// Tells the bench of the side lines that changed.
    pub(super) fn tell(&mut self, clocks: &mut impl Clocks) -> Result<(), PortError> {
        for i in 0..self.wiring.lines.len() {
            let (pin, line) = self.wiring.lines[i];
            let bit = 1 << pin;
            let level = match (self.drives(bit), self.value & bit != 0) {
                (false, _) => Level::Released,
                (true, true) => Level::High,
                (true, false) => Level::Low,
            };
            if level != self.told[i] {
                self.told[i] = level;
                match clocks.line(line, level) {
                    // The bench has nothing on that line.
                    Ok(_) | Err(PortError::Unsupported { .. }) => {}
                    Err(e) => return Err(e),
                }
            }
        }
        Ok(())
    }
}
