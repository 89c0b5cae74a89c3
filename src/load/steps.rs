//! From TOML to status words and steps.

use taploom_bsdl::model::Pattern;
use toml::de::DeValue;

use crate::bits::Bits;
use crate::tables::Table;

use super::error::RecipeFault;
use super::read::Reader;
use super::recipe::{
    Condition, Data, ImageAction, StatusBit, StatusFrom, StatusKind, StatusWord, Step, StepAction,
};

/// Longest status word or value in bits.
const MOST_BITS: u64 = 1 << 16;
/// Most clocks of one step.
const MOST_CLOCKS: u64 = 1_000_000_000;
/// Longest wait or time-out of one step: an hour.
const MOST_MS: u64 = 3_600_000;

/// All `[[status]]` tables.
pub(super) fn status_words<'a>(r: &mut Reader<'a>, root: &Table<'a>) -> Vec<StatusWord> {
    let mut words: Vec<StatusWord> = Vec::new();
    let known = ["name", "from", "instruction", "bits", "always", "flags"];
    for t in r.each(root, "status", &known) {
        let name = text(r, &t, "name", "name = \"CFG_STAT\"");
        if words.iter().any(|w| w.name == name) {
            let (what, name) = ("status", name.clone());
            r.report(t.span_of("name"), RecipeFault::Twice { what, name });
        }
        let sources = [
            ("register", StatusFrom::Register),
            ("instruction capture", StatusFrom::InstructionCapture),
        ];
        let from = r.word_or_first(&t, "from", "from = \"register\"", &sources);
        let instruction = text(r, &t, "instruction", "instruction = \"CFG_STATUS\"");
        let bits = r.number(&t, "bits", 1..=MOST_BITS, "bits = 16");
        let bits = bits.map(|n| n as usize);
        if from == StatusFrom::Register && !t.has("bits") {
            r.missing(&t, "bits", "bits = 16");
        }
        let always = r.text(&t, "always", "always = \"0101XXXXXXXXXXXX\"");
        let always = always.and_then(|text| {
            let pattern = Pattern::parse(text.text.as_bytes()).ok();
            let fits = pattern
                .as_ref()
                .is_some_and(|p| bits.is_none_or(|b| b == p.len()));
            if let (false, Some(value)) = (fits, t.get("always")) {
                let length = bits.map_or(String::new(), |b| format!("{b} "));
                r.bad("always", value, format!("{length}digits of 0, 1 and X"));
            }
            pattern.filter(|_| fits)
        });
        words.push(StatusWord {
            flags: flags(r, &t, &name, bits),
            name,
            from,
            instruction,
            bits,
            always,
            at: r.locate(t.span.clone()),
        });
    }
    words
}

/// The flags of a status word.
fn flags<'a>(
    r: &mut Reader<'a>,
    t: &Table<'a>,
    status: &str,
    bits: Option<usize>,
) -> Vec<StatusBit> {
    let mut flags: Vec<StatusBit> = Vec::new();
    for value in Reader::values(t, "flags") {
        let Some(f) = r.table("flags", value, &["bit", "name", "says", "kind"]) else {
            continue;
        };
        if !f.has("bit") {
            r.missing(&f, "bit", "bit = 0");
        }
        let bit = r.number(&f, "bit", 0..=MOST_BITS - 1, "bit = 0");
        let bit = bit.unwrap_or(0) as usize;
        let name = text(r, &f, "name", "name = \"DONE\"");
        let says = text(r, &f, "says", "says = \"what it means when it is 1\"");
        let kinds = [
            ("note", StatusKind::Note),
            ("done", StatusKind::Done),
            ("error", StatusKind::Error),
        ];
        let kind = r.word_or_first(&f, "kind", "kind = \"done\"", &kinds);
        if flags.iter().any(|x| x.name == name) {
            let (what, name) = ("flag", name.clone());
            r.report(f.span_of("name"), RecipeFault::Twice { what, name });
        }
        if let Some(bits) = bits.filter(|bits| bit >= *bits) {
            let (flag, status) = (name.clone(), status.to_owned());
            let fault = RecipeFault::BitBeyond {
                flag,
                bit,
                status,
                bits,
            };
            r.report(f.span_of("bit"), fault);
        }
        flags.push(StatusBit {
            bit,
            name,
            says,
            kind,
        });
    }
    flags
}

/// One list of steps; `image` says what it may do with the image.
pub(super) fn steps<'a>(
    r: &mut Reader<'a>,
    root: &Table<'a>,
    key: &'static str,
    name: &'static str,
    status: &[StatusWord],
    image: Option<ImageAction>,
) -> Vec<Step> {
    let mut steps = Vec::new();
    let mut images = 0;
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
    for t in r.each(root, key, &known) {
        let actions: Vec<&'static str> = ["reset", "data", "image", "check", "poll"]
            .into_iter()
            .filter(|k| t.has(k))
            .collect();
        if let [with, key, ..] = actions[..] {
            r.report(t.span_of(key), RecipeFault::Conflict { key, with });
        }
        if let [with @ ("reset" | "check" | "poll")] = actions[..]
            && t.has("instruction")
        {
            let key = "instruction";
            r.report(t.span_of(key), RecipeFault::Conflict { key, with });
        }
        for (needs, keys) in [("poll", &["ms", "every_us"][..]), ("check", &["is"][..])] {
            for &key in keys {
                if t.has(key) && !t.has(needs) && !(key == "is" && t.has("poll")) {
                    r.report(t.span_of(key), RecipeFault::Needs { key, needs });
                }
            }
        }
        let instruction = r.text(&t, "instruction", "instruction = \"CFG_SHIFT\"");
        let action = action(r, &t, name, status, image);
        if let StepAction::Image(_) = action {
            images += 1;
            if images > 1 {
                r.report(t.span_of("image"), RecipeFault::SecondImage { table: name });
            }
        }
        let clocks = r.number(&t, "clocks", 0..=MOST_CLOCKS, "clocks = 512");
        let wait_ms = r.number(&t, "wait_ms", 0..=MOST_MS, "wait_ms = 10");
        let idle =
            !t.has("clocks") && !t.has("wait_ms") && !t.has("instruction") && actions.is_empty();
        if idle || (actions == ["reset"] && action == StepAction::None) {
            r.report(t.span.clone(), RecipeFault::EmptyStep { table: name });
        }
        let why = r.text(&t, "why", "why = \"what the step is for\"");
        steps.push(Step {
            why: why.map_or(String::new(), |why| why.text.to_owned()),
            instruction: instruction.map(|i| i.text.to_owned()),
            action,
            clocks: clocks.unwrap_or(0),
            wait_ns: wait_ms.unwrap_or(0) * 1_000_000,
            at: r.locate(t.span),
        });
    }
    steps
}

fn action<'a>(
    r: &mut Reader<'a>,
    t: &Table<'a>,
    table: &'static str,
    status: &[StatusWord],
    image: Option<ImageAction>,
) -> StepAction {
    if t.has("poll") || t.has("check") {
        let key = if t.has("poll") { "poll" } else { "check" };
        if image.is_none() {
            r.report(t.span_of(key), RecipeFault::NotHere { key, table });
        }
        let condition = condition(r, t, key, status);
        if key == "check" {
            return StepAction::Check(condition);
        }
        if !t.has("ms") {
            r.missing(t, "ms", "ms = 10");
        }
        let ms = r.number(t, "ms", 1..=MOST_MS, "ms = 10").unwrap_or(1);
        let every_us = r.number(t, "every_us", 1..=MOST_MS * 1000, "every_us = 100");
        StepAction::Poll {
            condition,
            timeout_ns: ms * 1_000_000,
            every_ns: every_us.unwrap_or(100) * 1000,
        }
    } else if t.has("image") {
        let words = [
            ("send", ImageAction::Send),
            ("compare", ImageAction::Compare),
        ];
        let key = "image";
        let word = r.text(t, key, "image = \"send\"");
        let wanted = word.and_then(|word| r.word(key, &word, &words));
        match (image, wanted) {
            (None, _) => r.report(t.span_of(key), RecipeFault::NotHere { key, table }),
            (Some(allowed), Some(wanted)) if allowed != wanted => {
                let word = words.iter().find(|(_, action)| *action == allowed);
                if let (Some((word, _)), Some(value)) = (word, t.get(key)) {
                    r.bad(key, value, format!("\"{word}\" in {table}"));
                }
            }
            _ => {}
        }
        StepAction::Image(image.or(wanted).unwrap_or(ImageAction::Send))
    } else if t.has("data") {
        let data = r.inner(t, "data", &["hex", "bits", "expect", "mask"]);
        data.map_or(StepAction::None, |data| StepAction::Data(value(r, &data)))
    } else if r.flag(t, "reset", "reset = true") == Some(true) {
        StepAction::Reset
    } else {
        StepAction::None
    }
}

fn condition<'a>(
    r: &mut Reader<'a>,
    t: &Table<'a>,
    key: &'static str,
    status: &[StatusWord],
) -> Condition {
    let nothing = Condition {
        status: 0,
        is: vec![],
    };
    let Some(wanted) = r.text(t, key, "check = \"the name of a [[status]]\"") else {
        return nothing;
    };
    let Some(position) = status.iter().position(|s| s.name == wanted.text) else {
        let fault = RecipeFault::NoSuch {
            what: "status",
            name: wanted.text.to_owned(),
            of: None,
            known: status.iter().map(|s| s.name.clone()).collect(),
        };
        r.report(wanted.span, fault);
        return nothing;
    };
    let word = &status[position];
    let mut is = Vec::new();
    let Some(levels) = t.get("is") else {
        r.missing(t, "is", "is = { DONE = 1 }");
        return nothing;
    };
    let levels = r.free("is", levels);
    for (flag, level) in levels.iter().flat_map(Table::entries) {
        let Some(at) = word.flags.iter().position(|f| f.name == flag) else {
            let fault = RecipeFault::NoSuch {
                what: "flag",
                name: flag.chars().take(60).collect(),
                of: Some(word.name.clone()),
                known: word.flags.iter().map(|f| f.name.clone()).collect(),
            };
            r.report(level.span(), fault);
            continue;
        };
        match level.get_ref() {
            DeValue::Integer(i) if i.as_str() == "0" || i.as_str() == "1" => {
                is.push((at, i.as_str() == "1"))
            }
            _ => r.bad(flag, level, "0 or 1"),
        }
    }
    Condition {
        status: position,
        is,
    }
}

/// A value for a register: `{ hex = "1B9", bits = 10, expect = "000", mask = "3FF" }`.
fn value<'a>(r: &mut Reader<'a>, t: &Table<'a>) -> Data {
    for (key, example) in [("hex", "hex = \"1B9\""), ("bits", "bits = 10")] {
        if !t.has(key) {
            r.missing(t, key, example);
        }
    }
    let bits = r.number(t, "bits", 1..=MOST_BITS, "bits = 10");
    let length = bits.unwrap_or(1) as usize;
    let mut hex = |key: &'static str| {
        let text = r.text(t, key, "hexadecimal digits in quotes")?.text;
        match Bits::from_hex(text, length) {
            Ok(value) => Some(value),
            Err(error) => {
                if let (Some(_), Some(value)) = (bits, t.get(key)) {
                    let expected = format!("{length} bits in hexadecimal digits ({error})");
                    r.bad(key, value, expected);
                }
                None
            }
        }
    };
    let out = hex("hex").unwrap_or_else(|| Bits::zeros(length));
    let expect = hex("expect");
    let mask = hex("mask");
    if t.has("mask") && !t.has("expect") {
        let (key, needs) = ("mask", "expect");
        r.report(t.span_of(key), RecipeFault::Needs { key, needs });
    }
    Data {
        out,
        expect: expect.map(|e| (e, mask.unwrap_or_else(|| Bits::ones(length)))),
    }
}

/// A text that has to be there; nothing where it is not, which is reported.
fn text<'a>(r: &mut Reader<'a>, t: &Table<'a>, key: &'static str, example: &'static str) -> String {
    r.need(t, key, example)
        .map_or(String::new(), |text| text.text.to_owned())
}
