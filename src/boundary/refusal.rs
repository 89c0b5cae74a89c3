//! Why the guard refuses, and what to change.

use std::fmt;

use crate::board::{Level, PinLevel, Place};

/// A refusal to drive: the pin it is about, why, and what to change.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Refusal {
    /// The pin that may not be driven; `None` where EXTEST as a whole is refused.
    pub pin: Option<String>,
    /// Why.
    pub why: Why,
}

impl Refusal {
    pub(super) fn of(pin: impl fmt::Display, why: Why) -> Self {
        Refusal {
            pin: Some(pin.to_string()),
            why,
        }
    }

    /// What to change: one line, lower case, no full stop.
    pub fn mend(&self) -> String {
        self.why.mend()
    }
}

impl fmt::Display for Refusal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.pin {
            Some(pin) => write!(f, "{pin} is not driven: {}", self.why),
            None => write!(f, "EXTEST is refused: {}", self.why),
        }
    }
}

impl std::error::Error for Refusal {}

/// The reason of a [`Refusal`].
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Why {
    /// The machine is on, or nobody said that it is off.
    #[error("the machine is {0}, and EXTEST needs it to be off")]
    MachinePower(&'static str),
    /// The board's guard rules forbid it.
    #[error("`never_drive` names it")]
    NeverDrive,
    /// It drives all the time in EXTEST, and the guard rules say never.
    #[error("`never_drive` names it, but it has no enable and drives whenever EXTEST is on")]
    NeverButAlways,
    /// It belongs to the test access port.
    #[error("it belongs to the test access port")]
    Tap,
    /// A compliance pattern holds it.
    #[error("a compliance pattern of its device holds it")]
    Compliance,
    /// Power, ground, analogue.
    #[error("its BSDL calls it linkage: power, ground or analogue")]
    Linkage,
    /// No cell drives it.
    #[error("no boundary cell drives it")]
    NoDriver,
    /// Several cells drive it.
    #[error("{0} boundary cells drive it, and this tool does not know which counts")]
    SeveralDrivers(usize),
    /// An open-collector form that cannot drive this level.
    #[error("it can only be driven {}", Level::from(!*.0))]
    OneLevel(bool),
    /// It is held at the other level.
    #[error("`hold` keeps it {0}")]
    Held(Level),
    /// Its control cell would enable a neighbour that must not be driven.
    #[error("its control cell also enables {neighbour}, and {why}")]
    Neighbour {
        /// The other pin.
        neighbour: String,
        /// Why that one may not be driven.
        why: Box<Why>,
    },
    /// Another pin of the chain drives the same net at the other level.
    #[error("{other} drives the same net {level}")]
    Opposed {
        /// The other pin.
        other: String,
        /// Its level.
        level: Level,
    },
    /// A `[[driver]]` of the board file drives the net.
    #[error("the [[driver]] on {0} drives the same net")]
    DeclaredDriver(String),
    /// The output of a buffer or shifter drives the net.
    #[error("{part} drives the same net{}", while_clause(.needs))]
    Part {
        /// The part.
        part: String,
        /// Enable and direction that make it drive; empty: always.
        needs: Vec<PinLevel>,
    },
    /// A device without BSDL may drive the net.
    #[error("{0} is on the same net, and without BSDL it counts as a live driver")]
    Undescribed(String),
    /// A device that stays in BYPASS may drive the net.
    #[error(
        "{0} is on the same net, and its device stays in BYPASS, so it counts as a live driver"
    )]
    Bypassed(String),
    /// Ground or a supply.
    #[error("its net is {0}")]
    Rail(Place),
    /// Too many lines into an unpowered machine.
    #[error("{lines} lines at once would feed a machine that is off")]
    Backpower {
        /// How many.
        lines: usize,
    },
}

fn while_clause(needs: &[PinLevel]) -> String {
    if needs.is_empty() {
        return String::new();
    }
    let needs: Vec<String> = needs
        .iter()
        .map(|n| format!("{} is {}", n.pin, n.level))
        .collect();
    format!(" while {}", needs.join(" and "))
}

impl Why {
    fn mend(&self) -> String {
        match self {
            Self::MachinePower(_) => {
                "switch the machine off, let it discharge, then say `--machine off`".into()
            }
            Self::NeverDrive => "choose another pin; take it out of `never_drive` only if you know why it is there".into(),
            Self::NeverButAlways => "give its level under `hold` instead".into(),
            Self::Tap | Self::Compliance | Self::Linkage => "choose another pin".into(),
            Self::NoDriver => "drive this net from another pin, or only listen to this one".into(),
            Self::SeveralDrivers(_) => "look at its lines in the BSDL file; a pin has one driving cell".into(),
            Self::OneLevel(level) => format!("leave it released for {}", Level::from(*level)),
            Self::Held(_) => "leave it out, or mend `hold` of [guard]".into(),
            Self::Neighbour { why, .. } => format!("drive another pin of this net; for the neighbour: {}", why.mend()),
            Self::Opposed { other, .. } => format!("release {other} first, or ask for the same level"),
            Self::DeclaredDriver(_) => "drive this net from nowhere, or take the [[driver]] out of the board file if it is not there".into(),
            Self::Part { part, needs } => match needs.first() {
                Some(need) => format!("put {} {} first, or drive the net on the other side of {part}", need.pin, !need.level),
                None => format!("drive the net on the other side of {part}"),
            },
            Self::Undescribed(_) => "give the device's BSDL in the board file, or drive another net".into(),
            Self::Bypassed(_) => "its BSDL lacks EXTEST, PRELOAD or boundary cells: mend it, or drive another net".into(),
            Self::Rail(_) => "a rail is never driven: mend the wire or the connector pin in the board file".into(),
            Self::Backpower { .. } => "drive fewer lines at once, or unplug the harness at the machine and say so".into(),
        }
    }
}
