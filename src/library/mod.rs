//! The BSDL files on this machine: where they lie, and which one describes a part.
//!
//! This room must never know what its answers are used for: no chain, no board, no words for the terminal.

mod files;
mod index;

pub use files::{
    ENDINGS, LibraryError, PACKAGE_ENDINGS, bsdl_files, packages, parse_with_packages, read,
};
pub use index::{Index, Indexed, LARGEST_INDEX, Refreshed};
