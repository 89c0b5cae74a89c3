//! A finding: a conclusion about one thing on the board, with its evidence.

use std::fmt;

/// A conclusion about the chain, in words: what, where, expected against seen, and the mend. Lower case, no full stop.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Finding {
    /// A stable short name of this sort of finding.
    pub kind: &'static str,
    /// What is the case.
    pub what: String,
    /// Where: a device, or the stretch between two.
    pub place: String,
    /// What should have been seen.
    pub expected: String,
    /// What was seen.
    pub seen: String,
    /// What to look at or do.
    pub mend: String,
    /// True if something is wrong; false for a habit of a part that harms nothing.
    pub fault: bool,
}

impl fmt::Display for Finding {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "{}: {}; expected {}, seen {}; {}",
            self.place, self.what, self.expected, self.seen, self.mend
        )
    }
}
