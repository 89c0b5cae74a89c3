//! Fixed logic of a part: D flip-flops with a common clock and output enable.
//!
//! Published function of the octal parts of this kind: at the rising edge of the clock each output takes the level of its
//! input and keeps it; the outputs are off while the enable is high.

use super::{PinMode, Pins};
use crate::simulator::chance::mix;
use crate::simulator::nets::{Net, Nets, SourceId};

/// The flip-flops of one device.
#[derive(Debug)]
pub(super) struct FlipFlops {
    clock: Net,
    enable: Option<Net>,
    /// Input net, output pin by its place in the device, what is held.
    rows: Vec<(Net, usize, bool)>,
    /// The clock's level at the last look; nobody knows it at power-on.
    last: Option<bool>,
    on: bool,
}

impl FlipFlops {
    /// What a pin puts out: `None` if it is no output of these, `Some(None)` if it is off.
    pub(super) fn output(&self, pin: usize) -> Option<Option<bool>> {
        let row = self.rows.iter().find(|r| r.1 == pin)?;
        Some(self.on.then_some(row.2))
    }
}

impl Pins {
    /// Puts flip-flops between nets and output pins. What they hold at first is left to chance.
    pub(in crate::simulator) fn set_flip_flops(
        &mut self,
        clock: Net,
        enable: Option<Net>,
        pairs: &[(Net, SourceId)],
    ) {
        let seed = self.seed;
        let rows = pairs.iter().enumerate().filter_map(|(i, (from, to))| {
            let of = |p: &super::Pin| p.wired.iter().any(|(s, _)| s == to);
            let pin = self.pins.iter().position(of)?;
            Some((*from, pin, mix(seed ^ mix(0x6666 + i as u64)) & 1 == 1))
        });
        self.flip_flops = Some(FlipFlops {
            clock,
            enable,
            rows: rows.collect(),
            last: None,
            on: false,
        });
    }

    /// Looks at clock and enable once the nets have come to rest; true if an output has changed.
    pub(in crate::simulator) fn logic(&mut self, nets: &mut Nets) -> bool {
        let Some(logic) = &mut self.flip_flops else {
            return false;
        };
        let clock = nets.level(logic.clock);
        let rising = logic.last == Some(false) && clock;
        logic.last = Some(clock);
        if self.mode != PinMode::Mission {
            return false;
        }
        let on = logic.enable.is_none_or(|net| !nets.level(net));
        let mut changed = on != logic.on;
        logic.on = on;
        if rising {
            for row in &mut logic.rows {
                let level = nets.level(row.0);
                changed |= level != row.2;
                row.2 = level;
            }
        }
        if changed {
            self.apply_all(nets);
        }
        changed
    }
}
