//! Where the facts of a device stand, beyond the spans that the model itself keeps: only for the checks.

use crate::span::Span;

/// Places and circumstances of one description.
#[derive(Debug, Default)]
pub(crate) struct Places {
    /// Where the description ends.
    pub(crate) end: Span,
    pub(crate) conformance: Span,
    pub(crate) edition: Span,
    pub(crate) instruction_length: Span,
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
    /// The boundary table was read at all.
    pub(crate) has_cells: bool,
    /// Port positions whose declaration could not be read have no port; this says that there are some.
    pub(crate) broken_ports: bool,
    pub(crate) tap: [Span; 5],
    /// Places of the durations of RUNBIST and INTEST.
    pub(crate) waits: Vec<(crate::model::Wait, Span)>,
    pub(crate) expect: Span,
}
