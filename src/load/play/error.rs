//! Why playing stopped.

use crate::svf::{Place, SvfError};
use crate::tap::PortError;

/// Why playing stopped. The TAP is in a stable state then, unless the port failed.
#[derive(Debug, thiserror::Error)]
pub enum PlayError {
    /// The file cannot be read on.
    #[error(transparent)]
    Svf(#[from] SvfError),
    /// The adapter failed, or the run was interrupted.
    #[error("at {at}: {source}")]
    Port {
        /// The statement that was being played, or was sent last.
        at: Place,
        /// Why.
        source: PortError,
    },
    /// A scan without TDI after its length changed.
    #[error("{at}: {command} of {length} bits has no TDI, and the one before had another length")]
    NoTdi {
        /// Where.
        at: Place,
        /// `SDR` and so on.
        command: &'static str,
        /// Bits.
        length: u64,
    },
    /// A scan while TRST holds the test logic in reset.
    #[error("{at}: a scan while TRST is ON: the test logic is held in reset")]
    InReset {
        /// Where.
        at: Place,
    },
    /// TRST after TRST ABSENT.
    #[error("{at}: TRST after TRST ABSENT")]
    TrstAbsent {
        /// Where.
        at: Place,
    },
    /// A path whose first state cannot be reached.
    #[error("{at}: the path begins with a state that does not follow {from}")]
    Path {
        /// Where.
        at: Place,
        /// The state that the TAP is in.
        from: &'static str,
    },
    /// Parallel pins.
    #[error(
        "{at}: {command} asks for parallel pins, and no spare line of the adapter stands for {pins}"
    )]
    Parallel {
        /// Where.
        at: Place,
        /// `PIOMAP`.
        command: &'static str,
        /// The pins without a line.
        pins: String,
    },
    /// A PIO that does not fit its PIOMAP.
    #[error("{at}: {what}")]
    Columns {
        /// Where.
        at: Place,
        /// What is wrong.
        what: String,
    },
    /// A wait that nobody would sit through.
    #[error("{at}: a wait of {seconds:.0} s, and the longest that is played has {most:.0} s")]
    Wait {
        /// Where.
        at: Place,
        /// How long.
        seconds: f64,
        /// The bound.
        most: f64,
    },
    /// Clocks that take longer than MAXIMUM allows.
    #[error(
        "{at}: {clocks} clocks take {seconds:.6} s with TCK at {hz} Hz, and MAXIMUM allows {most:.6} s"
    )]
    Maximum {
        /// Where.
        at: Place,
        /// How many.
        clocks: u64,
        /// The rate.
        hz: u32,
        /// How long they take.
        seconds: f64,
        /// What MAXIMUM says.
        most: f64,
    },
    /// ENDLOOP without LOOP, LOOP in a loop, or a loop without its end.
    #[error("{at}: {what}")]
    Loop {
        /// Where.
        at: Place,
        /// What is wrong.
        what: &'static str,
    },
    /// A TCK rate that the adapter cannot make.
    #[error("{at}: the file wants TCK at {hz} Hz at most: {source}")]
    Rate {
        /// Where.
        at: Place,
        /// The rate.
        hz: u32,
        /// Why not.
        source: PortError,
    },
}

impl PlayError {
    /// What to do about it.
    pub fn help(&self) -> Option<&'static str> {
        match self {
            PlayError::Svf(SvfError::CutOff { .. }) => {
                Some("export the file again, or copy it again")
            }
            PlayError::Parallel { .. } => Some(
                "with --spare NAME=LINE a spare line of the adapter stands for it; or take the parallel vectors out of the file",
            ),
            PlayError::Maximum { .. } => {
                Some("let TCK run faster: [tck] of the board file, and FREQUENCY in this one")
            }
            PlayError::Wait { .. } => Some("mend the number; the unit is seconds"),
            PlayError::Svf(SvfError::Strict { .. }) => {
                Some("without --strict it is read with a warning")
            }
            _ => None,
        }
    }
}
