//! What can go wrong in this room.

/// Why a chain cannot be seen as pins.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum PinsError {
    /// No device.
    #[error("there is no device on the chain")]
    EmptyChain,
    /// A device that stands twice on the chain.
    #[error("device {0} stands twice on the chain")]
    Twice(String),
}

/// Why the answers of a batch are not to be believed. The batch may be run again.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum BatchError {
    /// The instruction registers did not capture what they must.
    #[error(
        "the instruction registers captured {seen}, expected {expected} (bit 0, nearest TDO, on the right)"
    )]
    InstructionCapture {
        /// What came, most significant bit first.
        seen: String,
        /// What had to come; X where it does not count.
        expected: String,
    },
    /// Bits that went through the chain behind a vector came out changed.
    #[error(
        "the marker behind vector {vector} came out as {seen}, expected {expected}: the chain lost or gained bits"
    )]
    Marker {
        /// The vector, 0 the first of the batch.
        vector: u64,
        /// What came, most significant bit first.
        seen: String,
        /// What was sent.
        expected: String,
    },
    /// An answer is missing: the program was not run to its end.
    #[error("the answers end before the batch does")]
    Unanswered,
}

impl BatchError {
    /// What to do about it: one line, lower case, no full stop.
    pub fn help(&self) -> &'static str {
        match self {
            Self::InstructionCapture { .. } | Self::Marker { .. } => {
                "run it again with a lower TCK rate; then look at the cable, at ground and at TCK"
            }
            Self::Unanswered => "run it again",
        }
    }
}
