//! The pins of one simulated device and the cells behind them.

use taploom_bsdl::Device as Bsdl;
use taploom_bsdl::model::{CaptureMode, CaptureSource, Cell, CellFunction, DisableResult, PortBit};

use super::bench_file::{Behaviour, Idle};
use super::chance::mix;
use super::nets::{Action, Net, Nets, SourceId};
use crate::bits::Bits;

mod flip_flops;
#[cfg(test)]
mod tests;

use flip_flops::FlipFlops;

/// What the test logic does with the pins.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum PinMode {
    /// Nothing: they belong to the device's own design.
    Mission,
    /// The boundary register drives them (EXTEST, CLAMP).
    Boundary,
    /// All outputs are off (HIGHZ; also INTEST, where nobody says what they do).
    Released,
}

/// One pin, as the bench wires it up.
#[derive(Debug, Clone)]
pub(super) struct Wired {
    /// Its port bit.
    pub(super) bit: PortBit,
    /// Its net.
    pub(super) net: Net,
    /// The device's effect on that net.
    pub(super) source: SourceId,
}

/// A port bit with its pins.
#[derive(Debug)]
struct Pin {
    wired: Vec<(SourceId, bool)>,
    /// Its net, if it has a pin.
    net: Option<Net>,
    /// The cell that drives it, and its control cell with the value that switches it off.
    cell: Option<u32>,
    control: Option<(u32, bool)>,
    off: DisableResult,
    mission: Option<Behaviour>,
    on: bool,
}

impl Pin {
    /// The net that shows what the core drives, if the design keeps this pin moving.
    fn moving_net(&self, running: bool) -> Option<Net> {
        self.net
            .filter(|_| running && self.mission == Some(Behaviour::Moving))
    }
}

/// Where a cell's captured bit comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Take {
    Level(Net),
    Core,
    Latch,
    Stage,
    Constant(bool),
    Unknown,
}

#[derive(Debug, Clone, Copy)]
struct Plan {
    /// By instruction (EXTEST, SAMPLE) and by whether the pin's driver is on.
    take: [[Take; 2]; 2],
    /// The pin whose driver counts.
    pin: Option<u32>,
}

/// All pins of a device and its boundary register.
#[derive(Debug)]
pub(super) struct Pins {
    pins: Vec<Pin>,
    plans: Vec<Plan>,
    /// Pins that depend on each cell, as driver or as control.
    by_cell: Vec<Vec<u32>>,
    /// Cells that reset switches to their disabling value.
    on_reset: Vec<(u32, bool)>,
    /// Update latches, bit 0 nearest TDO.
    latches: Bits,
    /// What was in the shift stage last.
    stage: Bits,
    /// The core's side of output and control cells.
    core: Bits,
    idle: Action,
    pull_ohms: u32,
    mode: PinMode,
    running: bool,
    seed: u64,
    captures: u64,
    /// Fixed logic, if the part has any.
    flip_flops: Option<FlipFlops>,
}

impl Pins {
    /// From the BSDL and the pins of the package in use; `spare` is a net that nothing is on, for bits without a pin.
    pub(super) fn new(bsdl: &Bsdl, wired: &[Wired], spare: Net, seed: u64) -> Self {
        let length = bsdl.boundary_length as usize;
        let mut order: Vec<PortBit> = wired.iter().map(|w| w.bit).collect();
        order.extend(bsdl.cells.iter().filter_map(|c| c.port));
        order.sort_unstable();
        order.dedup();
        let mut pins = Vec::new();
        for &bit in &order {
            let partner = bsdl.differential_partner(bit);
            let carrier = match partner {
                Some((representative, _, false)) if bsdl.pin_cells(bit).driver.is_none() => {
                    representative
                }
                _ => bit,
            };
            let cells = bsdl.pin_cells(carrier);
            pins.push(Pin {
                wired: wired
                    .iter()
                    .filter(|w| w.bit == bit)
                    .map(|w| (w.source, carrier != bit))
                    .collect(),
                net: wired.iter().find(|w| w.bit == bit).map(|w| w.net),
                cell: cells.driver.map(|c| c.number),
                control: cells.disable.map(|d| (d.cell, d.disable_value)),
                off: cells.disable.map_or(DisableResult::Z, |d| d.result),
                mission: None,
                on: false,
            });
        }
        let pin_of = |bit: PortBit| order.binary_search(&bit).ok();
        let net_of = |bit: PortBit| wired.iter().find(|w| w.bit == bit).map_or(spare, |w| w.net);

        let mut by_cell = vec![Vec::new(); length];
        for (i, pin) in pins.iter().enumerate() {
            let control = pin.control.map(|(c, _)| c).filter(|c| pin.cell != Some(*c));
            for cell in pin.cell.into_iter().chain(control) {
                if let Some(list) = by_cell.get_mut(cell as usize) {
                    list.push(i as u32);
                }
            }
        }
        let plans = (0..length as u32)
            .map(|number| plan(bsdl, number, &net_of, &pin_of))
            .collect();
        let mut on_reset = Vec::new();
        for cell in bsdl
            .cells
            .iter()
            .filter(|c| c.function == CellFunction::ControlR)
        {
            let off = bsdl
                .controlled_by(cell.number)
                .find_map(|c| c.control.map(|d| d.disable_value))
                .or(cell.safe.value());
            on_reset.extend(off.map(|off| (cell.number, off)));
        }
        let random = |salt: u64| {
            (0..length)
                .map(|i| mix(seed ^ salt ^ mix(i as u64)) & 1 == 1)
                .collect::<Bits>()
        };
        let mut this = Self {
            pins,
            plans,
            by_cell,
            on_reset,
            // Nobody knows what the latches hold at power-on.
            latches: random(0x6c61),
            stage: random(0x7374),
            core: random(0x636f),
            idle: Action::Off,
            pull_ohms: 25_000,
            mode: PinMode::Mission,
            running: false,
            seed,
            captures: 0,
            flip_flops: None,
        };
        this.core_follows();
        this
    }

    /// What released pins do, and how weakly.
    pub(super) fn set_idle(&mut self, idle: Idle, ohms: u32) {
        self.pull_ohms = ohms;
        self.idle = match idle {
            Idle::Float => Action::Off,
            Idle::PullUp => Action::Pull(true, ohms),
            Idle::PullDown => Action::Pull(false, ohms),
        };
    }

    /// What the device's own design drives, by its sources on the nets.
    pub(super) fn set_mission(&mut self, source: SourceId, behaviour: Behaviour) {
        if let Some(pin) = self
            .pins
            .iter_mut()
            .find(|p| p.wired.iter().any(|(s, _)| *s == source))
        {
            pin.mission = Some(behaviour);
        }
    }

    /// The pins take up what they do before anything is asked of them.
    pub(super) fn power_on(&mut self, nets: &mut Nets) {
        self.apply_all(nets);
    }

    /// Starts or stops the device's own design.
    pub(super) fn run(&mut self, running: bool, nets: &mut Nets) {
        if self.running != running {
            self.running = running;
            self.core_follows();
            self.apply_all(nets);
        }
    }

    pub(super) fn set_mode(&mut self, mode: PinMode, nets: &mut Nets) {
        if self.mode != mode {
            self.mode = mode;
            self.apply_all(nets);
        }
    }

    /// Test-Logic-Reset: pins go back to the design, CONTROLR cells to their disabling value.
    pub(super) fn reset(&mut self, nets: &mut Nets) {
        for &(cell, off) in &self.on_reset {
            if (cell as usize) < self.latches.len() {
                self.latches.set(cell as usize, off);
            }
        }
        self.set_mode(PinMode::Mission, nets);
    }

    /// Drivers that the boundary register has switched on.
    pub(super) fn boundary_drivers(&self) -> usize {
        match self.mode {
            PinMode::Boundary => self
                .pins
                .iter()
                .filter(|p| p.on && p.cell.is_some() && !p.wired.is_empty())
                .count(),
            _ => 0,
        }
    }

    /// Capture-DR: the register's new contents, bit 0 first. `None`: the latches go in (an instruction of the
    /// device's own that selects the register).
    pub(super) fn capture(&mut self, mode: Option<CaptureMode>, nets: &Nets) -> Bits {
        let row = match mode {
            Some(CaptureMode::Extest) => 0,
            Some(CaptureMode::Sample) => 1,
            Some(CaptureMode::Intest) => {
                self.captures += 1;
                let (seed, n) = (self.seed, self.captures);
                return (0..self.plans.len()).map(|i| unknown(seed, n, i)).collect();
            }
            None => return self.latches.clone(),
        };
        self.captures += 1;
        let mut out = Bits::with_capacity(self.plans.len());
        let mut word = 0u64;
        let mut filled = 0;
        for (i, plan) in self.plans.iter().enumerate() {
            let pin = plan.pin.map(|p| &self.pins[p as usize]);
            let on = pin.is_some_and(|p| p.on);
            let bit = match plan.take[row][usize::from(on)] {
                Take::Level(net) => nets.level(net),
                Take::Core => match pin.and_then(|p| p.moving_net(self.running)) {
                    Some(net) => nets.level(net),
                    None => self.core.get(i),
                },
                Take::Latch => self.latches.get(i),
                Take::Stage => self.stage.get(i),
                Take::Constant(bit) => bit,
                Take::Unknown => unknown(self.seed, self.captures, i),
            };
            word |= u64::from(bit) << filled;
            filled += 1;
            if filled == 64 {
                out.push_u64(word, 64);
                (word, filled) = (0, 0);
            }
        }
        out.push_u64(word, filled);
        out
    }

    /// Update-DR: the shift stage goes to the latches, and the pins follow where they obey them.
    pub(super) fn update(&mut self, bits: Bits, nets: &mut Nets) {
        let old = std::mem::replace(&mut self.latches, bits.clone());
        self.stage = bits;
        if self.mode != PinMode::Boundary {
            return;
        }
        let len = self.latches.len().min(old.len());
        for (w, (a, b)) in old.words().iter().zip(self.latches.words()).enumerate() {
            let mut changed = a ^ b;
            while changed != 0 {
                let cell = w * 64 + changed.trailing_zeros() as usize;
                changed &= changed - 1;
                if cell < len {
                    for i in 0..self.by_cell[cell].len() {
                        let pin = self.by_cell[cell][i];
                        apply(
                            &mut self.pins[pin as usize],
                            &self.latches,
                            self.idle,
                            self.pull_ohms,
                            nets,
                        );
                    }
                }
            }
        }
    }

    fn apply_all(&mut self, nets: &mut Nets) {
        let (mode, running, idle) = (self.mode, self.running, self.idle);
        let logic = self.flip_flops.as_ref();
        for (i, pin) in self.pins.iter_mut().enumerate() {
            match mode {
                PinMode::Boundary => apply(pin, &self.latches, idle, self.pull_ohms, nets),
                PinMode::Released => {
                    pin.on = false;
                    let action = released(pin, idle, self.pull_ohms);
                    set(pin, action, nets);
                }
                PinMode::Mission if logic.is_some_and(|l| l.output(i).is_some()) => {
                    let output = logic.and_then(|l| l.output(i)).flatten();
                    pin.on = output.is_some();
                    set(pin, output.map_or(Action::Off, Action::Drive), nets);
                }
                PinMode::Mission => {
                    let mission = pin.mission.filter(|_| running);
                    pin.on = mission.is_some();
                    let action = match mission {
                        None => idle,
                        Some(Behaviour::Low) => Action::Drive(false),
                        Some(Behaviour::High) => Action::Drive(true),
                        Some(Behaviour::Moving) => Action::Moving,
                    };
                    set(pin, action, nets);
                }
            }
        }
    }

    /// Brings the core's side of output and control cells in line with the design: a blank part has its drivers off.
    fn core_follows(&mut self) {
        for pin in &self.pins {
            let mission = pin.mission.filter(|_| self.running);
            if let Some((control, off)) = pin.control
                && (control as usize) < self.core.len()
            {
                self.core
                    .set(control as usize, if mission.is_some() { !off } else { off });
            }
            if let (Some(cell), Some(level)) = (pin.cell, mission)
                && (cell as usize) < self.core.len()
            {
                self.core.set(cell as usize, level == Behaviour::High);
            }
        }
    }
}

/// Makes a pin obey the boundary register.
fn apply(pin: &mut Pin, latches: &Bits, idle: Action, pull_ohms: u32, nets: &mut Nets) {
    let latch = |cell: u32| (cell as usize) < latches.len() && latches.get(cell as usize);
    pin.on = pin.cell.is_some() && pin.control.is_none_or(|(cell, off)| latch(cell) != off);
    let action = match pin.cell {
        Some(cell) if pin.on => Action::Drive(latch(cell)),
        _ => released(pin, idle, pull_ohms),
    };
    set(pin, action, nets);
}

/// What a pin does whose driver is off: as its disable result says; a pin without driver does what it always does.
fn released(pin: &Pin, idle: Action, pull_ohms: u32) -> Action {
    match (pin.cell, pin.off) {
        (None, _) => idle,
        (_, DisableResult::Z) => Action::Off,
        (_, DisableResult::Keeper) => Action::Keep,
        (_, DisableResult::Weak0 | DisableResult::Pull0) => Action::Pull(false, pull_ohms),
        (_, DisableResult::Weak1 | DisableResult::Pull1) => Action::Pull(true, pull_ohms),
    }
}

fn set(pin: &Pin, action: Action, nets: &mut Nets) {
    for &(source, inverted) in &pin.wired {
        let action = match action {
            Action::Drive(level) => Action::Drive(level != inverted),
            other => other,
        };
        nets.set(source, action);
    }
}

/// A bit that nobody can foretell, the same in every run of the same seed.
fn unknown(seed: u64, capture: u64, cell: usize) -> bool {
    mix(seed ^ mix(capture << 20 ^ cell as u64)) & 1 == 1
}

/// What one cell captures. Of two lines with one number (a merged cell) the one that watches a pin is asked.
fn plan(
    bsdl: &Bsdl,
    number: u32,
    net_of: &impl Fn(PortBit) -> Net,
    pin_of: &impl Fn(PortBit) -> Option<usize>,
) -> Plan {
    let lines: Vec<&Cell> = bsdl.cells_numbered(number).collect();
    let Some(cell) = (lines.iter())
        .find(|c| c.function.observes())
        .or(lines.first())
    else {
        return Plan {
            take: [[Take::Unknown; 2]; 2],
            pin: None,
        };
    };
    let take = |mode, on: bool| {
        // An input cell's parallel input is its pin; a bidirectional one looks outwards while its driver is off.
        let outward = match cell.function {
            CellFunction::Bidir => !on,
            f => f.observes(),
        };
        match (bsdl.capture_source(cell, on, mode), cell.port) {
            (CaptureSource::Pi, Some(bit)) if outward => Take::Level(net_of(bit)),
            (CaptureSource::Po, Some(bit)) => Take::Level(net_of(bit)),
            (CaptureSource::Pi, _) => Take::Core,
            (CaptureSource::Upd, _) => Take::Latch,
            (CaptureSource::Cap, _) => Take::Stage,
            (CaptureSource::Zero, _) => Take::Constant(false),
            (CaptureSource::One, _) => Take::Constant(true),
            (CaptureSource::Po | CaptureSource::Unknown, _) => Take::Unknown,
        }
    };
    Plan {
        take: [CaptureMode::Extest, CaptureMode::Sample]
            .map(|mode| [take(mode, false), take(mode, true)]),
        pin: cell.port.and_then(pin_of).map(|p| p as u32),
    }
}
