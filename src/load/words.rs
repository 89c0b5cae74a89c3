//! The end of a load in words.

use crate::chain::Finding;

use super::raw::{Load, LoadEnd, LoadFailure, Loaded};
use super::recipe::StatusKind;

impl Loaded {
    /// One line: how the load of this device ended. Lower case, no full stop.
    pub fn words(&self, load: &Load<'_>) -> String {
        let device = load.target.name;
        let state = self.state(load);
        match &self.end {
            LoadEnd::Done if self.rehearsal => {
                format!("{device} was not touched: this was a rehearsal")
            }
            LoadEnd::Done => format!("{device} is loaded{state}"),
            LoadEnd::Failed(_) => format!("the load of {device} failed in {}{state}", self.far),
            LoadEnd::BrokenOff if self.far.step == 0 => {
                format!("the load of {device} was broken off before anything was sent")
            }
            LoadEnd::BrokenOff => {
                format!("the load of {device} was broken off in {}{state}", self.far)
            }
        }
    }

    /// What is known of the device's state, to be put behind a sentence.
    fn state(&self, load: &Load<'_>) -> String {
        if self.end == LoadEnd::Done {
            let done: Vec<String> = self
                .readings
                .iter()
                .flat_map(|r| r.flags(StatusKind::Done))
                .map(|f| format!("{} ({})", f.name, f.says))
                .collect();
            let kept = if load.recipe.permanent {
                "; it stays there without power"
            } else {
                "; it is gone at power-off"
            };
            return if done.is_empty() {
                format!("; the device has no flag that says so{kept}")
            } else {
                format!(": {}{kept}", done.join(", "))
            };
        }
        let exit = match &load.recipe.exit[..] {
            [] => "; its recipe has no exit steps: the device is left half loaded".into(),
            steps => {
                let why: Vec<&str> = steps
                    .iter()
                    .map(|s| s.why.as_str())
                    .filter(|w| !w.is_empty())
                    .collect();
                let why = if why.is_empty() {
                    String::new()
                } else {
                    format!(" ({})", why.join(", "))
                };
                format!("; the exit steps have run{why}: take it as not loaded")
            }
        };
        let kept = if load.recipe.permanent {
            "; what the part held before may be gone for good: load again before its power goes off"
        } else {
            ""
        };
        let mut done = self.readings.iter().flat_map(|r| r.flags(StatusKind::Done));
        let runs = done.next().map_or(String::new(), |f| {
            format!("; but when last asked it said {} ({})", f.name, f.says)
        });
        format!("{exit}{runs}{kept}")
    }

    /// The failure as a finding, if it failed.
    pub fn finding(&self, load: &Load<'_>) -> Option<Finding> {
        let LoadEnd::Failed(failure) = &self.end else {
            return None;
        };
        let (what, expected, seen, mend) = match failure {
            LoadFailure::ErrorFlags { reading } => {
                let flags: Vec<String> = reading
                    .flags(StatusKind::Error)
                    .map(|f| format!("{}: {}", f.name, f.says))
                    .collect();
                (
                    flags.join("; "),
                    "no error flag".to_owned(),
                    reading.words(),
                    "load again; if it comes back, lower the TCK rate, then make the image anew",
                )
            }
            LoadFailure::NotAsWanted {
                reading,
                unmet,
                waited_ns,
            } => {
                let wanted: Vec<String> = unmet
                    .iter()
                    .map(|(n, level)| format!("{n} = {}", u8::from(*level)))
                    .collect();
                let waited =
                    waited_ns.map_or(String::new(), |ns| format!(" within {} ms", ns / 1_000_000));
                (
                    "the device is not where it should be by now".to_owned(),
                    format!("{}{waited}", wanted.join(", ")),
                    reading.words(),
                    "check the device's supplies and its configuration mode pins, then load again",
                )
            }
            LoadFailure::NoStatus { reading, always } => (
                "what the device answers is no status word".to_owned(),
                format!("{always} in {}", reading.name),
                reading.bits.to_binary(),
                "scan the chain again; lower the TCK rate",
            ),
            LoadFailure::ChainLost { place, seen } => (
                "the chain no longer answers as it did".to_owned(),
                format!(
                    "instruction bits that end in 01 from position {}",
                    place + 1
                ),
                seen.to_binary(),
                "scan the chain again; check the plug and lower the TCK rate",
            ),
            LoadFailure::Answer {
                seen,
                expected,
                mask,
            } => (
                "a register did not answer as the recipe expects".to_owned(),
                format!("0x{} where 0x{} has ones", expected.to_hex(), mask.to_hex()),
                format!("0x{}", seen.to_hex()),
                "scan the chain again; check that the recipe is for this very part",
            ),
            LoadFailure::Verify { byte, bits } => (
                "what was read back differs from the image".to_owned(),
                "the image".to_owned(),
                format!(
                    "{bits} other {} from byte {byte} of what was sent on",
                    if *bits == 1 { "bit" } else { "bits" }
                ),
                "load again; if it comes back, lower the TCK rate",
            ),
        };
        Some(Finding {
            kind: "load failed",
            what,
            place: format!("{}, {}", load.target.name, self.far),
            expected,
            seen,
            mend: mend.to_owned(),
            fault: true,
        })
    }
}
