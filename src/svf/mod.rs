//! Serial vectors: text to statements, read as a stream.
//!
//! Source: *Serial Vector Format Specification*, revision E, March 1999 (its opening part seen
//! in a public restatement, the semantics from memory). Scan data is hexadecimal, most
//! significant digit first; **bit 0, the rightmost, is scanned first** and is nearest TDO.
//!
//! This room knows no hardware: what a statement does to a chain is `load`'s business.

mod commands;
mod data;
mod error;
mod reader;
mod source;
mod statement;
#[cfg(test)]
mod tests;
mod tokens;

pub use error::{Place, SvfError, SvfWarning, Warned};
pub use reader::{Limits, Reader};
pub use statement::{
    Data, Edge, Located, Pad, PioLevel, RunTest, ScanText, Statement, TrstMode, stable_state,
    state_named, state_word,
};
