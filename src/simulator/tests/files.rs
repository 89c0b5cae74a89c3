//! Bench files with faults of their own: everything is told at once, with place, cause and mend.

use super::*;

fn problems(bench: &str) -> String {
    let scratch = Scratch::new();
    scratch.write("loom.bsd", &loom("LOOM", 2, "Z"));
    let error = scratch
        .open(&rig_board(2, ""), bench)
        .expect_err("the bench has a fault");
    assert!(!error.problems().is_empty());
    error
        .to_string()
        .replace(&format!("{}/", scratch.0.display()), "")
}

/// Headline and help of each problem.
fn told(bench: &str) -> Vec<String> {
    let text = problems(bench);
    let lines = text.lines().filter(|l| !l.contains(" | "));
    lines.map(|l| l.trim().to_string()).collect()
}

#[test]
fn all_unknown_keys_are_told_at_once() {
    let told =
        told("sed = 1\n[[fault]]\nkind = \"open\"\nwir = \"W1\"\n[machin]\npower = \"on\"\n");
    assert_eq!(told.len(), 6, "{told:#?}");
    assert!(
        told[0].starts_with("bench.toml:4:1: unknown key `sed` in [bench]"),
        "{told:#?}"
    );
    assert!(told[1].contains("did you mean `seed`?"), "{told:#?}");
    assert!(told[3].contains("did you mean `wire`?"), "{told:#?}");
    assert!(
        told.iter().any(|t| t.contains("did you mean `machine`?")),
        "{told:#?}"
    );
}

#[test]
fn each_kind_of_mistake_has_its_words() {
    for (bench, cause, help) in [
        (
            "[[fault]]\nkind = \"opn\"",
            "`kind` is \"opn\", expected open, short,",
            "did you mean \"open\"?",
        ),
        (
            "[[fault]]\nkind = \"open\"\nwire = \"W9\"",
            "the harness has no wire W9",
            "the harness has W1 to W2",
        ),
        (
            "[[fault]]\nkind = \"swap\"\nwires = [\"W1\"]",
            "a swap is of two wires",
            "write wires =",
        ),
        (
            "[[fault]]\nkind = \"short\"\nwires = [\"W1\"]",
            "a short joins two wires or more",
            "write wires =",
        ),
        (
            "[[fault]]\nkind = \"open\"\nwire = \"W1\"\nohms = 5",
            "a fault of this kind has no `ohms`",
            "it has wire, end",
        ),
        (
            "[[fault]]\nkind = \"misplaced\"\nwire = \"W1\"\npin = \"U2.9\"",
            "has no pin 9",
            "help:",
        ),
        (
            "[[fault]]\nkind = \"stuck\"\nwire = \"W1\"\nlevel = \"lo\"",
            "expected low or high",
            "give `level` low or high",
        ),
        (
            "[[fault]]\nkind = \"intermittent\"\nwire = \"W1\"\nprobability = 2",
            "expected a number from 0 to 1",
            "help:",
        ),
        (
            "with = [\"U1\"]",
            "U1 is not optional",
            "leave it out of `with`",
        ),
        (
            "with = [\"U7\"]",
            "the board has no device U7",
            "the board has U1, U2",
        ),
        (
            "[[chain_fault]]\nkind = \"broken\"\nafter = \"U7\"",
            "the board has no device U7",
            "the board has U1, U2",
        ),
        (
            "[[chain_fault]]\nkind = \"wrong-device\"\ndevice = \"U1\"",
            "has no `entity`",
            "add entity =",
        ),
        (
            "[[chain_fault]]\nkind = \"wrong-device\"\ndevice = \"U1\"\nentity = \"LOM\"",
            "no BSDL file describes LOM",
            "did you mean `LOOM`?",
        ),
        (
            "[[chain_fault]]\nkind = \"extra\"\nbsdl = \"none.bsd\"",
            "cannot read the BSDL file",
            "folder of the bench file",
        ),
        (
            "[[device]]\nname = \"U1\"\nidcode = \"0x12\"",
            "0x and eight hexadecimal digits",
            "help:",
        ),
        (
            "[[device]]\nname = \"U1\"\nmission = { T1 = \"low\" }",
            "U1.T1 is no signal pin",
            "signal pins",
        ),
        (
            "[[device]]\nname = \"U1\"\nengine = \"none.toml\"",
            "cannot read the engine file",
            "help:",
        ),
        (
            "spare = { 9 = \"U1.1\" }",
            "the numbers of spare lines, 0 to 7",
            "help:",
        ),
        (
            "floating = \"up\"",
            "expected keep, low, high or neighbours",
            "help:",
        ),
        (
            "seed = \"x\"",
            "`seed` is a string, expected a whole number",
            "write seed = 1",
        ),
        ("board = 1", "this is not TOML", "mend this first"),
    ] {
        let text = problems(bench);
        assert!(
            text.contains(cause) && text.contains(help),
            "{bench}:\n{text}"
        );
    }
}

#[test]
fn a_bench_or_board_that_is_not_there() {
    let error = Bench::open("no/such.toml")
        .expect_err("no such file")
        .to_string();
    assert!(
        error.contains("cannot read the bench file no/such.toml: no such file"),
        "{error}"
    );
    let scratch = Scratch::new();
    let bench = scratch.write("bench.toml", "[bench]\nformat = 1\nboard = \"none.toml\"\n");
    let error = Bench::open(bench).expect_err("no board").to_string();
    assert!(error.contains("cannot read the board file"), "{error}");
}

#[test]
fn adapter_settings_are_handed_on_unread() {
    use crate::simulator::{AdapterValue, BenchFile};
    let scratch = Scratch::new();
    let text = "[bench]\nformat = 1\nboard = \"board.toml\"\n\
                [adapter]\nchip = \"FT2232C\"\nlatency_ms = 16\ngap_us = 1.5\nslow = true";
    let file = BenchFile::load(scratch.write("bench.toml", text)).unwrap_or_else(|e| panic!("{e}"));
    let settings = &file.adapter;
    assert_eq!(
        settings.get("chip"),
        Some(&AdapterValue::Text("FT2232C".into()))
    );
    assert_eq!(settings.get("latency_ms"), Some(&AdapterValue::Number(16)));
    assert_eq!(settings.get("gap_us"), Some(&AdapterValue::Real(1.5)));
    assert_eq!(settings.get("slow"), Some(&AdapterValue::Flag(true)));
}

#[test]
fn every_bench_of_the_scenario_opens() {
    let mut count = 0;
    for entry in std::fs::read_dir(scenario()).unwrap() {
        let path = entry.unwrap().path();
        let text = std::fs::read_to_string(&path).unwrap_or_default();
        if path.extension().is_some_and(|e| e == "toml") && text.contains("[bench]") {
            Bench::open(&path).unwrap_or_else(|e| panic!("{e}"));
            count += 1;
        }
    }
    assert!(count >= 10, "{count} benches");
}
