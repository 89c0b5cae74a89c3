//! Reading a TOML file of ours so that everything wrong with it is told at once: for the files beside the board file
//! that name its devices, wires and pins.

use std::path::Path;

use toml::Spanned;
use toml::de::DeTable;

use super::error::{BoardError, Cause, Problem};
use super::library::reason;
use super::source::Source;
use super::toml_table::Reader;

/// Reads a file and hands its tables to `take`. `what` is what the file is in messages (`bench file`),
/// `help` what to do when it cannot be read.
///
/// # Errors
/// All that is wrong with it, from top to bottom; a file that is no TOML is told by itself.
pub(crate) fn read<T>(
    path: &Path,
    what: &'static str,
    help: &'static str,
    take: impl for<'a> FnOnce(&mut Reader<'a>, &'a Spanned<DeTable<'a>>) -> Option<T>,
) -> Result<T, BoardError> {
    let fail = |problems| BoardError {
        path: path.to_path_buf(),
        problems,
    };
    let whole = |cause| {
        let at = Source::new(path.to_path_buf(), String::new()).whole();
        fail(vec![Problem { at, cause }])
    };
    let bytes = crate::files::read(path).map_err(|e| {
        whole(Cause::Conflict {
            what: format!("cannot read the {what} {}: {}", path.display(), reason(&e)),
            help: help.into(),
        })
    })?;
    let text = String::from_utf8(bytes).map_err(|_| whole(Cause::NotText { what }))?;
    let source = Source::new(path.to_path_buf(), text);
    let (root, errors) = DeTable::parse_recoverable(&source.text);
    if !errors.is_empty() {
        let problem = |e: &toml::de::Error| Problem {
            at: e
                .span()
                .map_or_else(|| source.whole(), |span| source.locate(span)),
            cause: Cause::Syntax {
                message: e.message().trim().replace('\n', ", "),
            },
        };
        return Err(fail(errors.iter().map(problem).collect()));
    }
    let mut reader = Reader {
        source: &source,
        problems: vec![],
    };
    let value = take(&mut reader, &root);
    let mut problems = reader.problems;
    problems.sort_by_key(|p| (p.at.line, p.at.column));
    problems.dedup();
    match value {
        Some(value) if problems.is_empty() => Ok(value),
        _ => Err(fail(problems)),
    }
}
