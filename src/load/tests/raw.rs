//! Loads on a chain with faults: what arrives, what is counted, what is said.

use taploom_bsdl::Device;

use crate::bits::Bits;
use crate::chain::IdCode;
use crate::chain::testing::{TestChain, TestDevice};
use crate::tap::{ChainLayout, Port, TapState};

use super::super::*;
use super::engine::{CODE, Engine, Sink, crc, heddle, image, sink_device};

const HZ: u32 = 6_000_000;
const RECIPE: &str = include_str!("../../../fixtures/knitting-machine/heddle.toml");

fn recipe() -> Recipe {
    Recipe::parse("heddle.toml", RECIPE).unwrap()
}

/// A chain of four with an engine at one place, its layout and the engine.
fn bench(place: usize) -> (TestChain, ChainLayout, Engine) {
    let engine = Engine::default();
    let mut captures = ["00000001", "00001", "000001"].iter();
    let mut lengths = vec![];
    let devices = (0..4).map(|i| {
        if i == place {
            lengths.push(10);
            TestDevice::new("0000000001", Some(CODE)).with_core(engine.clone())
        } else {
            let capture = captures.next().unwrap();
            lengths.push(capture.len());
            TestDevice::new(capture, None)
        }
    });
    let chain = TestChain::new(devices.collect());
    (chain, ChainLayout::new(lengths), engine)
}

struct Job {
    recipe: Recipe,
    device: Device,
    layout: ChainLayout,
    place: usize,
    image: Image,
    code: Option<IdCode>,
}

impl Job {
    fn new(layout: &ChainLayout, place: usize, bytes: Vec<u8>) -> Job {
        let image = Image::from_bytes("trial.bin", bytes);
        Job {
            recipe: recipe(),
            device: heddle(),
            layout: layout.clone(),
            place,
            image,
            code: Some(IdCode(CODE)),
        }
    }

    fn with<T>(&self, act: impl FnOnce(&Load<'_>) -> T) -> T {
        let (device, layout) = (&self.device, &self.layout);
        let target = Target {
            name: "U1",
            place: self.place,
            device,
            layout,
            chain: &[],
            clamp: None,
        };
        act(
            &Load::prepare(&self.recipe, target, &self.image, self.code, false)
                .unwrap()
                .unwrap(),
        )
    }

    fn run(&self, port: &mut dyn Port) -> Result<Loaded, LoadError> {
        self.run_until(port, &|| false)
    }

    fn run_until(
        &self,
        port: &mut dyn Port,
        cancelled: &dyn Fn() -> bool,
    ) -> Result<Loaded, LoadError> {
        port.set_tck_hz(HZ).unwrap();
        self.with(|load| {
            load.run(
                port,
                HZ,
                true,
                Watch {
                    cancelled,
                    progress: &mut |_| {},
                },
            )
        })
    }

    /// The words and the finding of a load.
    fn told(&self, loaded: &Loaded) -> (String, String) {
        self.with(|load| {
            (
                loaded.words(load),
                loaded
                    .finding(load)
                    .map_or(String::new(), |f| f.to_string()),
            )
        })
    }
}

fn refusal(bytes: Vec<u8>, change: impl Fn(&mut Recipe)) -> String {
    let mut recipe = recipe();
    change(&mut recipe);
    let image = Image::from_bytes("trial.bin", bytes);
    let refused = image
        .recognise(&recipe.image, "HEDDLE_208", Some(IdCode(CODE)))
        .unwrap()
        .unwrap_err();
    refused.finding("U1", &image).to_string()
}

#[test]
fn the_check_value_of_the_crc_is_the_published_one() {
    // CRC catalogues print 0x29B1 for "123456789" (polynomial 0x1021, start 0xFFFF, not reflected).
    assert_eq!(crc(b"123456789"), 0x29B1);
}

#[test]
fn an_image_arrives_at_every_place_of_the_chain() {
    for place in 0..4 {
        for size in [1, 2, 63, 64, 65, 4096, 50_000] {
            let payload: Vec<u8> = (0..size).map(|i: usize| (i * 7 + i / 256) as u8).collect();
            let bytes = image("HEDDLE_208", CODE, &payload);
            let (mut chain, layout, engine) = bench(place);
            let job = Job::new(&layout, place, bytes.clone());
            let loaded = job.run(&mut chain).unwrap();
            assert_eq!(loaded.end, LoadEnd::Done, "place {place}, {size} bytes");
            assert_eq!(
                engine.0.borrow().payload,
                payload,
                "place {place}, {size} bytes"
            );
            assert!(engine.0.borrow().done && !engine.0.borrow().open);
            // What was counted is what went over the wire.
            let (counts, traffic) = (loaded.counts, chain.traffic());
            assert_eq!(
                (counts.bits_shifted, counts.tck_cycles),
                (traffic.shift_bits, traffic.tck_cycles)
            );
            assert_eq!(counts.payload_bits, bytes.len() as u64 * 8);
            assert!(traffic.round_trips <= 4, "{}", traffic.round_trips);
            assert!(counts.limit_seconds <= counts.seconds);
            // A rehearsal counts the same without a port.
            let dry = job.with(|load| load.rehearse(HZ, true)).unwrap();
            assert!(dry.rehearsal && dry.end == LoadEnd::Done && dry.readings.is_empty());
            assert_eq!(
                Counts {
                    seconds: 0.0,
                    ..dry.counts
                },
                Counts {
                    seconds: 0.0,
                    ..counts
                }
            );
            assert!(
                (dry.counts.seconds - counts.seconds).abs() < 1e-6,
                "{} {}",
                dry.counts.seconds,
                counts.seconds
            );
            // In the end BYPASS everywhere, in Run-Test/Idle.
            assert!(chain.updates.last().unwrap().all(true));
            assert_eq!(chain.state(), TapState::RunTestIdle);
        }
    }
}

#[test]
fn the_committed_image_of_the_scenario_loads() {
    let bytes = include_bytes!("../../../fixtures/knitting-machine/pattern-tap.bin").to_vec();
    let (mut chain, layout, engine) = bench(0);
    let job = Job::new(&layout, 0, bytes.clone());
    let loaded = job.run(&mut chain).unwrap();
    assert_eq!(
        job.told(&loaded).0,
        "U1 is loaded: DONE (the loaded design runs); it is gone at power-off"
    );
    assert_eq!(engine.0.borrow().payload, bytes[60..bytes.len() - 10]);
    assert_eq!(
        loaded.readings[0].words(),
        "CFG_STAT 0x501F: OPEN (configuration is open), READY (the memory is clear, an image \
        may come), SYNCED (the preamble has been seen), LOADED (the whole image is in and fits), DONE (the loaded design runs)"
    );
}

#[test]
fn a_damaged_image_fails_in_words_and_leaves_the_device_blank() {
    let mut bytes = image("HEDDLE_208", CODE, &[7; 300]);
    bytes[200] ^= 0x10;
    let (mut chain, layout, engine) = bench(1);
    let job = Job::new(&layout, 1, bytes);
    let loaded = job.run(&mut chain).unwrap();
    let (words, finding) = job.told(&loaded);
    assert_eq!(
        words,
        "the load of U1 failed in step 4 of 7 (ask the device what it makes of the image), 370 of 370 bytes of the image sent; \
         the exit steps have run (close configuration): take it as not loaded"
    );
    assert_eq!(
        finding,
        "U1, step 4 of 7 (ask the device what it makes of the image), 370 of 370 bytes of the image sent: CRC_ERROR: the image \
         arrived damaged: its CRC does not fit; expected no error flag, seen CFG_STAT 0x5107: OPEN (configuration is open), \
         READY (the memory is clear, an image may come), SYNCED (the preamble has been seen), CRC_ERROR (the image arrived \
         damaged: its CRC does not fit); load again; if it comes back, lower the TCK rate, then make the image anew"
    );
    let state = engine.0.borrow();
    assert!(!state.open && !state.ready && state.payload.is_empty());
    assert!(chain.updates.last().unwrap().all(true));
}

#[test]
fn a_device_that_never_gets_ready_times_out() {
    let (mut chain, layout, engine) = bench(0);
    engine.0.borrow_mut().lame = true;
    let job = Job::new(&layout, 0, image("HEDDLE_208", CODE, &[1]));
    let loaded = job.run(&mut chain).unwrap();
    let (words, finding) = job.told(&loaded);
    assert_eq!(
        words,
        "the load of U1 failed in step 2 of 7 (wait until the memory is clear), no byte of the image sent; the exit steps have \
         run (close configuration): take it as not loaded"
    );
    assert!(
        finding.contains(
            "the device is not where it should be by now; expected READY = 1 within 10 ms, seen CFG_STAT 0x5001: OPEN"
        ),
        "{finding}"
    );
    // 10 ms were waited, in 100 steps of 100 us.
    assert!(
        (0.01..0.013).contains(&loaded.counts.seconds),
        "{}",
        loaded.counts.seconds
    );
}

#[test]
fn a_status_that_cannot_be_one_is_not_believed() {
    for word in [0x0000, 0xFFFF] {
        let (mut chain, layout, engine) = bench(2);
        engine.0.borrow_mut().stuck = Some(word);
        let job = Job::new(&layout, 2, image("HEDDLE_208", CODE, &[1]));
        let loaded = job.run(&mut chain).unwrap();
        let (_, finding) = job.told(&loaded);
        let expected = format!(
            "U1, step 2 of 7 (wait until the memory is clear), no byte of the image sent: what the device answers is no status \
             word; expected 0101XXXXXXXXXXXX in CFG_STAT, seen {word:016b}; scan the chain again; lower the TCK rate"
        );
        assert_eq!(finding, expected);
    }
}

#[test]
fn a_chain_that_breaks_in_mid_load_is_noticed_by_its_captures() {
    let (mut chain, layout, _) = bench(0);
    chain.faults.tdo = Some(true);
    let job = Job::new(&layout, 0, image("HEDDLE_208", CODE, &[1]));
    let loaded = job.run(&mut chain).unwrap();
    assert_eq!(
        job.told(&loaded).1,
        "U1, step 2 of 7 (wait until the memory is clear), no byte of the image sent: the chain no longer answers as it did; \
         expected instruction bits that end in 01 from position 1, seen 1111111111; scan the chain again; check the plug and \
         lower the TCK rate"
    );
}

#[test]
fn a_load_can_be_stopped_between_any_two_pieces() {
    let bytes = image("HEDDLE_208", CODE, &vec![0xA5; 60_000]);
    for at in 0..12 {
        let (mut chain, layout, engine) = bench(1);
        let asked = std::cell::Cell::new(0);
        let cancelled = || {
            asked.set(asked.get() + 1);
            asked.get() > at
        };
        let job = Job::new(&layout, 1, bytes.clone());
        let loaded = job.run_until(&mut chain, &cancelled).unwrap();
        let told = job.told(&loaded).0;
        if loaded.end == LoadEnd::Done {
            assert!(
                at > 6 && engine.0.borrow().done && !engine.0.borrow().open,
                "{at}"
            );
            assert_eq!(chain.state(), TapState::RunTestIdle);
            assert!(chain.updates.last().unwrap().all(true));
            continue;
        }
        assert_eq!(loaded.end, LoadEnd::BrokenOff);
        if at == 0 {
            assert_eq!(
                told,
                "the load of U1 was broken off before anything was sent"
            );
            assert_eq!(chain.traffic().tck_cycles, 0);
            continue;
        }
        assert!(
            told.starts_with("the load of U1 was broken off in step "),
            "{told}"
        );
        let state = engine.0.borrow();
        let runs = "; but when last asked it said DONE (the loaded design runs)";
        assert!(
            told.ends_with(&format!(
                "; the exit steps have run (close configuration): take it as not loaded{}",
                if state.done { runs } else { "" }
            )),
            "{told}"
        );
        assert_eq!(chain.state(), TapState::RunTestIdle);
        // Stopped in front of the last step the design runs already; before that the device is blank.
        assert!(
            !state.open && (state.done == (at == 6)) && (state.done || state.payload.is_empty()),
            "{at}"
        );
        assert_eq!(
            loaded.counts.bits_shifted,
            chain.traffic().shift_bits,
            "{at}"
        );
        assert_eq!(loaded.counts.tck_cycles, chain.traffic().tck_cycles, "{at}");
    }
}

#[test]
fn an_interrupt_by_the_port_is_a_stop_too() {
    let bytes = image("HEDDLE_208", CODE, &vec![0xA5; 60_000]);
    for at in 1..7 {
        let (mut chain, layout, engine) = bench(3);
        chain.faults.interrupt_at = Some(at);
        let loaded = Job::new(&layout, 3, bytes.clone()).run(&mut chain).unwrap();
        assert_eq!(loaded.end, LoadEnd::BrokenOff, "{at}");
        assert!(!engine.0.borrow().open);
        assert_eq!(chain.state(), TapState::RunTestIdle);
    }
}

#[test]
fn a_lost_adapter_is_an_error_that_says_how_far() {
    let bytes = image("HEDDLE_208", CODE, &vec![0xA5; 60_000]);
    for (at, far) in [
        (
            1,
            "step 2 of 7 (wait until the memory is clear); no byte of the image was sent",
        ),
        (300_000, "step 3 of 7 (send the image); "),
    ] {
        let (mut chain, layout, _) = bench(0);
        chain.faults.dies_at = Some(at);
        let error = Job::new(&layout, 0, bytes.clone())
            .run(&mut chain)
            .unwrap_err()
            .to_string();
        let begin = format!("the test chain is gone; the load of U1 had got no further than {far}");
        assert!(
            error.starts_with(&begin) && error.ends_with(", and the device is left half loaded"),
            "{error}"
        );
    }
}

#[test]
fn bit_errors_on_the_way_back_never_become_a_success() {
    let bytes = image("HEDDLE_208", CODE, &[3; 500]);
    let mut failed = 0;
    for every in [3, 7, 31, 97, 101, 997] {
        let (mut chain, layout, engine) = bench(0);
        chain.faults.bit_errors = Some((every, 0));
        let loaded = Job::new(&layout, 0, bytes.clone()).run(&mut chain).unwrap();
        let truth = engine.0.borrow();
        match loaded.end {
            // The errors spared the status words: then the device must be loaded in truth.
            LoadEnd::Done => assert!(truth.done && truth.payload == [3; 500], "{every}"),
            _ => failed += 1,
        }
    }
    assert!(failed >= 3, "{failed}");
}

#[test]
fn images_that_are_not_for_the_device_are_refused_with_the_reason() {
    let keep = |_: &mut Recipe| {};
    let good = image("HEDDLE_208", CODE, &[9; 100]);
    assert_eq!(
        refusal(image("JACQUARD_256", 0x14D1_6501, &[9; 100]), keep),
        "trial.bin for U1: the image is for another part; expected \"HEDDLE_208\" in its head, seen \"JACQUARD_256 trial\"; take \
         the image that was made for this device, or load it into the device it was made for"
    );
    assert_eq!(
        refusal(image("HEDDLE_208", 0x14D1_6501, &[9; 100]), keep),
        "trial.bin for U1: the image is for another part; expected the IDCODE 0x24D08501, any version, seen 0x04D16501; take the \
         image that was made for this device, or load it into the device it was made for"
    );
    assert_eq!(
        refusal(good[..169].to_vec(), keep),
        "trial.bin for U1: the image ends before its own length; expected 170 bytes, seen 169 bytes; make it anew; it may have \
         been cut off"
    );
    assert_eq!(
        refusal(vec![0; 500], keep),
        "trial.bin for U1: this is not an image for this family; expected the bytes C95A36E1 within the first 64, seen other \
         bytes; check that it is the raw image and not another output of the design tools"
    );
    assert_eq!(
        refusal(vec![], keep),
        "trial.bin for U1: the image is too short to be one; expected at least 71 bytes, seen 0 bytes; make it anew; it may have \
         been cut off"
    );
    assert_eq!(
        refusal(vec![0; 2_000_000], keep),
        "trial.bin for U1: the file is larger than any image for this device; expected at most 1048646 bytes, seen 2000000 bytes; \
         check that it is the raw image and not another output of the design tools"
    );
    // A length near the end of the number line is no reason to count round.
    let mut vast = good.clone();
    vast[56..60].fill(0xFF);
    assert!(refusal(vast, keep).contains("expected 4294967365 bytes, seen 170 bytes"));
    let anywhere = |recipe: &mut Recipe| {
        recipe.image.parts = vec![PartRule::Text {
            at: None,
            text: "{entity}-B".into(),
        }];
    };
    assert!(
        refusal(good, anywhere)
            .contains("expected \"HEDDLE_208-B\" in its head, seen no such text")
    );
}

#[test]
fn what_is_sent_follows_skip_and_preamble() {
    let inner = image("HEDDLE_208", CODE, &[1; 10]);
    let mut bytes = vec![0xEE; 100];
    bytes.extend(&inner);
    let file = Image::from_bytes("x", bytes);
    let mut rule = recipe().image;
    rule.skip = 100;
    let sent = |rule: &ImageRule| file.recognise(rule, "HEDDLE_208", None).unwrap().unwrap();
    assert_eq!(
        sent(&rule),
        Recognised {
            start: 100,
            bytes: 80
        }
    );
    rule.send = Sent::FromPreamble;
    assert_eq!(
        sent(&rule),
        Recognised {
            start: 116,
            bytes: 64
        }
    );
    rule.send = Sent::AfterPreamble;
    assert_eq!(
        sent(&rule),
        Recognised {
            start: 120,
            bytes: 60
        }
    );
    rule.skip = 300;
    assert!(matches!(
        file.recognise(&rule, "HEDDLE_208", None).unwrap(),
        Err(ImageRefusal::TooSmall { bytes: 0, .. })
    ));
}

#[test]
fn a_packed_image_is_the_same_image() {
    use std::io::Write;
    let bytes = image("HEDDLE_208", CODE, &vec![0x42; 20_000]);
    let folder = std::env::temp_dir().join(format!("taploom-load-{}", std::process::id()));
    std::fs::create_dir_all(&folder).unwrap();
    let (plain, packed) = (folder.join("a.bin"), folder.join("a.bin.gz"));
    std::fs::write(&plain, &bytes).unwrap();
    let mut encoder = flate2::write::GzEncoder::new(vec![], flate2::Compression::default());
    encoder.write_all(&bytes).unwrap();
    let gz = encoder.finish().unwrap();
    std::fs::write(&packed, &gz).unwrap();
    for path in [&plain, &packed] {
        let (mut chain, layout, engine) = bench(2);
        let mut job = Job::new(&layout, 2, vec![]);
        job.image = Image::open(path).unwrap();
        assert_eq!(job.image.bytes(), bytes.len() as u64);
        assert_eq!(job.run(&mut chain).unwrap().end, LoadEnd::Done);
        assert_eq!(engine.0.borrow().payload, [0x42; 20_000]);
    }
    // A file that shrinks between opening and reading; the exit steps have run.
    let (mut chain, layout, engine) = bench(2);
    let mut job = Job::new(&layout, 2, vec![]);
    job.image = Image::open(&plain).unwrap();
    let error = job.with(|load| {
        std::fs::write(&plain, &bytes[..9_000]).unwrap();
        load.run(
            &mut chain,
            HZ,
            false,
            Watch {
                cancelled: &|| false,
                progress: &mut |_| {},
            },
        )
        .unwrap_err()
    });
    let (name, size) = (plain.display(), bytes.len());
    assert_eq!(
        error.to_string(),
        format!("the image {name} ended after 0 of {size} bytes: it was changed while it was read")
    );
    assert!(!engine.0.borrow().open);
    // Packed data that is cut off, a folder, nothing at all.
    std::fs::write(&packed, &gz[..gz.len() - 12]).unwrap();
    assert_eq!(
        Image::open(&packed).unwrap_err().to_string(),
        format!(
            "cannot unpack the image {}: it was cut off",
            packed.display()
        )
    );
    let error = Image::open(&folder).unwrap_err().to_string();
    assert_eq!(
        error,
        format!("the image {} is not a file", folder.display())
    );
    assert!(matches!(
        Image::open(folder.join("none")),
        Err(ImageError::Unreadable { .. })
    ));
    std::fs::remove_dir_all(&folder).unwrap();
}

const SINK: &str = r#"
[recipe]
format = 1
name = "sink"
entities = ["SINK"]
source = "this test"
[image]
bits = "msb first"
[[load]]
instruction = "WRITE"
image = "send"
clocks = 3
[[load]]
instruction = "WRITE"
data = { hex = "5", bits = 3 }
[[exit]]
instruction = "BYPASS"
"#;

/// Writes bytes, then the value 5, into a sink at a place of a chain of `n`; the sink's log.
fn sunk(n: usize, place: usize, length: usize, bytes: &[u8], text: &str) -> (Sink, Loaded) {
    let sink = Sink {
        length,
        ..Sink::default()
    };
    let devices = (0..n).map(|i| {
        let device = TestDevice::new("0001", None);
        if i == place {
            device.with_core(sink.clone())
        } else {
            device
        }
    });
    let mut chain = TestChain::new(devices.collect());
    let layout = ChainLayout::new(vec![4; n]);
    let mut job = Job::new(&layout, place, bytes.to_vec());
    job.recipe = Recipe::parse("sink.toml", text).unwrap();
    job.device = sink_device(3);
    let loaded = job.run(&mut chain).unwrap();
    (sink, loaded)
}

#[test]
fn every_bit_and_pad_goes_where_it_must() {
    for n in 1..=5 {
        for place in 0..n {
            for (bytes, size) in [
                (vec![0x12], 1),
                (vec![0x12, 0xB5, 0x01], 3),
                ((0..=255).collect(), 256),
            ] {
                let (sink, loaded) = sunk(n, place, 3, &bytes, SINK);
                assert_eq!(loaded.end, LoadEnd::Done);
                let (before, after) = (place, n - 1 - place);
                let msb_first: Vec<bool> = bytes
                    .iter()
                    .flat_map(|b| (0..8).rev().map(move |i| b >> i & 1 == 1))
                    .collect();
                let log = sink.log.borrow();
                // The target first takes in what the devices before it had captured, then the pads for those behind it.
                let mut entered = vec![false; before + after];
                entered.extend(&msb_first);
                assert_eq!(
                    log.entered[..entered.len()],
                    entered,
                    "{n} devices, place {place}, {size} bytes"
                );
                // At Update the register holds the last three bits of the image, then the value.
                let last = &msb_first[msb_first.len() - 3..];
                assert_eq!(
                    log.updated,
                    [last.to_vec(), vec![true, false, true]],
                    "{n} devices, place {place}"
                );
                assert!(log.idle >= 3);
            }
        }
    }
}

#[test]
fn little_bit_order_sends_bit_0_of_each_byte_first() {
    let text = SINK.replace("msb first", "lsb first");
    let (sink, _) = sunk(1, 0, 3, &[0b0000_0110, 0b1000_0000], &text);
    let sent: Vec<u8> = sink.log.borrow().entered[..16]
        .iter()
        .map(|b| u8::from(*b))
        .collect();
    assert_eq!(sent, [0, 1, 1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 1]);
}

#[test]
fn a_mebibyte_streams_in_pieces_that_never_hold_it() {
    let payload = vec![0x5A; 1 << 20];
    let (mut chain, layout, engine) = bench(2);
    let job = Job::new(&layout, 2, image("HEDDLE_208", CODE, &payload));
    let loaded = job.run(&mut chain).unwrap();
    assert_eq!(loaded.end, LoadEnd::Done);
    assert_eq!(engine.0.borrow().payload.len(), 1 << 20);
    let (pieces, bits) = chain.most_in_flight;
    assert!((2..=3).contains(&pieces), "{pieces}");
    assert!(bits <= 3 * 64 * 1024 * 8 + 4096, "{bits}");
    // Design: at least 99 % of payload bits over TCK.
    assert!(loaded.counts.limit_seconds / loaded.counts.seconds > 0.999);
}

#[test]
fn data_is_compared_and_the_image_read_back() {
    let text = SINK.replace("bits = 3 }", "bits = 3, expect = \"2\", mask = \"6\" }");
    let run = |holds: &[bool], text: &str, bytes: &[u8], length: usize| {
        let sink = Sink {
            length,
            ..Sink::default()
        };
        sink.log.borrow_mut().holds = holds.to_vec();
        let devices = (0..3).map(|i| {
            let device = TestDevice::new("0001", None);
            if i == 1 {
                device.with_core(sink.clone())
            } else {
                device
            }
        });
        let mut chain = TestChain::new(devices.collect());
        let mut job = Job::new(&ChainLayout::new(vec![4; 3]), 1, bytes.to_vec());
        job.recipe = Recipe::parse("sink.toml", text).unwrap();
        job.device = sink_device(length as u32);
        let loaded = job.run(&mut chain).unwrap();
        let finding = job.told(&loaded).1;
        (loaded, finding)
    };
    let (loaded, _) = run(&[true, true, false], &text, &[1], 3);
    assert_eq!(
        (loaded.end, loaded.counts.compares, loaded.counts.mismatches),
        (LoadEnd::Done, 1, 0)
    );
    let (loaded, finding) = run(&[true, true, true], &text, &[1], 3);
    assert_eq!((loaded.counts.compares, loaded.counts.mismatches), (1, 1));
    assert_eq!(
        finding,
        "U1, step 2 of 2, 1 of 1 bytes of the image sent: a register did not answer as the recipe expects; expected 0x2 where 0x6 \
         has ones, seen 0x7; scan the chain again; check that the recipe is for this very part"
    );
    // Read back: the register holds the image.
    let text = "[[verify]]\ninstruction = \"WRITE\"\nimage = \"compare\"\n";
    let text = SINK.replace("data = { hex = \"5\", bits = 3 }", "clocks = 1") + text;
    let bytes = [0x12, 0xB5, 0x01, 0xFF];
    let bits: Vec<bool> = bytes
        .iter()
        .flat_map(|b: &u8| (0..8).rev().map(move |i| b >> i & 1 == 1))
        .collect();
    let (loaded, _) = run(&bits, &text, &bytes, 32);
    assert_eq!(
        (loaded.end, loaded.verified, loaded.counts.compares),
        (LoadEnd::Done, Some(true), 1)
    );
    let mut wrong = bits.clone();
    wrong[17] ^= true;
    wrong[31] ^= true;
    let (loaded, finding) = run(&wrong, &text, &bytes, 32);
    assert_eq!(
        (loaded.verified, loaded.counts.mismatches),
        (Some(false), 1)
    );
    assert!(finding.contains("what was read back differs from the image; expected the image, seen 2 other bits from byte 2 of what was sent on"), "{finding}");
}

#[test]
fn the_other_devices_float_where_the_recipe_wants_it() {
    let (mut chain, layout, _) = bench(1);
    let mut job = Job::new(&layout, 1, image("HEDDLE_208", CODE, &[1]));
    job.recipe = Recipe::parse(
        "x",
        &RECIPE.replace(
            "drives_pins = true",
            "drives_pins = true\nothers = \"HIGHZ\"",
        ),
    )
    .unwrap();
    let floats = super::engine::device(
        "F",
        8,
        &[("BYPASS", "11111111", None), ("HIGHZ", "00000101", None)],
    );
    let others = [Some(&floats), None, None, None];
    let target = Target {
        name: "U2",
        place: 1,
        device: &job.device,
        layout: &layout,
        chain: &others,
        clamp: None,
    };
    let load = Load::prepare(&job.recipe, target, &job.image, job.code, false)
        .unwrap()
        .unwrap();
    let watch = Watch {
        cancelled: &|| false,
        progress: &mut |_| {},
    };
    assert_eq!(
        load.run(&mut chain, HZ, false, watch).unwrap().end,
        LoadEnd::Done
    );
    let first = &chain.updates[0];
    assert_eq!(
        first.to_binary(),
        format!("00000101{}{}{}", "1000010001", "1".repeat(5), "1".repeat(6))
    );
    assert!(chain.updates.last().unwrap().all(true));
}

#[test]
fn a_refused_image_can_be_forced_and_then_fails_by_the_device() {
    let (mut chain, layout, _) = bench(0);
    let job = Job::new(&layout, 0, image("HEDDLE_208", 0x1111_1101, &[1; 50]));
    let target = Target {
        name: "U1",
        place: 0,
        device: &job.device,
        layout: &layout,
        chain: &[],
        clamp: None,
    };
    assert!(
        Load::prepare(&job.recipe, target, &job.image, job.code, false)
            .unwrap()
            .is_err()
    );
    let load = Load::prepare(&job.recipe, target, &job.image, job.code, true)
        .unwrap()
        .unwrap();
    assert!(matches!(
        load.forced(),
        Some(ImageRefusal::OtherCode { .. })
    ));
    let watch = Watch {
        cancelled: &|| false,
        progress: &mut |_| {},
    };
    let loaded = load.run(&mut chain, HZ, false, watch).unwrap();
    let finding = loaded.finding(&load).unwrap();
    assert_eq!(finding.what, "PART_MISMATCH: the image is for another part");
}

#[test]
fn a_recipe_is_held_against_the_device() {
    let told = |recipe: &str, device: &Device| {
        let recipe = Recipe::parse("r.toml", recipe).unwrap();
        super::read::told(&recipe.check(device).unwrap_err())
    };
    assert!(recipe().check(&heddle()).is_ok());
    let mut other = heddle();
    other.entity = "BOBBIN_44".into();
    assert_eq!(
        told(RECIPE, &other),
        "r.toml: the recipe is for HEDDLE_208, JACQUARD_256, not for BOBBIN_44\n  help: name another recipe in the board file, or \
         add the entity if its data sheet agrees"
    );
    let line =
        |text: &str, wanted: &str| text.lines().position(|l| l.contains(wanted)).unwrap() + 1;
    let wrong = RECIPE.replace("instruction = \"CFG_START\"", "instruction = \"CFG_STRAT\"");
    let at = line(&wrong, "CFG_STRAT") - 2;
    assert_eq!(
        told(&wrong, &heddle()),
        format!(
            "r.toml:{at}:1: HEDDLE_208 has no instruction CFG_STRAT\n  help: did you mean `CFG_START`? steps use the instruction \
             names of the device's BSDL file, or those of [opcodes]"
        )
    );
    // Past the guard, under its own name and under another.
    let mut device = heddle();
    let mut extest = device.instructions[0].clone();
    let code = "0".repeat(device.instruction_length as usize);
    extest.name = "EXTEST".into();
    extest.opcodes = vec![code.parse().unwrap()];
    device.instructions.push(extest);
    let wrong = RECIPE.replace("instruction = \"CFG_START\"", "instruction = \"EXTEST\"");
    let at = line(&wrong, "\"EXTEST\"") - 2;
    let drives =
        "EXTEST puts the boundary register of HEDDLE_208 onto its pins, which is the guard's alone";
    let said = told(&wrong, &device);
    assert!(
        said.starts_with(&format!(
            "r.toml:{at}:1: {drives}\n  help: no image needs it"
        )),
        "{said}"
    );
    let other = wrong.replace("\"EXTEST\"", "\"OTHER\"");
    let said = told(
        &format!("{other}\n[opcodes]\nOTHER = \"{code}\"\n"),
        &device,
    );
    assert!(said.contains(drives), "{said}");
    let wrong = RECIPE
        .replace("bits = 16", "bits = 12")
        .replace("always = \"0101XXXXXXXXXXXX\"", "");
    let at = line(&wrong, "[[status]]");
    assert_eq!(
        told(&wrong, &heddle()),
        format!(
            "r.toml:{at}:1: status CFG_STAT has 12 bits, but CFG_STATUS selects CFG_STAT of 16 bits in HEDDLE_208"
        )
    );
    let text = SINK.replace("instruction = \"WRITE\"\nimage", "image");
    assert_eq!(
        told(&text, &sink_device(3)),
        "r.toml:9:1: `image` comes before any `instruction`\n  help: give the step an instruction: after reset it would go to \
         IDCODE or BYPASS"
    );
    assert_eq!(
        told(SINK, &sink_device(4)),
        "r.toml:13:1: data has 3 bits, but WRITE selects DATA of 4 bits in SINK"
    );
}

#[test]
fn the_captured_instruction_bits_are_a_status_too() {
    let ir = "\n[[status]]\nname = \"IR\"\nfrom = \"instruction capture\"\ninstruction = \"CFG_STATUS\"\nflags = [{ bit = 5, name = \"CLEAR\", \
              says = \"clear\" }, { bit = 4, name = \"RUNS\", says = \"runs\", kind = \"done\" }]\n[[load]]\npoll = \"IR\"\nis = { RUNS = 1 }\nms = 1\n";
    let text = format!("{RECIPE}{ir}").replacen(
        "poll = \"CFG_STAT\"\nis = { READY = 1 }",
        "poll = \"IR\"\nis = { CLEAR = 1 }",
        1,
    );
    let (mut chain, layout, _) = bench(2);
    let mut job = Job::new(&layout, 2, image("HEDDLE_208", CODE, &[4; 40]));
    job.recipe = Recipe::parse("r.toml", &text).unwrap();
    let loaded = job.run(&mut chain).unwrap();
    assert_eq!(loaded.end, LoadEnd::Done);
    assert_eq!(
        loaded.readings[1].bits,
        Bits::from_binary("0000110001").unwrap()
    );
    assert_eq!(
        loaded.readings[1].words(),
        "IR 0x031: CLEAR (clear), RUNS (runs)"
    );
}
