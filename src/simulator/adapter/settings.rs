//! The adapter that a bench file asks for.

use super::super::{AdapterSettings, AdapterValue};
use super::{Model, Timing};

/// Reads `[adapter]` of a bench file: `chip` (a model's name, default FT2232H), `out_fifo` and
/// `in_fifo` in bytes, `gap_ns` between commands, `turnaround_us` of the host.
///
/// # Errors
/// All that is wrong, one line each, with place, cause and mend.
pub fn adapter_of(settings: &AdapterSettings) -> Result<(Model, Timing), String> {
    let (mut model, mut timing) = (Model::ft2232h(), Timing::default());
    let mut wrong = Vec::new();
    // The chip first: what is said of its FIFOs changes that chip, wherever its name stands.
    let (chip, rest): (Vec<_>, Vec<_>) =
        settings.values.iter().partition(|(key, ..)| key == "chip");
    for (key, value, at) in chip.into_iter().chain(rest) {
        let mut say = |what: String| {
            wrong.push(format!(
                "{}:{}:{}: {what}",
                at.path.display(),
                at.line,
                at.column
            ));
        };
        match (key.as_str(), value) {
            ("chip", AdapterValue::Text(name)) => match Model::named(name) {
                Some(named) => model = named,
                None => {
                    let names: Vec<String> = Model::all().into_iter().map(|m| m.name).collect();
                    say(format!(
                        "no chip {name} can be emulated; there are {}",
                        names.join(", ")
                    ));
                }
            },
            ("out_fifo" | "in_fifo", AdapterValue::Number(bytes @ 64..=65536)) => {
                let fifo = if key == "out_fifo" {
                    &mut model.out_fifo
                } else {
                    &mut model.in_fifo
                };
                *fifo = *bytes as usize;
            }
            ("gap_ns", AdapterValue::Number(ns @ 0..=1_000_000)) => timing.gap_ns = *ns as u64,
            ("turnaround_us", AdapterValue::Number(us @ 0..=1_000_000)) => {
                timing.turnaround_ns = *us as u64 * 1000;
            }
            ("chip" | "out_fifo" | "in_fifo" | "gap_ns" | "turnaround_us", _) => {
                say(format!(
                    "`{key}` has a value that cannot be: chip is a name, FIFOs are 64 to 65536 bytes, times 0 to 1000000"
                ));
            }
            _ => say(format!(
                "unknown key `{key}` in [adapter]; there are chip, out_fifo, in_fifo, gap_ns, turnaround_us"
            )),
        }
    }
    if wrong.is_empty() {
        Ok((model, timing))
    } else {
        Err(wrong.join("\n"))
    }
}
