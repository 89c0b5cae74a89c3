//! Hostile images, recipes and files of serial vectors: refused in words, at once, with a status that says whose fault it
//! is; never a half-written record, never a hang.

use std::process::Command;

use super::{BOARD, IMAGE, Scratch, message, root};

const BENCH: &str = "fixtures/knitting-machine/as-drawn-no-clip.toml";

#[test]
fn pipes_devices_and_folders_are_no_files() {
    let scratch = Scratch::new("pipes");
    let pipe = scratch.path("pipe");
    assert!(
        Command::new("mkfifo")
            .arg(&pipe)
            .status()
            .unwrap()
            .success()
    );
    let folder = scratch.0.display().to_string();
    let on = ["--simulate", BENCH, "--machine", "off", "--yes"];
    for odd in [&*pipe, "/dev/zero", "/dev/null", &*folder, "no/such/file"] {
        for job in [
            &["load", BOARD, "U1", odd][..],
            &["load", BOARD, "U1", IMAGE, "--recipe", odd],
            &["load", "--check", odd],
            &["play", BOARD, odd],
        ] {
            let arguments = if job[1] == "--check" {
                job.to_vec()
            } else {
                [job, &on].concat()
            };
            let (exit, document) = scratch.run(&arguments);
            assert_eq!(exit, 2, "{job:?}: {document}");
            assert!(message(&document).contains(odd), "{job:?}: {document}");
        }
    }
    // A record that cannot be kept is said, and a file that was there is not half written over.
    let load = ["load", BOARD, "U1", IMAGE];
    for (record, good) in [
        ("/dev/full", false),
        ("no/folder/record.json", false),
        ("/dev/null", true),
    ] {
        let (exit, document) = scratch.run(&[&load[..], &on, &["--record", record]].concat());
        assert_eq!(exit, if good { 0 } else { 2 }, "{record}: {document}");
    }
}

#[test]
fn odd_images_are_refused() {
    let scratch = Scratch::new("odd-images");
    let good = std::fs::read(root().join(IMAGE)).unwrap();
    let mut endless = good.clone();
    endless[56..60].copy_from_slice(&[0xFF; 4]);
    let mut nothing = good.clone();
    nothing[56..60].copy_from_slice(&[0; 4]);
    let mut many = good[..16].to_vec();
    many.extend(good[16..60].repeat(40_000));
    let cases: [(&str, &[u8], i32); 7] = [
        ("empty", &[], 1),
        ("one byte", &[0xC9], 1),
        ("only the preamble", &good[..20], 1),
        ("length of 4 billion", &endless, 1),
        ("length of nothing", &nothing, 1),
        ("preambles for ever", &many, 1),
        ("gzip of nothing", &[0x1F, 0x8B, 0x08], 2),
    ];
    for (what, bytes, wanted) in cases {
        let file = scratch.write("image", bytes);
        for force in [&[][..], &["--force"]] {
            let on = ["--simulate", BENCH, "--machine", "off", "--yes"];
            let (exit, document) =
                scratch.run(&[&["load", BOARD, "U1", &*file][..], &on, force].concat());
            assert_eq!(exit, wanted, "{what} {force:?}: {document}");
            // Before the first bit of an image that was refused and is sent all the same, a warning.
            let said = std::fs::read_to_string(scratch.path("err")).unwrap();
            let warned = said.contains("going on by force, though");
            assert_eq!(
                warned,
                document["forced"] == true,
                "{what} {force:?}: {said}"
            );
            assert_ne!(document["loaded"], true, "{what} {force:?}: {document}");
            let seen = &document["simulated"];
            assert!(
                seen.is_null() || seen["left_safe"] == true,
                "{what} {force:?}: {document}"
            );
        }
    }
}

#[test]
fn odd_recipes_are_refused() {
    let scratch = Scratch::new("odd-recipes");
    let good =
        std::fs::read_to_string(root().join("fixtures/knitting-machine/heddle.toml")).unwrap();
    for (from, to) in [
        ("bits = 16", "bits = 4_000_000_000"),
        ("clocks = 600", "clocks = 4_000_000_000"),
        ("ms = 10", "ms = 4_000_000_000_000"),
        ("least_bytes = 71", "least_bytes = -1"),
        ("within = 64", "within = 18446744073709551615"),
        ("at = 40, bytes = 4", "at = 18446744073709551615, bytes = 4"),
        ("bytes = 4, order", "bytes = 4000000000, order"),
        ("plus = 54", "plus = 99999999999999999999"),
        ("\"CFG_OPEN\"", "\"CFG_\\u0000PEN\""),
        ("[[load]]", "[[load]]\n[[load]]"),
        ("format = 1", "format = 4_000_000_000"),
    ] {
        assert!(good.contains(from), "{from}");
        let file = scratch.write("recipe.toml", good.replacen(from, to, 1));
        let (exit, document) = scratch.run(&["load", "--check", &file, BOARD, "U1"]);
        assert_eq!(exit, 2, "{to}: {document}");
        assert!(
            message(&document).contains("recipe.toml"),
            "{to}: {document}"
        );
    }
    for bytes in [
        &b"\xff\xfe"[..],
        b"",
        b"[recipe]\nformat = 1\n",
        &[b'['; 100_000],
        &[b' '; 2 << 20],
    ] {
        let file = scratch.write("recipe.toml", bytes);
        assert_eq!(scratch.run(&["load", "--check", &file]).0, 2);
    }
}

/// Recipes are held against the BSDL on request, the template is a recipe, and a part without one is told what to do.
#[test]
fn recipes_can_be_checked_begun_and_missed() {
    let scratch = Scratch::new("recipes");
    let heddle = "fixtures/knitting-machine/heddle.toml";
    let (exit, document) = scratch.run(&["load", "--check", heddle, BOARD, "U1"]);
    assert_eq!((exit, &document["fits"]), (0, &"U1".into()), "{document}");
    let (exit, document) = scratch.run(&["load", "--check", heddle, BOARD]);
    assert_eq!((exit, &document["fits"]), (0, &"U1".into()), "{document}");
    let (exit, document) = scratch.run(&["load", "--check", heddle, BOARD, "U3"]);
    assert_eq!(exit, 2, "{document}");
    assert!(
        message(&document).contains("not for BOBBIN_44"),
        "{document}"
    );
    let (exit, document) = scratch.run(&["load", "--template"]);
    assert_eq!(exit, 0, "{document}");
    let file = scratch.write("mine.toml", document["template"].as_str().unwrap());
    assert_eq!(scratch.run(&["load", "--check", &file]).0, 0);
    let (exit, document) = scratch.run(&["load", BOARD, "U4", IMAGE, "--simulate", BENCH]);
    assert_eq!(exit, 2, "{document}");
    assert!(
        message(&document).contains("no recipe for U4"),
        "{document}"
    );
    let help = document["error"]["help"].as_str().unwrap();
    assert!(
        help.contains("SVF") && help.contains("STAPL") && help.contains("taploom play"),
        "{help}"
    );
}

#[test]
fn odd_vectors_are_refused_with_a_place_before_anything_is_played() {
    let scratch = Scratch::new("odd-vectors");
    for (text, place, reason) in [
        ("SIR 8 TDI (0F);\nSDR 4294967295 TDI (1);", "line 2", ""),
        ("SDR 18446744073709551616 TDI (1);", "line 1", ""),
        ("SDR 200000000 TDI (1);", "line 1", ""),
        ("RUNTEST 4294967295 SEC;", "line 1", "longest"),
        ("RUNTEST 400000000000 TCK;", "line 1", "longest"),
        (
            "RUNTEST 1000000 TCK MAXIMUM 0.001 SEC;",
            "line 1",
            "MAXIMUM",
        ),
        ("SIR 8 TDI (0F);\nSDR 8 TDI (", "line 2", ""),
        ("SIR 8 TDI (0F);\nSDR 8 TDI (0", "line 2", ""),
        ("SIR 8 TDI (0F", "line 1", ""),
        ("LOOP 4000000000;\nSDR 8 TDI (00);", "line 1", "ENDLOOP"),
        ("FREQUENCY 0 HZ;", "line 1", ""),
        ("HDR 4000000000;", "line 1", ""),
        ("PIOMAP (IN A OUT B);", "line 1", "no spare line"),
        ("PIO (H);", "line 1", "PIOMAP"),
        ("STATE DRSHIFT;", "line 1", ""),
    ] {
        let file = scratch.write("odd.svf", text);
        let (exit, document) = scratch.run(&[
            "play",
            BOARD,
            &file,
            "--simulate",
            BENCH,
            "--machine",
            "off",
            "--yes",
        ]);
        assert_eq!(exit, 2, "{text}: {document}");
        let said = message(&document);
        assert!(
            said.contains(place) && said.contains(reason),
            "{text}: {said}"
        );
        assert!(
            document["simulated"].is_null(),
            "{text}: it was played: {document}"
        );
    }
}
