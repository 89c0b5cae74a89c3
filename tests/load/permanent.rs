//! A part that keeps its image: asked for, said, consented to, written, read back; and broken off.

use serde_json::json;

use super::{BOARD, IMAGE, Scratch, message, root};

const KEEPING: &str = "fixtures/keeping/board.toml";
const TREADLE: &str = "fixtures/keeping/treadle.bin";
const BENCH: &str = "fixtures/keeping/as-drawn.toml";

#[test]
fn it_is_written_only_when_asked_for_and_agreed_to() {
    let scratch = Scratch::new("permanent");
    let load = [
        "load",
        KEEPING,
        "U2",
        TREADLE,
        "--simulate",
        BENCH,
        "--machine",
        "off",
    ];
    let run = |more: &[&str]| scratch.run(&[&load, more].concat());
    for (more, reason) in [
        (&[][..], "for good"),
        (&["--yes"], "for good"),
        (&["--permanent"], "cannot be undone"),
    ] {
        let (exit, document) = run(more);
        assert_eq!(exit, 4, "{more:?}: {document}");
        assert!(message(&document).contains(reason), "{more:?}: {document}");
        let seen = &document["simulated"];
        assert!(seen.is_null() || seen["loaded"] == json!([]), "{document}");
    }
    // What it means, all of it, before the question.
    let (_, document) = run(&["--permanent"]);
    for part in [
        "lost from the first step on",
        "written only once",
        "a memory beside the part",
        "power must not fail",
    ] {
        assert!(message(&document).contains(part), "{part}: {document}");
    }
    let (exit, document) = run(&["--permanent", "--yes", "--verify"]);
    assert_eq!(exit, 0, "{document}");
    assert_eq!(
        (&document["verified"], &document["permanent"]),
        (&json!(true), &json!(true))
    );
    let seen = &document["simulated"];
    let bytes = std::fs::read(root().join(TREADLE)).unwrap();
    let crc = u16::from_be_bytes([bytes[660], bytes[661]]);
    assert_eq!(
        seen["loaded"],
        json!([{
            "device": "U2", "text": "TREADLE_44 carriage", "payload_bytes": 600,
            "crc": format!("0x{crc:04X}"), "running": true, "kept": true,
        }])
    );
    assert!(
        document["what"]
            .as_str()
            .unwrap()
            .ends_with("it stays there without power")
    );
    // Erasing and writing took their time.
    assert!(document["seconds"].as_f64().unwrap() > 0.16, "{document}");
    // A rehearsal asks nothing and refuses nothing.
    assert_eq!(run(&["--dry"]).0, 0);
    // Only where a recipe says so.
    let volatile = "fixtures/knitting-machine/as-drawn-no-clip.toml";
    let (exit, document) = scratch.run(&[
        "load",
        BOARD,
        "U1",
        IMAGE,
        "--permanent",
        "--yes",
        "--simulate",
        volatile,
    ]);
    assert_eq!(exit, 2, "{document}");
    // And no script does it unasked.
    let script = scratch.write(
        "keep.rhai",
        format!(
            "board(\"{0}/{KEEPING}\");\nload(\"U2\", \"{0}/{TREADLE}\");\n",
            root().display()
        ),
    );
    let allow = root().join("fixtures/keeping").display().to_string();
    let (exit, document) = scratch.run(&[
        "run",
        &script,
        "--simulate",
        BENCH,
        "--machine",
        "off",
        "--yes",
        "--allow-path",
        &allow,
    ]);
    assert_eq!(exit, 4, "{document}");
}

/// The erase is not waited for: the part says that it is not ready, and what is told is that its old content may be gone.
#[test]
fn a_part_that_is_still_erasing_is_a_failed_load() {
    let scratch = Scratch::new("hasty");
    let recipe = std::fs::read_to_string(root().join("fixtures/keeping/treadle.toml")).unwrap();
    let hasty = scratch.write(
        "hasty.toml",
        recipe.replace("wait_ms = 125", "wait_ms = 100"),
    );
    let (exit, document) = scratch.run(&[
        "load",
        KEEPING,
        "U2",
        TREADLE,
        "--recipe",
        &hasty,
        "--permanent",
        "--yes",
        "--machine",
        "off",
        "--simulate",
        BENCH,
    ]);
    assert_eq!(exit, 1, "{document}");
    let what = document["what"].as_str().unwrap();
    assert!(
        what.contains("what the part held before may be gone for good"),
        "{what}"
    );
    assert!(
        document["findings"].to_string().contains("BUSY"),
        "{document}"
    );
}
