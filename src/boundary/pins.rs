//! The chain's boundary registers as pins.

use std::collections::HashMap;
use std::ops::Range;
use std::sync::Arc;

use taploom_bsdl::Device;
use taploom_bsdl::model::{
    CaptureMode, CaptureSource, Cell, CellFunction, DisableResult, Instruction, PortBit, PortMode,
};

use crate::bits::Bits;
use crate::board::{Board, DeviceIndex, DevicePin};
use crate::tap::ChainLayout;

use super::PinsError;

/// Position of a pin in [`Pins`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct PinIndex(pub usize);

/// One device on the chain.
#[derive(Debug, Clone)]
pub struct Seat {
    /// The device of the board.
    pub device: DeviceIndex,
    /// Its name there.
    pub name: Arc<str>,
    /// Whether it takes part: its BSDL gives EXTEST, PRELOAD (or SAMPLE) and a boundary register. A device that does
    /// not stays in BYPASS and its pins count as live.
    pub takes_part: bool,
    /// Where its boundary register (or BYPASS bit) stands in a data scan of the whole chain.
    pub field: Range<usize>,
    pub(super) opcodes: Option<Opcodes>,
}

/// Opcodes of the instructions that select the boundary register. They never leave this room.
#[derive(Debug, Clone)]
pub(super) struct Opcodes {
    pub(super) extest: Bits,
    pub(super) preload: Bits,
    /// `None` where the device has no SAMPLE.
    pub(super) sample: Option<Bits>,
}

/// A pin that boundary scan knows: one port bit of one device.
#[derive(Debug, Clone)]
pub struct ScanPin {
    /// Its position in [`Pins`].
    pub index: PinIndex,
    /// Position of its device on the chain, 0 first after TDI.
    pub seat: usize,
    /// The port bit.
    pub bit: PortBit,
    /// The pin: `U1.12`. Of a bit with several pins the first.
    pub pin: DevicePin,
    /// The port's name with index.
    pub port: String,
    /// What drives it, if anything does.
    pub drive: Option<Drive>,
    /// The cells that see the pin itself under some condition; best first.
    pub watch: Vec<Watch>,
    /// A pin that must never move, and why; `None` for all others.
    pub fixed: Option<Fixed>,
    /// Number of driving cells; more than one is beyond what this tool drives.
    pub(super) driving_cells: usize,
}

/// Why a pin belongs to no test.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Fixed {
    /// It belongs to the test access port.
    Tap,
    /// A compliance pattern holds it.
    Compliance,
    /// Power, ground, analogue: no digital pin.
    Linkage,
}

/// The cell that drives a pin.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Drive {
    /// Its bit in a scan of the whole chain.
    pub cell: usize,
    /// How it is switched off; `None`: it always drives (OUTPUT2).
    pub enable: Option<Enable>,
    /// The safe value, if BSDL gives one.
    pub safe: Option<bool>,
}

impl Drive {
    /// Whether the driver can put this level on the pin. An open-collector form cannot drive its disabling level.
    pub fn can(&self, level: bool) -> bool {
        self.enable
            .is_none_or(|e| e.cell != self.cell || level != e.off)
    }
}

/// How a driver is switched off.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Enable {
    /// The control cell's bit in a scan of the whole chain; the drive cell itself in the open-collector form.
    pub cell: usize,
    /// The value that switches the driver off.
    pub off: bool,
    /// What the pin does then.
    pub result: DisableResult,
}

/// A cell that sees a pin.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Watch {
    /// Its bit in a scan of the whole chain.
    pub cell: usize,
    /// Sees the pin in EXTEST while the pin's own driver is off.
    pub released: bool,
    /// Sees the pin in EXTEST while the pin's own driver is on.
    pub driving: bool,
    /// Sees the pin in SAMPLE while the pin's own driver is off; while it is on, what the driver is told.
    pub sample: bool,
}

/// The boundary registers of a chain as pins.
#[derive(Debug, Clone)]
pub struct Pins {
    seats: Vec<Seat>,
    layout: ChainLayout,
    length: usize,
    pins: Vec<ScanPin>,
    /// Every spelling of a package pin: a port bit may have several.
    by_pin: HashMap<(DeviceIndex, Arc<str>), PinIndex>,
    /// Pins by the bit of their control cell.
    by_control: HashMap<usize, Vec<PinIndex>>,
    /// All cells with what the safe image puts there.
    pub(super) cells: Vec<SafeCell>,
}

/// One cell and its value when nothing is wanted.
#[derive(Debug, Clone, Copy)]
pub(super) struct SafeCell {
    pub(super) cell: usize,
    pub(super) value: bool,
}

impl Pins {
    /// The pins of the devices `present` on the chain, TDI to TDO.
    ///
    /// # Errors
    /// [`PinsError`] if a device is named twice or none is there.
    pub fn new(board: &Board, present: &[DeviceIndex]) -> Result<Self, PinsError> {
        Self::beside(board, present, &[])
    }

    /// As [`Pins::new`], with the devices `mission` left in BYPASS, in their own mission mode: what they drive is live,
    /// and what drives them can be tested by the others.
    ///
    /// # Errors
    /// [`PinsError`] if a device is named twice or none is there.
    pub fn beside(
        board: &Board,
        present: &[DeviceIndex],
        mission: &[DeviceIndex],
    ) -> Result<Self, PinsError> {
        if present.is_empty() {
            return Err(PinsError::EmptyChain);
        }
        let mut seats: Vec<Seat> = Vec::with_capacity(present.len());
        for &device in present {
            let declared = &board.devices[device.0];
            if seats.iter().any(|s| s.device == device) {
                return Err(PinsError::Twice(declared.name.to_string()));
            }
            let opcodes = match mission.contains(&device) {
                true => None,
                false => declared.bsdl.as_deref().and_then(Opcodes::of),
            };
            seats.push(Seat {
                device,
                name: declared.name.clone(),
                takes_part: opcodes.is_some(),
                field: 0..1,
                opcodes,
            });
        }
        let mut start = 0;
        for seat in seats.iter_mut().rev() {
            let bsdl = board.devices[seat.device.0].bsdl.as_deref();
            let length = match bsdl {
                Some(bsdl) if seat.takes_part => bsdl.boundary_length as usize,
                _ => 1,
            };
            seat.field = start..start + length;
            start += length;
        }
        let ir_lengths = present
            .iter()
            .map(|d| board.devices[d.0].ir_length as usize)
            .collect();
        let mut pins = Pins {
            seats,
            layout: ChainLayout::new(ir_lengths),
            length: start,
            pins: Vec::new(),
            by_pin: HashMap::new(),
            by_control: HashMap::new(),
            cells: Vec::new(),
        };
        for seat in 0..pins.seats.len() {
            pins.add_device(board, seat);
        }
        Ok(pins)
    }

    fn add_device(&mut self, board: &Board, seat: usize) {
        let (device, base) = (self.seats[seat].device, self.seats[seat].field.start);
        let declared = &board.devices[device.0];
        let (Some(bsdl), Some(map), true) =
            (&declared.bsdl, declared.pins(), self.seats[seat].takes_part)
        else {
            return;
        };
        for pin in map.pins() {
            let Some(named) = board.device_pin(device, pin.name) else {
                continue;
            };
            let known = (map.pin_of(pin.bit))
                .and_then(|first| board.device_pin(device, first.name))
                .and_then(|first| self.by_pin.get(&(device, first.pin)).copied());
            let index = known.unwrap_or_else(|| {
                let index = PinIndex(self.pins.len());
                let made = scan_pin(bsdl, pin.bit, named.clone(), seat, base);
                self.pins.push(ScanPin { index, ..made });
                index
            });
            self.by_pin.insert((device, named.pin), index);
        }
        for (i, pin) in self.pins.iter().enumerate().filter(|(_, p)| p.seat == seat) {
            if let Some(enable) = pin.drive.and_then(|d| d.enable) {
                self.by_control
                    .entry(enable.cell)
                    .or_default()
                    .push(PinIndex(i));
            }
        }
        self.cells.extend(safe_cells(bsdl, base));
    }

    /// The devices, TDI to TDO.
    pub fn seats(&self) -> &[Seat] {
        &self.seats
    }

    /// Instruction register lengths and the math of instruction scans.
    pub fn layout(&self) -> &ChainLayout {
        &self.layout
    }

    /// Bits in one data scan with every boundary register selected; one bit for each device in BYPASS.
    pub fn length(&self) -> usize {
        self.length
    }

    /// All pins, in the order of the chain and of the pin maps.
    pub fn iter(&self) -> impl Iterator<Item = (PinIndex, &ScanPin)> {
        self.pins.iter().enumerate().map(|(i, p)| (PinIndex(i), p))
    }

    /// Number of pins.
    pub fn len(&self) -> usize {
        self.pins.len()
    }

    /// True without pins.
    pub fn is_empty(&self) -> bool {
        self.pins.is_empty()
    }

    /// One pin.
    ///
    /// # Panics
    /// If the index is not one of these pins.
    pub fn get(&self, pin: PinIndex) -> &ScanPin {
        &self.pins[pin.0]
    }

    /// The pin of that name; `None` if its device takes no part in boundary scan or is not on the chain.
    pub fn find(&self, pin: &DevicePin) -> Option<PinIndex> {
        self.by_pin.get(&(pin.device, pin.pin.clone())).copied()
    }

    /// All pins whose drivers the control cell of this pin switches, itself included. Just the pin itself where it
    /// has a control cell of its own or none at all.
    pub fn group(&self, pin: PinIndex) -> &[PinIndex] {
        let enable = self.get(pin).drive.and_then(|d| d.enable);
        match enable.and_then(|e| self.by_control.get(&e.cell)) {
            Some(group) => group,
            None => std::slice::from_ref(&self.get(pin).index),
        }
    }

    /// Whether some cell sees the pin in EXTEST while its own driver is off.
    pub fn can_hear(&self, pin: PinIndex) -> bool {
        self.get(pin).watch.iter().any(|w| w.released)
    }

    /// Whether some cell sees the pin in EXTEST while its own driver is on.
    pub fn hears_itself(&self, pin: PinIndex) -> bool {
        self.get(pin).watch.iter().any(|w| w.driving)
    }

    /// The level of a pin in a captured scan; `None` where no cell sees it.
    ///
    /// `driving`: whether the pin's own driver was on.
    pub fn level(&self, pin: PinIndex, captured: &Bits, driving: bool) -> Option<bool> {
        let sees = |w: &&Watch| if driving { w.driving } else { w.released };
        let watch = self.get(pin).watch.iter().find(sees)?;
        Some(captured.get(watch.cell))
    }

    /// The level of a pin in a scan captured under SAMPLE; `None` where no cell sees it.
    pub fn sampled(&self, pin: PinIndex, captured: &Bits) -> Option<bool> {
        let watch = self.get(pin).watch.iter().find(|w| w.sample)?;
        Some(captured.get(watch.cell))
    }

    /// Whether the pin's driver was on, as a scan captured under SAMPLE shows it by its control cell; `None` where
    /// that cannot be seen.
    pub fn sampled_driving(&self, pin: PinIndex, captured: &Bits) -> Option<bool> {
        let enable = self.get(pin).drive?.enable?;
        (enable.cell != self.get(pin).drive?.cell).then(|| captured.get(enable.cell) != enable.off)
    }
}

impl Opcodes {
    /// The opcodes of a device that can take part; `None` if it cannot.
    fn of(bsdl: &Device) -> Option<Self> {
        let code = |instruction: Option<&Instruction>| {
            let opcode = instruction?
                .opcodes
                .iter()
                .find(|o| o.len() == bsdl.instruction_length as usize)?;
            // An X may be either; ones keep away from the all-zero code.
            Some(opcode.bits_with_x_as(true).into_iter().collect::<Bits>())
        };
        if bsdl.boundary_length == 0 || bsdl.cells.is_empty() {
            return None;
        }
        Some(Opcodes {
            extest: code(bsdl.instruction("EXTEST"))?,
            preload: code(bsdl.preload())?,
            sample: code(bsdl.instruction("SAMPLE")),
        })
    }
}

fn scan_pin(bsdl: &Device, bit: PortBit, pin: DevicePin, seat: usize, base: usize) -> ScanPin {
    let mode = bsdl.port_of(bit).map(|p| p.mode);
    let fixed = if bsdl.is_tap(bit) {
        Some(Fixed::Tap)
    } else if bsdl.is_compliance(bit) {
        Some(Fixed::Compliance)
    } else if !mode.is_some_and(PortMode::is_digital) {
        Some(Fixed::Linkage)
    } else {
        None
    };
    let drivers: Vec<&Cell> = bsdl.cells_of(bit).filter(|c| c.function.drives()).collect();
    let mut watch: Vec<Watch> = bsdl
        .cells_of(bit)
        .map(|c| watch(bsdl, c, base))
        .filter(|w| w.released || w.driving || w.sample)
        .collect();
    watch.sort_by_key(|w| (!(w.released && w.driving), !w.sample));
    ScanPin {
        index: PinIndex(0),
        seat,
        bit,
        pin,
        port: bsdl.bit_name(bit),
        drive: drivers.first().map(|c| drive(c, base)),
        watch,
        fixed,
        driving_cells: drivers.len(),
    }
}

fn drive(cell: &Cell, base: usize) -> Drive {
    Drive {
        cell: base + cell.number as usize,
        enable: cell.control.map(|d| Enable {
            cell: base + d.cell as usize,
            off: d.disable_value,
            result: d.result,
        }),
        safe: cell.safe.value(),
    }
}

/// What a table line tells of its pin. The parallel input is the pin for cells that watch it, the core's side for
/// those that only drive.
fn watch(bsdl: &Device, cell: &Cell, base: usize) -> Watch {
    let sees = |driving, mode| match bsdl.capture_source(cell, driving, mode) {
        CaptureSource::Po => true,
        CaptureSource::Pi => match cell.function {
            CellFunction::Input | CellFunction::Clock | CellFunction::ObserveOnly => true,
            CellFunction::Bidir => !driving,
            _ => false,
        },
        _ => false,
    };
    Watch {
        cell: base + cell.number as usize,
        released: sees(false, CaptureMode::Extest),
        driving: sees(true, CaptureMode::Extest),
        sample: sees(false, CaptureMode::Sample),
    }
}

/// Every cell's value when nothing is wanted: control cells disable, the rest is at its safe value, 0 where BSDL has
/// X. Where one control cell disables some drivers by 0 and others by 1, most of them win.
fn safe_cells(bsdl: &Device, base: usize) -> Vec<SafeCell> {
    (0..bsdl.boundary_length)
        .map(|number| {
            let votes = bsdl
                .controlled_by(number)
                .filter_map(|c| c.control)
                .map(|d| if d.disable_value { 1 } else { -1 })
                .sum::<i32>();
            let safe = || {
                bsdl.cells_numbered(number)
                    .find_map(|c| c.safe.value())
                    .unwrap_or(false)
            };
            let value = if votes == 0 { safe() } else { votes > 0 };
            SafeCell {
                cell: base + number as usize,
                value,
            }
        })
        .collect()
}
