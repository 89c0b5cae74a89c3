//! Bring-up scripts: the functions of the script language over one session.
//!
//! - [`Script`]: a script's text, read and compiled; errors with file, line, column and source line
//! - [`Bringup`]: runs a script on one adapter session, step by step, and leaves the board safe whatever ends it
//! - [`Step`], [`ScriptRun`], [`End`]: what was done, what came of it, and how it ended
//! - [`check_script`]: holds every device, wire, pin and file that a script names against the board; touches nothing
//! - [`first_script`]: a commented script for a board
//! - [`Listener`]: whoever shows steps, and answers questions
//!
//! The language (crate `rhai`) gets no access to files, processes or the environment; it has limits on operations, depth,
//! sizes and time. What a script can do is what is registered in `functions`.
//!
//! This room must never print, and knows no adapters but through the session.

mod check;
mod driving;
mod end;
mod functions;
mod includes;
mod run;
mod state;
mod steps;
mod template;
#[cfg(test)]
mod tests;
mod text;
mod value;

pub use check::{Problem, Resolved, check_script};
pub use end::{End, EndKind};
pub use run::{Bringup, Limits, Setting, Setup};
pub use steps::{Listener, Loading, ScriptRun, Step, StepResult, StepVerdict};
pub use template::first_script;
pub use text::{Script, ScriptError};
pub use value::Value;
