//! The commands that know BSDL files and no hardware, through the program: `vet`.

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
