//! A file as a whole.

use std::path::Path;

use toml::Spanned;
use toml::de::DeTable;

use super::fault::Fault;
use super::problem::{Problem, Problems};
use super::reader::Reader;
use super::source::{Location, Source};

/// The text of a file. `what` is what the file is in messages (`bench file`), `help` what to do when it cannot be read.
///
/// # Errors
/// It cannot be read, or is no text.
pub(crate) fn text_of<C: From<Fault>>(
    path: &Path,
    what: &'static str,
    help: &'static str,
) -> Result<String, Problems<C>> {
    let fail = |fault: Fault| Problems {
        path: path.to_path_buf(),
        problems: vec![Problem {
            at: Location::whole(path),
            cause: fault.into(),
        }],
    };
    let bytes = crate::files::read(path).map_err(|e| {
        fail(Fault::Unreadable {
            what,
            path: path.to_path_buf(),
            reason: crate::files::reason(&e),
            help,
        })
    })?;
    String::from_utf8(bytes).map_err(|_| fail(Fault::NotText { what }))
}

/// Hands the tables of a text to `take`.
///
/// # Errors
/// All that is wrong with it, from top to bottom, the files that it names after it; a text that is no TOML is told by itself.
pub(crate) fn parse<T, C: From<Fault> + PartialEq>(
    path: &Path,
    text: String,
    take: impl for<'a> FnOnce(&mut Reader<'a, C>, &'a Spanned<DeTable<'a>>) -> Option<T>,
) -> Result<T, Problems<C>> {
    let source = Source::new(path.to_path_buf(), text);
    let (root, errors) = DeTable::parse_recoverable(&source.text);
    let mut reader = Reader {
        source: &source,
        problems: vec![],
    };
    for e in &errors {
        let message = e.message().trim().replace('\n', ", ");
        let at = e
            .span()
            .map_or_else(|| source.whole(), |span| source.locate(span));
        let cause = Fault::Syntax { message }.into();
        reader.problems.push(Problem { at, cause });
    }
    let value = if errors.is_empty() {
        take(&mut reader, &root)
    } else {
        None
    };
    let mut problems = reader.problems;
    problems.sort_by_key(|p| (*p.at.path != path, p.at.line, p.at.column));
    problems.dedup();
    match value {
        Some(value) if problems.is_empty() => Ok(value),
        _ => Err(Problems {
            path: path.to_path_buf(),
            problems,
        }),
    }
}

/// [`text_of`] a file, then [`parse`].
///
/// # Errors
/// As theirs.
pub(crate) fn read<T, C: From<Fault> + PartialEq>(
    path: &Path,
    what: &'static str,
    help: &'static str,
    take: impl for<'a> FnOnce(&mut Reader<'a, C>, &'a Spanned<DeTable<'a>>) -> Option<T>,
) -> Result<T, Problems<C>> {
    parse(path, text_of(path, what, help)?, take)
}
