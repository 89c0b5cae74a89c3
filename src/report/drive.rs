//! Driven and sensed pins, and tables of vectors, as JSON and as text.

use serde_json::{Value, json};

use crate::board::{Board, Level};
use crate::boundary::Pins;
use crate::boundary::drive::{LevelPlan, TableRun};
use crate::session::Read;

use super::{Table, plural};

/// The fields of the document `taploom.drive.v1` for levels.
pub fn drive_fields(
    board: &Board,
    pins: &Pins,
    plan: Option<&LevelPlan>,
    reads: &[Read],
    seconds: f64,
) -> Value {
    let pin = |p| pins.get(p).pin.to_string();
    let driven = plan.map_or(json!([]), |plan| {
        (plan.driven.iter())
            .map(|(name, p, toggle)| json!({ "name": name, "pin": pin(*p), "level": toggle.to_string() }))
            .collect()
    });
    let also = plan.map_or(json!([]), |plan| {
        let along = plan.along.iter().map(|(p, level)| {
            json!({ "pin": pin(*p), "level": Level::from(*level).to_string(), "why": "on the way" })
        });
        let neighbours = plan
            .neighbours
            .iter()
            .map(|p| json!({ "pin": p.to_string(), "why": "shares a control cell" }));
        along.chain(neighbours).collect()
    });
    json!({
        "board": board.name,
        "method": if plan.is_some() { "EXTEST" } else { "SAMPLE" },
        "driven": driven,
        "also_driven": also,
        "sensed": reads.iter().map(read_value).collect::<Vec<_>>(),
        "seconds": seconds,
    })
}

/// What was read of one name.
pub fn read_value(read: &Read) -> Value {
    json!({
        "name": read.name,
        "pin": read.pin,
        "level": read.level.map(u8::from),
        "low": read.low,
        "high": read.high,
    })
}

/// "high", "low", or what else can be said.
fn level_text(read: &Read) -> String {
    match read.level {
        None => "not seen".to_owned(),
        Some(level) => Level::from(level).to_string(),
    }
}

/// What is driven, in lines: names, pins, levels, and what comes on with them.
pub fn drive_lines(pins: &Pins, plan: &LevelPlan) -> Vec<String> {
    let mut table = Table::new(&["driven", "pin", "level"]);
    for (name, pin, toggle) in &plan.driven {
        table.row([
            name.clone(),
            pins.get(*pin).pin.to_string(),
            toggle.to_string(),
        ]);
    }
    for (pin, level) in &plan.along {
        let level = format!("{}, on the way", Level::from(*level));
        table.row([String::new(), pins.get(*pin).pin.to_string(), level]);
    }
    for pin in &plan.neighbours {
        let why = "with it: one control cell enables both".to_owned();
        table.row([String::new(), pin.to_string(), why]);
    }
    table.lines()
}

/// Levels that were held and read, as text.
pub fn drive_text(
    board: &Board,
    pins: &Pins,
    plan: Option<&LevelPlan>,
    reads: &[Read],
    seconds: f64,
) -> String {
    let mut lines = Vec::new();
    match plan {
        Some(plan) => {
            let count = plural(plan.driven.len(), "pin");
            lines.push(format!(
                "{}: {count} driven for {seconds} s, then released",
                board.name
            ));
            lines.extend(drive_lines(pins, plan));
        }
        None => lines.push(format!("{}: read by SAMPLE, nothing driven", board.name)),
    }
    if !reads.is_empty() {
        let mut table = Table::new(&["sensed", "pin", "level", "looks low", "looks high"]);
        for read in reads {
            table.row([
                read.name.clone(),
                read.pin.clone(),
                level_text(read),
                read.low.to_string(),
                read.high.to_string(),
            ]);
        }
        lines.push(String::new());
        lines.extend(table.lines());
    }
    lines.join("\n") + "\n"
}

/// The fields of the document `taploom.drive.v1` for a table.
pub fn vectors_fields(board: &Board, file: &str, run: &TableRun) -> Value {
    json!({
        "board": board.name,
        "file": file,
        "rows": run.rows,
        "vectors": run.vectors,
        "compares": run.compares,
        "mismatches": run.mismatches,
        "first": run.first.iter().map(|m| json!({
            "row": m.line,
            "repeat": m.repeat,
            "column": m.column,
            "pin": m.pin,
            "expected": u8::from(m.expected.bit()),
            "seen": u8::from(m.seen.bit()),
            "comment": m.comment,
        })).collect::<Vec<_>>(),
    })
}

/// Mismatches that are told as text.
const TOLD: usize = 20;

/// What came of a table, as text.
pub fn vectors_text(board: &Board, file: &str, run: &TableRun) -> String {
    let mut lines = vec![format!(
        "{}: {file}, {} of {}, {} compared, {}",
        board.name,
        plural(run.vectors as usize, "vector"),
        plural(run.rows as usize, "row"),
        plural(run.compares as usize, "level"),
        match run.mismatches {
            0 => "all as expected".to_owned(),
            n => format!("{n} not as expected"),
        }
    )];
    for m in run.first.iter().take(TOLD) {
        let repeat = match m.repeat {
            1 => String::new(),
            n => format!(", repeat {n}"),
        };
        let comment = match m.comment.as_str() {
            "" => String::new(),
            c => format!(" ({c})"),
        };
        lines.push(format!(
            "  row {}{repeat}, column {}: expected {}, seen {} on {}{comment}",
            m.line, m.column, m.expected, m.seen, m.pin
        ));
    }
    if run.mismatches > TOLD as u64 {
        lines.push(format!("  and {} more", run.mismatches - TOLD as u64));
    }
    lines.join("\n") + "\n"
}
