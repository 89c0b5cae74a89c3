//! Files of serial vectors through the program: parallel pins on spare lines of the adapter, whose bits differ, consent.

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

/// U1 (10 instruction bits), U2 (8), U3 (8), U4 (5) from TDI to TDO; bit 0 is nearest TDO. Captures and codes are those of
/// fixtures/knitting-machine/README.md and the BSDL files beside it.
#[test]
fn a_bit_that_differs_is_told_with_its_device() {
    let scratch = Scratch::new("whose");
    let bench = scratch.bench("bench.toml", "");
    let play = |text: &str, more: &[&str]| {
        let file = scratch.write("whose.svf", text);
        let job = [
            "play",
            BOARD,
            &*file,
            "--keep-going",
            "--simulate",
            &*bench,
            "--machine",
            "off",
            "--yes",
        ];
        let (exit, document) = scratch.run(&[&job, more].concat());
        assert_eq!(exit, 1, "{text}: {document}");
        let list = document["mismatch_list"].as_array().unwrap().clone();
        list.iter()
            .map(|m| m["devices"].clone())
            .collect::<Vec<_>>()
    };
    // Captured instruction bits: the two lowest of each device are 01; a 0 is wanted where each 1 is.
    for (bit, device) in [(0, "U4"), (5, "U3"), (13, "U2"), (21, "U1")] {
        let mask = 1u32 << bit;
        let text = format!("SIR 31 TDI (7FFFFFFF) TDO (0) MASK ({mask:X});\n");
        assert_eq!(play(&text, &[]), [serde_json::json!([device])], "bit {bit}");
    }
    // BYPASS everywhere: bit 2 is U2's. Then IDCODE in U2 alone: bits 2 to 33.
    let bypass = "SIR 31 TDI (7FFFFFFF);\nSDR 4 TDI (0) TDO (4);\n";
    assert_eq!(play(bypass, &[]), [serde_json::json!(["U2"])]);
    // After a reset each has its IDCODE, 32 bits: bit 32 begins U3, the last of 128 is in U1.
    let reset = "STATE RESET;\nSDR 128 TDI (0) TDO (00000000000000000000000000000000) MASK (00000000000000000000000100000000);\n";
    assert_eq!(play(reset, &[]), [serde_json::json!(["U3"])]);
    // A register of any length, where the others are in BYPASS: CFG_SHIFT of U1 captures zeros.
    let shift = "SIR 10 TDI (212);\nSDR 64 TDI (0) TDO (1);\n";
    assert_eq!(
        play(shift, &["--device", "U1"]),
        [serde_json::json!(["U1"])]
    );
}

#[test]
fn a_file_that_selects_extest_is_asked_about() {
    let scratch = Scratch::new("extest");
    let bench = scratch.bench("bench.toml", "");
    // EXTEST of U4 is 01001 (fixtures/knitting-machine/devices/shuttle_44.bsd).
    let file = scratch.write("extest.svf", "SIR 5 TDI (1F);\nSIR 5 TDI (09);\n");
    let job = [
        "play",
        BOARD,
        &*file,
        "--device",
        "U4",
        "--simulate",
        &*bench,
        "--machine",
        "off",
    ];
    let (exit, document) = scratch.run(&job);
    assert_eq!(exit, 4, "{document}");
    let said = message(&document);
    assert!(
        said.contains("line 2") && said.contains("EXTEST in U4"),
        "{said}"
    );
    let (exit, document) = scratch.run(&[&job[..], &["--yes"]].concat());
    assert_eq!(
        (exit, &document["simulated"]["left_safe"]),
        (0, &true.into()),
        "{document}"
    );
    assert_eq!(scratch.run(&[&job[..], &["--dry"]].concat()).0, 0);
}
