//! Names, statements that must be there, editions, tests inside the part (IEEE 1149.1-2001 B.8 and
//! Annex B, from memory, clauses not checked).

use super::Subject;
use crate::model::{CellFunction, Edition, Observing, PortMode, Wait};
use crate::report::Report;
use crate::rules;
use crate::span::Span;

pub(super) fn check(s: Subject<'_>, report: &mut Report<'_>) {
    presence(s, report);
    editions(s, report);
    names(s, report);
    executions(s, report);
}

fn presence(s: Subject<'_>, report: &mut Report<'_>) {
    let (device, places) = (s.device, s.places);
    if !places.missing.is_empty() {
        let message = format!("the description lacks {}", places.missing.join(", "));
        report.add(&rules::MISSING, places.end, message);
    }
    if device.edition.is_none() {
        report.add(
            &rules::PACKAGE,
            device.entity_span,
            "no standard package is used",
        );
    }
    if let Some(default) = &device.default_pin_map
        && !device.pin_maps.is_empty()
        && device.pin_map(default).is_none()
    {
        let known = super::some_of(device.pin_maps.iter().map(|m| m.name.as_str()), 5);
        report
            .add(
                &rules::DEFAULT_MAP,
                places.default_map,
                format!("the default {default:?} names no pin map"),
            )
            .also(device.pin_maps[0].span, "pin maps begin here")
            .help(format!("the file has {known}"));
    }
    for (name, span) in &places.absent {
        report.add(
            &rules::PACKAGE_ABSENT,
            *span,
            format!("package {name} is not at hand"),
        );
    }
    for map in device.pin_maps.iter().filter(|m| m.is_empty()) {
        report.add(
            &rules::NO_MAP,
            map.span,
            format!("pin map {} has no pins", map.name),
        );
    }
}

fn editions(s: Subject<'_>, report: &mut Report<'_>) {
    let (Some(package), Some(claimed)) = (s.device.edition, s.device.conformance) else {
        return;
    };
    // 1993 has no package of its own.
    if claimed > package && !(claimed == Edition::Y1993 && package == Edition::Y1990) {
        let message = format!("the part claims {claimed}, the package is the older {package}");
        report
            .add(&rules::NEWER, s.places.conformance, message)
            .also(s.places.edition, "the package");
    }
}

/// Reserved words of VHDL-93 that somebody might take for a port name.
const RESERVED: &[&str] = &[
    "abs",
    "access",
    "after",
    "alias",
    "all",
    "and",
    "architecture",
    "array",
    "assert",
    "begin",
    "block",
    "body",
    "buffer",
    "bus",
    "case",
    "component",
    "configuration",
    "disconnect",
    "downto",
    "else",
    "elsif",
    "exit",
    "file",
    "for",
    "function",
    "group",
    "guarded",
    "if",
    "impure",
    "in",
    "inertial",
    "inout",
    "is",
    "label",
    "library",
    "linkage",
    "literal",
    "loop",
    "map",
    "mod",
    "nand",
    "new",
    "next",
    "nor",
    "not",
    "null",
    "of",
    "on",
    "open",
    "or",
    "others",
    "out",
    "package",
    "postponed",
    "procedure",
    "process",
    "pure",
    "range",
    "record",
    "register",
    "reject",
    "rem",
    "report",
    "return",
    "rol",
    "ror",
    "select",
    "severity",
    "shared",
    "signal",
    "sla",
    "sll",
    "sra",
    "srl",
    "subtype",
    "then",
    "to",
    "transport",
    "type",
    "unaffected",
    "units",
    "until",
    "variable",
    "wait",
    "when",
    "while",
    "with",
    "xnor",
    "xor",
];

fn names(s: Subject<'_>, report: &mut Report<'_>) {
    let device = s.device;
    let ports = device.ports.iter().map(|p| (p.name.as_str(), p.span));
    let maps = device.pin_maps.iter().map(|m| (m.name.as_str(), m.span));
    let instructions = device
        .instructions
        .iter()
        .map(|i| (i.name.as_str(), i.span));
    let entity = std::iter::once((device.entity.as_str(), device.entity_span));
    for (name, span) in entity
        .chain(ports.clone())
        .chain(maps.clone())
        .chain(instructions)
    {
        form(name, span, report);
    }
    for (name, span) in ports.chain(maps) {
        // The longest reserved word has 13 letters.
        if name.len() <= 13 && RESERVED.iter().any(|r| r.eq_ignore_ascii_case(name)) {
            report.add(&rules::RESERVED, span, format!("{name} is a reserved word"));
        }
    }
    for port in &device.ports {
        if port.mode != PortMode::Linkage && port.mode.is_digital() && is_supply(&port.name) {
            let message = format!(
                "{} looks like a supply or an unconnected pin, but is {}",
                port.name,
                port.mode.as_str()
            );
            report.add(&rules::SUPPLY_MODE, port.span, message);
        }
    }
}

fn form(name: &str, span: Span, report: &mut Report<'_>) {
    let cause = if name.ends_with('_') {
        "ends with an underscore"
    } else if name.as_bytes().windows(2).any(|w| w == b"__") {
        "has two underscores in a row"
    } else {
        return;
    };
    report.add(&rules::NAME_FORM, span, format!("the name {name} {cause}"));
}

/// `VCC`, `GND3`, `VDDIO_2`, `NC_17`: the usual words with nothing but digits behind them.
fn is_supply(name: &str) -> bool {
    let stem = name.trim_end_matches(|c: char| c.is_ascii_digit() || c == '_');
    const WORDS: [&str; 11] = [
        "VCC", "VDD", "VSS", "GND", "NC", "VCCIO", "VCCINT", "VCCAUX", "VCCO", "VDDIO", "VDDQ",
    ];
    stem.len() <= 6 && WORDS.iter().any(|w| w.eq_ignore_ascii_case(stem))
}

fn executions(s: Subject<'_>, report: &mut Report<'_>) {
    let device = s.device;
    let pairs = [
        (
            "RUNBIST",
            "RUNBIST_EXECUTION",
            device
                .runbist
                .as_ref()
                .map(|r| (r.span, r.observing.is_some())),
        ),
        (
            "INTEST",
            "INTEST_EXECUTION",
            device
                .intest
                .as_ref()
                .map(|i| (i.span, i.observing.is_some())),
        ),
    ];
    for (name, attribute, execution) in pairs {
        match (device.instruction(name), execution) {
            // The draft language of 1990 has no such attributes.
            (Some(_), None) if device.edition == Some(Edition::Y1990) => {}
            (Some(instruction), None) => {
                let message = format!("{name} is listed, but there is no {attribute}");
                report.add(&rules::EXECUTION_PAIR, instruction.span, message);
            }
            (None, Some((span, _))) => {
                report.add(
                    &rules::EXECUTION_PAIR,
                    span,
                    format!("{attribute} is given, but {name} is not listed"),
                );
            }
            (Some(_), Some((span, false))) => {
                report.add(
                    &rules::OBSERVING,
                    span,
                    format!("{attribute} does not say what the pins do"),
                );
            }
            _ => {}
        }
    }
    floating(s, report);
    for (wait, span) in &s.places.waits {
        duration(s, wait, *span, report);
    }
    let expect = device.runbist.as_ref().and_then(|r| r.expect.as_ref());
    let length = device
        .instruction("RUNBIST")
        .and_then(|i| device.register_for(i))
        .and_then(|register| device.register_length(register));
    if let (Some(expect), Some(length)) = (expect, length)
        && expect.len() != length as usize
    {
        let message = format!(
            "Expect_Data has {} bits, the register of RUNBIST has {length}",
            expect.len()
        );
        report.add(&rules::EXPECT_WIDTH, s.places.expect, message);
    }
}

/// Pins that are said to float during a test, and drivers that cannot be switched off: told once a test.
fn floating(s: Subject<'_>, report: &mut Report<'_>) {
    let tests = [
        s.device.runbist.as_ref().map(|r| (r.span, r.observing)),
        s.device.intest.as_ref().map(|i| (i.span, i.observing)),
    ];
    // A part with HIGHZ can switch off all that it drives, whatever its table says.
    if s.device.highz().is_some() {
        return;
    }
    let always = |c: &&crate::model::Cell| c.function.drives() && c.control.is_none();
    let Some(cell) = s.device.cells.iter().find(always) else {
        return;
    };
    for (span, observing) in tests.into_iter().flatten() {
        if observing == Some(Observing::HighZ) {
            let message = format!(
                "the pins float during the test, but nothing switches the driver of cell {} off",
                cell.number
            );
            report
                .add(&rules::OBSERVING_PINS, span, message)
                .also(cell.span, "a driver without disable fields");
        }
    }
}

fn duration(s: Subject<'_>, wait: &Wait, span: Span, report: &mut Report<'_>) {
    let message = match wait {
        Wait::Seconds(seconds) if *seconds <= 0.0 => "a duration of no time".to_owned(),
        Wait::Cycles { count: 0, .. } => "a duration of no clocks".to_owned(),
        Wait::Cycles { port, .. } => match s.device.port(port) {
            Some(known) if matches!(known.mode, PortMode::In | PortMode::InOut) => {
                let bit = s.device.bit(port);
                let tap = bit.is_some_and(|b| s.device.is_tap(b));
                let mut cells = bit
                    .into_iter()
                    .flat_map(|b| s.device.cells_of(b))
                    .peekable();
                if tap || cells.peek().is_none() || cells.any(|c| c.function == CellFunction::Clock)
                {
                    return;
                }
                format!("{port} is to be clocked, and none of its cells is CLOCK")
            }
            Some(known) => format!("{port} is {}, it cannot be clocked", known.mode.as_str()),
            None if s.places.broken_ports => return,
            None => format!("there is no port {port} to be clocked"),
        },
        Wait::Seconds(_) => return,
    };
    report.add(&rules::DURATION, span, message);
}
