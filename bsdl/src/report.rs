//! Collects diagnostics: severity by rule, strictness, and an end to their number.

use crate::Options;
use crate::diagnostic::{Diagnostic, Severity};
use crate::model::Package;
use crate::names::closest;
use crate::rules::Rule;
use crate::span::Span;

/// More than this many are counted, not kept: a file that is no BSDL must not fill the memory.
const KEPT: usize = 2_000;
/// Messages are no longer than this, in bytes: a name of a megabyte must not stand in thousands of them.
const LONGEST: usize = 600;

/// A text of bounded length: of a long one the middle is left out.
fn cut(text: String) -> String {
    if text.len() <= LONGEST {
        return text;
    }
    let boundary = |at: usize| (0..=at).rev().find(|&at| text.is_char_boundary(at));
    let head = boundary(LONGEST * 2 / 3).unwrap_or(0);
    let tail = boundary(text.len() - LONGEST / 4).unwrap_or(0);
    format!("{} … {}", &text[..head], &text[tail..])
}

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
            message: cut(message.into()),
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
    /// The message in full, however long: words of the maker to the user.
    pub(crate) fn whole(self, message: String) -> Self {
        self.0.message = message;
        self
    }

    /// A further place.
    pub(crate) fn also(self, span: Span, what: impl Into<String>) -> Self {
        self.0.secondary.push((span, cut(what.into())));
        self
    }

    /// Help that knows more than the rule's own.
    pub(crate) fn help(self, help: impl Into<String>) -> Self {
        self.0.help = Some(cut(help.into()));
        self
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn long_texts_lose_their_middle() {
        assert_eq!(cut("é".repeat(300)).len(), LONGEST);
        let long = cut(format!("a{}z", "é".repeat(400_000)));
        assert!(long.len() < LONGEST && long.starts_with("aé") && long.ends_with("éz"));
        // The entity's name stands in a message for each attribute that names another.
        let name = "L".repeat(100_000);
        let one = "attribute INSTRUCTION_LENGTH of LOOM : entity is 4;\n";
        let text = format!("entity {name} is\n{}end {name};", one.repeat(300));
        let outcome = crate::parse(text.as_bytes(), &Options::default());
        assert!(outcome.diagnostics.len() > 300);
        let size = |d: &Diagnostic| d.message.len() + d.help.as_ref().map_or(0, String::len);
        assert!(outcome.diagnostics.iter().all(|d| size(d) < 3 * LONGEST));
    }
}
