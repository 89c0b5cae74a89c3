//! What can be wrong with a recipe.

use crate::boundary::Drives;
use crate::tables::{Cause, Fault, Problem, Problems};

/// A recipe that cannot be used, with everything that is wrong with it.
pub type RecipeError = Problems<RecipeFault>;

/// One thing that is wrong with a recipe, and where.
pub type RecipeProblem = Problem<RecipeFault>;

/// What is wrong with a recipe. `Display` says it in one line; [`help`](Cause::help) how to mend it.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum RecipeFault {
    /// What can be wrong with any file.
    #[error(transparent)]
    Fault(#[from] Fault),
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
    /// An instruction that drives pins past the guard.
    #[error(transparent)]
    Drives(#[from] Drives),
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

impl Cause for RecipeFault {
    fn help(&self) -> String {
        match self {
            Self::Fault(fault) => fault.help(),
            Self::NoSuch { known, .. } if known.is_empty() => "the recipe declares none".into(),
            Self::NoSuch { known, .. } => format!("the recipe has {}", known.join(", ")),
            Self::Format { .. } => "a newer Taploom may read it".into(),
            Self::EmptyStep { .. } => {
                "give it an instruction, data, image, clocks, wait_ms, poll, check or reset".into()
            }
            Self::NoInstruction { near, .. } => {
                let meant = near
                    .as_ref()
                    .map_or(String::new(), |near| format!("did you mean `{near}`? "));
                format!(
                    "{meant}steps use the instruction names of the device's BSDL file, or those of [opcodes]"
                )
            }
            Self::Drives(_) => {
                "no image needs it: pins are driven by `taploom drive` and `taploom ringout`, which look first who else drives".into()
            }
            Self::NoInstructionYet { .. } => {
                "give the step an instruction: after reset it would go to IDCODE or BYPASS".into()
            }
            Self::OtherEntity { .. } => {
                "name another recipe in the board file, or add the entity if its data sheet agrees"
                    .into()
            }
            Self::Twice { .. }
            | Self::Conflict { .. }
            | Self::Needs { .. }
            | Self::NotHere { .. }
            | Self::NoImage { .. }
            | Self::SecondImage { .. }
            | Self::BitBeyond { .. }
            | Self::OtherOpcode { .. }
            | Self::RegisterLength { .. } => String::new(),
        }
    }
}

fn in_status(status: &Option<String>) -> String {
    status
        .as_ref()
        .map_or(String::new(), |s| format!(" in status {s}"))
}
