//! Real BSDL files, in place: `TAPLOOM_CORPUS=FOLDER cargo test -p taploom-bsdl --test corpus`.
//!
//! Every number is held against a second count, made here by regular expressions that share no code with the reader.
//! Without the variable nothing is read, and the test says so.
#![allow(
    clippy::print_stderr,
    reason = "the inventory is what one runs this for"
)]

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use regex::Regex;
use taploom_bsdl::model::{Device, Edition};
use taploom_bsdl::{Options, Severity, parse, print};

/// Files that are not read with the right numbers, each with the reason.
const LEFT_OUT: &[(&str, &str)] = &[];

/// Faults of the files themselves that the reader rightly calls errors: file and code.
const KNOWN_ERRORS: &[(&str, &str)] = &[
    // A fragment: no EXTEST, no SAMPLE, a capture of nothing but X.
    ("49c69c4816", "B405"),
    ("49c69c4816", "B407"),
    ("49c69c4816", "B413"),
];

fn files() -> Vec<(String, Vec<u8>)> {
    let Some(folder) = std::env::var_os("TAPLOOM_CORPUS").filter(|f| !f.is_empty()) else {
        // A full run skips nothing.
        assert_ne!(
            std::env::var("TAPLOOM_TESTS").as_deref(),
            Ok("full"),
            "TAPLOOM_CORPUS is not set"
        );
        return Vec::new();
    };
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("..");
    let folder: PathBuf = root.join(folder).join("bsdl");
    let entries =
        std::fs::read_dir(&folder).unwrap_or_else(|cause| panic!("{}: {cause}", folder.display()));
    let mut files: Vec<_> = entries
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|e| e == "bsd"))
        .map(|path| {
            (
                path.file_stem().unwrap().to_string_lossy().into_owned(),
                std::fs::read(&path).unwrap(),
            )
        })
        .collect();
    files.sort();
    files
}

/// The numbers that both sides count.
#[derive(Debug, PartialEq)]
struct Count {
    entity: String,
    instruction_length: u32,
    boundary_length: u32,
    numbers: BTreeSet<u32>,
    lines: usize,
    by_function: BTreeMap<String, usize>,
    ports: BTreeMap<String, (String, u64)>,
    opcodes: BTreeMap<String, Vec<String>>,
    capture: String,
    idcode: String,
    pins: usize,
}

fn by_reader(d: &Device) -> Count {
    let mut by_function = BTreeMap::new();
    for cell in &d.cells {
        *by_function
            .entry(cell.function.as_str().to_lowercase())
            .or_default() += 1;
    }
    let map = &d.pin_maps[0];
    Count {
        entity: d.entity.clone(),
        instruction_length: d.instruction_length,
        boundary_length: d.boundary_length,
        numbers: d.cells.iter().map(|c| c.number).collect(),
        lines: d.cells.len(),
        by_function,
        ports: d
            .ports
            .iter()
            .map(|p| (p.name.clone(), (p.mode.as_str().to_owned(), p.width())))
            .collect(),
        opcodes: d
            .instructions
            .iter()
            .map(|i| {
                (
                    i.name.clone(),
                    i.opcodes.iter().map(ToString::to_string).collect(),
                )
            })
            .collect(),
        capture: d
            .instruction_capture
            .as_ref()
            .map(ToString::to_string)
            .unwrap_or_default(),
        idcode: d
            .idcodes
            .iter()
            .map(ToString::to_string)
            .collect::<Vec<_>>()
            .join(","),
        pins: map.len(),
    }
}

fn by_regex(text: &str) -> Count {
    let re = |pattern: &str| Regex::new(&format!("(?is){pattern}")).unwrap();
    let text = re(r"--[^\n]*").replace_all(text, "");
    let one = |pattern: &str| {
        re(pattern)
            .captures(&text)
            .map(|c| c[1].to_owned())
            .unwrap_or_default()
    };
    // The strings of an attribute's value, joined.
    let joined = |start: &str| {
        let value = one(&format!(r"{start}\s*((?:&?\s*\x22[^\x22]*\x22\s*)+)"));
        re(r"\x22\s*&\s*\x22|\x22")
            .replace_all(&value, "")
            .into_owned()
    };
    let attribute =
        |name: &str| joined(&format!(r"attribute\s+{name}\s+of\s+\w+\s*:\s*entity\s+is"));
    let number = |name: &str| {
        one(&format!(
            r"attribute\s+{name}\s+of\s+\w+\s*:\s*entity\s+is\s+(\d+)"
        ))
    };
    let table = attribute("BOUNDARY_REGISTER");
    let line = re(
        r"(\d+)\s*\(\s*\w+\s*,\s*(?:\*|\w+\s*(?:\(\s*\d+\s*\))?)\s*,\s*(\w+)\s*,\s*[01X]\s*(?:,[^)]*)?\)",
    );
    let mut by_function = BTreeMap::new();
    let mut numbers = BTreeSet::new();
    let mut lines = 0;
    for c in line.captures_iter(&table) {
        numbers.insert(c[1].parse().unwrap());
        *by_function.entry(c[2].to_lowercase()).or_default() += 1;
        lines += 1;
    }
    let port_list = one(r"\bport\s*\((.*?)\)\s*;\s*use\b");
    let port = re(
        r"([\w\s,]+):\s*(in|out|buffer|inout|linkage)\s+bit(?:_vector\s*\(\s*(\d+)\s+\w+\s+(\d+)\s*\))?",
    );
    let mut ports = BTreeMap::new();
    for c in port.captures_iter(&port_list) {
        let edge = |i: usize| c.get(i).map_or(0, |m| m.as_str().parse::<u64>().unwrap());
        let width = edge(3).abs_diff(edge(4)) + 1;
        for name in c[1].split(',') {
            ports.insert(name.trim().to_owned(), (c[2].to_lowercase(), width));
        }
    }
    let opcode = re(r"(\w+)\s*\(([01X,\s]+)\)");
    let opcodes = attribute("INSTRUCTION_OPCODE");
    let opcodes = opcode.captures_iter(&opcodes).map(|c| {
        (
            c[1].to_owned(),
            c[2].split(',')
                .map(|code| code.trim().to_uppercase())
                .collect(),
        )
    });
    let map = joined(r"constant\s+\w+\s*:\s*PIN_MAP_STRING\s*:=");
    let pins = re(r":\s*\(([^)]*)\)|:\s*(\w+)")
        .captures_iter(&map)
        .map(|c| c.get(1).map_or(1, |list| list.as_str().split(',').count()))
        .sum();
    Count {
        entity: one(r"\bentity\s+(\w+)\s+is"),
        instruction_length: number("INSTRUCTION_LENGTH").parse().unwrap(),
        boundary_length: number("BOUNDARY_LENGTH").parse().unwrap(),
        numbers,
        lines,
        by_function,
        ports,
        opcodes: opcodes.collect(),
        capture: attribute("INSTRUCTION_CAPTURE").trim().to_uppercase(),
        idcode: attribute("IDCODE_REGISTER")
            .replace(char::is_whitespace, "")
            .to_uppercase(),
        pins,
    }
}

#[test]
fn every_real_file_is_read_with_the_right_numbers() {
    let files = files();
    if files.is_empty() {
        eprintln!("TAPLOOM_CORPUS is not set: no real file was read");
        return;
    }
    let mut totals = [0; 5];
    let mut editions: BTreeMap<Option<Edition>, usize> = BTreeMap::new();
    let mut codes: BTreeMap<(Severity, &str), usize> = BTreeMap::new();
    let mut read = 0;
    let mut wrong = Vec::new();
    for (name, bytes) in &files {
        if LEFT_OUT.iter().any(|(left, _)| left == name) {
            continue;
        }
        let outcome = parse(bytes, &Options::default());
        let device = outcome
            .device
            .as_ref()
            .unwrap_or_else(|| panic!("{name}: no device"));
        let text: String = bytes.iter().map(|&b| b as char).collect();
        let (seen, expected) = (by_reader(device), by_regex(&text));
        if seen != expected {
            wrong.push(format!("{name}: {seen:?}\nexpected {expected:?}"));
        }
        // The table is whole: as many numbers as the length says.
        assert_eq!(
            expected.numbers.len(),
            expected.boundary_length as usize,
            "{name}: the second count itself"
        );
        for d in &outcome.diagnostics {
            *codes.entry((d.severity, d.code)).or_default() += 1;
            if d.severity == Severity::Error && !KNOWN_ERRORS.contains(&(name, d.code)) {
                wrong.push(format!("{name}: {} {}", d.code, d.message));
            }
        }
        for ((_, code), _) in KNOWN_ERRORS
            .iter()
            .map(|k| (*k, ()))
            .filter(|((file, _), ())| file == name)
        {
            assert!(
                outcome.diagnostics.iter().any(|d| d.code == code),
                "{name}: {code} is no longer found"
            );
        }
        let printed = parse(print(device).as_bytes(), &Options::default())
            .device
            .expect("printed text is read");
        assert!(
            device.same_model(&printed),
            "{name}: the printed text reads differently"
        );
        *editions.entry(device.edition).or_default() += 1;
        let opcodes = device.instructions.iter().map(|i| i.opcodes.len()).sum();
        let counts = [
            device.cells.len(),
            device.ports.len(),
            expected.pins,
            device.instructions.len(),
            opcodes,
        ];
        totals
            .iter_mut()
            .zip(counts)
            .for_each(|(total, count)| *total += count);
        read += 1;
    }
    let [cells, ports, pins, instructions, opcodes] = totals;
    eprintln!(
        "{read} files read of {}, left out: {LEFT_OUT:?}",
        files.len()
    );
    eprintln!(
        "{cells} cells, {ports} ports, {pins} pins, {instructions} instructions, {opcodes} opcodes"
    );
    eprintln!("editions {editions:?}");
    eprintln!("diagnostics {codes:?}");
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// Takes out the `n`th place where `piece` stands in the boundary table, counted round.
fn without(text: &str, piece: &str, n: usize) -> Option<String> {
    let upper = text.to_ascii_uppercase();
    let table = upper.rfind("BOUNDARY_REGISTER")?;
    let table = table + text[table..].find('"')?;
    let places: Vec<_> = text[table..]
        .match_indices(piece)
        .map(|(i, _)| table + i)
        .collect();
    let at = *places.get(n % places.len().max(1))?;
    Some(format!("{}{}", &text[..at], &text[at + piece.len()..]))
}

/// Real files broken in their boundary tables: the fault is told, and no more than the lines at its place are lost.
#[test]
fn broken_real_files_lose_no_more_than_the_broken_line() {
    let mut broken = 0;
    let mut seed = 1usize;
    for (name, bytes) in files() {
        let text: String = bytes.iter().map(|&b| b as char).collect();
        let good = parse(&bytes, &Options::default()).device.unwrap();
        for piece in ["&", "\"", ",", "(", ")", "),", " ", ";"] {
            for _ in 0..6 {
                seed = seed
                    .wrapping_mul(6_364_136_223_846_793_005)
                    .wrapping_add(1_442_695_040_888_963_407);
                let Some(text) = without(&text, piece, seed >> 33) else {
                    continue;
                };
                let bytes: Vec<u8> = text.chars().map(|c| c as u8).collect();
                let outcome = parse(&bytes, &Options::default());
                let device = outcome.device.unwrap();
                let lost = good.cells.len() - device.cells.len();
                // A comment may hold the piece: then nothing is broken.
                assert!(
                    lost <= 2,
                    "{name} without a {piece:?}: {lost} lines lost, {:?}",
                    outcome.diagnostics
                );
                assert!(
                    lost == 0
                        || outcome
                            .diagnostics
                            .iter()
                            .any(|d| d.severity == Severity::Error),
                    "{name}"
                );
                assert_eq!(device.instructions.len(), good.instructions.len(), "{name}");
                broken += 1;
            }
        }
    }
    eprintln!("{broken} broken files were read");
}
