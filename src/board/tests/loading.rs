//! Boards that load.
