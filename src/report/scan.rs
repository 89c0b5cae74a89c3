//! A scan as JSON and as text.

use serde_json::{Value, json};

use crate::bits::Bits;
use crate::board::Board;
use crate::chain::{Comparison, Finding, IdCode, Verdict};
use crate::session::Scanned;
use crate::tap::ChainLayout;

use super::{Table, plural};

/// The fields of the document `taploom.scan.v1`.
pub fn scan_fields(scanned: &Scanned, board: Option<&Board>) -> Value {
    let found = &scanned.found;
    let (devices, findings) = match &scanned.comparison {
        Some(comparison) => (compared_rows(comparison), comparison.findings.clone()),
        None => (found_rows(scanned), found.findings()),
    };
    json!({
        "board": board.map(|b| b.name.clone()),
        "devices": devices,
        "declared": board.map(declared),
        "chain": {
            "whole": found.is_whole(),
            "ir_length_total": found.ir_total,
            "tck_hz": found.tck_hz,
        },
        "findings": findings.iter().map(finding_value).collect::<Vec<_>>(),
    })
}

fn declared(board: &Board) -> Value {
    board
        .chain_declared(true)
        .iter()
        .map(|d| {
            json!({
                "name": d.name,
                "entity": d.entity,
                "idcodes": d.idcodes.iter().map(|p| idcode_pattern(&p.to_string())).collect::<Vec<_>>(),
                "ir_length": d.ir_length,
                "optional": d.optional,
            })
        })
        .collect()
}

/// A pattern of 32 digits as hexadecimal, `x` for a digit that may be any.
fn idcode_pattern(bits: &str) -> String {
    let digits: Vec<char> = bits.chars().collect();
    if digits.len() != 32 {
        return bits.to_owned();
    }
    let hex = digits.chunks(4).map(|four| {
        let text: String = four.iter().collect();
        u8::from_str_radix(&text, 2).map_or('x', |v| format!("{v:X}").chars().next().unwrap_or('x'))
    });
    format!("0x{}", hex.collect::<String>())
}

/// A finding about the chain as JSON.
pub fn finding_value(finding: &Finding) -> Value {
    json!({
        "kind": finding.kind,
        "place": finding.place,
        "what": finding.what,
        "expected": finding.expected,
        "seen": finding.seen,
        "mend": finding.mend,
        "fault": finding.fault,
    })
}

fn identity(idcode: Option<IdCode>) -> Value {
    match idcode {
        Some(id) => json!({
            "idcode": idcode_text(id),
            "manufacturer": id.manufacturer(),
            "manufacturer_code": format!("0x{:03X}", id.manufacturer_field()),
            "part": format!("0x{:04X}", id.part()),
            "version": id.version(),
        }),
        None => json!({
            "idcode": null, "manufacturer": null, "manufacturer_code": null, "part": null, "version": null,
        }),
    }
}

fn idcode_text(id: IdCode) -> String {
    format!("0x{:08X}", id.0)
}

fn row(position: Option<usize>, idcode: Option<IdCode>, rest: Value) -> Value {
    let mut map = serde_json::Map::new();
    map.insert("position".into(), json!(position));
    map.insert("name".into(), Value::Null);
    for part in [identity(idcode), rest] {
        if let Value::Object(part) = part {
            map.extend(part);
        }
    }
    Value::Object(map)
}

fn compared_rows(comparison: &Comparison) -> Value {
    comparison
        .rows
        .iter()
        .map(|r| {
            row(
                r.position,
                r.idcode,
                json!({
                    "name": (!r.name.is_empty()).then_some(&r.name),
                    "ir_length": r.ir_length,
                    "ir_capture": r.ir_capture.as_ref().map(Bits::to_binary),
                    "entity": r.entity,
                    "verdict": r.verdict.as_str(),
                }),
            )
        })
        .collect()
}

/// Length and capture of each found device's instruction register, where they are certain.
fn fields_found(scanned: &Scanned) -> Vec<Option<(usize, Bits)>> {
    let none = vec![None; scanned.found.devices.len()];
    let (Some(lengths), Some(capture)) = (scanned.split.lengths(), &scanned.found.ir_capture)
    else {
        return none;
    };
    let layout = ChainLayout::new(lengths.to_vec());
    (0..lengths.len())
        .map(|i| {
            let field = layout.ir_field(i);
            Some((field.len(), capture.slice(field.start, field.len())))
        })
        .collect()
}

/// The entities that a code fits, by what the index of BSDL files knows.
fn entities(scanned: &Scanned, idcode: Option<IdCode>) -> Vec<&str> {
    let mut names: Vec<&str> = Vec::new();
    for part in idcode.into_iter().flat_map(|id| scanned.known.with(id)) {
        if !names.iter().any(|n| n.eq_ignore_ascii_case(&part.name)) {
            names.push(&part.name);
        }
    }
    names
}

fn found_rows(scanned: &Scanned) -> Value {
    let fields = fields_found(scanned);
    scanned
        .found
        .devices
        .iter()
        .zip(fields)
        .map(|(d, field)| {
            row(
                Some(d.position),
                d.idcode,
                json!({
                    "ir_length": field.as_ref().map(|f| f.0),
                    "ir_capture": field.as_ref().map(|f| f.1.to_binary()),
                    "entity": match &entities(scanned, d.idcode)[..] {
                        [only] => Some(*only),
                        _ => None,
                    },
                    "entities": entities(scanned, d.idcode),
                    "verdict": null,
                }),
            )
        })
        .collect()
}

/// The scan as text.
pub fn scan_text(scanned: &Scanned, board: Option<&Board>) -> String {
    let found = &scanned.found;
    let (headline, table, findings) = match (&scanned.comparison, board) {
        (Some(comparison), Some(board)) => (
            format!("{}: {}", board.name, in_words(comparison, board)),
            compared_table(comparison),
            comparison.findings.clone(),
        ),
        _ => (
            match found.devices.len() {
                0 => "nobody answers on this chain".to_owned(),
                n => format!("{} on this chain", plural(n, "device")),
            },
            found_table(scanned),
            found.findings(),
        ),
    };
    let mut lines = vec![headline];
    if !table.is_empty() {
        lines.push(String::new());
        lines.extend(table.lines());
    }
    if let Some(total) = found.ir_total {
        lines.push(String::new());
        lines.push(format!(
            "Position 1 is first after TDI. Instruction registers: {total} bits in all. TCK {}.",
            rate(found.tck_hz)
        ));
    }
    lines.extend(findings_lines(&findings));
    lines.join("\n") + "\n"
}

/// A rate in the unit that suits it.
pub fn rate(hz: u32) -> String {
    let (value, unit) = match hz {
        1_000_000.. => (f64::from(hz) / 1e6, "MHz"),
        1_000.. => (f64::from(hz) / 1e3, "kHz"),
        _ => (f64::from(hz), "Hz"),
    };
    let text = format!("{value:.3}");
    format!(
        "{} {unit}",
        text.trim_end_matches('0').trim_end_matches('.')
    )
}

/// Findings as numbered paragraphs, empty if there are none.
pub fn findings_lines(findings: &[Finding]) -> Vec<String> {
    let mut lines = Vec::new();
    for (heading, fault) in [("What is wrong", true), ("Worth knowing", false)] {
        let of_kind: Vec<&Finding> = findings.iter().filter(|f| f.fault == fault).collect();
        if of_kind.is_empty() {
            continue;
        }
        lines.push(String::new());
        lines.push(heading.to_owned());
        for (i, f) in of_kind.iter().enumerate() {
            lines.push(format!("  {}. {}: {}", i + 1, f.place, f.what));
            for (label, text) in [
                ("expected", &f.expected),
                ("seen", &f.seen),
                ("mend", &f.mend),
            ] {
                if !text.is_empty() {
                    lines.push(format!("     {label:<9} {text}"));
                }
            }
        }
    }
    lines
}

const NUMBERS: [&str; 13] = [
    "none", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten",
    "eleven", "twelve",
];

fn number(n: usize) -> String {
    NUMBERS
        .get(n)
        .map_or_else(|| n.to_string(), |w| (*w).to_owned())
}

/// "four, as declared", "four, and the clip", or how many are and how many should be.
pub fn in_words(comparison: &Comparison, board: &Board) -> String {
    if !comparison.is_as_declared() {
        let good = comparison
            .rows
            .iter()
            .filter(|r| r.verdict == Verdict::AsDeclared)
            .count();
        let needed = number(comparison.required);
        return match comparison.findings.iter().filter(|f| f.fault).count() {
            0 => format!("{} of {needed} as declared", number(good)),
            n => format!(
                "not as declared: {} of {needed} are, {}",
                number(good),
                plural(n, "finding")
            ),
        };
    }
    let clips: Vec<&str> = board
        .sockets
        .iter()
        .flat_map(|s| &s.clip)
        .map(|(_, pin)| &*board.devices[pin.device.0].name)
        .collect();
    let mut extra: Vec<String> = comparison
        .optional_present(board)
        .map(|name| {
            if clips.contains(&name) {
                "the clip".to_owned()
            } else {
                name.to_owned()
            }
        })
        .collect();
    extra.dedup();
    let needed = number(comparison.required);
    if extra.is_empty() {
        format!("{needed}, as declared")
    } else {
        format!("{needed}, and {}", extra.join(", "))
    }
}

fn compared_table(comparison: &Comparison) -> Table {
    let mut table = Table::new(&[
        "position", "device", "entity", "IDCODE", "version", "IR", "verdict",
    ]);
    for r in &comparison.rows {
        table.row([
            r.position.map_or("-".into(), |p| p.to_string()),
            if r.name.is_empty() {
                "-".into()
            } else {
                r.name.clone()
            },
            r.entity.clone().unwrap_or_else(|| "-".into()),
            shown_idcode(r.idcode, r.verdict),
            r.idcode.map_or("-".into(), |id| id.version().to_string()),
            r.ir_length.map_or("-".into(), |n| format!("{n} bits")),
            r.verdict.as_str().to_owned(),
        ]);
    }
    table
}

fn shown_idcode(idcode: Option<IdCode>, verdict: Verdict) -> String {
    match (idcode, verdict) {
        (Some(id), _) => idcode_text(id),
        (None, Verdict::Missing | Verdict::Silent) => "-".into(),
        (None, _) => "BYPASS".into(),
    }
}

fn found_table(scanned: &Scanned) -> Table {
    if scanned.found.devices.is_empty() {
        return Table::default();
    }
    // Nobody asked for the index: without one there is no column for it.
    let indexed = !scanned.known.parts().is_empty();
    let mut heading = vec!["position", "IDCODE", "maker", "part", "version", "IR"];
    heading.extend(indexed.then_some("entity"));
    let mut table = Table::new(&heading);
    for (d, field) in scanned.found.devices.iter().zip(fields_found(scanned)) {
        let of = |f: fn(IdCode) -> String| d.idcode.map_or("-".into(), f);
        let mut row = vec![
            d.position.to_string(),
            d.idcode.map_or("BYPASS".into(), idcode_text),
            of(|id| id.manufacturer().unwrap_or("not assigned").to_owned()),
            of(|id| format!("0x{:04X}", id.part())),
            of(|id| id.version().to_string()),
            field.map_or("not certain".into(), |(n, _)| format!("{n} bits")),
        ];
        if indexed {
            row.push(match &entities(scanned, d.idcode)[..] {
                [] => "not indexed".to_owned(),
                names => names.join(" or "),
            });
        }
        table.row(row);
    }
    table
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn patterns_and_rates_read_as_people_write_them() {
        let bits = format!("XXXX{:028b}", 0x2C4_4A01);
        assert_eq!(idcode_pattern(&bits), "0xx2C44A01");
        assert_eq!(rate(6_000_000), "6 MHz");
        assert_eq!(rate(457_763), "457.763 kHz");
        assert_eq!(rate(92), "92 Hz");
        assert_eq!(number(4), "four");
        assert_eq!(number(40), "40");
    }
}
