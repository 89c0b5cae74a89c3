//! Why pins are not driven.

use super::super::{BatchError, PinsError, Refusal, StillnessError};
use crate::tap::PortError;

/// Why pins are not driven, or no longer. The board has been taken out of EXTEST.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum DriveError {
    /// The chain cannot be seen as pins.
    #[error(transparent)]
    Pins(#[from] PinsError),
    /// The guard refused.
    #[error("{0}")]
    Refused(Box<Refusal>),
    /// Something moved, or the look could not be believed.
    #[error(transparent)]
    Stillness(#[from] StillnessError),
    /// What came back is not to be believed.
    #[error(transparent)]
    Batch(#[from] BatchError),
    /// The adapter failed, or the run was interrupted.
    #[error(transparent)]
    Port(#[from] PortError),
}

impl From<Refusal> for DriveError {
    fn from(refusal: Refusal) -> Self {
        Self::Refused(Box::new(refusal))
    }
}

impl DriveError {
    /// What to do about it: one line, lower case, no full stop; empty where the adapter's own words say it.
    pub fn help(&self) -> String {
        match self {
            Self::Pins(_) => "mend the board file".into(),
            Self::Refused(refusal) => refusal.mend(),
            Self::Stillness(error) => error.help().into(),
            Self::Batch(error) => error.help().into(),
            Self::Port(_) => String::new(),
        }
    }
}
