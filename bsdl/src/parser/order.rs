//! The order of the statements (IEEE 1149.1-2001 B.8, from memory).

use crate::report::Report;
use crate::rules;
use crate::span::Span;

/// Statements in the order of the standard: rank and name. Attributes that it does not know have no rank.
const RANKS: &[(u8, &str)] = &[
    (1, "generic"),
    (2, "port"),
    (3, "use"),
    (4, "COMPONENT_CONFORMANCE"),
    (5, "PIN_MAP"),
    (6, "PIN_MAP_STRING"),
    (7, "PORT_GROUPING"),
    (8, "TAP_SCAN_IN"),
    (8, "TAP_SCAN_OUT"),
    (8, "TAP_SCAN_MODE"),
    (8, "TAP_SCAN_RESET"),
    (8, "TAP_SCAN_CLOCK"),
    (9, "COMPLIANCE_PATTERNS"),
    (10, "INSTRUCTION_LENGTH"),
    (11, "INSTRUCTION_OPCODE"),
    (12, "INSTRUCTION_CAPTURE"),
    (13, "INSTRUCTION_DISABLE"),
    (13, "INSTRUCTION_GUARD"),
    (13, "INSTRUCTION_PRIVATE"),
    (14, "IDCODE_REGISTER"),
    (15, "USERCODE_REGISTER"),
    (16, "REGISTER_ACCESS"),
    (17, "BOUNDARY_CELLS"),
    (18, "BOUNDARY_LENGTH"),
    (19, "BOUNDARY_REGISTER"),
    (20, "RUNBIST_EXECUTION"),
    (21, "INTEST_EXECUTION"),
    (22, "BSDL_EXTENSION"),
    (23, "DESIGN_WARNING"),
];

/// Remembers the last statement, so that one out of place is reported once, not with all that follow.
#[derive(Debug, Default)]
pub(super) struct Order {
    last: Option<(u8, &'static str, Span)>,
}

impl Order {
    /// A statement stands here.
    pub(super) fn at(&mut self, name: &str, span: Span, report: &mut Report<'_>) {
        let Some(&(rank, known)) = RANKS.iter().find(|(_, n)| n.eq_ignore_ascii_case(name)) else {
            return;
        };
        if let Some((_, before, place)) = self.last.filter(|(top, ..)| rank < *top) {
            report
                .add(
                    &rules::ORDER,
                    span,
                    format!("{known} stands after {before}"),
                )
                .also(place, format!("{before} stands here"))
                .help(format!("move {known} before {before}"));
        }
        self.last = Some((rank, known, span));
    }
}
