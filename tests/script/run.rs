//! `run`: the whole job, each faulty bench, checking, repeating, JUnit, and a first script for a board.

use std::io::{BufRead, BufReader};

use super::{AS_DRAWN, BOARD, FOLDER, Scratch, on_bench, program, root, taploom, unharmed};

const BRINGUP: &str = "fixtures/knitting-machine/bringup.rhai";

#[test]
fn ten_plain_lines_do_the_whole_job() {
    let text = std::fs::read_to_string(root().join(BRINGUP)).expect("the script");
    let lines = text
        .lines()
        .filter(|l| !l.starts_with("//") && !l.trim().is_empty());
    assert_eq!(lines.count(), 10);
    let (exit, document) = on_bench(&["run", BRINGUP], AS_DRAWN);
    assert_eq!(exit, 0, "{document:#}");
    assert_eq!(document["schema"], "taploom.run.v1");
    let steps = document["steps"].as_array().expect("steps");
    assert!(
        steps.iter().all(|s| s["verdict"] == "passed"),
        "{document:#}"
    );
    let functions: Vec<&str> = steps
        .iter()
        .filter_map(|s| s["function"].as_str())
        .collect();
    for function in [
        "board", "scan", "ring_out", "load", "drive", "sense", "check", "wait_for",
    ] {
        assert!(functions.contains(&function), "{function}: {functions:?}");
    }
    let of = |name: &str| {
        steps
            .iter()
            .find(|s| s["function"] == name)
            .expect("the step")
    };
    assert_eq!(
        of("scan")["result"]["devices"].as_array().map(Vec::len),
        Some(5)
    );
    assert_eq!(
        of("ring_out")["result"]["wires"].as_array().map(Vec::len),
        Some(28)
    );
    assert_eq!(of("load")["result"]["counts"]["payload_bits"], 8 * 49_222);
    assert_eq!(document["recorded"]["builder"], "nobody");
    unharmed(&document, "as drawn");
}

/// Where the script stops on each bench of the scenario, with which exit status, and what it says. A bench that comes to
/// the folder has to come here.
const BENCHES: [(&str, &str, i64, i32, &[&str]); 16] = [
    ("as-drawn", "", 0, 0, &[]),
    (
        "swapped-pair",
        "ring_out",
        5,
        1,
        &["W07", "W08", "exchanged"],
    ),
    ("solder-bridge", "ring_out", 5, 1, &["W11", "W12", "joined"]),
    ("dry-joint", "ring_out", 5, 1, &["W21", "no contact"]),
    ("stuck-line", "ring_out", 5, 1, &["W24", "low"]),
    ("misplaced-wire", "ring_out", 5, 1, &["W25", "U1.34"]),
    ("two-faults", "ring_out", 5, 1, &["W07", "W08", "W19"]),
    ("intermittent", "ring_out", 5, 1, &["W15", "at times"]),
    ("buffer-off", "ring_out", 5, 1, &["8 open", "IC7", "W03"]),
    (
        "shifted-ribbon",
        "ring_out",
        5,
        1,
        &["J3", "one pin too low", "W11"],
    ),
    (
        "shifted-plug-5V",
        "ring_out",
        5,
        1,
        &["J3", "one pin too low", "W01"],
    ),
    (
        "socket-upside-down",
        "ring_out",
        5,
        1,
        &["pattern memory", "turned by half"],
    ),
    (
        "machine-powered",
        "ring_out",
        5,
        4,
        &["EXTEST is refused", "moved", "said to be off"],
    ),
    (
        "wrong-device",
        "scan",
        4,
        1,
        &["U3", "BOBBIN_44", "SHUTTLE_44"],
    ),
    ("broken-chain", "scan", 4, 1, &["U2", "U3", "open"]),
    ("as-drawn-no-clip", "ring_out", 5, 1, &["28 untested"]),
];

#[test]
fn on_every_bench_it_stops_at_the_right_step_and_says_why() {
    let mut benches = 0;
    for entry in std::fs::read_dir(root().join(FOLDER)).expect("the folder") {
        let path = entry.expect("an entry").path();
        let text = std::fs::read_to_string(&path).unwrap_or_default();
        if path.extension().is_none_or(|e| e != "toml") || !text.contains("[bench]") {
            continue;
        }
        let bench = path
            .file_stem()
            .expect("a name")
            .to_string_lossy()
            .into_owned();
        let Some((_, function, line, status, names)) = BENCHES.iter().find(|(b, ..)| *b == bench)
        else {
            panic!("{bench}: say where the script stops on it");
        };
        benches += 1;
        let (exit, document) = on_bench(&["run", BRINGUP], &format!("{FOLDER}/{bench}.toml"));
        unharmed(&document, &bench);
        let steps = document["steps"].as_array().expect("steps");
        let (last, before) = steps.split_last().expect("a step");
        assert!(
            before.iter().all(|s| s["verdict"] == "passed"),
            "{bench}: {document:#}"
        );
        if function.is_empty() {
            assert_eq!(
                (exit, &document["passed"]),
                (0, &true.into()),
                "{bench}: {document:#}"
            );
            continue;
        }
        assert_eq!(exit, *status, "{bench}: {document:#}");
        let verdict = match status {
            1 => "failed",
            _ => "not done",
        };
        assert_eq!(
            (&last["verdict"], &last["function"], &last["line"]),
            (&verdict.into(), &(*function).into(), &(*line).into()),
            "{bench}: {document:#}"
        );
        let why = document["ended"]["message"].as_str().unwrap_or_default();
        for name in *names {
            assert!(why.contains(name), "{bench}: {name} is not in {why}");
        }
        assert!(
            why.contains(&format!("bringup.rhai:{line}:")),
            "{bench}: {why}"
        );
    }
    println!("{benches} benches");
    assert!(benches >= 10, "{benches} benches");
}

#[test]
fn without_power_off_or_consent_it_is_refused() {
    let (exit, document) = taploom(&["run", BRINGUP, "--yes", "--simulate", AS_DRAWN]);
    assert_eq!(exit, 4, "{document:#}");
    assert!(
        document["error"]["message"]
            .to_string()
            .contains("bringup.rhai:5:1"),
        "{document:#}"
    );
    let arguments = ["run", BRINGUP, "--machine", "off", "--simulate", AS_DRAWN];
    let (exit, document) = taploom(&arguments);
    assert_eq!(exit, 4, "{document:#}");
    unharmed(&document, "no consent");
}

#[test]
fn check_touches_nothing_and_finds_every_wrong_name_at_its_line() {
    let (exit, document) = taploom(&["run", "--check", BRINGUP]);
    assert_eq!(exit, 0, "{document:#}");
    assert!(document["names"].as_u64() >= Some(6), "{document:#}");
    let scratch = Scratch::new("check");
    let board = root().join(BOARD).display().to_string();
    scratch.write("table.csv", "W25,W99\n0,0\n");
    let script = scratch.write(
        "wrong.rhai",
        format!(
            "board({board:?});\nring_out(#{{ by: \"guessing\", wires: [\"W01\", \"W88\"] }});\nload(\"U9\", \"no-such.bin\");\n\
             if true {{ drive(\"W99\", \"high\"); }}\nsense([\"W25\", \"U1.999\"]);\nvectors(\"table.csv\");\nimport \"nowhere\" as n;\n"
        ),
    );
    let (exit, document) = taploom(&["run", "--check", &script]);
    assert_eq!(exit, 2, "{document:#}");
    let problems = document["problems"].as_array().expect("problems");
    for (line, name) in [
        (2, "guessing"),
        (2, "W88"),
        (3, "U9"),
        (3, "no-such.bin"),
        (4, "W99"),
        (5, "999"),
        (6, "column W99"),
        (7, "nowhere"),
    ] {
        let told = problems
            .iter()
            .any(|p| p["line"] == line && p["message"].as_str().is_some_and(|m| m.contains(name)));
        assert!(told, "line {line}, {name}: {document:#}");
    }
    assert_eq!(problems.len(), 8, "{document:#}");
}

/// What is imported is looked at as well, with the settings that a run would have, through loops and variables.
#[test]
fn check_follows_imports_settings_loops_and_variables() {
    let scratch = Scratch::new("check-deep");
    let board = root().join(BOARD).display().to_string();
    scratch.write("inner.rhai", "fn look(n) { sense(n); sense(\"W77\"); }\n");
    scratch.write(
        "lib.rhai",
        "import \"inner\" as i;\nfn blink() {\n  drive(\"W98\", \"high\");\n}\n",
    );
    let script = scratch.write(
        "main.rhai",
        format!(
            "import \"lib\" as lib;\nboard({board:?});\nlet wire = \"W25\";\nlet other = wire;\ndrive(other, \"hihg\");\n\
             for n in 24..=26 {{ sense(`W${{n}}`); }}\nfor w in [\"W02\", \"W66\"] {{ sense(w); }}\n\
             load(\"U1\", setting(\"image\", \"missing.bin\"));\nringout();\nwait_for(\"W25\", \"high\");\nscan(#{{ wires: 1 }});\n\
             let late = \"W\"; late += \"25\"; sense(late);\nplay(\"bad.svf\");\nwait_for(\"W25\", \"high\", -1);\n"
        ),
    );
    scratch.write("bad.svf", "SIR 8 TDX (1F);\n");
    let (exit, document) = taploom(&["run", "--check", &script]);
    assert_eq!(exit, 2, "{document:#}");
    let problems = document["problems"].as_array().expect("problems");
    let told = [
        ("inner.rhai", 1, "W77"),
        ("lib.rhai", 3, "W98"),
        ("main.rhai", 5, "hihg is no level"),
        ("main.rhai", 7, "W66"),
        ("main.rhai", 8, "missing.bin"),
        ("main.rhai", 9, "no function ringout"),
        ("main.rhai", 10, "wait_for takes 3 to 4 arguments, not 2"),
        ("main.rhai", 11, "scan has no option wires"),
        ("main.rhai", 13, "bad.svf"),
        ("main.rhai", 14, "-1 is no time"),
    ];
    for (file, line, words) in told {
        let told = problems.iter().any(|p| {
            p["line"] == line
                && p["file"].as_str().is_some_and(|f| f.ends_with(file))
                && p["message"].as_str().is_some_and(|m| m.contains(words))
        });
        assert!(told, "{file}:{line}: {words}: {document:#}");
    }
    assert_eq!(problems.len(), told.len(), "{document:#}");
    // `n` of `look`, and `late`: only a run can tell.
    assert_eq!(
        (&document["names_only_a_run_can_tell"], &document["imports"]),
        (&2.into(), &2.into()),
        "{document:#}"
    );
    let image = root().join(FOLDER).join("pattern-tap.bin");
    let set = format!("image={}", image.display());
    let (_, document) = taploom(&["run", "--check", &script, "--set", &set]);
    let problems = document["problems"].as_array().map(Vec::len);
    assert_eq!(
        problems,
        Some(told.len() - 1),
        "the setting's file is there: {document:#}"
    );
}

#[test]
fn errors_have_file_line_column_and_source_line() {
    let scratch = Scratch::new("errors");
    for (name, text, said) in [
        (
            "syntax",
            "let a = 1;\nlet b = (2;\n",
            ["syntax.rhai:2:", "2 | let b = (2;"],
        ),
        (
            "unknown",
            "let a = 1;\nfrobnicate(a);\n",
            [
                "unknown.rhai:2:1: there is no function frobnicate",
                "2 | frobnicate(a);",
            ],
        ),
        (
            "no-board",
            "drive(\"W1\", \"high\");\n",
            ["no-board.rhai:1:1: no board has been named", "1 | drive"],
        ),
        (
            "option",
            "scan(#{ wires: 1 });\n",
            ["option.rhai:1:1: scan has no option wires", "1 | scan"],
        ),
        (
            "thrown",
            "fn f() {\n  throw \"worn out\";\n}\nf();\n",
            ["thrown.rhai:2:", "worn out"],
        ),
    ] {
        let script = scratch.write(&format!("{name}.rhai"), text);
        let (exit, document) = on_bench(&["run", &script], AS_DRAWN);
        assert_eq!(exit, 2, "{name}: {document:#}");
        let message = document["error"]["message"].as_str().unwrap_or_default();
        for part in said {
            assert!(message.contains(part), "{name}: {part} is not in {message}");
        }
    }
}

#[test]
fn findings_cannot_be_caught_and_keep_going_still_fails_the_run() {
    let scratch = Scratch::new("going");
    let board = root().join(BOARD).display().to_string();
    let bench = format!("{FOLDER}/dry-joint.toml");
    let caught = format!(
        "board({board:?});\ntry {{ ring_out(); }} catch {{ }}\nsay(\"on\");\nrecord(\"after\", 1);\n"
    );
    let (exit, document) = on_bench(&["run", &scratch.write("caught.rhai", caught)], &bench);
    assert_eq!(
        (exit, &document["recorded"]["after"]),
        (1, &serde_json::Value::Null),
        "{document:#}"
    );
    let going = format!(
        "board({board:?});\nlet r = ring_out(#{{ keep_going: true }});\nrecord(\"good\", r.good);\nrecord(\"all\", r.all_good);\n"
    );
    let (exit, document) = on_bench(&["run", &scratch.write("going.rhai", going)], &bench);
    assert_eq!(exit, 1, "{document:#}");
    assert_eq!(
        (&document["recorded"]["good"], &document["recorded"]["all"]),
        (&24.into(), &false.into())
    );
    let (exit, document) = on_bench(
        &[
            "run",
            &scratch.write(
                "fail.rhai",
                "check(\"one\", true);\nfail(\"worn out\");\nsay(\"never\");\n",
            ),
        ],
        &bench,
    );
    assert_eq!(exit, 1, "{document:#}");
    assert!(
        document["ended"]["message"]
            .to_string()
            .contains("worn out"),
        "{document:#}"
    );
}

#[test]
fn settings_repeats_and_junit() {
    let scratch = Scratch::new("repeat");
    let junit = scratch.0.join("steps.xml").display().to_string();
    let record = scratch.0.join("record.json").display().to_string();
    let arguments = [
        "run", BRINGUP, "--repeat", "3", "--junit", &junit, "--record", &record,
    ];
    let (exit, document) = on_bench(&arguments, AS_DRAWN);
    assert_eq!(exit, 0, "{document:#}");
    assert_eq!(
        (&document["repeats"]["runs"], &document["repeats"]["passed"]),
        (&3.into(), &3.into())
    );
    let xml = std::fs::read_to_string(&junit).expect("the JUnit file");
    assert!(
        xml.contains("failures=\"0\"") && xml.contains("ring-out, both-ends"),
        "{xml}"
    );
    let record: serde_json::Value =
        serde_json::from_str(&std::fs::read_to_string(&record).expect("the record")).expect("JSON");
    assert_eq!(
        (&record["schema"], &record["run"]),
        (&"taploom.record.v1".into(), &"taploom.run.v1".into())
    );

    let bench = format!("{FOLDER}/dry-joint.toml");
    let arguments = [
        "run",
        BRINGUP,
        "--repeat",
        "5",
        "--until-fail",
        "--junit",
        &junit,
    ];
    let (exit, document) = on_bench(&arguments, &bench);
    assert_eq!(exit, 1, "{document:#}");
    assert_eq!(
        document["repeats"]["runs"], 1,
        "it stops at the first failure"
    );
    let xml = std::fs::read_to_string(&junit).expect("the JUnit file");
    assert!(
        xml.contains("failures=\"1\"") && xml.contains("W21"),
        "{xml}"
    );

    // Another image by a setting: it is damaged, and the load says so.
    let mut image = std::fs::read(root().join(FOLDER).join("pattern-tap.bin")).expect("the image");
    image[20_000] ^= 4;
    let image = scratch.write("damaged.bin", image);
    let (exit, document) = on_bench(
        &["run", BRINGUP, "--set", &format!("image={image}")],
        AS_DRAWN,
    );
    assert_eq!(exit, 1, "{document:#}");
    assert!(
        document["ended"]["message"]
            .to_string()
            .contains("CRC_ERROR"),
        "{document:#}"
    );
}

/// A joint that comes and goes is found by repeating.
#[test]
fn until_fail_finds_an_intermittent_joint() {
    let scratch = Scratch::new("intermittent");
    let folder = root().join(FOLDER);
    let bench = scratch.write(
        "bench.toml",
        format!(
            "[bench]\nformat = 1\nboard = {:?}\nwith = [\"U5\"]\nseed = 7\nfloating = \"low\"\n\
             [[fault]]\nkind = \"intermittent\"\nwire = \"W21\"\nprobability = 0.02\n",
            folder.join("board.toml").display().to_string()
        ),
    );
    let script = scratch.write(
        "again.rhai",
        format!(
            "board({:?});\nfor i in 0..20 {{ drive(\"W21\", \"low\"); drive(\"W21\", \"high\"); check(\"W21 follows\", sense(\"W21\") == \"high\"); }}\n",
            folder.join("board.toml").display().to_string()
        ),
    );
    let (exit, document) = on_bench(&["run", &script, "--until-fail", "--repeat", "500"], &bench);
    assert_eq!(exit, 1, "{document:#}");
    assert_eq!(document["repeats"]["failed"], 1, "{document:#}");
    let counted = document["repeats"]["steps"].as_array().expect("steps");
    let check = counted
        .iter()
        .find(|s| s["title"] == "check W21 follows")
        .expect("the check");
    assert_eq!(check["failed"], 1, "{document:#}");
    assert!(check["first_failure"]["run"].as_u64() >= Some(1));
}

/// Each file that a script names, itself or through its board, makes it run again when it changes.
#[test]
fn on_change_runs_again_when_any_of_its_files_changes() {
    let scratch = Scratch::new("change");
    let folder = root().join(FOLDER);
    for name in [
        "harness.csv",
        "heddle.toml",
        "pattern-tap.bin",
        "address-lines.csv",
        "identity.svf",
    ] {
        std::fs::copy(folder.join(name), scratch.0.join(name)).expect("copied");
    }
    std::fs::create_dir(scratch.0.join("devices")).expect("a folder");
    for entry in std::fs::read_dir(folder.join("devices")).expect("the devices") {
        let path = entry.expect("an entry").path();
        let name = path.file_name().expect("a name");
        std::fs::copy(&path, scratch.0.join("devices").join(name)).expect("copied");
    }
    std::fs::copy(folder.join("board.toml"), scratch.0.join("board.toml")).expect("copied");
    scratch.write("own.rhai", "const WORD = 1;\n");
    // It ends at its first line that does something: what would come later is looked at as well.
    let script = scratch.write(
        "s.rhai",
        "import \"own\" as own;\nboard(\"board.toml\");\nfail(\"early\");\nload(\"U1\", \"pattern-tap.bin\");\n\
         vectors(\"address-lines.csv\");\nplay(\"identity.svf\", #{ device: \"U1\" });\n",
    );
    let mut child = program(&[
        "run",
        &script,
        "--on-change",
        "--json",
        "--simulate",
        AS_DRAWN,
    ])
    .stdout(std::process::Stdio::piped())
    .stderr(std::process::Stdio::null())
    .spawn()
    .expect("the program starts");
    let out = BufReader::new(child.stdout.take().expect("piped"));
    let (tell, heard) = std::sync::mpsc::channel();
    let reader = std::thread::spawn(move || {
        for line in out.lines().map_while(Result::ok) {
            let _ = tell.send(line);
        }
    });
    let again = |why: &str| -> serde_json::Value {
        let line = heard
            .recv_timeout(std::time::Duration::from_secs(30))
            .unwrap_or_else(|_| panic!("{why}: it did not run again"));
        serde_json::from_str(&line).unwrap_or_else(|e| panic!("{why}: {e}: {line}"))
    };
    assert_eq!(again("first")["exit"], 1);
    for name in [
        "s.rhai",
        "own.rhai",
        "board.toml",
        "harness.csv",
        "heddle.toml",
        "devices/heddle_208.bsd",
        "pattern-tap.bin",
        "address-lines.csv",
        "identity.svf",
    ] {
        let path = scratch.0.join(name);
        let bytes = std::fs::read(&path).expect("read");
        std::fs::write(&path, bytes).expect("written");
        assert_eq!(again(name)["exit"], 1, "{name}");
    }
    // A board that cannot be read is said, and its mending is noticed.
    let harness = std::fs::read_to_string(scratch.0.join("harness.csv")).expect("read");
    scratch.write("harness.csv", "label,from\n");
    assert_eq!(again("broken harness")["exit"], 2);
    scratch.write("harness.csv", harness);
    assert_eq!(again("mended harness")["exit"], 1);
    // A new script, put in the place of the old one as editors do.
    scratch.write("new.rhai", "say(\"second\");\n");
    std::fs::rename(scratch.0.join("new.rhai"), &script).expect("renamed");
    assert_eq!(again("replaced")["exit"], 0);
    // Nothing has changed: it waits.
    let idle = heard.recv_timeout(std::time::Duration::from_secs(1));
    assert!(idle.is_err(), "it ran without a change: {idle:?}");
    let killed = std::process::Command::new("kill")
        .args(["-INT", &child.id().to_string()])
        .status();
    assert!(killed.is_ok_and(|s| s.success()));
    let status = child.wait().expect("it ends");
    reader.join().expect("the reader ends");
    assert_eq!(status.code(), Some(130));
}

#[test]
fn a_first_script_is_written_once_and_holds_against_its_board() {
    let scratch = Scratch::new("new");
    let script = scratch.0.join("first.rhai").display().to_string();
    let arguments = ["new", "--script", BOARD, "--output", &script];
    let (exit, document) = taploom(&arguments);
    assert_eq!(exit, 0, "{document:#}");
    let (exit, document) = taploom(&["run", "--check", &script]);
    assert_eq!(exit, 0, "{document:#}");
    let (exit, document) = on_bench(&["run", &script], AS_DRAWN);
    assert_eq!(exit, 0, "{document:#}");
    std::fs::write(&script, "mine\n").expect("written");
    let (exit, _) = taploom(&arguments);
    assert_eq!(exit, 2);
    assert_eq!(std::fs::read_to_string(&script).expect("read"), "mine\n");
    let (exit, _) = taploom(&[&arguments[..], &["--force"]].concat());
    assert_eq!(exit, 0);
    assert_ne!(std::fs::read_to_string(&script).expect("read"), "mine\n");
}

/// The story is the script that comes along, run on a bench with two faults and on one as drawn.
#[test]
fn the_demo_is_the_script_and_names_wires_cause_and_mend() {
    let (exit, document) = taploom(&["demo"]);
    assert_eq!(
        (exit, &document["as_told"]),
        (0, &true.into()),
        "{document:#}"
    );
    let steps = document["steps"].as_array().expect("steps");
    let exits: Vec<_> = steps.iter().map(|s| s["exit"].as_i64()).collect();
    assert_eq!(exits, [Some(1), Some(0)], "{document:#}");
    for step in steps {
        let command = step["command"].as_str().unwrap_or_default();
        assert!(command.starts_with("run bringup.rhai"), "{command}");
        unharmed(&step["result"], command);
    }
    assert_eq!(steps[1]["result"]["passed"], true, "{document:#}");
    let out = program(&["demo"]).output().expect("the program starts");
    let text = String::from_utf8_lossy(&out.stdout);
    assert_eq!(out.status.code(), Some(0), "{text}");
    for told in [
        "W07 (yellow, A3) and W08 (orange, A2) are exchanged",
        "exchange W07 and W08",
        "W19 (brown, D7) has no contact between pattern memory.19",
        "solder or press W19 anew",
        "stopped at step 3, bringup.rhai:5:1",
        "11 steps, all passed",
        "U1 is loaded",
    ] {
        assert!(text.contains(told), "{told}: {text}");
    }
    let folder = std::env::temp_dir().display().to_string();
    assert!(!text.contains(&folder), "a path of this machine: {text}");
}

#[test]
fn a_wait_ends_with_the_longest_time_of_a_run() {
    let scratch = Scratch::new("time");
    let board = root().join(BOARD).display().to_string();
    let script = scratch.write(
        "wait.rhai",
        format!("board({board:?});\nloop {{ wait(1); }}\n"),
    );
    let (exit, document) = on_bench(&["run", &script, "--max-seconds", "1"], AS_DRAWN);
    assert_eq!(exit, 2, "{document:#}");
    assert!(
        document["error"]["message"]
            .to_string()
            .contains("stopped after 1 s"),
        "{document:#}"
    );
    unharmed(&document, "wait");
}

/// A whole ring-out that was good is kept as the last good one, one of a few wires is not.
#[test]
fn a_proven_harness_is_remembered() {
    let scratch = Scratch::new("proven");
    let board = root().join(BOARD).display().to_string();
    for (name, call, kept) in [
        (
            "some",
            "ring_out(#{ wires: [\"W07\"], keep_going: true });",
            0,
        ),
        ("all", "ring_out();", 1),
    ] {
        let script = scratch.write("ring.rhai", format!("board({board:?});\n{call}\n"));
        let state = scratch.0.join(name);
        let out = program(&[
            "run",
            &script,
            "--machine",
            "off",
            "--yes",
            "--simulate",
            AS_DRAWN,
        ])
        .env("TAPLOOM_STATE", &state)
        .output()
        .expect("the program starts");
        let files = std::fs::read_dir(state.join("boards")).map_or(0, Iterator::count);
        assert_eq!(
            files,
            kept,
            "{name}: {}",
            String::from_utf8_lossy(&out.stderr)
        );
    }
}
