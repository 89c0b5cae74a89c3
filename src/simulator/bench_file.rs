//! The bench file: a simulated reality of one board.
//!
//! ```toml
//! [bench]
//! format = 1
//! board = "board.toml"            # what is declared; paths count from this file
//! with = ["U5"]                   # optional devices that are fitted
//! seed = 1                        # everything left to chance follows from it
//! floating = "keep"               # keep | low | high | neighbours: what an undriven line does
//! spare = { 0 = "J3.9" }          # which place each spare line of the adapter touches, through 1 kOhm
//!
//! [machine]
//! power = "off"                   # off | on: its drivers ([[driver]] when = "powered") are live when on
//! lines = "moving"                # moving | low | high: what they drive
//! drives = ["J3.9-16"]            # places that the machine drives when on, whether the board file says so or not
//!
//! [adapter]                       # read by the emulated adapter, not by the bench
//! chip = "FT2232H"
//!
//! [[device]]                      # what a fitted device does of its own accord
//! name = "U1"
//! idcode = "0x24D08501"           # where the BSDL leaves digits open
//! usercode = "0xFFFFFFFF"
//! idle = "pull-up"                # float | pull-up | pull-down: its released pins (default float)
//! pull_ohms = 25_000
//! configured = true               # its own design runs from the start
//! mission = { 12 = "high", "40-47" = "moving" }  # what that design drives: low | high | moving
//! engine = "engine.toml"          # how it takes an image, see below
//! clock = "1"                     # a part of fixed logic: D flip-flops that take their inputs at the clock's rising edge
//! enable = "24"                   # low: their outputs are on (without: they always are)
//! flip_flops = { 23 = "2", 22 = "3" }  # input pin = output pin; they work whenever the part is in mission mode
//!
//! [[fault]]
//! kind = "swap"                   # open | short | swap | misplaced | stuck | held | intermittent | resistive
//!                                 # | shifted | turned | mirrored | dead
//! wires = ["W07", "W08"]
//!
//! [[chain_fault]]
//! kind = "broken"                 # wrong-device | missing | extra | stuck-tdo | broken | bit-errors | double-clock
//! after = "U2"
//! reads = "high"
//! ```
//!
//! Which keys a fault has:
//!
//! | kind | keys |
//! |---|---|
//! | `open` | `wire`; `end` = `from` or `to` (default `to`): the end that has come off |
//! | `short` | `wires` (two or more) and `pins`, any of both; `behaviour` = `wired-and` (default), `wired-or`, `strong` (drivers on the first win) |
//! | `swap` | `wires` (two); `end` |
//! | `misplaced` | `wire`, `pin` (where that end sits instead); `end` |
//! | `stuck` | `wire` or `pin`; `level` = `low` or `high`: joined to ground or to a supply |
//! | `held` | `wire` or `pin`; `level`; `ohms` (default 1000): pulled by something on the machine that no pull can lift |
//! | `intermittent` | `wire`; `probability` that it is open from one look (capture) to the next (default 0.05); `end` |
//! | `resistive` | `wire`; `ohms` (default 10000); `end` |
//! | `shifted` | `at` = a connector or socket; `by`: so many pins too high, negative: too low; `wires` (default: all that end there): what goes beyond its pins hangs free |
//! | `turned` | `at`; `wires`: everything is turned by half: pin n sits where n + half belongs, as one counts round a socket |
//! | `mirrored` | `at`; `wires`: first and last pin are exchanged, and so on |
//! | `dead` | `part`: a part in between carries nothing, as without its supply |
//!
//! | chain fault | keys |
//! |---|---|
//! | `wrong-device` | `device`; `entity` or `bsdl` (a file): what sits there instead; or `idcode`: the same part with another code |
//! | `missing` | `device`: its place is bridged |
//! | `extra` | `entity` or `bsdl`; `after` = a device's name (without: nearest TDI) |
//! | `stuck-tdo` | `level`; `device` (without: the last one) |
//! | `broken` | `after` = the device whose TDO line is cut (without: the line to the first TDI); `reads` (default `high`): what comes next hears |
//! | `bit-errors` | `rate` (chance a bit, 0 to 1); `after` (without: the line to the adapter's TDO); `above_hz`: only when TCK runs faster |
//! | `double-clock` | `rate` (chance a cycle); `device` (without: all at once); `above_hz` |
//!
//! Every table may have a `note`, which nobody reads.
//!
//! # The engine file
//!
//! How a simulated device takes an image: a configuration engine. The file stands beside the device's BSDL file
//! (`heddle_208.bsd`, `heddle_208.engine.toml`) or is named in the bench file. It says which instructions do what, how
//! the image begins, and which bit of the status word means what:
//!
//! ```toml
//! [engine]
//! format = 1
//! open = "CFG_OPEN"             # resets the engine; after clear_clocks in Run-Test/Idle an image may come
//! shift = "CFG_SHIFT"           # bits that enter its register go to the engine
//! status = "CFG_STATUS"         # captures the status word
//! start = "CFG_START"           # after start_clocks in Run-Test/Idle the design runs
//! close = "CFG_CLOSE"           # ends configuration; without a running design the device is then blank
//! clear_clocks = 512
//! start_clocks = 48
//! preamble = "C9 5A 36 E1"      # at any bit position; then text, part word, length, payload, CRC-16
//! text_bytes = 32
//! length_max = 1_048_576
//! crc_polynomial = 0x1021
//! crc_start = 0xFFFF
//! # keeps = true                # the image stays without power; `read` gives it back, from the preamble on
//! # read = "PRG_READ"
//! # clear_ms = 120              # time in Run-Test/Idle that erasing takes beside its clocks
//! # start_ms = 40               # and writing, before the design runs
//! always = "0101 0000 0000 0000" # bits of the status word that are always 1, bit 0 right
//!
//! [status]                      # bit of the status word, 0 nearest TDO
//! open = 0
//! ready = 1
//! synced = 2
//! loaded = 3
//! done = 4
//! crc_error = 8
//! part_mismatch = 9
//! length_error = 10
//! sequence_error = 11
//! # busy = 5                    # while it erases or writes
//!
//! [ir]                          # status bits that the captured instruction register shows where the BSDL says X
//! done = 4
//! ready = 5
//! ```
//!
//! Each byte of the image goes most significant bit first; numbers are big-endian; the part word is the device's
//! IDCODE with the version digit 0.

use std::path::PathBuf;

use crate::board::Location;

/// A bench file, read and checked in itself; names are looked up when the bench is built.
#[derive(Debug, Clone)]
pub struct BenchFile {
    /// The file itself.
    pub path: PathBuf,
    /// The board file.
    pub board: PathBuf,
    /// Where the bench file names it.
    pub board_at: Location,
    /// Optional devices that are fitted.
    pub with: Vec<Named>,
    /// Seed of everything left to chance.
    pub seed: u64,
    /// What an undriven line does.
    pub floating: Floating,
    /// The place that each spare line of the adapter touches, by spare line.
    pub spare: Vec<(u8, Named)>,
    /// The machine.
    pub machine: Machine,
    /// Settings of the emulated adapter.
    pub adapter: AdapterSettings,
    /// What the devices do of their own accord.
    pub devices: Vec<DeviceRow>,
    /// Faults of the harness.
    pub faults: Vec<Fault>,
    /// Faults of the chain.
    pub chain_faults: Vec<ChainFault>,
}

/// A name as written, and where.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Named {
    /// The name.
    pub name: String,
    /// Where it stands.
    pub at: Location,
}

/// What a line does that nothing drives or pulls.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Floating {
    /// It keeps its charge; before it was ever driven, a level from the seed.
    #[default]
    Keep,
    /// It reads low.
    Low,
    /// It reads high.
    High,
    /// It keeps its charge, but follows the edges of one of its neighbours in the harness (the seed says which), so
    /// that an open wire can imitate a good one.
    Neighbours,
}

/// A level as a bench file gives it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Behaviour {
    /// Low.
    Low,
    /// High.
    High,
    /// Changes all the time, by the seed: every 10 µs of virtual time it may differ.
    Moving,
}

/// The machine that the harness goes to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Machine {
    /// Whether it has power.
    pub powered: bool,
    /// What its drivers drive when it has.
    pub lines: Behaviour,
    /// Places or ranges of them that it drives, beside the board's `[[driver]]`s.
    pub drives: Vec<Named>,
}

impl Default for Machine {
    fn default() -> Self {
        Self {
            powered: false,
            lines: Behaviour::Moving,
            drives: Vec::new(),
        }
    }
}

/// Settings of the emulated adapter, handed on unread: `[adapter]` with its keys in the order of the file.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct AdapterSettings {
    /// Keys and values.
    pub values: Vec<(String, AdapterValue, Location)>,
}

/// A value in `[adapter]`.
#[derive(Debug, Clone, PartialEq)]
pub enum AdapterValue {
    /// A text.
    Text(String),
    /// A whole number.
    Number(i64),
    /// A number with a point.
    Real(f64),
    /// true or false.
    Flag(bool),
}

impl AdapterSettings {
    /// A value by key.
    pub fn get(&self, key: &str) -> Option<&AdapterValue> {
        self.values
            .iter()
            .find(|(k, _, _)| k == key)
            .map(|(_, v, _)| v)
    }
}

/// What a fitted device does of its own accord.
#[derive(Debug, Clone)]
pub struct DeviceRow {
    /// Its name on the board.
    pub name: Named,
    /// Its IDCODE, where the BSDL leaves bits open.
    pub idcode: Option<u32>,
    /// Its USERCODE.
    pub usercode: Option<u32>,
    /// What its released pins do.
    pub idle: Idle,
    /// How weak its pulls are, in ohms.
    pub pull_ohms: u32,
    /// Whether its design runs from the start.
    pub configured: bool,
    /// What that design drives: pins (or ranges of them) of the device's package.
    pub mission: Vec<(Named, Behaviour)>,
    /// The file that says how it takes an image.
    pub engine: Option<(PathBuf, Location)>,
    /// Its fixed logic, if it has any.
    pub flip_flops: Option<FlipFlops>,
}

/// D flip-flops with a common clock and output enable: what a device does in mission mode.
#[derive(Debug, Clone)]
pub struct FlipFlops {
    /// The pin whose rising edge clocks them.
    pub clock: Named,
    /// The pin that switches their outputs on while it is low; `None`: they are always on.
    pub enable: Option<Named>,
    /// Input and output pins.
    pub pairs: Vec<(Named, Named)>,
}

/// What the released pins of a device do.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum Idle {
    /// They float.
    #[default]
    Float,
    /// They are pulled up weakly.
    PullUp,
    /// They are pulled down weakly.
    PullDown,
}

/// A fault of the harness.
#[derive(Debug, Clone)]
pub struct Fault {
    /// What it is.
    pub kind: FaultKind,
    /// Where it is written.
    pub at: Location,
}

/// One of the two ends of a wire.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum End {
    /// The one that the harness file calls `from`.
    From,
    /// The one that it calls `to`.
    #[default]
    To,
}

/// Who wins on a short.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum ShortBehaviour {
    /// Low.
    #[default]
    WiredAnd,
    /// High.
    WiredOr,
    /// The drivers on the first wire.
    Strong,
}

/// What is wrong with the harness. The keys are in the folder's docs.
#[derive(Debug, Clone, PartialEq, Eq)]
#[allow(missing_docs, reason = "the keys of the bench file, listed above")]
pub enum FaultKind {
    Open {
        wire: Named,
        end: End,
    },
    Short {
        on: Vec<Spot>,
        behaviour: ShortBehaviour,
    },
    Swap {
        wires: [Named; 2],
        end: End,
    },
    Misplaced {
        wire: Named,
        end: End,
        pin: Named,
    },
    Stuck {
        on: Spot,
        level: bool,
    },
    Held {
        on: Spot,
        level: bool,
        ohms: u32,
    },
    Intermittent {
        wire: Named,
        end: End,
        /// Chance in a million.
        ppm: u32,
    },
    Resistive {
        wire: Named,
        end: End,
        ohms: u32,
    },
    Moved {
        /// A connector or a socket.
        at: Named,
        rule: Move,
        /// Those that moved; empty: all that end there.
        wires: Vec<Named>,
    },
    Dead {
        part: Named,
    },
}

/// How all wires at a connector or socket have moved.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Move {
    /// So many pins too high; negative: too low.
    Shifted(i64),
    /// By half, as pins are counted round a socket.
    Turned,
    /// First and last exchanged.
    Mirrored,
}

impl Move {
    /// Where the wire of pin `home` sits among `pins` pins; it may be beyond them.
    pub fn lands(self, home: i64, pins: i64) -> i64 {
        match self {
            Self::Shifted(by) => home + by,
            Self::Turned => (home - 1 + pins / 2).rem_euclid(pins.max(1)) + 1,
            Self::Mirrored => pins + 1 - home,
        }
    }
}

/// A wire, or a place on the board.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Spot {
    /// A wire by label.
    Wire(Named),
    /// A place.
    Place(Named),
}

/// A fault of the chain.
#[derive(Debug, Clone)]
pub struct ChainFault {
    /// What it is.
    pub kind: ChainFaultKind,
    /// Where it is written.
    pub at: Location,
}

/// What is wrong with the chain. The keys are in the folder's docs.
#[derive(Debug, Clone, PartialEq, Eq)]
#[allow(missing_docs, reason = "the keys of the bench file, listed above")]
pub enum ChainFaultKind {
    WrongDevice {
        device: Named,
        entity: Option<Entity>,
        idcode: Option<u32>,
    },
    Missing {
        device: Named,
    },
    Extra {
        entity: Entity,
        after: Option<Named>,
    },
    StuckTdo {
        device: Option<Named>,
        level: bool,
    },
    Broken {
        after: Option<Named>,
        reads: bool,
    },
    BitErrors {
        after: Option<Named>,
        /// Chance in a thousand million.
        ppb: u32,
        above_hz: u32,
    },
    DoubleClock {
        device: Option<Named>,
        /// Chance in a thousand million.
        ppb: u32,
        above_hz: u32,
    },
}

/// A device that the board does not have there.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Entity {
    /// By its BSDL entity, looked for among the board's devices and beside their BSDL files.
    Name(Named),
    /// By its BSDL file.
    File(PathBuf, Location),
}
