//! What can be wrong in a profile file.

use crate::tables::{Cause, Fault, Problems};

/// A profile that cannot be used, with everything that is wrong with it.
pub type ProfileError = Problems<ProfileFault>;

/// What is wrong. `Display` says it in one line, [`help`](Cause::help) how to mend it.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ProfileFault {
    /// What can be wrong with any file.
    #[error(transparent)]
    Fault(#[from] Fault),
    /// A line that the chip does not have there.
    #[error("`{key}` names \"{found}\": {why}")]
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

impl Cause for ProfileFault {
    fn help(&self) -> String {
        match self {
            ProfileFault::Fault(fault) => fault.help(),
            ProfileFault::BadLine { .. } => {
                "lines are D0 to D7, C0 to C7, ADBUS0 and so on; by bit-bang also TXD, RXD, RTS, CTS, DTR, DSR, DCD, RI".to_owned()
            }
            ProfileFault::DoesNotFit(_) => {
                "give each line one task, and only lines and channels that the chip has".to_owned()
            }
        }
    }
}
