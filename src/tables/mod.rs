//! TOML files of ours: typed values out of tables, and everything that is wrong with a file told at once, each with place,
//! cause and mend.
//!
//! `read` and `parse` hand a file's tables to the room whose file it is, which takes its values through a `Reader`. What
//! any such file can have wrong is a [`Fault`]; each room adds its own causes to that ([`Cause`]) and gets [`Problems`] of them.
//!
//! This room knows nothing of what the files are for.

mod fault;
mod file;
mod names;
mod problem;
mod reader;
mod source;

pub use fault::Fault;
pub(crate) use file::{parse, read, text_of};
pub use names::natural_key;
pub(crate) use names::{hidden, list, nearest};
pub use problem::{Cause, Problem, Problems};
pub(crate) use reader::{Reader, Table, Text, not_a_word, type_of};
pub use source::Location;
pub(crate) use source::Source;
