//! What can be wrong with any file of tables.

use std::path::PathBuf;

use super::names::list;
use super::problem::Cause;

/// What can be wrong with any file of tables. `Display` says it in one line; [`Cause::help`] says how to mend it.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum Fault {
    /// A file that cannot be opened or read.
    #[error("cannot read the {what} {}: {reason}", path.display())]
    Unreadable {
        /// `board file`, `harness file`, `recipe` and so on.
        what: &'static str,
        /// The file as looked for.
        path: PathBuf,
        /// What the system says.
        reason: String,
        /// The mend.
        help: &'static str,
    },
    /// Bytes that are no text.
    #[error("the {what} is not UTF-8 text")]
    NotText {
        /// As in [`Fault::Unreadable`].
        what: &'static str,
    },
    /// Not TOML.
    #[error("this is not TOML: {message}")]
    Syntax {
        /// The TOML reader's words.
        message: String,
    },
    /// A key, table or column that the file format does not have.
    #[error("unknown {what} `{key}` in {table}")]
    UnknownKey {
        /// `key`, `table` or `column`.
        what: &'static str,
        /// `[board]`, `[[device]]`, `the harness` and so on.
        table: String,
        /// As written.
        key: String,
        /// The key that was probably meant.
        near: Option<String>,
        /// All that there are.
        known: Vec<&'static str>,
    },
    /// A key, table or column that is needed.
    #[error("{table} has no `{key}`")]
    MissingKey {
        /// As in [`Fault::UnknownKey`].
        table: String,
        /// What is missing.
        key: &'static str,
        /// How it is written.
        example: &'static str,
    },
    /// A value of another type.
    #[error("`{key}` is {found}, expected {expected}")]
    WrongType {
        /// The key.
        key: String,
        /// What stands there: `a string`.
        found: &'static str,
        /// What should: `a whole number`.
        expected: &'static str,
        /// How it is written.
        example: &'static str,
    },
    /// A value that is not among the allowed ones.
    #[error("`{key}` is {found}, expected {expected}")]
    BadValue {
        /// The key.
        key: String,
        /// As written, a text in quotes.
        found: String,
        /// What is allowed.
        expected: String,
        /// The value that was probably meant.
        near: Option<String>,
    },
    /// A text with a character that no screen shows: it could hide what is written, or turn it round.
    #[error("`{key}` holds the character U+{:04X}, which is not shown", *.character as u32)]
    Hidden {
        /// The key.
        key: String,
        /// The character.
        character: char,
    },
    /// Two keys that do not go together, or a key that needs another.
    #[error("{what}")]
    Conflict {
        /// What does not go together.
        what: String,
        /// The mend.
        help: String,
    },
}

impl Cause for Fault {
    fn help(&self) -> String {
        let meant = |near: &Option<String>| {
            near.as_ref()
                .map_or(String::new(), |n| format!("did you mean `{n}`? "))
        };
        match self {
            Self::Unreadable { help, .. } => (*help).into(),
            Self::NotText { .. } => "save it as UTF-8 text".into(),
            Self::Syntax { .. } => "mend this first: nothing else of the file was checked".into(),
            Self::UnknownKey {
                near,
                known,
                table,
                what,
                ..
            } => {
                let known = list(known.iter().copied(), 20);
                format!("{}{what}s of {table}: {known}", meant(near))
            }
            Self::MissingKey { example, .. } => format!("add {example}"),
            Self::WrongType { example, .. } => format!("write {example}"),
            Self::BadValue {
                near: Some(near), ..
            } => format!("did you mean \"{near}\"?"),
            Self::BadValue { key, expected, .. } => format!("give `{key}` {expected}"),
            Self::Hidden { .. } => "write it without that character".into(),
            Self::Conflict { help, .. } => help.clone(),
        }
    }
}
