//! Logical ports and their bits.

use crate::span::Span;

/// The direction of a port; the 2013 edition's added modes included.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum PortMode {
    /// Input.
    In,
    /// Output that may be switched off.
    Out,
    /// Output that is always on.
    Buffer,
    /// Both ways.
    InOut,
    /// Power, ground, analogue, no connection.
    Linkage,
    /// Non-digital input (2013).
    LinkageIn,
    /// Non-digital output (2013).
    LinkageOut,
    /// Non-digital, both ways (2013).
    LinkageInOut,
    /// Non-digital output that is always on (2013).
    LinkageBuffer,
    /// No electrical function (2013).
    LinkageMechanical,
    /// Positive supply (2013).
    PowerPos,
    /// Ground (2013).
    Power0,
    /// Negative supply (2013).
    PowerNeg,
    /// Reference voltage input (2013).
    VrefIn,
    /// Reference voltage output (2013).
    VrefOut,
}

impl PortMode {
    /// All modes with the standard's words, lower case.
    pub const ALL: [(Self, &'static str); 15] = [
        (Self::In, "in"),
        (Self::Out, "out"),
        (Self::Buffer, "buffer"),
        (Self::InOut, "inout"),
        (Self::Linkage, "linkage"),
        (Self::LinkageIn, "linkage_in"),
        (Self::LinkageOut, "linkage_out"),
        (Self::LinkageInOut, "linkage_inout"),
        (Self::LinkageBuffer, "linkage_buffer"),
        (Self::LinkageMechanical, "linkage_mechanical"),
        (Self::PowerPos, "power_pos"),
        (Self::Power0, "power_0"),
        (Self::PowerNeg, "power_neg"),
        (Self::VrefIn, "vref_in"),
        (Self::VrefOut, "vref_out"),
    ];

    /// The standard's word, lower case.
    pub fn as_str(self) -> &'static str {
        Self::ALL
            .iter()
            .find(|(m, _)| *m == self)
            .map_or("", |(_, s)| s)
    }

    /// True for the four digital modes: in, out, buffer, inout.
    pub fn is_digital(self) -> bool {
        matches!(self, Self::In | Self::Out | Self::Buffer | Self::InOut)
    }

    /// True for the modes that came with the 2013 edition.
    pub fn is_2013(self) -> bool {
        !self.is_digital() && self != Self::Linkage
    }
}

/// The index range of a vector port as written: `0 to 7` has left 0, right 7; `7 downto 0` the other way.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Range {
    /// Leftmost index.
    pub left: u32,
    /// Rightmost index.
    pub right: u32,
}

impl Range {
    /// Number of bits; never 0.
    pub fn width(self) -> u64 {
        u64::from(self.left.abs_diff(self.right)) + 1
    }

    /// True if the range has this index.
    pub fn contains(self, index: u32) -> bool {
        (self.left.min(self.right)..=self.left.max(self.right)).contains(&index)
    }

    /// The index that stands `n` places right of the leftmost one; `None` past the end.
    pub fn at(self, n: u32) -> Option<u32> {
        (u64::from(n) < self.width()).then(|| {
            if self.left <= self.right {
                self.left + n
            } else {
                self.left - n
            }
        })
    }

    /// The indices from left to right.
    pub fn indices(self) -> impl Iterator<Item = u32> {
        (0..self.width() as u32).filter_map(move |n| self.at(n))
    }
}

/// One logical port.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Port {
    /// Name, as spelt in the file.
    pub name: String,
    /// Direction.
    pub mode: PortMode,
    /// The index range of a vector, `None` for a single bit.
    pub range: Option<Range>,
    /// Where the name stands.
    pub span: Span,
}

impl Port {
    /// Number of bits: 1 for a single bit, else the width of its range.
    pub fn width(&self) -> u64 {
        self.range.map_or(1, Range::width)
    }
}

/// One bit of a port: the unit that pins and cells refer to. Printed by [`Device::bit_name`](super::Device::bit_name).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct PortBit {
    /// Position in [`Device::ports`](super::Device::ports).
    pub port: u32,
    /// The index written in brackets; `None` for a port that is no vector.
    pub index: Option<u32>,
}

/// What the two lines of a pair carry.
#[doc(alias = "PORT_GROUPING")]
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum DifferentialKind {
    /// `DIFFERENTIAL_VOLTAGE`.
    Voltage,
    /// `DIFFERENTIAL_CURRENT`.
    Current,
}

/// Pairs of ports that carry one signal.
#[doc(alias = "PORT_GROUPING")]
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PortGroup {
    /// Voltage or current.
    pub kind: DifferentialKind,
    /// The pairs as written.
    pub pairs: Vec<PortPair>,
}

/// One pair. A side without an index whose port is a vector means all of its bits, left to right.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PortPair {
    /// The port that carries the boundary cells.
    pub representative: PortBit,
    /// The other line.
    pub associated: PortBit,
    /// Where the pair stands.
    pub span: Span,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ranges_run_left_to_right() {
        let up = Range { left: 1, right: 3 };
        let down = Range { left: 3, right: 0 };
        assert_eq!(up.indices().collect::<Vec<_>>(), [1, 2, 3]);
        assert_eq!(down.indices().collect::<Vec<_>>(), [3, 2, 1, 0]);
        assert!(up.contains(3) && !up.contains(0) && down.contains(0));
        assert_eq!(
            (
                up.width(),
                Range {
                    left: 0,
                    right: u32::MAX
                }
                .width()
            ),
            (3, 1 << 32)
        );
    }
}
