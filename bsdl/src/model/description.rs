//! What the 2013 edition adds: fields of registers with names for their values, power ports, system clocks. From
//! memory, no file of that edition at hand: a value that cannot be read is told as a warning and kept as text among the
//! extensions. REGISTER_ASSEMBLY, REGISTER_CONSTRAINTS, REGISTER_ASSOCIATION and BOUNDARY_SEGMENT stay text.

use super::{PortBit, Range};
use crate::span::Span;

/// The 2013 attributes that are read.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Description {
    /// Supplies and the ports that they feed.
    #[doc(alias = "POWER_PORT_ASSOCIATION")]
    pub power: Vec<PowerAssociation>,
    /// Clocks that must run for some instructions.
    #[doc(alias = "SYSCLOCK_REQUIREMENTS")]
    pub clocks: Vec<SystemClock>,
    /// Names for register values, in groups.
    #[doc(alias = "REGISTER_MNEMONICS")]
    pub mnemonics: Vec<MnemonicGroup>,
    /// Registers as fields.
    #[doc(alias = "REGISTER_FIELDS")]
    pub registers: Vec<FieldedRegister>,
}

/// What an open input reads, as its line of the boundary table says. CHECK: the words are known by hearsay.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum OpenInput {
    /// OPEN0.
    Open0,
    /// OPEN1.
    Open1,
    /// OPENX.
    OpenX,
    /// EXPECT0.
    Expect0,
    /// EXPECT1.
    Expect1,
}

impl OpenInput {
    /// All with their words.
    pub const ALL: [(Self, &'static str); 5] = [
        (Self::Open0, "OPEN0"),
        (Self::Open1, "OPEN1"),
        (Self::OpenX, "OPENX"),
        (Self::Expect0, "EXPECT0"),
        (Self::Expect1, "EXPECT1"),
    ];

    /// The word.
    pub fn as_str(self) -> &'static str {
        Self::ALL
            .iter()
            .find(|(o, _)| *o == self)
            .map_or("", |(_, s)| s)
    }
}

/// A supply and the ports that it feeds.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PowerAssociation {
    /// The supply's port; without index where a whole vector is meant.
    pub power: PortBit,
    /// The ports fed by it.
    pub ports: Vec<PortBit>,
}

/// A clock that must run for some instructions.
#[derive(Debug, Clone, PartialEq)]
pub struct SystemClock {
    /// The clock's port.
    pub port: PortBit,
    /// Lowest rate in hertz.
    pub min_hz: f64,
    /// Highest rate in hertz.
    pub max_hz: f64,
    /// Instructions that need it, as spelt.
    pub instructions: Vec<String>,
}

/// Names for values.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MnemonicGroup {
    /// Name of the group.
    pub name: String,
    /// Its names.
    pub values: Vec<Mnemonic>,
}

/// One name for a value.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Mnemonic {
    /// The name.
    pub name: String,
    /// The value as written between the brackets (such as `0b01`, `0x3F`, `X`).
    pub value: String,
    /// The words of its information tag.
    pub note: Option<String>,
}

/// A register as fields.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FieldedRegister {
    /// The register's name.
    pub name: String,
    /// Its length in bits.
    pub length: u32,
    /// Its fields.
    pub fields: Vec<Field>,
}

/// One field of a register.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Field {
    /// The field's name.
    pub name: String,
    /// Its width in bits.
    pub width: u32,
    /// Its bits in the register, the field's highest bit first; bit 0 is nearest TDO.
    pub bits: Vec<Range>,
    /// What else is said: a word such as DEFAULT, SAFE, NOPI, and the text in its brackets.
    pub properties: Vec<(String, Option<String>)>,
    /// Where the field's name stands.
    pub span: Span,
}
