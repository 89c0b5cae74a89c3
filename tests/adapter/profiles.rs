//! Profiles and `adapters` through the program, on this host and on benches.

use std::path::Path;

use super::benches::{fixtures_on, taploom};

/// A file of this test.
fn file(name: &str, text: &str) -> String {
    let path = Path::new(env!("CARGO_TARGET_TMPDIR")).join(name);
    std::fs::write(&path, text).unwrap();
    path.to_str().unwrap().to_owned()
}

const TEMPLATE: &str = r#"
[profile]
format = 1
name = "loom cable"
chips = ["FT2232H"]

[tap]
tck = "D0"
tdi = "D1"
tdo = "D2"
tms = "D3"
"#;

#[test]
fn a_bench_is_met_through_a_profile() {
    let run = |chip: &str, profile: &str| {
        let folder = fixtures_on(chip, "profiles").join("knitting-machine");
        let bench = folder.join("as-drawn.toml");
        let board = folder.join("board.toml");
        taploom(&[
            "--simulate",
            bench.to_str().unwrap(),
            "--profile",
            profile,
            "scan",
            board.to_str().unwrap(),
        ])
    };
    let own = file("loom-cable.toml", TEMPLATE);
    // Channel B of an FT2232C has bit-bang only: far fewer bits a second.
    let slow = run("FT2232C", "plain-ft2232c-b");
    let quick = run("FT2232C", "plain-ft2232c");
    for scan in [&run("FT2232H", &own), &slow, &quick] {
        assert_eq!(scan["exit"], 0, "{scan}");
        assert_eq!(scan["devices"].as_array().unwrap().len(), 5);
        assert_eq!(scan["simulated"]["left_safe"], true);
    }
    let bytes = |scan: &serde_json::Value| scan["simulated"]["usb_bytes_out"].as_u64().unwrap();
    assert!(bytes(&slow) > 5 * bytes(&quick));

    let wrong = run("FT2232C", &own);
    assert_eq!(wrong["exit"], 3);
    let said = wrong["error"]["message"].as_str().unwrap();
    assert!(
        said.contains("the profile \"loom cable\" is not for channel A of a FT2232C"),
        "{said}"
    );
    let none = run("FT2232C", "no-such-profile");
    assert_eq!(
        (&none["exit"], &none["error"]["kind"]),
        (&2.into(), &"profile".into())
    );
}

#[test]
fn profiles_are_checked_and_drawn() {
    let own = file("loom-cable-checked.toml", TEMPLATE);
    let good = taploom(&["adapters", "--check", &own]);
    assert_eq!(good["exit"], 0, "{good}");
    assert_eq!(good["profile"]["lines"].as_array().unwrap().len(), 4);
    let bad = file(
        "loom-cable-bad.toml",
        &TEMPLATE.replace("tdo", "tdoo").replace("\"D3\"", "\"D8\""),
    );
    let bad = taploom(&["adapters", "--check", &bad]);
    assert_eq!(bad["exit"], 2, "{bad}");
    let messages: Vec<&str> = bad["problems"]
        .as_array()
        .unwrap()
        .iter()
        .map(|p| p["message"].as_str().unwrap())
        .collect();
    // What was meant by the misspelt key is used: one slip, one problem.
    assert_eq!(messages.len(), 2, "{messages:?}");
    assert_eq!(messages[0], "unknown key `tdoo` in [tap]");
    let drawn = taploom(&["adapters", "--wiring"]);
    assert_eq!(drawn["profiles"].as_array().unwrap().len(), 6);
}

#[test]
fn adapters_says_what_there_is_and_waits_no_longer_than_it_is_told() {
    let list = taploom(&["adapters"]);
    assert_eq!(list["exit"], 0, "{list}");
    let began = std::time::Instant::now();
    let waited = taploom(&["adapters", "--wait", "1"]);
    assert!(began.elapsed().as_secs() < 10);
    let ready = waited["adapters"]
        .as_array()
        .unwrap()
        .iter()
        .any(|a| a["ready"] == true);
    // Without USB nothing can come: that is said at once, and is no failure.
    let expected = if ready || list["usb"] == false { 0 } else { 3 };
    assert_eq!(waited["exit"], expected, "{waited}");
}
