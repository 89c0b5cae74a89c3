//! A load of a raw image as JSON and as text.

use serde_json::{Value, json};

use crate::load::{Far, Load, LoadEnd, Loaded, StatusReading};

use super::{finding_value, findings_lines};

/// The fields of the document `taploom.load.v1`.
pub fn load_fields(load: &Load<'_>, loaded: &Loaded) -> Value {
    let counts = &loaded.counts;
    json!({
        "dry": loaded.rehearsal,
        "loaded": loaded.end == LoadEnd::Done && !loaded.rehearsal,
        "end": match loaded.end {
            LoadEnd::Done => "done",
            LoadEnd::Failed(_) => "failed",
            LoadEnd::BrokenOff => "broken off",
        },
        "what": loaded.words(load),
        "bytes_sent": loaded.far.sent,
        "bytes": loaded.far.of,
        "step": loaded.far.step,
        "steps": loaded.far.steps,
        "verified": loaded.verified,
        "forced": load.forced().is_some(),
        "permanent": load.permanent(),
        "status": loaded.readings.iter().map(reading_value).collect::<Vec<_>>(),
        "findings": loaded.finding(load).iter().map(finding_value).collect::<Vec<_>>(),
        "bits_shifted": counts.bits_shifted,
        "payload_bits": counts.payload_bits,
        "tck_cycles": counts.tck_cycles,
        "compares": counts.compares,
        "mismatches": counts.mismatches,
        "seconds": counts.seconds,
        "limit_seconds": counts.limit_seconds,
    })
}

fn reading_value(reading: &StatusReading) -> Value {
    json!({
        "name": reading.name,
        "bits": reading.bits.to_binary(),
        "words": reading.words(),
    })
}

/// The fields of a load whose adapter failed: how far it had got at most, and what of the image had gone in for certain.
pub fn load_lost_fields(far: &Far) -> Value {
    json!({
        "loaded": false,
        "end": "adapter lost",
        "bytes_sent_at_least": far.proven,
        "bytes_sent_at_most": far.sent,
        "bytes": far.of,
        "step": far.step,
        "steps": far.steps,
    })
}

/// How a load ended.
pub fn load_text(load: &Load<'_>, loaded: &Loaded) -> String {
    let counts = &loaded.counts;
    let mut lines = vec![];
    if loaded.end == LoadEnd::Done && !loaded.rehearsal {
        lines.push(
            if load.permanent() {
                "Loaded. It stays without power."
            } else {
                "Loaded. Gone at power-off."
            }
            .to_owned(),
        );
    }
    lines.push(sentence(&loaded.words(load)));
    if let Some(finding) = loaded.finding(load) {
        lines.extend(findings_lines(std::slice::from_ref(&finding)));
    }
    if let Some(verified) = loaded.verified {
        lines.push(
            if verified {
                "Read back, and the same."
            } else {
                "Read back, and not the same."
            }
            .to_owned(),
        );
    }
    lines.push(String::new());
    for reading in &loaded.readings {
        lines.push(format!("  {}", reading.words()));
    }
    lines.push(format!(
        "  {} of {} bytes sent, {} bits shifted in {:.3} s{}",
        loaded.far.sent,
        loaded.far.of,
        counts.bits_shifted,
        counts.seconds,
        share(counts.limit_seconds, counts.seconds)
    ));
    lines.join("\n") + "\n"
}

fn share(limit: f64, seconds: f64) -> String {
    if seconds > 0.0 && limit > 0.0 {
        format!("; the image's own bits alone take {limit:.3} s at this TCK rate")
    } else {
        String::new()
    }
}

/// With a capital first letter and a full stop.
fn sentence(text: &str) -> String {
    let mut chars = text.chars();
    let first = chars
        .next()
        .map(|c| c.to_uppercase().to_string())
        .unwrap_or_default();
    format!("{first}{}.", chars.as_str())
}
