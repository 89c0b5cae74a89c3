//! Reading bench files: text to [`BenchFile`], everything that is wrong told at once.

mod faults;

use std::path::Path;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use faults::{CHAIN_KEYS, FAULT_KEYS, chain_fault, fault};

use super::bench_file::{
    AdapterSettings, AdapterValue, Behaviour, BenchFile, ChainFault, DeviceRow, Fault, FlipFlops,
    Floating, Idle, Machine, Named,
};
use crate::board::{BoardError, Reader};
use crate::tables::{self, Fault as FileFault, Table, Text};

const LEVELS: [(&str, bool); 2] = [("low", false), ("high", true)];
const BEHAVIOURS: [(&str, Behaviour); 3] = [
    ("low", Behaviour::Low),
    ("high", Behaviour::High),
    ("moving", Behaviour::Moving),
];

impl BenchFile {
    /// Reads a bench file. Names in it are looked up later, when the bench is built.
    ///
    /// # Errors
    /// All that is wrong with the file itself: unknown keys with near names, wrong types, missing keys.
    pub fn load(path: impl AsRef<Path>) -> Result<Self, BoardError> {
        let path = path.as_ref();
        let folder = path.parent().unwrap_or(Path::new("")).to_path_buf();
        let help = "name a bench file, such as fixtures/knitting-machine/as-drawn.toml";
        tables::read(path, "bench file", help, |r, root| {
            read(r, root, path, &folder)
        })
    }
}

fn read<'a>(
    r: &mut Reader<'a>,
    root: &'a Spanned<DeTable<'a>>,
    path: &Path,
    folder: &Path,
) -> Option<BenchFile> {
    let known = [
        "bench",
        "machine",
        "adapter",
        "device",
        "fault",
        "chain_fault",
    ];
    let root = r.whole_file("the bench file", root, &known);
    let Some(value) = root.get("bench") else {
        r.missing(&root, "bench", "[bench] with format = 1 and a board");
        return None;
    };
    let keys = [
        "format", "board", "with", "seed", "floating", "spare", "note",
    ];
    let bench = r.table("[bench]", value, &keys)?;
    if !bench.has("format") {
        r.missing(&bench, "format", "format = 1");
    }
    r.whole(&bench, "format", 1..=1, "format = 1");
    let board = r.need(&bench, "board", "board = \"board.toml\"");
    let floating = r.text(&bench, "floating", "floating = \"keep\"");
    let floating = floating.and_then(|text| {
        let words = [
            ("keep", Floating::Keep),
            ("low", Floating::Low),
            ("high", Floating::High),
            ("neighbours", Floating::Neighbours),
        ];
        r.word("floating", &text, &words)
    });
    let with = r.texts(&bench, "with", "with = [\"U5\"]");
    let mut file = BenchFile {
        path: path.to_path_buf(),
        board: folder.join(board.as_ref().map_or("", |b| b.text)),
        board_at: r.locate(
            board
                .as_ref()
                .map_or(bench.span.clone(), |b| b.span.clone()),
        ),
        with: with.iter().map(|t| named(r, t)).collect(),
        seed: r
            .whole(&bench, "seed", 0..=u32::MAX, "seed = 1")
            .unwrap_or(0)
            .into(),
        floating: floating.unwrap_or_default(),
        spare: spare_lines(r, &bench),
        machine: machine(r, &root),
        adapter: adapter(r, &root),
        devices: vec![],
        faults: vec![],
        chain_faults: vec![],
    };
    let keys = [
        "name",
        "idcode",
        "usercode",
        "idle",
        "pull_ohms",
        "configured",
        "mission",
        "engine",
        "clock",
        "enable",
        "flip_flops",
        "note",
    ];
    for table in r.each(&root, "device", &keys) {
        file.devices.extend(device(r, &table, folder));
    }
    for table in r.each(&root, "fault", &FAULT_KEYS) {
        let at = r.locate(table.span.clone());
        let kind = fault(r, &table);
        file.faults.extend(kind.map(|kind| Fault { kind, at }));
    }
    for table in r.each(&root, "chain_fault", &CHAIN_KEYS) {
        let at = r.locate(table.span.clone());
        let kind = chain_fault(r, &table, folder);
        file.chain_faults
            .extend(kind.map(|kind| ChainFault { kind, at }));
    }
    Some(file)
}

fn named(r: &Reader<'_>, text: &Text<'_>) -> Named {
    Named {
        name: text.text.trim().into(),
        at: r.locate(text.span.clone()),
    }
}

fn need<'a>(
    r: &mut Reader<'a>,
    table: &Table<'a>,
    key: &'static str,
    example: &'static str,
) -> Option<Named> {
    let text = r.need(table, key, example)?;
    Some(named(r, &text))
}

fn optional<'a>(
    r: &mut Reader<'a>,
    table: &Table<'a>,
    key: &'static str,
    example: &'static str,
) -> Option<Named> {
    let text = r.text(table, key, example)?;
    Some(named(r, &text))
}

fn level<'a>(r: &mut Reader<'a>, table: &Table<'a>, key: &'static str) -> Option<bool> {
    let text = r.need(table, key, "level = \"low\"")?;
    r.word(key, &text, &LEVELS)
}

/// 32 bits in hexadecimal.
fn code<'a>(r: &mut Reader<'a>, table: &Table<'a>, key: &'static str) -> Option<u32> {
    let digits = r.text(table, key, "idcode = \"0x24D08501\"")?.text.trim();
    let digits = digits.strip_prefix("0x").or(digits.strip_prefix("0X"));
    let value = digits
        .filter(|d| d.len() == 8)
        .and_then(|d| u32::from_str_radix(d, 16).ok());
    if value.is_none() {
        r.bad(key, table.get(key)?, "0x and eight hexadecimal digits");
    }
    value
}

/// A number with or without a point.
fn real<'a>(
    r: &mut Reader<'a>,
    table: &Table<'a>,
    key: &'static str,
    bounds: std::ops::RangeInclusive<f64>,
) -> Option<f64> {
    let value = table.get(key)?;
    let number = match value.get_ref() {
        DeValue::Float(text) => text.as_str().replace('_', "").parse().ok(),
        DeValue::Integer(text) if text.radix() == 10 => text.as_str().parse().ok(),
        _ => None,
    };
    let number = number.filter(|n| bounds.contains(n));
    if number.is_none() {
        let expected = format!("a number from {} to {}", bounds.start(), bounds.end());
        r.bad(key, value, expected);
    }
    number
}

/// A whole number that may be negative.
fn signed<'a>(
    r: &mut Reader<'a>,
    table: &Table<'a>,
    key: &'static str,
    bounds: std::ops::RangeInclusive<i64>,
) -> Option<i64> {
    let value = table.get(key)?;
    let number = match value.get_ref() {
        DeValue::Integer(text) => {
            i64::from_str_radix(&text.as_str().replace('_', ""), text.radix()).ok()
        }
        _ => None,
    };
    let number = number.filter(|n| bounds.contains(n));
    if number.is_none() {
        let expected = format!("a whole number from {} to {}", bounds.start(), bounds.end());
        r.bad(key, value, expected);
    }
    number
}

fn spare_lines<'a>(r: &mut Reader<'a>, bench: &Table<'a>) -> Vec<(u8, Named)> {
    let mut lines = Vec::new();
    for (key, place) in r.pairs(bench, "spare", "spare = { 0 = \"J3.9\" }") {
        match key.text.parse::<u8>().ok().filter(|n| *n < 8) {
            Some(number) => lines.push((number, named(r, &place))),
            None => {
                let cause = FileFault::BadValue {
                    key: "spare".into(),
                    found: format!("\"{}\"", key.text),
                    expected: "the numbers of spare lines, 0 to 7".into(),
                    near: None,
                };
                r.report(key.span, cause);
            }
        }
    }
    lines
}

fn machine<'a>(r: &mut Reader<'a>, root: &Table<'a>) -> Machine {
    let mut machine = Machine::default();
    if let Some(table) = root
        .get("machine")
        .and_then(|v| r.table("[machine]", v, &["power", "lines", "drives", "note"]))
    {
        if let Some(text) = r.text(&table, "power", "power = \"off\"") {
            let words = [("off", false), ("on", true)];
            machine.powered = r.word("power", &text, &words).unwrap_or_default();
        }
        if let Some(text) = r.text(&table, "lines", "lines = \"moving\"") {
            machine.lines = r.word("lines", &text, &BEHAVIOURS).unwrap_or(machine.lines);
        }
        let texts = r.texts(&table, "drives", "drives = [\"J3.9-16\"]");
        machine.drives = texts.iter().map(|t| named(r, t)).collect();
    }
    machine
}

/// `[adapter]` belongs to the emulated adapter, which checks its keys itself.
fn adapter<'a>(r: &mut Reader<'a>, root: &Table<'a>) -> AdapterSettings {
    let mut values = Vec::new();
    let Some(value) = root.get("adapter") else {
        return AdapterSettings::default();
    };
    let Some(table) = value.get_ref().as_table() else {
        r.report(
            value.span(),
            FileFault::WrongType {
                key: "adapter".into(),
                found: tables::type_of(value.get_ref()),
                expected: "a table",
                example: "[adapter] on a line of its own",
            },
        );
        return AdapterSettings::default();
    };
    for (key, value) in table.iter() {
        let taken = match value.get_ref() {
            DeValue::String(text) => Some(AdapterValue::Text(text.to_string())),
            DeValue::Boolean(flag) => Some(AdapterValue::Flag(*flag)),
            DeValue::Integer(n) => i64::from_str_radix(n.as_str(), n.radix())
                .ok()
                .map(AdapterValue::Number),
            DeValue::Float(n) => n.as_str().parse().ok().map(AdapterValue::Real),
            _ => None,
        };
        let at = r.locate(value.span());
        match taken {
            Some(taken) => values.push((key.get_ref().to_string(), taken, at)),
            None => r.report(
                value.span(),
                FileFault::WrongType {
                    key: key.get_ref().to_string(),
                    found: tables::type_of(value.get_ref()),
                    expected: "a text, a number, or true or false",
                    example: "chip = \"FT2232H\"",
                },
            ),
        }
    }
    values.sort_by_key(|(_, _, at)| (at.line, at.column));
    AdapterSettings { values }
}

fn device<'a>(r: &mut Reader<'a>, table: &Table<'a>, folder: &Path) -> Option<DeviceRow> {
    let idle = r.text(table, "idle", "idle = \"pull-up\"").and_then(|t| {
        let words = [
            ("float", Idle::Float),
            ("pull-up", Idle::PullUp),
            ("pull-down", Idle::PullDown),
        ];
        r.word("idle", &t, &words)
    });
    let mut mission = Vec::new();
    for (pins, what) in r.pairs(table, "mission", "mission = { 12 = \"high\" }") {
        if let Some(what) = r.word("mission", &what, &BEHAVIOURS) {
            mission.push((named(r, &pins), what));
        }
    }
    let engine = r
        .text(table, "engine", "engine = \"engine.toml\"")
        .map(|t| (folder.join(t.text), r.locate(t.span)));
    let mut pairs = Vec::new();
    for (from, to) in r.pairs(table, "flip_flops", "flip_flops = { 23 = \"2\" }") {
        pairs.push((named(r, &from), named(r, &to)));
    }
    let clock = r.text(table, "clock", "clock = \"1\"");
    let clock = clock.map(|t| named(r, &t));
    let enable = r.text(table, "enable", "enable = \"24\"");
    let enable = enable.map(|t| named(r, &t));
    let clock = match (clock, pairs.is_empty()) {
        (None, false) => need(r, table, "clock", "clock = \"1\""),
        (clock, _) => clock,
    };
    let flip_flops = clock.map(|clock| FlipFlops {
        clock,
        enable,
        pairs,
    });
    let ohms = r.whole(table, "pull_ohms", 1_000..=10_000_000, "pull_ohms = 25_000");
    Some(DeviceRow {
        idcode: code(r, table, "idcode"),
        usercode: code(r, table, "usercode"),
        idle: idle.unwrap_or_default(),
        pull_ohms: ohms.unwrap_or(25_000),
        configured: r
            .flag(table, "configured", "configured = true")
            .unwrap_or(false),
        mission,
        engine,
        flip_flops,
        name: need(r, table, "name", "name = \"U1\"")?,
    })
}
