//! Screens of the program where something is missing: each says what, and what to do next.

use super::{Scratch, root, taploom};

fn fixture(name: &str) -> String {
    root()
        .join("fixtures/knitting-machine")
        .join(name)
        .display()
        .to_string()
}

#[test]
fn the_one_screen_says_what_to_do_next() {
    let scratch = Scratch::new("state");
    let bench = fixture("as-drawn.toml");
    let socket = format!("unix:{}", scratch.0.join("nobody.sock").display());
    for (arguments, exit, told) in [
        (
            &["--simulate", &*bench][..],
            0,
            "Next: switch the machine off, then: taploom ringout",
        ),
        (
            &["--tap", &socket],
            0,
            "Next: start the other side of the TAP socket",
        ),
        (
            &["--simulate", "nope.toml"],
            2,
            "cannot read the bench file nope.toml",
        ),
    ] {
        let (seen, out, said) = taploom(arguments);
        assert!(
            seen == exit && format!("{out}{said}").contains(told),
            "{arguments:?}: {seen}\n{out}{said}"
        );
    }
}

/// Every command: a word after `error:`, `help:` where there is something to do, and one document with `--json`.
#[test]
fn what_is_missing_is_said_in_words() {
    let (board, bench) = (fixture("board.toml"), fixture("as-drawn.toml"));
    let image = fixture("pattern-tap.bin");
    for (arguments, exit, told) in [
        (
            &["scan", "nope.toml"][..],
            2,
            "cannot read the board file nope.toml: no such file",
        ),
        (&["ringout", &*board], 4, "--machine off"),
        (
            &["ringout", &board, "--only", "W99", "--dry"],
            2,
            "W01 to W28",
        ),
        (
            &["ringout", &board, "--by", "guessing", "--dry"],
            2,
            "the methods are",
        ),
        (
            &["drive", &board],
            2,
            "nothing to drive and nothing to sense",
        ),
        (
            &["drive", &board, "--vectors", "nope.csv", "--machine", "off"],
            2,
            "cannot read nope.csv: no such file",
        ),
        (
            &["load", &board, "U9", &image],
            2,
            "its devices are U1, U2, U3, U4, U5",
        ),
        (&["load", &board, "U1", "nope.bin"], 2, "nope.bin"),
        (
            &["play", &board, "nope.svf"],
            2,
            "cannot read nope.svf: no such file",
        ),
        (
            &["run", "nope.rhai"],
            2,
            "nope.rhai: cannot be read: no such file",
        ),
        (
            &["simulate", "nope.toml", "--serve", "127.0.0.1:0"],
            2,
            "cannot read the bench file",
        ),
        (
            &["describe", "nope.bsd"],
            2,
            "cannot read nope.bsd: no such file",
        ),
        (&["vet", "nope.bsd"], 2, "nope.bsd"),
        (
            &["scan", "--simulate", &bench, "--tap", "127.0.0.1:1"],
            2,
            "cannot be used with",
        ),
        (&["help", "nope"], 2, "there is no command nope"),
        (&["rin"], 2, "ringout"),
    ] {
        let (seen, out, said) = taploom(arguments);
        assert!(
            seen == exit && out.is_empty(),
            "{arguments:?}: {seen}\n{out}{said}"
        );
        assert!(
            said.starts_with("error: ") && said.contains(told),
            "{arguments:?}: {said}"
        );
        assert!(!said.contains("os error"), "{arguments:?}: {said}");
        let (seen, out, _) = taploom(&[arguments, &["--json"]].concat());
        let document: serde_json::Value =
            serde_json::from_str(&out).unwrap_or_else(|e| panic!("{arguments:?}: {e}\n{out}"));
        assert_eq!(
            (seen, &document["exit"]),
            (exit, &exit.into()),
            "{arguments:?}"
        );
        assert!(
            document["error"]["message"].is_string(),
            "{arguments:?}: {document:#}"
        );
    }
}

/// A rehearsal never refuses for want of power off or consent, and writes nothing.
#[test]
fn a_rehearsal_touches_nothing() {
    let scratch = Scratch::new("dry");
    let (board, vectors) = (fixture("board.toml"), fixture("address-lines.csv"));
    let target = |name: &str| scratch.0.join(name).display().to_string();
    let (image, script, device) = (
        fixture("pattern-tap.bin"),
        fixture("bringup.rhai"),
        fixture("devices/heddle_208.bsd"),
    );
    for arguments in [
        &["scan", &*board][..],
        &["margin", &board],
        &["ringout", &board],
        &["drive", &board, "W25=high"],
        &["drive", &board, "--vectors", &vectors],
        &["load", &board, "U1", &image],
        &["play", &board, &fixture("identity.svf")],
        &["run", &script],
        &["new", "--script", &board, "--output", &target("s.rhai")],
        &["describe", &device, "--svg", &target("d.svg")],
        &[
            "simulate",
            &fixture("as-drawn.toml"),
            "--serve",
            &format!("unix:{}", target("s.sock")),
        ],
        &["manual", &target("man")],
    ] {
        let (exit, out, said) = taploom(&[arguments, &["--dry"]].concat());
        assert!(
            exit == 0 && !out.is_empty(),
            "{arguments:?}: {exit}\n{out}{said}"
        );
    }
    let left = std::fs::read_dir(&scratch.0).expect("the folder").count();
    assert_eq!(left, 0, "a rehearsal wrote something");
}

/// Colour only where it is wanted, and never as the only sign.
#[test]
fn pipes_get_no_colour() {
    let bench = fixture("as-drawn.toml");
    for arguments in [
        &["--help"][..],
        &["help", "run"],
        &["--simulate", &bench],
        &["scan", "nope"],
        &["demo"],
    ] {
        let (_, out, said) = taploom(arguments);
        assert!(
            !out.contains('\u{1b}') && !said.contains('\u{1b}'),
            "{arguments:?}"
        );
    }
}
