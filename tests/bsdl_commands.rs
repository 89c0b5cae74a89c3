//! The commands that know BSDL files and no hardware, through the program: `vet`, `describe`.

#![allow(clippy::print_stdout, reason = "tests print what they ran on")]

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use serde_json::Value;

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn taploom(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_taploom"))
        .current_dir(root())
        .args(arguments)
        .output()
        .unwrap()
}

/// Exit status and document of a run with `--json`.
fn document(arguments: &[&str]) -> (i32, Value) {
    let output = taploom(&[arguments, &["--json"]].concat());
    let document = serde_json::from_slice(&output.stdout).expect("one JSON document");
    (output.status.code().unwrap(), document)
}

/// Exit status and text of a run.
fn text(arguments: &[&str]) -> (i32, String) {
    let output = taploom(arguments);
    (
        output.status.code().unwrap(),
        String::from_utf8(output.stdout).unwrap(),
    )
}

/// A folder of this test's own.
fn folder(name: &str) -> PathBuf {
    let folder = std::env::temp_dir().join(format!("taploom-{name}-{}", std::process::id()));
    std::fs::create_dir_all(&folder).unwrap();
    folder
}

/// The octal device with something in it replaced.
fn broken(folder: &Path, name: &str, from: &str, to: &str) -> String {
    let text = std::fs::read_to_string(root().join("fixtures/bsdl/octal_8374.bsd")).unwrap();
    assert!(text.contains(from));
    let path = folder.join(name);
    std::fs::write(&path, text.replacen(from, to, 1)).unwrap();
    path.to_str().unwrap().to_owned()
}

#[test]
fn vet_names_the_place_itself_and_exits_by_what_it_found() {
    let folder = folder("vet");
    let file = broken(
        &folder,
        "a.bsd",
        "Q(5), output3, X, 16",
        "Q(5), output3, X, 99",
    );
    let (exit, vet) = document(&["vet", &file]);
    assert_eq!(
        (exit, &vet["schema"], &vet["ok"]),
        (1, &"taploom.vet.v1".into(), &false.into())
    );
    let entry = &vet["files"][0];
    assert_eq!(
        (&entry["path"], &entry["errors"]),
        (&file.as_str().into(), &1.into())
    );
    let d = &entry["diagnostics"][0];
    assert_eq!(
        (&d["code"], &d["severity"]),
        (&"B611".into(), &"error".into())
    );
    let source = std::fs::read_to_string(&file).unwrap();
    let line = source.lines().position(|l| l.contains("X, 99")).unwrap();
    assert_eq!((&d["line"], &d["column"]), (&(line + 1).into(), &6.into()));
    for field in ["message", "clause"] {
        assert!(d[field].is_string(), "{d}");
    }
    let (exit, shown) = text(&["vet", &file]);
    assert_eq!(exit, 1);
    assert!(shown.starts_with("error[B611]: "), "{shown}");
    assert!(
        shown.ends_with(&format!("{file}: 1 error\n")) && !shown.contains('\x1b'),
        "{shown}"
    );

    let (exit, vet) = document(&["vet", &file, "--warn", "b611"]);
    assert_eq!((exit, &vet["files"][0]["warnings"]), (0, &1.into()));
    let (exit, shown) = text(&["vet", &file, "--allow", "B611"]);
    assert_eq!(
        (exit, &*shown),
        (0, &*format!("{file}: nothing to complain of\n"))
    );

    // What cannot be read does not hide what can.
    let (exit, vet) = document(&["vet", "/no/such/file.bsd", &file]);
    assert_eq!((exit, &vet["error"]["kind"]), (2, &"file".into()));
    assert_eq!(vet["files"].as_array().unwrap().len(), 1);
    let (exit, vet) = document(&["vet", "src/cli"]);
    assert_eq!((exit, &vet["error"]["kind"]), (2, &"file".into()));
    std::fs::remove_dir_all(&folder).unwrap();
}

#[test]
fn vet_finds_the_fixtures_good_and_takes_folders() {
    let (exit, vet) = document(&["vet", "fixtures"]);
    let files = vet["files"].as_array().unwrap();
    assert_eq!(exit, i32::from(files.iter().any(|f| f["errors"] != 0)));
    for name in ["heddle_208.bsd", "octal_8374.bsd"] {
        let file = files
            .iter()
            .find(|f| f["path"].as_str().unwrap().ends_with(name))
            .unwrap();
        assert_eq!((&file["errors"], &file["warnings"]), (&0.into(), &0.into()));
    }
}

#[test]
fn strict_reading_and_denied_rules_make_errors() {
    let folder = folder("strict");
    let file = broken(&folder, "a.bsd", "entity is 18;", "entity is 18");
    assert_eq!(document(&["vet", &file]).0, 0);
    assert_eq!(document(&["vet", &file, "--strict"]).0, 1);
    assert_eq!(document(&["vet", &file, "--deny", "B003"]).0, 1);
    let (exit, failed) = document(&["vet", &file, "--deny", "B9999"]);
    assert_eq!((exit, &failed["error"]["kind"]), (2, &"usage".into()));
    std::fs::remove_dir_all(&folder).unwrap();
}

#[test]
fn every_rule_can_be_explained() {
    let (exit, all) = document(&["vet", "--explain"]);
    let codes = all["codes"].as_array().unwrap();
    assert!(exit == 0 && codes.len() > 60);
    let (exit, b601) = text(&["vet", "--explain", "b601"]);
    assert_eq!(exit, 0);
    for piece in [
        "B601  every number",
        "  why ",
        "entity LOOM is",
        "error[B601]",
    ] {
        assert!(b601.contains(piece), "{piece}: {b601}");
    }
    let (exit, none) = document(&["vet", "--explain", "B9999"]);
    assert_eq!(
        (exit, none["codes"].as_array().unwrap().len()),
        (2, codes.len())
    );
    assert_eq!(document(&["vet"]).0, 2);
}

const DEVICES: &str = "fixtures/knitting-machine/devices";

#[test]
fn describe_answers_in_the_shape_of_its_schema() {
    let (exit, d) = document(&["describe", &format!("{DEVICES}/bobbin_44.bsd")]);
    assert_eq!((exit, &d["schema"]), (0, &"taploom.describe.v1".into()));
    assert_eq!(
        (&d["entity"], &d["edition"]),
        (&"BOBBIN_44".into(), &"STD_1149_1_1994".into())
    );
    assert_eq!(d["packages"], serde_json::json!(["PL44"]));
    assert_eq!(
        (&d["instruction_length"], &d["instruction_capture"]),
        (&8.into(), &"00000001".into())
    );
    assert_eq!(d["instructions"]["EXTEST"], serde_json::json!(["00000000"]));
    assert_eq!(d["instructions"].as_object().unwrap().len(), 9);
    assert_eq!(
        d["idcodes"],
        serde_json::json!(["XXXX0010110001000100101000000001"])
    );
    assert_eq!(
        (&d["boundary_length"], d["cells"].as_array().unwrap().len()),
        (&90.into(), 90)
    );
    assert_eq!(
        d["cells"][1],
        serde_json::json!({
            "number": 1, "cell": "BC_1", "port": "MC1_1", "function": "OUTPUT3", "safe": "X",
            "control_cell": 0, "disable_value": 0, "disable_result": "Z",
        })
    );
    assert_eq!(
        d["cells"][0],
        serde_json::json!({
            "number": 0, "cell": "BC_1", "port": "*", "function": "CONTROL", "safe": "0",
            "control_cell": null, "disable_value": null, "disable_result": null,
        })
    );
    let port = |name: &str| {
        d["ports"]
            .as_array()
            .unwrap()
            .iter()
            .find(|p| p["name"] == name)
            .unwrap()
    };
    assert_eq!(
        *port("GND"),
        serde_json::json!({ "name": "GND", "direction": "linkage", "width": 4, "pins": ["1", "12", "23", "34"] })
    );
    let row = d["registers"]
        .as_array()
        .unwrap()
        .iter()
        .find(|r| r["name"] == "ROW")
        .unwrap();
    assert_eq!(
        (&row["length"], &row["instructions"]),
        (&26.into(), &serde_json::json!(["ROW_DATA"]))
    );
    assert!(d["diagnostics"].is_array());
}

/// Facts of the octal scan device: 24 pins of which pins 11 to 14 are the TAP; cell 16 merged (two lines).
#[test]
fn describe_gives_a_merged_cell_twice() {
    let (_, d) = document(&["describe", "fixtures/bsdl/octal_8374.bsd"]);
    let cells = d["cells"].as_array().unwrap();
    assert_eq!((&d["boundary_length"], cells.len()), (&18.into(), 19));
    let merged: Vec<_> = cells
        .iter()
        .filter(|c| c["number"] == 16)
        .map(|c| &c["function"])
        .collect();
    assert_eq!(merged, ["INPUT", "CONTROL"]);
    assert_eq!(d["instructions"]["BYPASS"].as_array().unwrap().len(), 5);
    assert_eq!(
        (&d["tap"]["TDO"]["pin"], &d["tap"]["TRST"]),
        (&"11".into(), &Value::Null)
    );
}

#[test]
fn describe_reads_as_it_should() {
    for name in ["heddle_208", "jacquard_256", "bobbin_44"] {
        let (exit, shown) = text(&["describe", &format!("{DEVICES}/{name}.bsd")]);
        assert_eq!(exit, 0);
        insta::assert_snapshot!(format!("describe_{name}"), shown);
    }
    let (_, shown) = text(&["describe", "fixtures/bsdl/octal_8374.bsd"]);
    insta::assert_snapshot!("describe_octal_8374", shown);
}

#[test]
fn describe_draws_and_says_what_it_cannot() {
    let folder = folder("draw");
    let heddle = format!("{DEVICES}/heddle_208.bsd");
    let target = folder.join("heddle.svg");
    let target = target.to_str().unwrap();
    assert_eq!(
        document(&["describe", &heddle, "--svg", target, "--package", "pq208"]).0,
        0
    );
    let drawn = std::fs::read_to_string(target).unwrap();
    assert!(drawn.starts_with("<svg") && drawn.ends_with("</svg>\n"));
    assert_eq!(std::fs::read_dir(&folder).unwrap().count(), 1);
    for (arguments, kind) in [
        (vec!["describe", &*heddle, "--package", "DIP8"], "file"),
        (vec!["describe", "/no/such/file"], "file"),
        (vec!["describe", "Cargo.toml"], "file"),
        (
            vec!["describe", &*heddle, "--svg", "/no/such/folder/a.svg"],
            "file",
        ),
        (vec!["describe"], "usage"),
    ] {
        let (exit, failed) = document(&arguments);
        assert_eq!(
            (exit, &failed["error"]["kind"]),
            (2, &kind.into()),
            "{arguments:?}"
        );
    }
    // A file with errors is described, and says so by its exit.
    let file = broken(
        &folder,
        "a.bsd",
        "Q(5), output3, X, 16",
        "Q(5), output3, X, 99",
    );
    let (exit, d) = document(&["describe", &file]);
    assert_eq!((exit, &d["diagnostics"][0]["code"]), (1, &"B611".into()));
    // Pins whose arrangement nobody knows are listed, and not drawn.
    let file = broken(&folder, "b.bsd", "CLK : 1,", "CLK : NORTH1,");
    let file = broken_again(&file, "OC_NEG : 24", "OC_NEG : NORTH2");
    let file = broken_again(&file, "GND : 6", "GND : NORTH3");
    let (exit, shown) = text(&["describe", &file]);
    assert!(
        exit == 0 && shown.contains("NORTH2  I     input"),
        "{shown}"
    );
    assert_eq!(document(&["describe", &file, "--svg", target]).0, 2);
    std::fs::remove_dir_all(&folder).unwrap();
}

fn broken_again(path: &str, from: &str, to: &str) -> String {
    let text = std::fs::read_to_string(path).unwrap();
    assert!(text.contains(from));
    std::fs::write(path, text.replacen(from, to, 1)).unwrap();
    path.to_owned()
}

/// Every BSDL file of the corpus can be described, drawn and vetted: exit 0 or 1, one document.
#[test]
fn the_corpus_is_described_and_vetted() {
    let Some(corpus) = std::env::var_os("TAPLOOM_CORPUS") else {
        return;
    };
    let corpus = root().join(corpus).join("bsdl");
    let folder = folder("corpus");
    let (mut files, mut drawn) = (0, 0);
    for entry in std::fs::read_dir(&corpus).unwrap() {
        let path = entry.unwrap().path();
        let path = path.to_str().unwrap();
        if ![".bsd", ".bsdl", ".bsm"].iter().any(|e| path.ends_with(e)) {
            continue;
        }
        let (exit, d) = document(&["describe", path]);
        assert!(exit <= 1 && d["entity"].is_string(), "{path}: {exit}");
        let (exit, _) = document(&["vet", path]);
        assert!(exit <= 1, "{path}: {exit}");
        let svg = folder.join("a.svg");
        drawn += usize::from(document(&["describe", path, "--svg", svg.to_str().unwrap()]).0 <= 1);
        files += 1;
    }
    println!("corpus: {files} BSDL files described and vetted, {drawn} packages drawn");
    assert!(files > 0);
    std::fs::remove_dir_all(&folder).unwrap();
}

/// As `document`, with a state folder of the test's own.
fn document_in(state: &Path, arguments: &[&str]) -> (i32, Value) {
    let output = Command::new(env!("CARGO_BIN_EXE_taploom"))
        .current_dir(root())
        .env("TAPLOOM_STATE", state)
        .args(arguments)
        .arg("--json")
        .output()
        .unwrap();
    let document = serde_json::from_slice(&output.stdout).expect("one JSON document");
    (output.status.code().unwrap(), document)
}

#[test]
fn the_index_is_kept_and_a_scan_without_a_board_uses_it() {
    let folder = folder("index");
    let (state, parts) = (folder.join("state"), folder.join("parts"));
    std::fs::create_dir_all(&parts).unwrap();
    for entry in std::fs::read_dir(root().join(DEVICES)).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_some_and(|e| e == "bsd") {
            let to = parts.join(path.file_name().unwrap());
            std::fs::copy(&path, &to).unwrap();
            let time = std::time::SystemTime::now() - std::time::Duration::from_secs(3_600);
            let file = std::fs::File::options().write(true).open(&to).unwrap();
            file.set_modified(time).unwrap();
        }
    }
    let place = parts.to_str().unwrap();
    let bench = "fixtures/knitting-machine/as-drawn.toml";
    let entities = |scan: &Value| -> Vec<Value> {
        scan["devices"]
            .as_array()
            .unwrap()
            .iter()
            .map(|d| d["entity"].clone())
            .collect()
    };

    // Nothing is known at first.
    let (exit, scan) = document_in(&state, &["scan", "--simulate", bench]);
    assert_eq!(exit, 0, "{scan}");
    assert!(entities(&scan).iter().all(Value::is_null));

    let (exit, cold) = document_in(&state, &["index", place]);
    assert_eq!(
        (exit, &cold["files"], &cold["opened"]),
        (0, &5.into(), &5.into()),
        "{cold}"
    );
    let heddle = cold["parts"]
        .as_array()
        .unwrap()
        .iter()
        .find(|p| p["entity"] == "HEDDLE_208")
        .unwrap();
    assert_eq!(
        (&heddle["ir_length"], &heddle["ir_capture"]),
        (&10.into(), &"0000XX0001".into())
    );
    assert_eq!(heddle["packages"], serde_json::json!(["PQ208"]));
    let (_, warm) = document_in(&state, &["index"]);
    assert_eq!(
        (&warm["files"], &warm["opened"], &warm["bytes_read"]),
        (&5.into(), &0.into(), &0.into())
    );
    assert_eq!(warm["parts"], cold["parts"]);

    let (exit, scan) = document_in(&state, &["scan", "--simulate", bench]);
    let named = entities(&scan);
    assert!(
        exit == 0 && named.contains(&"HEDDLE_208".into()) && named.contains(&"BOBBIN_44".into()),
        "{scan}"
    );
    for d in scan["devices"].as_array().unwrap() {
        assert!(d["ir_length"].is_number(), "{d}");
    }

    // A changed file is read again, by a scan too.
    let bobbin = parts.join("bobbin_44.bsd");
    let text = std::fs::read_to_string(&bobbin)
        .unwrap()
        .replace("BOBBIN_44", "SPOOL_4444");
    std::fs::write(&bobbin, text).unwrap();
    let (_, scan) = document_in(&state, &["scan", "--simulate", bench]);
    assert!(entities(&scan).contains(&"SPOOL_4444".into()), "{scan}");

    // A damaged cache is never trusted: it knows nothing until the folders are named again.
    let cache = PathBuf::from(cold["cache"].as_str().unwrap());
    assert!(cache.starts_with(&state));
    let mut bytes = std::fs::read(&cache).unwrap();
    let middle = bytes.len() / 2;
    bytes[middle] ^= 1;
    std::fs::write(&cache, &bytes).unwrap();
    let (exit, scan) = document_in(&state, &["scan", "--simulate", bench]);
    assert!(exit == 0 && entities(&scan).iter().all(Value::is_null));
    let (exit, anew) = document_in(&state, &["index", place]);
    assert_eq!((exit, &anew["opened"]), (0, &5.into()));

    let (exit, failed) = document_in(&state, &["index", "/no/such/folder"]);
    assert_eq!((exit, &failed["error"]["kind"]), (2, &"file".into()));
    let (_, less) = document_in(&state, &["index", "--forget", place]);
    assert_eq!(
        (&less["files"], &less["folders"]),
        (&0.into(), &serde_json::json!([]))
    );
    std::fs::remove_dir_all(&folder).unwrap();
}

/// The broken files of ours: each fault is told at its own line, several in one pass, and the rest is still read.
#[test]
fn broken_files_are_told_fault_by_fault() {
    let told = |name: &str| -> Vec<String> {
        let (exit, vet) = document(&["vet", &format!("fixtures/bsdl/invalid/{name}.bsd")]);
        assert_eq!((exit, vet["files"].as_array().unwrap().len()), (1, 1));
        vet["files"][0]["diagnostics"]
            .as_array()
            .unwrap()
            .iter()
            .map(|d| format!("{}:{}", d["line"], d["code"].as_str().unwrap()))
            .collect()
    };
    for (name, faults) in [
        (
            "wrong_lengths",
            &["26:B402", "29:B501", "30:B601", "37:B611"][..],
        ),
        (
            "typed_by_hand",
            &["16:B004", "17:B010", "19:B003", "30:B604", "35:B101"],
        ),
        (
            "pins_astray",
            &["15:B202", "17:B205", "17:B207", "24:B411", "32:B606"],
        ),
    ] {
        let found = told(name);
        for fault in faults {
            assert!(
                found.iter().any(|f| f == fault),
                "{name}: {fault} not among {found:?}"
            );
        }
        assert!(found.len() <= faults.len() + 2, "{name}: {found:?}");
        // On a terminal without colour and in a pipe: no escape, each place underlined.
        let (_, shown) = text(&["vet", &format!("fixtures/bsdl/invalid/{name}.bsd")]);
        assert!(
            !shown.contains('\x1b') && shown.matches("--> fixtures").count() == found.len(),
            "{shown}"
        );
        // What is broken can still be described.
        let (exit, d) = document(&["describe", &format!("fixtures/bsdl/invalid/{name}.bsd")]);
        assert!(
            exit == 1 && d["cells"].as_array().unwrap().len() >= 5,
            "{name}"
        );
    }
}

/// Hostile files: each is answered with words, soon, and in little room.
#[cfg(unix)]
#[test]
fn hostile_files_are_told_in_words() {
    let folder = folder("hostile-files");
    let open = "entity LOOM is port (A : in bit); use STD_1149_1_2001.all;\n";
    let many = |n: usize, one: &str| vec![one; n].join(", ");
    let cells = many(1_000_000, "0 (BC_1, A, input, X)");
    let deep = format!("{}x{}", "(".repeat(1_000_000), ")".repeat(1_000_000));
    for (name, text, code, words) in [
        (
            "range",
            open.replace("bit)", "bit_vector (0 to 4294967295))"),
            "B210",
            "4294967296 bits",
        ),
        (
            "unclosed",
            format!("{open}attribute DESIGN_WARNING of LOOM : entity is \"x\nend LOOM;\n"),
            "B005",
            "does not close",
        ),
        (
            "nul",
            open.replace("LOOM", "LO\0OM"),
            "B006",
            "has no place",
        ),
        (
            "deep",
            format!("{open}attribute PORT_GROUPING of LOOM : entity is \"{deep}\";\nend LOOM;\n"),
            "B009",
            "PORT_GROUPING",
        ),
        (
            "long",
            format!(
                "{open}attribute BOUNDARY_LENGTH of LOOM : entity is 4;\nattribute BOUNDARY_REGISTER of LOOM : entity is \"{cells}\";\nend LOOM;\n"
            ),
            "B603",
            "1000000 lines have the number 0",
        ),
        ("letters", "a".repeat(100_000_000), "B001", "no entity"),
        (
            "digits",
            format!(
                "{open}attribute INSTRUCTION_LENGTH of LOOM : entity is {};\nend LOOM;\n",
                "9".repeat(1_000_000)
            ),
            "B012",
            "INSTRUCTION_LENGTH",
        ),
    ] {
        let path = folder.join(format!("{name}.bsd"));
        std::fs::write(&path, text).unwrap();
        let start = std::time::Instant::now();
        let (exit, document) = document(&["vet", path.to_str().unwrap()]);
        let took = start.elapsed();
        assert!(
            exit == 1 && took.as_secs() < 30,
            "{name}: exit {exit} after {took:?}"
        );
        let all = document["files"][0]["diagnostics"].as_array().unwrap();
        let told = all.iter().find(|d| d["code"] == code);
        let told = told.unwrap_or_else(|| panic!("{name}: expected {code} in {:?}", all.first()));
        let message = told["message"].as_str().unwrap();
        assert!(
            message.contains(words) && message.len() < 1_000,
            "{name}: {message}"
        );
        assert!(told["line"].as_u64() > Some(0) && !told["help"].as_str().unwrap().is_empty());
        let described = taploom(&["describe", path.to_str().unwrap()]);
        assert!(matches!(described.status.code(), Some(1 | 2)), "{name}");
    }
    std::fs::remove_dir_all(&folder).unwrap();
}

/// What stands where the index is kept may be anything; the answer comes all the same, and what is not kept is said.
#[cfg(unix)]
#[test]
fn a_hostile_place_for_the_index_is_told_and_the_answer_comes() {
    use std::os::unix::fs::symlink;
    let folder = folder("hostile-index");
    let state = folder.join("state");
    let devices = "fixtures/knitting-machine/devices";
    let cache = state.join("bsdl-index");
    let clear = || {
        let _ = std::fs::remove_dir_all(&state);
        std::fs::create_dir_all(&state).unwrap();
    };
    let index = || document_in(&state, &["index", devices]);
    let entities = |d: &Value| {
        d["devices"]
            .as_array()
            .or(d["parts"].as_array())
            .map_or(0, Vec::len)
    };
    clear();
    let (exit, whole) = index();
    assert_eq!(exit, 0, "{whole}");
    let known = whole.to_string().matches("HEDDLE_208").count();
    assert!(known > 0 && entities(&whole) > 0, "{whole}");

    // Damaged, or a link to a file: built anew, and a link is replaced, not followed.
    std::fs::write(&cache, b"taploom-index 1 0000000000000000\n{}").unwrap();
    assert_eq!(index().0, 0);
    std::fs::remove_file(&cache).unwrap();
    let victim = folder.join("victim");
    std::fs::write(&victim, "mine").unwrap();
    symlink(&victim, &cache).unwrap();
    assert_eq!(index().0, 0);
    assert_eq!(std::fs::read_to_string(&victim).unwrap(), "mine");

    // A folder or a pipe: left alone and told.
    clear();
    std::fs::create_dir(&cache).unwrap();
    for kind in ["folder", "pipe"] {
        if kind == "pipe" {
            std::fs::remove_dir(&cache).unwrap();
            let made = Command::new("mkfifo").arg(&cache).status().unwrap();
            assert!(made.success());
        }
        let (exit, answer) = index();
        assert_eq!(exit, 2, "{kind}: {answer}");
        let message = answer["error"]["message"].as_str().unwrap();
        assert!(
            message.contains("not kept") && message.contains("bsdl-index"),
            "{kind}: {message}"
        );
        assert_eq!(
            answer.to_string().matches("HEDDLE_208").count(),
            known,
            "{kind}"
        );
    }
    // The folder of the state is a file.
    std::fs::remove_dir_all(&state).unwrap();
    std::fs::write(&state, "no folder").unwrap();
    let (exit, answer) = index();
    assert_eq!(exit, 2, "{answer}");
    assert_eq!(answer.to_string().matches("HEDDLE_208").count(), known);
    std::fs::remove_file(&state).unwrap();

    // A device is not remembered.
    clear();
    let (exit, answer) = document_in(&state, &["index", "/dev/zero"]);
    let message = answer["error"]["message"].as_str().unwrap();
    assert!(exit == 2 && message.contains("no plain file"), "{answer}");
    let (_, after) = document_in(&state, &["index"]);
    assert!(!after.to_string().contains("/dev/zero"), "{after}");
    std::fs::remove_dir_all(&folder).unwrap();
}

/// A full disk under the output is told, and is no success.
#[cfg(target_os = "linux")]
#[test]
fn a_full_disk_is_no_success() {
    let octal = "fixtures/bsdl/octal_8374.bsd";
    for arguments in [
        &["vet", octal][..],
        &["describe", octal],
        &["vet", "--explain"],
    ] {
        let full = std::fs::File::create("/dev/full").unwrap();
        let output = Command::new(env!("CARGO_BIN_EXE_taploom"))
            .current_dir(root())
            .args(arguments)
            .stdout(full)
            .output()
            .unwrap();
        let told = String::from_utf8_lossy(&output.stderr);
        assert!(
            !output.status.success() && !told.contains("panicked"),
            "{arguments:?}: {told}"
        );
        assert!(told.contains("space"), "{arguments:?}: {told}");
    }
}
