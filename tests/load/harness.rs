//! A device that will drive pins is loaded only when the harness was proven with this very board file, or the machine is
//! declared off, or the user consents; and what the rule is good for.

use super::{BOARD, IMAGE, Scratch, message, root};

#[test]
fn a_harness_that_nobody_proved_is_asked_about() {
    let scratch = Scratch::new("harness");
    // A board of its own, so that it can be changed.
    let folder = root().join("fixtures/knitting-machine");
    let text = std::fs::read_to_string(folder.join("board.toml")).unwrap();
    let text = text.replace(
        "[\"devices\"]",
        &format!("[\"{}/devices\"]", folder.display()),
    );
    std::fs::copy(folder.join("harness.csv"), scratch.path("harness.csv")).unwrap();
    std::fs::copy(folder.join("heddle.toml"), scratch.path("heddle.toml")).unwrap();
    let board = scratch.write("board.toml", &text);
    let bench = scratch.write(
        "bench.toml",
        "[bench]\nformat = 1\nboard = \"board.toml\"\nwith = [\"U5\"]\nseed = 1\n",
    );
    let load = ["load", &*board, "U1", IMAGE, "--simulate", &*bench];
    let refused = |scratch: &Scratch| {
        for machine in [&[][..], &["--machine", "on"], &["--machine", "unknown"]] {
            let (exit, document) = scratch.run(&[&load, machine].concat());
            assert_eq!(exit, 4, "{document}");
            let said = message(&document);
            assert!(
                said.contains("has not been proven with this board file"),
                "{said}"
            );
            // Not a bit of the image went out.
            assert_eq!(document["simulated"]["image_bits"], serde_json::json!({}));
            assert_eq!(document["simulated"]["left_safe"], true);
        }
    };
    refused(&scratch);
    // A rehearsal asks nothing; a machine that is off and a user who consents are enough.
    assert_eq!(scratch.run(&[&load[..], &["--dry"]].concat()).0, 0);
    assert_eq!(
        scratch.run(&[&load[..], &["--machine", "off"]].concat()).0,
        0
    );
    assert_eq!(scratch.run(&[&load[..], &["--yes"]].concat()).0, 0);
    refused(&scratch);
    // A ring-out of the whole harness without a fault is the proof.
    let ring = [
        "ringout",
        &*board,
        "--simulate",
        &*bench,
        "--machine",
        "off",
        "--yes",
    ];
    let (exit, document) = scratch.run(&ring);
    assert_eq!(exit, 0, "{document}");
    for machine in [&[][..], &["--machine", "on"]] {
        let (exit, document) = scratch.run(&[&load, machine].concat());
        assert_eq!(exit, 0, "{document}");
    }
    // For a script as well.
    let script = format!(
        "board(\"board.toml\");\nload(\"U1\", \"{}\");\n",
        scratch.path("image.bin")
    );
    let script = scratch.write("load.rhai", script);
    std::fs::copy(root().join(IMAGE), scratch.path("image.bin")).unwrap();
    let run = ["run", &*script, "--simulate", &*bench];
    let (exit, document) = scratch.run(&run);
    assert_eq!(exit, 0, "{document}");
    // A proof that cannot be read is none.
    let boards = scratch.0.join("state/boards");
    for kept in std::fs::read_dir(&boards).unwrap() {
        let kept = kept.unwrap().path();
        let text = std::fs::read(&kept).unwrap();
        for spoilt in [&text[..text.len() / 2], b"", b"{}", b"\xFF\xFE"] {
            std::fs::write(&kept, spoilt).unwrap();
            refused(&scratch);
            let (exit, document) = scratch.run(&run);
            assert_eq!(exit, 4, "{document}");
        }
        std::fs::write(&kept, text).unwrap();
    }
    assert_eq!(scratch.run(&load).0, 0);
    // Another board file is another harness.
    scratch.write(
        "board.toml",
        text.replace("Needle-bus tap", "Needle-bus tap, rewired"),
    );
    refused(&scratch);
}

/// The design that U1 takes drives two lines that a solder bridge joins: who goes on without proof has a fight; who asks
/// the ring-out first hears of the bridge.
#[test]
fn what_the_rule_is_good_for() {
    let scratch = Scratch::new("rule");
    let bench = scratch.bench(
        "bench.toml",
        "with = [\"U5\"]\n[[device]]\nname = \"U1\"\nmission = { 12 = \"high\", 13 = \"low\" }\n\
         [[fault]]\nkind = \"short\"\nwires = [\"W24\", \"W25\"]\n",
    );
    let load = ["load", BOARD, "U1", IMAGE, "--simulate", &*bench];
    let fights = |d: &serde_json::Value| d["simulated"]["fights"].as_u64().unwrap();
    let (exit, document) = scratch.run(&load);
    assert_eq!((exit, fights(&document)), (4, 0), "{document}");
    let ring = [
        "ringout",
        BOARD,
        "--simulate",
        &*bench,
        "--machine",
        "off",
        "--yes",
    ];
    let (exit, document) = scratch.run(&ring);
    assert_eq!((exit, fights(&document)), (1, 0), "{document}");
    // A ring-out that found something proves nothing.
    let (exit, document) = scratch.run(&load);
    assert_eq!((exit, fights(&document)), (4, 0), "{document}");
    // The image went in, and the bench saw the fight: no success.
    let (exit, document) = scratch.run(&[&load[..], &["--yes"]].concat());
    assert_eq!(exit, 1, "{document}");
    assert!(
        fights(&document) > 0,
        "the bench does not see the fight: {document}"
    );
}
