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

/// What a run writes is looked at before anything is driven: it may be none of the run's own files, and it must be writable.
#[test]
fn outputs_that_would_harm_or_fail_are_refused_first() {
    let folder = Scratch::new("outputs");
    let link = folder.0.join("link.json");
    std::os::unix::fs::symlink(root().join(BOARD), &link).unwrap();
    let link = link.to_str().unwrap();
    let missing = folder.0.join("none/record.json");
    let missing = missing.to_str().unwrap();
    let image = "fixtures/knitting-machine/pattern-tap.bin";
    let vectors = "fixtures/knitting-machine/identity.svf";
    let script = "fixtures/knitting-machine/bringup.rhai";
    let before: Vec<Vec<u8>> = [BOARD, BENCH, image, vectors, script]
        .map(|f| std::fs::read(root().join(f)).unwrap())
        .to_vec();
    for (command, output, said) in [
        (&["scan", BOARD][..], ["--record", BOARD], "overwrite"),
        (
            &["ringout", BOARD, "--machine", "off", "--yes"],
            ["--record", link],
            "overwrite",
        ),
        (
            &["ringout", BOARD, "--machine", "off", "--yes"],
            ["--record", BENCH],
            "overwrite",
        ),
        (
            &["load", BOARD, "U1", image, "--machine", "off", "--yes"],
            ["--trace", image],
            "overwrite",
        ),
        (
            &["play", BOARD, vectors, "--yes"],
            ["--record", vectors],
            "overwrite",
        ),
        (
            &["run", script, "--machine", "off", "--yes"],
            ["--junit", script],
            "overwrite",
        ),
        (
            &["run", script, "--machine", "off", "--yes"],
            ["--record", image],
            "overwrite",
        ),
        (
            &["ringout", BOARD, "--machine", "off", "--yes"],
            ["--record", missing],
            "cannot be written",
        ),
        (&["margin", BOARD], ["--record", "/"], "folder"),
    ] {
        let (exit, out, err) = taploom(&[command, &output, &["--simulate", BENCH]].concat());
        assert_eq!(exit, 2, "{command:?} {output:?}: {out}{err}");
        assert!(err.contains(said), "{command:?} {output:?}: {err}");
        assert!(
            !err.contains("Test-Logic-Reset"),
            "a session was opened: {err}"
        );
    }
    let own = folder.0.join("heddle.bsd");
    std::fs::copy(
        root().join("fixtures/knitting-machine/devices/heddle_208.bsd"),
        &own,
    )
    .unwrap();
    let own = own.to_str().unwrap();
    let (exit, _, err) = taploom(&["describe", own, "--svg", own]);
    assert!(exit == 2 && err.contains("overwrite"), "{err}");
    let after: Vec<Vec<u8>> = [BOARD, BENCH, image, vectors, script]
        .map(|f| std::fs::read(root().join(f)).unwrap())
        .to_vec();
    assert!(before == after);
}

#[test]
fn addresses_are_told_apart_from_failures() {
    let (exit, _, err) = taploom(&["scan", BOARD, "--tap", "nonsense"]);
    assert_eq!(exit, 2, "{err}");
    let (exit, _, err) = taploom(&["scan", BOARD, "--tap", "192.0.2.1:7300"]);
    assert_eq!(exit, 4, "{err}");
    assert!(err.contains("--allow-remote"), "{err}");
    let (exit, _, err) = taploom(&["scan", BOARD, "--tap", "127.0.0.1:1"]);
    assert_eq!(exit, 3, "{err}");
    assert!(err.contains("start the other side first"), "{err}");
}

/// An instruction that the maker calls private is asked for, as EXTEST is.
#[test]
fn private_instructions_in_a_file_are_asked_for() {
    let folder = Scratch::new("private");
    let file = folder.0.join("private.svf");
    // FACTORY_A of HEDDLE_208.
    std::fs::write(&file, "SIR 10 TDI (2CD);\nSDR 8 TDI (00);\n").unwrap();
    let file = file.to_str().unwrap();
    let play = ["play", BOARD, file, "--device", "U1", "--simulate", BENCH];
    let (exit, _, err) = taploom(&play);
    assert_eq!(exit, 4, "{err}");
    assert!(err.contains("private instruction FACTORY_A in U1"), "{err}");
    assert_eq!(taploom(&[&play[..], &["--yes"]].concat()).0, 0);
}

/// A question on a terminal is no trap: a signal ends it at once, with its own exit status, and nothing was driven.
#[test]
fn a_signal_ends_a_question() {
    const ASK: &str = r#"
import os, pty, signal, subprocess, sys, time
for sent, expected in [(signal.SIGINT, 130), (signal.SIGTERM, 143)]:
    ours, theirs = pty.openpty()
    child = subprocess.Popen(sys.argv[1:], stdin=theirs, stdout=theirs, stderr=theirs)
    said = b""
    while b"Go on?" not in said:
        said += os.read(ours, 4096)
    child.send_signal(sent)
    status = child.wait(timeout=20)
    said += os.read(ours, 4096)
    assert status == expected, (status, said)
    assert b"nothing was driven" in said, said
"#;
    let run = std::process::Command::new("python3")
        .args([
            "-c",
            ASK,
            PROGRAM,
            "ringout",
            BOARD,
            "--simulate",
            BENCH,
            "--machine",
            "off",
        ])
        .current_dir(root())
        .output()
        .expect("python3, which tests/run installs");
    assert!(
        run.status.success(),
        "{}",
        String::from_utf8_lossy(&run.stderr)
    );
}

/// A character that turns a line round on the screen gets no further than the reader of files.
#[test]
fn characters_that_no_screen_shows_are_refused() {
    let folder = Scratch::new("hidden");
    let source = root().join("fixtures/knitting-machine");
    let text = std::fs::read_to_string(root().join(BOARD)).unwrap();
    let devices = format!("[\"{}/devices\"]", source.display());
    let text = text.replace("[\"devices\"]", &devices);
    std::fs::copy(source.join("heddle.toml"), folder.0.join("heddle.toml")).unwrap();
    let harness = std::fs::read_to_string(source.join("harness.csv")).unwrap();
    let board = folder.0.join("board.toml");
    for (text, harness) in [
        (
            text.replace("Needle-bus tap", "Needle\u{202e}-bus tap"),
            harness.clone(),
        ),
        (
            text.replace("Needle-bus tap", "Needle\\u001b[2J-bus tap"),
            harness.clone(),
        ),
        (text.clone(), harness.replace("W01", "W\u{202e}01")),
    ] {
        std::fs::write(&board, &text).unwrap();
        std::fs::write(folder.0.join("harness.csv"), &harness).unwrap();
        let (exit, out, err) = taploom(&["scan", board.to_str().unwrap(), "--dry"]);
        assert_eq!(exit, 2, "{out}{err}");
        assert!(err.contains("which is not shown"), "{err}");
        assert!(!err.contains(['\u{202e}', '\u{1b}']), "{err:?}");
    }
    std::fs::write(&board, &text).unwrap();
    std::fs::write(folder.0.join("harness.csv"), &harness).unwrap();
    assert_eq!(taploom(&["scan", board.to_str().unwrap(), "--dry"]).0, 0);
}

/// A first board file from a scan: the devices that answer, by the BSDL files that are named; it loads and scans as declared.
#[test]
fn a_first_board_file_comes_from_a_scan() {
    let folder = Scratch::new("first");
    let board = folder.0.join("board.toml");
    let board = board.to_str().unwrap();
    let devices = "fixtures/knitting-machine/devices";
    let new = [
        "new",
        devices,
        "--simulate",
        BENCH,
        "--output",
        board,
        "--json",
    ];
    let (exit, out, err) = taploom(&[&new[..], &["--dry"]].concat());
    assert!(
        exit == 0 && !std::path::Path::new(board).exists(),
        "{out}{err}"
    );
    let (exit, out, err) = taploom(&new);
    assert_eq!(exit, 0, "{out}{err}");
    let document: serde_json::Value = serde_json::from_str(&out).unwrap();
    let told: Vec<(&str, &str)> = document["devices"]
        .as_array()
        .unwrap()
        .iter()
        .map(|d| (d["name"].as_str().unwrap(), d["entity"].as_str().unwrap()))
        .collect();
    let expected = [
        ("U1", "HEDDLE_208"),
        ("U2", "JACQUARD_256"),
        ("U3", "BOBBIN_44"),
        ("U4", "SHUTTLE_44"),
        ("U5", "SELVEDGE_CLIP"),
    ];
    assert_eq!(told, expected);
    assert!(
        document["devices"][4]["choice"]
            .as_str()
            .unwrap()
            .contains("PL44, QF44")
    );
    let (exit, out, _) = taploom(&["scan", board, "--simulate", BENCH]);
    assert!(exit == 0 && out.contains("as declared"), "{out}");
    // What is there already stays.
    let before = std::fs::read(board).unwrap();
    let (exit, out, _) = taploom(&new);
    assert!(exit == 2 && out.contains("left alone"), "{out}");
    assert_eq!(std::fs::read(board).unwrap(), before);
    // Without BSDL files the lengths of the instruction registers are what was measured.
    let bare = folder.0.join("bare.toml");
    let bare = bare.to_str().unwrap();
    let (exit, out, _) = taploom(&["new", "--simulate", BENCH, "--output", bare, "--json"]);
    assert_eq!(exit, 0, "{out}");
    let text = std::fs::read_to_string(bare).unwrap();
    for length in [
        "ir_length = 10",
        "ir_length = 8",
        "ir_length = 5",
        "ir_length = 6",
    ] {
        assert!(text.contains(length), "{text}");
    }
    assert_eq!(taploom(&["scan", bare, "--simulate", BENCH]).0, 0);
    // Half a chain makes no board.
    let broken = "fixtures/knitting-machine/broken-chain.toml";
    let none = folder.0.join("none.toml");
    let none = none.to_str().unwrap();
    assert_eq!(
        taploom(&["new", "--simulate", broken, "--output", none]).0,
        3
    );
    assert!(!std::path::Path::new(none).exists());
}
