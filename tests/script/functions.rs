//! Each function of a script: what it does, what it gives back, how it ends the script.

use serde_json::{Value, json};

use super::{AS_DRAWN, BOARD, FOLDER, Scratch, on_bench, program, root, taploom, unharmed};

fn file(name: &str) -> String {
    root().join(FOLDER).join(name).display().to_string()
}

/// Runs lines on a bench, after `board(…)` in line 1.
fn run(name: &str, lines: &str, bench: &str, more: &[&str]) -> (i32, Value) {
    let scratch = Scratch::new(name);
    let board = root().join(BOARD).display().to_string();
    let script = scratch.write("s.rhai", format!("let b = board({board:?});\n{lines}\n"));
    let (exit, document) = on_bench(&[&["run", &script], more].concat(), bench);
    if document["simulated"].is_object() {
        unharmed(&document, name);
    }
    (exit, document)
}

/// As [`run`] on the bench as drawn; all must pass. Gives what was recorded.
fn recorded(name: &str, lines: &str) -> Value {
    let (exit, document) = run(name, lines, AS_DRAWN, &[]);
    assert_eq!(exit, 0, "{name}: {document:#}");
    document["recorded"].clone()
}

fn message(document: &Value) -> &str {
    let message = document["error"]["message"].as_str();
    message
        .or(document["ended"]["message"].as_str())
        .unwrap_or_default()
}

#[test]
fn board_and_scan_give_names_and_verdicts() {
    let seen = recorded(
        "scan",
        "record(\"board\", [b.name, b.devices.len(), b.wires.len(), b.wires[24]]);\n\
         let s = scan();\n\
         record(\"scan\", [s.as_declared, s.count, s.devices[0].name, s.devices[0].entity, s.devices[4].verdict]);",
    );
    assert_eq!(seen["board"], json!(["Needle-bus tap", 5, 28, "W25"]));
    assert_eq!(
        seen["scan"],
        json!([true, 5, "U1", "HEDDLE_208", "as declared"])
    );
    let (exit, document) = run(
        "scan-wrong",
        "let s = scan(#{ keep_going: true });\nrecord(\"scan\", [s.as_declared, s.devices[2].verdict]);",
        &format!("{FOLDER}/wrong-device.toml"),
        &[],
    );
    assert_eq!(exit, 1, "{document:#}");
    assert_eq!(document["recorded"]["scan"], json!([false, "wrong part"]));
}

#[test]
fn ring_out_gives_each_wire_with_its_verdict() {
    let lines = "let r = ring_out(#{ by: \"both-ends\", wires: [\"W07\", \"w8\", \"W25\"], keep_going: true });\n\
        let told = [];\n\
        for w in r.wires { if w.verdict != \"untested\" { told += [[w.label, w.signal, w.verdict, w.partners]]; } }\n\
        record(\"told\", told);\nrecord(\"counts\", [r.all_good, r.good, r.counts.swapped]);";
    let (exit, document) = run("ring", lines, &format!("{FOLDER}/swapped-pair.toml"), &[]);
    assert_eq!(exit, 1, "{document:#}");
    assert_eq!(
        document["recorded"]["told"],
        json!([
            ["W07", "A3", "swapped", ["W08"]],
            ["W08", "A2", "swapped", ["W07"]],
            ["W25", "A8", "good", []]
        ])
    );
    assert_eq!(document["recorded"]["counts"], json!([false, 1, 2]));
    let (exit, document) = run("ring-by", "ring_out(#{ by: \"guessing\" });", AS_DRAWN, &[]);
    assert!(
        exit == 2 && message(&document).contains("no ring-out method guessing"),
        "{document:#}"
    );
}

#[test]
fn load_gives_whether_the_image_is_in() {
    let image = file("pattern-tap.bin");
    let lines = format!(
        "record(\"in\", load(\"u1\", {image:?}, #{{ recipe: {:?} }}));",
        file("heddle.toml")
    );
    assert_eq!(recorded("load", &lines)["in"], true);
    // An image for another part never gets in, and the script may go on to say so.
    let lines = format!("record(\"in\", load(\"U2\", {image:?}, #{{ keep_going: true }}));");
    let (exit, document) = run("load-other", &lines, AS_DRAWN, &[]);
    assert_eq!(
        (exit, &document["recorded"]["in"]),
        (1, &json!(false)),
        "{document:#}"
    );
    let (exit, document) = run("load-none", "load(\"U3\", \"x\");", AS_DRAWN, &[]);
    assert!(
        exit == 2 && message(&document).contains("no recipe for U3"),
        "{document:#}"
    );
}

#[test]
fn play_gives_compares_and_mismatches() {
    let good = file("identity.svf");
    let seen = recorded(
        "play",
        &format!(
            "let p = play({good:?}, #{{ device: \"U1\" }});\nrecord(\"play\", [p.compares, p.mismatches, p.bits_shifted]);\n\
             let q = play({good:?}, #{{ device: \"U1\", no_compare: true }});\nrecord(\"uncompared\", q.mismatches);"
        ),
    );
    // 10 + 27 bits of instructions, 32 + 4 bits of data: the four devices beside U1 are in BYPASS.
    assert_eq!(
        (&seen["play"], &seen["uncompared"]),
        (&json!([1, 0, 73]), &json!(0))
    );

    let scratch = Scratch::new("play-files");
    let text = std::fs::read_to_string(root().join(FOLDER).join("identity.svf")).expect("the file");
    let other = scratch.write("other.svf", text.replace("24D08501", "24D08503"));
    let lines = format!(
        "let p = play({other:?}, #{{ device: \"U1\", keep_going: true }});\nrecord(\"bad\", p.mismatches);\nplay({other:?}, #{{ device: \"U1\" }});\nsay(\"never\");"
    );
    let (exit, document) = run("play-other", &lines, AS_DRAWN, &[]);
    assert_eq!(
        (exit, &document["recorded"]["bad"]),
        (1, &json!(1)),
        "{document:#}"
    );
    let told = message(&document);
    assert!(
        told.contains("s.rhai:4:") && told.contains("1 of 1 compares not as expected"),
        "{told}"
    );

    // Text that is no SVF is refused with its place before anything is shifted; a file of another length by the chain.
    let broken = scratch.write(
        "broken.svf",
        "SIR 10 TDI (006);\nSDR 32 TDI (00) TDO (1) SMUSK (1);\n",
    );
    let (exit, document) = run("play-broken", &format!("play({broken:?});"), AS_DRAWN, &[]);
    assert!(
        exit == 2 && message(&document).contains("line 2"),
        "{document:#}"
    );
    let (exit, document) = run("play-short", &format!("play({good:?});"), AS_DRAWN, &[]);
    assert_eq!(
        (
            exit,
            document["error"]["help"]
                .as_str()
                .is_some_and(|h| h.contains("device"))
        ),
        (4, true),
        "{document:#}"
    );

    // A file that selects EXTEST drives past the guard: only by consent.
    let drives = scratch.write("extest.svf", "SIR 10 TDI (000);\nSTATE RESET;\n");
    let board = root().join(BOARD).display().to_string();
    let script = scratch.write(
        "e.rhai",
        format!("board({board:?});\nplay({drives:?}, #{{ device: \"U1\" }});\n"),
    );
    let arguments = ["run", &script, "--machine", "off", "--simulate", AS_DRAWN];
    let (exit, document) = taploom(&arguments);
    assert!(
        exit == 4 && message(&document).contains("EXTEST"),
        "{document:#}"
    );
    let (exit, document) = taploom(&[&arguments[..], &["--yes"]].concat());
    assert_eq!(exit, 0, "{document:#}");
}

#[test]
fn drive_sense_and_release_work_by_any_name() {
    let seen = recorded(
        "drive",
        "drive(\"W25\", \"high\");\nrecord(\"one\", sense(\"A8\"));\n\
         drive(#{ W25: 0, \"J3.18\": true });\nlet both = sense([\"W25\", \"pattern memory.24\"]);\n\
         record(\"both\", [both[\"W25\"], both[\"pattern memory.24\"]]);\n\
         release(\"W25\");\nrecord(\"other\", sense(\"W24\"));\nrelease();",
    );
    assert_eq!(
        (&seen["one"], &seen["both"], &seen["other"]),
        (&json!("high"), &json!(["low", "high"]), &json!("high"))
    );
    for (line, exit, told) in [
        ("drive(\"W99\", \"high\");", 2, "W99"),
        ("drive(\"W25\", \"up\");", 2, "up is no level"),
        ("drive(\"U1.98\", 1);", 4, "U1.98"),
        ("sense(\"U1.999\");", 2, "U1.999"),
    ] {
        let (seen, document) = run("drive-wrong", line, AS_DRAWN, &[]);
        assert!(
            seen == exit && message(&document).contains(told),
            "{line}: {document:#}"
        );
        assert!(
            message(&document).contains("s.rhai:2:1"),
            "{line}: {document:#}"
        );
    }
}

#[test]
fn wait_for_ends_when_the_level_is_there_or_the_time_is_over() {
    let lines = "drive(\"W25\", \"high\");\nlet yes = wait_for(\"W25\", \"high\", 5);\n\
        let no = wait_for(\"W25\", \"low\", 0.2, #{ keep_going: true });\nrecord(\"waited\", [yes, no]);\nwait(0.25);\n\
        wait_for(\"W25\", \"low\", 0.1);\nsay(\"never\");";
    let (exit, document) = run("wait", lines, AS_DRAWN, &[]);
    assert_eq!(exit, 1, "{document:#}");
    assert_eq!(document["recorded"]["waited"], json!([true, false]));
    let steps = document["steps"].as_array().expect("steps");
    let seconds: Vec<f64> = (steps.iter())
        .filter(|s| {
            s["function"]
                .as_str()
                .is_some_and(|f| f.starts_with("wait"))
        })
        .filter_map(|s| s["seconds"].as_f64())
        .collect();
    let within = [(0.0, 0.05), (0.2, 0.25), (0.25, 0.26), (0.1, 0.15)];
    assert_eq!(seconds.len(), within.len(), "{document:#}");
    for (seen, (least, most)) in seconds.iter().zip(within) {
        assert!((least..most).contains(seen), "{seen} s, {least} to {most}");
    }
    let told = message(&document);
    assert!(
        told.contains("s.rhai:7:1") && told.contains("did not become low within 0.1 s: it is high"),
        "{told}"
    );
}

#[test]
fn vectors_count_and_a_mismatch_names_row_and_column() {
    let table = file("address-lines.csv");
    let seen = recorded(
        "vectors",
        &format!(
            "let v = vectors({table:?});\nrecord(\"v\", [v.vectors, v.compares, v.mismatches]);"
        ),
    );
    assert_eq!(seen["v"], json!([7, 13, 0]));
    let scratch = Scratch::new("vectors-file");
    let text =
        std::fs::read_to_string(root().join(FOLDER).join("address-lines.csv")).expect("the table");
    let altered = scratch.write("altered.csv", text.replace("1,0,H,L", "1,0,H,H"));
    let lines = format!(
        "let v = vectors({altered:?}, #{{ keep_going: true }});\nrecord(\"bad\", v.mismatches);\nvectors({altered:?});"
    );
    let (exit, document) = run("vectors-altered", &lines, AS_DRAWN, &[]);
    assert_eq!(
        (exit, &document["recorded"]["bad"]),
        (1, &json!(1)),
        "{document:#}"
    );
    assert!(
        message(&document).contains("row 5, column pattern memory.24: expected high, seen low"),
        "{document:#}"
    );
}

#[test]
fn record_say_ask_setting_check_and_fail() {
    let lines = "record(\"kinds\", #{ yes: true, n: 3, x: 0.5, list: [1, \"two\"], none: () });\n\
        record(\"asked\", ask(\"How many?\", 7));\n\
        record(\"set\", [setting(\"n\", 1) + 1, setting(\"x\", 0.5), setting(\"on\", false), setting(\"text\", \"a\"), setting(\"left\", \"as is\")]);\n\
        check(\"sums\", 1 + 1 == 2, \"by hand\");";
    let set = [
        "--set", "n=41", "--set", "x=2.5", "--set", "on=true", "--set", "text=b=c",
    ];
    let (exit, document) = run("beside", lines, AS_DRAWN, &set);
    assert_eq!(exit, 0, "{document:#}");
    let seen = &document["recorded"];
    assert_eq!(
        seen["kinds"],
        json!({ "yes": true, "n": 3, "x": 0.5, "list": [1, "two"], "none": null })
    );
    assert_eq!(seen["asked"], "7");
    assert_eq!(seen["set"], json!([42, 2.5, true, "b=c", "as is"]));
    let last = document["steps"]
        .as_array()
        .and_then(|s| s.last())
        .expect("a step");
    assert_eq!(
        (&last["title"], &last["result"]),
        (&json!("check sums"), &json!("by hand"))
    );

    let (exit, document) = run(
        "set-wrong",
        "setting(\"n\", 1);",
        AS_DRAWN,
        &["--set", "n=many"],
    );
    assert!(
        exit == 2 && message(&document).contains("a whole number is wanted"),
        "{document:#}"
    );
    // A check that is not so ends the script, with its evidence; so does `fail`, with its reason.
    for (line, told) in [
        (
            "check(\"lamp is lit\", false, [1, 2]);",
            "check lamp is lit: it is not so: 1, 2",
        ),
        ("fail(\"worn out\");", "worn out"),
    ] {
        let (exit, document) = run("ends", &format!("{line}\nsay(\"never\");"), AS_DRAWN, &[]);
        let steps = document["steps"].as_array().map(Vec::len);
        assert_eq!((exit, steps), (1, Some(2)), "{document:#}");
        let words = message(&document);
        assert!(
            words.contains("s.rhai:2:1") && words.contains(told),
            "{words}"
        );
    }
}

/// What a script says goes to standard output, its notes elsewhere.
#[test]
fn say_is_heard_and_quiet_leaves_the_results() {
    let scratch = Scratch::new("say");
    let script = scratch.write(
        "s.rhai",
        "say(\"hello\");\nsay(42);\ncheck(\"one\", true);\n",
    );
    let out = program(&["run", &script, "--quiet", "--simulate", AS_DRAWN])
        .output()
        .expect("the program starts");
    let text = String::from_utf8_lossy(&out.stdout);
    assert!(text.starts_with("hello\n42\n  1  passed"), "{text}");
    assert!(
        out.stderr.is_empty(),
        "{}",
        String::from_utf8_lossy(&out.stderr)
    );
}
