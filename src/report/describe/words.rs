//! Instructions in plain words, and names set out in runs.

use taploom_bsdl::Device;
use taploom_bsdl::model::{Edition, Instruction};

/// What an instruction does, for somebody who does not remember what the letters stand for.
///
/// The standard's instructions by IEEE 1149.1 clause 8 and its 2013 edition, those that begin with ISC by IEEE 1532, the
/// EXTEST pair by IEEE 1149.6 (all from memory).
pub(super) fn does(device: &Device, instruction: &Instruction) -> String {
    if instruction.private {
        return "private to the maker: never load it, it may harm the part".into();
    }
    let is = |name: &Option<String>| {
        name.as_deref()
            .is_some_and(|n| n.eq_ignore_ascii_case(&instruction.name))
    };
    let name = instruction.name.to_ascii_uppercase();
    let words = match &*name {
        "BYPASS" => {
            "takes the part out of the way: one bit between TDI and TDO, it goes on working"
        }
        "EXTEST" => {
            "the boundary register takes over the pins: drives the outputs, reads the inputs"
        }
        "EXTEST_PULSE" => "as EXTEST, with one pulse for lines that are coupled by capacitors",
        "EXTEST_TRAIN" => {
            "as EXTEST, with a train of pulses for lines that are coupled by capacitors"
        }
        "SAMPLE"
            if device.instruction("PRELOAD").is_none() && device.edition < Some(Edition::Y2001) =>
        {
            "takes a snapshot of the pins, and loads values for EXTEST; the part goes on working"
        }
        "SAMPLE" => "takes a snapshot of the pins while the part goes on working",
        "PRELOAD" => "loads values for EXTEST while the part goes on working",
        "INTEST" => "the boundary register stands in for the board and exercises the core",
        "RUNBIST" => "the part tests itself",
        "CLAMP" => "holds the pins as the boundary register says, with one bit between TDI and TDO",
        "HIGHZ" => "lets the outputs float, with one bit between TDI and TDO",
        "IDCODE" => "reads who the part is",
        "USERCODE" => "reads a code that whoever configured the part put in",
        "CLAMP_HOLD" => "goes on holding the pins whatever is loaded next",
        "CLAMP_RELEASE" => "ends what CLAMP_HOLD began",
        "TMP_STATUS" => "reads whether the pins are being held",
        "INIT_SETUP" => "loads how the pins are to be set up before a test",
        "INIT_SETUP_CLAMP" => "loads how the pins are to be set up, and holds them meanwhile",
        "INIT_RUN" => "sets the pins up for a test",
        "ECIDCODE" => "reads the code of this single chip",
        "IC_RESET" => "resets parts of the chip",
        _ if is(&device.instruction_disable) => "lets the outputs float (this part's HIGHZ)",
        _ if is(&device.instruction_guard) => "holds the pins (this part's CLAMP)",
        _ if name.starts_with("ISC_") => isc(&name),
        _ => return own(device, instruction),
    };
    words.to_owned()
}

fn isc(name: &str) -> &'static str {
    match name {
        "ISC_ENABLE" => "configuring in the system: begins",
        "ISC_DISABLE" => "configuring in the system: ends",
        "ISC_ERASE" => "configuring in the system: erases",
        "ISC_PROGRAM" | "ISC_DATA_SHIFT" => "configuring in the system: writes",
        "ISC_READ" => "configuring in the system: reads back",
        "ISC_NOOP" => "configuring in the system: does nothing, keeps the pins",
        _ => "configuring in the system",
    }
}

/// An instruction of the maker's own.
fn own(device: &Device, instruction: &Instruction) -> String {
    match device.register_for(instruction) {
        Some(_) => "the maker's own".into(),
        None => "the maker's own; the file does not say what it selects".into(),
    }
}

/// Names in runs: `IO1`, `IO2`, `IO3`, `Q(7)`, `Q(6)` are "IO1 to IO3, Q(7), Q(6)".
pub(super) fn runs<'n>(names: impl IntoIterator<Item = &'n str>) -> Vec<String> {
    // The first name of a run, its stem and number, the last name, how many.
    let mut runs: Vec<(&str, &str, Option<u64>, &str, u64)> = Vec::new();
    for name in names {
        let bare = name.strip_suffix(')').unwrap_or(name);
        let stem = bare.trim_end_matches(|c: char| c.is_ascii_digit());
        let number: Option<u64> = bare[stem.len()..].parse().ok();
        match runs.last_mut() {
            Some((_, of, Some(from), last, length))
                if *of == stem && number == from.checked_add(*length) =>
            {
                *last = name;
                *length += 1;
            }
            _ => runs.push((name, stem, number, name, 1)),
        }
    }
    runs.into_iter()
        .map(|(first, _, _, last, length)| match length {
            1 => first.to_owned(),
            2 => format!("{first}, {last}"),
            _ => format!("{first} to {last}"),
        })
        .collect()
}

/// Items with commas, as many as a width takes, the rest counted.
pub(super) fn within(items: &[String], width: usize) -> String {
    let mut line = String::new();
    for (i, item) in items.iter().enumerate() {
        let more = if i == 0 {
            item.clone()
        } else {
            format!(", {item}")
        };
        if i > 0 && line.chars().count() + more.chars().count() > width {
            return format!("{line}, and {} more", items.len() - i);
        }
        line.push_str(&more);
    }
    line
}

/// Text broken into lines of a width, the later ones indented.
pub(super) fn wrapped(text: &str, width: usize, first: &str, then: &str) -> Vec<String> {
    let mut lines = vec![first.to_owned()];
    for word in text.split_whitespace() {
        let line = lines.last_mut().expect("there is always a line");
        let fresh = line.trim().is_empty() || line == first;
        if !fresh && line.chars().count() + 1 + word.chars().count() > width {
            lines.push(format!("{then}{word}"));
        } else {
            if !fresh {
                line.push(' ');
            }
            line.push_str(word);
        }
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_run_and_lines_break() {
        assert_eq!(
            runs(["IO1", "IO2", "IO3", "CLK", "A", "B9", "B10"]),
            ["IO1 to IO3", "CLK", "A", "B9, B10"]
        );
        assert_eq!(runs(["Q(0)", "Q(1)", "Q(2)", "Q3"]), ["Q(0) to Q(2)", "Q3"]);
        assert_eq!(runs(["X18446744073709551615", "X1"]).len(), 2);
        let items = ["aaa", "bbb", "ccc"].map(String::from);
        assert_eq!(within(&items, 9), "aaa, bbb, and 1 more");
        assert_eq!(within(&items, 100), "aaa, bbb, ccc");
        assert_eq!(
            wrapped("one two three four", 12, "- ", "  "),
            ["- one two", "  three four"]
        );
    }
}
