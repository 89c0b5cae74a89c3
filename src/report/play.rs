//! What playing serial vectors gave.

use serde_json::{Value, json};

use crate::load::play::{PlayMismatch, Played};

use super::{Table, plural, rate};

/// The fields of the document `taploom.play.v1`; `seconds` is `None` for a rehearsal.
pub fn play_fields(played: &Played, tck_hz: u32, seconds: Option<f64>) -> Value {
    let limit = played.payload_bits as f64 / f64::from(tck_hz);
    let planned = played.tck_cycles as f64 / f64::from(tck_hz) + played.run_test_seconds;
    json!({
        "dry": seconds.is_none(),
        "complete": played.complete,
        "bits_shifted": played.bits_shifted,
        "payload_bits": played.payload_bits,
        "tck_cycles": played.tck_cycles,
        "compares": played.compares,
        "mismatches": played.mismatches.len(),
        "seconds": seconds.unwrap_or(planned),
        "limit_seconds": limit,
        "commands": played.commands,
        "run_test_cycles": played.run_test_cycles,
        "loop_repeats": played.loop_repeats,
        "mismatch_list": played.mismatches.iter().take(MOST_SHOWN).map(mismatch_value).collect::<Vec<_>>(),
        "warnings": played.warnings.iter().map(|w| json!({
            "line": w.first.line, "column": w.first.column, "message": w.warning.to_string(), "times": w.times,
        })).collect::<Vec<_>>(),
        "last_line": played.last.map(|p| p.line),
    })
}

/// Mismatches that a document and a screen list.
const MOST_SHOWN: usize = 1000;

fn mismatch_value(m: &PlayMismatch) -> Value {
    json!({
        "line": m.at.line,
        "column": m.at.column,
        "command": m.command,
        "bits": m.bits,
        "pad_bits": m.pad_bits,
        "devices": m.devices,
        "seen": m.seen.to_hex(),
        "expected": m.expected.to_hex(),
        "mask": m.mask.to_hex(),
    })
}

/// What a file would do.
pub fn play_plan_text(played: &Played, tck_hz: u32) -> String {
    let mut table = Table::new(&["command", "times"]);
    for (command, times) in &played.commands {
        table.row([(*command).to_owned(), times.to_string()]);
    }
    let time = played.tck_cycles as f64 / f64::from(tck_hz) + played.run_test_seconds;
    let mut lines = table.lines();
    lines.push(String::new());
    lines.push(format!(
        "{} to shift, {}, {}; about {time:.3} s at {}",
        plural(played.bits_shifted as usize, "bit"),
        plural(played.compares as usize, "compare"),
        plural(played.tck_cycles as usize, "cycle") + " of TCK",
        rate(tck_hz)
    ));
    lines.join("\n") + "\n"
}

/// What playing gave.
pub fn play_text(played: &Played, seconds: f64, tck_hz: u32) -> String {
    let mut lines = Vec::new();
    let statements: u64 = played.commands.values().sum();
    if played.mismatches.is_empty() {
        lines.push(format!(
            "Played to its end: {}, {}, all as expected.",
            plural(statements as usize, "statement"),
            plural(played.compares as usize, "compare")
        ));
    } else {
        let end = if played.complete {
            "Played to its end"
        } else {
            "Broken off"
        };
        lines.push(format!(
            "{end}: {} of what was compared.",
            plural(played.mismatches.len(), "mismatch").replace("mismatchs", "mismatches")
        ));
        for m in played.mismatches.iter().take(20) {
            lines.push(String::new());
            lines.extend(mismatch_lines(m));
        }
        if played.mismatches.len() > 20 {
            lines.push(format!("  and {} more", played.mismatches.len() - 20));
        }
    }
    lines.push(String::new());
    lines.push(format!(
        "{} shifted in {seconds:.3} s, TCK {}.",
        plural(played.bits_shifted as usize, "bit"),
        rate(tck_hz)
    ));
    lines.join("\n") + "\n"
}

fn mismatch_lines(m: &PlayMismatch) -> Vec<String> {
    let clip = |text: String| {
        if text.len() > 64 {
            format!("…{}", &text[text.len() - 64..])
        } else {
            text
        }
    };
    let bits: Vec<String> = m.bits.iter().take(8).map(usize::to_string).collect();
    let more = if m.bits.len() > 8 {
        format!(" and {} more", m.bits.len() - 8)
    } else {
        String::new()
    };
    let what = match (m.bits.len(), m.pad_bits) {
        (n, 0) if m.command == "PIO" => format!(
            "{} {}{more} (0 is the first of its PIOMAP)",
            if n == 1 { "column" } else { "columns" },
            bits.join(", ")
        ),
        (0, n) => format!("{} in the pads of other devices", plural(n, "bit")),
        (n, _) => format!(
            "{} {}{more} (0 is nearest TDO)",
            if n == 1 { "bit" } else { "bits" },
            bits.join(", ")
        ),
    };
    let whose = match &m.devices[..] {
        [] => String::new(),
        devices => format!(", {}", devices.join(", ")),
    };
    vec![
        format!("  {}: {} differs in {what}{whose}", m.at, m.command),
        format!("     expected  {}", clip(m.expected.to_hex())),
        format!("     seen      {}", clip(m.seen.to_hex())),
        format!("     mask      {}", clip(m.mask.to_hex())),
    ]
}

/// How far playing got, for an error message.
pub fn play_how_far(played: &Played) -> String {
    let statements: u64 = played.commands.values().sum();
    match played.last {
        Some(at) => format!(
            "the file was sent no further than line {} ({statements} statements); it has not been played to its end",
            at.line
        ),
        None => "nothing of the file was sent".to_owned(),
    }
}
