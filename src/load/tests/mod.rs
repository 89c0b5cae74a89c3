//! What the load room does: recipes read, images recognised, loads on chains with faults.

mod corpus;
mod engine;
mod hostile;
mod raw;
mod read;
