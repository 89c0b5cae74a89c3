//! What several test binaries need.

pub(crate) mod corpus;
pub(crate) mod ghdl;
