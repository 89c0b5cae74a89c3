//! The scenario's image into U1 through every chip that the bench knows; what does not fit is refused or failed in words.
//! Done and CRC come from the simulator's own record.

use serde_json::{Value, json};
use taploom::simulator::adapter::Model;

use super::{BOARD, IMAGE, Scratch, image, root};

fn load(scratch: &Scratch, bench: &str, device: &str, image: &str) -> (i32, Value) {
    let more = ["--machine", "off", "--yes", "--simulate", bench];
    scratch.run(&[&["load", BOARD, device, image], &more[..]].concat())
}

#[test]
fn every_chip_loads_the_image_and_no_wrong_one() {
    let scratch = Scratch::new("chips");
    let good = std::fs::read(root().join(IMAGE)).unwrap();
    // The CRC stands in the image: format in fixtures/knitting-machine/README.md.
    let crc = u16::from_be_bytes([good[60 + 49_152], good[61 + 49_152]]);
    let mut damaged = good.clone();
    damaged[30_000] ^= 0x01;
    let mut other = image::image("HEDDLE_208 other", 0x04D1_6501, &[0x5A; 500]);
    let refused = [
        ("damaged.bin", damaged, "U1", "CRC_ERROR"),
        (
            "short.bin",
            good[..good.len() - 9].to_vec(),
            "U1",
            "ends before its own length",
        ),
        (
            "other.bin",
            std::mem::take(&mut other),
            "U1",
            "another part",
        ),
        ("text.bin", b"no image at all".to_vec(), "U1", "too short"),
        ("for-u2.bin", good.clone(), "U2", "another part"),
    ];
    let chips: Vec<String> = Model::all().into_iter().map(|m| m.name).collect();
    for wanted in ["FT2232H", "FT232H", "FT4232H", "FT2232C", "FT232R"] {
        assert!(chips.iter().any(|c| c == wanted), "{wanted}");
    }
    println!("{} chips: {}", chips.len(), chips.join(", "));
    for chip in &chips {
        let bench = scratch.bench("bench.toml", &format!("[adapter]\nchip = \"{chip}\""));
        let (exit, document) = load(&scratch, &bench, "U1", IMAGE);
        if chip == "FT232BM" {
            // It is emulated to be refused: it has nothing to drive a TAP with.
            assert_eq!(exit, 3, "{chip}: {document}");
            assert!(super::message(&document).contains("cannot be driven"));
            continue;
        }
        assert_eq!(exit, 0, "{chip}: {document}");
        let said = document["what"].as_str().unwrap_or_default();
        assert_eq!(
            said, "U1 is loaded: DONE (the loaded design runs); it is gone at power-off",
            "{chip}"
        );
        let seen = &document["simulated"];
        let taken = json!([{
            "device": "U1", "text": "HEDDLE_208 pattern-tap", "payload_bytes": 49_152,
            "crc": format!("0x{crc:04X}"), "running": true, "kept": false,
        }]);
        assert_eq!(seen["loaded"], taken, "{chip}");
        assert_eq!(
            (&seen["fights"], &seen["left_safe"]),
            (&json!(0), &json!(true))
        );
        for (name, bytes, device, reason) in &refused {
            let file = scratch.write(name, bytes);
            let (exit, document) = load(&scratch, &bench, device, &file);
            assert_eq!(exit, 1, "{chip} {name}: {document}");
            assert_eq!(document["loaded"], false, "{chip} {name}");
            assert!(
                document["findings"].to_string().contains(reason),
                "{chip} {name}: {document}"
            );
            let seen = &document["simulated"];
            assert_eq!(seen["loaded"], json!([]), "{chip} {name}");
            assert_eq!(seen["left_safe"], true, "{chip} {name}");
        }
    }
}

/// Bits that turn on their way into U2: its own CRC finds them, and the load is told as failed.
#[test]
fn bit_errors_on_the_way_in_are_a_failed_load() {
    let scratch = Scratch::new("bit-errors");
    let payload: Vec<u8> = (0..40_000u32).map(|i| ((i * 31) >> 3) as u8).collect();
    let bytes = image::image("JACQUARD_256 errors", 0x04D1_6501, &payload);
    let file = scratch.write("image.bin", bytes);
    let clean = scratch.bench("clean.toml", "");
    assert_eq!(load(&scratch, &clean, "U2", &file).0, 0);
    let fault = "[[chain_fault]]\nkind = \"bit-errors\"\nafter = \"U1\"\nrate = 0.00005";
    let bench = scratch.bench("bench.toml", fault);
    let (exit, document) = load(&scratch, &bench, "U2", &file);
    assert_eq!(exit, 1, "{document}");
    assert_eq!(document["simulated"]["loaded"], json!([]), "{document}");
    let findings = document["findings"].to_string();
    assert!(
        findings.contains("CRC") || findings.contains("_ERROR") || findings.contains("LOADED"),
        "{document}"
    );
}

/// A packed image is loaded as it is unpacked; one that was cut off or spoilt is an error with the reason.
#[test]
fn packed_images_are_unpacked_on_the_way() {
    use std::io::Write;
    let scratch = Scratch::new("packed");
    let bench = scratch.bench("bench.toml", "");
    let pack = |bytes: &[u8]| {
        let mut packer = flate2::write::GzEncoder::new(vec![], flate2::Compression::best());
        packer.write_all(bytes).unwrap();
        packer.finish().unwrap()
    };
    let good = std::fs::read(root().join(IMAGE)).unwrap();
    let packed = pack(&good);
    assert!(packed.len() < good.len());
    // By what it begins with, not by its name.
    let (exit, document) = load(
        &scratch,
        &bench,
        "U1",
        &scratch.write("packed.bin", &packed),
    );
    assert_eq!(
        (exit, &document["bytes_sent"]),
        (0, &json!(good.len())),
        "{document}"
    );
    for (cut, reason) in [
        (packed.len() - 1, "cut off"),
        (packed.len() / 2, "cut off"),
        (12, "cut off"),
    ] {
        let file = scratch.write("cut.gz", &packed[..cut]);
        let (exit, document) = load(&scratch, &bench, "U1", &file);
        assert_eq!(exit, 2, "{cut}: {document}");
        assert!(
            super::message(&document).contains(reason),
            "{cut}: {document}"
        );
    }
    let mut spoilt = packed.clone();
    let middle = spoilt.len() - 6;
    spoilt[middle] ^= 0x40;
    let (exit, document) = load(&scratch, &bench, "U1", &scratch.write("spoilt.gz", &spoilt));
    assert_eq!(exit, 2, "{document}");
    // Lengths and rules hold for what is unpacked.
    let (exit, document) = load(
        &scratch,
        &bench,
        "U1",
        &scratch.write("short.gz", pack(&good[..40_000])),
    );
    assert_eq!(exit, 1, "{document}");
    assert!(
        document["findings"].to_string().contains("40000 bytes"),
        "{document}"
    );
    // 256 MiB out of 256 KiB: too large for the part, found without holding it.
    let bomb = scratch.write("bomb.gz", pack(&vec![0xFF; 256 << 20]));
    let (exit, document) = load(&scratch, &bench, "U1", &bomb);
    assert_eq!(exit, 1, "{document}");
    assert!(
        document["findings"].to_string().contains("268435456 bytes"),
        "{document}"
    );
}

/// A mebibyte into one of four devices by its recipe, in virtual time, the scan of the chain taken off: at least 99 % of what
/// TCK allows, at most 1.001 USB bytes out a byte of the image (a byte shift carries eight bits), at most 4 round trips.
#[test]
fn a_mebibyte_goes_at_the_speed_of_tck() {
    let scratch = Scratch::new("speed");
    let payload: Vec<u8> = (0..1u32 << 20)
        .map(|i| (i.wrapping_mul(0x9E37_79B9) >> 24) as u8)
        .collect();
    let bytes = image::image("JACQUARD_256 large", 0x04D1_6501, &payload);
    let file = scratch.write("large.bin", bytes);
    let benchmark = root().join("fixtures/benchmark");
    let text = std::fs::read_to_string(benchmark.join("board.toml")).unwrap();
    let text = text.replace("\"../", &format!("\"{}/../", benchmark.display()));
    for (chip, hz) in [
        ("FT2232H", 30_000_000),
        ("FT232H", 30_000_000),
        ("FT2232C", 6_000_000),
    ] {
        let board = scratch.write("board.toml", text.replace("30_000_000", &hz.to_string()));
        let bench =
            format!("[bench]\nformat = 1\nboard = \"board.toml\"\n[adapter]\nchip = \"{chip}\"\n");
        let bench = scratch.write("bench.toml", bench);
        let (_, scan) = scratch.run(&["scan", &board, "--simulate", &bench]);
        let job = [
            "load",
            &*board,
            "U2",
            &*file,
            "--simulate",
            &*bench,
            "--machine",
            "off",
            "--yes",
        ];
        let (exit, document) = scratch.run(&job);
        assert_eq!(exit, 0, "{chip}: {document}");
        let more = |key: &str| {
            let of = |d: &Value| d["simulated"][key].as_u64().unwrap();
            of(&document) - of(&scan)
        };
        let number = |key: &str| document[key].as_f64().unwrap();
        // The recipe's own clocks: 600, 64 and 16 in Run-Test/Idle.
        let seconds = number("seconds") - 680.0 / f64::from(hz);
        let share = number("limit_seconds") / seconds;
        let usb = more("usb_bytes_out") as f64 / number("bytes_sent");
        println!(
            "{chip}: {share:.4} of TCK, {usb:.5} bytes a byte, {} round trips",
            more("round_trips")
        );
        assert!(share >= 0.99, "{chip}: {share}");
        assert!(usb <= 1.001, "{chip}: {usb}");
        assert!(more("round_trips") <= 4, "{chip}: {}", more("round_trips"));
    }
}
