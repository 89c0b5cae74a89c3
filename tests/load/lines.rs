//! Parallel pins of a file of serial vectors on spare lines of the adapter.

use super::{BOARD, Scratch, message};

/// Spare line 0 touches J3.29 (U1.34) and spare line 1 a supply: what is driven is read back by SAMPLE, what is expected is
/// looked at.
#[test]
fn parallel_pins_are_spare_lines() {
    let scratch = Scratch::new("lines");
    let bench = scratch.bench("bench.toml", "spare = { 0 = \"J3.29\", 1 = \"J3.24\" }");
    let play = |text: &str, more: &[&str]| {
        let file = scratch.write("pins.svf", text);
        let job = [
            "play",
            BOARD,
            &*file,
            "--simulate",
            &*bench,
            "--machine",
            "off",
            "--yes",
        ];
        scratch.run(&[&job, more].concat())
    };
    let mapped = ["--spare", "PROBE=0", "--spare", "pulled=1"];
    // J3.24 has a pull-up: high. J3.29 follows what is driven on it.
    let good = "PIOMAP (INOUT PROBE OUT PULLED);\nPIO (HU);\nPIO (LU);\nPIO (Z X);\n";
    let (exit, document) = play(good, &mapped);
    assert_eq!(
        (exit, &document["commands"]["PIO"]),
        (0, &3.into()),
        "{document}"
    );
    let (exit, document) = play(
        "PIOMAP (INOUT PROBE OUT PULLED);\nPIO (HU);\nPIO (XD);\n",
        &mapped,
    );
    assert_eq!(exit, 1, "{document}");
    let found = &document["mismatch_list"][0];
    assert_eq!(
        (&found["line"], &found["bits"]),
        (&3.into(), &serde_json::json!([1])),
        "{document}"
    );
    for (text, reason) in [
        (
            "PIOMAP (IN OTHER);\n",
            "no spare line of the adapter stands for OTHER",
        ),
        ("PIOMAP (IN PROBE);\nPIO (HH);\n", "2 levels"),
        ("PIOMAP (OUT PULLED);\nPIO (H);\n", "calls OUT"),
        ("PIO (H);\n", "before any PIOMAP"),
    ] {
        let (exit, document) = play(text, &mapped);
        assert_eq!(exit, 2, "{text}: {document}");
        assert!(message(&document).contains(reason), "{text}: {document}");
    }
    let (exit, document) = play(good, &["--spare", "PROBE=12"]);
    assert_eq!(exit, 2, "{document}");
}
