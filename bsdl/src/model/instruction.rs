//! Instructions and the registers that they put between TDI and TDO.

use super::Pattern;
use crate::span::Span;

/// One instruction of INSTRUCTION_OPCODE with what the other attributes add to it.
#[doc(alias = "INSTRUCTION_OPCODE")]
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Instruction {
    /// Name as spelt in the file.
    pub name: String,
    /// Its codes in the order written; bit 0 rightmost. Any of them may be shifted in.
    pub opcodes: Vec<Pattern>,
    /// True if INSTRUCTION_PRIVATE names it: never load it, it may harm the part or the board.
    #[doc(alias = "INSTRUCTION_PRIVATE")]
    pub private: bool,
    /// The register that REGISTER_ACCESS names for it; `None` if that says nothing (then see
    /// [`Device::register_for`](super::Device::register_for)).
    #[doc(alias = "REGISTER_ACCESS")]
    pub access: Option<RegisterRef>,
    /// What that register captures, if REGISTER_ACCESS says so.
    pub captures: Option<Pattern>,
    /// Where the name stands.
    pub span: Span,
}

impl Instruction {
    /// Whether it puts what the boundary register holds onto the part's pins: EXTEST and its kin, INTEST, CLAMP and RUNBIST,
    /// by name (IEEE Std 1149.1-2001 clause 8, from memory; RUNBIST may float them instead).
    pub fn drives_pins(&self) -> bool {
        let name = self.name.to_ascii_uppercase();
        name.starts_with("EXTEST") || matches!(name.as_str(), "INTEST" | "CLAMP" | "RUNBIST")
    }
}

/// A test data register.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum RegisterRef {
    /// BYPASS, one bit, captures 0.
    Bypass,
    /// BOUNDARY.
    Boundary,
    /// DEVICE_ID, 32 bits.
    DeviceId,
    /// One of the device's own: position in [`Device::registers`](super::Device::registers).
    Named(u32),
}

/// A register of the device's own, from REGISTER_ACCESS.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Register {
    /// Name as spelt in the file.
    pub name: String,
    /// Length in bits; `None` where the file names it without one (a fault in all editions but 2013).
    pub length: Option<u32>,
    /// Where the name stands.
    pub span: Span,
}
