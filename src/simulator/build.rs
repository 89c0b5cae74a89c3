//! From a bench file and its board to a bench: which nets there really are, and what is on them.

use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use taploom_bsdl::Device as Bsdl;
use taploom_bsdl::model::{PinMap, PortMode};

use super::bench::{Bench, Spare};
use super::bench_file::{BenchFile, ChainFaultKind, DeviceRow, Entity, FlipFlops, Idle, Named};
use super::chain::{Chain, DoubleClock};
use super::chance::mix;
use super::device::{Device, Parts, fill};
use super::engine::EngineModel;
use super::engine_file;
use super::nets::{Net, Nets, SourceId};
use super::pins::{Pins, Wired};
use super::wiring::Wiring;
use crate::board::library::Library;
use crate::board::{Board, BoardError, Cause, DeviceIndex, Location, Place, Problem};
use crate::tables::Fault;

/// Why a bench cannot be set up.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum BenchError {
    /// The bench file, or a file of a simulated device: all that is wrong with it.
    #[error(transparent)]
    Bench(BoardError),
    /// The board file that it names.
    #[error(transparent)]
    Board(BoardError),
}

impl BenchError {
    /// What is wrong, each with place, cause and mend; never empty.
    pub fn problems(&self) -> &[Problem] {
        match self {
            Self::Bench(error) | Self::Board(error) => &error.problems,
        }
    }
}

/// What stands in one place of the chain.
struct Slot {
    name: String,
    /// The device of the board whose pins it is soldered to.
    place: Option<DeviceIndex>,
    bsdl: Option<Arc<Bsdl>>,
    path: Option<PathBuf>,
    /// Position of the package in use.
    pin_map: Option<usize>,
    ir_length: u32,
    idcode: Option<u32>,
}

/// A bench in the making.
pub(super) struct Builder<'a> {
    pub(super) board: &'a Board,
    pub(super) file: &'a BenchFile,
    pub(super) problems: Vec<Problem>,
}

impl Bench {
    /// Sets up the bench that a bench file describes.
    ///
    /// # Errors
    /// The file, its board or the files of its devices cannot be read or do not fit together.
    pub fn open(path: impl AsRef<Path>) -> Result<Self, BenchError> {
        let file = BenchFile::load(path).map_err(BenchError::Bench)?;
        let board = Board::load(&file.board).map_err(BenchError::Board)?;
        Self::build(&file, &board)
    }

    /// Sets up a bench from what has been read.
    ///
    /// # Errors
    /// Names that the board does not have; files of devices that cannot be read.
    pub fn build(file: &BenchFile, board: &Board) -> Result<Self, BenchError> {
        let mut builder = Builder {
            board,
            file,
            problems: vec![],
        };
        let slots = builder.slots();
        let bench = builder.assemble(&slots);
        if let Err(problems) = super::adapter::Setup::of(&file.adapter) {
            builder.problems.extend(problems);
        }
        if builder.problems.is_empty() {
            Ok(bench)
        } else {
            Err(BenchError::Bench(BoardError {
                path: file.path.clone(),
                problems: builder.problems,
            }))
        }
    }
}

impl<'a> Builder<'a> {
    pub(super) fn report(&mut self, at: &Location, cause: impl Into<Cause>) {
        let at = at.clone();
        let cause = cause.into();
        self.problems.push(Problem { at, cause });
    }

    pub(super) fn conflict(&mut self, at: &Location, what: String, help: impl Into<String>) {
        let help = help.into();
        self.report(at, Fault::Conflict { what, help });
    }

    /// A place on the board.
    pub(super) fn place(&mut self, name: &Named) -> Option<Place> {
        self.board
            .place(&name.name)
            .map_err(|cause| self.report(&name.at, cause))
            .ok()
    }

    fn device(&mut self, name: &Named) -> Option<DeviceIndex> {
        let found = self.board.device(&name.name);
        if found.is_none() {
            let known: Vec<&str> = self.board.devices.iter().map(|d| &*d.name).collect();
            let help = format!("the board has {}", known.join(", "));
            self.conflict(
                &name.at,
                format!("the board has no device {}", name.name),
                help,
            );
        }
        found
    }

    /// What stands in the chain, TDI to TDO: the board's devices that are fitted, changed by the chain's faults.
    fn slots(&mut self) -> Vec<Slot> {
        let mut fitted = Vec::new();
        for name in &self.file.with {
            if let Some(index) = self.device(name) {
                if !self.board.devices[index.0].optional {
                    let what = format!("{} is not optional: it is always fitted", name.name);
                    self.conflict(&name.at, what, "leave it out of `with`");
                }
                fitted.push(index);
            }
        }
        let mut slots: Vec<Slot> = Vec::new();
        for (i, device) in self.board.devices.iter().enumerate() {
            if !device.optional || fitted.contains(&DeviceIndex(i)) {
                slots.push(Slot {
                    name: device.name.to_string(),
                    place: Some(DeviceIndex(i)),
                    bsdl: device.bsdl.clone(),
                    path: device.bsdl_path.clone(),
                    pin_map: device.pin_map,
                    ir_length: device.ir_length,
                    idcode: match &device.bsdl {
                        Some(_) => None,
                        None => device.idcodes.first().map(|p| fill(p, self.chance_of(i))),
                    },
                });
            }
        }
        for row in &self.file.devices {
            if let Some(slot) = self.slot(&row.name, &slots) {
                slots[slot].idcode = row.idcode.or(slots[slot].idcode);
            }
        }
        for fault in &self.file.chain_faults {
            match &fault.kind {
                ChainFaultKind::WrongDevice {
                    device,
                    entity,
                    idcode,
                } => {
                    let Some(slot) = self.slot(device, &slots) else {
                        continue;
                    };
                    slots[slot].idcode = *idcode;
                    if let Some((bsdl, path)) = entity.as_ref().and_then(|e| self.entity(e)) {
                        let slot = &mut slots[slot];
                        slot.ir_length = bsdl.instruction_length;
                        slot.pin_map = best_package(&bsdl, slot.place, self.board);
                        (slot.bsdl, slot.path) = (Some(bsdl), Some(path));
                    }
                }
                ChainFaultKind::Missing { device } => {
                    if let Some(slot) = self.slot(device, &slots) {
                        slots.remove(slot);
                    }
                }
                ChainFaultKind::Extra { entity, after } => {
                    let at = match after {
                        Some(name) => self.slot(name, &slots).map(|i| i + 1),
                        None => Some(0),
                    };
                    if let (Some(at), Some((bsdl, path))) = (at, self.entity(entity)) {
                        slots.insert(
                            at,
                            Slot {
                                name: format!("extra {}", bsdl.entity),
                                place: None,
                                ir_length: bsdl.instruction_length,
                                bsdl: Some(bsdl),
                                path: Some(path),
                                pin_map: None,
                                idcode: None,
                            },
                        );
                    }
                }
                _ => {}
            }
        }
        slots
    }

    fn chance_of(&self, device: usize) -> u32 {
        mix(self.file.seed ^ mix(device as u64 + 1)) as u32
    }

    /// A device that stands in the chain.
    fn slot(&mut self, name: &Named, slots: &[Slot]) -> Option<usize> {
        let index = self.device(name)?;
        let found = slots.iter().position(|s| s.place == Some(index));
        if found.is_none() {
            let what = format!("{} is not fitted on this bench", name.name);
            self.conflict(
                &name.at,
                what,
                format!("add it to `with`: with = [\"{}\"]", name.name),
            );
        }
        found
    }

    /// A device description by entity or by file.
    fn entity(&mut self, entity: &Entity) -> Option<(Arc<Bsdl>, PathBuf)> {
        let mut library = Library::default();
        match entity {
            Entity::Name(name) => {
                let declared = self.board.devices.iter().find(|d| {
                    d.entity
                        .as_ref()
                        .is_some_and(|e| e.eq_ignore_ascii_case(&name.name))
                });
                if let Some(device) = declared {
                    return Some((device.bsdl.clone()?, device.bsdl_path.clone()?));
                }
                let mut folders: Vec<&Path> = (self.board.devices.iter())
                    .filter_map(|d| d.bsdl_path.as_ref()?.parent())
                    .collect();
                folders.dedup();
                for folder in folders {
                    if let Err(cause) = library.add(folder.to_path_buf()) {
                        self.report(&name.at, cause);
                    }
                }
                let found = library.device(&name.name);
                let found = found.map_err(|cause| self.report(&name.at, cause)).ok()?;
                Some((found.0, found.1))
            }
            Entity::File(path, at) => {
                let bytes = match crate::files::read(path) {
                    Ok(bytes) => bytes,
                    Err(e) => {
                        let what = format!("cannot read the BSDL file {}: {e}", path.display());
                        let help = "paths count from the folder of the bench file";
                        self.conflict(at, what, help);
                        return None;
                    }
                };
                let outcome = taploom_bsdl::parse(&bytes, &taploom_bsdl::Options::default());
                match outcome.device {
                    Some(device) if device.instruction_length >= 2 => {
                        Some((Arc::new(device), path.clone()))
                    }
                    _ => {
                        let what = format!("{} describes no device", path.display());
                        self.conflict(at, what, "`taploom vet` shows what is wrong with it");
                        None
                    }
                }
            }
        }
    }

    fn assemble(&mut self, slots: &[Slot]) -> Bench {
        let seed = self.file.seed;
        let mut nets = Nets::new(seed, self.file.floating);
        let mut wiring = Wiring::of(self);
        wiring.make(self, &mut nets);
        let spare_net = nets.add("nothing", Default::default());

        let mut devices = Vec::new();
        for slot in slots {
            let row = self.row(slot);
            let device = self.make(slot, row, &mut wiring, &mut nets, spare_net);
            devices.push(device);
        }
        let mut chain = Chain::new(devices, mix(seed ^ 0x6368));
        self.chain_faults(slots, &mut chain);
        let mut spares = Vec::new();
        for (line, name) in &self.file.spare {
            if let Some(place) = self.place(name) {
                let net = wiring.net(&place, &mut nets);
                let source = nets.source(net, format!("spare line {line}"), false);
                spares.push(Spare {
                    line: *line,
                    net,
                    source,
                });
            }
        }
        Bench::of(chain, nets, spares, self.file.adapter.clone())
    }

    fn row(&self, slot: &Slot) -> Option<&'a DeviceRow> {
        self.file
            .devices
            .iter()
            .find(|r| slot.place.is_some() && self.board.device(&r.name.name) == slot.place)
    }

    /// One device with its pins on the nets.
    fn make(
        &mut self,
        slot: &Slot,
        row: Option<&DeviceRow>,
        wiring: &mut Wiring,
        nets: &mut Nets,
        spare: Net,
    ) -> Device {
        let seed = mix(self.file.seed ^ slot.name.bytes().fold(7, |h, b| mix(h ^ u64::from(b))));
        let mut wired = Vec::new();
        // By pin name, for the mission.
        let mut by_pin = HashMap::new();
        let map = slot.map();
        if let (Some(bsdl), Some(map), Some(place)) = (&slot.bsdl, map, slot.place) {
            for pin in map.pins() {
                let mode = bsdl.port_of(pin.bit).map(|p| p.mode);
                if bsdl.is_tap(pin.bit) || !mode.is_some_and(PortMode::is_digital) {
                    continue;
                }
                let label = format!("{}.{}", slot.name, pin.name);
                let (net, strong) = match self.board.device_pin(place, pin.name) {
                    Some(at) => {
                        let at = Place::from(at);
                        (wiring.net(&at, nets), wiring.is_strong(&at))
                    }
                    None => (nets.add(label.clone(), Default::default()), false),
                };
                let source = nets.source(net, label, strong);
                by_pin.insert(pin.name.to_ascii_uppercase(), (source, net));
                wired.push(Wired {
                    bit: pin.bit,
                    net,
                    source,
                });
            }
        }
        let mut pins = slot
            .bsdl
            .as_ref()
            .map(|bsdl| Pins::new(bsdl, &wired, spare, seed));
        if let Some(pins) = &mut pins {
            pins.set_idle(
                row.map_or(Idle::Float, |r| r.idle),
                row.map_or(25_000, |r| r.pull_ohms),
            );
        }
        for (name, behaviour) in row.map_or(&[][..], |r| &r.mission) {
            let wanted = format!("{}.{}", slot.name, name.name);
            match self.board.places(&wanted) {
                Err(cause) => self.report(&name.at, cause),
                Ok(places) => {
                    for place in places {
                        let pin = place.device_pin().map(|p| p.pin.to_ascii_uppercase());
                        match (pin.and_then(|p| by_pin.get(&p)), &mut pins) {
                            (Some((source, _)), Some(pins)) => {
                                pins.set_mission(*source, *behaviour)
                            }
                            _ => self.conflict(
                                &name.at,
                                format!("{place} is no signal pin"),
                                "a design drives signal pins of its device only",
                            ),
                        }
                    }
                }
            }
        }
        if let (Some(pins), Some(logic)) = (&mut pins, row.and_then(|r| r.flip_flops.as_ref())) {
            self.flip_flops(slot, logic, &by_pin, pins);
        }
        let engine = self.engine(slot, row);
        let parts = Parts {
            name: slot.name.clone(),
            bsdl: slot.bsdl.clone(),
            ir_length: slot.ir_length,
            idcode: slot.idcode,
            usercode: row.and_then(|r| r.usercode),
            pins,
            engine,
            configured: row.is_some_and(|r| r.configured),
            seed,
        };
        Device::new(parts, nets)
    }

    /// Gives a device its flip-flops.
    fn flip_flops(
        &mut self,
        slot: &Slot,
        logic: &FlipFlops,
        by_pin: &HashMap<String, (SourceId, Net)>,
        pins: &mut Pins,
    ) {
        let mut find = |name: &Named| {
            let found = by_pin.get(&name.name.to_ascii_uppercase()).copied();
            if found.is_none() {
                self.conflict(
                    &name.at,
                    format!("{}.{} is no signal pin", slot.name, name.name),
                    "flip-flops stand between signal pins of their device",
                );
            }
            found
        };
        let clock = find(&logic.clock);
        let enable = logic.enable.as_ref().map(&mut find);
        let pairs: Vec<_> = (logic.pairs.iter())
            .map(|(from, to)| Some((find(from)?.1, find(to)?.0)))
            .collect();
        let pairs: Option<Vec<_>> = pairs.into_iter().collect();
        if let (Some((_, clock)), Some(pairs)) = (clock, pairs) {
            let enable = enable.flatten().map(|(_, net)| net);
            pins.set_flip_flops(clock, enable, &pairs);
        }
    }

    /// How the device takes an image: as the bench file says, else as a file beside its BSDL says.
    fn engine(&mut self, slot: &Slot, row: Option<&DeviceRow>) -> Option<Arc<EngineModel>> {
        let path = match row.and_then(|r| r.engine.as_ref()) {
            Some((path, _)) => path.clone(),
            None => {
                let beside = slot.path.as_ref()?.with_extension("engine.toml");
                beside.is_file().then_some(beside)?
            }
        };
        match engine_file::load(&path) {
            Ok(model) => Some(Arc::new(model)),
            Err(error) => {
                self.problems.extend(error.problems);
                None
            }
        }
    }

    fn chain_faults(&mut self, slots: &[Slot], chain: &mut Chain) {
        let file = self.file;
        for fault in &file.chain_faults {
            match &fault.kind {
                ChainFaultKind::StuckTdo { device, level } => {
                    if let Some(at) = self.after(device.as_ref(), slots, slots.len()) {
                        chain.wires[at].stuck = Some(*level);
                    }
                }
                ChainFaultKind::Broken { after, reads } => {
                    if let Some(at) = self.after(after.as_ref(), slots, 0) {
                        chain.wires[at].stuck = Some(*reads);
                    }
                }
                ChainFaultKind::BitErrors {
                    after,
                    ppb,
                    above_hz,
                } => {
                    if let Some(at) = self.after(after.as_ref(), slots, slots.len()) {
                        chain.wires[at].error_ppb = *ppb;
                        chain.wires[at].error_above_hz = *above_hz;
                    }
                }
                ChainFaultKind::DoubleClock {
                    device,
                    ppb,
                    above_hz,
                } => {
                    let device = match device {
                        Some(name) => match self.slot(name, slots) {
                            Some(index) => Some(index),
                            None => continue,
                        },
                        None => None,
                    };
                    chain.double_clocks.push(DoubleClock {
                        device,
                        ppb: *ppb,
                        above_hz: *above_hz,
                    });
                }
                ChainFaultKind::WrongDevice { .. }
                | ChainFaultKind::Missing { .. }
                | ChainFaultKind::Extra { .. } => {}
            }
        }
    }

    /// The line behind a device; `usual` where none is named.
    fn after(&mut self, device: Option<&Named>, slots: &[Slot], usual: usize) -> Option<usize> {
        match device {
            Some(name) => self.slot(name, slots).map(|i| i + 1),
            None => Some(usual),
        }
    }
}

impl Slot {
    fn map(&self) -> Option<&PinMap> {
        self.bsdl.as_ref()?.pin_maps.get(self.pin_map?)
    }
}

/// The package of a device that was fitted in another's place: the one that has the most of its pins.
fn best_package(bsdl: &Bsdl, place: Option<DeviceIndex>, board: &Board) -> Option<usize> {
    let there = place.and_then(|p| board.devices[p.0].pins());
    let fits = |map: &PinMap| {
        there.map_or(0, |there| {
            map.pins()
                .filter(|p| there.bit_of(p.name).is_some())
                .count()
        })
    };
    (0..bsdl.pin_maps.len()).max_by_key(|i| (fits(&bsdl.pin_maps[*i]), std::cmp::Reverse(*i)))
}
