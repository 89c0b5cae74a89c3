//! Built-in profiles against the forms in code, and files that are wrong.

use super::super::{Chip, Way};
use super::*;

#[test]
fn every_channel_that_can_be_driven_has_a_built_in_profile() {
    assert_eq!(built_in().count(), TEXTS.len());
    let mut fitted = 0;
    for chip in Chip::ALL {
        for channel in 0..4 {
            let expected = match chip.way(channel) {
                None => {
                    assert!(fitting(chip, channel).is_none(), "{} {channel}", chip.name);
                    continue;
                }
                Some(Way::Mpsse) => Profile::plain_module("", channel, chip.high_lines),
                Some(Way::BitBang) => Profile::plain_bit_bang("", channel),
            };
            let (name, profile) = fitting(chip, channel).expect(chip.name);
            assert_eq!(profile.fault(chip), None, "{name}");
            let named = Profile {
                name: profile.name.clone(),
                ..expected
            };
            assert_eq!(profile, named, "{name} on a {}", chip.name);
            fitted += 1;
        }
    }
    // FT2232C A and B, FT232R, FT-X; two channels of six H types, one of three, FT4232HA's two.
    assert_eq!(fitted, 4 + 2 * 7 + 3);
}

const OWN: &str = r#"
[profile]
format = 1
name = "bench cable"
chips = ["FT2232H"]
channel = "B"
note = "with a level buffer"

[tap]
tck = "BDBUS0"
tdi = "D1"
tdo = "D2"
tms = "D3"
return_clock = "D7"

[lines]
trst = { line = "C0", inverted = true }
system_reset = { line = "BCBUS1", open_drain = true }
spare = ["D4", { line = "D5", open_drain = true }]

[[enable]]
line = "D6"
on = "low"
what = "output buffer"
"#;

#[test]
fn a_profile_of_ones_own_is_read() {
    let file = ProfileFile::parse("own.toml", OWN).unwrap_or_else(|e| panic!("{e}"));
    assert_eq!(file.channels, [1]);
    assert_eq!(file.enables, ["output buffer"]);
    assert!(file.is_for(Chip::of_release(0x0700).unwrap()));
    let profile = file.on(1);
    assert_eq!(profile.name, "bench cable, channel B");
    assert!(profile.return_clock);
    assert_eq!(profile.fixed, [(6, false)]);
    let trst = profile.trst.unwrap();
    assert_eq!((trst.pin, trst.inverted, trst.open_drain), (8, true, false));
    assert_eq!(profile.system_reset, Some(Wire::open_drain(9)));
    assert_eq!(profile.spare, [Wire::straight(4), Wire::open_drain(5)]);
    assert_eq!(profile.line_name(9), "BCBUS1");
}

/// The problems of `OWN` with one text in place of another.
fn wrong(from: &str, to: &str) -> Vec<String> {
    assert!(OWN.contains(from));
    match ProfileFile::parse("own.toml", &OWN.replacen(from, to, 1)) {
        Ok(_) => Vec::new(),
        Err(e) => e
            .to_string()
            .split("own.toml")
            .skip(1)
            .map(str::to_owned)
            .collect(),
    }
}

#[test]
fn everything_wrong_is_told_at_once_with_its_place_and_mend() {
    let text = OWN
        .replace("note = ", "notes = ")
        .replace("spare = ", "spares = ")
        .replace("\"FT2232H\"", "\"FT2323H\"")
        .replace("on = \"low\"", "on = \"lo\"")
        .replace("tdo = \"D2\"", "tdo = \"D9\"");
    let error = ProfileFile::parse("own.toml", &text).unwrap_err();
    assert_eq!(error.problems.len(), 5, "{error}");
    let text = error.to_string();
    for part in [
        "own.toml:5:10: `chips` is \"FT2323H\"",
        "  5 | chips = [\"FT2323H\"]\n    |          ^^^^^^^^^\n  help: did you mean \"FT232H\"?",
        "own.toml:7:1: unknown key `notes` in [profile]\n  7 | notes = \"with a level buffer\"\n    | ^^^^^\n  help: did you mean `note`?",
        "own.toml:12:7: `tdo` names \"D9\": it has no number from 0 to 7",
        "own.toml:19:1: unknown key `spares` in [lines]",
        "own.toml:23:6: `on` is \"lo\", expected low or high",
        "help: give `on` low or high",
    ] {
        assert!(text.contains(part), "{part}\n{text}");
    }
}

#[test]
fn wrong_values_are_told_one_by_one() {
    for (from, to, said) in [
        ("format = 1", "format = 2", "`format` is 2, expected 1"),
        ("name = \"bench cable\"", "", "[profile] has no `name`"),
        (
            "\"BDBUS0\"",
            "\"ADBUS0\"",
            "it is a line of channel A alone",
        ),
        ("\"BDBUS0\"", "\"TXD\"", "only a channel driven by bit-bang"),
        ("\"BDBUS0\"", "\"EDBUS0\"", "a line of channel E alone"),
        (
            "\"BDBUS0\"",
            "7",
            "`tck` is a whole number, expected a string",
        ),
        (
            "tck = \"BDBUS0\"",
            "tck = \"D1\"",
            "TCK, TDI, TDO and TMS on lines 0, 1, 2 and 3",
        ),
        (
            "return_clock = \"D7\"",
            "return_clock = \"D5\"",
            "return clock on D7 alone",
        ),
        (
            "line = \"D6\"",
            "line = \"D5\"",
            "line BDBUS5 has two tasks",
        ),
        (
            "channel = \"B\"",
            "channel = \"C\"",
            "a line of channel B alone",
        ),
        (
            "channel = \"B\"",
            "channel = \"E\"",
            "\"E\", expected A, B, C or D",
        ),
        ("[tap]", "[tap", "own"),
    ] {
        let problems = wrong(from, to);
        if said == "own" {
            assert!(!problems.is_empty(), "{to}");
        } else {
            assert!(
                problems.iter().any(|p| p.contains(said)),
                "{to}: {problems:?}"
            );
        }
    }
    let none = ProfileFile::find("no-such-profile")
        .unwrap_err()
        .to_string();
    assert!(
        none.starts_with("cannot read the profile no-such-profile: no such file"),
        "{none}"
    );
    assert!(ProfileFile::find("plain-ft232r").is_ok());
}

#[test]
fn nothing_that_is_cut_off_or_changed_panics() {
    for end in (0..OWN.len()).filter(|&i| OWN.is_char_boundary(i)) {
        let _ = ProfileFile::parse("own.toml", &OWN[..end]);
        for with in ["\"", "=", "é", "[", "\u{0}"] {
            let text = format!("{}{with}{}", &OWN[..end], &OWN[end..]);
            let _ = ProfileFile::parse("own.toml", &text).map_err(|e| e.to_string());
        }
    }
}
