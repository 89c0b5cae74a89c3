//! The jobs that commands and scripts share: what is done on an open session, without a word
//! printed.

use crate::board::Board;
use crate::chain::{Comparison, Found, KnownParts, Split, compare, discover, split_found};
use crate::tap::PortError;

use super::Session;

/// TCK rate for a chain of which nothing is known.
pub const UNKNOWN_TCK_HZ: u32 = 1_000_000;

/// What a scan gave.
#[derive(Debug, Clone, PartialEq)]
pub struct Scanned {
    /// The chain as found.
    pub found: Found,
    /// How the instruction bits divide among the devices.
    pub split: Split,
    /// The chain against the board, if there is one.
    pub comparison: Option<Comparison>,
}

impl Session {
    /// Who is on the chain and, with a board, whether that is as declared.
    ///
    /// # Errors
    /// The adapter failed, or the run was interrupted.
    pub fn scan(&mut self, board: Option<&Board>) -> Result<Scanned, PortError> {
        let tck_hz = board.map_or(UNKNOWN_TCK_HZ, |b| b.tck_limit_hz(true));
        let found = discover(self, tck_hz)?;
        let mut known = KnownParts::none();
        for device in board.into_iter().flat_map(|b| &b.devices) {
            if let Some(bsdl) = &device.bsdl {
                known.add(bsdl);
            }
        }
        let split = split_found(&found, &known);
        let comparison = board.map(|b| compare(&found, b, &known));
        Ok(Scanned {
            found,
            split,
            comparison,
        })
    }
}
