//! How a script ends before its last line.

use crate::boundary::drive::{DriveError, PlanError, TableError};
use crate::ringout::RingOutError;
use crate::session::{Stop, port_advice};
use crate::tap::PortError;

use super::ScriptError;

/// Why a script ended, sorted by what follows from it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum EndKind {
    /// Something about the board was found: a step failed.
    Finding,
    /// The script, or a file that it names, is wrong.
    Input,
    /// The adapter or the chain could not be worked with.
    Port,
    /// Refused for safety or for want of consent.
    Refused,
    /// Somebody asked to stop.
    Stopped(Stop),
}

/// Why a script ended before its last line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct End {
    /// What follows from it.
    pub kind: EndKind,
    /// What: lower case, no full stop.
    pub message: String,
    /// File, line and column in the script; empty where it is about no line.
    pub at: String,
    /// That line with its number, as it is shown below the message.
    pub source: String,
    /// What to do about it; empty where nothing is to be said.
    pub help: String,
}

impl End {
    /// An end of this kind.
    pub(super) fn new(kind: EndKind, message: impl Into<String>, help: impl Into<String>) -> Self {
        End {
            kind,
            message: message.into(),
            at: String::new(),
            source: String::new(),
            help: help.into(),
        }
    }

    /// What and where, with the source line.
    pub fn told(&self) -> String {
        let at = match self.at.as_str() {
            "" => String::new(),
            at => format!("{at}: "),
        };
        match self.source.as_str() {
            "" => format!("{at}{}", self.message),
            source => format!("{at}{}\n{source}", self.message),
        }
    }

    /// The same, at a line of a script.
    pub(super) fn placed(mut self, error: &ScriptError) -> Self {
        self.at = error.place();
        self.source = error.source_line();
        self
    }

    pub(super) fn input(message: impl Into<String>, help: impl Into<String>) -> Self {
        Self::new(EndKind::Input, message, help)
    }

    pub(super) fn port(error: &PortError, stop: Option<Stop>) -> Self {
        match (error, stop) {
            (PortError::Interrupted, Some(stop)) => Self::stopped(stop),
            _ => Self::new(
                EndKind::Port,
                error.to_string(),
                port_advice(error).unwrap_or("check the plug, the cable and the other side"),
            ),
        }
    }

    pub(super) fn stopped(stop: Stop) -> Self {
        let word = match stop {
            Stop::Interrupted => "interrupted",
            Stop::Terminated => "terminated",
        };
        Self::new(EndKind::Stopped(stop), word, "")
    }

    pub(super) fn drive(error: &DriveError, stop: Option<Stop>) -> Self {
        let kind = match error {
            DriveError::Port(port) => return Self::port(port, stop),
            DriveError::Pins(_) => EndKind::Input,
            DriveError::Refused(_) | DriveError::Stillness(_) => EndKind::Refused,
            DriveError::Batch(_) => EndKind::Port,
        };
        Self::new(kind, error.to_string(), error.help())
    }

    pub(super) fn plan(error: &PlanError) -> Self {
        let kind = match error.is_refusal() {
            true => EndKind::Refused,
            false => EndKind::Input,
        };
        Self::new(kind, error.to_string(), error.help())
    }

    pub(super) fn table(file: &str, error: &TableError, stop: Option<Stop>) -> Self {
        let mut end = match error {
            TableError::Drive { error, .. } => Self::drive(error, stop),
            TableError::Refused { .. } => {
                Self::new(EndKind::Refused, error.to_string(), error.help())
            }
            _ => Self::input(error.to_string(), error.help()),
        };
        if !matches!(end.kind, EndKind::Stopped(_)) {
            end.message = format!("{file}: {error}");
        }
        end
    }

    pub(super) fn ring_out(error: &RingOutError, stop: Option<Stop>) -> Self {
        let kind = match error {
            RingOutError::Port(port) => return Self::port(port, stop),
            RingOutError::Method(_) | RingOutError::Pins(_) => EndKind::Input,
            RingOutError::Refused(_) | RingOutError::Stillness(_) => EndKind::Refused,
            _ => EndKind::Port,
        };
        Self::new(kind, error.to_string(), error.help())
    }
}
