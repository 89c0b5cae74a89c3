//! What several test binaries need.

pub(crate) mod corpus;
