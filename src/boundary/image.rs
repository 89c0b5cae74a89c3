//! Boundary images: the contents of every boundary register of the chain in one data scan.

use crate::bits::Bits;

use super::{PinIndex, Pins};

impl Pins {
    /// The image that drives nothing which can be switched off: control cells disable, the rest is safe.
    pub(super) fn quiet_image(&self) -> Bits {
        let mut bits = Bits::zeros(self.length());
        for cell in &self.cells {
            bits.set(cell.cell, cell.value);
        }
        bits
    }

    /// Switches a pin's driver on at a level; drivers under the same control cell that are not in `keep` come on at
    /// the same level.
    pub(super) fn put(
        &self,
        bits: &mut Bits,
        pin: PinIndex,
        level: bool,
        keep: &[(PinIndex, bool)],
    ) {
        let Some(drive) = self.get(pin).drive else {
            return;
        };
        for &sibling in self.group(pin) {
            if let Some(drive) = self.get(sibling).drive
                && sibling != pin
                && !keep.iter().any(|(p, _)| *p == sibling)
            {
                bits.set(drive.cell, level);
            }
        }
        if let Some(enable) = drive.enable {
            bits.set(enable.cell, !enable.off);
        }
        bits.set(drive.cell, level);
    }

    /// Every pin that an image drives, and its level; in rising order.
    pub(super) fn driven(&self, bits: &Bits) -> Vec<(PinIndex, bool)> {
        self.iter()
            .filter_map(|(index, _)| Some((index, self.driven_level(index, bits)?)))
            .collect()
    }

    /// The level that an image drives a pin to; `None` if its driver is off.
    pub(super) fn driven_level(&self, pin: PinIndex, bits: &Bits) -> Option<bool> {
        let drive = self.get(pin).drive?;
        let on = drive.enable.is_none_or(|e| bits.get(e.cell) != e.off);
        on.then(|| bits.get(drive.cell))
    }
}
