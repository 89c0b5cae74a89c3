//! What can be wrong in board and harness files.

use std::path::PathBuf;

use crate::tables::{self, Fault, list};

/// A board that cannot be used, with everything that is wrong with its files.
pub type BoardError = tables::Problems<Cause>;

/// Reads tables of the files that belong to a board.
pub(crate) type Reader<'a> = tables::Reader<'a, Cause>;

/// One thing that is wrong with a board's files, and where.
pub type Problem = tables::Problem<Cause>;

/// What is wrong. `Display` says it in one line; [`help`](tables::Cause::help) says how to mend it.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum Cause {
    /// What can be wrong with any file.
    #[error(transparent)]
    Fault(#[from] Fault),
    /// Not CSV.
    #[error("this row cannot be read: {message}")]
    Row {
        /// What is wrong with it.
        message: String,
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

impl tables::Cause for Cause {
    fn help(&self) -> String {
        let names = |names: &[String]| list(names.iter().map(String::as_str), 12);
        let meant = |near: &Option<String>| {
            near.as_ref()
                .map_or(String::new(), |n| format!("did you mean `{n}`? "))
        };
        match self {
            Self::Fault(fault) => fault.help(),
            Self::Row { .. } => "check the quotes and separators of the row".into(),
            Self::NoSuchPin { help, .. } => help.clone(),
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
