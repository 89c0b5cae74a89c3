//! Somebody else's drivers before the emulated chips: two general FTDI libraries on the real libusb, started as they are.
//!
//! PyPI `pyftdi` (its general USB, GPIO and SPI side) and Debian's `libftdi1` by PyPI `pylibftdi`, both on the libusb of
//! PyPI `libusb-package`, which is built without udev. `tests/run --full` puts them into `target/clients`; without them
//! these tests say that they are skipped.

use std::path::PathBuf;
use std::process::Command;
use std::time::Duration;

use serde_json::{Value, json};
use taploom::simulator::Bench;
use taploom::simulator::adapter::Model;
use taploom::transport::Chip;
use taploom_lab::fuse::{Access, Lab};
use taploom_lab::personality::Adapter;

use super::bench::{AS_DRAWN, full, lab, root};

/// Wanted rates of TCK in Hz. All can be made exactly, so that no rule of rounding comes in.
const RATES: [u32; 6] = [
    100_000, 500_000, 1_000_000, 3_000_000, 6_000_000, 30_000_000,
];

/// The chips that both libraries know; the successors came after them.
fn chips() -> Vec<Model> {
    vec![
        Model::ft2232h(),
        Model::ft232h(),
        Model::ft4232h(),
        Model::ft2232c(),
        Model::ft232r(),
        Model::ft_x(),
    ]
}

/// Where the libraries are; none if they are not there, which is said.
fn libraries() -> Option<PathBuf> {
    let folder = root().join("target/clients");
    if folder.join("pyftdi").is_dir() {
        return Some(std::path::absolute(folder).expect("a path"));
    }
    let missing = format!("{} is missing: tests/run --full makes it", folder.display());
    assert!(!full(), "{missing}");
    println!("SKIPPED: {missing}");
    None
}

fn plugged() -> Option<Lab> {
    let mut lab = lab()?;
    for model in chips() {
        let bench = Bench::open(root().join(AS_DRAWN)).expect("the scenario");
        let adapter = Adapter::new(&model, 0, Box::new(bench));
        lab.plug(Box::new(adapter), Access::Free);
    }
    Some(lab)
}

/// Runs a client; gives the document that it prints.
fn client(lab: &Lab, mut command: Command, libraries: &PathBuf) -> Value {
    command
        .env("PYTHONPATH", libraries)
        .env("PYTHONDONTWRITEBYTECODE", "1");
    let run = lab
        .start(command)
        .unwrap_or_else(|e| panic!("the client does not start: {e}"))
        .wait(Duration::from_secs(60));
    assert_eq!((run.exit, run.hung), (Some(0), false), "{run:#?}");
    serde_json::from_str(&run.stdout).unwrap_or_else(|e| panic!("{e}: {run:#?}"))
}

fn python(lab: &Lab) -> Command {
    // The laboratory starts programs by their path.
    let found = Command::new("python3")
        .args(["-c", "import sys; print(sys.executable)"])
        .output()
        .expect("python3");
    lab.program(String::from_utf8_lossy(&found.stdout).trim())
}

#[test]
fn a_general_library_finds_and_drives_every_chip() {
    let (Some(libraries), Some(lab)) = (libraries(), plugged()) else {
        return;
    };
    let mut command = python(&lab);
    command.arg("tests/lab/clients/general.py");
    command.args(RATES.map(|hz| hz.to_string()));
    let told = client(&lab, command, &libraries);

    let listed = told["listing"].as_array().expect("a list");
    assert_eq!(listed.len(), chips().len(), "{listed:?}");
    for model in chips() {
        let chip = Chip::of_release(model.release).expect("a chip of ours");
        let place = listed.iter().find(|l| l["serial"] == model.serial);
        let place = place.unwrap_or_else(|| panic!("{} is not listed", model.name));
        assert_eq!(place["product"], model.product);
        assert_eq!(place["text"], format!("emulated {}", model.name));
        assert_eq!(place["interfaces"], chip.channels);

        let seen = &told["chips"][&model.serial];
        if chip.mpsse_channels == 0 {
            assert_eq!(seen["bit_bang"], true, "{}: {seen}", model.name);
            continue;
        }
        for (hz, told) in RATES
            .iter()
            .zip(seen["frequencies"].as_array().expect("a list"))
        {
            let ours = chip.rate(*hz).map(|rate| f64::from(rate.tck_hz()));
            // Where this chip cannot be so fast, the library refuses and our driver takes the fastest below.
            let ours = ours.filter(|got| *got == f64::from(*hz));
            assert_eq!(told["got"].as_f64(), ours, "{} at {hz} Hz", model.name);
        }
        assert_eq!(
            seen["unknown_command"], "faab",
            "AN_108 2.1: the bad command comes back"
        );
        assert_eq!(seen["gpio"]["driven"], json!([0x00, 0x10, 0x20, 0x30]));
        assert_eq!(seen["spi_mode_0"], true);
        let mode_2 = if model.packet_bytes > 64 {
            json!(true)
        } else {
            Value::Null
        };
        assert_eq!(seen["spi_mode_2"], mode_2, "{}", model.name);
    }
}

#[test]
fn a_second_library_drives_them_too() {
    let (Some(libraries), Some(lab)) = (libraries(), plugged()) else {
        return;
    };
    let mut command = python(&lab);
    command
        .arg("tests/lab/clients/second.py")
        .env("LD_PRELOAD", libraries.join("libusb_package/libusb-1.0.so"));
    let told = client(&lab, command, &libraries);
    assert_eq!(
        told["listing"].as_array().map(Vec::len),
        Some(chips().len())
    );
    for model in chips() {
        let chip = Chip::of_release(model.release).expect("a chip of ours");
        let expected = if chip.mpsse_channels == 0 {
            json!({ "bit_bang": true })
        } else {
            json!({ "unknown_command": "faab", "looped_back": true, "driven": [0x00, 0x10, 0x20, 0x30] })
        };
        assert_eq!(told["chips"][&model.serial], expected, "{}", model.name);
    }
}
