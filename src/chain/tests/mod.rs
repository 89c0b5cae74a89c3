//! What the chain room does, on a small chain with faults.

mod compare;
mod discover;
