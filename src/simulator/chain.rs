//! The chain: devices from TDI to TDO, the lines between them, and what is wrong with those.

use super::chance::Chance;
use super::device::Device;
use super::nets::Nets;
use crate::bits::Bits;
use crate::tap::TapState;

/// The line behind a device's TDO (or before the first device), and its faults.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Wire {
    /// The level that whoever listens reads, whatever is sent.
    pub(super) stuck: Option<bool>,
    /// Chance in a thousand million that a bit is read wrong.
    pub(super) error_ppb: u32,
    /// Only when TCK is faster than this.
    pub(super) error_above_hz: u32,
}

impl Wire {
    pub(super) const GOOD: Self = Self {
        stuck: None,
        error_ppb: 0,
        error_above_hz: 0,
    };
}

/// TCK that a device sees twice.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct DoubleClock {
    /// Which device, TDI to TDO; all at once without.
    pub(super) device: Option<usize>,
    /// Chance in a thousand million a cycle.
    pub(super) ppb: u32,
    /// Only when TCK is faster than this.
    pub(super) above_hz: u32,
}

/// All devices of a bench.
#[derive(Debug)]
pub(super) struct Chain {
    /// TDI to TDO.
    pub(super) devices: Vec<Device>,
    /// The line before each device, and last the one to the adapter's TDO.
    pub(super) wires: Vec<Wire>,
    pub(super) double_clocks: Vec<DoubleClock>,
    pub(super) tck_hz: u32,
    chance: Chance,
    trst_low: bool,
    /// TDI of each device in the present cycle; kept to spare an allocation a cycle.
    inputs: Vec<bool>,
}

impl Chain {
    pub(super) fn new(devices: Vec<Device>, seed: u64) -> Self {
        Self {
            wires: vec![Wire::GOOD; devices.len() + 1],
            devices,
            double_clocks: vec![],
            tck_hz: 1_000_000,
            chance: Chance::new(seed),
            trst_low: false,
            inputs: vec![],
        }
    }

    /// The state that all TAPs share; `None` if they have come apart, or if some faults make each cycle count.
    pub(super) fn common_state(&self) -> Option<TapState> {
        let hz = self.tck_hz;
        if self.trst_low || self.double_clocks.iter().any(|d| hz > d.above_hz) {
            return None;
        }
        let first = self
            .devices
            .first()
            .map_or(TapState::RunTestIdle, Device::state);
        self.devices
            .iter()
            .all(|d| d.state() == first)
            .then_some(first)
    }

    /// Shifts a block through the chain; all TAPs are in the same Shift state. With `leave` the last cycle has TMS
    /// high.
    pub(super) fn shift(&mut self, tdi: Bits, leave: bool) -> Bits {
        let mut bits = self.carry(0, tdi);
        for i in 0..self.devices.len() {
            bits = self.devices[i].shift(&bits);
            bits = self.carry(i + 1, bits);
            if leave {
                self.devices[i].leave_shift();
            }
        }
        bits
    }

    /// What arrives at the other end of a line.
    fn carry(&mut self, wire: usize, mut bits: Bits) -> Bits {
        let line = self.wires[wire];
        if let Some(level) = line.stuck {
            return if level {
                Bits::ones(bits.len())
            } else {
                Bits::zeros(bits.len())
            };
        }
        if line.error_ppb > 0 && self.tck_hz > line.error_above_hz {
            for i in 0..bits.len() {
                if self.chance.hits(line.error_ppb) {
                    bits.set(i, !bits.get(i));
                }
            }
        }
        bits
    }

    /// As [`Self::carry`] for one bit; an undriven line reads 1.
    fn carry_one(&mut self, wire: usize, bit: Option<bool>) -> bool {
        let line = self.wires[wire];
        if let Some(level) = line.stuck {
            return level;
        }
        let wrong = bit.is_some()
            && line.error_ppb > 0
            && self.tck_hz > line.error_above_hz
            && self.chance.hits(line.error_ppb);
        bit.unwrap_or(true) != wrong
    }

    /// The level of the adapter's TDO while no TAP shifts.
    pub(super) fn resting_tdo(&self) -> bool {
        self.wires[self.devices.len()].stuck.unwrap_or(true)
    }

    /// One cycle, each TAP by its own state; gives TDO just before the rising edge.
    pub(super) fn cycle(&mut self, tms: bool, tdi: bool, nets: &mut Nets) -> bool {
        let mut line = self.carry_one(0, Some(tdi));
        let mut inputs = std::mem::take(&mut self.inputs);
        inputs.clear();
        for i in 0..self.devices.len() {
            inputs.push(line);
            line = self.carry_one(i + 1, self.devices[i].tdo());
        }
        let twice = self.doubled();
        for (i, device) in self.devices.iter_mut().enumerate() {
            if self.trst_low && device.has_trst() {
                continue;
            }
            device.rising(tms, inputs[i], nets);
            if twice.is_some_and(|which| which.is_none_or(|d| d == i)) {
                device.falling(nets);
                device.rising(tms, inputs[i], nets);
            }
        }
        for device in &mut self.devices {
            device.falling(nets);
        }
        self.inputs = inputs;
        line
    }

    /// Whether this cycle is seen twice, and by whom (`Some(None)`: by all).
    fn doubled(&mut self) -> Option<Option<usize>> {
        for i in 0..self.double_clocks.len() {
            let fault = self.double_clocks[i];
            if self.tck_hz > fault.above_hz && self.chance.hits(fault.ppb) {
                return Some(fault.device);
            }
        }
        None
    }

    /// Whether the next cycle may capture, so that the nets have to be at rest before it.
    pub(super) fn about_to_capture(&self) -> bool {
        self.devices
            .iter()
            .any(|d| d.state() == TapState::CaptureDr)
    }

    /// The level of TRST*.
    pub(super) fn trst(&mut self, low: bool, nets: &mut Nets) {
        self.trst_low = low;
        if low {
            for device in self.devices.iter_mut().filter(|d| d.has_trst()) {
                device.trst(nets);
            }
        }
    }
}
