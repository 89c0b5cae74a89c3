//! Taploom: scan a board's boundary-scan chain, ring out its hand-wired harness, load its
//! devices. `DEVELOPERS.md` is the map of the house.

pub mod bits;
pub mod board;
pub mod boundary;
pub mod chain;
pub mod cli;
pub mod files;
pub mod library;
pub mod load;
pub mod report;
pub mod ringout;
pub mod script;
pub mod session;
pub mod simulator;
pub mod svf;
pub mod tables;
pub mod tap;
pub mod transport;
