//! Records: one JSON document a run, and what the last good one said.

use jiff::Timestamp;
use jiff::tz::TimeZone;
use serde_json::{Map, Value, json};

use crate::board::Board;

/// A record: the run's own document with when, on what and of which board it was.
///
/// # Panics
/// If `document` is not an object: a defect of the caller.
pub fn record_document(
    document: &Value,
    board: &Board,
    adapter: &str,
    simulated: bool,
    seconds: f64,
) -> Value {
    let mut map = Map::new();
    map.insert("schema".into(), json!("taploom.record.v1"));
    map.insert("taploom".into(), json!(env!("CARGO_PKG_VERSION")));
    map.insert(
        "when".into(),
        json!(Timestamp::now().strftime("%Y-%m-%dT%H:%M:%SZ").to_string()),
    );
    map.insert("run".into(), document["schema"].clone());
    map.insert("adapter".into(), json!(adapter));
    map.insert("simulated_bench".into(), json!(simulated));
    map.insert("board_file".into(), json!(board.path.display().to_string()));
    map.insert("board_hash".into(), json!(board.hash));
    map.insert("wall_seconds".into(), json!(seconds));
    let Value::Object(fields) = document else {
        panic!("a document is an object")
    };
    for (key, value) in fields {
        map.entry(key.clone()).or_insert_with(|| value.clone());
    }
    Value::Object(map)
}

/// What the last good record of a board says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LastGood {
    /// When, in words: `Tuesday 24 November 2026, 21:05`.
    pub when: String,
    /// The wires that were good.
    pub good: Vec<String>,
}

/// Reads a kept record; `None` if it is not one (then it is as if there were none).
pub fn last_good_of(record: &str) -> Option<LastGood> {
    let value: Value = serde_json::from_str(record).ok()?;
    let when: Timestamp = value["when"].as_str()?.parse().ok()?;
    let zone = TimeZone::try_system().unwrap_or(TimeZone::UTC);
    let good = value["wires"]
        .as_array()?
        .iter()
        .filter(|w| w["verdict"] == "good")
        .filter_map(|w| w["label"].as_str().map(str::to_owned))
        .collect();
    Some(LastGood {
        when: when
            .to_zoned_datetime(zone)
            .strftime("%A %-d %B %Y, %H:%M")
            .to_string(),
        good,
    })
}

impl LastGood {
    /// A sentence about wires that are not good now; empty if none of them was.
    pub fn about(&self, now_bad: &[&str]) -> Option<String> {
        let were: Vec<&str> = now_bad
            .iter()
            .copied()
            .filter(|w| self.good.iter().any(|g| g == w))
            .collect();
        match were.len() {
            0 => None,
            1 => Some(format!(
                "{} was good on {}, with this same board file.",
                were[0], self.when
            )),
            _ => Some(format!(
                "{} were good on {}, with this same board file.",
                were.join(", "),
                self.when
            )),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_kept_record_tells_what_was_good_and_rubbish_tells_nothing() {
        let record = json!({
            "when": "2026-11-24T12:00:00Z",
            "wires": [{ "label": "W17", "verdict": "good" }, { "label": "W01", "verdict": "untested" }],
        });
        let last = last_good_of(&record.to_string()).unwrap();
        assert!(last.when.contains("November 2026"), "{}", last.when);
        assert_eq!(last.good, ["W17"]);
        assert!(
            last.about(&["W17", "W18"])
                .unwrap()
                .starts_with("W17 was good on Tuesday 24 November 2026, ")
        );
        assert_eq!(last.about(&["W01"]), None);
        for rubbish in ["", "{}", "[1]", r#"{"when": "soon", "wires": []}"#] {
            assert_eq!(last_good_of(rubbish), None, "{rubbish}");
        }
    }
}
