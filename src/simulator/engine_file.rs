//! Reading a configuration engine's file.

use std::path::Path;

use toml::Spanned;
use toml::de::DeTable;

use super::engine::{EngineModel, Flag, Role};
use crate::bits::Bits;
use crate::board::{BoardError, Reader};
use crate::tables::{self, Table};

/// Reads the file; its keys stand in the docs of [`super::bench_file`].
pub(super) fn load(path: &Path) -> Result<EngineModel, BoardError> {
    let help =
        "it says how the device takes an image; name it in `engine` of the bench file's [[device]]";
    tables::read(path, "engine file", help, read)
}

fn read<'a>(r: &mut Reader<'a>, root: &'a Spanned<DeTable<'a>>) -> Option<EngineModel> {
    let root = r.whole_file("the engine file", root, &["engine", "status", "ir"]);
    let Some(value) = root.get("engine") else {
        r.missing(&root, "engine", "[engine] with format = 1");
        return None;
    };
    let keys = [
        "format",
        "open",
        "shift",
        "status",
        "start",
        "close",
        "clear_clocks",
        "start_clocks",
        "clear_ms",
        "start_ms",
        "keeps",
        "read",
        "preamble",
        "text_bytes",
        "length_max",
        "crc_polynomial",
        "crc_start",
        "always",
    ];
    let table = r.table("[engine]", value, &keys)?;
    if !table.has("format") {
        r.missing(&table, "format", "format = 1");
    }
    r.whole(&table, "format", 1..=1, "format = 1");
    let roles = [
        ("open", "open = \"CFG_OPEN\"", Role::Open),
        ("shift", "shift = \"CFG_SHIFT\"", Role::Shift),
        ("status", "status = \"CFG_STATUS\"", Role::Status),
        ("start", "start = \"CFG_START\"", Role::Start),
        ("close", "close = \"CFG_CLOSE\"", Role::Close),
    ];
    let mut instructions = Vec::new();
    for (key, example, role) in roles {
        if let Some(name) = r.need(&table, key, example) {
            instructions.push((name.text.trim().to_string(), role));
        }
    }
    if let Some(name) = r.text(&table, "read", "read = \"PRG_READ\"") {
        instructions.push((name.text.trim().to_string(), Role::Read));
    }
    let keeps = r.flag(&table, "keeps", "keeps = true").unwrap_or(false);
    let mut time = |key| r.whole(&table, key, 0..=3_600_000, "clear_ms = 120");
    let clear_ns = u64::from(time("clear_ms").unwrap_or(0)) * 1_000_000;
    let start_ns = u64::from(time("start_ms").unwrap_or(0)) * 1_000_000;
    let mut number = |key, most, example| {
        if !table.has(key) {
            r.missing(&table, key, example);
        }
        r.whole(&table, key, 0..=most, example)
    };
    let clear_clocks = number("clear_clocks", u32::MAX, "clear_clocks = 512");
    let start_clocks = number("start_clocks", u32::MAX, "start_clocks = 48");
    let text_bytes = number("text_bytes", 4096, "text_bytes = 32");
    let length_max = number("length_max", u32::MAX, "length_max = 1_048_576");
    let polynomial = number("crc_polynomial", 0xffff, "crc_polynomial = 0x1021");
    let start = number("crc_start", 0xffff, "crc_start = 0xFFFF");
    let preamble = r.need(&table, "preamble", "preamble = \"C9 5A 36 E1\"")?;
    let digits: String = preamble.text.split_whitespace().collect();
    let bytes: Option<Vec<u8>> = (digits.len().is_multiple_of(2) && digits.is_ascii())
        .then(|| {
            (0..digits.len())
                .step_by(2)
                .map(|i| u8::from_str_radix(&digits[i..i + 2], 16).ok())
                .collect()
        })
        .flatten();
    let bytes = bytes.filter(|b| (1..=8).contains(&b.len()));
    if bytes.is_none() {
        let expected = "one to eight bytes in hexadecimal";
        r.bad("preamble", table.get("preamble")?, expected);
    }
    let always = r.need(&table, "always", "always = \"0101 0000 0000 0000\"")?;
    let text: String = always.text.split_whitespace().collect();
    let word = Bits::from_binary(&text).ok();
    if word.is_none() {
        let expected = "the status word in binary, bit 0 right";
        r.bad("always", table.get("always")?, expected);
    }
    Some(EngineModel {
        instructions,
        clear_clocks: clear_clocks?.into(),
        start_clocks: start_clocks?.into(),
        clear_ns,
        start_ns,
        keeps,
        preamble: bytes?,
        text_bytes: text_bytes? as usize,
        length_max: length_max?,
        crc_polynomial: polynomial? as u16,
        crc_start: start? as u16,
        always: word?,
        status: flags(r, &root, "status"),
        ir: flags(r, &root, "ir"),
    })
}

/// `[status]` or `[ir]`: which bit shows which flag.
fn flags<'a>(r: &mut Reader<'a>, root: &Table<'a>, title: &'static str) -> Vec<(Flag, u32)> {
    let known: Vec<&'static str> = Flag::ALL.iter().map(|(key, _)| *key).collect();
    let Some(table) = r.inner(root, title, &known) else {
        return vec![];
    };
    let mut flags = Vec::new();
    for (key, flag) in Flag::ALL {
        flags.extend(
            r.whole(&table, key, 0..=4095, "done = 4")
                .map(|bit| (flag, bit)),
        );
    }
    flags
}
