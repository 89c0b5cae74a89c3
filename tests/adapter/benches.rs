//! Every bench of the fixtures behind other chips: the program says the same of the board, whatever stands between.

use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;

/// A copy of the fixtures in which each bench has `chip` as its adapter.
pub(crate) fn fixtures_on(chip: &str, test: &str) -> PathBuf {
    let to = Path::new(env!("CARGO_TARGET_TMPDIR")).join(format!("{test}-{chip}"));
    copy(
        &Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures"),
        &to,
        chip,
    );
    to
}

fn copy(from: &Path, to: &Path, chip: &str) {
    std::fs::create_dir_all(to).unwrap();
    for entry in std::fs::read_dir(from).unwrap() {
        let from = entry.unwrap().path();
        let to = to.join(from.file_name().unwrap());
        if from.is_dir() {
            copy(&from, &to, chip);
            continue;
        }
        let mut text = std::fs::read(&from).unwrap();
        if is_bench(&from) {
            let bench = String::from_utf8_lossy(&text).into_owned();
            assert!(!bench.contains("[adapter]"), "{}", from.display());
            text = format!("{bench}\n[adapter]\nchip = \"{chip}\"\n").into_bytes();
        }
        std::fs::write(to, text).unwrap();
    }
}

fn is_bench(path: &Path) -> bool {
    path.extension().is_some_and(|e| e == "toml")
        && std::fs::read_to_string(path).is_ok_and(|text| text.contains("[bench]"))
}

fn benches(folder: &Path) -> Vec<PathBuf> {
    let mut all: Vec<PathBuf> = std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| is_bench(path))
        .collect();
    all.sort();
    all
}

pub(crate) fn taploom(args: &[&str]) -> Value {
    let output = Command::new(env!("CARGO_BIN_EXE_taploom"))
        .args(args)
        .args(["--json", "--quiet"])
        .output()
        .unwrap();
    serde_json::from_slice(&output.stdout)
        .unwrap_or_else(|e| panic!("{args:?}: {e}\n{}", String::from_utf8_lossy(&output.stderr)))
}

/// What a run says of the board: devices or wires, without counts and times.
fn said(document: &Value) -> Value {
    let of = |rows: &str, keys: &[&str]| -> Value {
        let rows = document[rows].as_array().cloned().unwrap_or_default();
        rows.iter()
            .map(|row| keys.iter().map(|k| row[*k].clone()).collect::<Value>())
            .collect()
    };
    serde_json::json!([
        document["exit"],
        document["error"]["kind"],
        of("devices", &["position", "idcode", "verdict"]),
        of("wires", &["label", "verdict", "with"]),
        document["simulated"]["fights"],
        document["simulated"]["left_safe"],
    ])
}

#[test]
fn every_bench_says_the_same_behind_every_kind_of_chip() {
    let mut runs = 0;
    let mut expected: Vec<(String, Value)> = Vec::new();
    for chip in ["FT2232H", "FT4233HP", "FT2232C", "FT-X", "FT232R"] {
        let fixtures = fixtures_on(chip, "benches");
        for folder in ["knitting-machine", "octal", "benchmark"] {
            let board = fixtures.join(folder).join("board.toml");
            let board = board.to_str().unwrap();
            for bench in benches(&fixtures.join(folder)) {
                let bench_path = bench.to_str().unwrap();
                let name = bench.file_stem().unwrap().to_str().unwrap();
                for command in ["scan", "ringout"] {
                    let mut args = vec!["--simulate", bench_path, command, board];
                    if command == "ringout" {
                        args.extend(["--machine", "off", "--yes"]);
                    }
                    let document = taploom(&args);
                    runs += 1;
                    let key = format!("{folder}/{name} {command}");
                    match expected.iter().find(|(k, _)| *k == key) {
                        Some((_, expected)) => {
                            assert_eq!(said(&document), *expected, "{chip}: {key}")
                        }
                        None => expected.push((key, said(&document))),
                    }
                }
            }
        }
    }
    println!("{runs} runs");
    assert!(runs >= 5 * 2 * 10, "{runs}");
    // The benches differ, so that sameness says something.
    let mut kinds: Vec<String> = expected.iter().map(|(_, v)| v.to_string()).collect();
    kinds.sort();
    kinds.dedup();
    assert!(kinds.len() >= 8, "{}", kinds.len());
}
