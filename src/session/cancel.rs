//! The wish to stop, from a signal or from a test.

use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

/// Why a run is to stop.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stop {
    /// The user pressed Ctrl-C (SIGINT).
    Interrupted,
    /// The system asked the program to end (SIGTERM, SIGHUP).
    Terminated,
}

/// A flag that signal handlers set and that is looked at between pieces.
#[derive(Debug, Clone, Default)]
pub struct Cancel(Arc<AtomicUsize>);

const INTERRUPTED: usize = 1;
const TERMINATED: usize = 2;

impl Cancel {
    /// A flag that nothing sets but [`Cancel::stop`].
    pub fn new() -> Self {
        Self::default()
    }

    /// A flag that SIGINT, SIGTERM and SIGHUP set.
    ///
    /// # Errors
    /// The system refused a handler.
    pub fn on_signals() -> std::io::Result<Self> {
        use signal_hook::{consts, flag};
        let cancel = Self::default();
        flag::register_usize(consts::SIGINT, Arc::clone(&cancel.0), INTERRUPTED)?;
        flag::register_usize(consts::SIGTERM, Arc::clone(&cancel.0), TERMINATED)?;
        flag::register_usize(consts::SIGHUP, Arc::clone(&cancel.0), TERMINATED)?;
        Ok(cancel)
    }

    /// Asks to stop.
    pub fn stop(&self, why: Stop) {
        let code = match why {
            Stop::Interrupted => INTERRUPTED,
            Stop::Terminated => TERMINATED,
        };
        self.0.store(code, Ordering::Relaxed);
    }

    /// Whether to stop, and why.
    pub fn asked(&self) -> Option<Stop> {
        match self.0.load(Ordering::Relaxed) {
            INTERRUPTED => Some(Stop::Interrupted),
            TERMINATED => Some(Stop::Terminated),
            _ => None,
        }
    }
}
