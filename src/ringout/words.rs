//! Verdicts in words that a person at the bench can act on.

use crate::board::{Place, WireIndex};

use super::Verdict;
use super::diagnose::{Diagnosis, Judged, same_owner};
use super::ohms_of;

/// What is to be said about one wire.
pub(super) struct Words<'w> {
    diagnosis: &'w Diagnosis<'w, 'w>,
    wire: WireIndex,
    judged: &'w Judged,
}

impl<'w> Words<'w> {
    pub(super) fn new(
        diagnosis: &'w Diagnosis<'_, '_>,
        wire: WireIndex,
        judged: &'w Judged,
    ) -> Self {
        Words {
            diagnosis,
            wire,
            judged,
        }
    }

    /// `W07 (yellow, A3)`.
    pub(super) fn name(&self, wire: WireIndex) -> String {
        let wire = &self.diagnosis.subject.board.wires[wire.0];
        let extra: Vec<&str> = [wire.colour.as_str(), wire.signal.as_str()]
            .into_iter()
            .filter(|s| !s.is_empty())
            .collect();
        match extra.is_empty() {
            true => wire.label.clone(),
            false => format!("{} ({})", wire.label, extra.join(", ")),
        }
    }

    /// A place as one finds it: `pattern memory.7 (A3)`, `J3.12 (U1.43)`.
    fn place(&self, place: &Place) -> String {
        let subject = self.diagnosis.subject;
        match place {
            Place::SocketPin(pin) => format!("{pin} ({})", pin.signal),
            Place::DevicePin(pin) => pin.to_string(),
            other => {
                let terminal = subject.terminal_at(other);
                let pin = terminal.and_then(|t| subject.terminals[t].stations.first());
                match pin {
                    Some(s) => format!("{other} ({})", subject.pins.get(s.pin).pin),
                    None => other.to_string(),
                }
            }
        }
    }

    fn ends(&self, wire: WireIndex) -> [&'w Place; 2] {
        let wire = &self.diagnosis.subject.board.wires[wire.0];
        [&wire.from, &wire.to]
    }

    /// What is wrong; empty for a good wire.
    pub(super) fn says(&self) -> String {
        let name = self.name(self.wire);
        let [from, to] = self.ends(self.wire).map(|p| self.place(p));
        let others: Vec<String> = self.judged.wires.iter().map(|w| self.name(*w)).collect();
        match self.judged.verdict {
            Verdict::Good => String::new(),
            Verdict::Open => format!("{name} has no contact between {from} and {to}"),
            Verdict::Short => {
                let with = match others.is_empty() {
                    true => self.judged.with.join(" and "),
                    false => others.join(" and "),
                };
                format!("{name} is joined to {with}")
            }
            Verdict::Swapped => {
                let other = self.judged.wires[0];
                let [other_from, other_to] = self.ends(other).map(|p| self.place(p));
                format!(
                    "{name} and {} are exchanged: {from} comes out on {other_to}, and {other_from} on {to}",
                    self.name(other)
                )
            }
            Verdict::StuckLow => format!("{name} stays low whatever drives it"),
            Verdict::StuckHigh => format!("{name} stays high whatever drives it"),
            Verdict::Misplaced => {
                let (end, at) = self.judged.stray.unwrap_or((1, 0));
                let [home, seen] = match end {
                    1 => [&to, &from],
                    _ => [&from, &to],
                };
                let place = &self.diagnosis.subject.terminals[at].places[0];
                format!(
                    "{name} sits on {} instead of {home}, seen from {seen}",
                    self.place(place)
                )
            }
            Verdict::Held => format!(
                "something on the machine holds {name}: let go, it always returns to one level"
            ),
            Verdict::Unsteady => {
                let (looks, misses) = self.diagnosis.looks(self.wire);
                format!(
                    "{name} has contact between {from} and {to} at times, and at times not: it failed in {misses} of {looks} looks"
                )
            }
            Verdict::Slow => {
                // From Update to Capture are 2.5 TCK or, where time is spent in Run-Test/Idle, up to 4.
                let tck_ns = self
                    .diagnosis
                    .plan
                    .tck_hz
                    .map_or(0, |hz| 1_000_000_000 / u64::from(hz.max(1)));
                let (failed, passed) = self.diagnosis.late(self.wire).unwrap_or((0, None));
                let since = match passed {
                    Some(passed) => format!(
                        "not {} after a change, always from {} on",
                        micro(failed),
                        micro(passed)
                    ),
                    None => format!("not {} after a change", micro(failed)),
                };
                let least = kilo(ohms_of(failed + tck_ns * 5 / 2));
                let most = kilo(ohms_of(passed.unwrap_or(0) + tck_ns * 4));
                let ohms = match passed {
                    _ if tck_ns == 0 => String::new(),
                    None => format!(", more than about {least}"),
                    Some(_) => format!(", about {least} to {most}"),
                };
                format!(
                    "{name} passes only when it is given time ({since}): there is resistance between {from} and {to}{ohms} into \
                     50 pF"
                )
            }
            Verdict::Untested => match &self.judged.untested {
                Some(why) => format!("{name} was not tested: {why}"),
                None => format!("{name} was not tested"),
            },
        }
    }

    /// What to do about it; empty for a good wire.
    pub(super) fn mend(&self) -> String {
        let label = self.diagnosis.subject.label(self.wire);
        let [from, to] = self.ends(self.wire);
        let signal = |wire: WireIndex| {
            let wire = &self.diagnosis.subject.board.wires[wire.0];
            match wire.signal.is_empty() {
                true => wire.label.clone(),
                false => wire.signal.clone(),
            }
        };
        match self.judged.verdict {
            Verdict::Good => String::new(),
            Verdict::Open => format!("solder or press {label} anew at {to} and at {from}, then ring it out again"),
            Verdict::Short => {
                let mut where_to_look: Vec<String> = Vec::new();
                for other in &self.judged.wires {
                    for end in self.ends(*other) {
                        let near = [from, to].into_iter().find(|p| same_owner(p, end));
                        where_to_look.extend(near.map(|near| format!("between {near} and {end}")));
                    }
                }
                match where_to_look.is_empty() {
                    true => format!("look for a bridge between {} and {}", self.place(to), self.judged.with.join(" and ")),
                    false => format!("look for a bridge of solder or a stray strand {}", where_to_look.join(" and ")),
                }
            }
            Verdict::Swapped => {
                let other = self.judged.wires[0];
                format!(
                    "exchange {label} and {} at one end (at {} or at {}), or exchange the pins of {} and {} in the pin table",
                    self.diagnosis.subject.label(other),
                    owner(from),
                    owner(to),
                    signal(self.wire),
                    signal(other)
                )
            }
            Verdict::StuckLow => format!("look for contact with ground at {from}, at {to} and along the wire"),
            Verdict::StuckHigh => format!("look for contact with a supply at {from}, at {to} and along the wire"),
            Verdict::Misplaced => {
                let (end, _) = self.judged.stray.unwrap_or((1, 0));
                let home = if end == 1 { to } else { from };
                format!(
                    "move {label} to {home}, or give {} the pin {} in the pin table",
                    signal(self.wire),
                    self.judged.with.join(" and ")
                )
            }
            Verdict::Held => "unplug the harness at the machine, or take the parts out that hang on this line, and ring it out again".into(),
            Verdict::Unsteady => format!("bend {label} at both joints while `--only {label} --repeat 1000` looks at it, then solder or press them anew"),
            Verdict::Slow => format!(
                "measure {label} from {from} to {to}: solder a bad joint anew, or declare the resistor that belongs there as [[part]]"
            ),
            Verdict::Untested => self.judged.untested.as_ref().map_or("", |u| u.how()).into(),
        }
    }
}

fn micro(ns: u64) -> String {
    match ns {
        0 => "straight".into(),
        ns if ns.is_multiple_of(1000) => format!("{} µs", ns / 1000),
        ns => format!("{} µs", ns as f64 / 1000.0),
    }
}

/// Ohms, rounded to two digits.
fn kilo(ohms: u32) -> String {
    match ohms {
        0..10_000 => format!("{:.1} kOhm", f64::from(ohms) / 1000.0),
        _ => format!("{} kOhm", ohms / 1000),
    }
}

/// The thing that a place is part of.
fn owner(place: &Place) -> String {
    match place {
        Place::ConnectorPin(pin) => pin.connector_name.to_string(),
        Place::SocketPin(pin) => pin.socket_name.to_string(),
        Place::DevicePin(pin) => pin.device_name.to_string(),
        other => other.to_string(),
    }
}
