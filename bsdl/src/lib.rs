//! Reads BSDL into a checked device model.
//!
//! **Bit 0 is the bit nearest TDO, everywhere**: the rightmost character of a pattern, cell number 0, the bit that is
//! shifted first.

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
