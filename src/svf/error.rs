//! What can be wrong with a file of serial vectors.

use std::fmt;

/// A place in the file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Place {
    /// Line, from 1.
    pub line: u64,
    /// Column in bytes, from 1.
    pub column: u64,
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "line {}, column {}", self.line, self.column)
    }
}

/// Why reading stopped. Nothing after it was read.
#[derive(Debug, thiserror::Error)]
pub enum SvfError {
    /// The file itself cannot be read.
    #[error("cannot read on at {at}: {source}")]
    Read {
        /// Where.
        at: Place,
        /// The system's words.
        source: std::io::Error,
    },
    /// A statement that does not begin with a command.
    #[error("{at}: {found} is no command of the Serial Vector Format")]
    NoSuchCommand {
        /// Where.
        at: Place,
        /// What stands there.
        found: String,
    },
    /// Something else was expected.
    #[error("{at}: expected {expected}, found {found}")]
    Expected {
        /// Where.
        at: Place,
        /// What was expected.
        expected: &'static str,
        /// What stands there.
        found: String,
    },
    /// The file ends inside a statement.
    #[error("{at}: the file ends inside a statement that began at {began}: is it cut off?")]
    CutOff {
        /// Where it ends.
        at: Place,
        /// Where the statement began.
        began: Place,
    },
    /// A number that cannot be.
    #[error("{at}: {found} is no {what}")]
    Number {
        /// Where.
        at: Place,
        /// What it should be.
        what: &'static str,
        /// What stands there.
        found: String,
    },
    /// A value has ones above its length.
    #[error("{at}: the value has a one at bit {bit}, but the scan is {length} bits long")]
    TooLong {
        /// Where the value begins.
        at: Place,
        /// The highest one.
        bit: u64,
        /// Length of the scan.
        length: u64,
    },
    /// More data in one statement than is held in memory.
    #[error("{at}: a statement with more than {limit} bytes of scan data is not read")]
    TooMuch {
        /// Where.
        at: Place,
        /// The limit in bytes.
        limit: usize,
    },
    /// A departure from the specification, and the letter was asked for.
    #[error("{at}: {warning} (not allowed under --strict)")]
    Strict {
        /// Where.
        at: Place,
        /// The departure.
        warning: SvfWarning,
    },
    /// A path that does not follow the state diagram.
    #[error("{at}: {to} does not follow {from} in the state diagram")]
    Path {
        /// Where.
        at: Place,
        /// The state before.
        from: &'static str,
        /// The state that cannot be reached in one clock.
        to: &'static str,
    },
    /// A state that cannot be rested in.
    #[error("{at}: {found} is not stable: RESET, IDLE, DRPAUSE and IRPAUSE are")]
    NotStable {
        /// Where.
        at: Place,
        /// The state.
        found: String,
    },
}

impl SvfError {
    /// Where it is.
    pub fn place(&self) -> Place {
        match self {
            SvfError::Read { at, .. }
            | SvfError::NoSuchCommand { at, .. }
            | SvfError::Expected { at, .. }
            | SvfError::CutOff { at, .. }
            | SvfError::Number { at, .. }
            | SvfError::TooLong { at, .. }
            | SvfError::TooMuch { at, .. }
            | SvfError::Strict { at, .. }
            | SvfError::Path { at, .. }
            | SvfError::NotStable { at, .. } => *at,
        }
    }
}

/// A departure from the specification whose meaning is certain.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum SvfWarning {
    /// `1,00E-02`: some generators follow the country of their user.
    DecimalComma,
    /// A value with ones above its length; the lowest bits are taken.
    ExcessBits,
    /// A line above 256 characters.
    LongLine,
    /// LOOP and ENDLOOP are no statements of revision E.
    Loop,
}

impl fmt::Display for SvfWarning {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            SvfWarning::DecimalComma => "a decimal comma, read as a point",
            SvfWarning::ExcessBits => "a value longer than its scan, the excess bits are dropped",
            SvfWarning::LongLine => "a line of more than 256 characters",
            SvfWarning::Loop => "LOOP and ENDLOOP, which revision E does not have",
        })
    }
}

/// A departure, where it was first seen, and how often.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Warned {
    /// The departure.
    pub warning: SvfWarning,
    /// The first place.
    pub first: Place,
    /// How many times.
    pub times: u64,
}
