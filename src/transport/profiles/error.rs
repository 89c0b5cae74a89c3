//! What can be wrong in a profile file.

use std::fmt;

/// A profile that cannot be used, with everything that is wrong with it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ProfileError {
    /// The file as it was asked for.
    pub path: String,
    /// All problems, from top to bottom; never empty.
    pub problems: Vec<ProfileProblem>,
}

impl std::error::Error for ProfileError {}

impl fmt::Display for ProfileError {
    /// Each problem as place, cause, source line and mend.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (i, p) in self.problems.iter().enumerate() {
            if i > 0 {
                f.write_str("\n")?;
            }
            if p.line == 0 {
                writeln!(f, "{}: {}", self.path, p.fault)?;
            } else {
                writeln!(f, "{}:{}:{}: {}", self.path, p.line, p.column, p.fault)?;
                writeln!(f, "  {} | {}", p.line, p.text)?;
            }
            write!(f, "  help: {}", p.fault.help())?;
        }
        Ok(())
    }
}

/// One thing that is wrong, and where.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ProfileProblem {
    /// Line, from 1; 0 for the file as a whole.
    pub line: usize,
    /// Column in characters, from 1; 0 for the file as a whole.
    pub column: usize,
    /// The line as it stands.
    pub text: String,
    /// What is wrong.
    pub fault: ProfileFault,
}

/// What is wrong. `Display` says it in one line, [`ProfileFault::help`] how to mend it.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ProfileFault {
    /// The file cannot be read.
    #[error("cannot be read: {0}")]
    Unreadable(String),
    /// It is no TOML.
    #[error("{0}")]
    Syntax(String),
    /// A key that no profile has.
    #[error("unknown key `{key}` in {table}")]
    UnknownKey {
        /// The key.
        key: String,
        /// Where it stands.
        table: String,
        /// The one that was probably meant.
        near: Option<String>,
        /// Those that there are.
        known: Vec<&'static str>,
    },
    /// A key that has to be there.
    #[error("{table} has no `{key}`")]
    MissingKey {
        /// Where it is missing.
        table: String,
        /// The key.
        key: &'static str,
        /// How it is written.
        example: &'static str,
    },
    /// A value that is something else than it should be.
    #[error("`{key}` is {found}, not {expected}")]
    BadValue {
        /// The key.
        key: String,
        /// What stands there.
        found: String,
        /// What should.
        expected: String,
        /// The one that was probably meant.
        near: Option<String>,
    },
    /// A line that the chip does not have there.
    #[error("`{key}` names {found}: {why}")]
    BadLine {
        /// The key.
        key: String,
        /// The line as it is written.
        found: String,
        /// Why it is none.
        why: String,
    },
    /// As a whole it does not go with one of its chips.
    #[error("does not go with the chip: {0}")]
    DoesNotFit(String),
}

impl ProfileFault {
    /// What to do about it: one line, lower case, no full stop.
    pub fn help(&self) -> String {
        match self {
            ProfileFault::Unreadable(_) => {
                "name a profile file or one that comes with taploom; `taploom adapters --wiring` shows those".to_owned()
            }
            ProfileFault::Syntax(_) => "mend the TOML at this place".to_owned(),
            ProfileFault::UnknownKey { near, known, .. } => match near {
                Some(near) => format!("did you mean `{near}`?"),
                None => format!("the keys are {}", known.join(", ")),
            },
            ProfileFault::MissingKey { example, .. } => format!("add {example}"),
            ProfileFault::BadValue { near, expected, .. } => match near {
                Some(near) => format!("did you mean \"{near}\"?"),
                None => format!("write {expected}"),
            },
            ProfileFault::BadLine { .. } => {
                "lines are D0 to D7, C0 to C7, ADBUS0 and so on; by bit-bang also TXD, RXD, RTS, CTS, DTR, DSR, DCD, RI".to_owned()
            }
            ProfileFault::DoesNotFit(_) => {
                "give each line one task, and only lines and channels that the chip has".to_owned()
            }
        }
    }
}
