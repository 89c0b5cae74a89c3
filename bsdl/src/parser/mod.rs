//! Text to model.

use crate::diagnostic::{Diagnostic, Severity};
use crate::span::Span;
use crate::{Options, Outcome};

/// Finds the entity; statements follow with the next change.
pub(crate) fn parse(_bytes: &[u8], _options: &Options) -> Outcome {
    let diagnostics = vec![Diagnostic {
        code: "B000",
        severity: Severity::Error,
        message: "this version does not read statements yet".into(),
        primary: Span::default(),
        secondary: Vec::new(),
        help: None,
        clause: "project rule",
    }];
    Outcome {
        device: None,
        diagnostics,
    }
}
