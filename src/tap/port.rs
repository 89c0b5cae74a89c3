//! The two seams below scan programs.

use std::time::Duration;

use crate::bits::Bits;

use super::{Answers, Level, Line, Piece, PieceLimits, ProgramError, ScanProgram};

/// A piece that was submitted and not yet collected.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Ticket(pub u64);

/// What has gone over the wire since the port was opened.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Traffic {
    /// Cycles of TCK.
    pub tck_cycles: u64,
    /// Bits in Shift-IR and Shift-DR, pads included.
    pub shift_bits: u64,
    /// Bytes to the adapter in bulk transfers; 0 where there is no USB.
    pub usb_out: u64,
    /// Bytes from the adapter in bulk transfers, status bytes included.
    pub usb_in: u64,
    /// Times the host had nothing left to send and waited for an answer.
    pub round_trips: u64,
    /// Time since the port was opened: virtual on a simulated bench, else by the clock.
    pub elapsed: Duration,
}

/// Runs scan programs, piece by piece.
///
/// The TAP state and an open shift carry across pieces. Two or more pieces may be in flight;
/// they are collected in the order of their submission.
pub trait Port {
    /// Hands a piece over; it may run at once or at any time until it is collected.
    ///
    /// # Errors
    /// [`PortError::Program`] if the piece cannot follow what was submitted before (nothing of
    /// it is run then); otherwise the adapter failed and the TAP's state is unknown.
    fn submit(&mut self, piece: Piece) -> Result<Ticket, PortError>;

    /// Waits for a piece and gives its answers.
    ///
    /// # Errors
    /// The adapter failed; the TAP's state is unknown and the answers of all pieces in flight
    /// are lost.
    fn collect(&mut self, ticket: Ticket) -> Result<Answers, PortError>;

    /// Sets TCK to the highest rate that the adapter can make and that is not above `hz`.
    /// Returns the rate. To be called with nothing in flight.
    ///
    /// # Errors
    /// [`PortError::Unsupported`] if even the slowest rate is above `hz`; or the adapter failed.
    fn set_tck_hz(&mut self, hz: u32) -> Result<u32, PortError>;

    /// Releases all adapter lines (inputs from then on), after everything submitted has run.
    ///
    /// # Errors
    /// The adapter failed: its lines may still be driven.
    fn release(&mut self) -> Result<(), PortError>;

    /// After a failure, once: brings the adapter in step again, resets the test logic, and
    /// releases all lines. Nothing that was under way counts; nothing else may be asked of the
    /// port afterwards.
    ///
    /// # Errors
    /// It cannot be brought in step, or not by this port: its lines may still be driven.
    fn rescue(&mut self) -> Result<(), PortError> {
        Err(PortError::Unsupported {
            what: "what failed".to_owned(),
            wish: "be brought in step again".to_owned(),
        })
    }

    /// What has gone over the wire so far.
    fn traffic(&self) -> Traffic;
}

/// How many pieces [`run`] keeps in flight: one runs while the next one is sent.
const IN_FLIGHT: usize = 2;

/// Runs a whole program: cuts it into pieces within `limits`, keeps two in flight, and joins
/// their answers. Every room that has a program and wants its answers calls this.
///
/// # Errors
/// What [`Port::submit`] and [`Port::collect`] give; [`PortError::Interrupted`] comes between
/// two pieces, so no shift is broken off but one that was cut (see
/// [`Walker::is_open`](super::Walker::is_open)).
pub fn run(
    port: &mut dyn Port,
    program: ScanProgram,
    limits: PieceLimits,
) -> Result<Answers, PortError> {
    let mut answers = Answers::default();
    let mut flying = std::collections::VecDeque::with_capacity(IN_FLIGHT);
    let mut outcome = Ok(());
    for piece in program.pieces(limits) {
        if flying.len() == IN_FLIGHT
            && let Some(ticket) = flying.pop_front()
        {
            answers.join(port.collect(ticket)?);
        }
        match port.submit(piece) {
            Ok(ticket) => flying.push_back(ticket),
            Err(error) => {
                outcome = Err(error);
                break;
            }
        }
    }
    for ticket in flying {
        answers.join(port.collect(ticket)?);
    }
    outcome.map(|()| answers)
}

impl<P: Port + ?Sized> Port for Box<P> {
    fn submit(&mut self, piece: Piece) -> Result<Ticket, PortError> {
        (**self).submit(piece)
    }

    fn collect(&mut self, ticket: Ticket) -> Result<Answers, PortError> {
        (**self).collect(ticket)
    }

    fn set_tck_hz(&mut self, hz: u32) -> Result<u32, PortError> {
        (**self).set_tck_hz(hz)
    }

    fn release(&mut self) -> Result<(), PortError> {
        (**self).release()
    }

    fn rescue(&mut self) -> Result<(), PortError> {
        (**self).rescue()
    }

    fn traffic(&self) -> Traffic {
        (**self).traffic()
    }
}

/// Takes TMS and TDI, cycle by cycle, and gives TDO: a TAP without an adapter.
pub trait Clocks {
    /// Runs one cycle of TCK for each bit of `tms` and `tdi` (same length, first cycle in bit
    /// 0) and returns for each cycle the level of TDO just before the rising edge. A TDO that
    /// nothing drives reads 1.
    ///
    /// # Errors
    /// The other side is gone.
    fn clock(&mut self, tms: &Bits, tdi: &Bits) -> Result<Bits, PortError>;

    /// Sets a side line and returns the levels of the spare lines (bit k: spare line k).
    ///
    /// # Errors
    /// The other side is gone, or has no such line.
    fn line(&mut self, line: Line, level: Level) -> Result<u8, PortError>;

    /// Reads the levels of the spare lines (bit k: spare line k) and changes nothing.
    ///
    /// # Errors
    /// The other side is gone.
    fn sense(&mut self) -> Result<u8, PortError>;

    /// Lets `ns` nanoseconds pass without clocks.
    ///
    /// # Errors
    /// The other side is gone.
    fn pass(&mut self, ns: u64) -> Result<(), PortError>;

    /// The rate of TCK from now on, for sides that keep time.
    fn tck_hz(&mut self, _hz: u32) {}
}

impl<C: Clocks + ?Sized> Clocks for Box<C> {
    fn clock(&mut self, tms: &Bits, tdi: &Bits) -> Result<Bits, PortError> {
        (**self).clock(tms, tdi)
    }

    fn line(&mut self, line: Line, level: Level) -> Result<u8, PortError> {
        (**self).line(line, level)
    }

    fn sense(&mut self) -> Result<u8, PortError> {
        (**self).sense()
    }

    fn pass(&mut self, ns: u64) -> Result<(), PortError> {
        (**self).pass(ns)
    }

    fn tck_hz(&mut self, hz: u32) {
        (**self).tck_hz(hz);
    }
}

/// Why the adapter or the TAP behind it could not be worked with, sorted by what the user can
/// do about it.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum PortError {
    /// The adapter or the other process went away.
    #[error("{what} is gone{}", after(.bytes_out))]
    Gone {
        /// The adapter or address.
        what: String,
        /// Bytes that it had taken, where that is known.
        bytes_out: Option<u64>,
    },
    /// Another program or driver holds it.
    #[error("{what} is busy: another program or driver holds it")]
    Busy {
        /// The adapter.
        what: String,
    },
    /// The system does not allow it to be opened.
    #[error("opening {what} is not allowed for this user")]
    NotAllowed {
        /// The adapter.
        what: String,
    },
    /// Nothing found that fits.
    #[error("{what} was not found")]
    NotFound {
        /// What was looked for.
        what: String,
    },
    /// It refused a request.
    #[error("{what} refused a request ({request})")]
    Stalled {
        /// The adapter.
        what: String,
        /// The request.
        request: String,
    },
    /// It did not answer in time.
    #[error("{what} did not answer within {ms} ms")]
    TimedOut {
        /// The adapter or address.
        what: String,
        /// How long was waited.
        ms: u64,
    },
    /// Its answers do not fit what was sent.
    #[error("{what} is out of step: expected {expected}, got {found}")]
    OutOfStep {
        /// The adapter or address.
        what: String,
        /// What should have come.
        expected: String,
        /// What came.
        found: String,
    },
    /// It cannot do what was asked.
    #[error("{what} cannot {wish}")]
    Unsupported {
        /// The adapter.
        what: String,
        /// What was asked.
        wish: String,
    },
    /// The user or the system asked to stop; said between two pieces, the adapter is well.
    #[error("interrupted")]
    Interrupted,
    /// The program itself is wrong: a defect of the caller.
    #[error("this scan program cannot be run: {0}")]
    Program(#[from] ProgramError),
    /// Anything else, with what the system said.
    #[error("{what}: {said}")]
    Other {
        /// The adapter or address.
        what: String,
        /// The system's words.
        said: String,
    },
}

fn after(bytes: &Option<u64>) -> String {
    bytes.map_or(String::new(), |n| {
        format!(" (it had taken at least {n} bytes)")
    })
}
