//! Healthy adapters: every chip does every job as the simulated bench does.

use serde_json::Value;
use taploom::simulator::adapter::Model;
use taploom::transport::Chip;
use taploom_lab::fuse::Access;
use taploom_lab::personality::Adapter;

use super::bench::{Job, Scene, Told, ask, lab, root};

/// The wires of the scenario that no scan can prove: supplies and ground.
const UNPROVEN: [&str; 3] = ["W01", "W14", "W28"];

/// The chips of the matrix: one of each kind.
pub(crate) fn chips() -> Vec<Model> {
    vec![
        Model::ft2232h(),
        Model::ft232h(),
        Model::ft4232h(),
        Model::ft2232c(),
        Model::ft232r(),
    ]
}

#[test]
fn a_host_without_adapters_says_so_and_that_is_no_failure() {
    let Some(lab) = lab() else { return };
    let told = ask(&lab, &["adapters"]);
    assert_eq!(told.run.exit, Some(0), "{:?}", told.run);
    assert_eq!(told.document["adapters"], Value::Array(vec![]));
    let told = ask(&lab, &["scan"]);
    assert_eq!(told.run.exit, Some(3), "{:?}", told.run);
    assert_eq!(told.document["error"]["kind"], "adapter");
}

#[test]
fn every_chip_is_listed_with_everything_named() {
    let Some(mut lab) = lab() else { return };
    let models = Model::all();
    for model in &models {
        let nothing = taploom_lab::personality::Nothing;
        lab.plug(
            Box::new(Adapter::new(model, 0, Box::new(nothing))),
            Access::Free,
        );
    }
    let told = ask(&lab, &["adapters"]);
    assert_eq!(told.run.exit, Some(0), "{:?}", told.run);
    let list = told.document["adapters"].as_array().expect("a list");
    assert_eq!(list.len(), models.len());
    for (model, entry) in models.iter().zip(list) {
        let chip = Chip::of_release(model.release).expect("a known chip");
        assert_eq!(entry["chip"], model.name.as_str());
        assert_eq!(entry["serial"], model.serial.as_str());
        assert_eq!(entry["product"], format!("emulated {}", model.name));
        assert_eq!(entry["maker"], "Taploom laboratory");
        assert_eq!(entry["usb_product"], format!("0x{:04X}", model.product));
        let fast = model.packet_bytes > 64;
        let speed = if fast { 480_000_000 } else { 12_000_000 };
        assert_eq!(entry["speed_bits_per_second"], speed, "{}", model.name);
        if chip.mpsse_channels > 0 {
            assert_eq!(entry["state"], "ready", "{}", model.name);
            assert_eq!(entry["top_tck_hz"], chip.tck_hz_max());
        }
    }
}

#[test]
fn every_chip_scans_rings_out_and_loads() {
    for model in chips() {
        for job in Job::ALL {
            let Some(scene) = Scene::new(&model, None, Access::Free) else {
                return;
            };
            let told = scene.job(job, false);
            check(&scene, job, &told);
            let what = format!("{} {job:?}: {:#?}", model.name, told.run);
            let seen = scene.witness.seen();
            assert_eq!(seen.fight_count, 0, "{what}\n{:?}", seen.fights);
            // A design that was loaded runs on; its boundary register drives nothing.
            assert!(seen.left_safe(), "{what}\n{:?}", seen.devices);
            assert_eq!(
                scene.standing().driven[0],
                0,
                "{what}\nlines are still driven"
            );
            println!(
                "{:8} {job:8?} {:5.0} ms, {} bytes taken",
                model.name,
                told.run.took.as_secs_f64() * 1e3,
                scene.standing().taken
            );
        }
    }
}

/// A run that succeeded told the truth.
pub(crate) fn check(scene: &Scene, job: Job, told: &Told) {
    let what = format!("{job:?}: {:#?}", told.run);
    assert_eq!(told.run.exit, Some(0), "{what}");
    assert_eq!(told.document["ok"], true, "{what}");
    match job {
        Job::Scan => scanned(&told.document, &what),
        Job::Ringout => rung_out(&told.document, &what),
        Job::Load => loaded(scene, &told.document, &what),
    }
}

fn scanned(document: &Value, what: &str) {
    let devices = document["devices"].as_array().expect("devices");
    let names: Vec<_> = devices.iter().map(|d| d["name"].as_str()).collect();
    let expected = ["U1", "U2", "U3", "U4", "U5"].map(Some);
    assert_eq!(names, expected, "{what}");
    for device in devices {
        assert_eq!(device["verdict"], "as declared", "{what}");
    }
}

fn rung_out(document: &Value, what: &str) {
    let wires = document["wires"].as_array().expect("wires");
    assert_eq!(wires.len(), 28, "{what}");
    for wire in wires {
        let label = wire["label"].as_str().expect("a label");
        let expected = if UNPROVEN.contains(&label) {
            "untested"
        } else {
            "good"
        };
        assert_eq!(wire["verdict"], expected, "{label}: {what}");
    }
}

fn loaded(scene: &Scene, document: &Value, what: &str) {
    assert_eq!(document["loaded"], true, "{what}");
    let seen = scene.witness.seen();
    let image = std::fs::metadata(root().join("fixtures/knitting-machine/pattern-tap.bin"))
        .expect("the image")
        .len();
    assert_eq!(document["bytes"], image, "{what}");
    let [one] = &seen.loaded[..] else {
        panic!("{what}\n{:?}", seen.loaded);
    };
    assert!(one.running && one.device == "U1", "{what}\n{one:?}");
}
