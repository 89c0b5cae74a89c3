//! Where the facts of a device stand, beyond the spans that the model itself keeps: only for the checks.

use std::collections::{HashMap, HashSet};

use crate::model::MnemonicGroup;
use crate::span::Span;

/// Places and circumstances of one description.
#[derive(Debug, Default)]
pub(crate) struct Places {
    /// Where the description ends.
    pub(crate) end: Span,
    pub(crate) conformance: Span,
    pub(crate) edition: Span,
    pub(crate) instruction_length: Span,
    /// The length was refused as too long, which was told.
    pub(crate) instruction_too_long: bool,
    pub(crate) capture: Span,
    /// Of each instruction, the places of its codes.
    pub(crate) opcodes: Vec<Vec<Span>>,
    pub(crate) private: Span,
    pub(crate) idcodes: Vec<Span>,
    pub(crate) usercodes: Vec<Span>,
    /// Of each instruction, where REGISTER_ACCESS names it, and its CAPTURES pattern.
    pub(crate) access: Vec<Option<Span>>,
    pub(crate) captures: Vec<Option<Span>>,
    pub(crate) boundary_length: Span,
    /// Numbers of table lines that could not be read: no complaint that they are missing.
    pub(crate) broken_cells: Vec<u32>,
    /// Some port declarations could not be read, so some names are unknown for that reason.
    pub(crate) broken_ports: bool,
    /// TDI, TDO, TMS, TCK, TRST*: where each attribute names its port; `None` without the attribute.
    pub(crate) tap: [Option<Span>; 5],
    /// Statements that the standard demands and that are not there, not even faulty ones.
    pub(crate) missing: Vec<&'static str>,
    /// Packages beside the standard's that are used and not at hand.
    pub(crate) absent: Vec<(String, Span)>,
    /// The generic's default.
    pub(crate) default_map: Span,
    /// Durations of RUNBIST and INTEST.
    pub(crate) waits: Vec<(crate::model::Wait, Span)>,
    pub(crate) expect: Span,
    /// Of the packages at hand, in capitals: their names, and their registers and kinds of segments with lengths where
    /// known.
    pub(crate) package_names: HashSet<String>,
    pub(crate) package_registers: HashMap<String, Option<u64>>,
    pub(crate) package_mnemonics: Vec<MnemonicGroup>,
    /// Where BOUNDARY_CELLS names each cell type.
    pub(crate) boundary_cells: Vec<Span>,
}
