//! A tiny TAP chain for the tests of this room, written apart from the simulator's.

use std::collections::HashMap;

use crate::bits::Bits;
use crate::tap::{Clocks, Level, Line, PortError, TapState};

/// One device: an instruction register that captures 01, an identification register after
/// reset, BYPASS for all ones, else a register of 11 bits that keeps what was put into it.
struct Device {
    ir: Vec<bool>,
    ir_shift: Vec<bool>,
    idcode: u32,
    kept: Vec<bool>,
    dr_shift: Vec<bool>,
    after_reset: bool,
}

/// Devices from TDI to TDO, bit by bit, slow and plain.
pub(crate) struct Chain {
    devices: Vec<Device>,
    pub(crate) state: TapState,
    pub(crate) lines: HashMap<Line, Level>,
    pub(crate) cycles: u64,
    pub(crate) passed_ns: u64,
    pub(crate) tck_hz: u32,
    /// Every cycle's TMS and TDI, if `keep` is set.
    pub(crate) log: Vec<(bool, bool)>,
    pub(crate) keep: bool,
    /// The cycle at which the chain stops answering.
    pub(crate) dies_at: Option<u64>,
}

impl Chain {
    /// Devices by instruction register length and IDCODE, TDI to TDO.
    pub(crate) fn new(devices: &[(usize, u32)]) -> Chain {
        let devices = devices
            .iter()
            .map(|&(ir_len, idcode)| Device {
                ir: vec![true; ir_len],
                ir_shift: vec![true; ir_len],
                idcode,
                kept: vec![false; 11],
                dr_shift: Vec::new(),
                after_reset: true,
            })
            .collect();
        Chain {
            devices,
            state: TapState::PauseIr,
            lines: HashMap::new(),
            cycles: 0,
            passed_ns: 0,
            tck_hz: 0,
            log: Vec::new(),
            keep: false,
            dies_at: None,
        }
    }

    /// What the devices hold: instruction and kept register, TDI to TDO.
    #[allow(
        dead_code,
        reason = "used by one of the two test programs that share this file"
    )]
    pub(crate) fn registers(&self) -> Vec<(Vec<bool>, Vec<bool>, bool)> {
        let held = |d: &Device| (d.ir.clone(), d.kept.clone(), d.after_reset);
        self.devices.iter().map(held).collect()
    }

    fn cycle(&mut self, tms: bool, tdi: bool) -> bool {
        let mut bit = tdi;
        let mut tdo = true;
        match self.state {
            TapState::TestLogicReset => self.devices.iter_mut().for_each(|d| d.after_reset = true),
            TapState::CaptureIr => {
                for d in &mut self.devices {
                    d.ir_shift.fill(false);
                    d.ir_shift[0] = true;
                }
            }
            TapState::CaptureDr => {
                for d in &mut self.devices {
                    d.dr_shift = if d.after_reset {
                        (0..32).map(|i| d.idcode >> i & 1 == 1).collect()
                    } else if d.ir.iter().all(|&b| b) {
                        vec![false]
                    } else {
                        d.kept.clone()
                    };
                }
            }
            TapState::ShiftIr | TapState::ShiftDr => {
                for d in &mut self.devices {
                    let register = if self.state == TapState::ShiftIr {
                        &mut d.ir_shift
                    } else {
                        &mut d.dr_shift
                    };
                    register.push(bit);
                    bit = register.remove(0);
                }
                tdo = bit;
            }
            _ => {}
        }
        self.state = self.state.next(tms);
        match self.state {
            TapState::TestLogicReset => self.devices.iter_mut().for_each(|d| d.after_reset = true),
            TapState::UpdateIr => {
                for d in &mut self.devices {
                    d.ir = d.ir_shift.clone();
                    d.after_reset = false;
                }
            }
            TapState::UpdateDr => {
                for d in &mut self.devices {
                    if d.dr_shift.len() == d.kept.len() {
                        d.kept = d.dr_shift.clone();
                    }
                }
            }
            _ => {}
        }
        tdo
    }
}

impl Clocks for Chain {
    fn clock(&mut self, tms: &Bits, tdi: &Bits) -> Result<Bits, PortError> {
        assert_eq!(tms.len(), tdi.len());
        let mut tdo = Bits::with_capacity(tms.len());
        for (tms, tdi) in tms.iter().zip(tdi.iter()) {
            if self.dies_at == Some(self.cycles) {
                return Err(PortError::Gone {
                    what: "the test chain".to_owned(),
                    bytes_out: None,
                });
            }
            if self.keep {
                self.log.push((tms, tdi));
            }
            self.cycles += 1;
            tdo.push(self.cycle(tms, tdi));
        }
        Ok(tdo)
    }

    fn line(&mut self, line: Line, level: Level) -> Result<u8, PortError> {
        self.lines.insert(line, level);
        self.sense()
    }

    fn sense(&mut self) -> Result<u8, PortError> {
        let low = (0..8).filter(|&k| self.lines.get(&Line::Spare(k)) == Some(&Level::Low));
        Ok(!low.fold(0, |levels, k| levels | 1 << k))
    }

    fn pass(&mut self, ns: u64) -> Result<(), PortError> {
        self.passed_ns += ns;
        Ok(())
    }

    fn tck_hz(&mut self, hz: u32) {
        self.tck_hz = hz;
    }
}
