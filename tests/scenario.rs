//! The program on the knitting machine: every bench of the scenario, its verdicts held against the faults that the
//! bench file injects. The truth is worked out here from bench, board and harness file as plain TOML and CSV; nothing of
//! the program is used for it.

#![allow(clippy::print_stdout, reason = "tests say how much ran")]

#[path = "support/corpus.rs"]
mod corpus;

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;
use toml::Table;

const BOARD: &str = "fixtures/knitting-machine/board.toml";

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// Runs the program from the workspace root; gives its exit status and its one JSON document.
fn taploom(arguments: &[&str]) -> (i32, Value) {
    // Records stay out of the user's own state folder.
    let state = Path::new(env!("CARGO_TARGET_TMPDIR")).join("state");
    let out = Command::new(env!("CARGO_BIN_EXE_taploom"))
        .args(arguments)
        .arg("--json")
        .current_dir(root())
        .env("XDG_STATE_HOME", &state)
        .env("NO_COLOR", "1")
        .output()
        .expect("the program starts");
    let text = String::from_utf8_lossy(&out.stdout);
    let said = String::from_utf8_lossy(&out.stderr);
    let exit = out
        .status
        .code()
        .unwrap_or_else(|| panic!("{arguments:?}: no exit status\n{said}"));
    let document = serde_json::from_str(&text)
        .unwrap_or_else(|e| panic!("{arguments:?}: {e}\n{text}\n{said}"));
    (exit, document)
}

fn table(path: &Path) -> Table {
    let text = fs::read_to_string(path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    text.parse()
        .unwrap_or_else(|e| panic!("{}: {e}", path.display()))
}

/// The benches of the scenario's folder by name: all TOML files with a `[bench]` table.
fn benches() -> BTreeMap<String, (PathBuf, Table)> {
    let folder = root().join(BOARD).parent().expect("a folder").to_path_buf();
    let files = fs::read_dir(folder)
        .expect("the scenario")
        .map(|e| e.expect("the scenario").path());
    let tables = files
        .filter(|f| f.extension().is_some_and(|e| e == "toml"))
        .map(|f| (table(&f), f));
    let benches = tables.filter(|(t, _)| t.contains_key("bench"));
    benches
        .map(|(t, f)| {
            (
                f.file_stem()
                    .expect("a name")
                    .to_string_lossy()
                    .into_owned(),
                (f, t),
            )
        })
        .collect()
}

/// A verdict: its first word and what it is with, sorted.
type Verdict = (String, Vec<String>);

/// What each wire is on this bench.
fn truth(bench: &Table) -> BTreeMap<String, Verdict> {
    let harness = fs::read_to_string(root().join("fixtures/knitting-machine/harness.csv"))
        .expect("the harness");
    let mut wires: BTreeMap<String, Verdict> = harness
        .lines()
        .skip(1)
        .map(|line| {
            let columns: Vec<_> = line.split(',').collect();
            let verdict = if columns[5] == "supply" {
                "untested"
            } else {
                "good"
            };
            (columns[0].to_string(), (verdict.to_string(), vec![]))
        })
        .collect();
    let text =
        |fault: &Table, key: &str| fault.get(key).and_then(|v| v.as_str()).map(str::to_string);
    for fault in list(bench, "fault") {
        let moved = ["shifted", "turned"];
        if text(fault, "kind").is_some_and(|k| moved.contains(&k.as_str())) {
            wires.extend(moved_wires(fault, &harness));
            continue;
        }
        if text(fault, "kind").as_deref() == Some("dead") {
            // IC7, the one part of the board that can be dead, carries J3.9 to J3.16.
            assert_eq!(text(fault, "part").as_deref(), Some("IC7"));
            let behind = |line: &str| (9..=16).any(|n| line.contains(&format!(",J3.{n},")));
            for line in harness.lines().filter(|l| behind(l)) {
                let label = line.split(',').next().expect("a label").to_string();
                wires.insert(label, ("open".to_string(), vec![]));
            }
            continue;
        }
        let labels: Vec<_> = match fault.get("wires").and_then(|v| v.as_array()) {
            Some(labels) => labels
                .iter()
                .map(|l| l.as_str().expect("a label").to_string())
                .collect(),
            None => vec![text(fault, "wire").expect("a wire")],
        };
        let kind = text(fault, "kind").expect("a kind");
        for label in &labels {
            let others = labels.iter().filter(|l| *l != label).cloned().collect();
            let verdict = match kind.as_str() {
                "open" => ("open".to_string(), vec![]),
                "intermittent" => ("unsteady".to_string(), vec![]),
                "short" => ("short".to_string(), others),
                "swap" => ("swapped".to_string(), others),
                "stuck" => (
                    format!("stuck-{}", text(fault, "level").expect("a level")),
                    vec![],
                ),
                "misplaced" => (
                    "misplaced".to_string(),
                    vec![device_pin(&text(fault, "pin").expect("a pin"))],
                ),
                other => panic!("a fault of kind {other}, whose verdict this test does not know"),
            };
            wires.insert(label.clone(), verdict);
        }
    }
    wires
}

/// What becomes of the wires whose ends at a plug have all moved: on the pin of another signal they are misplaced, or
/// swapped where that one is on theirs; beyond the pins they are open. Where a supply or ground would be at either end
/// nothing may be driven.
fn moved_wires(fault: &Table, harness: &str) -> Vec<(String, Verdict)> {
    let at = fault["at"].as_str().expect("a plug");
    let only: Option<Vec<&str>> = (fault.get("wires").and_then(|v| v.as_array()))
        .map(|l| l.iter().map(|w| w.as_str().expect("a label")).collect());
    let board = table(&root().join(BOARD));
    // Label, pin at the plug, and whether it is a supply or ground wire.
    let rows: Vec<(String, i64, bool)> = (harness.lines().skip(1))
        .map(|line| {
            let columns: Vec<_> = line.split(',').collect();
            let place = [columns[2], columns[3]]
                .into_iter()
                .find_map(|p| p.strip_prefix(&format!("{at}.")))
                .expect("an end at the plug");
            let number = place.parse().expect("a pin number");
            (columns[0].to_string(), number, columns[5] == "supply")
        })
        .collect();
    let lands = |home: i64| match fault["kind"].as_str() {
        Some("turned") => (home + 13) % 28 + 1,
        _ => home + fault["by"].as_integer().expect("a number"),
    };
    let device_pin = |pin: i64| -> Option<String> {
        let pin = pin.to_string();
        let socket = list(&board, "socket").find(|s| s["name"].as_str() == Some(at));
        match socket {
            Some(socket) => Some(socket["clip"].get(&pin)?.as_str()?.to_string()),
            None => Some(device_pin_in(&board, at, &pin)),
        }
    };
    let mut moved = Vec::new();
    for (label, home, power) in &rows {
        let listed = only.as_ref().is_none_or(|o| o.contains(&label.as_str()));
        if *power || !listed {
            continue;
        }
        let landed = lands(*home);
        let there = rows.iter().find(|(_, pin, _)| *pin == landed);
        let verdict = match there {
            _ if landed < 1 => ("open".to_string(), vec![]),
            Some((_, _, true)) => ("untested".to_string(), vec![]),
            Some((other, pin, _)) if lands(*pin) == *home => {
                ("swapped".to_string(), vec![other.clone()])
            }
            _ => (
                "misplaced".to_string(),
                vec![device_pin(landed).expect("a scan pin")],
            ),
        };
        moved.push((label.clone(), verdict));
    }
    moved
}

/// The device pin behind a pin of a header: straight, or through a part in between.
fn device_pin_in(board: &Table, header: &str, pin: &str) -> String {
    let connector = list(board, "connector")
        .find(|c| c["name"].as_str() == Some(header))
        .expect("the header");
    let number: u32 = pin.parse().expect("a pin number");
    // `"17-21" = "U1.12-16"`: the n-th of one range goes to the n-th of the other.
    let within = |from: &str, to: &str| -> Option<String> {
        let bounds = |text: &str| -> Option<(u32, u32)> {
            let (a, b) = text.split_once('-').unwrap_or((text, text));
            Some((a.parse().ok()?, b.parse().ok()?))
        };
        let (first, last) = bounds(from.trim_start_matches(&format!("{header}.")))?;
        if !(first..=last).contains(&number) {
            return None;
        }
        let (device, pins) = to.split_once('.')?;
        match bounds(pins) {
            Some((start, _)) => Some(format!("{device}.{}", start + number - first)),
            None => Some(to.to_string()),
        }
    };
    let declared = connector["pins"].as_table().expect("pins").iter();
    let traces = declared.filter_map(|(from, to)| Some((from.clone(), to.as_str()?.to_string())));
    let parts = list(board, "part").filter_map(|p| {
        let pair = match p.get("between").and_then(|b| b.as_array()) {
            Some(pair) => [pair[0].as_str()?, pair[1].as_str()?],
            None => [p["from"].as_str()?, p["to"].as_str()?],
        };
        Some((pair[0].to_string(), pair[1].to_string()))
    });
    (traces.chain(parts))
        .find_map(|(from, to)| within(&from, &to))
        .unwrap_or_else(|| panic!("nothing is behind {header}.{pin}"))
}

/// The device pin that the board file joins to a header pin.
fn device_pin(place: &str) -> String {
    let (header, pin) = place.split_once('.').expect("header and pin");
    let board = table(&root().join(BOARD));
    let connector = list(&board, "connector")
        .find(|c| c["name"].as_str() == Some(header))
        .expect("the header");
    connector["pins"][pin]
        .as_str()
        .expect("a device pin")
        .to_string()
}

fn list<'a>(table: &'a Table, name: &str) -> impl Iterator<Item = &'a Table> {
    table
        .get(name)
        .and_then(|v| v.as_array())
        .into_iter()
        .flatten()
        .map(|v| v.as_table().expect("a table"))
}

fn verdicts(document: &Value) -> BTreeMap<String, Verdict> {
    let wires = document["wires"]
        .as_array()
        .unwrap_or_else(|| panic!("no wires: {document}"));
    wires
        .iter()
        .map(|wire| {
            let with = wire["with"].as_array().into_iter().flatten();
            let mut with: Vec<_> = with
                .map(|w| w.as_str().expect("a text").to_string())
                .collect();
            with.sort();
            let text = |key: &str| {
                wire[key]
                    .as_str()
                    .unwrap_or_else(|| panic!("{key}: {wire}"))
                    .to_string()
            };
            (text("label"), (text("verdict"), with))
        })
        .collect()
}

fn fights(document: &Value) -> u64 {
    let fights = &document["simulated"]["fights"];
    let many = fights.as_array().map(|list| list.len() as u64);
    fights
        .as_u64()
        .or(many)
        .unwrap_or_else(|| panic!("no fights: {}", document["simulated"]))
}

/// Wires whose verdict is not the truth, as text; empty if all are right.
fn wrong(seen: &BTreeMap<String, Verdict>, truth: &BTreeMap<String, Verdict>) -> Vec<String> {
    let labels: std::collections::BTreeSet<_> = seen.keys().chain(truth.keys()).collect();
    let differs = labels.into_iter().filter(|l| seen.get(*l) != truth.get(*l));
    differs
        .map(|l| format!("{l}: seen {:?}, truth {:?}", seen.get(l), truth.get(l)))
        .collect()
}

#[test]
fn both_ends_gives_exactly_the_injected_verdicts() {
    let mut ran = 0;
    for (name, (path, bench)) in benches() {
        let clip = bench["bench"].get("with").is_some();
        let powered = bench.get("machine").is_some();
        if !clip || powered || list(&bench, "chain_fault").next().is_some() {
            continue;
        }
        let path = path.display().to_string();
        let (exit, document) = taploom(&[
            "ringout",
            BOARD,
            "--by",
            "both-ends",
            "--machine",
            "off",
            "--yes",
            "--simulate",
            &path,
        ]);
        let truth = truth(&bench);
        assert_eq!(
            wrong(&verdicts(&document), &truth),
            Vec::<String>::new(),
            "{name}"
        );
        let faulty = truth
            .values()
            .any(|(verdict, _)| verdict != "good" && verdict != "untested");
        assert_eq!(exit, i32::from(faulty), "{name}");
        assert_eq!(fights(&document), 0, "{name}");
        assert_eq!(document["simulated"]["left_safe"], true, "{name}");
        ran += 1;
    }
    println!("{ran} benches rung out");
    assert!(ran >= 12, "only {ran} benches");
}

/// The comparison above can fail: a planted false good and a wrong partner are seen.
#[test]
fn a_false_good_is_noticed() {
    let (_, bench) = &benches()["two-faults"];
    let truth = truth(bench);
    assert_eq!(truth["W07"], ("swapped".into(), vec!["W08".into()]));
    assert_eq!(truth["W19"], ("open".into(), vec![]));
    for planted in [
        ("good".to_string(), vec![]),
        ("swapped".to_string(), vec!["W09".to_string()]),
    ] {
        let mut seen = truth.clone();
        seen.insert("W07".into(), planted);
        assert_eq!(wrong(&seen, &truth).len(), 1);
    }
    let mut seen = truth.clone();
    seen.remove("W03");
    assert_eq!(wrong(&seen, &truth).len(), 1);
}

#[test]
fn scan_says_what_each_chain_is() {
    for (name, (path, bench)) in benches() {
        let (exit, document) = taploom(&["scan", BOARD, "--simulate", &path.display().to_string()]);
        let faults: Vec<_> = list(&bench, "chain_fault").collect();
        match faults.as_slice() {
            [] => {
                assert_eq!(exit, 0, "{name}: {document}");
                let devices = document["devices"].as_array().expect("devices");
                let clip = bench["bench"].get("with").is_some();
                assert_eq!(devices.len(), 4 + usize::from(clip), "{name}");
                assert!(
                    devices.iter().all(|d| d["verdict"] == "as declared"),
                    "{name}: {document}"
                );
            }
            [fault] if fault["kind"].as_str() == Some("wrong-device") => {
                assert_eq!(exit, 1, "{name}: {document}");
                let wanted = fault["device"].as_str().expect("a device");
                let devices = document["devices"].as_array().expect("devices");
                let verdict = |name: &str| {
                    devices
                        .iter()
                        .find(|d| d["name"] == name)
                        .map(|d| d["verdict"].clone())
                };
                assert_eq!(
                    verdict(wanted),
                    Some("wrong part".into()),
                    "{name}: {document}"
                );
                assert_eq!(
                    verdict("U1"),
                    Some("as declared".into()),
                    "{name}: {document}"
                );
            }
            _ => {
                assert!(exit == 1 || exit == 3, "{name}: exit {exit}: {document}");
                let told = document.to_string();
                assert!(
                    told.contains("U2") && told.contains("U3"),
                    "{name}: which devices: {document}"
                );
            }
        }
    }
}

#[test]
fn the_image_goes_into_u1() {
    let (exit, document) = taploom(&[
        "load",
        BOARD,
        "U1",
        "fixtures/knitting-machine/pattern-tap.bin",
        "--machine",
        "off",
        "--yes",
        "--simulate",
        "fixtures/knitting-machine/as-drawn.toml",
    ]);
    assert_eq!(exit, 0, "{document}");
    assert_eq!(document["payload_bits"], 8 * 49_222, "{document}");
    assert_eq!(fights(&document), 0);
    assert_eq!(document["simulated"]["left_safe"], true);
}

/// What does not fit is refused or failed with a status that says so: the image of another part, a damaged one, half of
/// one.
#[test]
fn images_that_do_not_fit_are_not_told_as_loaded() {
    let image =
        fs::read(root().join("fixtures/knitting-machine/pattern-tap.bin")).expect("the image");
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR"));
    let mut damaged = image.clone();
    damaged[20_000] ^= 0x04;
    let cases = [
        ("damaged", "U1", damaged, "CRC_ERROR"),
        ("half", "U1", image[..24_000].to_vec(), "24000 bytes"),
        ("for-another-part", "U2", image, "JACQUARD_256"),
    ];
    for (name, device, bytes, reason) in cases {
        let file = folder.join(format!("{name}-{}.bin", std::process::id()));
        fs::write(&file, bytes).expect("the build folder can be written");
        let file = file.display().to_string();
        let bench = "fixtures/knitting-machine/as-drawn-no-clip.toml";
        let (exit, document) = taploom(&[
            "load",
            BOARD,
            device,
            &file,
            "--machine",
            "off",
            "--yes",
            "--simulate",
            bench,
        ]);
        assert_eq!(exit, 1, "{name}: {document}");
        assert_eq!(document["ok"], false, "{name}: {document}");
        assert!(
            document["findings"].to_string().contains(reason),
            "{name}: {document}"
        );
        assert_eq!(fights(&document), 0, "{name}");
        fs::remove_file(file).expect("our own file");
    }
}

/// Real files: four devices of the corpus by seed, scanned through the whole program.
#[test]
fn chains_of_real_devices_are_as_declared() {
    let Some(folder) = corpus::folder() else {
        println!("skipped: TAPLOOM_CORPUS is not set");
        return;
    };
    let devices = corpus::devices(&folder);
    let seeds = if std::env::var("TAPLOOM_TESTS").as_deref() == Ok("full") {
        100
    } else {
        25
    };
    let mut files = std::collections::BTreeSet::new();
    for seed in 0..seeds {
        let made = corpus::board(&devices, seed);
        let (board, bench) = (
            made.board.display().to_string(),
            made.bench.display().to_string(),
        );
        let (exit, document) = taploom(&["scan", &board, "--simulate", &bench]);
        assert_eq!(exit, 0, "seed {seed}: {document}");
        let found = document["devices"].as_array().expect("devices");
        assert_eq!(found.len(), 4, "seed {seed}: {document}");
        for (position, (found, device)) in found.iter().zip(&made.devices).enumerate() {
            assert_eq!(found["position"], position + 1, "seed {seed}: {document}");
            assert_eq!(
                found["entity"],
                device.entity.as_str(),
                "seed {seed}: {document}"
            );
            assert_eq!(
                found["ir_length"], device.ir_length,
                "seed {seed}: {document}"
            );
            assert_eq!(found["verdict"], "as declared", "seed {seed}: {document}");
        }
        let total: u32 = made.devices.iter().map(|d| d.ir_length).sum();
        assert_eq!(
            document["chain"]["ir_length_total"], total,
            "seed {seed}: {document}"
        );
        assert_eq!(fights(&document), 0, "seed {seed}");
        files.extend(made.devices.iter().map(|d| d.file.clone()));
    }
    println!(
        "{seeds} chains scanned, made of {} real files, left out {:?}",
        files.len(),
        corpus::LEFT_OUT
    );
}
