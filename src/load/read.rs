//! From TOML to a [`Recipe`].

use std::path::Path;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use taploom_bsdl::model::Pattern;

use crate::bits::Bits;
use crate::tables::{self, Fault, Table};

use super::error::RecipeFault;
use super::recipe::{
    ByteOrder, ImageAction, ImageRule, LengthRule, Opcode, Others, PartRule, Preamble, Recipe,
    Sent, Step, StepAction,
};
use super::steps::{status_words, steps};

/// Largest size and offset in an image.
const MOST_IMAGE: u64 = 1 << 40;
/// Largest offset of what says which image it is.
const MOST_HEAD: u64 = 1 << 20;

const BYTE_ORDERS: [(&str, ByteOrder); 2] =
    [("big", ByteOrder::Big), ("little", ByteOrder::Little)];

/// Reads the tables of a recipe.
pub(super) type Reader<'a> = tables::Reader<'a, RecipeFault>;

/// A whole recipe.
pub(super) fn recipe<'a>(
    r: &mut Reader<'a>,
    root: &'a Spanned<DeTable<'a>>,
    path: &Path,
) -> Option<Recipe> {
    let known = [
        "recipe", "opcodes", "image", "status", "load", "verify", "exit",
    ];
    let root = r.whole_file("the recipe", root, &known);
    for (key, example) in [
        (
            "recipe",
            "[recipe] with format = 1, name, entities and source",
        ),
        (
            "image",
            "[image] with bits = \"lsb first\" or \"msb first\"",
        ),
        ("load", "[[load]] steps, one with image = \"send\""),
    ] {
        if !root.has(key) {
            r.missing(&root, key, example);
        }
    }
    let image = root.get("image").and_then(|value| image_rule(r, value));
    let status = status_words(r, &root);
    let load = steps(
        r,
        &root,
        "load",
        "[[load]]",
        &status,
        Some(ImageAction::Send),
    );
    let compare = Some(ImageAction::Compare);
    let verify = steps(r, &root, "verify", "[[verify]]", &status, compare);
    let exit = steps(r, &root, "exit", "[[exit]]", &status, None);
    let has_image =
        |steps: &[Step], wanted| steps.iter().any(|s| s.action == StepAction::Image(wanted));
    for (steps, key, table, word, action) in [
        (&load, "load", "[[load]]", "send", ImageAction::Send),
        (
            &verify,
            "verify",
            "[[verify]]",
            "compare",
            ImageAction::Compare,
        ),
    ] {
        if !steps.is_empty() && !has_image(steps, action) {
            r.report(root.span_of(key), RecipeFault::NoImage { table, word });
        }
    }
    let opcodes = opcodes(r, &root);
    let known = [
        "format",
        "name",
        "entities",
        "idcodes",
        "source",
        "tried",
        "permanent",
        "drives_pins",
        "others",
    ];
    let head = r.table("[recipe]", root.get("recipe")?, &known)?;
    let format = "format = 1";
    if !head.has("format") {
        r.missing(&head, "format", format);
    }
    if let Some(found) = r.number(&head, "format", 0..=u64::MAX, format)
        && found != 1
    {
        r.report(head.span_of("format"), RecipeFault::Format { found });
    }
    let name = r.need(&head, "name", "name = \"what it loads, and how\"");
    let source = "source = \"where this way of loading is published\"";
    let source = r.need(&head, "source", source);
    let entities = "entities = [\"HEDDLE_208\"], as the BSDL file names the device";
    let named = r.texts(&head, "entities", entities);
    let idcodes = idcodes(r, &head);
    if !head.has("entities") && !head.has("idcodes") {
        r.missing(&head, "entities", entities);
    }
    for key in ["entities", "idcodes"] {
        if let Some(value) = head.get(key)
            && matches!(value.get_ref(), DeValue::Array(a) if a.is_empty())
        {
            r.bad(key, value, "at least one");
        }
    }
    let tried = r.text(&head, "tried", "tried = \"on what, by whom, when\"");
    let tried = tried.map_or(Recipe::UNTRIED, |tried| tried.text);
    let permanent = r.flag(&head, "permanent", "permanent = true");
    let drives_pins = r.flag(&head, "drives_pins", "drives_pins = true");
    let others = [
        ("BYPASS", Others::Bypass),
        ("HIGHZ", Others::HighZ),
        ("CLAMP", Others::Clamp),
    ];
    let others = r.word_or_first(&head, "others", "others = \"HIGHZ\"", &others);
    Some(Recipe {
        path: path.to_path_buf(),
        name: name?.text.to_owned(),
        entities: named.iter().map(|entity| entity.text.to_owned()).collect(),
        idcodes,
        opcodes,
        source: source?.text.to_owned(),
        tried: tried.to_owned(),
        permanent: permanent.unwrap_or(false),
        drives_pins: drives_pins.unwrap_or(false),
        others,
        image: image?,
        status,
        load,
        verify,
        exit,
    })
}

/// Codes such as `0xX4D08501`, an X for any digit.
fn idcodes<'a>(r: &mut Reader<'a>, head: &Table<'a>) -> Vec<Pattern> {
    let texts = r.texts(head, "idcodes", "idcodes = [\"0xX1234043\"]");
    let mut codes = Vec::new();
    for text in texts {
        let code = idcode_pattern(text.text);
        if code.is_none() {
            let fault = Fault::BadValue {
                key: "idcodes".into(),
                found: format!("\"{}\"", text.text.chars().take(40).collect::<String>()),
                expected: "0x and eight hexadecimal digits each, X for any digit, the last one odd"
                    .into(),
                near: None,
            };
            r.report(text.span, fault);
        }
        codes.extend(code);
    }
    codes
}

fn idcode_pattern(text: &str) -> Option<Pattern> {
    let digits = text.strip_prefix("0x").filter(|d| d.len() == 8)?;
    let mut bits = String::new();
    for digit in digits.chars() {
        match digit.to_digit(16) {
            Some(value) => bits.push_str(&format!("{value:04b}")),
            None if digit.eq_ignore_ascii_case(&'x') => bits.push_str("XXXX"),
            None => return None,
        }
    }
    bits.parse()
        .ok()
        .filter(|p: &Pattern| p.bit(0).admits(true))
}

/// The `[opcodes]` table: names and binary codes.
fn opcodes<'a>(r: &mut Reader<'a>, root: &Table<'a>) -> Vec<Opcode> {
    let mut opcodes: Vec<Opcode> = Vec::new();
    let table = root.get("opcodes").and_then(|v| r.free("[opcodes]", v));
    for (name, value) in table.iter().flat_map(Table::entries) {
        let code = match value.get_ref() {
            DeValue::String(text) if (2..=1024).contains(&text.len()) => {
                Bits::from_binary(text).ok()
            }
            _ => None,
        };
        let Some(code) = code else {
            r.bad(name, value, "a code in binary digits, bit 0 rightmost");
            continue;
        };
        let (what, name) = ("opcode", name.to_owned());
        if opcodes.iter().any(|o| o.name.eq_ignore_ascii_case(&name)) {
            let name = name.clone();
            r.report(value.span(), RecipeFault::Twice { what, name });
        }
        let at = r.locate(value.span());
        opcodes.push(Opcode { name, code, at });
    }
    opcodes
}

fn image_rule<'a>(r: &mut Reader<'a>, value: &'a Spanned<DeValue<'a>>) -> Option<ImageRule> {
    let known = [
        "bits",
        "skip",
        "least_bytes",
        "most_bytes",
        "preamble",
        "send",
        "length",
        "part",
    ];
    let table = r.table("[image]", value, &known)?;
    let bits = "bits = \"lsb first\"";
    if !table.has("bits") {
        r.missing(&table, "bits", bits);
    }
    let orders = [
        ("msb first", ByteOrder::Big),
        ("lsb first", ByteOrder::Little),
    ];
    let bits = r.word_or_first(&table, "bits", bits, &orders);
    let preamble = r.inner(&table, "preamble", &["hex", "within"]).map(|t| {
        let bytes = hex_bytes(r, &t);
        let within = r.number(&t, "within", 1..=MOST_HEAD, "within = 64");
        Preamble {
            bytes,
            within: within.unwrap_or(1),
        }
    });
    let sends = [
        ("all", Sent::All),
        ("from preamble", Sent::FromPreamble),
        ("after preamble", Sent::AfterPreamble),
    ];
    let send = r.word_or_first(&table, "send", "send = \"from preamble\"", &sends);
    if send != Sent::All && preamble.is_none() {
        let (key, needs) = ("send", "preamble");
        r.report(table.span_of("send"), RecipeFault::Needs { key, needs });
    }
    let length = r
        .inner(&table, "length", &["at", "bytes", "order", "plus"])
        .map(|t| {
            let (at, bytes) = ("at = 40", "bytes = 4");
            for (key, example) in [("at", at), ("bytes", bytes)] {
                if !t.has(key) {
                    r.missing(&t, key, example);
                }
            }
            LengthRule {
                at: r.number(&t, "at", 0..=MOST_HEAD, at).unwrap_or(0),
                bytes: r.number(&t, "bytes", 1..=8, bytes).unwrap_or(1) as u8,
                order: r.word_or_first(&t, "order", "order = \"little\"", &BYTE_ORDERS),
                plus: r
                    .number(&t, "plus", 0..=MOST_IMAGE, "plus = 54")
                    .unwrap_or(0),
            }
        });
    let mut parts = Vec::new();
    for value in Reader::values(&table, "part") {
        let part = r.table("part", value, &["at", "text", "idcode"]);
        parts.extend(part.and_then(|t| part_rule(r, &t)));
    }
    let mut size = |key, least| r.number(&table, key, least..=MOST_IMAGE, "a number of bytes");
    Some(ImageRule {
        bits,
        skip: size("skip", 0).unwrap_or(0),
        least_bytes: size("least_bytes", 0).unwrap_or(0),
        most_bytes: size("most_bytes", 1),
        preamble,
        send,
        length,
        parts,
    })
}

/// What an image must show of the part that it is for.
fn part_rule<'a>(r: &mut Reader<'a>, t: &Table<'a>) -> Option<PartRule> {
    let at = r.number(t, "at", 0..=MOST_HEAD, "at = 16");
    let (key, with) = ("text", "idcode");
    if t.has(key) && t.has(with) {
        r.report(t.span.clone(), RecipeFault::Conflict { key, with });
        return None;
    }
    if t.has("idcode") {
        if !t.has("at") {
            r.missing(t, "at", "at = 16");
        }
        let order = r.word_or_first(t, "idcode", "idcode = \"little\"", &BYTE_ORDERS);
        let at = at.unwrap_or(0);
        return Some(PartRule::IdCode { at, order });
    }
    let text = r.need(t, "text", "text = \"HEDDLE_208\"")?.text.to_owned();
    Some(PartRule::Text { at, text })
}

/// Whole bytes in hexadecimal digits, in the order of the file; spaces are skipped.
fn hex_bytes<'a>(r: &mut Reader<'a>, t: &Table<'a>) -> Vec<u8> {
    let Some(text) = r.need(t, "hex", "hex = \"C9 55\"") else {
        return vec![];
    };
    let digits: String = text.text.chars().filter(|c| !c.is_whitespace()).collect();
    match hex::decode(&digits) {
        Ok(bytes) if (1..=64).contains(&bytes.len()) => bytes,
        _ => {
            if let Some(value) = t.get("hex") {
                r.bad("hex", value, "1 to 64 bytes of two hexadecimal digits each");
            }
            vec![]
        }
    }
}
