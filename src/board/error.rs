//! What can be wrong in board and harness files.

use std::fmt;
use std::path::PathBuf;

use super::names::list;
use super::source::Location;

/// A board that cannot be used, with everything that is wrong with its files.
///
/// `Display` gives each problem as place, cause, source line and mend, plainly; a caller with a better pen renders
/// [`problems`](Self::problems) itself.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BoardError {
    /// The board file as it was asked for.
    pub path: PathBuf,
    /// All problems found, in the order of the files; never empty.
    pub problems: Vec<Problem>,
}

impl std::error::Error for BoardError {}

impl fmt::Display for BoardError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (i, problem) in self.problems.iter().enumerate() {
            if i > 0 {
                f.write_str("\n")?;
            }
            problem.fmt(f)?;
        }
        Ok(())
    }
}

/// One thing that is wrong, and where.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    /// Where.
    pub at: Location,
    /// What.
    pub cause: Cause,
}

impl Problem {
    /// What to do about it: one line, lower case, no full stop.
    pub fn help(&self) -> String {
        self.cause.help()
    }
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Location {
            path,
            line,
            column,
            length,
            text,
        } = &self.at;
        if let Cause::Unreadable {
            what: "board file", ..
        } = self.cause
        {
            writeln!(f, "{}", self.cause)?;
        } else if *line == 0 {
            writeln!(f, "{}: {}", path.display(), self.cause)?;
        } else {
            writeln!(f, "{}:{line}:{column}: {}", path.display(), self.cause)?;
            let number = line.to_string();
            // Tabs are kept before the mark, so that it stands under what it means.
            let before: String = text
                .chars()
                .take(column - 1)
                .map(|c| if c == '\t' { c } else { ' ' })
                .collect();
            writeln!(f, "  {number} | {text}")?;
            writeln!(
                f,
                "  {:1$} | {before}{2}",
                "",
                number.len(),
                "^".repeat(*length)
            )?;
        }
        write!(f, "  help: {}", self.help())
    }
}

/// What is wrong. `Display` says it in one line; [`Cause::help`] says how to mend it.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum Cause {
    /// A file that cannot be opened or read.
    #[error("cannot read the {what} {}: {reason}", path.display())]
    Unreadable {
        /// `board file`, `harness file`, `BSDL file`, `BSDL folder`, `BSDL file or folder` or `recipe`.
        what: &'static str,
        /// The file as looked for.
        path: PathBuf,
        /// What the system says.
        reason: String,
    },
    /// Bytes that are no text.
    #[error("the {what} is not UTF-8 text")]
    NotText {
        /// As in [`Cause::Unreadable`].
        what: &'static str,
    },
    /// Not TOML.
    #[error("this is not TOML: {message}")]
    Syntax {
        /// The TOML reader's words.
        message: String,
    },
    /// Not CSV.
    #[error("this row cannot be read: {message}")]
    Row {
        /// What is wrong with it.
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
        /// As in [`Cause::UnknownKey`].
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
    #[error("`{key}` is \"{found}\", expected {expected}")]
    BadValue {
        /// The key.
        key: String,
        /// As written.
        found: String,
        /// What is allowed.
        expected: String,
        /// The value that was probably meant.
        near: Option<String>,
    },
    /// Two keys that do not go together, or a key that needs another.
    #[error("{what}")]
    Conflict {
        /// What does not go together.
        what: String,
        /// The mend.
        help: String,
    },
    /// The same name given twice.
    #[error("{what} {name} is there twice, first in line {first}")]
    Twice {
        /// `wire`, `device`, `pin` and so on.
        what: &'static str,
        /// The name as written the second time.
        name: String,
        /// The line of the first.
        first: usize,
    },
    /// A text that is no place at all.
    #[error("\"{written}\" is no place")]
    NotAPlace {
        /// As written.
        written: String,
    },
    /// A place on something that the board does not have.
    #[error("{written}: there is no device, connector or socket {name}")]
    UnknownOwner {
        /// As written.
        written: String,
        /// The part before the last dot.
        name: String,
        /// The name that was probably meant.
        near: Option<String>,
        /// All names of devices, connectors and sockets.
        known: Vec<String>,
    },
    /// A pin that its device, connector or socket does not have.
    #[error("{owner} has no pin {pin}")]
    NoSuchPin {
        /// `device U1 (HEDDLE_208 in PQ208)`, `connector J3`, `socket pattern memory (27C256)`.
        owner: String,
        /// The pin as written.
        pin: String,
        /// What to use instead, as a whole sentence.
        help: String,
    },
    /// A place of the wrong kind.
    #[error("{place} is not {expected}")]
    WrongPlace {
        /// The place.
        place: String,
        /// What was wanted.
        expected: &'static str,
        /// The mend.
        help: &'static str,
    },
    /// A range that makes no sense.
    #[error("\"{written}\" is no range of pins")]
    BadRange {
        /// As written.
        written: String,
    },
    /// Two ranges of different length.
    #[error("{left} names {left_pins} and {right} names {right_pins}")]
    RangeLengths {
        /// One side as written.
        left: String,
        /// `8 pins`.
        left_pins: String,
        /// The other side.
        right: String,
        /// `1 pin`.
        right_pins: String,
    },
    /// A pin that ends two wires.
    #[error("{place} ends two wires: {first} (line {line}) and {second}")]
    PinTwice {
        /// The pin.
        place: String,
        /// Label of the first wire.
        first: String,
        /// Its line.
        line: usize,
        /// Label of the second.
        second: String,
    },
    /// A wire from a place to itself.
    #[error("{wire} goes from {place} to itself")]
    ToItself {
        /// `wire W03`, or `a wire` where the label is missing.
        wire: String,
        /// The place.
        place: String,
    },
    /// No BSDL file has this entity.
    #[error("no BSDL file describes {entity}")]
    EntityNotFound {
        /// The entity as written.
        entity: String,
        /// Files and folders searched.
        searched: Vec<PathBuf>,
        /// How many BSDL files were looked into.
        files: usize,
        /// The entity that was probably meant.
        near: Option<String>,
    },
    /// Several different BSDL files have it.
    #[error("{entity} is described by two different files: {} and {}", first.display(), second.display())]
    EntityTwice {
        /// The entity.
        entity: String,
        /// One file.
        first: PathBuf,
        /// Another.
        second: PathBuf,
    },
    /// A BSDL file whose faults leave the meaning open.
    #[error("the BSDL file of {entity}, {}, has {errors}; the first, in line {line}: {message}", path.display())]
    Bsdl {
        /// The entity.
        entity: String,
        /// The file.
        path: PathBuf,
        /// `1 error`, `3 errors`.
        errors: String,
        /// Line of the first.
        line: usize,
        /// Its headline.
        message: String,
    },
    /// A package that the BSDL file does not have, or none given where it has several.
    #[error("{what}")]
    PinMap {
        /// What is wrong.
        what: String,
        /// The PIN_MAP constants that the file has.
        known: Vec<String>,
    },
}

impl Cause {
    /// What to do about it: one line, lower case, no full stop.
    pub fn help(&self) -> String {
        let names = |names: &[String]| list(names.iter().map(String::as_str), 12);
        let meant = |near: &Option<String>| {
            near.as_ref()
                .map_or(String::new(), |n| format!("did you mean `{n}`? "))
        };
        match self {
            Self::Unreadable { what: "board file", .. } => "give the path of a board file".into(),
            Self::Unreadable { .. } => {
                "paths count from the folder of the board file; mend the path or put the file there".into()
            },
            Self::NotText { .. } => "save it as UTF-8 text".into(),
            Self::Syntax { .. } => "mend this first: nothing else of the file was checked".into(),
            Self::Row { .. } => "check the quotes and separators of the row".into(),
            Self::UnknownKey { near, known, table, what, .. } => {
                format!("{}{what}s of {table}: {}", meant(near), list(known.iter().copied(), 20))
            }
            Self::MissingKey { example, .. } => format!("add {example}"),
            Self::WrongType { example, .. } => format!("write {example}"),
            Self::BadValue { near: Some(near), .. } => format!("did you mean \"{near}\"?"),
            Self::BadValue { key, expected, .. } => format!("give `{key}` {expected}"),
            Self::Conflict { help, .. } | Self::NoSuchPin { help, .. } => help.clone(),
            Self::Twice { what, .. } => {
                format!("give each {what} its own name; case and zero padding tell none apart")
            }
            Self::NotAPlace { .. } => {
                "write a pin as U1.12, J3.4 or pattern memory.10; else ground, supply 5 V or nothing".into()
            }
            Self::UnknownOwner { near, known, .. } => format!("{}the board has {}", meant(near), names(known)),
            Self::WrongPlace { help, .. } => (*help).into(),
            Self::BadRange { .. } => "write a range as 5-12 or A1-A8, at most 4096 pins".into(),
            Self::RangeLengths { .. } => "both sides of a range need as many pins".into(),
            Self::PinTwice { .. } => {
                "mend the wrong row, or list the pin in a [[tie]] if they are joined on purpose".into()
            }
            Self::ToItself { .. } => "mend one end, or write nothing where it is left open".into(),
            Self::EntityNotFound { searched, near, .. } if searched.is_empty() => {
                let key = "bsdl = [\"../devices\"] in [board]";
                format!("{}name the files or folders to look in: {key}", meant(near))
            }
            Self::EntityNotFound {
                searched,
                files,
                near,
                ..
            } => {
                let searched = list(searched.iter().map(|p| p.to_str().unwrap_or("?")), 6);
                let files = if *files == 1 {
                    "1 BSDL file".into()
                } else {
                    format!("{files} BSDL files")
                };
                format!(
                    "{}looked into {files} in {searched}; add its folder to `bsdl` in [board], \
                     or give the device ir_length instead of entity",
                    meant(near)
                )
            }
            Self::EntityTwice { .. } => "name the right file in `bsdl` of [board], before the folder".into(),
            Self::Bsdl { .. } => "mend the file there, or get a newer one from the maker".into(),
            Self::PinMap { known, .. } => format!("the file has {}", names(known)),
        }
    }
}
