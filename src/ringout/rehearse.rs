//! What a ring-out would do, without an adapter.

use crate::board::{Board, DeviceIndex, DevicePin};
use crate::boundary::{Conditions, Guard, MachinePower, Pins};

use super::plan::Plan;
use super::run::{RingOutError, Wish};
use super::subject::Subject;
use super::{Method, Untested};

/// What a ring-out would do.
#[derive(Debug, Clone, PartialEq)]
pub struct Rehearsal {
    /// The pins that would drive, in order, each at both levels; those that always drive first.
    pub drivers: Vec<DevicePin>,
    /// Enables and directions that would be held meanwhile.
    pub held: Vec<(DevicePin, bool)>,
    /// Pins that would listen.
    pub listeners: usize,
    /// By wire: why it would not be tested.
    pub untested: Vec<Option<Untested>>,
    /// Vectors if nothing is suspect; suspects are tried again.
    pub vectors: usize,
}

/// Plans a ring-out of these devices of the board and touches nothing. Whether the machine is off is not asked.
///
/// # Errors
/// [`RingOutError`]: the method does not exist yet, the chain cannot be seen as pins, or the guard refuses for
/// another reason than the machine's power.
pub fn rehearse(
    board: &Board,
    present: &[DeviceIndex],
    method: Method,
    wish: &Wish,
) -> Result<Rehearsal, RingOutError> {
    let pins = Pins::new(board, present)?;
    let conditions = Conditions {
        machine: MachinePower::Off,
        ..wish.conditions
    };
    let guard = Guard::new(board, &pins, conditions)?;
    let subject = Subject::new(board, &pins);
    let mut plan = Plan::of(method, &subject, &guard, wish.only.as_deref())
        .ok_or(RingOutError::Method(method))?;
    plan.resistance = wish.resistance;
    let pin = |p| pins.get(p).pin.clone();
    Ok(Rehearsal {
        drivers: plan.steps.iter().map(|s| pin(s.pin)).collect(),
        held: plan
            .base
            .iter()
            .map(|(p, level)| (pin(*p), *level))
            .collect(),
        listeners: plan.ears.len(),
        vectors: plan.vectors(&subject),
        untested: plan.untested,
    })
}
