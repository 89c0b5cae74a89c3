//! Which pins are driven and read for a list of names.

use crate::board::{Board, DevicePin, Level};

use super::super::{Guard, PinIndex, Pins, Refusal};
use super::spot::{Spot, SpotError, SpotPin, along};

/// What a pin is to do.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Toggle {
    /// Stay at a level.
    Stay(bool),
    /// Change its level again and again; high first.
    Blink,
}

impl Toggle {
    /// `high`, `low`, `1`, `0`, `blink`; case does not count.
    pub fn named(word: &str) -> Option<Self> {
        Some(match word.trim().to_ascii_lowercase().as_str() {
            "high" | "1" => Self::Stay(true),
            "low" | "0" => Self::Stay(false),
            "blink" => Self::Blink,
            _ => return None,
        })
    }

    fn at(self, phase: bool) -> bool {
        match self {
            Self::Stay(level) => level,
            Self::Blink => phase,
        }
    }
}

impl std::fmt::Display for Toggle {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Stay(level) => Level::from(*level).fmt(f),
            Self::Blink => f.write_str("blink"),
        }
    }
}

/// A name whose level is read, and the pin that tells it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sensed {
    /// The name as it was asked for.
    pub name: String,
    /// The pin that tells its level.
    pub pin: PinIndex,
}

/// Levels on named pins, asked of the guard beforehand.
#[derive(Debug, Clone)]
pub struct LevelPlan {
    /// Names, their pins and what these do.
    pub driven: Vec<(String, PinIndex, Toggle)>,
    /// What is driven beside them, so that a level gets where it should: enables and directions of parts.
    pub along: Vec<(PinIndex, bool)>,
    /// What comes on with them because one control cell enables both.
    pub neighbours: Vec<DevicePin>,
    /// What is read.
    pub sensed: Vec<Sensed>,
}

/// Why there is no plan.
#[derive(Debug, thiserror::Error)]
pub enum PlanError {
    /// A name stands for nothing.
    #[error(transparent)]
    Spot(#[from] SpotError),
    /// A name that stands for a pin which no driver reaches.
    #[error("{name} is not driven: {why}")]
    Undrivable {
        /// The name.
        name: String,
        /// Why.
        why: String,
        /// What to do about it.
        mend: String,
    },
    /// Two names that stand for one pin.
    #[error("{first} and {second} are the same pin, {pin}")]
    SamePin {
        /// One.
        first: String,
        /// The other.
        second: String,
        /// The pin.
        pin: String,
    },
    /// A name whose level no cell sees.
    #[error("no boundary cell on the chain sees the level of {0}")]
    Deaf(String),
    /// The guard refuses.
    #[error("{0}")]
    Refused(Box<Refusal>),
}

impl PlanError {
    /// What to do about it: one line, lower case, no full stop.
    pub fn help(&self) -> String {
        match self {
            Self::Spot(error) => error.help(),
            Self::Undrivable { mend, .. } => mend.clone(),
            Self::SamePin { .. } => "leave one of them out".into(),
            Self::Deaf(_) => "name another pin of the same net".into(),
            Self::Refused(refusal) => refusal.mend(),
        }
    }

    /// True if it is the guard, or the board as it is, that forbids; false if the words were wrong.
    pub fn is_refusal(&self) -> bool {
        matches!(self, Self::Refused(_) | Self::Undrivable { .. })
    }
}

impl LevelPlan {
    /// Resolves the names, and asks the guard for all levels at once, a blink's two.
    ///
    /// # Errors
    /// [`PlanError`] for the first name that cannot be.
    pub fn new(
        board: &Board,
        guard: &Guard<'_>,
        levels: &[(String, Toggle)],
        sense: &[String],
    ) -> Result<Self, PlanError> {
        let pins = guard.pins();
        let mut driven: Vec<(String, PinIndex, Toggle)> = Vec::with_capacity(levels.len());
        let mut ways: Vec<SpotPin> = Vec::new();
        for (name, toggle) in levels {
            let spot = Spot::find(board, pins, name)?;
            let Some(driver) = spot.driver else {
                let (why, mend) = spot.undrivable.unwrap_or_default();
                return Err(PlanError::Undrivable {
                    name: name.clone(),
                    why,
                    mend,
                });
            };
            if let Some((other, ..)) = driven.iter().find(|(_, p, _)| *p == driver.pin) {
                return Err(PlanError::SamePin {
                    first: other.clone(),
                    second: name.clone(),
                    pin: pins.get(driver.pin).pin.to_string(),
                });
            }
            driven.push((name.clone(), driver.pin, *toggle));
            ways.push(driver);
        }
        let mut sensed = Vec::with_capacity(sense.len());
        for name in sense {
            let spot = Spot::find(board, pins, name)?;
            let drives = |d: &SpotPin| driven.iter().any(|(_, p, _)| *p == d.pin);
            let driving = spot.driver.as_ref().is_some_and(drives);
            let ear = spot.ear(pins, driving);
            let ear = ear.ok_or_else(|| PlanError::Deaf(name.clone()))?;
            sensed.push(Sensed {
                name: name.clone(),
                pin: ear.pin,
            });
            ways.push(ear.clone());
        }
        let mut plan = LevelPlan {
            along: Vec::new(),
            neighbours: Vec::new(),
            driven,
            sensed,
        };
        plan.along = along(&plan.wanted(true), &ways);
        for phase in [false, true] {
            let wanted = plan.wanted(phase);
            let image = guard.image(&wanted);
            let image = image.map_err(|refusal| PlanError::Refused(Box::new(refusal)))?;
            let known = |p: PinIndex| {
                wanted.iter().any(|(w, _)| *w == p) || guard.rest().level_of(p).is_some()
            };
            plan.neighbours = (image.driven().iter())
                .filter(|(p, _)| !known(*p))
                .map(|(p, _)| pins.get(*p).pin.clone())
                .collect();
        }
        Ok(plan)
    }

    /// The levels in a phase of the blinking: all that is wanted of the guard.
    pub fn wanted(&self, phase: bool) -> Vec<(PinIndex, bool)> {
        let own = self.driven.iter().map(|(_, p, t)| (*p, t.at(phase)));
        own.chain(self.along.iter().copied()).collect()
    }

    /// Whether anything blinks.
    pub fn blinks(&self) -> bool {
        self.driven.iter().any(|(_, _, t)| *t == Toggle::Blink)
    }

    /// Pins by SAMPLE for names that are only read, in the order of the names.
    ///
    /// # Errors
    /// [`PlanError`] for the first name that cannot be.
    pub fn sampled(board: &Board, pins: &Pins, sense: &[String]) -> Result<Vec<Sensed>, PlanError> {
        (sense.iter())
            .map(|name| {
                let pin = Spot::find(board, pins, name)?.sampled(pins);
                let pin = pin.ok_or_else(|| PlanError::Deaf(name.clone()))?;
                Ok(Sensed {
                    name: name.clone(),
                    pin,
                })
            })
            .collect()
    }
}
