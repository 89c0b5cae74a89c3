#![doc = include_str!("../README.md")]

mod check;
mod diagnostic;
mod explain;
pub mod model;
mod names;
mod parser;
mod places;
mod print;
mod report;
mod rules;
mod span;

pub use diagnostic::{Diagnostic, Severity};
pub use explain::{Explanation, codes, explain};
pub use model::Device;
pub use print::print;
pub use span::{LineIndex, Place, Span};

/// How to read.
#[derive(Debug, Clone, Default)]
pub struct Options {
    /// Hold the file to the letter of the standard: departures that are tolerated otherwise become errors.
    pub strict: bool,
    /// Severities by code, over those of the rules.
    pub severities: Vec<(String, Severity)>,
    /// Packages that files may use, beside those in the files themselves; see [`parse_package`].
    pub packages: Vec<model::Package>,
}

/// What came of reading.
#[derive(Debug, Clone)]
pub struct Outcome {
    /// The device; `None` only if there is no entity at all. With errors among the diagnostics it may be partial.
    pub device: Option<Device>,
    /// In the order of the text.
    pub diagnostics: Vec<Diagnostic>,
}

impl Outcome {
    /// Number of diagnostics of a severity.
    pub fn count(&self, severity: Severity) -> usize {
        self.diagnostics
            .iter()
            .filter(|d| d.severity == severity)
            .count()
    }

    /// True if a diagnostic is an error.
    pub fn has_errors(&self) -> bool {
        self.count(Severity::Error) > 0
    }
}

/// Reads the packages of a VHDL file: head and body of each, cell types and attribute names. What else stands in it
/// is passed over.
///
/// ```
/// let text = b"package LOOM_CELLS is constant CARD : CELL_INFO; end LOOM_CELLS;
///     package body LOOM_CELLS is
///       constant CARD : CELL_INFO := ((INPUT, EXTEST, PI), (INPUT, SAMPLE, PI));
///     end LOOM_CELLS;";
/// let (packages, diagnostics) = taploom_bsdl::parse_package(text, &taploom_bsdl::Options::default());
/// assert!(diagnostics.is_empty());
/// assert_eq!(packages[0].cells[0].name, "CARD");
/// ```
pub fn parse_package(bytes: &[u8], options: &Options) -> (Vec<model::Package>, Vec<Diagnostic>) {
    let mut report = report::Report::new(options);
    let packages = parser::read_packages(bytes, &mut report);
    (packages, report.finish())
}

/// The text of a standard package, as VHDL: names, types and cells, written anew from the standard's published
/// declarations. Known are STD_1149_1_1990, _1994, _2001 and _2013, STD_1149_6_2003 and STD_1532_2002, case ignored.
pub fn standard_package(name: &str) -> Option<&'static str> {
    const TEXTS: [(&str, &str); 6] = [
        (
            "STD_1149_1_1990",
            include_str!("../packages/std_1149_1_1990.vhd"),
        ),
        (
            "STD_1149_1_1994",
            include_str!("../packages/std_1149_1_1994.vhd"),
        ),
        (
            "STD_1149_1_2001",
            include_str!("../packages/std_1149_1_2001.vhd"),
        ),
        (
            "STD_1149_1_2013",
            include_str!("../packages/std_1149_1_2013.vhd"),
        ),
        (
            "STD_1149_6_2003",
            include_str!("../packages/std_1149_6_2003.vhd"),
        ),
        (
            "STD_1532_2002",
            include_str!("../packages/std_1532_2002.vhd"),
        ),
    ];
    TEXTS
        .iter()
        .find(|(n, _)| n.eq_ignore_ascii_case(name))
        .map(|(_, text)| *text)
}

/// Reads one BSDL file. Never panics and never stops at the first fault: the rest of the file is still read.
pub fn parse(bytes: &[u8], options: &Options) -> Outcome {
    let mut report = report::Report::new(options);
    let device = parser::read(bytes, &mut report).map(|(device, places)| {
        check::check(&device, &places, &mut report);
        device
    });
    Outcome {
        device,
        diagnostics: report.finish(),
    }
}
