//! What explains several verdicts at once.

use crate::board::{JointKind, Level, PartIndex, WireIndex};

use super::diagnose::Diagnosis;
use super::moved::{Moved, Numbering};
use super::{Finding, Verdict, WireVerdict};

/// Findings about several wires at once.
pub(super) fn findings(diagnosis: &Diagnosis<'_, '_>, wires: &[WireVerdict]) -> Vec<Finding> {
    let verdict = |w: WireIndex| wires[w.0].verdict;
    let numbering = Numbering::new(diagnosis.subject);
    let moved = Moved::find(diagnosis, &numbering, verdict)
        .map(|m| m.finding(diagnosis.subject, &numbering, verdict));
    let parts = 0..diagnosis.subject.board.parts.len();
    parts
        .filter_map(|p| behind(diagnosis, wires, PartIndex(p)))
        .chain(moved)
        .collect()
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
        .map(|j| j.needs.clone())
        .unwrap_or_default();
    // What the enables themselves read while they were held.
    let seen: Vec<String> = (needs.iter())
        .filter_map(|n| {
            let pin = subject.pins.find(n.pin.device_pin()?)?;
            let (_, wanted, read) = (diagnosis.response.held.iter()).find(|(p, ..)| *p == pin)?;
            let (wanted, read) = (Level::from(*wanted), Level::from((*read)?));
            Some(match wanted == read {
                true => format!("{} was {wanted} as it should be", n.pin),
                false => format!("{} was driven {wanted} and stayed {read}", n.pin),
            })
        })
        .collect();
    let seen = match seen.is_empty() {
        true => String::new(),
        false => format!(" ({})", seen.join(", ")),
    };
    let (question, mend) = match needs.is_empty() {
        true => (
            "is it there, and has it its supply?",
            format!(
                "look whether {} is there, has its supply, and sits the right way round",
                declared.name
            ),
        ),
        false => (
            "is its enable on?",
            format!(
                "look whether {} has its supply, and measure its enable: it needs {}{seen}",
                declared.name,
                needs
                    .iter()
                    .map(ToString::to_string)
                    .collect::<Vec<_>>()
                    .join(" and ")
            ),
        ),
    };
    Some(Finding {
        wires: reached,
        says: format!(
            "all open behind {} ({}): {}: {question}",
            declared.name,
            declared.kind.as_str(),
            labels.join(", ")
        ),
        mend,
    })
}
