//! The boundary register as a whole: numbers, merges, control cells, drivers (IEEE 1149.1-2001
//! Annex B, clause not checked).

use std::collections::HashSet;

use super::Subject;
use crate::model::{Cell, CellFunction, DisableResult, PortBit};
use crate::report::Report;
use crate::rules;
use crate::span::Span;

pub(super) fn check(s: Subject<'_>, report: &mut Report<'_>) {
    numbers(s, report);
    merges(s, report);
    controls(s, report);
    drivers(s, report);
}

fn numbers(s: Subject<'_>, report: &mut Report<'_>) {
    let (length, place) = (s.device.boundary_length, s.places.boundary_length);
    if place == Span::default() {
        return;
    }
    if length == 0 {
        report.add(
            &rules::CELL_LENGTH,
            place,
            "BOUNDARY_LENGTH is 0, expected 1 or more",
        );
        return;
    }
    let table = &s.device.cell_tables().by_number;
    let inside = table.partition_point(|(number, _)| *number < length);
    if let Some((number, position)) = table.get(inside) {
        let span = s.device.cells[*position as usize].span;
        let more = match table.len() - inside {
            1 => String::new(),
            n => format!(", and {} more lines with high numbers", n - 1),
        };
        let message =
            format!("cell {number} does not fit a boundary register of {length} bits{more}");
        report
            .add(&rules::CELL_BEYOND, span, message)
            .also(place, "BOUNDARY_LENGTH");
    }
    let mut known: Vec<u32> = table[..inside].iter().map(|(number, _)| *number).collect();
    known.extend(s.places.broken_cells.iter().filter(|n| **n < length));
    known.sort_unstable();
    let gaps = gaps(&known, length);
    if s.device.cells.is_empty() || gaps.is_empty() {
        return;
    }
    let missing: u64 = gaps.iter().map(|(from, to)| u64::from(to - from) + 1).sum();
    let shown = gaps.iter().take(6).map(|(from, to)| match to - from {
        0 => from.to_string(),
        _ => format!("{from} to {to}"),
    });
    let mut text = shown.collect::<Vec<_>>().join(", ");
    if gaps.len() > 6 {
        text.push_str(" and others");
    }
    let (noun, verb) = if missing == 1 {
        ("cell", "is")
    } else {
        ("cells", "are")
    };
    report.add(
        &rules::CELL_MISSING,
        place,
        format!("{missing} {noun} of {length} {verb} missing: {text}"),
    );
}

/// The runs of numbers below `length` that a sorted list lacks.
fn gaps(known: &[u32], length: u32) -> Vec<(u32, u32)> {
    let mut gaps = Vec::new();
    let mut next = 0;
    for &number in known {
        if number > next {
            gaps.push((next, number - 1));
        }
        next = next.max(number + 1);
    }
    if next < length {
        gaps.push((next, length - 1));
    }
    gaps
}

fn merges(s: Subject<'_>, report: &mut Report<'_>) {
    let cells = &s.device.cells;
    let table = &s.device.cell_tables().by_number;
    for group in table.chunk_by(|a, b| a.0 == b.0).filter(|g| g.len() > 1) {
        let number = group[0].0;
        let lines: Vec<&Cell> = group.iter().map(|(_, i)| &cells[*i as usize]).collect();
        let message = if lines.len() > 2 {
            format!(
                "{} lines have the number {number}, at most two may",
                lines.len()
            )
        } else if may_merge(lines[0].function, lines[1].function) {
            continue;
        } else {
            format!(
                "cell {number} stands twice, and one cell cannot be both {} and {}",
                lines[0].function.as_str(),
                lines[1].function.as_str()
            )
        };
        let (last, others) = lines.split_last().expect("more than one");
        let mut entry = report.add(&rules::CELL_MERGE, last.span, message);
        for other in others.iter().take(4) {
            entry = entry.also(other.span, format!("cell {number} here, too"));
        }
    }
}

/// One cell that watches may also control or drive; nothing else goes together.
fn may_merge(a: CellFunction, b: CellFunction) -> bool {
    use CellFunction as F;
    let watches = |f| matches!(f, F::Input | F::Clock | F::ObserveOnly);
    let acts = |f| {
        matches!(
            f,
            F::Control | F::ControlR | F::Output2 | F::Output3 | F::Internal
        )
    };
    watches(a) && acts(b) || watches(b) && acts(a)
}

fn controls(s: Subject<'_>, report: &mut Report<'_>) {
    let mut told = None;
    let mut known: Option<(u32, Option<&Cell>)> = None;
    let broken: HashSet<u32> = s.places.broken_cells.iter().copied().collect();
    for &(number, driver) in &s.device.cell_tables().by_control {
        let driver = &s.device.cells[driver as usize];
        let Some(disable) = driver.control else {
            continue;
        };
        if driver.controls_itself() {
            self_controlled(driver, report);
            continue;
        }
        // Sorted by control cell: drivers of one cell follow each other.
        if known.is_none_or(|(before, _)| before != number) {
            let mut lines = s.device.cells_numbered(number);
            known = Some((number, lines.find(|c| c.function.is_control())));
        }
        match known.and_then(|(_, control)| control) {
            None if broken.contains(&number) => {}
            None => {
                let found = match s.device.cells_numbered(number).next() {
                    Some(other) => format!("is {}", other.function.as_str()),
                    None => "is not in the table".to_owned(),
                };
                let message = format!(
                    "cell {} is controlled by cell {number}, which {found}",
                    driver.number
                );
                let entry = report.add(&rules::CELL_CONTROL, driver.span, message);
                if let Some(other) = s.device.cells_numbered(number).next() {
                    entry.also(other.span, format!("cell {number}"));
                }
            }
            Some(control) => {
                both_levels(driver, disable.result, report);
                let on = control
                    .safe
                    .value()
                    .is_some_and(|safe| safe != disable.disable_value);
                if on && told != Some(number) {
                    told = Some(number);
                    let message = format!(
                        "the safe value {} of control cell {number} leaves the driver of cell {} on",
                        control.safe, driver.number
                    );
                    report
                        .add(&rules::CELL_SAFE_ON, control.span, message)
                        .also(
                            driver.span,
                            format!("switched off by {}", u8::from(disable.disable_value)),
                        );
                }
            }
        }
    }
}

/// A driver that another cell switches drives 0 and 1 alike: no weak level is left to a resistor.
fn both_levels(driver: &Cell, result: DisableResult, report: &mut Report<'_>) {
    let weak = matches!(result, DisableResult::Weak0 | DisableResult::Weak1);
    if weak && driver.function == CellFunction::Output3 {
        let message = format!(
            "cell {} is OUTPUT3, which drives 0 and 1, but its result {} is that of a driver of one level",
            driver.number,
            result.as_str()
        );
        report.add(&rules::CELL_RESULT, driver.span, message);
    }
}

/// A driver that switches itself off: open collector and the like.
fn self_controlled(driver: &Cell, report: &mut Report<'_>) {
    // Of a cell that drives nothing, the fields themselves are told.
    let Some(disable) = driver.control.filter(|_| driver.function.drives()) else {
        return;
    };
    if driver.function != CellFunction::Output2 {
        let message = format!(
            "cell {} is {} and switches itself off, which is said of OUTPUT2 only",
            driver.number,
            driver.function.as_str()
        );
        report.add(&rules::CELL_SELF, driver.span, message);
    }
    if let Some(level) = disable.result.level()
        && level != disable.disable_value
    {
        let message = format!(
            "cell {} is off at {}, but the pin then goes to {}",
            driver.number,
            u8::from(disable.disable_value),
            disable.result.as_str()
        );
        report.add(&rules::CELL_RESULT, driver.span, message);
    }
    if disable.result == DisableResult::Keeper {
        let message = format!(
            "cell {} drives one level only, and its pin would keep it for ever",
            driver.number
        );
        report.add(&rules::CELL_RESULT, driver.span, message);
    }
    if driver.safe.value() != Some(disable.disable_value) {
        let message = format!(
            "the safe value of cell {} is {}, expected its disable value {}",
            driver.number,
            driver.safe,
            u8::from(disable.disable_value)
        );
        report.add(&rules::CELL_SELF_SAFE, driver.span, message);
    }
}

/// At most one driver a port bit.
fn drivers(s: Subject<'_>, report: &mut Report<'_>) {
    let cells = &s.device.cells;
    let mut last: Option<(PortBit, &Cell)> = None;
    for (bit, position) in &s.device.cell_tables().by_bit {
        let cell = &cells[*position as usize];
        if !cell.function.drives() {
            continue;
        }
        if let Some((_, first)) = last.filter(|(before, _)| before == bit) {
            let message = format!(
                "cells {} and {} both drive {}",
                first.number,
                cell.number,
                s.device.bit_name(*bit)
            );
            report
                .add(&rules::CELL_DRIVERS, cell.span, message)
                .also(first.span, "the first driver")
                .help("one of the two names the wrong port");
        }
        last = Some((*bit, cell));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// An open-collector pin that is watched by its own cell is often one BIDIR line (common practice): told, and read
    /// as what it is.
    #[test]
    fn a_bidir_cell_that_switches_itself_off_is_a_warning() {
        let sample = crate::explain("B322").unwrap().sample;
        let bidir = "3 (BC_7, A, bidir, X, 2, 1, Z)";
        assert!(sample.contains(bidir));
        let codes = |line: &str| {
            let text = sample
                .replace(bidir, line)
                .replace("\"(A) (1)\"", "\"(SUPPLY) (1)\"");
            let outcome = crate::parse(text.as_bytes(), &crate::Options::default());
            let cell = *outcome.device.unwrap().cells_numbered(3).next().unwrap();
            let of_table = outcome.diagnostics.into_iter().filter(|d| d.code > "B6");
            let told: Vec<_> = of_table.map(|d| (d.code, d.severity)).collect();
            (cell.controls_itself(), told)
        };
        let warning = |code| (code, crate::Severity::Warning);
        assert_eq!(
            codes("3 (BC_7, A, bidir, 1, 3, 1, PULL1)"),
            (true, vec![warning("B623")])
        );
        assert_eq!(
            codes("3 (BC_7, A, bidir, 1, 3, 1, WEAK0)"),
            (true, vec![warning("B623"), warning("B613")])
        );
        assert_eq!(
            codes("3 (BC_7, A, bidir, X)"),
            (false, vec![warning("B609")])
        );
        let input = "3 (BC_1, A, input, X, 3, 1, Z)";
        // No driver, and the port of mode inout wants one.
        assert_eq!(codes(input), (true, vec![warning("B615"), warning("B610")]));
    }

    #[test]
    fn gaps_are_runs() {
        assert_eq!(gaps(&[0, 1, 4, 4, 5], 8), [(2, 3), (6, 7)]);
        assert_eq!(gaps(&[], 2), [(0, 1)]);
        assert_eq!(gaps(&[0, 1], 2), []);
        assert_eq!(gaps(&[u32::MAX - 1], u32::MAX), [(0, u32::MAX - 2)]);
    }
}
