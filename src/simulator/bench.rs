//! The bench: devices, nets and time behind the TAP lines.

use std::sync::Arc;

use super::chain::Chain;
use super::device::Device;
use super::nets::{Action, Net, Nets, SourceId};
use super::witness::{DeviceSeen, Loaded, Witness};
use crate::bits::Bits;
use crate::tap::{Clocks, Level, Line, PortError, TapState};

/// A simulated board with its harness and its machine, as one bench file says. Takes TMS and TDI, gives TDO.
///
/// Time is virtual: each cycle takes one period of the rate that [`Clocks::tck_hz`] set (1 MHz until then), and
/// [`Clocks::pass`] lets time go by. The same bench file and the same calls give the same answers.
#[derive(Debug)]
pub struct Bench {
    pub(super) chain: Chain,
    pub(super) nets: Nets,
    pub(super) spares: Vec<Spare>,
    pub(super) has_trst: bool,
    witness: Witness,
    settings: Arc<super::AdapterSettings>,
    /// Picoseconds up to the last change of rate.
    base_ps: u128,
    /// Cycles since then.
    cycles: u64,
    cycles_before: u64,
    extest_updates: u64,
    /// Takes every cycle by itself, as a check on the block moves.
    pub(super) one_by_one: bool,
}

/// A spare line of the adapter and the net that it touches.
#[derive(Debug)]
pub(super) struct Spare {
    pub(super) line: u8,
    pub(super) net: Net,
    pub(super) source: SourceId,
}

/// A spare line touches its place through a resistor (common practice for a probe).
const PROBE_OHMS: u32 = 1_000;

impl Bench {
    pub(super) fn of(
        chain: Chain,
        nets: Nets,
        spares: Vec<Spare>,
        settings: super::AdapterSettings,
    ) -> Self {
        let mut bench = Self {
            has_trst: chain.devices.iter().any(Device::has_trst),
            chain,
            nets,
            spares,
            witness: Witness::default(),
            settings: Arc::new(settings),
            base_ps: 0,
            cycles: 0,
            cycles_before: 0,
            extest_updates: 0,
            one_by_one: false,
        };
        bench.nets.settle(0);
        let unknown = |d: &Device| DeviceSeen {
            name: d.name().into(),
            state: d.state(),
            instruction: String::new(),
            boundary_drivers: 0,
            image_bits: 0,
        };
        let devices: Vec<DeviceSeen> = bench.chain.devices.iter().map(unknown).collect();
        bench.witness.write(|seen| seen.devices = devices);
        bench.tell();
        bench
    }

    /// A handle on what the board sees; stays valid when the bench has been handed on.
    pub fn witness(&self) -> Witness {
        self.witness.clone()
    }

    /// The `[adapter]` settings of the bench file, for the emulated adapter.
    pub fn adapter_settings(&self) -> &super::AdapterSettings {
        &self.settings
    }

    /// Nanoseconds of virtual time so far.
    pub fn now_ns(&self) -> u64 {
        (self.now_ps() / 1000) as u64
    }

    fn now_ps(&self) -> u128 {
        self.base_ps + u128::from(self.cycles) * 1_000_000_000_000 / u128::from(self.chain.tck_hz)
    }

    /// Forgets the cycles counted at the present rate, keeping their time.
    fn rebase(&mut self) {
        self.base_ps = self.now_ps();
        self.cycles_before += self.cycles;
        self.cycles = 0;
    }

    /// Nets come to rest and are looked at.
    fn settle(&mut self) {
        let now = self.now_ns();
        self.nets.settle(now);
        // Outputs of fixed logic may be clocks of the next part; a ring of them is left where it is after that many.
        for _ in 0..16 {
            let nets = &mut self.nets;
            let moved = self
                .chain
                .devices
                .iter_mut()
                .fold(false, |m, d| d.logic(nets) | m);
            if !moved {
                break;
            }
            self.nets.settle(now);
        }
    }

    /// One cycle by itself.
    fn cycle(&mut self, tms: bool, tdi: bool) -> bool {
        let look = self.chain.about_to_capture();
        if look {
            self.settle();
        }
        let tdo = self.chain.cycle(tms, tdi, &mut self.nets);
        self.cycles += 1;
        if look {
            // A joint that fails now and then is as it is from one look to the next.
            self.nets.look();
            self.settle();
        }
        self.after_edge();
        tdo
    }

    /// After an edge that may have changed pins.
    fn after_edge(&mut self) {
        let is = |d: &Device, s| d.state() == s;
        let update = |d: &Device| is(d, TapState::UpdateDr) || is(d, TapState::UpdateIr);
        if !self.chain.devices.iter().any(update) {
            // Test-Logic-Reset, or a design that starts or stops.
            if self.nets.is_stirred() {
                self.settle();
            }
            return;
        }
        self.settle();
        if self
            .chain
            .devices
            .iter()
            .any(|d| d.in_extest() && update(d))
        {
            self.nets.count_update();
            self.extest_updates += 1;
        }
    }

    /// Tells the witness.
    fn tell(&mut self) {
        let (tck_cycles, elapsed_ns) = (self.cycles_before + self.cycles, self.now_ns());
        self.witness.write(|seen| {
            for (device, seen) in self.chain.devices.iter().zip(&mut seen.devices) {
                device.tell(seen);
            }
            seen.tck_cycles = tck_cycles;
            seen.elapsed_ns = elapsed_ns;
            seen.extest_updates = self.extest_updates;
            let loaded = self.chain.devices.iter().flat_map(loaded_by);
            seen.loaded.clear();
            seen.loaded.extend(loaded);
            self.nets.tell(seen);
        });
    }
}

/// The images that a device has taken.
fn loaded_by(device: &Device) -> impl Iterator<Item = Loaded> {
    let engine = device.engine();
    let images = engine.map_or(&[][..], |e| e.images());
    let running = engine.is_some_and(|e| e.running());
    images.iter().enumerate().map(move |(i, image)| Loaded {
        device: device.name().to_string(),
        text: image.text.clone(),
        payload_bytes: image.payload_bytes,
        crc: image.crc,
        running: running && i + 1 == images.len(),
        kept: engine.is_some_and(|e| e.keeps()) && running && i + 1 == images.len(),
    })
}

/// How many bits from `at` on have this value.
fn run_of(bits: &Bits, at: usize, value: bool) -> usize {
    let mut n = 0;
    while at + n < bits.len() {
        let chunk = (bits.len() - at - n).min(64);
        let word = bits.get_u64(at + n, chunk);
        let same = (if value { !word } else { word }).trailing_zeros() as usize;
        if same < chunk {
            return n + same;
        }
        n += chunk;
    }
    n
}

impl Clocks for Bench {
    fn clock(&mut self, tms: &Bits, tdi: &Bits) -> Result<Bits, PortError> {
        let total = tms.len().min(tdi.len());
        let mut tdo = Bits::with_capacity(total);
        let mut at = 0;
        while at < total {
            let common = if self.one_by_one {
                None
            } else {
                self.chain.common_state()
            };
            match common {
                Some(TapState::ShiftDr | TapState::ShiftIr) => {
                    let held = run_of(tms, at, false);
                    let leave = at + held < total;
                    let n = (held + usize::from(leave)).min(total - at);
                    let out = self.chain.shift(tdi.slice(at, n), leave);
                    tdo.append(&out);
                    self.cycles += n as u64;
                    at += n;
                }
                Some(state) if state.hold().is_some() => {
                    let held = run_of(tms, at, state == TapState::TestLogicReset).min(total - at);
                    if held > 0 {
                        let hz = u128::from(self.chain.tck_hz);
                        let ns = (held as u128 * 1_000_000_000 / hz) as u64;
                        for device in &mut self.chain.devices {
                            device.idle(held as u64, ns, &mut self.nets);
                        }
                        tdo.push_run(self.chain.resting_tdo(), held);
                        self.cycles += held as u64;
                        at += held;
                        self.after_edge();
                    } else {
                        tdo.push(self.cycle(tms.get(at), tdi.get(at)));
                        at += 1;
                    }
                }
                _ => {
                    tdo.push(self.cycle(tms.get(at), tdi.get(at)));
                    at += 1;
                }
            }
        }
        self.tell();
        Ok(tdo)
    }

    fn line(&mut self, line: Line, level: Level) -> Result<u8, PortError> {
        match line {
            // A line that is not there may be moved freely: nothing listens.
            Line::Trst if self.has_trst => {
                self.chain.trst(level == Level::Low, &mut self.nets);
            }
            Line::Trst | Line::SystemReset => {}
            Line::Spare(number) => {
                let action = match level {
                    Level::Low => Action::Pull(false, PROBE_OHMS),
                    Level::High => Action::Pull(true, PROBE_OHMS),
                    Level::Released => Action::Off,
                };
                for spare in self.spares.iter().filter(|s| s.line == number) {
                    self.nets.set(spare.source, action);
                }
            }
        }
        self.settle();
        self.tell();
        self.sense()
    }

    fn sense(&mut self) -> Result<u8, PortError> {
        self.settle();
        // A spare line that touches nothing reads 1, as an input with a pull-up.
        Ok(self.spares.iter().fold(u8::MAX, |levels, spare| {
            let bit = 1u8.checked_shl(spare.line.into()).unwrap_or(0);
            if self.nets.level(spare.net) {
                levels | bit
            } else {
                levels & !bit
            }
        }))
    }

    fn pass(&mut self, ns: u64) -> Result<(), PortError> {
        self.base_ps += u128::from(ns) * 1000;
        for device in &mut self.chain.devices {
            device.idle(0, ns, &mut self.nets);
        }
        self.settle();
        self.tell();
        Ok(())
    }

    fn tck_hz(&mut self, hz: u32) {
        self.rebase();
        self.chain.tck_hz = hz.max(1);
    }
}
