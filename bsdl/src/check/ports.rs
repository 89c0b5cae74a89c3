//! Test access port, pairs, compliance patterns (IEEE 1149.1-2001 Annex B, clause not checked).

use std::collections::HashMap;

use super::Subject;
use crate::model::{PortBit, PortMode, PortPair};
use crate::report::Report;
use crate::rules;
use crate::span::Span;

pub(super) fn check(s: Subject<'_>, report: &mut Report<'_>) {
    tap(s, report);
    groups(s, report);
    compliance(s, report);
}

fn tap(s: Subject<'_>, report: &mut Report<'_>) {
    let tap = &s.device.tap;
    let roles = [
        ("TDI", tap.tdi, PortMode::In),
        ("TDO", tap.tdo, PortMode::Out),
        ("TMS", tap.tms, PortMode::In),
        ("TCK", tap.tck, PortMode::In),
        ("TRST*", tap.trst, PortMode::In),
    ];
    let absent: Vec<_> = (0..4)
        .filter(|i| s.places.tap[*i].is_none())
        .map(|i| roles[i].0)
        .collect();
    if !absent.is_empty() {
        let message = format!("the test access port lacks {}", absent.join(", "));
        report.add(&rules::TAP_MISSING, s.places.end, message);
    }
    for (i, (role, port, mode)) in roles.into_iter().enumerate() {
        let (Some(port), Some(place)) = (port, s.places.tap[i]) else {
            continue;
        };
        let known = &s.device.ports[port as usize];
        if known.mode != mode {
            let message = format!(
                "{} is {role} and must be {}, found {}",
                known.name,
                mode.as_str(),
                known.mode.as_str()
            );
            report
                .add(&rules::TAP_MODE, known.span, message)
                .also(place, "named here");
        }
        if let Some(before) = roles[..i].iter().position(|r| r.1 == Some(port)) {
            let message = format!("{} is {role} and {} at once", known.name, roles[before].0);
            let first = s.places.tap[before].unwrap_or_default();
            report
                .add(&rules::TAP_SHARED, place, message)
                .also(first, "first here");
        }
    }
}

fn groups(s: Subject<'_>, report: &mut Report<'_>) {
    let mut used: HashMap<PortBit, Span> = HashMap::new();
    // A wide port that stands in many pairs is looked through once.
    let mut whole: HashMap<PortBit, Span> = HashMap::new();
    for pair in s.device.groups.iter().flat_map(|g| &g.pairs) {
        if let Some(cause) = misfit(s, pair) {
            report.add(&rules::GROUP_PORT, pair.span, cause);
        }
        for side in [pair.representative, pair.associated] {
            if let Some(first) = whole.insert(side, pair.span) {
                let message = format!("{} belongs to two pairs", s.device.bit_name(side));
                report
                    .add(&rules::GROUP_TWICE, pair.span, message)
                    .also(first, "the first pair");
                continue;
            }
            let bits: Vec<PortBit> = match side.index {
                Some(_) => vec![side],
                None => s.device.bits_of(side.port).collect(),
            };
            let before: Vec<_> = bits
                .iter()
                .filter_map(|bit| Some((*bit, used.insert(*bit, pair.span)?)))
                .collect();
            if let Some((bit, first)) = before.first() {
                let message = format!("{} belongs to two pairs", s.device.bit_name(*bit));
                report
                    .add(&rules::GROUP_TWICE, pair.span, message)
                    .also(*first, "the first pair");
            }
        }
    }
}

/// What is wrong with a pair.
fn misfit(s: Subject<'_>, pair: &PortPair) -> Option<String> {
    let (one, other) = (
        s.device.port_of(pair.representative)?,
        s.device.port_of(pair.associated)?,
    );
    for (bit, port) in [(pair.representative, one), (pair.associated, other)] {
        if !port.mode.is_digital() {
            return Some(format!(
                "{} is {}, a pair is made of digital ports",
                port.name,
                port.mode.as_str()
            ));
        }
        if s.device.is_tap(bit) {
            return Some(format!("{} belongs to the test access port", port.name));
        }
    }
    let width = |bit: PortBit, width: u64| if bit.index.is_some() { 1 } else { width };
    let widths = (
        width(pair.representative, one.width()),
        width(pair.associated, other.width()),
    );
    if one.mode != other.mode {
        Some(format!(
            "{} is {}, {} is {}",
            one.name,
            one.mode.as_str(),
            other.name,
            other.mode.as_str()
        ))
    } else if widths.0 != widths.1 {
        Some(format!(
            "{} has {} bits, {} has {}",
            one.name, widths.0, other.name, widths.1
        ))
    } else {
        None
    }
}

fn compliance(s: Subject<'_>, report: &mut Report<'_>) {
    let Some(compliance) = &s.device.compliance else {
        return;
    };
    for bit in &compliance.ports {
        let Some(port) = s.device.port_of(*bit) else {
            continue;
        };
        let name = s.device.bit_name(*bit);
        if !matches!(port.mode, PortMode::In | PortMode::InOut) {
            let message = format!("{name} is {}, expected an input", port.mode.as_str());
            report
                .add(&rules::COMPLIANCE_PORT, compliance.span, message)
                .also(port.span, "declared here");
        }
        if s.device.is_tap(*bit) {
            let message = format!("{name} belongs to the test access port");
            report.add(&rules::COMPLIANCE_PORT, compliance.span, message);
        }
        if let Some(driver) = s.device.cells_of(*bit).find(|c| c.function.drives()) {
            let message = format!(
                "cell {} drives {name}, which a compliance pattern holds",
                driver.number
            );
            report
                .add(&rules::COMPLIANCE_DRIVEN, driver.span, message)
                .also(compliance.span, "the pattern");
        }
    }
}
