//! Holds the rooms of `src/` to the table of the house (DEVELOPERS.md): who may use whom.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// A room, what it may use beside itself, and files that may use more.
#[rustfmt::skip]
const TABLE: &[(&str, &[&str])] = &[
    ("bits", &[]),
    ("files", &[]),
    ("tables", &["files"]),
    ("tap", &["bits"]),
    ("transport", &["bits", "tap", "tables"]),
    ("library", &["files"]),
    ("board", &["files", "tables", "library"]),
    ("chain", &["bits", "tap"]),
    ("boundary", &["bits", "tap", "tables", "board", "chain"]),
    ("ringout", &["bits", "tap", "board", "chain", "boundary"]),
    ("svf", &["bits", "tap"]),
    ("load", &["bits", "tap", "board", "chain", "boundary", "svf", "files", "tables"]),
    ("simulator", &["bits", "tap", "board", "files", "tables"]),
    ("session", &["files", "bits", "tap", "transport", "library", "board", "chain", "boundary", "ringout", "svf", "load", "simulator"]),
    ("script", &["bits", "files", "tap", "board", "chain", "boundary", "ringout", "svf", "load", "session"]),
    ("report", &["bits", "tap", "library", "board", "chain", "boundary", "ringout", "svf", "load", "simulator", "session", "script"]),
    ("cli", &["files", "tap", "transport", "library", "board", "chain", "boundary", "ringout", "svf", "load", "simulator", "session", "script", "report"]),
];

/// Single files with wider rights, and exact paths with narrower ones.
const EXCEPTIONS: &[(&str, &str, &str)] = &[
    // (file, path that it may use, why)
    (
        "chain/compare.rs",
        "board",
        "the one place where the chain is held against the board",
    ),
    ("chain/mod.rs", "board", "names what compare gives"),
    ("chain/tests/compare.rs", "board", "tries compare"),
    (
        "simulator/",
        "transport::Usb",
        "the trait, not the encoders",
    ),
    (
        "tap/instructions.rs",
        "boundary::Guarded",
        "one of the two permits for instructions",
    ),
    (
        "tap/instructions.rs",
        "load::play::PastGuard",
        "the other permit",
    ),
    ("simulator/", "transport::UsbError", "the trait's error"),
    ("simulator/", "transport::UsbCounts", "the trait's counts"),
];

fn files(folder: &Path, out: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            files(&path, out);
        } else if path.extension().is_some_and(|e| e == "rs") {
            out.push(path);
        }
    }
}

/// The paths behind `crate::` in a file, groups in braces taken apart.
fn crate_paths(text: &str) -> Vec<String> {
    let mut found = Vec::new();
    let code: String = text
        .lines()
        .map(|l| l.split("//").next().unwrap_or_default())
        .collect::<Vec<_>>()
        .join("\n");
    for (at, _) in code.match_indices("crate::") {
        // `$crate::`, `pub(crate)` and words that merely end in `crate` are no paths of ours.
        if code[..at].ends_with(|c: char| c.is_alphanumeric() || c == '_') {
            continue;
        }
        let rest = &code[at + "crate::".len()..];
        let end = rest.find(';').unwrap_or(rest.len());
        let rest: String = rest[..end].chars().filter(|c| !c.is_whitespace()).collect();
        expand("", &rest, &mut found);
    }
    found
}

/// Adds the path that `text` begins with, or one path for each item of its group.
fn expand(prefix: &str, text: &str, found: &mut Vec<String>) {
    let head: String = text
        .chars()
        .take_while(|c| c.is_alphanumeric() || *c == '_' || *c == ':')
        .collect();
    let path = format!("{prefix}{head}");
    let Some(group) = text[head.len()..].strip_prefix('{') else {
        found.push(path);
        return;
    };
    let (mut depth, mut start) = (0, 0);
    for (i, c) in group.char_indices() {
        match c {
            '{' => depth += 1,
            '}' | ',' if depth == 0 => {
                if i > start {
                    expand(&path, &group[start..i], found);
                }
                start = i + 1;
                if c == '}' {
                    break;
                }
            }
            '}' => depth -= 1,
            _ => {}
        }
    }
}

/// Everything in `text`, a file of `room`, that the table does not allow.
fn offences(room: &str, file: &str, text: &str, table: &BTreeMap<&str, &[&str]>) -> Vec<String> {
    crate_paths(text)
        .into_iter()
        .filter(|path| {
            let target = path.split("::").next().unwrap_or_default();
            let excepted = EXCEPTIONS.iter().any(|(f, allowed, _)| {
                file.starts_with(f)
                    && (path == allowed || path.starts_with(&format!("{allowed}::")))
            });
            target != room
                && table.contains_key(target)
                && !table[room].contains(&target)
                && !excepted
        })
        .map(|path| format!("{file} uses crate::{path}"))
        .collect()
}

#[test]
fn every_room_uses_only_what_the_table_allows() {
    let table: BTreeMap<&str, &[&str]> = TABLE.iter().copied().collect();
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut all = Vec::new();
    let (mut list, mut seen) = (Vec::new(), 0);
    files(&source, &mut list);
    for path in list {
        let inner = path
            .strip_prefix(&source)
            .unwrap()
            .to_string_lossy()
            .replace('\\', "/");
        let Some((room, _)) = inner.split_once('/') else {
            continue;
        };
        assert!(
            table.contains_key(room),
            "{room} has no row in the table of the house"
        );
        seen += 1;
        all.extend(offences(
            room,
            &inner,
            &std::fs::read_to_string(&path).unwrap(),
            &table,
        ));
    }
    assert!(all.is_empty(), "{}", all.join("\n"));
    assert!(seen > 20, "only {seen} files read");
}

#[test]
fn a_planted_import_is_seen() {
    let table: BTreeMap<&str, &[&str]> = TABLE.iter().copied().collect();
    let see = |room: &str, file: &str, text: &str| offences(room, file, text, &table);
    assert_eq!(
        see("bits", "bits/mod.rs", "use crate::tap::TapState;"),
        ["bits/mod.rs uses crate::tap::TapState"]
    );
    assert_eq!(
        see(
            "simulator",
            "simulator/mod.rs",
            "use crate::{bits::Bits, transport::{Usb, mpsse::Encoder}};"
        )
        .len(),
        1
    );
    assert!(
        see(
            "simulator",
            "simulator/adapter/mod.rs",
            "use crate::transport::{Usb, UsbError};"
        )
        .is_empty()
    );
    assert_eq!(
        see("chain", "chain/discover.rs", "let b: crate::board::Board;").len(),
        1
    );
    assert!(see("chain", "chain/compare.rs", "use crate::board::Board;").is_empty());
    assert!(
        see(
            "bits",
            "bits/mod.rs",
            "// crate::tap is named in a comment only"
        )
        .is_empty()
    );
}
