//! What several test binaries need.

pub(crate) mod by_hand;
pub(crate) mod corpus;
pub(crate) mod ghdl;
