//! From TOML to a [`Recipe`].

use std::path::Path;

use toml::de::{DeTable, DeValue};

use taploom_bsdl::model::Pattern;

use crate::bits::Bits;

use super::error::{RecipeError, RecipeFault};
use super::recipe::{
    ByteOrder, Condition, Data, ImageAction, ImageRule, LengthRule, Others, PartRule, Preamble,
    Recipe, Sent, StatusBit, StatusFrom, StatusKind, StatusWord, Step, StepAction,
};
use super::table::{Reader, Table};

/// No recipe file is larger.
pub(super) const MOST_BYTES: u64 = 1 << 20;
/// Longest status word or value in bits.
const MOST_BITS: u64 = 1 << 16;
/// Most clocks of one step.
const MOST_CLOCKS: u64 = 1_000_000_000;
/// Longest wait or time-out of one step: an hour.
const MOST_MS: u64 = 3_600_000;
/// Largest size and offset in an image.
const MOST_IMAGE: u64 = 1 << 40;

const BYTE_ORDERS: [(&str, ByteOrder); 2] =
    [("big", ByteOrder::Big), ("little", ByteOrder::Little)];

/// Reads a recipe's text.
pub(super) fn recipe(path: &Path, text: &str) -> Result<Recipe, RecipeError> {
    let mut reader = Reader::new(text);
    let mut recipe = None;
    match DeTable::parse(text) {
        Err(error) => {
            let fault = RecipeFault::Syntax {
                message: error.message().trim().replace('\n', "; "),
            };
            reader.fault(error.span().unwrap_or(0..0), fault);
        }
        Ok(document) => {
            let root = Table::new("a recipe", 0..0, document.get_ref());
            recipe = Some(whole(&mut reader, path, &root));
        }
    }
    let mut problems = reader.problems;
    problems.sort_by_key(|p| (p.line, p.column));
    match recipe {
        Some(recipe) if problems.is_empty() => Ok(recipe),
        _ => Err(RecipeError {
            path: path.to_path_buf(),
            problems,
        }),
    }
}

fn whole(reader: &mut Reader<'_>, path: &Path, root: &Table<'_>) -> Recipe {
    reader.only(
        root,
        &["recipe", "image", "status", "load", "verify", "exit"],
    );
    let none = DeTable::new();
    let empty = |name: &str| Table::new(name, 0..0, &none);
    for key in ["recipe", "image", "load"] {
        if !root.has(key) {
            reader.missing(root, key);
        }
    }
    let given = |reader: &mut Reader<'_>, key: &str| {
        root.has(key) && !reader.tables(root, key, key).is_empty()
    };
    let head = reader.table(root, "recipe", "[recipe]");
    let image = reader.table(root, "image", "[image]");
    let image = match &image {
        Some(table) => image_rule(reader, table),
        None => image_rule(&mut Reader::new(""), &empty("[image]")),
    };
    let status = status_words(reader, root);
    let load = steps(
        reader,
        root,
        "load",
        "[[load]]",
        &status,
        Some(ImageAction::Send),
    );
    let verify = steps(
        reader,
        root,
        "verify",
        "[[verify]]",
        &status,
        Some(ImageAction::Compare),
    );
    let exit = steps(reader, root, "exit", "[[exit]]", &status, None);
    let has_image =
        |steps: &[Step], wanted| steps.iter().any(|s| s.action == StepAction::Image(wanted));
    if given(reader, "load") && !has_image(&load, ImageAction::Send) {
        reader.fault(
            root.span_of("load"),
            RecipeFault::NoImage {
                table: "[[load]]",
                word: "send",
            },
        );
    }
    if given(reader, "verify") && !has_image(&verify, ImageAction::Compare) {
        reader.fault(
            root.span_of("verify"),
            RecipeFault::NoImage {
                table: "[[verify]]",
                word: "compare",
            },
        );
    }
    let mut recipe = Recipe {
        path: path.to_path_buf(),
        name: String::new(),
        entities: vec![],
        source: String::new(),
        tried: "not yet tried on hardware".into(),
        permanent: false,
        drives_pins: false,
        others: Others::Bypass,
        image,
        status,
        load,
        verify,
        exit,
    };
    if let Some(head) = head {
        let known = [
            "format",
            "name",
            "entities",
            "source",
            "tried",
            "permanent",
            "drives_pins",
            "others",
        ];
        reader.only(&head, &known);
        match reader.number(&head, "format", 0, u64::MAX) {
            None if !head.has("format") => reader.missing(&head, "format"),
            None | Some(1) => {}
            Some(found) => reader.fault(head.span_of("format"), RecipeFault::Format { found }),
        }
        recipe.name = reader.needed_text(&head, "name");
        recipe.source = reader.needed_text(&head, "source");
        recipe.entities = reader.texts(&head, "entities");
        if !head.has("entities") {
            reader.missing(&head, "entities");
        } else if let Some(value) = head.get("entities")
            && recipe.entities.is_empty()
            && matches!(value.get_ref(), DeValue::Array(a) if a.is_empty())
        {
            reader.bad("entities", value, "at least one entity");
        }
        if let Some(tried) = reader.text(&head, "tried") {
            recipe.tried = tried;
        }
        recipe.permanent = reader.flag(&head, "permanent");
        recipe.drives_pins = reader.flag(&head, "drives_pins");
        recipe.others = reader.word(
            &head,
            "others",
            &[("BYPASS", Others::Bypass), ("HIGHZ", Others::HighZ)],
        );
    }
    recipe
}

fn image_rule(reader: &mut Reader<'_>, table: &Table<'_>) -> ImageRule {
    reader.only(
        table,
        &[
            "bits",
            "skip",
            "least_bytes",
            "most_bytes",
            "preamble",
            "send",
            "length",
            "part",
        ],
    );
    if !table.has("bits") {
        reader.missing(table, "bits");
    }
    let bits = reader.word(
        table,
        "bits",
        &[
            ("msb first", ByteOrder::Big),
            ("lsb first", ByteOrder::Little),
        ],
    );
    let preamble = reader.table(table, "preamble", "`preamble`").map(|t| {
        reader.only(&t, &["hex", "within"]);
        let bytes = hex_bytes(reader, &t, "hex");
        let within = reader.number(&t, "within", 1, 1 << 20).unwrap_or(1);
        Preamble { bytes, within }
    });
    let sends = [
        ("all", Sent::All),
        ("from preamble", Sent::FromPreamble),
        ("after preamble", Sent::AfterPreamble),
    ];
    let send = reader.word(table, "send", &sends);
    if send != Sent::All && preamble.is_none() {
        reader.fault(
            table.span_of("send"),
            RecipeFault::Needs {
                key: "send",
                needs: "preamble",
            },
        );
    }
    let length = reader.table(table, "length", "`length`").map(|t| {
        reader.only(&t, &["at", "bytes", "order", "plus"]);
        for key in ["at", "bytes"] {
            if !t.has(key) {
                reader.missing(&t, key);
            }
        }
        LengthRule {
            at: reader.number(&t, "at", 0, 1 << 20).unwrap_or(0),
            bytes: reader.number(&t, "bytes", 1, 8).unwrap_or(1) as u8,
            order: reader.word(&t, "order", &BYTE_ORDERS),
            plus: reader.number(&t, "plus", 0, MOST_IMAGE).unwrap_or(0),
        }
    });
    let mut parts = Vec::new();
    for t in reader.tables(table, "part", "`part`") {
        reader.only(&t, &["at", "text", "idcode"]);
        let at = reader.number(&t, "at", 0, 1 << 20);
        match (reader.text(&t, "text"), t.has("idcode")) {
            (Some(_), true) => reader.fault(
                t.span.clone(),
                RecipeFault::Conflict {
                    key: "text",
                    with: "idcode",
                },
            ),
            (Some(text), false) if text.is_empty() => {
                if let Some(value) = t.get("text") {
                    reader.bad("text", value, "a text that is not empty");
                }
            }
            (Some(text), false) => parts.push(PartRule::Text { at, text }),
            (None, true) => {
                let order = reader.word(&t, "idcode", &BYTE_ORDERS);
                if !t.has("at") {
                    reader.missing(&t, "at");
                }
                parts.push(PartRule::IdCode {
                    at: at.unwrap_or(0),
                    order,
                });
            }
            (None, false) if t.has("text") => {}
            (None, false) => reader.missing(&t, "text"),
        }
    }
    ImageRule {
        bits,
        skip: reader.number(table, "skip", 0, MOST_IMAGE).unwrap_or(0),
        least_bytes: reader
            .number(table, "least_bytes", 0, MOST_IMAGE)
            .unwrap_or(0),
        most_bytes: reader.number(table, "most_bytes", 1, MOST_IMAGE),
        preamble,
        send,
        length,
        parts,
    }
}

fn status_words(reader: &mut Reader<'_>, root: &Table<'_>) -> Vec<StatusWord> {
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

fn steps(
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

/// Whole bytes in hexadecimal digits, in the order of the file; spaces are skipped.
fn hex_bytes(reader: &mut Reader<'_>, t: &Table<'_>, key: &'static str) -> Vec<u8> {
    if !t.has(key) {
        reader.missing(t, key);
    }
    let Some(text) = reader.text(t, key) else {
        return vec![];
    };
    let digits: String = text.chars().filter(|c| !c.is_whitespace()).collect();
    match hex::decode(&digits) {
        Ok(bytes) if (1..=64).contains(&bytes.len()) => bytes,
        _ => {
            if let Some(value) = t.get(key) {
                reader.bad(key, value, "1 to 64 bytes of two hexadecimal digits each");
            }
            vec![]
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SMALL: &str = r#"
[recipe]
format = 1
name = "x"
entities = ["A"]
source = "s"
[image]
bits = "lsb first"
[[status]]
name = "S"
instruction = "READ"
bits = 8
flags = [{ bit = 0, name = "DONE", says = "runs", kind = "done" }]
[[load]]
instruction = "SHIFT"
image = "send"
"#;

    /// Replaces one text in the small recipe and gives the message.
    fn message(from: &str, to: &str) -> String {
        assert!(SMALL.contains(from), "{from}");
        recipe(Path::new("r.toml"), &SMALL.replacen(from, to, 1))
            .unwrap_err()
            .to_string()
    }

    #[test]
    fn the_small_recipe_is_read_with_its_defaults() {
        let recipe = recipe(Path::new("r.toml"), SMALL).unwrap();
        assert_eq!(recipe.tried, "not yet tried on hardware");
        assert_eq!(
            (recipe.permanent, recipe.drives_pins, recipe.others),
            (false, false, Others::Bypass)
        );
        assert_eq!(
            (recipe.image.bits, recipe.image.send),
            (ByteOrder::Little, Sent::All)
        );
        assert_eq!(recipe.load[0].line, 14);
        assert!(recipe.is_for("a") && !recipe.is_for("b"));
    }

    #[test]
    fn data_steps_read_most_significant_digit_first() {
        let text = format!(
            "{SMALL}[[load]]\ninstruction = \"KEY\"\ndata = {{ hex = \"1B9\", bits = 10, expect = \"2\", mask = \"3\" }}\nwait_ms = 3\n"
        );
        let recipe = recipe(Path::new("r.toml"), &text).unwrap();
        let StepAction::Data(data) = &recipe.load[1].action else {
            panic!("{:?}", recipe.load[1])
        };
        assert_eq!(data.out.to_binary(), "0110111001");
        let (expect, mask) = data.expect.clone().unwrap();
        assert_eq!((expect.get_u64(0, 10), mask.get_u64(0, 10)), (2, 3));
        assert_eq!(recipe.load[1].wait_ns, 3_000_000);
    }

    #[test]
    fn all_unknown_keys_come_at_once_in_file_order() {
        let text = SMALL
            .replace("name = \"x\"", "nam = \"x\"\nfoo = 1")
            .replace("image = \"send\"", "imag = \"send\"");
        assert_eq!(
            recipe(Path::new("r.toml"), &text).unwrap_err().to_string(),
            "r.toml:2:1: [recipe] has no `name`\n\
             r.toml:4:1: unknown key `nam` in [recipe]\n  \
             help: did you mean `name`? keys of [recipe]: format, name, entities, source, tried, permanent, drives_pins, others\n\
             r.toml:5:1: unknown key `foo` in [recipe]\n  \
             help: keys of [recipe]: format, name, entities, source, tried, permanent, drives_pins, others\n\
             r.toml:15:1: no [[load]] step has `image = \"send\"`\n\
             r.toml:17:1: unknown key `imag` in [[load]]\n  \
             help: did you mean `image`? keys of [[load]]: why, instruction, data, image, clocks, wait_ms, poll, check, is, ms, every_us, reset"
        );
    }

    #[test]
    fn each_fault_is_named_with_its_place() {
        for (from, to, expected) in [
            (
                "format = 1",
                "format = 2",
                "r.toml:3:10: `format` is 2, expected 1\n  help: a newer Taploom may read it",
            ),
            ("format = 1", "", "r.toml:2:1: [recipe] has no `format`"),
            (
                "entities = [\"A\"]",
                "entities = []",
                "r.toml:5:12: `entities` is a list, expected at least one entity",
            ),
            (
                "source = \"s\"",
                "",
                "r.toml:2:1: [recipe] has no `source`\n  help: say in [recipe] where this way of loading is published",
            ),
            (
                "lsb first",
                "lsb",
                "r.toml:8:8: `bits` is \"lsb\", expected \"msb first\" or \"lsb first\"",
            ),
            (
                "bits = 8",
                "bits = 0",
                "r.toml:12:8: `bits` is 0, expected a whole number from 1 to 65536",
            ),
            (
                "bit = 0",
                "bit = 8",
                "r.toml:13:18: flag DONE is bit 8 of S, which has 8 bits",
            ),
            (
                "bits = 8",
                "bits = 8\nalways = \"01\"",
                "r.toml:13:10: `always` is \"01\", expected 8 digits of 0, 1 and X",
            ),
            (
                "kind = \"done\"",
                "kind = \"good\"",
                "r.toml:13:58: `kind` is \"good\", expected \"note\" or \"done\" or \"error\"",
            ),
            (
                "image = \"send\"",
                "image = \"compare\"",
                "r.toml:16:9: `image` is \"compare\", expected \"send\" in [[load]]",
            ),
            (
                "image = \"send\"",
                "image = \"send\"\nreset = true",
                "r.toml:16:9: `image` does not go with `reset`",
            ),
            (
                "image = \"send\"",
                "image = \"send\"\nms = 3",
                "r.toml:17:6: `ms` needs `poll`",
            ),
            (
                "image = \"send\"",
                "image = \"send\"\n[[load]]\n",
                "r.toml:17:1: this [[load]] step does nothing\n  help: give it an instruction, data, image, clocks, wait_ms, poll, check or reset",
            ),
            (
                "image = \"send\"",
                "image = \"send\"\n[[load]]\ncheck = \"S\"\nis = { DUN = 1 }",
                "r.toml:19:14: there is no flag `DUN` in status S\n  help: the recipe has DONE",
            ),
            (
                "image = \"send\"",
                "image = \"send\"\n[[load]]\ncheck = \"T\"\nis = { DONE = 1 }",
                "r.toml:18:9: there is no status `T`\n  help: the recipe has S",
            ),
            (
                "image = \"send\"",
                "image = \"send\"\n[[load]]\npoll = \"S\"\nis = { DONE = 2 }\nms = 1",
                "r.toml:19:15: `DONE` is 2, expected 0 or 1",
            ),
            (
                "image = \"send\"",
                "image = \"send\"\n[[exit]]\nimage = \"send\"",
                "r.toml:18:9: `image` is not allowed in [[exit]]",
            ),
            (
                "image = \"send\"",
                "image = \"send\"\n[[load]]\nimage = \"send\"",
                "r.toml:18:9: a second [[load]] step has `image`",
            ),
            (
                "image = \"send\"",
                "image = \"send\"\n[[verify]]\nclocks = 1",
                "r.toml:17:1: no [[verify]] step has `image = \"compare\"`",
            ),
            (
                "image = \"send\"",
                "image = \"send\"\n[[load]]\ndata = { hex = \"FF\", bits = 4 }",
                "r.toml:18:16: `hex` is \"FF\", expected 4 bits in hexadecimal digits (the value does not fit into 4 bits: bit 7 is 1)",
            ),
            (
                "[image]",
                "[image]\npreamble = { hex = \"C9 5\" }",
                "r.toml:8:20: `hex` is \"C9 5\", expected 1 to 64 bytes of two hexadecimal digits each",
            ),
            (
                "[image]",
                "[image]\nsend = \"from preamble\"",
                "r.toml:8:8: `send` needs `preamble`",
            ),
            (
                "[image]",
                "[image]\npart = [{ at = 1 }]",
                "r.toml:8:9: `part` has no `text`",
            ),
            (
                "[[status]]",
                "[[status]]\nname = \"S\"\ninstruction = \"I\"\nbits = 1\n[[status]]",
                "r.toml:14:8: status `S` is there twice",
            ),
            (
                "format = 1",
                "format = ",
                "r.toml:3:10: this is not TOML: string values must be quoted, expected literal string\n  help: mend this first: nothing else of the recipe was checked",
            ),
        ] {
            assert_eq!(message(from, to), expected, "{from} -> {to}");
        }
    }

    #[test]
    fn hostile_text_is_refused_without_a_panic() {
        for text in [
            "",
            "\u{0}",
            "[[[[[[",
            "recipe = 1\nimage = []\nload = 3\nstatus = 4\nexit = \"\"",
            "[recipe]\nformat = 99999999999999999999999",
        ] {
            let error = recipe(Path::new("r.toml"), text).unwrap_err();
            assert!(!error.problems.is_empty());
            assert!(!error.to_string().is_empty());
        }
        let deep = format!("load = {}{}", "[".repeat(20_000), "]".repeat(20_000));
        assert!(recipe(Path::new("r.toml"), &deep).is_err());
    }
}
