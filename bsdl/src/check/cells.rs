//! Single cells against their ports and types, and ports without cells (IEEE 1149.1-2001 Annex B, clause not
//! checked).

use std::collections::HashSet;

use super::Subject;
use crate::model::{
    CaptureMode, Cell, CellFunction as F, CellInfo, CellKind as K, PortBit, PortMode as M, under,
};
use crate::report::Report;
use crate::rules;

pub(super) fn check(s: Subject<'_>, report: &mut Report<'_>) {
    for cell in &s.device.cells {
        star(cell, report);
        mode(s, cell, report);
        disable(cell, report);
        kind(s, cell, report);
    }
    unknown_types(s, report);
    announced(s, report);
    intest(s, report);
    associates(s, report);
    if !s.device.cells.is_empty() {
        uncovered(s, report);
    }
}

fn star(cell: &Cell, report: &mut Report<'_>) {
    let wants_none = cell.function.is_control() || cell.function == F::Internal;
    let function = cell.function.as_str();
    match cell.port {
        None if !wants_none => {
            let message = format!("cell {} is {function} without a port", cell.number);
            report
                .add(&rules::CELL_STAR, cell.span, message)
                .help("name the port that the cell serves");
        }
        Some(_) if wants_none => {
            let message = format!("cell {} is {function} and names a port", cell.number);
            report
                .add(&rules::CELL_STAR, cell.span, message)
                .help("write `*` for the port");
        }
        _ => {}
    }
}

fn mode(s: Subject<'_>, cell: &Cell, report: &mut Report<'_>) {
    let Some((bit, port)) = cell
        .port
        .and_then(|bit| Some((bit, s.device.port_of(bit)?)))
    else {
        return;
    };
    let name = || s.device.bit_name(bit);
    if s.device.is_tap(bit) {
        let message = format!(
            "cell {} serves {}, which belongs to the test access port",
            cell.number,
            name()
        );
        report
            .add(&rules::CELL_TAP, cell.span, message)
            .also(port.span, "declared here");
        return;
    }
    if !port.mode.is_digital() {
        let message = format!(
            "cell {} serves {}, which is {}",
            cell.number,
            name(),
            port.mode.as_str()
        );
        report
            .add(&rules::CELL_TAP, cell.span, message)
            .also(port.span, "declared here");
        return;
    }
    let fits = match cell.function {
        F::Input | F::Clock => matches!(port.mode, M::In | M::InOut),
        F::Output2 => matches!(port.mode, M::Out | M::Buffer | M::InOut),
        F::Output3 => matches!(port.mode, M::Out | M::InOut),
        F::Bidir => port.mode == M::InOut,
        F::ObserveOnly | F::Control | F::ControlR | F::Internal => true,
    };
    if !fits {
        let (function, mode) = (cell.function.as_str(), port.mode.as_str());
        let message = format!(
            "cell {} is {function} on {}, which is {mode}",
            cell.number,
            name()
        );
        report
            .add(&rules::CELL_MODE, cell.span, message)
            .also(port.span, "declared here");
    }
}

fn disable(cell: &Cell, report: &mut Report<'_>) {
    match cell.control {
        None if matches!(cell.function, F::Output3 | F::Bidir) => {
            let message = format!(
                "cell {} is {} without disable fields",
                cell.number,
                cell.function.as_str()
            );
            report.add(&rules::CELL_NO_DISABLE, cell.span, message);
        }
        Some(_) if !cell.function.drives() => {
            let message = format!(
                "cell {} is {} and has disable fields",
                cell.number,
                cell.function.as_str()
            );
            report.add(&rules::CELL_DISABLE, cell.span, message);
        }
        Some(control) if cell.function == F::Output2 && !cell.controls_itself() => {
            let message = format!(
                "cell {} is OUTPUT2 and controlled by cell {}; an OUTPUT2 can only switch itself off",
                cell.number, control.cell
            );
            report
                .add(&rules::CELL_DISABLE, cell.span, message)
                .help("write output3 if another cell switches it off");
        }
        _ => {}
    }
}

/// True if the standard's package gives a cell type this function; `None` for types that it does not know.
fn permits(kind: K, function: F) -> Option<bool> {
    let output = matches!(function, F::Output2 | F::Output3);
    let control = function.is_control();
    Some(match kind.dc() {
        K::Bc0 => true,
        K::Bc1 => !matches!(function, F::Bidir | F::ObserveOnly),
        K::Bc2 => output || control || matches!(function, F::Input | F::Internal),
        K::Bc3 => matches!(function, F::Input | F::Internal),
        K::Bc4 => matches!(function, F::Input | F::Clock | F::Internal | F::ObserveOnly),
        K::Bc5 => control || function == F::Input,
        K::Bc6 | K::Bc7 | K::Bc8 => function == F::Bidir,
        K::Bc9 | K::Bc10 => output,
        K::AcSelU | K::AcSelX => control || function == F::Internal,
        _ => return None,
    })
}

fn kind(s: Subject<'_>, cell: &Cell, report: &mut Report<'_>) {
    let permitted = match info(s, cell.kind) {
        Some(info) => Some(info.permits(cell.function)),
        None => permits(cell.kind, cell.function),
    };
    if permitted == Some(false) {
        let (name, function) = (s.device.cell_name(cell.kind), cell.function.as_str());
        let message = format!("cell {} is {name}, which cannot be {function}", cell.number);
        report.add(&rules::CELL_FUNCTION, cell.span, message);
    }
}

/// What a package says of a type that is no standard one.
fn info<'a>(s: Subject<'a>, kind: K) -> Option<&'a CellInfo> {
    match kind {
        K::Other(i) => s.device.other_infos.get(i as usize)?.as_ref(),
        _ => None,
    }
}

/// Types that nobody explains: told once a type.
fn unknown_types(s: Subject<'_>, report: &mut Report<'_>) {
    if !s.places.absent.is_empty() {
        return;
    }
    let mut first: Vec<Option<(&Cell, u32)>> = vec![None; s.device.other_cells.len()];
    for cell in &s.device.cells {
        if let K::Other(i) = cell.kind
            && info(s, cell.kind).is_none()
            && let Some(slot) = first.get_mut(i as usize)
        {
            slot.get_or_insert((cell, 0)).1 += 1;
        }
    }
    for (cell, count) in first.into_iter().flatten() {
        let (name, plural) = (
            s.device.cell_name(cell.kind),
            if count == 1 { "" } else { "s" },
        );
        let message = format!("no package explains the cell type {name} of {count} line{plural}");
        report
            .add(&rules::CELL_TYPE, cell.span, message)
            .help("name the package that defines it in a `use` clause; until then nobody knows what it captures");
    }
}

/// The draft language of 1990 announces the cell types of the table: told once a type.
fn announced(s: Subject<'_>, report: &mut Report<'_>) {
    let named = &s.device.boundary_cells;
    if named.is_empty() || s.device.cells.is_empty() {
        return;
    }
    let mut used: Vec<K> = Vec::new();
    for cell in &s.device.cells {
        if used.contains(&cell.kind) || used.len() > 100 {
            continue;
        }
        used.push(cell.kind);
        let name = s.device.cell_name(cell.kind);
        if !named.iter().any(|n| n.eq_ignore_ascii_case(name)) {
            let message = format!(
                "cell {} is {name}, which BOUNDARY_CELLS does not name",
                cell.number
            );
            let place = s.places.boundary_cells.first().copied();
            report
                .add(&rules::CELL_ANNOUNCED, cell.span, message)
                .also(place.unwrap_or_default(), "the types that are named");
        }
    }
    let used: Vec<&str> = used.iter().map(|k| s.device.cell_name(*k)).collect();
    for (name, span) in named.iter().zip(&s.places.boundary_cells) {
        let there = used.iter().any(|u| u.eq_ignore_ascii_case(name));
        if !there && used.len() <= 100 && s.places.broken_cells.is_empty() {
            let message = format!("BOUNDARY_CELLS names {name}, which no line of the table uses");
            report.add(&rules::CELL_ANNOUNCED, *span, message);
        }
    }
}

/// Types without INTEST in a part that has it: told once a type.
fn intest(s: Subject<'_>, report: &mut Report<'_>) {
    let Some(instruction) = s.device.instruction("INTEST") else {
        return;
    };
    let mut told = Vec::new();
    for cell in &s.device.cells {
        let lacks = match cell.kind.dc() {
            K::Bc4 => cell.function == F::Input,
            K::Bc8 | K::Bc10 => true,
            K::Other(_) => info(s, cell.kind).is_some_and(|info| {
                let under = |c: &crate::model::CellCapture| c.mode == CaptureMode::Intest;
                !info
                    .captures
                    .iter()
                    .any(|c| c.function == cell.function && under(c))
            }),
            _ => false,
        };
        if lacks && !told.contains(&cell.kind) {
            told.push(cell.kind);
            let name = s.device.cell_name(cell.kind);
            let message = format!(
                "INTEST is listed, but {name} as {} does not support it",
                cell.function.as_str()
            );
            report
                .add(&rules::CELL_INTEST, cell.span, message)
                .also(instruction.span, "INTEST");
        }
    }
}

fn associates(s: Subject<'_>, report: &mut Report<'_>) {
    for bit in associated(s) {
        if let Some(driver) = s.device.cells_of(bit).find(|c| c.function.drives()) {
            let message = format!(
                "cell {} drives {}, the second line of a differential pair",
                driver.number,
                s.device.bit_name(bit)
            );
            report.add(&rules::CELL_ASSOCIATE, driver.span, message);
        }
    }
}

/// All bits that are second lines of pairs.
fn associated(s: Subject<'_>) -> HashSet<PortBit> {
    let pairs = s.device.groups.iter().flat_map(|g| &g.pairs);
    let sides: HashSet<PortBit> = pairs.map(|p| p.associated).collect();
    sides
        .into_iter()
        .flat_map(|side| match side.index {
            Some(_) => vec![side],
            None => s.device.bits_of(side.port).collect(),
        })
        .collect()
}

/// Ports, some bits of which lack a cell that they need: told once a port.
fn uncovered(s: Subject<'_>, report: &mut Report<'_>) {
    let mut exempt = associated(s);
    exempt.extend(s.device.compliance.iter().flat_map(|c| &c.ports));
    // Table and ports run side by side: both are in the order of the port list.
    let mut table = &s.device.cell_tables().by_bit[..];
    for (port, position) in s.device.ports.iter().zip(0u32..) {
        let before = table
            .iter()
            .take_while(|(bit, _)| bit.port < position)
            .count();
        let own = table[before..]
            .iter()
            .take_while(|(bit, _)| bit.port == position)
            .count();
        let (lines, rest) = table[before..].split_at(own);
        table = rest;
        if !port.mode.is_digital() {
            continue;
        }
        let lacking: Vec<PortBit> = s
            .device
            .bits_of(position)
            .filter(|bit| !s.device.is_tap(*bit) && !exempt.contains(bit))
            .filter(|bit| !covered(s, under(lines, *bit), port.mode))
            .collect();
        let Some(first) = lacking.first() else {
            continue;
        };
        if s.places.broken_cells.len() >= lacking.len() {
            continue;
        }
        let needs = match port.mode {
            M::In => "input or clock cell",
            M::InOut => "bidir cell, or output and input cells",
            _ => "output cell",
        };
        let name = s.device.bit_name(*first);
        let more = if lacking.len() > 1 {
            format!(" and {} more bits of it", lacking.len() - 1)
        } else {
            String::new()
        };
        let message = format!("{name}{more} has no {needs} in the boundary register");
        report.add(&rules::CELL_NONE, port.span, message);
    }
}

fn covered(s: Subject<'_>, lines: &[(PortBit, u32)], mode: M) -> bool {
    let has = |wanted: fn(F) -> bool| {
        lines
            .iter()
            .any(|(_, i)| wanted(s.device.cells[*i as usize].function))
    };
    match mode {
        M::In => has(|f| f.observes()),
        M::InOut => has(|f| f.drives()) && has(|f| f.observes()),
        _ => has(|f| f.drives()),
    }
}
