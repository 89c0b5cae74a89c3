//! The `[adapter]` table of a bench file: which chip stands on the bench, and how it is.
//!
//! ```toml
//! [adapter]
//! chip = "FT2232H"        # FT2232H, FT232H, FT4232H, their HP and HA successors, FT2232C;
//!                         # FT232R and FT-X by bit-bang
//! serial = "EMU2232H"     # the serial number that it reports
//! out_fifo = 4096         # bytes of its FIFOs
//! in_fifo = 4096
//! gap_ns = 100            # from one command to the next
//! turnaround_us = 50      # the host, from one transfer to the next
//! unplug_after = 5000     # bytes taken until the plug is pulled
//! hang_after = 5000       # bytes taken until the chip hangs
//! ```

use crate::board::{Location, Problem};

use super::super::{AdapterSettings, AdapterValue};
use super::{EmulatedAdapter, Faults, Model, Timing, Wiring};
use crate::tables::{Fault, nearest};
use crate::tap::Clocks;

const KEYS: [&str; 8] = [
    "chip",
    "serial",
    "out_fifo",
    "in_fifo",
    "gap_ns",
    "turnaround_us",
    "unplug_after",
    "hang_after",
];

/// An adapter as a bench file describes it: a plain module.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Setup {
    /// The chip.
    pub model: Model,
    /// Its and the host's times.
    pub timing: Timing,
    /// What goes wrong with it.
    pub faults: Faults,
}

impl Default for Setup {
    fn default() -> Setup {
        Setup {
            model: Model::ft2232h(),
            timing: Timing::default(),
            faults: Faults::default(),
        }
    }
}

impl Setup {
    /// Reads the settings; an FT2232H where they say nothing.
    ///
    /// # Errors
    /// Everything that is wrong with them: unknown keys, wrong types, values out of range.
    pub fn of(settings: &AdapterSettings) -> Result<Setup, Vec<Problem>> {
        let mut setup = Setup::default();
        let mut problems = Vec::new();
        let mut report = |at: &Location, cause: Fault| {
            let (at, cause) = (at.clone(), cause.into());
            problems.push(Problem { at, cause });
        };
        // The chip first: the other keys change it.
        if let Some((_, value, at)) = settings.values.iter().find(|(k, _, _)| k == "chip") {
            match text("chip", value, "chip = \"FT2232H\"") {
                Ok(name) => match Model::named(&name) {
                    Some(model) => setup.model = model,
                    None => report(at, unknown_chip(&name)),
                },
                Err(cause) => report(at, cause),
            }
        }
        let packet = setup.model.packet_bytes as i64;
        for (key, value, at) in &settings.values {
            let result = match key.as_str() {
                "chip" => Ok(()),
                "serial" => text(key, value, "serial = \"EMU2232H\"")
                    .map(|serial| setup.model.serial = serial),
                // A packet must fit, and answers must find room.
                "out_fifo" => number(key, value, packet..=1 << 20, "out_fifo = 4096")
                    .map(|n| setup.model.out_fifo = n as usize),
                "in_fifo" => number(key, value, 2..=1 << 20, "in_fifo = 4096")
                    .map(|n| setup.model.in_fifo = n as usize),
                "gap_ns" => number(key, value, 0..=1_000_000, "gap_ns = 100")
                    .map(|n| setup.timing.gap_ns = n),
                "turnaround_us" => number(key, value, 0..=1_000_000, "turnaround_us = 50")
                    .map(|n| setup.timing.turnaround_ns = n * 1000),
                "unplug_after" => number(key, value, 0..=i64::MAX, "unplug_after = 5000")
                    .map(|n| setup.faults.unplug_after = Some(n)),
                "hang_after" => number(key, value, 0..=i64::MAX, "hang_after = 5000")
                    .map(|n| setup.faults.hang_after = Some(n)),
                _ => Err(Fault::UnknownKey {
                    what: "key",
                    table: "[adapter]".to_owned(),
                    key: key.clone(),
                    near: nearest(key, KEYS).map(str::to_owned),
                    known: KEYS.to_vec(),
                }),
            };
            if let Err(cause) = result {
                report(at, cause);
            }
        }
        if problems.is_empty() {
            Ok(setup)
        } else {
            Err(problems)
        }
    }

    /// The adapter with its plug in and the lines of one channel (0 for A) on `clocks`.
    pub fn on<C: Clocks>(self, clocks: C, channel: u8) -> EmulatedAdapter<C> {
        let wiring = Wiring::plain(&self.model, channel);
        EmulatedAdapter::with(self.model, channel, wiring, self.timing, clocks)
            .with_faults(self.faults)
    }
}

fn unknown_chip(name: &str) -> Fault {
    let models = Model::all();
    let known: Vec<&str> = models.iter().map(|m| m.name.as_str()).collect();
    Fault::BadValue {
        key: "chip".to_owned(),
        found: format!("\"{name}\""),
        expected: format!("one of {}", known.join(", ")),
        near: nearest(name, known).map(str::to_owned),
    }
}

fn text(key: &str, value: &AdapterValue, example: &'static str) -> Result<String, Fault> {
    match value {
        AdapterValue::Text(text) => Ok(text.clone()),
        other => Err(wrong_type(key, other, "a string", example)),
    }
}

fn number(
    key: &str,
    value: &AdapterValue,
    range: std::ops::RangeInclusive<i64>,
    example: &'static str,
) -> Result<u64, Fault> {
    match value {
        AdapterValue::Number(n) if range.contains(n) => Ok(*n as u64),
        AdapterValue::Number(n) => Err(Fault::BadValue {
            key: key.to_owned(),
            found: n.to_string(),
            expected: format!("a number from {} to {}", range.start(), range.end()),
            near: None,
        }),
        other => Err(wrong_type(key, other, "a whole number", example)),
    }
}

fn wrong_type(
    key: &str,
    value: &AdapterValue,
    expected: &'static str,
    example: &'static str,
) -> Fault {
    Fault::WrongType {
        key: key.to_owned(),
        found: match value {
            AdapterValue::Text(_) => "a string",
            AdapterValue::Number(_) => "a whole number",
            AdapterValue::Real(_) => "a number with a point",
            AdapterValue::Flag(_) => "true or false",
        },
        expected,
        example,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn settings(rows: &[(&str, AdapterValue)]) -> AdapterSettings {
        let at = |line| Location {
            path: std::sync::Arc::new("bench.toml".into()),
            line,
            column: 1,
            length: 4,
            text: "line".into(),
        };
        AdapterSettings {
            values: rows
                .iter()
                .enumerate()
                .map(|(i, (key, value))| ((*key).to_owned(), value.clone(), at(i + 1)))
                .collect(),
        }
    }

    #[test]
    fn settings_make_a_chip() {
        assert_eq!(Setup::of(&settings(&[])).unwrap(), Setup::default());
        let setup = Setup::of(&settings(&[
            ("in_fifo", AdapterValue::Number(128)),
            ("chip", AdapterValue::Text("ft232h".into())),
            ("turnaround_us", AdapterValue::Number(20)),
            ("hang_after", AdapterValue::Number(77)),
        ]))
        .unwrap();
        assert_eq!(setup.model.name, "FT232H");
        assert_eq!((setup.model.out_fifo, setup.model.in_fifo), (1024, 128));
        assert_eq!(setup.timing.turnaround_ns, 20_000);
        assert_eq!(setup.faults.hang_after, Some(77));
    }

    #[test]
    fn all_that_is_wrong_is_reported_at_once() {
        let problems = Setup::of(&settings(&[
            ("chip", AdapterValue::Text("FT2323H".into())),
            ("gapns", AdapterValue::Number(1)),
            ("out_fifo", AdapterValue::Number(100)),
            ("serial", AdapterValue::Flag(true)),
        ]))
        .unwrap_err();
        let texts: Vec<String> = problems.iter().map(ToString::to_string).collect();
        assert_eq!(problems.len(), 4);
        assert!(texts[0].contains("\"FT2323H\"") && texts[0].contains("did you mean \"FT232H\"?"));
        assert!(texts[1].contains("unknown key `gapns`") && texts[1].contains("`gap_ns`"));
        assert!(texts[2].contains("from 512"));
        assert!(texts[3].contains("true or false"));
    }
}
