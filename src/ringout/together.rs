//! What explains several verdicts at once.

use crate::board::{JointKind, PartIndex, WireIndex};

use super::diagnose::Diagnosis;
use super::{Finding, Verdict, WireVerdict};

/// Findings about several wires at once.
pub(super) fn findings(diagnosis: &Diagnosis<'_, '_>, wires: &[WireVerdict]) -> Vec<Finding> {
    let parts = 0..diagnosis.subject.board.parts.len();
    parts
        .filter_map(|p| behind(diagnosis, wires, PartIndex(p)))
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
