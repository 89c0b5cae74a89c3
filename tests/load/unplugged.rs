//! The plug is pulled at any byte of a load or of a file of serial vectors: exit 3, no claim beyond what the board saw or
//! could have seen, and the user is told what to do.

use serde_json::Value;

use super::{BOARD, IMAGE, Scratch, message, root};

/// A number below `below`; Knuth's MMIX multiplier, whose upper bits are good enough here.
struct Dice(u64);

impl Dice {
    fn below(&mut self, below: u64) -> u64 {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) % below
    }
}

fn seed() -> u64 {
    let given = std::env::var("TAPLOOM_SEED").ok();
    given.and_then(|s| s.parse().ok()).unwrap_or(20_261_125)
}

/// Pieces that may be under way: at most 20 ms at 6 MHz each, three submitted and one gathering; see `load::runner`.
const UNDER_WAY_BITS: u64 = 4 * 120_000;

fn usb_bytes(document: &Value) -> u64 {
    document["simulated"]["usb_bytes_out"].as_u64().unwrap()
}

/// Pulls the plug again and again; gives each document after the checks that hold for all.
fn pulled(name: &str, job: &[&str], check: &mut dyn FnMut(&Value, &str)) {
    let scratch = Scratch::new(name);
    let whole = scratch.bench("whole.toml", "");
    let run = |job: &[&str], bench: &str| {
        let more = ["--machine", "off", "--yes", "--simulate", bench];
        scratch.run(&[job, &more].concat())
    };
    let (_, scanned) = run(&["scan", BOARD], &whole);
    let (exit, done) = run(job, &whole);
    assert_eq!(exit, 0, "{done}");
    // The last bytes are those that leave the board safe.
    let (from, to) = (usb_bytes(&scanned), usb_bytes(&done));
    let runs = 200;
    let mut dice = Dice(seed());
    for i in 0..runs {
        let at = from + dice.below(to - from);
        let bench = scratch.bench("bench.toml", &format!("[adapter]\nunplug_after = {at}"));
        let (exit, document) = run(job, &bench);
        let what = format!(
            "run {i}, seed {}, unplugged after {at} of {to} bytes: {document}",
            seed()
        );
        assert_eq!(exit, 3, "{what}");
        let said = message(&document);
        assert!(
            said.contains("the pins may still be driven: remove the board's power"),
            "{what}"
        );
        assert_eq!(document["ok"], false, "{what}");
        check(&document, &what);
    }
    println!(
        "{name}: unplugged at {runs} places from byte {from} to byte {to}, seed {}",
        seed()
    );
}

#[test]
fn a_load_says_how_far_it_can_have_got() {
    let total = std::fs::metadata(root().join(IMAGE)).unwrap().len();
    let (mut in_image, mut after, mut part_proven) = (0, 0, 0);
    pulled(
        "unplugged-load",
        &["load", BOARD, "U1", IMAGE],
        &mut |document, what| {
            let seen = document["simulated"]["image_bits"]["U1"]
                .as_u64()
                .unwrap_or(0);
            let Some(claimed) = document["bytes_sent_at_most"].as_u64() else {
                // The load had ended, and the board could not be left: all of it is there.
                after += 1;
                assert_eq!(document["loaded"], true, "{what}");
                assert_eq!(seen, 8 * total + 3, "{what}");
                return;
            };
            assert_eq!(
                (&document["loaded"], &document["bytes"]),
                (&false.into(), &total.into()),
                "{what}"
            );
            // U1 hears the pads of the three devices towards TDO first.
            assert!(
                seen <= 8 * claimed + 3,
                "more came in than was said: {what}"
            );
            assert!(
                8 * claimed <= seen + UNDER_WAY_BITS,
                "more was said than can have been: {what}"
            );
            let proven = document["bytes_sent_at_least"].as_u64().unwrap();
            assert!(
                proven == 0 || 8 * proven + 3 <= seen,
                "less came in than was said: {what}"
            );
            // What is not proven is what was under way.
            assert!(claimed - proven <= UNDER_WAY_BITS / 8, "{what}");
            part_proven += u32::from(0 < proven && proven < claimed);
            let words = match (proven, claimed - proven) {
                (0, 0) => "no byte of the image was sent".to_owned(),
                (n, 0) => format!("{n} of {total} bytes of the image had gone in"),
                (n, more) => format!(
                    "{n} of {total} bytes of the image had gone in for certain and {more} more were on their way"
                ),
            };
            assert!(super::message(document).contains(&words), "{what}");
            assert!(
                super::message(document).contains("no further than step"),
                "{what}"
            );
            in_image += u32::from(0 < seen && seen < 8 * total);
        },
    );
    println!(
        "{in_image} of them within the image, {part_proven} with a part of it proven, {after} after the load"
    );
    assert!(
        part_proven > 10,
        "too few with a proven part: {part_proven}"
    );
    assert!(in_image > 10, "too few in the image: {in_image}");
}

/// 300 scans of 4096 bits into U1's configuration register: the bench counts the bits that came in.
#[test]
fn a_play_says_how_far_it_can_have_got() {
    const BITS: u64 = 4096;
    const FIRST: u64 = 4; // the line of the first of them
    let mut text = "SIR 10 TDI (211);\nRUNTEST 600 TCK;\nSIR 10 TDI (212);\n".to_owned();
    for i in 0..300u32 {
        let digits = format!("{:08X}", i.wrapping_mul(0x9E37_79B9));
        text.push_str(&format!(
            "SDR {BITS} TDI ({});\n",
            digits.repeat(BITS as usize / 32)
        ));
    }
    let file = Scratch::new("unplugged-vectors");
    let file = (file.write("image.svf", &text), file);
    let mut inside = 0;
    let job = ["play", BOARD, &*file.0, "--device", "U1"];
    pulled("unplugged-play", &job, &mut |document, what| {
        let seen = document["simulated"]["image_bits"]["U1"]
            .as_u64()
            .unwrap_or(0);
        // Each scan brings a pad for each device towards TDO.
        let begun = seen.div_ceil(BITS + 3);
        let claimed = document["last_line"].as_u64().unwrap_or(0);
        assert!(
            claimed + 1 >= FIRST + begun || begun == 0,
            "more was played than was said: {what}"
        );
        let most = FIRST + begun + UNDER_WAY_BITS / BITS;
        assert!(claimed <= most, "more was said than can have been: {what}");
        if document["complete"] != true {
            let words = format!("no further than line {claimed}");
            let said = super::message(document);
            assert!(
                said.contains(&words) || said.contains("nothing of the file was sent"),
                "{what}"
            );
            assert!(
                said.contains("it has not been played to its end") || claimed == 0,
                "{what}"
            );
        }
        inside += u32::from(0 < seen && begun < 300);
    });
    println!("{inside} of them within the scans");
    assert!(inside > 10, "too few within the scans: {inside}");
}
