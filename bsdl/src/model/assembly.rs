//! How the 2013 edition builds registers: from segments, with limits between fields and with what fields belong to.
//! From memory, no file of that edition at hand; see [`Description`](super::Description).

use super::{PortBit, Range};
use crate::span::Span;

/// A register put together from parts.
#[doc(alias = "REGISTER_ASSEMBLY")]
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RegisterAssembly {
    /// The register's name, or the name of a kind of segment that others use.
    pub name: String,
    /// Its length in bits, where it is written.
    pub length: Option<u32>,
    /// Its parts, in the order written: the first one is nearest TDI.
    pub parts: Vec<AssemblyPart>,
    /// Where its name stands.
    pub span: Span,
}

/// A part of an assembled register.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum AssemblyPart {
    /// `(USING PACKAGE)`: kinds of segments after it come from this package.
    Using {
        /// The package, as spelt.
        package: String,
    },
    /// A segment or field that stands in the register.
    Segment(AssembledSegment),
    /// A choice between segments, such as `(SelectMux … SelectField …)`.
    Choice {
        /// What is said: a word, and the text in its brackets.
        properties: Vec<(String, Option<String>)>,
        /// Where it begins.
        span: Span,
    },
}

/// A segment or field of an assembled register.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AssembledSegment {
    /// The name it has here.
    pub name: String,
    /// Several of a kind: the range of their indices.
    pub range: Option<Range>,
    /// Its width in bits, where it is written; a field of its own has one.
    pub width: Option<u32>,
    /// The kind of segment, as spelt, with the package's name before a dot if one is written; `None` for a field of
    /// its own.
    pub kind: Option<String>,
    /// What else is said: a word, and the text in its brackets.
    pub properties: Vec<(String, Option<String>)>,
    /// Where its name stands.
    pub span: Span,
}

/// A limit between fields of a register.
#[doc(alias = "REGISTER_CONSTRAINTS")]
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Constraint {
    /// The register whose fields are meant.
    pub register: String,
    /// What must hold, as written between the brackets.
    pub expression: String,
    /// The fields that the expression names, as spelt, in the order of their first mention.
    pub fields: Vec<String>,
    /// How bad it is not to hold.
    pub gravity: Gravity,
    /// The words of its information tag.
    pub note: Option<String>,
    /// Where the expression stands.
    pub span: Span,
}

/// How bad it is if a constraint does not hold.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Gravity {
    /// The value must not be loaded (the reading taken if none is written).
    Error,
    /// The value is doubtful.
    Warning,
    /// Worth knowing.
    Info,
}

impl Gravity {
    /// All with their words.
    pub const ALL: [(Self, &'static str); 3] = [
        (Self::Error, "ERROR"),
        (Self::Warning, "WARNING"),
        (Self::Info, "INFO"),
    ];
}

/// What a register, segment or field belongs to.
#[doc(alias = "REGISTER_ASSOCIATION")]
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Association {
    /// The register, segment or field: names joined by dots, as spelt.
    pub path: String,
    /// What is said of it.
    pub items: Vec<AssociationItem>,
    /// Where the path stands.
    pub span: Span,
}

/// One thing that an association says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum AssociationItem {
    /// The ports that it acts on.
    Ports(Vec<PortBit>),
    /// The clocks that it needs.
    Clocks(Vec<PortBit>),
    /// The unit of its value, as written.
    Unit(String),
    /// Words for people.
    Info(String),
    /// Another word, and the text in its brackets.
    Other(String, Option<String>),
}

/// A piece of a boundary register that can be left out of it. Cell numbers count within the piece: 0 is nearest TDO.
#[doc(alias = "BOUNDARY_SEGMENT")]
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BoundarySegment {
    /// The segment's name.
    pub name: String,
    /// Its length in bits.
    pub length: u32,
    /// Its table; control cells are numbered within the segment.
    pub cells: Vec<super::Cell>,
    /// Where its name stands.
    pub span: Span,
}

/// The length of a boundary register that is put together from segments.
#[doc(alias = "ASSEMBLED_BOUNDARY_LENGTH")]
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct AssembledLength {
    /// Bits after reset, with the segments in that reset leaves in.
    pub after_reset: u32,
    /// Bits with all segments in.
    pub all: u32,
    /// Where the value stands.
    pub span: Span,
}
