//! Enables, directions and channels of parts.

use super::place::{Level, Place};

/// The pin that switches a part on.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Enable {
    /// The enable pin: a device pin that boundary scan can set, or any other place.
    pub pin: Place,
    /// The level at which the part is on.
    pub on: Level,
}

/// The pin that turns a two-way part round.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Direction {
    /// The direction pin.
    pub pin: Place,
    /// The level at which the part carries from its `from` side to its `to` side.
    pub forward: Level,
}

/// One line through a part.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Channel {
    /// The `from` side, or the first of `between`.
    pub from: Place,
    /// The other side.
    pub to: Place,
}
