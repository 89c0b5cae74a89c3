//! Does the description make sense? The semantic rules of the standard's Annex B over a finished model. Knows nothing
//! of the text but the places that `parser` handed over.

mod beside;
mod boundary;
mod cells;
mod instructions;
mod ports;
mod registers;
mod structure;

use crate::model::{Device, Edition};
use crate::places::Places;
use crate::report::Report;

/// A model under examination.
#[derive(Clone, Copy)]
struct Subject<'a> {
    device: &'a Device,
    places: &'a Places,
}

impl Subject<'_> {
    /// The edition whose rules hold: the one that the part claims, else the one of its package.
    fn rules_of(&self) -> Option<Edition> {
        self.device.conformance.or(self.device.edition)
    }

    /// True if the rules of 1990 to 1994 hold.
    fn is_before_2001(&self) -> bool {
        self.rules_of().is_some_and(|e| e < Edition::Y2001)
    }
}

/// Checks everything.
pub(crate) fn check(device: &Device, places: &Places, report: &mut Report<'_>) {
    let subject = Subject { device, places };
    structure::check(subject, report);
    ports::check(subject, report);
    instructions::check(subject, report);
    registers::check(subject, report);
    boundary::check(subject, report);
    cells::check(subject, report);
    beside::check(subject, report);
}

/// `a, b, c and 4 more`.
fn some_of<'s>(names: impl Iterator<Item = &'s str>, shown: usize) -> String {
    let all: Vec<_> = names.collect();
    let more = all.len().saturating_sub(shown);
    let text = all[..all.len() - more].join(", ");
    if more > 0 {
        format!("{text} and {more} more")
    } else {
        text
    }
}
