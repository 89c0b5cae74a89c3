//! The device: everything that one BSDL file says.

use std::fmt;

use super::index::Index;
use super::{
    AcTest, Cell, CellInfo, Description, Instruction, OpenInput, Pattern, PinMap, Port, PortBit,
    PortGroup, Register, SystemConfiguration, Trit,
};
use crate::span::Span;

/// An edition of IEEE 1149.1.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Edition {
    /// 1149.1-1990 and the draft language of its time.
    Y1990,
    /// The supplement 1149.1a-1993 (a conformance value only, no package).
    Y1993,
    /// The supplement 1149.1b-1994, which made BSDL part of the standard.
    Y1994,
    /// 1149.1-2001.
    Y2001,
    /// 1149.1-2013.
    Y2013,
}

impl Edition {
    /// All editions with the names of their packages and conformance values.
    pub const ALL: [(Self, &'static str); 5] = [
        (Self::Y1990, "STD_1149_1_1990"),
        (Self::Y1993, "STD_1149_1_1993"),
        (Self::Y1994, "STD_1149_1_1994"),
        (Self::Y2001, "STD_1149_1_2001"),
        (Self::Y2013, "STD_1149_1_2013"),
    ];

    /// From `STD_1149_1_2001` and the like, case ignored.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL
            .iter()
            .find(|(_, n)| n.eq_ignore_ascii_case(name))
            .map(|(e, _)| *e)
    }

    /// `STD_1149_1_2001` and the like.
    pub fn as_str(self) -> &'static str {
        Self::ALL
            .iter()
            .find(|(e, _)| *e == self)
            .map_or("", |(_, s)| s)
    }

    /// The year, 1990 to 2013.
    pub fn year(self) -> u16 {
        match self {
            Self::Y1990 => 1990,
            Self::Y1993 => 1993,
            Self::Y1994 => 1994,
            Self::Y2001 => 2001,
            Self::Y2013 => 2013,
        }
    }
}

impl fmt::Display for Edition {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.as_str())
    }
}

/// A device as its BSDL file describes it.
///
/// Fields are plain data, in the order of the file. What the file lacks is `None` or empty, also where the standard
/// demands it: the diagnostics say so, and a model with errors may still answer some questions.
/// Indices behind the questions are built at the first question; after changing fields call
/// [`reindex`](Self::reindex).
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Device {
    /// Entity name.
    pub entity: String,
    /// Where the entity name stands.
    pub entity_span: Span,
    /// Edition whose package the use clause names.
    pub edition: Option<Edition>,
    /// Edition that COMPONENT_CONFORMANCE claims.
    #[doc(alias = "COMPONENT_CONFORMANCE")]
    pub conformance: Option<Edition>,
    /// Further packages used, as spelt, without `.all`.
    pub packages: Vec<String>,
    /// Default of the generic PHYSICAL_PIN_MAP.
    #[doc(alias = "PHYSICAL_PIN_MAP")]
    pub default_pin_map: Option<String>,
    /// Logical ports.
    pub ports: Vec<Port>,
    /// Packages: one entry a PIN_MAP_STRING constant.
    #[doc(alias = "PIN_MAP")]
    pub pin_maps: Vec<PinMap>,
    /// Differential pairs.
    #[doc(alias = "PORT_GROUPING")]
    pub groups: Vec<PortGroup>,
    /// The test access port.
    pub tap: TapPorts,
    /// Levels that must be held for the part to conform.
    #[doc(alias = "COMPLIANCE_PATTERNS")]
    pub compliance: Option<Compliance>,
    /// Bits in the instruction register; 0 if the file does not say.
    #[doc(alias = "INSTRUCTION_LENGTH")]
    pub instruction_length: u32,
    /// Instructions.
    #[doc(alias = "INSTRUCTION_OPCODE")]
    pub instructions: Vec<Instruction>,
    /// What Capture-IR loads; bits 1 and 0 are 01.
    #[doc(alias = "INSTRUCTION_CAPTURE")]
    pub instruction_capture: Option<Pattern>,
    /// 1990: name of the instruction that acts as HIGHZ.
    #[doc(alias = "INSTRUCTION_DISABLE")]
    pub instruction_disable: Option<String>,
    /// 1990: name of the instruction that acts as CLAMP.
    #[doc(alias = "INSTRUCTION_GUARD")]
    pub instruction_guard: Option<String>,
    /// 32-bit identity codes; more than one where the file lists alternatives.
    #[doc(alias = "IDCODE_REGISTER")]
    pub idcodes: Vec<Pattern>,
    /// 32-bit user codes.
    #[doc(alias = "USERCODE_REGISTER")]
    pub usercodes: Vec<Pattern>,
    /// Registers of the device's own.
    #[doc(alias = "REGISTER_ACCESS")]
    pub registers: Vec<Register>,
    /// Bits in the boundary register; 0 if the file does not say.
    #[doc(alias = "BOUNDARY_LENGTH")]
    pub boundary_length: u32,
    /// Boundary table, one entry a line, in the order of the file.
    #[doc(alias = "BOUNDARY_REGISTER")]
    pub cells: Vec<Cell>,
    /// 2013: what open inputs read: position in [`cells`](Self::cells) and value, in that order.
    pub open_inputs: Vec<(u32, OpenInput)>,
    /// Names behind [`CellKind::Other`](super::CellKind::Other).
    pub other_cells: Vec<String>,
    /// What packages say of those cells, by the same position; shorter or `None` where no package is at hand.
    pub other_infos: Vec<Option<CellInfo>>,
    /// 1990: the cell types that the file announces.
    #[doc(alias = "BOUNDARY_CELLS")]
    pub boundary_cells: Vec<String>,
    /// How RUNBIST is run.
    #[doc(alias = "RUNBIST_EXECUTION")]
    pub runbist: Option<RunbistExecution>,
    /// How INTEST is run.
    #[doc(alias = "INTEST_EXECUTION")]
    pub intest: Option<IntestExecution>,
    /// What the 2013 edition adds.
    pub description: Option<Description>,
    /// AC-coupled nets (IEEE 1149.6).
    pub ac_test: Option<AcTest>,
    /// Configuration in the system (IEEE 1532).
    pub system_configuration: Option<SystemConfiguration>,
    /// Attributes beyond the standard's own, declared as extensions or not.
    #[doc(alias = "BSDL_EXTENSION")]
    pub extensions: Vec<Extension>,
    /// Free words of the maker to whoever tests the part; show them, never ignore them.
    #[doc(alias = "DESIGN_WARNING")]
    pub design_warnings: Vec<String>,
    /// Built at the first question.
    pub(super) index: Index,
}

/// The ports of the test access port: positions in [`Device::ports`].
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct TapPorts {
    /// TDI.
    #[doc(alias = "TAP_SCAN_IN")]
    pub tdi: Option<u32>,
    /// TDO.
    #[doc(alias = "TAP_SCAN_OUT")]
    pub tdo: Option<u32>,
    /// TMS.
    #[doc(alias = "TAP_SCAN_MODE")]
    pub tms: Option<u32>,
    /// TCK.
    #[doc(alias = "TAP_SCAN_CLOCK")]
    pub tck: Option<u32>,
    /// TRST*, which a part need not have.
    #[doc(alias = "TAP_SCAN_RESET")]
    pub trst: Option<u32>,
    /// Highest TCK rate in hertz.
    pub max_hz: Option<f64>,
    /// Levels at which TCK may be stopped.
    pub halt: Option<Halt>,
}

impl TapPorts {
    /// The ports that are named, TDI, TDO, TMS, TCK, TRST*.
    pub fn ports(&self) -> impl Iterator<Item = u32> {
        [self.tdi, self.tdo, self.tms, self.tck, self.trst]
            .into_iter()
            .flatten()
    }
}

/// Levels at which TCK may stop without loss of state.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Halt {
    /// Only at 0.
    Low,
    /// At either level.
    Both,
}

/// Levels that must be held on some ports for the part to conform to the standard.
#[doc(alias = "COMPLIANCE_PATTERNS")]
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Compliance {
    /// The ports, in the order written.
    pub ports: Vec<PortBit>,
    /// The patterns, any one of which will do; leftmost character (highest bit) for the first port.
    pub patterns: Vec<Pattern>,
    /// Where the value stands.
    pub span: Span,
}

impl Compliance {
    /// The levels of one of the patterns, port by port.
    pub fn levels(&self, pattern: &Pattern) -> impl Iterator<Item = (PortBit, Trit)> {
        self.ports
            .iter()
            .copied()
            .zip(pattern.bits().iter().rev().copied().collect::<Vec<_>>())
    }
}

/// One part of a Wait_Duration.
#[derive(Debug, Clone, PartialEq)]
pub enum Wait {
    /// Seconds.
    Seconds(f64),
    /// Cycles of a clock port (TCK or another), by name.
    Cycles {
        /// The port, as spelt.
        port: String,
        /// How many.
        count: u64,
    },
}

/// What the pins do while a test inside the part runs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Observing {
    /// They float.
    HighZ,
    /// They show the boundary register.
    Boundary,
}

/// RUNBIST_EXECUTION.
#[derive(Debug, Clone, PartialEq)]
pub struct RunbistExecution {
    /// How long in Run-Test/Idle: all of these.
    pub wait: Vec<Wait>,
    /// What the pins do.
    pub observing: Option<Observing>,
    /// The register's contents after a pass.
    pub expect: Option<Pattern>,
    /// Where the value stands.
    pub span: Span,
}

/// INTEST_EXECUTION.
#[derive(Debug, Clone, PartialEq)]
pub struct IntestExecution {
    /// How long in Run-Test/Idle: all of these.
    pub wait: Vec<Wait>,
    /// What the pins do.
    pub observing: Option<Observing>,
    /// Where the value stands.
    pub span: Span,
}

/// An attribute that the standard does not define.
#[derive(Debug, Clone, PartialEq)]
pub struct Extension {
    /// Attribute name as spelt.
    pub name: String,
    /// True if the file declares it (`attribute X : BSDL_EXTENSION;`).
    pub declared: bool,
    /// The joined text of its value, if it has one that is a string.
    pub value: Option<String>,
    /// Where the name stands.
    pub span: Span,
}
