//! The declared board: plain data, checked.

use std::collections::HashMap;
use std::path::PathBuf;
use std::sync::Arc;

use taploom_bsdl::Device;
use taploom_bsdl::model::{Pattern, PinMap, PortBit};

use super::netlist::{Drawn, Netlist};
use super::part::{Channel, Direction, Enable};
use super::place::{ConnectorPin, DevicePin, Level, Place};
use super::shapes::Shape;
use crate::tables::Location;

/// A board as its files declare it. Every reference in it has been checked.
#[derive(Debug, Clone)]
pub struct Board {
    /// `name` of `[board]`.
    pub name: String,
    /// The board file as it was asked for.
    pub path: PathBuf,
    /// Every file that it was read from: the board file, the harness, recipes, BSDL files.
    pub files: Vec<PathBuf>,
    /// Devices of the chain, TDI to TDO, optional ones included.
    pub devices: Vec<BoardDevice>,
    /// Headers.
    pub connectors: Vec<Connector>,
    /// Sockets.
    pub sockets: Vec<Socket>,
    /// Wires of the harness file, then those of `[[wire]]` tables.
    pub wires: Vec<Wire>,
    /// Parts between connector and device, or in a wire.
    pub parts: Vec<Part>,
    /// Declared pulls, one a pin.
    pub pulls: Vec<Pull>,
    /// Outputs of parts that are not on the chain, one a pin.
    pub drivers: Vec<Driver>,
    /// Pins that are joined on purpose.
    pub ties: Vec<Tie>,
    /// What the guard holds to.
    pub guard: GuardRules,
    /// `max_hz` of `[tck]`; see [`Board::tck_max_hz`] for the rate that may be used.
    pub tck_max_hz: Option<u32>,
    /// Hexadecimal fingerprint of the board file, the harness file and the BSDL files in use, to tell whether a record
    /// belongs to this board. FNV-1a, 64 bits: against accidents, not against malice.
    pub hash: String,
    /// The nets that all this makes.
    pub netlist: Netlist,
    /// The nets as everything is drawn.
    pub(super) drawn: Drawn,
}

/// A device of the chain.
#[derive(Debug, Clone)]
pub struct BoardDevice {
    /// Its name: `U1`.
    pub name: Arc<str>,
    /// Its BSDL entity as the BSDL file spells it; `None` for a device without BSDL.
    pub entity: Option<String>,
    /// Its description; `None` for a device without BSDL: it stays in BYPASS and its pins count as live drivers.
    pub bsdl: Option<Arc<Device>>,
    /// The file of the description.
    pub bsdl_path: Option<PathBuf>,
    /// Position in [`Device::pin_maps`] of the package in use; `None` without BSDL.
    pub pin_map: Option<usize>,
    /// Length of the instruction register in bits.
    pub ir_length: u32,
    /// The IDCODEs that it may answer with, 32 bits each: the board file's, else the BSDL file's; empty if nothing is
    /// known or the part has none.
    pub idcodes: Vec<Pattern>,
    /// True if the board file gave `idcode` itself.
    pub idcode_from_board: bool,
    /// How it takes an image.
    pub recipe: Option<PathBuf>,
    /// True if it is on the chain only at times, such as a scan clip.
    pub optional: bool,
    /// Where it is declared.
    pub at: Location,
    /// Pins by natural key.
    pub(super) keys: HashMap<String, Arc<str>>,
}

impl BoardDevice {
    /// The pins of the package in use; `None` without BSDL.
    pub fn pins(&self) -> Option<&PinMap> {
        self.bsdl.as_ref()?.pin_maps.get(self.pin_map?)
    }

    /// The port bit behind a pin, by the name that the pin map gives it; `None` for a pin that is not there and
    /// without BSDL.
    pub fn bit_of(&self, pin: &str) -> Option<PortBit> {
        self.pins()?.bit_of(pin)
    }
}

/// A header and where its pins go.
#[derive(Debug, Clone)]
pub struct Connector {
    /// Its name: `J3`.
    pub name: Arc<str>,
    /// The pins that the board file mentions, in its order: those of `pins`, then those named only by parts, pulls
    /// and drivers.
    pub pins: Vec<ConnectorPinDeclared>,
    /// Where it is declared.
    pub at: Location,
    /// Positions in `pins` by natural key.
    pub(super) keys: HashMap<String, usize>,
}

/// One pin of a header.
#[derive(Debug, Clone)]
pub struct ConnectorPinDeclared {
    /// The pin.
    pub pin: ConnectorPin,
    /// Where `pins` says that it goes: a device pin, ground, a supply, or nothing. `None` if only a part, pull or
    /// driver mentions the pin.
    pub to: Option<Place>,
    /// Where it is declared.
    pub at: Location,
}

/// A socket that the harness is soldered to or plugged into.
#[derive(Debug, Clone)]
pub struct Socket {
    /// Its name: `pattern memory`.
    pub name: Arc<str>,
    /// Its shape, with the names of the pins.
    pub shape: &'static Shape,
    /// `levels` as written.
    pub levels: Option<String>,
    /// The device pin of a scan clip that sits on each socket pin: pin number and device pin.
    pub clip: Vec<(u16, DevicePin)>,
    /// Where it is declared.
    pub at: Location,
}

/// A wire of the harness.
#[derive(Debug, Clone)]
pub struct Wire {
    /// Its label: `W01`.
    pub label: String,
    /// Its colour, empty if not given; several wires may share one.
    pub colour: String,
    /// One end.
    pub from: Place,
    /// The other end.
    pub to: Place,
    /// What it carries, empty if not given.
    pub signal: String,
    /// What sort of line it is.
    pub kind: WireKind,
    /// Where it is declared.
    pub at: Location,
}

/// What sort of line a wire is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum WireKind {
    /// A signal.
    Signal,
    /// A pull-up and a switch to ground: pressed reads low (common practice).
    Button,
    /// A supply or ground: no scan wire.
    Supply,
}

/// Something that sits between connector and device pin, or in a wire.
#[derive(Debug, Clone)]
pub struct Part {
    /// Its name: `RN1`.
    pub name: String,
    /// What it is.
    pub kind: PartKind,
    /// Its lines.
    pub channels: Vec<Channel>,
    /// What switches it on; without, it is always on.
    pub enable: Option<Enable>,
    /// What turns it round; without, a part with `from` and `to` is one-way.
    pub direction: Option<Direction>,
    /// Where it is declared.
    pub at: Location,
}

/// What a part is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PartKind {
    /// A series resistor.
    Resistor {
        /// Its value in ohms, if given.
        ohms: Option<u32>,
    },
    /// A jumper or bus switch.
    Switch {
        /// Whether it is closed (when it is enabled).
        closed: bool,
    },
    /// A buffer: one way, or turned round by its direction pin.
    Buffer,
    /// A level shifter: as a buffer when it has `from` and `to`, both ways by itself when it has `between`.
    Shifter {
        /// True if it finds its direction by itself.
        automatic: bool,
    },
}

impl PartKind {
    /// The word in board files.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Resistor { .. } => "resistor",
            Self::Switch { .. } => "switch",
            Self::Buffer => "buffer",
            Self::Shifter { .. } => "shifter",
        }
    }
}

/// A resistor to a supply or to ground.
#[derive(Debug, Clone)]
pub struct Pull {
    /// The pin that is pulled.
    pub pin: Place,
    /// Where to.
    pub to: Level,
    /// Its value in ohms, if given.
    pub ohms: Option<u32>,
    /// Where it is declared.
    pub at: Location,
}

/// An output of a part that is not on the chain.
#[derive(Debug, Clone)]
pub struct Driver {
    /// The pin that it drives.
    pub pin: Place,
    /// When.
    pub when: DriverWhen,
    /// Where it is declared.
    pub at: Location,
}

/// When a declared driver is live.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum DriverWhen {
    /// Whenever the board has power, which it has during any scan.
    Always,
    /// While the machine is powered.
    Powered,
}

/// Pins that are joined on purpose.
#[derive(Debug, Clone)]
pub struct Tie {
    /// Two pins or more.
    pub pins: Vec<Place>,
    /// Where it is declared.
    pub at: Location,
}

/// What the guard holds to.
#[derive(Debug, Clone)]
pub struct GuardRules {
    /// Pins that are never driven.
    pub never_drive: Vec<DevicePin>,
    /// Pins that are held at a level whenever EXTEST is on.
    pub hold: Vec<Hold>,
    /// Outputs that may change in one update; at least 1. Default 8.
    pub max_switching: u32,
    /// Time from update to capture in microseconds. Default 20.
    pub settle_us: u32,
}

impl Default for GuardRules {
    fn default() -> Self {
        Self {
            never_drive: vec![],
            hold: vec![],
            max_switching: 8,
            settle_us: 20,
        }
    }
}

/// A pin that is held.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Hold {
    /// The pin.
    pub pin: DevicePin,
    /// Its level.
    pub level: Level,
}
