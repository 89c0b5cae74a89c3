//! How fast TCK may go, as JSON and as text.

use serde_json::{Value, json};

use crate::chain::Margin;

use super::{Table, plural, rate};

/// The fields of the document `taploom.margin.v1`, and the text.
pub fn margin(margin: &Margin, board: &str, devices: usize, limit_hz: u32) -> (Value, String) {
    let fields = json!({
        "board": board,
        "devices": devices,
        "limit_hz": limit_hz,
        "clean_hz": margin.clean_hz(),
        "failing_hz": margin.failing_hz(),
        "advised_hz": margin.advised_hz(),
        "rates": margin.tried.iter().map(|t| json!({ "hz": t.hz, "bits": t.bits, "wrong": t.wrong })).collect::<Vec<_>>(),
    });
    let headline = match (margin.failing_hz(), margin.clean_hz()) {
        (None, _) => format!(
            "no bit failed up to {}, the most that this board file allows",
            rate(limit_hz)
        ),
        (Some(hz), Some(clean)) => {
            format!("clean up to {}, bits fail at {}", rate(clean), rate(hz))
        }
        (Some(hz), None) => format!(
            "bits fail at {} already, the slowest rate that was tried",
            rate(hz)
        ),
    };
    let mut table = Table::new(&["TCK", "bits", "wrong"]);
    for t in &margin.tried {
        table.row([rate(t.hz), t.bits.to_string(), t.wrong.to_string()]);
    }
    let mut lines = vec![
        format!("{board}, {}: {headline}", plural(devices, "device")),
        String::new(),
    ];
    lines.extend(table.lines());
    if let (Some(_), Some(advised)) = (margin.failing_hz(), margin.advised_hz()) {
        lines.push(String::new());
        lines.push(format!("mend  put max_hz = {advised} into [tck] of the board file; shorten the cable, join grounds"));
    }
    (fields, lines.join("\n") + "\n")
}
