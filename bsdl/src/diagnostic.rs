//! What the reader has to say about a file.

use std::fmt;

use crate::span::Span;

/// How bad it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Severity {
    /// Worth knowing.
    Note,
    /// A departure from the standard that leaves the meaning clear, or a rule that we know only by hearsay.
    Warning,
    /// The meaning is lost or the description contradicts itself.
    Error,
}

impl fmt::Display for Severity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Note => "note",
            Self::Warning => "warning",
            Self::Error => "error",
        })
    }
}

/// One thing found in a file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Diagnostic {
    /// Stable code such as `B601`.
    pub code: &'static str,
    /// How bad.
    pub severity: Severity,
    /// One line that stands alone: what, and expected against found.
    pub message: String,
    /// The place.
    pub primary: Span,
    /// Further places, each with what is there.
    pub secondary: Vec<(Span, String)>,
    /// How to mend it.
    pub help: Option<String>,
    /// Edition and clause that the rule rests on, or that its number was not checked.
    pub clause: &'static str,
}
