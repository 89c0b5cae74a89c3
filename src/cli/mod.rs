//! The program: arguments in, a session, a report out. One file a command.
//!
//! This room holds no logic of the job. It is the only one that prints.

mod args;
mod exit;
mod out;

pub use exit::{Exit, Failure};
