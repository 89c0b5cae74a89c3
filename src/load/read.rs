//! From TOML to a [`Recipe`].

use std::path::Path;

use toml::de::{DeTable, DeValue};

use taploom_bsdl::model::Pattern;

use crate::bits::Bits;

use super::error::{RecipeError, RecipeFault};
use super::recipe::{
    ByteOrder, ImageAction, ImageRule, LengthRule, Opcode, Others, PartRule, Preamble, Recipe,
    Sent, Step, StepAction,
};
use super::steps::{status_words, steps};
use super::table::{Reader, Table};

/// No recipe file is larger.
pub(super) const MOST_BYTES: u64 = 1 << 20;
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
        &[
            "recipe", "opcodes", "image", "status", "load", "verify", "exit",
        ],
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
        idcodes: vec![],
        opcodes: opcodes(reader, root),
        source: String::new(),
        tried: Recipe::UNTRIED.into(),
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
            "idcodes",
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
        recipe.idcodes = idcodes(reader, &head);
        if !head.has("entities") && !head.has("idcodes") {
            reader.missing(&head, "entities");
        }
        for key in ["entities", "idcodes"] {
            if let Some(value) = head.get(key)
                && matches!(value.get_ref(), DeValue::Array(a) if a.is_empty())
            {
                reader.bad(key, value, "at least one");
            }
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

/// Codes such as `0xX4D08501`, an X for any digit.
fn idcodes(reader: &mut Reader<'_>, head: &Table<'_>) -> Vec<Pattern> {
    let texts = reader.texts(head, "idcodes");
    let mut codes = Vec::new();
    for text in &texts {
        match idcode_pattern(text) {
            Some(code) => codes.push(code),
            None => {
                if let Some(value) = head.get("idcodes") {
                    let expected =
                        "0x and eight hexadecimal digits each, X for any digit, the last one odd";
                    let found = format!("\"{}\"", text.chars().take(40).collect::<String>());
                    let fault = RecipeFault::BadValue {
                        key: "idcodes".into(),
                        found,
                        expected: expected.into(),
                    };
                    reader.fault(value.span(), fault);
                }
            }
        }
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
fn opcodes(reader: &mut Reader<'_>, root: &Table<'_>) -> Vec<Opcode> {
    let mut opcodes: Vec<Opcode> = Vec::new();
    let Some(table) = reader.table(root, "opcodes", "[opcodes]") else {
        return opcodes;
    };
    for (name, value) in table.entries() {
        let code = match value.get_ref() {
            DeValue::String(text) if (2..=1024).contains(&text.len()) => {
                Bits::from_binary(text).ok()
            }
            _ => None,
        };
        let Some(code) = code else {
            reader.bad(name, value, "a code in binary digits, bit 0 rightmost");
            continue;
        };
        if opcodes.iter().any(|o| o.name.eq_ignore_ascii_case(name)) {
            reader.fault(
                value.span(),
                RecipeFault::Twice {
                    what: "opcode",
                    name: name.to_owned(),
                },
            );
        }
        let line = reader.place(value.span().start).0;
        opcodes.push(Opcode {
            name: name.to_owned(),
            code,
            line,
        });
    }
    opcodes
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
