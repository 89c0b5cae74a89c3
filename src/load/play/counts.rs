//! What was played.

use std::collections::{BTreeMap, BTreeSet};

use crate::bits::Bits;
use crate::svf::{Place, Warned};

/// A compare that failed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PlayMismatch {
    /// The statement.
    pub at: Place,
    /// `SDR` or `SIR`.
    pub command: &'static str,
    /// Bits of the scan, from bit 0, that are wrong: those of the statement's own data, by
    /// their number in the statement.
    pub bits: Vec<usize>,
    /// Wrong bits in headers, trailers or the pads of other devices.
    pub pad_bits: usize,
    /// What came, where the statement's own data stand, as far as this part of the scan goes.
    pub seen: Bits,
    /// What should have come.
    pub expected: Bits,
    /// Ones where it counts.
    pub mask: Bits,
    /// The devices that the wrong bits belong to, as far as that is known.
    pub devices: Vec<String>,
}

/// What a file asks for and what came of it.
///
/// Counts are of statements as written: a loop is not unrolled.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Played {
    /// Statements by command.
    pub commands: BTreeMap<&'static str, u64>,
    /// Bits in Shift-IR and Shift-DR, pads included.
    pub bits_shifted: u64,
    /// Bits of SDR and SIR statements themselves.
    pub payload_bits: u64,
    /// SDR and SIR with a TDO, whatever the MASK.
    pub compares: u64,
    /// The TCK and SCK numbers of RUNTEST; times add none.
    pub run_test_cycles: u64,
    /// The sum of RUNTEST's least times, in seconds.
    pub run_test_seconds: f64,
    /// Cycles of TCK that were clocked, or would be.
    pub tck_cycles: u64,
    /// Compares that failed.
    pub mismatches: Vec<PlayMismatch>,
    /// Departures from the specification.
    pub warnings: Vec<Warned>,
    /// Times that a loop was run again because a compare in it had failed.
    pub loop_repeats: u64,
    /// The lengths of all instruction scans, pads included.
    pub ir_lengths: BTreeSet<usize>,
    /// The first instruction scan that the user must hear of, and why.
    pub seen: Option<(Place, String)>,
    /// The last statement that was played.
    pub last: Option<Place>,
    /// Whether the file was played to its end.
    pub complete: bool,
}
