//! BSDL files held against the standard, as JSON and as text; and one rule explained.

use serde_json::{Value, json};
use taploom_bsdl::{Diagnostic, Explanation, Options, Severity};

use super::{SourceText, Table, plural};

/// A file shows at most this many diagnostics as text; the document has all of them.
const SHOWN: usize = 100;

/// One file that was vetted.
#[derive(Debug)]
pub struct Vetted {
    /// The file, as named to the user.
    pub path: String,
    /// Its bytes.
    pub bytes: Vec<u8>,
    /// The entity that it describes, if there is one.
    pub entity: Option<String>,
    /// What is to be said about it, in the order of the text.
    pub diagnostics: Vec<Diagnostic>,
}

impl Vetted {
    /// Number of diagnostics of a severity.
    pub fn count(&self, severity: Severity) -> usize {
        self.diagnostics
            .iter()
            .filter(|d| d.severity == severity)
            .count()
    }
}

/// A diagnostic as JSON; line and column count from 1, the column in bytes.
pub fn diagnostic_value(text: &SourceText<'_>, d: &Diagnostic) -> Value {
    let place = text.place(d.primary);
    let also = d.secondary.iter().map(|(span, what)| {
        let place = text.place(*span);
        json!({ "line": place.line, "column": place.column, "message": what })
    });
    json!({
        "code": d.code,
        "severity": d.severity.to_string(),
        "line": place.line,
        "column": place.column,
        "message": d.message,
        "also": also.collect::<Vec<_>>(),
        "help": d.help,
        "clause": d.clause,
    })
}

/// The fields of the document `taploom.vet.v1`.
pub fn vet_fields(files: &[Vetted]) -> Value {
    let file = |f: &Vetted| {
        let text = SourceText::new(&f.path, &f.bytes);
        json!({
            "path": f.path,
            "entity": f.entity,
            "errors": f.count(Severity::Error),
            "warnings": f.count(Severity::Warning),
            "notes": f.count(Severity::Note),
            "diagnostics": f.diagnostics.iter().map(|d| diagnostic_value(&text, d)).collect::<Vec<_>>(),
        })
    };
    json!({ "files": files.iter().map(file).collect::<Vec<_>>() })
}

/// Every diagnostic on its text, then a line that sums up.
pub fn vet_text(files: &[Vetted]) -> String {
    let mut out = String::new();
    for f in files {
        let text = SourceText::new(&f.path, &f.bytes);
        for d in f.diagnostics.iter().take(SHOWN) {
            out.push_str(&text.render(d));
            out.push_str("\n\n");
        }
        if let Some(more @ 1..) = f.diagnostics.len().checked_sub(SHOWN) {
            out.push_str(&format!(
                "{}: {more} more, not shown; --json has all of them\n\n",
                f.path
            ));
        }
    }
    let count = |s| files.iter().map(|f| f.count(s)).sum::<usize>();
    let clean = files
        .iter()
        .filter(|f| f.diagnostics.iter().all(|d| d.severity == Severity::Note))
        .count();
    let found = [
        (count(Severity::Error), "error"),
        (count(Severity::Warning), "warning"),
        (count(Severity::Note), "note"),
    ];
    let found: Vec<String> = found
        .iter()
        .filter(|(n, _)| *n > 0)
        .map(|(n, word)| plural(*n, word))
        .collect();
    let summary = match (files, &found[..]) {
        ([only], []) => format!("{}: nothing to complain of", only.path),
        ([only], _) => format!("{}: {}", only.path, found.join(", ")),
        (_, []) => format!("{}, nothing to complain of", plural(files.len(), "file")),
        _ => format!(
            "{}, {clean} of them clean: {}",
            plural(files.len(), "file"),
            found.join(", ")
        ),
    };
    out.push_str(&summary);
    out.push('\n');
    out
}

/// The first code, among those of the reader, that the sample of a rule brings out.
fn sample_diagnostic(e: &Explanation) -> Option<Diagnostic> {
    let outcome = taploom_bsdl::parse(e.sample.as_bytes(), &Options::default());
    outcome.diagnostics.into_iter().find(|d| d.code == e.code)
}

/// A rule in full: what it says, why it matters, a small file that breaks it, where it breaks it, how to mend it.
pub fn explanation_text(e: &Explanation) -> String {
    let mut out = format!("{}  {}\n\n", e.code, e.rule);
    let strength = match e.severity {
        Severity::Error => "an error",
        Severity::Warning => {
            "a warning; an error under --strict where the letter of the standard is known"
        }
        Severity::Note => "a note",
    };
    let mut table = Table::default();
    table.row(["why", e.why]);
    if !e.help.is_empty() {
        table.row(["mend", e.help]);
    }
    table.row(["counts as", strength]);
    table.row(["rests on", e.clause]);
    for line in table.lines() {
        out.push_str(&line);
        out.push('\n');
    }
    let name = format!("{}.bsd", e.code.to_ascii_lowercase());
    out.push_str("\nA small file that breaks it:\n\n");
    for line in e.sample.lines() {
        out.push_str(&format!("    {line}\n"));
    }
    if let Some(d) = sample_diagnostic(e) {
        out.push_str("\nand what is said of it:\n\n");
        out.push_str(&SourceText::new(&name, e.sample.as_bytes()).render(&d));
        out.push('\n');
    }
    out
}

/// A rule as JSON.
pub fn explanation_fields(e: &Explanation) -> Value {
    json!({
        "code": e.code,
        "severity": e.severity.to_string(),
        "rule": e.rule,
        "why": e.why,
        "help": (!e.help.is_empty()).then_some(e.help),
        "clause": e.clause,
        "sample": e.sample,
    })
}

/// All rules, one a line, as text.
pub fn codes_text() -> String {
    let mut table = Table::new(&["code", "severity", "rule"]);
    for e in taploom_bsdl::codes().filter_map(taploom_bsdl::explain) {
        table.row([e.code.to_owned(), e.severity.to_string(), e.rule.to_owned()]);
    }
    let mut text = table.lines().join("\n");
    text.push_str("\n\n`taploom vet --explain CODE` tells more of one.\n");
    text
}

/// All rules as JSON.
pub fn codes_fields() -> Value {
    let rules = taploom_bsdl::codes().filter_map(taploom_bsdl::explain);
    json!({ "codes": rules.map(|e| json!({ "code": e.code, "severity": e.severity.to_string(), "rule": e.rule })).collect::<Vec<_>>() })
}
