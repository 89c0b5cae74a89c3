//! What the listening pins read while each driver drove.

use crate::bits::Bits;
use crate::board::Level;
use crate::boundary::PinIndex;

use super::plan::Plan;
use super::subject::{Needs, Subject};
use super::{Evidence, Heard};

/// What every ear of a plan read in one vector, by position in [`Plan::ears`].
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Reading {
    seen: Bits,
    level: Bits,
}

impl Reading {
    /// A reading from the level of each ear; `None` where its cell cannot tell.
    pub fn new(levels: impl IntoIterator<Item = Option<bool>>) -> Self {
        let (mut seen, mut level) = (Bits::new(), Bits::new());
        for l in levels {
            seen.push(l.is_some());
            level.push(l == Some(true));
        }
        Reading { seen, level }
    }

    /// The ears that read this level.
    pub(super) fn at(&self, level: bool) -> impl Iterator<Item = u64> + '_ {
        let words = self.seen.words().iter().zip(self.level.words());
        words.map(move |(seen, l)| seen & if level { *l } else { !*l })
    }

    /// Adds the ears that read this level to a set of ears.
    pub fn collect(&self, level: bool, set: &mut Vec<u64>) {
        set.resize(self.seen.words().len(), 0);
        for (s, w) in set.iter_mut().zip(self.at(level)) {
            *s |= w;
        }
    }

    /// What an ear read.
    pub fn get(&self, ear: usize) -> Option<bool> {
        self.seen.get(ear).then(|| self.level.get(ear))
    }
}

/// The readings of one driver: both levels, and after it let go.
#[derive(Debug, Clone)]
pub struct StepReading {
    /// Position in [`Plan::steps`].
    pub step: usize,
    /// Levels that neighbours were driven to at the same time; empty in a plain look.
    pub against: [Needs; 2],
    /// While it drove 0 and while it drove 1.
    pub at: [Reading; 2],
    /// A look at the second level sooner or later than the settled one, where there was one: nanoseconds beside the 2.5
    /// TCK from Update to Capture, and what was read.
    pub timed: Option<(u64, Reading)>,
    /// Which level came last before it let go.
    pub last: bool,
    /// After it let go.
    pub after: Reading,
}

/// Everything that was read.
#[derive(Debug, Clone)]
pub struct Response {
    /// Everything released, at the start.
    pub rest: Reading,
    /// The drivers' readings, in the order of time; a driver that was tried again has several.
    pub steps: Vec<StepReading>,
    /// Vectors in which two terminals that may be joined were driven to opposite levels, where that was consented to.
    pub opposed: Vec<([usize; 2], Reading)>,
    /// Enables and directions that are held throughout: the level wanted, and what the pin itself read at the start;
    /// `None` where no cell sees it.
    pub held: Vec<(PinIndex, bool, Option<bool>)>,
}

impl Response {
    /// All readings of one step.
    pub fn of(&self, step: usize) -> impl Iterator<Item = &StepReading> {
        self.steps.iter().filter(move |s| s.step == step)
    }
}

/// What a driver's two levels did to an ear.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Reaction {
    /// The ear read what was driven.
    Follows,
    /// The ear read the same at both levels.
    Stays(bool),
    /// The ear read the opposite of what was driven.
    Opposes,
    /// The ear could not tell.
    Deaf,
}

impl StepReading {
    /// What an ear made of it.
    pub fn reaction(&self, ear: usize) -> Reaction {
        match (self.at[0].get(ear), self.at[1].get(ear)) {
            (Some(false), Some(true)) => Reaction::Follows,
            (Some(true), Some(false)) => Reaction::Opposes,
            (Some(a), Some(_)) => Reaction::Stays(a),
            _ => Reaction::Deaf,
        }
    }

    /// The ears that read what was driven, lowest first.
    pub fn followers(&self) -> Vec<usize> {
        self.reading([false, true])
    }

    /// The ears that read the opposite of what was driven, lowest first.
    pub fn opposers(&self) -> Vec<usize> {
        self.reading([true, false])
    }

    /// The ears that read these levels while 0 and while 1 was driven.
    fn reading(&self, levels: [bool; 2]) -> Vec<usize> {
        let both = self.at[0].at(levels[0]).zip(self.at[1].at(levels[1]));
        both.enumerate()
            .flat_map(|(i, (low, high))| ones(low & high).map(move |bit| i * 64 + bit))
            .collect()
    }

    /// The two vectors as evidence about some ears; `expected`: the ears that should have followed.
    pub fn evidence(
        &self,
        subject: &Subject<'_>,
        plan: &Plan,
        ears: &[usize],
        expected: &[usize],
    ) -> Vec<Evidence> {
        let name = |pin: PinIndex| subject.pins.get(pin).pin.clone();
        let step = &plan.steps[self.step];
        [false, true]
            .into_iter()
            .map(|level| {
                let reading = &self.at[usize::from(level)];
                let against = self.against[usize::from(level)].iter();
                let heard = (ears.iter())
                    .filter_map(|&ear| {
                        Some(Heard {
                            pin: name(plan.ears[ear].0),
                            expected: expected.contains(&ear).then(|| Level::from(level)),
                            read: Level::from(reading.get(ear)?),
                        })
                    })
                    .collect();
                Evidence {
                    driven: std::iter::once((name(step.pin), Level::from(level)))
                        .chain(against.map(|(p, l)| (name(*p), Level::from(*l))))
                        .collect(),
                    heard,
                }
            })
            .collect()
    }
}

/// The places of the ones in a word, lowest first.
pub(super) fn ones(mut word: u64) -> impl Iterator<Item = usize> {
    std::iter::from_fn(move || {
        let bit = word.trailing_zeros() as usize;
        (word != 0).then(|| {
            word &= word - 1;
            bit
        })
    })
}
