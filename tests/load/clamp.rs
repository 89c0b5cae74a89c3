//! Recipes that want the other devices held by CLAMP.

use super::{BOARD, IMAGE, Scratch, message, root};

const BENCH: &str = "fixtures/knitting-machine/as-drawn.toml";

#[test]
fn the_other_devices_are_held_only_under_the_guard() {
    let scratch = Scratch::new("clamp");
    let text =
        std::fs::read_to_string(root().join("fixtures/knitting-machine/heddle.toml")).unwrap();
    let clamped = text.replacen("[recipe]", "[recipe]\nothers = \"CLAMP\"", 1);
    let recipe = scratch.write("clamp.toml", &clamped);
    let load = [
        "load",
        BOARD,
        "U1",
        IMAGE,
        "--recipe",
        &*recipe,
        "--simulate",
        BENCH,
        "--yes",
    ];
    let (exit, held) = scratch.run(&[&load[..], &["--machine", "off"]].concat());
    assert_eq!(exit, 0, "{held}");
    assert_eq!(held["simulated"]["fights"], 0);
    assert_eq!(held["simulated"]["left_safe"], true);
    let (exit, plain) = scratch.run(&[
        "load",
        BOARD,
        "U1",
        IMAGE,
        "--simulate",
        BENCH,
        "--yes",
        "--machine",
        "off",
    ]);
    assert_eq!(exit, 0, "{plain}");
    // The same image arrives, after a thousand looks by SAMPLE at over 500 cells and a preload.
    assert_eq!(held["simulated"]["loaded"], plain["simulated"]["loaded"]);
    let cycles =
        |document: &serde_json::Value| document["simulated"]["tck_cycles"].as_u64().unwrap();
    assert!(cycles(&held) > cycles(&plain) + 500_000, "{held} {plain}");
    // Pins are driven by it: not into a machine that may be on.
    for machine in ["on", "unknown"] {
        let (exit, refused) = scratch.run(&[&load[..], &["--machine", machine]].concat());
        assert_eq!(exit, 4, "{refused}");
        assert!(message(&refused).contains("machine"), "{refused}");
        assert_eq!(refused["simulated"]["image_bits"], serde_json::json!({}));
    }
}
