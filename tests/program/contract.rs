//! What the contract of the command line and the rules of safety promise, tried from outside.

use super::{PROGRAM, Scratch, root, taploom};

const BOARD: &str = "fixtures/knitting-machine/board.toml";
const BENCH: &str = "fixtures/knitting-machine/as-drawn.toml";

#[test]
fn a_file_that_drives_pins_is_played_only_into_a_machine_that_is_off_and_its_fights_fail_the_run() {
    let folder = Scratch::new("extest");
    let file = folder.0.join("ex.svf");
    std::fs::write(&file, "SIR 10 TDI (000);\nSDR 529 TDI (0);\n").unwrap();
    let file = file.to_str().unwrap();
    let play = [
        "play",
        BOARD,
        file,
        "--device",
        "U1",
        "--simulate",
        BENCH,
        "--yes",
        "--json",
    ];
    for power in ["on", "unknown"] {
        let (exit, out, _) = taploom(&[&play[..], &["--machine", power]].concat());
        assert_eq!(exit, 4, "{power}: {out}");
        assert!(out.contains("\"fights\": 0"), "{out}");
    }
    let (exit, out, _) = taploom(&[&play[..], &["--machine", "off"]].concat());
    assert_eq!(exit, 1, "{out}");
    let document: serde_json::Value = serde_json::from_str(&out).unwrap();
    assert_ne!(document["simulated"]["fights"], 0);
    let places = document["simulated"]["fight_places"].as_array().unwrap();
    assert!(places[0].as_str().unwrap().contains(" against "), "{out}");
}

#[test]
fn the_language_s_own_sleep_is_refused() {
    let folder = Scratch::new("sleep");
    let file = folder.0.join("s.rhai");
    std::fs::write(&file, "sleep(30);\n").unwrap();
    let began = std::time::Instant::now();
    let (exit, _, err) = taploom(&["run", file.to_str().unwrap(), "--simulate", BENCH]);
    assert_eq!(exit, 2, "{err}");
    assert!(err.contains("wait(seconds)"), "{err}");
    assert!(began.elapsed().as_secs() < 20);
}

#[test]
fn a_full_disk_under_standard_output_is_no_success() {
    let full = std::fs::File::options()
        .write(true)
        .open("/dev/full")
        .unwrap();
    let out = std::process::Command::new(PROGRAM)
        .args(["scan", BOARD, "--simulate", BENCH, "--json"])
        .current_dir(root())
        .stdout(full)
        .output()
        .unwrap();
    assert_eq!(out.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&out.stderr).contains("standard output"));
}

#[test]
fn what_is_no_plain_file_is_refused_wherever_a_file_is_named() {
    let folder = Scratch::new("fifo");
    let fifo = folder.0.join("f.toml");
    let made = std::process::Command::new("mkfifo")
        .arg(&fifo)
        .status()
        .unwrap();
    assert!(made.success());
    let fifo = fifo.to_str().unwrap();
    let board = folder.0.join("board.toml");
    std::fs::write(
        &board,
        "[board]\nformat = 1\nname = \"x\"\nbsdl = [\"/dev/zero\"]\n[[device]]\nname = \"U1\"\nentity = \"A\"\n",
    )
    .unwrap();
    for odd in [
        &["scan", fifo, "--dry"][..],
        &["scan", "/dev/zero", "--dry"],
        &["scan", board.to_str().unwrap(), "--dry"],
        &["scan", BOARD, "--simulate", fifo],
        &["load", "--check", fifo],
        &["play", BOARD, fifo, "--dry"],
        &["vet", fifo],
        &["describe", fifo],
        &["new", "--script", fifo],
    ] {
        let (exit, _, err) = taploom(odd);
        assert_eq!(exit, 2, "{odd:?}: {err}");
        assert!(err.contains("no plain file"), "{odd:?}: {err}");
    }
}

#[test]
fn a_method_that_is_not_there_is_refused_before_anything_is_asked() {
    for by in ["probe-sends", "probe-reads", "ground-probe", "wrong"] {
        let (exit, _, err) = taploom(&[
            "ringout",
            BOARD,
            "--by",
            by,
            "--simulate",
            BENCH,
            "--machine",
            "off",
        ]);
        assert_eq!(exit, 2, "{err}");
        assert!(err.contains("the methods are both-ends and alone"), "{err}");
        assert!(!err.contains("Before you go on"), "{err}");
    }
}

#[test]
fn the_document_of_a_wrong_command_line_says_what_is_missing() {
    let (exit, out, _) = taploom(&["ringout", "--json"]);
    assert_eq!(exit, 2);
    let document: serde_json::Value = serde_json::from_str(&out).unwrap();
    let message = document["error"]["message"].as_str().unwrap();
    assert!(message.contains("<BOARD>"), "{message}");
}
