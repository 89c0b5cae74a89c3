//! What a ring-out concludes.

use std::collections::BTreeMap;
use std::fmt;

use crate::board::{DevicePin, Level, WireIndex};

use super::Method;

/// The verdict on a wire.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Verdict {
    /// Joins what it should and nothing else.
    Good,
    /// No contact.
    Open,
    /// Joined to another wire.
    Short,
    /// Exchanged with another wire.
    Swapped,
    /// Reads 0 whatever is driven.
    StuckLow,
    /// Reads 1 whatever is driven.
    StuckHigh,
    /// One end sits on another pin.
    Misplaced,
    /// Something on the machine holds the line.
    Held,
    /// Answers differently from time to time.
    Unsteady,
    /// Passes only when sampled late: resistance.
    Slow,
    /// Not tested.
    Untested,
}

impl Verdict {
    /// All verdicts with their words in documents: the first word of the verdict in full.
    pub const ALL: [(Self, &'static str); 11] = [
        (Self::Good, "good"),
        (Self::Open, "open"),
        (Self::Short, "short"),
        (Self::Swapped, "swapped"),
        (Self::StuckLow, "stuck-low"),
        (Self::StuckHigh, "stuck-high"),
        (Self::Misplaced, "misplaced"),
        (Self::Held, "held"),
        (Self::Unsteady, "unsteady"),
        (Self::Slow, "slow"),
        (Self::Untested, "untested"),
    ];

    /// The word in documents: `stuck-low`.
    pub fn as_str(self) -> &'static str {
        Self::ALL
            .iter()
            .find(|(v, _)| *v == self)
            .map_or("", |(_, s)| s)
    }
}

impl fmt::Display for Verdict {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Open => "open (no contact)",
            other => other.as_str(),
        })
    }
}

/// Why a wire was not tested.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Untested {
    /// A supply wire.
    #[error("a supply wire: unproven by scan")]
    Supply,
    /// A ground wire.
    #[error("a ground wire: unproven by scan")]
    Ground,
    /// It was not asked for.
    #[error("not asked for")]
    NotAskedFor,
    /// No scan pin reaches one end.
    #[error("no scan pin on the chain reaches {0}")]
    NoPin(String),
    /// Scan pins reach both ends, but none of them can drive towards one that listens.
    #[error("no pin may drive it: {0}")]
    NoDriver(String),
    /// Nothing listens at the end away from the driver.
    #[error("nothing listens at {0}")]
    NoListener(String),
    /// The pins of this wire and of others are enabled together and cannot be told apart.
    #[error("its driver comes on together with that of {0}, at the same level")]
    Together(String),
    /// Another way joins its ends, so that a broken wire would not show.
    #[error("another way joins its two ends, so a break would not show")]
    Bridged,
    /// Only one end is looked at: nothing is wrong there, and the rest cannot be seen.
    #[error(
        "from one end it is neither shorted nor stuck, but its contact at the other end cannot be seen"
    )]
    OneEnd,
    /// One mistake that other wires show would put it on a supply or ground.
    #[error("by the mistake that the other wires show it sits on {0}: it was not driven")]
    OnSupply(String),
    /// One mistake that other wires show would put a supply or ground on its line.
    #[error(
        "by the mistake that the other wires show a supply or ground is on its line: it was not driven"
    )]
    SupplyOn,
    /// Something drives the line whenever EXTEST is on, or may.
    #[error("{0}")]
    Live(String),
}

impl Untested {
    /// How it could be tested: one line, lower case, no full stop.
    pub fn how(&self) -> &'static str {
        match self {
            Self::Supply | Self::Ground => "check it with a meter before anything is powered",
            Self::NotAskedFor => "leave `--only` out",
            Self::NoPin(_) | Self::NoListener(_) => {
                "put a scan clip on that end, or check it with a meter"
            }
            Self::NoDriver(_) | Self::Live(_) => "check it with a meter",
            Self::Together(_) => "check it with a meter, or put a scan clip on the other end",
            Self::OneEnd => {
                "plug the harness in and ring it out with a scan clip (`--by both-ends`), or check it with a meter"
            }
            Self::OnSupply(_) | Self::SupplyOn => "mend that mistake first, then ring it out again",
            Self::Bridged => "unplug the machine, or check it with a meter",
        }
    }
}

/// The conclusion about one wire.
#[derive(Debug, Clone, PartialEq)]
pub struct WireVerdict {
    /// The wire.
    pub wire: WireIndex,
    /// The verdict.
    pub verdict: Verdict,
    /// With whom: labels of wires; for `misplaced` the device pin it came out on (`U2.45`), or the place where no
    /// device pin is behind it.
    pub with: Vec<String>,
    /// Other explanations that the same readings allow.
    pub alternatives: Vec<Alternative>,
    /// Why it was not tested, for `untested`.
    pub untested: Option<Untested>,
    /// What was driven and read that shows it; empty for `untested`.
    pub evidence: Vec<Evidence>,
    /// Looks at which a missing contact would have shown: its level had just changed.
    pub looks: usize,
    /// How many of them showed none.
    pub misses: usize,
    /// It was looked at as early as the chain allows after a change, and passed.
    pub early: bool,
    /// What is wrong, in words: wire, colour, pins. Empty for `good`.
    pub says: String,
    /// What to do about it. Empty for `good`.
    pub mend: String,
}

/// Another explanation of the same readings.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Alternative {
    /// The verdict.
    pub verdict: Verdict,
    /// With whom, as in [`WireVerdict::with`].
    pub with: Vec<String>,
    /// The measurement that would decide.
    pub decide: String,
}

/// One vector, as far as it shows something about a wire.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Evidence {
    /// The pins that were driven, held ones left out; empty: everything was released.
    pub driven: Vec<(DevicePin, Level)>,
    /// What was read.
    pub heard: Vec<Heard>,
}

/// What one pin read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Heard {
    /// The pin.
    pub pin: DevicePin,
    /// What it should have read; `None` where nothing was expected.
    pub expected: Option<Level>,
    /// What it read.
    pub read: Level,
}

/// A conclusion about several wires at once.
#[derive(Debug, Clone, PartialEq)]
pub struct Finding {
    /// The wires that it explains.
    pub wires: Vec<WireIndex>,
    /// What is wrong, in words.
    pub says: String,
    /// What to do about it.
    pub mend: String,
}

/// How far the word `good` reaches.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Assurance {
    /// The fewest looks that any good wire had at which a missing contact would have shown.
    pub looks: usize,
    /// Good wires that were looked at as early as the chain allows after a change.
    pub early: usize,
    /// How early that was, in nanoseconds: 2.5 TCK from Update to Capture, on an adapter that makes no pause there.
    /// `None` where the rate of TCK is not known.
    pub early_ns: Option<u64>,
    /// How long after a change the settled looks came, in nanoseconds.
    pub settle_ns: u64,
}

impl Assurance {
    /// The share of looks, 0 to 1, that a joint must have failed at to be found with a certainty of 95 %: 1 - 0.05^(1/n).
    pub fn failing_share(&self) -> Option<f64> {
        (self.looks > 0).then(|| 1.0 - 0.05f64.powf(1.0 / self.looks as f64))
    }

    /// The series resistance above which a wire would have been called slow, in ohms.
    pub fn ohms(&self) -> Option<u32> {
        let settled = Some(self.settle_ns).filter(|ns| *ns > 0);
        match self.early {
            0 => settled.or(self.early_ns).map(ohms_of),
            _ => self.early_ns.map(ohms_of),
        }
    }
}

/// The resistance through which a line of 50 pF takes so long to cross the middle, in ohms: t / (0.69 × 50 pF).
pub fn ohms_of(ns: u64) -> u32 {
    (ns as f64 * 1e-9 / (0.69 * 50e-12)).min(f64::from(u32::MAX)) as u32
}

/// The result of a ring-out.
#[derive(Debug, Clone, PartialEq)]
pub struct RingOut {
    /// The method.
    pub method: Method,
    /// How far the word `good` reaches.
    pub assurance: Assurance,
    /// One verdict a wire, in the order of the board's wires.
    pub wires: Vec<WireVerdict>,
    /// Conclusions about several wires at once.
    pub findings: Vec<Finding>,
    /// What could not be changed and is to be said: pins that always drive, large groups, devices in BYPASS.
    pub notes: Vec<String>,
    /// Vectors captured under EXTEST.
    pub vectors: usize,
    /// Looks by SAMPLE before.
    pub looks: usize,
    /// Batches that had to be run again because their own checks failed.
    pub repeated: usize,
}

impl RingOut {
    /// How many wires have each verdict; verdicts that no wire has are left out.
    pub fn counts(&self) -> BTreeMap<&'static str, usize> {
        let mut counts = BTreeMap::new();
        for wire in &self.wires {
            *counts.entry(wire.verdict.as_str()).or_insert(0) += 1;
        }
        counts
    }

    /// True if every wire is good, supply and ground wires apart.
    pub fn all_good(&self) -> bool {
        self.wires.iter().all(|w| {
            w.verdict == Verdict::Good
                || matches!(w.untested, Some(Untested::Supply | Untested::Ground))
        })
    }
}
