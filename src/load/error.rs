//! What can be wrong with a recipe.

use std::fmt;
use std::path::PathBuf;

/// A recipe that cannot be used, with everything that is wrong with it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RecipeError {
    /// The file as it was asked for.
    pub path: PathBuf,
    /// All problems, in the order of the file; never empty.
    pub problems: Vec<RecipeProblem>,
}

impl std::error::Error for RecipeError {}

impl fmt::Display for RecipeError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (i, problem) in self.problems.iter().enumerate() {
            if i > 0 {
                f.write_str("\n")?;
            }
            write!(f, "{}", self.path.display())?;
            if problem.line > 0 {
                write!(f, ":{}:{}", problem.line, problem.column)?;
            }
            write!(f, ": {}", problem.fault)?;
            if let Some(help) = problem.fault.help() {
                write!(f, "\n  help: {help}")?;
            }
        }
        Ok(())
    }
}

/// One thing that is wrong with a recipe, and where.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RecipeProblem {
    /// Line, from 1; 0 for the file as a whole.
    pub line: usize,
    /// Column in characters, from 1; 0 for the file as a whole.
    pub column: usize,
    /// What is wrong.
    pub fault: RecipeFault,
}

impl RecipeProblem {
    /// A problem of the file as a whole.
    pub(super) fn whole(fault: RecipeFault) -> Self {
        RecipeProblem {
            line: 0,
            column: 0,
            fault,
        }
    }
}

/// What is wrong with a recipe. `Display` says it in one line; [`RecipeFault::help`] how to mend it.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum RecipeFault {
    /// The file cannot be opened or read.
    #[error("cannot read the recipe: {reason}")]
    Unreadable {
        /// What the system says.
        reason: String,
    },
    /// No recipe is that large.
    #[error("the recipe has {bytes} bytes, expected at most 1 MiB")]
    TooLarge {
        /// Its size.
        bytes: u64,
    },
    /// Bytes that are no text.
    #[error("the recipe is not UTF-8 text")]
    NotText,
    /// Not TOML.
    #[error("this is not TOML: {message}")]
    Syntax {
        /// The TOML reader's words.
        message: String,
    },
    /// A key or table that recipes do not have.
    #[error("unknown key `{key}` in {table}")]
    UnknownKey {
        /// `[recipe]`, `[[load]]` and so on.
        table: String,
        /// As written.
        key: String,
        /// The key that was probably meant.
        near: Option<&'static str>,
        /// All that there are.
        known: Vec<&'static str>,
    },
    /// A key or table that is needed.
    #[error("{table} has no `{key}`")]
    MissingKey {
        /// As in [`RecipeFault::UnknownKey`].
        table: String,
        /// What is missing.
        key: &'static str,
    },
    /// A value of another type or out of range.
    #[error("`{key}` is {found}, expected {expected}")]
    BadValue {
        /// The key.
        key: String,
        /// What stands there.
        found: String,
        /// What should.
        expected: String,
    },
    /// A format that this version does not know.
    #[error("`format` is {found}, expected 1")]
    Format {
        /// What stands there.
        found: u64,
    },
    /// A name that is given twice.
    #[error("{what} `{name}` is there twice")]
    Twice {
        /// `status`, `flag`.
        what: &'static str,
        /// The name.
        name: String,
    },
    /// A name that nothing in the recipe has.
    #[error("there is no {what} `{name}`{}", in_status(.of))]
    NoSuch {
        /// `status`, `flag`.
        what: &'static str,
        /// The name as written.
        name: String,
        /// The status word whose flag it should be.
        of: Option<String>,
        /// The names that there are.
        known: Vec<String>,
    },
    /// Keys that do not go together.
    #[error("`{key}` does not go with `{with}`")]
    Conflict {
        /// One key.
        key: &'static str,
        /// The other.
        with: &'static str,
    },
    /// A key that means nothing without another.
    #[error("`{key}` needs `{needs}`")]
    Needs {
        /// The key that is there.
        key: &'static str,
        /// The key that is not.
        needs: &'static str,
    },
    /// A step that does nothing.
    #[error("this {table} step does nothing")]
    EmptyStep {
        /// `[[load]]` and so on.
        table: &'static str,
    },
    /// A step that its list does not allow.
    #[error("`{key}` is not allowed in {table}")]
    NotHere {
        /// The key.
        key: &'static str,
        /// `[[exit]]` and so on.
        table: &'static str,
    },
    /// A list of steps that never sends (or compares) the image.
    #[error("no {table} step has `image = \"{word}\"`")]
    NoImage {
        /// `[[load]]`, `[[verify]]`.
        table: &'static str,
        /// `send`, `compare`.
        word: &'static str,
    },
    /// The image twice in one list.
    #[error("a second {table} step has `image`")]
    SecondImage {
        /// `[[load]]`, `[[verify]]`.
        table: &'static str,
    },
    /// A bit beyond its word.
    #[error("flag {flag} is bit {bit} of {status}, which has {bits} bits")]
    BitBeyond {
        /// The flag.
        flag: String,
        /// Its bit.
        bit: usize,
        /// The status word.
        status: String,
        /// Its length.
        bits: usize,
    },
    /// The recipe is not for this device.
    #[error("the recipe is for {}, not for {entity}", .known.join(", "))]
    OtherEntity {
        /// The device's entity.
        entity: String,
        /// The recipe's entities.
        known: Vec<String>,
    },
    /// An instruction that the device does not have.
    #[error("{entity} has no instruction {name}")]
    NoInstruction {
        /// The device's entity.
        entity: String,
        /// The instruction as written.
        name: String,
        /// The instruction that was probably meant.
        near: Option<String>,
    },
    /// An opcode that the BSDL gives another code.
    #[error("{name} is {found} here, but {expected} in the BSDL of {entity}")]
    OtherOpcode {
        /// The instruction.
        name: String,
        /// The recipe's code.
        found: String,
        /// The BSDL's.
        expected: String,
        /// The device's entity.
        entity: String,
    },
    /// A length that differs from the register's.
    #[error(
        "{what} has {found} bits, but {instruction} selects {register} of {expected} bits in {entity}"
    )]
    RegisterLength {
        /// `status CFG_STAT`, `data`.
        what: String,
        /// Its length.
        found: usize,
        /// The instruction in force.
        instruction: String,
        /// The register's name.
        register: String,
        /// The register's length.
        expected: u32,
        /// The device's entity.
        entity: String,
    },
    /// A step that shifts data while no step before it has chosen an instruction.
    #[error("`{what}` comes before any `instruction`")]
    NoInstructionYet {
        /// `data`, `image`.
        what: &'static str,
    },
}

impl RecipeFault {
    /// What to do about it: one line, lower case, no full stop; `None` where the fault says it all.
    pub fn help(&self) -> Option<String> {
        let meant =
            |near: Option<&str>| near.map_or(String::new(), |n| format!("did you mean `{n}`? "));
        Some(match self {
            Self::Unreadable { .. } => "mend the path or put the file there".into(),
            Self::NotText => "save it as UTF-8 text".into(),
            Self::Syntax { .. } => "mend this first: nothing else of the recipe was checked".into(),
            Self::UnknownKey {
                near, known, table, ..
            } => {
                format!("{}keys of {table}: {}", meant(*near), known.join(", "))
            }
            Self::MissingKey { table, key } if *key == "source" => {
                format!("say in {table} where this way of loading is published")
            }
            Self::NoSuch { known, .. } if known.is_empty() => "the recipe declares none".into(),
            Self::NoSuch { known, .. } => format!("the recipe has {}", known.join(", ")),
            Self::Format { .. } => "a newer Taploom may read it".into(),
            Self::EmptyStep { .. } => {
                "give it an instruction, data, image, clocks, wait_ms, poll, check or reset".into()
            }
            Self::NoInstruction { near, .. } => format!(
                "{}steps use the instruction names of the device's BSDL file, or those of [opcodes]",
                meant(near.as_deref())
            ),
            Self::NoInstructionYet { .. } => {
                "give the step an instruction: after reset it would go to IDCODE or BYPASS".into()
            }
            Self::OtherEntity { .. } => {
                "name another recipe in the board file, or add the entity if its data sheet agrees"
                    .into()
            }
            _ => return None,
        })
    }
}

fn in_status(status: &Option<String>) -> String {
    status
        .as_ref()
        .map_or(String::new(), |s| format!(" in status {s}"))
}
