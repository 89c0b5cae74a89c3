//! Collects diagnostics: severity by rule, strictness, and an end to their number.

use crate::Options;
use crate::diagnostic::{Diagnostic, Severity};
use crate::model::Package;
use crate::names::closest;
use crate::rules::Rule;
use crate::span::Span;

/// More than this many are counted, not kept: a file that is no BSDL must not fill the memory.
const KEPT: usize = 2_000;

pub(crate) struct Report<'o> {
    options: &'o Options,
    kept: Vec<Diagnostic>,
    dropped: usize,
    spare: Diagnostic,
    suggestions: u32,
}

impl<'o> Report<'o> {
    pub(crate) fn new(options: &'o Options) -> Self {
        let spare = Diagnostic {
            code: "",
            severity: Severity::Note,
            message: String::new(),
            primary: Span::default(),
            secondary: Vec::new(),
            help: None,
            clause: "",
        };
        Self {
            options,
            kept: Vec::new(),
            dropped: 0,
            spare,
            suggestions: 50,
        }
    }

    /// Packages that the caller has at hand.
    pub(crate) fn packages(&self) -> &'o [Package] {
        &self.options.packages
    }

    /// Adds a diagnostic; the answer lets the caller add places and help.
    pub(crate) fn add(
        &mut self,
        rule: &Rule,
        primary: Span,
        message: impl Into<String>,
    ) -> Entry<'_> {
        let relaxed = self
            .options
            .severities
            .iter()
            .find(|(code, _)| code == rule.code);
        let severity = match relaxed {
            Some((_, severity)) => *severity,
            None if self.options.strict && rule.letter => Severity::Error,
            None => rule.severity,
        };
        let diagnostic = Diagnostic {
            code: rule.code,
            severity,
            message: message.into(),
            primary,
            secondary: Vec::new(),
            help: Some(rule.help.to_owned()),
            clause: rule.clause,
        };
        if self.kept.len() < KEPT {
            self.kept.push(diagnostic);
            Entry(self.kept.last_mut().expect("just pushed"))
        } else {
            self.dropped += 1;
            self.spare = diagnostic;
            Entry(&mut self.spare)
        }
    }

    /// "did you mean" for a name, or `otherwise`; only for the first few, because the search is slow.
    pub(crate) fn suggest<'k>(
        &mut self,
        name: &str,
        known: impl Iterator<Item = &'k str>,
        otherwise: &str,
    ) -> String {
        let near = self.suggestions.checked_sub(1).and_then(|left| {
            self.suggestions = left;
            closest(name, known)
        });
        near.map_or_else(|| otherwise.to_owned(), |k| format!("did you mean {k}?"))
    }

    /// In the order of the text.
    pub(crate) fn finish(mut self) -> Vec<Diagnostic> {
        self.kept.sort_by_key(|d| (d.primary.start, d.primary.end));
        if self.dropped > 0 {
            let end = self.kept.last().map_or(Span::default(), |d| d.primary);
            self.kept.push(Diagnostic {
                code: "B000",
                severity: Severity::Error,
                message: format!("{} more diagnostics are not shown", self.dropped),
                primary: Span::new(end.end, end.end),
                secondary: Vec::new(),
                help: Some("mend the first ones and read the file again".into()),
                clause: "project rule",
            });
        }
        self.kept
    }
}

/// The diagnostic just added.
pub(crate) struct Entry<'a>(&'a mut Diagnostic);

impl Entry<'_> {
    /// A further place.
    pub(crate) fn also(self, span: Span, what: impl Into<String>) -> Self {
        self.0.secondary.push((span, what.into()));
        self
    }

    /// Help that knows more than the rule's own.
    pub(crate) fn help(self, help: impl Into<String>) -> Self {
        self.0.help = Some(help.into());
        self
    }
}
