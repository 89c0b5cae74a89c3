//! How a run ends: its exit status and, where it could not do what was asked, why.

use crate::session::{Stop, port_advice};
use crate::tap::PortError;

/// The exit status, by the contract of the command line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Exit {
    /// As declared, all good.
    Good,
    /// Something was found: the board differs, a test failed, a file has errors.
    Finding,
    /// A file or the command line cannot be read or understood.
    Input,
    /// The adapter or the chain could not be worked with.
    Port,
    /// Refused for safety or for want of consent.
    Refused,
    /// Stopped by the user; the board was left safe first.
    Interrupted,
    /// Stopped by the system; the board was left safe first.
    Terminated,
}

impl Exit {
    /// The number.
    pub fn code(self) -> u8 {
        match self {
            Exit::Good => 0,
            Exit::Finding => 1,
            Exit::Input => 2,
            Exit::Port => 3,
            Exit::Refused => 4,
            Exit::Interrupted => 130,
            Exit::Terminated => 143,
        }
    }
}

impl From<Stop> for Exit {
    fn from(stop: Stop) -> Exit {
        match stop {
            Stop::Interrupted => Exit::Interrupted,
            Stop::Terminated => Exit::Terminated,
        }
    }
}

/// Why a run could not do what was asked.
#[derive(Debug, Clone)]
pub struct Failure {
    /// The exit status.
    pub exit: Exit,
    /// One word for programs: `usage`, `board`, `file`, `adapter`, `chain`, `refused`, `stopped`.
    pub kind: &'static str,
    /// What went wrong, where; may have several lines.
    pub message: String,
    /// What to do about it.
    pub help: Option<String>,
}

impl Failure {
    /// A file or an argument that cannot be used.
    pub fn input(kind: &'static str, message: impl Into<String>) -> Self {
        Failure {
            exit: Exit::Input,
            kind,
            message: message.into(),
            help: None,
        }
    }

    /// Refused for safety or for want of consent.
    pub fn refused(message: impl Into<String>) -> Self {
        Failure {
            exit: Exit::Refused,
            kind: "refused",
            message: message.into(),
            help: None,
        }
    }

    /// The chain could not be worked with.
    pub fn chain(message: impl Into<String>) -> Self {
        Failure {
            exit: Exit::Port,
            kind: "chain",
            message: message.into(),
            help: None,
        }
    }

    /// With advice.
    #[must_use]
    pub fn help(mut self, help: impl Into<String>) -> Self {
        self.help = Some(help.into());
        self
    }

    /// With a sentence more in the message.
    #[must_use]
    pub fn also(mut self, line: &str) -> Self {
        if !line.is_empty() {
            self.message.push('\n');
            self.message.push_str(line);
        }
        self
    }

    /// The adapter failed after the work was done, while the board was being left.
    pub fn leaving() -> Self {
        Failure {
            exit: Exit::Port,
            kind: "adapter",
            message: "the adapter failed while the board was being left".to_owned(),
            help: Some("check the plug and the cable, then scan again".to_owned()),
        }
    }

    /// The adapter failed, or the run was stopped.
    pub fn port(error: &PortError, stop: Option<Stop>) -> Self {
        if let (PortError::Interrupted, Some(stop)) = (error, stop) {
            let message = match stop {
                Stop::Interrupted => "interrupted",
                Stop::Terminated => "terminated",
            };
            return Failure {
                exit: stop.into(),
                kind: "stopped",
                message: message.to_owned(),
                help: None,
            };
        }
        Failure {
            exit: Exit::Port,
            kind: "adapter",
            message: error.to_string(),
            help: port_advice(error).map(str::to_owned),
        }
    }
}
