//! Levels on named pins through the guard, for any length of time, and tables of test vectors.
//!
//! - [`Spot`]: a pin, wire or signal by the name that a user writes, and the scan pins behind it
//! - [`LevelPlan`]: which pins are driven and read for a list of names, asked of the guard beforehand
//! - [`DriveRun`]: pins held under EXTEST from one scan program to the next
//! - [`VectorTable`]: a table of drives and expectations, read row by row
//! - [`play_table`]: the rows on the pins, what was expected held against what was seen
//!
//! This folder must never know the terminal, adapters, or how a result is printed.

mod error;
mod plan;
mod play;
mod run;
mod spot;
mod table;
#[cfg(test)]
mod tests;

pub use error::DriveError;
pub use plan::{LevelPlan, PlanError, Sensed, Toggle};
pub use play::{Column, Mismatch, TableError, TableRun, play_table, rehearse_table};
pub use run::{DriveRun, Levels, Runner, look, sample, waits};
pub use spot::{Spot, SpotError, SpotPin, along};
pub use table::{Cell, Row, RowError, TableFault, VectorTable};
