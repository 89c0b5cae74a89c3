//! From TOML to status words and steps.

use toml::de::DeValue;

use taploom_bsdl::model::Pattern;

use crate::bits::Bits;

use super::error::RecipeFault;
use super::recipe::{
    Condition, Data, ImageAction, StatusBit, StatusFrom, StatusKind, StatusWord, Step, StepAction,
};
use super::table::{Reader, Table};

/// Longest status word or value in bits.
const MOST_BITS: u64 = 1 << 16;
/// Most clocks of one step.
const MOST_CLOCKS: u64 = 1_000_000_000;
/// Longest wait or time-out of one step: an hour.
const MOST_MS: u64 = 3_600_000;

/// All `[[status]]` tables.
pub(super) fn status_words(reader: &mut Reader<'_>, root: &Table<'_>) -> Vec<StatusWord> {
    let mut words: Vec<StatusWord> = Vec::new();
    for t in reader.tables(root, "status", "[[status]]") {
        reader.only(
            &t,
            &["name", "from", "instruction", "bits", "always", "flags"],
        );
        let name = reader.needed_text(&t, "name");
        if words.iter().any(|w| w.name == name) {
            reader.fault(
                t.span_of("name"),
                RecipeFault::Twice {
                    what: "status",
                    name: name.clone(),
                },
            );
        }
        let sources = [
            ("register", StatusFrom::Register),
            ("instruction capture", StatusFrom::InstructionCapture),
        ];
        let from = reader.word(&t, "from", &sources);
        let instruction = reader.needed_text(&t, "instruction");
        let bits = reader.number(&t, "bits", 1, MOST_BITS).map(|n| n as usize);
        if from == StatusFrom::Register && !t.has("bits") {
            reader.missing(&t, "bits");
        }
        let always = reader.text(&t, "always").and_then(|text| {
            let pattern = Pattern::parse(text.as_bytes()).ok();
            let fits = pattern
                .as_ref()
                .is_some_and(|p| bits.is_none_or(|b| b == p.len()));
            if let (false, Some(value)) = (fits, t.get("always")) {
                let length = bits.map_or(String::new(), |b| format!("{b} "));
                reader.bad("always", value, format!("{length}digits of 0, 1 and X"));
            }
            pattern.filter(|_| fits)
        });
        let mut flags: Vec<StatusBit> = Vec::new();
        for f in reader.tables(&t, "flags", "`flags`") {
            reader.only(&f, &["bit", "name", "says", "kind"]);
            if !f.has("bit") {
                reader.missing(&f, "bit");
            }
            let bit = reader.number(&f, "bit", 0, MOST_BITS - 1).unwrap_or(0) as usize;
            let flag_name = reader.needed_text(&f, "name");
            let says = reader.needed_text(&f, "says");
            let kinds = [
                ("note", StatusKind::Note),
                ("done", StatusKind::Done),
                ("error", StatusKind::Error),
            ];
            let kind = reader.word(&f, "kind", &kinds);
            if flags.iter().any(|x| x.name == flag_name) {
                reader.fault(
                    f.span_of("name"),
                    RecipeFault::Twice {
                        what: "flag",
                        name: flag_name.clone(),
                    },
                );
            }
            if let Some(bits) = bits
                && bit >= bits
            {
                let fault = RecipeFault::BitBeyond {
                    flag: flag_name.clone(),
                    bit,
                    status: name.clone(),
                    bits,
                };
                reader.fault(f.span_of("bit"), fault);
            }
            flags.push(StatusBit {
                bit,
                name: flag_name,
                says,
                kind,
            });
        }
        let line = reader.place(t.span.start).0;
        words.push(StatusWord {
            name,
            from,
            instruction,
            bits,
            always,
            flags,
            line,
        });
    }
    words
}

/// One list of steps; `image` says what it may do with the image.
pub(super) fn steps(
    reader: &mut Reader<'_>,
    root: &Table<'_>,
    key: &str,
    name: &'static str,
    status: &[StatusWord],
    image: Option<ImageAction>,
) -> Vec<Step> {
    let mut steps = Vec::new();
    let mut images = 0;
    for t in reader.tables(root, key, name) {
        let known = [
            "why",
            "instruction",
            "data",
            "image",
            "clocks",
            "wait_ms",
            "poll",
            "check",
            "is",
            "ms",
            "every_us",
            "reset",
        ];
        reader.only(&t, &known);
        let actions: Vec<&'static str> = ["reset", "data", "image", "check", "poll"]
            .into_iter()
            .filter(|k| t.has(k))
            .collect();
        if let [first, second, ..] = actions[..] {
            reader.fault(
                t.span_of(second),
                RecipeFault::Conflict {
                    key: second,
                    with: first,
                },
            );
        }
        if t.has("instruction")
            && actions.len() == 1
            && let Some(with) = actions
                .iter()
                .find(|a| matches!(**a, "reset" | "check" | "poll"))
        {
            reader.fault(
                t.span_of("instruction"),
                RecipeFault::Conflict {
                    key: "instruction",
                    with,
                },
            );
        }
        for (needs, keys) in [("poll", &["ms", "every_us"][..]), ("check", &["is"][..])] {
            for &key in keys {
                if t.has(key) && !t.has(needs) && !(key == "is" && t.has("poll")) {
                    reader.fault(t.span_of(key), RecipeFault::Needs { key, needs });
                }
            }
        }
        let instruction = reader.text(&t, "instruction");
        let action = action(reader, &t, name, status, image);
        if let StepAction::Image(_) = action {
            images += 1;
            if images > 1 {
                reader.fault(t.span_of("image"), RecipeFault::SecondImage { table: name });
            }
        }
        let clocks = reader.number(&t, "clocks", 0, MOST_CLOCKS).unwrap_or(0);
        let wait_ns = reader.number(&t, "wait_ms", 0, MOST_MS).unwrap_or(0) * 1_000_000;
        let idle =
            !t.has("clocks") && !t.has("wait_ms") && !t.has("instruction") && actions.is_empty();
        if idle || (actions == ["reset"] && action == StepAction::None) {
            reader.fault(t.span.clone(), RecipeFault::EmptyStep { table: name });
        }
        let line = reader.place(t.span.start).0;
        let why = reader.text(&t, "why").unwrap_or_default();
        steps.push(Step {
            why,
            instruction,
            action,
            clocks,
            wait_ns,
            line,
        });
    }
    steps
}

fn action(
    reader: &mut Reader<'_>,
    t: &Table<'_>,
    name: &'static str,
    status: &[StatusWord],
    image: Option<ImageAction>,
) -> StepAction {
    if t.has("poll") || t.has("check") {
        let key = if t.has("poll") { "poll" } else { "check" };
        if image.is_none() {
            reader.fault(t.span_of(key), RecipeFault::NotHere { key, table: name });
        }
        let condition = condition(reader, t, key, status);
        if key == "check" {
            return StepAction::Check(condition);
        }
        if !t.has("ms") {
            reader.missing(t, "ms");
        }
        let timeout_ns = reader.number(t, "ms", 1, MOST_MS).unwrap_or(1) * 1_000_000;
        let every_ns = reader
            .number(t, "every_us", 1, MOST_MS * 1000)
            .unwrap_or(100)
            * 1000;
        StepAction::Poll {
            condition,
            timeout_ns,
            every_ns,
        }
    } else if t.has("image") {
        let words = [
            ("send", ImageAction::Send),
            ("compare", ImageAction::Compare),
        ];
        let wanted = reader.word(t, "image", &words);
        match image {
            None => reader.fault(
                t.span_of("image"),
                RecipeFault::NotHere {
                    key: "image",
                    table: name,
                },
            ),
            Some(allowed)
                if allowed != wanted
                    && matches!(
                        t.get("image").map(|v| v.get_ref()),
                        Some(DeValue::String(_))
                    ) =>
            {
                if let Some(value) = t.get("image") {
                    let word = words
                        .iter()
                        .find(|(_, a)| *a == allowed)
                        .map_or("", |(w, _)| w);
                    reader.bad("image", value, format!("\"{word}\" in {name}"));
                }
            }
            Some(_) => {}
        }
        StepAction::Image(image.unwrap_or(wanted))
    } else if t.has("data") {
        match reader.table(t, "data", "`data`") {
            Some(data) => StepAction::Data(value(reader, &data)),
            None => StepAction::None,
        }
    } else if reader.flag(t, "reset") {
        StepAction::Reset
    } else {
        StepAction::None
    }
}

fn condition(
    reader: &mut Reader<'_>,
    t: &Table<'_>,
    key: &str,
    status: &[StatusWord],
) -> Condition {
    let wanted = reader.text(t, key).unwrap_or_default();
    let position = status.iter().position(|s| s.name == wanted);
    let Some(position) = position else {
        if matches!(t.get(key).map(|v| v.get_ref()), Some(DeValue::String(_))) {
            let known = status.iter().map(|s| s.name.clone()).collect();
            reader.fault(
                t.span_of(key),
                RecipeFault::NoSuch {
                    what: "status",
                    name: wanted,
                    of: None,
                    known,
                },
            );
        }
        return Condition {
            status: 0,
            is: vec![],
        };
    };
    let word = &status[position];
    let mut is = Vec::new();
    if !t.has("is") {
        reader.missing(t, "is");
    }
    if let Some(levels) = reader.table(t, "is", "`is`") {
        for (flag, level) in levels.entries() {
            let Some(at) = word.flags.iter().position(|f| f.name == flag) else {
                let known = word.flags.iter().map(|f| f.name.clone()).collect();
                let (name, of) = (flag.chars().take(60).collect(), Some(word.name.clone()));
                reader.fault(
                    level.span(),
                    RecipeFault::NoSuch {
                        what: "flag",
                        name,
                        of,
                        known,
                    },
                );
                continue;
            };
            match level.get_ref() {
                DeValue::Integer(i) if i.as_str() == "0" || i.as_str() == "1" => {
                    is.push((at, i.as_str() == "1"))
                }
                _ => reader.bad(flag, level, "0 or 1"),
            }
        }
    }
    Condition {
        status: position,
        is,
    }
}

/// A value for a register: `{ hex = "1B9", bits = 10, expect = "000", mask = "3FF" }`.
fn value(reader: &mut Reader<'_>, t: &Table<'_>) -> Data {
    reader.only(t, &["hex", "bits", "expect", "mask"]);
    for key in ["hex", "bits"] {
        if !t.has(key) {
            reader.missing(t, key);
        }
    }
    let bits = reader.number(t, "bits", 1, MOST_BITS).unwrap_or(1) as usize;
    let given = t.has("bits");
    let mut hex = |key: &str| {
        let text = reader.text(t, key)?;
        match Bits::from_hex(&text, bits) {
            Ok(bits) => Some(bits),
            Err(error) => {
                if let (true, Some(value)) = (given, t.get(key)) {
                    reader.bad(
                        key,
                        value,
                        format!("{bits} bits in hexadecimal digits ({error})"),
                    );
                }
                None
            }
        }
    };
    let out = hex("hex").unwrap_or_else(|| Bits::zeros(bits));
    let expect = hex("expect");
    let mask = hex("mask");
    if t.has("mask") && !t.has("expect") {
        reader.fault(
            t.span_of("mask"),
            RecipeFault::Needs {
                key: "mask",
                needs: "expect",
            },
        );
    }
    Data {
        out,
        expect: expect.map(|e| (e, mask.unwrap_or_else(|| Bits::ones(bits)))),
    }
}
