//! The ways to ring out a harness.

use std::fmt;

/// A way to ring out a harness.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Method {
    /// Each end of the wire is on a scan cell.
    BothEnds,
    /// Pins listen; a probe wire from a spare adapter output carries a code.
    ProbeSends,
    /// The wires' pins speak one after another; a probe wire into a spare adapter input listens.
    ProbeReads,
    /// A grounded probe through a resistor pulls an input low.
    GroundProbe,
    /// The harness is unplugged at the far end: one pin drives, all listen.
    Alone,
}

impl Method {
    /// All methods with their names on the command line.
    pub const ALL: [(Self, &'static str); 5] = [
        (Self::BothEnds, "both-ends"),
        (Self::ProbeSends, "probe-sends"),
        (Self::ProbeReads, "probe-reads"),
        (Self::GroundProbe, "ground-probe"),
        (Self::Alone, "alone"),
    ];

    /// The name on the command line.
    pub fn as_str(self) -> &'static str {
        Self::ALL
            .iter()
            .find(|(m, _)| *m == self)
            .map_or("", |(_, s)| s)
    }

    /// From its name.
    pub fn named(name: &str) -> Option<Self> {
        Self::ALL.iter().find(|(_, s)| *s == name).map(|(m, _)| *m)
    }
}

impl fmt::Display for Method {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.as_str())
    }
}
