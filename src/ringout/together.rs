//! What explains several verdicts at once.

use std::collections::BTreeMap;

use crate::board::{JointKind, PartIndex, Place, WireIndex};

use super::diagnose::Diagnosis;
use super::subject::Subject;
use super::{Finding, Verdict, WireVerdict};

/// Findings about several wires at once.
pub(super) fn findings(diagnosis: &Diagnosis<'_, '_>, wires: &[WireVerdict]) -> Vec<Finding> {
    let parts = 0..diagnosis.subject.board.parts.len();
    parts
        .filter_map(|p| behind(diagnosis, wires, PartIndex(p)))
        .chain(moved(diagnosis, wires))
        .collect()
}

/// A rule by which all wires of a connector or socket sit on the wrong pins.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Rule {
    /// So many pins too high; negative: too low.
    Shift(i64),
    /// Turned by half, as pins are counted round a socket: n sits where n + half belongs.
    Turned,
    /// Mirrored, or a plug turned round: first and last are exchanged.
    Mirrored,
}

impl Rule {
    fn holds(self, home: i64, landed: i64, pins: i64) -> bool {
        match self {
            Self::Shift(by) => landed - home == by,
            Self::Turned => pins % 2 == 0 && (landed - home).rem_euclid(pins) == pins / 2,
            Self::Mirrored => landed + home == pins + 1,
        }
    }
}

/// A connector or socket, the rule by which its wires moved, those wires, and an example: home and where it landed.
type Moved = (String, Rule, Vec<WireIndex>, [String; 2]);
/// Wires with the pin that they belong on and the one that they landed on.
type Landed = Vec<(WireIndex, i64, i64)>;

/// A plug that sits a few pins off, or turned, or mirrored: one mistake that explains all wires at once.
///
/// Told only if every wire there that answers anywhere answers where the rule says, at least three do, and none is
/// good.
fn moved(diagnosis: &Diagnosis<'_, '_>, wires: &[WireVerdict]) -> Option<Finding> {
    let subject = diagnosis.subject;
    let mut found: Vec<Moved> = Vec::new();
    for end in [1, 0] {
        // What lies where, by the thing that this end of the wires goes to.
        let mut owners: BTreeMap<String, (i64, Landed, bool)> = BTreeMap::new();
        for line in &subject.lines {
            let verdict = wires[line.wire.0].verdict;
            let Some(ends) = diagnosis
                .ends(line.wire)
                .filter(|_| verdict != Verdict::Untested)
            else {
                continue;
            };
            let place = |t: usize| numbered(subject, &subject.terminals[t].places[0]);
            let Some((owner, pins, home)) = place(ends[end]) else {
                continue;
            };
            let entry = owners
                .entry(owner.clone())
                .or_insert((pins, Vec::new(), false));
            entry.2 |= verdict == Verdict::Good;
            let landed = diagnosis.landing(ends, end).and_then(place);
            if let Some((landed_owner, _, landed)) = landed
                && landed_owner == owner
                && !matches!(verdict, Verdict::Good | Verdict::Short)
            {
                entry.1.push((line.wire, home, landed));
            }
        }
        for (owner, (pins, pairs, any_good)) in owners {
            let Some((_, home, landed)) = pairs.first().filter(|_| pairs.len() >= 3 && !any_good)
            else {
                continue;
            };
            let rules = [Rule::Shift(landed - home), Rule::Turned, Rule::Mirrored];
            let rule =
                (rules.into_iter()).find(|r| pairs.iter().all(|(_, h, l)| r.holds(*h, *l, pins)));
            if let Some(rule) = rule {
                let example = [home, landed].map(|n| format!("{owner}.{n}"));
                found.push((owner, rule, pairs.iter().map(|p| p.0).collect(), example));
            }
        }
    }
    // Where both ends fit a rule, the nearer to a slip of the hand is told first: a shift.
    found.sort_by_key(|(_, rule, ..)| !matches!(rule, Rule::Shift(_)));
    let (owner, rule, wires, [home, landed]) = found.into_iter().next()?;
    let (how, mend) = match rule {
        Rule::Shift(by) => {
            let pins = if by.abs() == 1 { "one pin" } else { "pins" };
            let count = if by.abs() == 1 {
                String::new()
            } else {
                format!("{} ", by.abs())
            };
            (
                format!(
                    "everything at {owner} sits {count}{pins} too {}",
                    if by > 0 { "high" } else { "low" }
                ),
                format!("move the plug or the wires at {owner} {count}{pins} back"),
            )
        }
        Rule::Turned => (
            format!("everything at {owner} is turned by half"),
            format!("turn the plug at {owner} round"),
        ),
        Rule::Mirrored => (
            format!("everything at {owner} is mirrored, or its plug is turned round"),
            format!(
                "turn the plug at {owner} round, or solder it anew as seen from the other side"
            ),
        ),
    };
    Some(Finding {
        wires,
        says: format!(
            "one mistake explains these wires: {how} (what belongs on {home} is on {landed})"
        ),
        mend: format!(
            "{mend}, before anything is powered: supply and ground are exchanged with signals as well"
        ),
    })
}

/// The thing that a numbered pin is part of, how many pins it has, and the pin's number.
fn numbered(subject: &Subject<'_>, place: &Place) -> Option<(String, i64, i64)> {
    match place {
        Place::SocketPin(pin) => {
            let shape = subject.board.sockets[pin.socket.0].shape;
            let (pins, number) = (shape.pins.len() as i64, i64::from(pin.number));
            Some((pin.socket_name.to_string(), pins, number))
        }
        Place::ConnectorPin(pin) => {
            let number = |text: &str| text.parse::<i64>().ok();
            let declared = &subject.board.connectors[pin.connector.0].pins;
            let pins = declared.iter().filter_map(|p| number(&p.pin.pin)).max()?;
            Some((pin.connector_name.to_string(), pins, number(&pin.pin)?))
        }
        _ => None,
    }
}

/// All wires behind a part are open: the part is off, or missing.
fn behind(
    diagnosis: &Diagnosis<'_, '_>,
    wires: &[WireVerdict],
    part: PartIndex,
) -> Option<Finding> {
    let subject = diagnosis.subject;
    let reached: Vec<WireIndex> = (subject.lines.iter())
        .filter(|l| {
            let mut ends = l.ends.iter().flatten();
            ends.any(|t| {
                let stations = &subject.terminals[*t].stations;
                !stations.is_empty() && stations.iter().all(|s| s.through.contains(&part))
            })
        })
        .map(|l| l.wire)
        .filter(|w| wires[w.0].verdict != Verdict::Untested)
        .collect();
    let all_open = reached.iter().all(|w| wires[w.0].verdict == Verdict::Open);
    if reached.len() < 2 || !all_open {
        return None;
    }
    let declared = &subject.board.parts[part.0];
    let labels: Vec<&str> = reached.iter().map(|w| subject.label(*w)).collect();
    let needs = (subject.board.netlist.joints.iter())
        .find(|j| matches!(j.kind, JointKind::OneWay(p) | JointKind::Series(p) if p == part))
        .map(|j| j.needs.iter().map(ToString::to_string).collect::<Vec<_>>())
        .unwrap_or_default();
    let mend = match needs.is_empty() {
        true => format!(
            "look whether {} is there, powered and the right way round",
            declared.name
        ),
        false => format!(
            "look whether {} is powered and on: it needs {}",
            declared.name,
            needs.join(" and ")
        ),
    };
    Some(Finding {
        wires: reached,
        says: format!(
            "all wires behind {} ({}) have no contact: {}",
            declared.name,
            declared.kind.as_str(),
            labels.join(", ")
        ),
        mend,
    })
}
