//! Results as text and as JSON. The only room that serialises results; it computes nothing of
//! the job and knows no hardware.

mod document;
mod table;

pub use document::{Fault, document, failure_document};
pub use table::{Table, plural};
