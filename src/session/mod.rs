//! A session: opens an adapter, a bench or a socket, follows the TAP, listens for the wish to
//! stop, leaves the board safe, keeps files whole. It prints nothing and knows no results.

mod advice;
mod cancel;
mod drive;
mod jobs;
mod open;
mod store;

pub use advice::port_advice;
pub use cancel::{Cancel, Stop};
pub use drive::{HoldTime, Read};
pub use jobs::{
    LoadOutcome, LoadWish, Scanned, UNKNOWN_TCK_HZ, extest_watch, known_from, known_parts, locator,
    pads_around, private_watch,
};
pub use open::{OpenError, Place};
pub use store::{
    StoreError, index_path, keep_index, keep_last_good, kept_index, last_good, write_whole,
};

use crate::simulator::Witness;
use crate::tap::{Answers, Op, Piece, Port, PortError, Ticket, Traffic, Walker};

/// How the board was left at the end of a session.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Left {
    /// Test-Logic-Reset was reached and the adapter's lines are released.
    Safe,
    /// The adapter failed: nobody knows what the pins do.
    Unknown,
}

impl Left {
    /// What to tell the user when things did not end well; empty when they did.
    pub fn warning(&self) -> &'static str {
        match self {
            Left::Safe => "",
            Left::Unknown => "the pins may still be driven: remove the board's power",
        }
    }
}

/// One run on one adapter, bench or socket.
///
/// It is a [`Port`] itself: it hands pieces on, follows the TAP's state, and gives
/// [`PortError::Interrupted`] once, between two pieces, when the run is to stop. After that it
/// takes pieces again, so that whoever was interrupted can put the board into a safe state.
pub struct Session {
    port: Box<dyn Port>,
    label: String,
    cancel: Cancel,
    told: bool,
    walker: Walker,
    failed: bool,
    left: Option<Left>,
    witness: Option<Witness>,
    real: bool,
}

impl Session {
    /// A session over an open port; `label` names it to the user.
    pub fn over(port: Box<dyn Port>, label: impl Into<String>, cancel: Cancel) -> Self {
        Session {
            port,
            label: label.into(),
            cancel,
            told: false,
            walker: Walker::new(),
            failed: false,
            left: None,
            witness: None,
            real: true,
        }
    }

    /// With what a simulated bench itself sees.
    fn with_witness(mut self, witness: Option<Witness>) -> Self {
        self.witness = witness;
        self
    }

    /// A session that is not on an adapter: what it shows proves nothing about a real harness.
    fn unreal(mut self) -> Self {
        self.real = false;
        self
    }

    /// Whether a real adapter is at the other end. A TAP that another process plays is not taken for real.
    pub fn is_real(&self) -> bool {
        self.real
    }

    /// What a simulated bench itself sees; `None` for anything real.
    pub fn witness(&self) -> Option<&Witness> {
        self.witness.as_ref()
    }

    /// How the adapter is named to the user.
    pub fn label(&self) -> &str {
        &self.label
    }

    /// Why the run is to stop, if it is.
    pub fn stop_asked(&self) -> Option<Stop> {
        self.cancel.asked()
    }

    /// Resets the test logic and releases the adapter's lines; the second call changes nothing.
    ///
    /// A scan that is still open (only a load can leave one, and its exit steps have run by
    /// now) is ended on the way: there is no path from Shift to Test-Logic-Reset that avoids
    /// Update.
    pub fn leave(&mut self) -> Left {
        if let Some(left) = &self.left {
            return left.clone();
        }
        // A port that failed is given one chance to be brought in step.
        let safe = (!self.failed && self.reset_and_release().is_ok()) || self.port.rescue().is_ok();
        let left = if safe { Left::Safe } else { Left::Unknown };
        self.left = Some(left.clone());
        left
    }

    fn reset_and_release(&mut self) -> Result<(), PortError> {
        let ticket = self.port.submit(Piece {
            ops: vec![Op::Reset],
        })?;
        self.port.collect(ticket)?;
        self.walker = Walker::new();
        self.port.release()
    }

    fn watch<T>(&mut self, result: Result<T, PortError>) -> Result<T, PortError> {
        if let Err(error) = &result {
            // A port that was out of step may be in step again: leaving finds out.
            self.failed |= !matches!(
                error,
                PortError::Interrupted
                    | PortError::Program(_)
                    | PortError::Unsupported { .. }
                    | PortError::OutOfStep { .. }
            );
        }
        result
    }
}

impl Port for Session {
    fn submit(&mut self, piece: Piece) -> Result<Ticket, PortError> {
        if !self.told && self.cancel.asked().is_some() {
            self.told = true;
            return Err(PortError::Interrupted);
        }
        let mut walker = self.walker;
        for op in &piece.ops {
            walker.walk(op, &mut |_| {})?;
        }
        let result = self.port.submit(piece);
        self.walker = walker;
        self.watch(result)
    }

    fn collect(&mut self, ticket: Ticket) -> Result<Answers, PortError> {
        let result = self.port.collect(ticket);
        self.watch(result)
    }

    fn set_tck_hz(&mut self, hz: u32) -> Result<u32, PortError> {
        let result = self.port.set_tck_hz(hz);
        self.watch(result)
    }

    fn release(&mut self) -> Result<(), PortError> {
        let result = self.port.release();
        self.watch(result)
    }

    fn rescue(&mut self) -> Result<(), PortError> {
        self.port.rescue()
    }

    fn traffic(&self) -> Traffic {
        self.port.traffic()
    }
}

impl Drop for Session {
    /// Also when the stack unwinds: the board is left safe.
    fn drop(&mut self) {
        self.leave();
    }
}

#[cfg(test)]
mod tests {
    use std::sync::{Arc, Mutex};

    use super::*;

    /// Keeps the ops that it is given.
    #[derive(Clone, Default)]
    struct Log(Arc<Mutex<Vec<String>>>);

    struct Logged {
        log: Log,
        fails: bool,
    }

    impl Port for Logged {
        fn submit(&mut self, piece: Piece) -> Result<Ticket, PortError> {
            if self.fails {
                return Err(PortError::Gone {
                    what: "adapter".into(),
                    bytes_out: None,
                });
            }
            let mut log = self.log.0.lock().unwrap();
            log.extend(piece.ops.iter().map(|op| format!("{op:?}")));
            Ok(Ticket(0))
        }
        fn collect(&mut self, _: Ticket) -> Result<Answers, PortError> {
            Ok(Answers::default())
        }
        fn set_tck_hz(&mut self, hz: u32) -> Result<u32, PortError> {
            Ok(hz)
        }
        fn release(&mut self) -> Result<(), PortError> {
            self.log.0.lock().unwrap().push("released".into());
            Ok(())
        }
        fn traffic(&self) -> Traffic {
            Traffic::default()
        }
    }

    fn session(fails: bool) -> (Session, Log, Cancel) {
        let (log, cancel) = (Log::default(), Cancel::new());
        let port = Logged {
            log: log.clone(),
            fails,
        };
        (
            Session::over(Box::new(port), "test", cancel.clone()),
            log,
            cancel,
        )
    }

    fn clocks() -> Piece {
        Piece {
            ops: vec![Op::Clocks(3)],
        }
    }

    #[test]
    fn the_wish_to_stop_is_told_once_and_then_pieces_run_again() {
        let (mut session, log, cancel) = session(false);
        session.submit(clocks()).unwrap();
        cancel.stop(Stop::Terminated);
        assert_eq!(session.submit(clocks()), Err(PortError::Interrupted));
        session.submit(clocks()).unwrap();
        assert_eq!(session.stop_asked(), Some(Stop::Terminated));
        assert_eq!(session.leave(), Left::Safe);
        assert_eq!(
            *log.0.lock().unwrap(),
            ["Clocks(3)", "Clocks(3)", "Reset", "released"]
        );
    }

    #[test]
    fn a_session_that_unwinds_leaves_the_board_safe() {
        let (session, log, _) = session(false);
        let caught = std::panic::catch_unwind(std::panic::AssertUnwindSafe(move || {
            let _session = session;
            std::panic::resume_unwind(Box::new(()));
        }));
        assert!(caught.is_err());
        assert_eq!(*log.0.lock().unwrap(), ["Reset", "released"]);
    }

    #[test]
    fn a_lost_adapter_is_not_called_safe() {
        let (mut session, _, _) = session(true);
        assert!(session.submit(clocks()).is_err());
        assert_eq!(session.leave(), Left::Unknown);
        assert!(
            session
                .leave()
                .warning()
                .contains("remove the board's power")
        );
    }

    #[test]
    fn a_program_that_cannot_run_never_reaches_the_adapter() {
        let (mut session, log, _) = session(false);
        let piece = Piece {
            ops: vec![
                Op::Clocks(1),
                Op::Along(vec![crate::tap::TapState::PauseDr]),
            ],
        };
        assert!(matches!(session.submit(piece), Err(PortError::Program(_))));
        assert!(log.0.lock().unwrap().is_empty());
        assert_eq!(session.leave(), Left::Safe);
    }
}
