//! The scenario's files: woven, current, and what they claim to be.
//!
//! `TAPLOOM_WEAVE=1 cargo test --test fixtures` writes the woven files anew; without it each committed file must be
//! exactly what the loom would write.

#![allow(
    clippy::print_stdout,
    reason = "tests say how much ran and what they skipped"
)]

mod loom;
mod support;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use jep106::JEP106Code;
use taploom::board::{Board, WireIndex, WireRole};
use taploom::load::Recipe;
use taploom_bsdl::model::{CellFunction, CellKind, PortMode};
use taploom_bsdl::{Device, Options, Severity, parse, print};

fn scenario(file: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("fixtures/knitting-machine")
        .join(file)
}

/// Compares a committed file with what the loom makes, or writes it.
fn woven(file: &str, expected: &[u8]) {
    let path = scenario(file);
    if std::env::var_os("TAPLOOM_WEAVE").is_some_and(|v| v == "1") {
        std::fs::write(&path, expected).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    }
    let seen = std::fs::read(&path)
        .unwrap_or_else(|e| panic!("{}: {e}; TAPLOOM_WEAVE=1 writes it", path.display()));
    if let Some(at) = (0..seen.len().max(expected.len())).find(|i| seen.get(*i) != expected.get(*i))
    {
        panic!(
            "{file} differs from what the loom weaves, at byte {at}; TAPLOOM_WEAVE=1 writes it anew"
        );
    }
}

fn bsdl_text(headline: &str, device: &Device) -> String {
    format!(
        "-- {headline}.\n-- Woven by tests/loom; change it there.\n\n{}",
        print(device)
    )
}

#[test]
fn devices_are_current() {
    for (stem, headline, device) in loom::devices() {
        woven(
            &format!("devices/{stem}.bsd"),
            bsdl_text(headline, &device).as_bytes(),
        );
    }
}

/// Counts worked out from the pin lists, not from the models: pins by kind and cells of the boundary register.
#[test]
fn packages_add_up() {
    // entity, pins, TAP, ground and supply, no connection, cells
    let expected = [
        ("HEDDLE_208", 208, 4, 20 + 8 + 16, 12, 529),
        (
            "JACQUARD_256",
            256,
            5,
            20 + 8 + 16,
            8,
            3 * 189 + 6 + 3 + 2 + 240 - 8 - 15,
        ),
        ("BOBBIN_44", 44, 4, 8, 0, 3 * 29 + 3),
        ("SHUTTLE_44", 44, 4, 8, 0, 2 * 28 + 4 + 16),
        ("SELVEDGE_CLIP", 44, 4, 6, 6, 2 * 28),
    ];
    for ((_, _, device), (entity, pins, tap, power, open, cells)) in
        loom::devices().into_iter().zip(expected)
    {
        assert_eq!(device.entity, entity);
        assert_eq!(device.boundary_length, cells, "{entity}");
        assert_eq!(device.tap.ports().count(), tap, "{entity}");
        for map in &device.pin_maps {
            assert_eq!(map.len(), pins, "{entity} {}", map.name);
            let mut kinds = BTreeMap::new();
            let mut names: Vec<_> = map.pins().map(|pin| pin.name.to_string()).collect();
            for pin in map.pins() {
                let port = &device.ports[pin.bit.port as usize];
                let kind = match (port.mode, port.name.as_str()) {
                    (PortMode::Linkage, "NC") => "open",
                    (PortMode::Linkage, _) => "power",
                    _ => "signal",
                };
                *kinds.entry(kind).or_insert(0) += 1;
            }
            names.sort_unstable();
            names.dedup();
            assert_eq!(
                names.len(),
                pins,
                "{entity} {}: a pin is named twice",
                map.name
            );
            let count = |kind| kinds.get(kind).copied().unwrap_or(0);
            let signals = pins - power - open;
            assert_eq!(
                (count("power"), count("open"), count("signal")),
                (power, open, signals),
                "{entity}"
            );
        }
    }
}

/// The numbers of HEDDLE_208 by function: 134 I/O pins, of them 8 BC_7 and 18 in three groups with one control cell
/// each; beside them straps, flash lines, DONE and BUSY.
#[test]
fn the_first_device_has_every_sort_of_cell() {
    let (_, _, device) = loom::devices().swap_remove(0);
    let count = |f: CellFunction| device.cells.iter().filter(|c| c.function == f).count();
    assert_eq!(count(CellFunction::Bidir), 8);
    assert_eq!(count(CellFunction::Output3), 134 - 8 + 3);
    assert_eq!(count(CellFunction::Control), 134 - 18 + 3);
    assert_eq!(count(CellFunction::ControlR), 3);
    assert_eq!(count(CellFunction::Clock), 4);
    assert_eq!(count(CellFunction::Output2), 2);
    assert_eq!(count(CellFunction::Internal), 132);
    assert_eq!(count(CellFunction::Input), 134 - 8 + 4 + 1 + 1);
    for kind in [CellKind::Bc1, CellKind::Bc2, CellKind::Bc4, CellKind::Bc7] {
        assert!(device.cells.iter().any(|c| c.kind == kind), "{kind:?}");
    }
}

/// IDCODEs: as README.md lists them, bit 0 set, and a maker's code that names nobody (crate jep106 as the outside
/// source; 7-bit code 0 is not among the codes 1 to 126 that JEP106 gives out in each bank).
#[test]
fn makers_codes_name_nobody() {
    let expected = ["24D08501", "14D16501", "X2C44A01", "32C52A01", "00C28501"];
    for ((_, _, device), expected) in loom::devices().into_iter().zip(expected) {
        let [idcode] = device.idcodes.as_slice() else {
            panic!("{}: one IDCODE", device.entity)
        };
        let value = idcode.value_with_x_as(false).unwrap() as u32;
        let version = if expected.starts_with('X') {
            "X".into()
        } else {
            format!("{:X}", value >> 28)
        };
        assert_eq!(format!("{version}{:07X}", value & 0x0FFF_FFFF), expected);
        assert_eq!(value & 1, 1);
        let (bank, code) = ((value >> 8 & 0xF) as u8, (value >> 1 & 0x7F) as u8);
        assert_ne!(code, 0x7F);
        assert_eq!(JEP106Code::new(bank, code).get(), None, "{}", device.entity);
    }
    // The check can fail: bank 0, code 1 is a maker's (facts: AMD).
    assert!(JEP106Code::new(0, 0x01).get().is_some());
}

/// What the reader says of the committed files, held to the letter as well: nothing but the maker's
/// warning. And it reads what was woven.
#[test]
fn devices_read_without_a_word() {
    for (stem, _, device) in loom::devices() {
        let bytes = std::fs::read(scenario(&format!("devices/{stem}.bsd"))).unwrap();
        for strict in [false, true] {
            let read = parse(
                &bytes,
                &Options {
                    strict,
                    ..Options::default()
                },
            );
            let [warning] = read.diagnostics.as_slice() else {
                panic!("{stem}: {:#?}", read.diagnostics)
            };
            assert_eq!(
                (warning.code, warning.severity),
                ("B710", Severity::Note),
                "{stem}: {warning:#?}"
            );
            assert!(
                warning.message.contains(&device.design_warnings[0]),
                "{stem}: {warning:#?}"
            );
            assert!(
                read.device.is_some_and(|read| read.same_model(&device)),
                "{stem}: not what was woven"
            );
        }
    }
}

#[test]
fn image_is_current() {
    let image = loom::image::pattern_tap();
    assert_eq!(image.len(), 70 + 49_152);
    woven("pattern-tap.bin", &image);
}

/// CRC catalogues give 0x29B1 as the check value of this variant over the nine digits (from memory).
#[test]
fn crc_has_the_published_check_value() {
    assert_eq!(loom::image::crc16(b"123456789"), 0x29B1);
    assert_eq!(loom::image::crc16(b""), 0xFFFF);
}

/// The board as its readers see it: 28 wires, of them 25 that the clip can drive and hear at the socket and that U1 or
/// U2 can hear; the address low byte only in one direction, and only with IC7 switched on.
#[test]
fn every_signal_wire_can_be_rung_out() {
    let board = Board::load(scenario("board.toml")).unwrap_or_else(|e| panic!("{e}"));
    assert_eq!(board.wires.len(), 28);
    let mut signals = 0;
    for n in 0..28 {
        let (wire, ends) = (&board.wires[n], board.wire_ends(WireIndex(n)));
        assert_eq!(wire.label, format!("W{:02}", n + 1));
        if board.wire_role(WireIndex(n)) != WireRole::Signal {
            assert!(
                ["W01", "W14", "W28"].contains(&wire.label.as_str()),
                "{}",
                wire.label
            );
            continue;
        }
        signals += 1;
        let [clip] = ends.from.as_slice() else {
            panic!("{}: {:?}", wire.label, ends.from)
        };
        assert!(
            clip.can_drive && clip.can_hear && clip.pin.to_string().starts_with("U5."),
            "{}",
            wire.label
        );
        let [fpga] = ends.to.as_slice() else {
            panic!("{}: {:?}", wire.label, ends.to)
        };
        let buffered = (3..=10).contains(&(n + 1));
        assert!(fpga.can_hear, "{}", wire.label);
        assert_eq!(fpga.can_drive, !buffered, "{}", wire.label);
        assert_eq!(
            fpga.hear_needs.len(),
            usize::from(buffered),
            "{}",
            wire.label
        );
        let device = if ["W26", "W27"].contains(&wire.label.as_str()) {
            "U2."
        } else {
            "U1."
        };
        assert!(
            fpga.pin.to_string().starts_with(device),
            "{}: {}",
            wire.label,
            fpga.pin
        );
        // The socket's shape and the harness file agree on what each pin carries.
        assert_eq!(
            wire.from.socket_pin().map(|pin| pin.signal),
            Some(wire.signal.as_str())
        );
    }
    assert_eq!(signals, 25);
}

#[test]
fn other_boards_and_the_recipe_are_read() {
    Board::load(scenario("../benchmark/board.toml")).unwrap_or_else(|e| panic!("{e}"));
    let recipe = Recipe::open(scenario("heddle.toml")).unwrap_or_else(|e| panic!("{e}"));
    assert!(recipe.is_for("HEDDLE_208") && recipe.is_for("JACQUARD_256"));
}

/// Real files: the boards that other tests scan. Counts of the corpus by another tool (grep): 34 files, 32 entities.
#[test]
fn boards_of_real_devices() {
    let Some(corpus) = support::corpus::folder() else {
        println!("skipped: TAPLOOM_CORPUS is not set");
        return;
    };
    let devices = support::corpus::devices(&corpus);
    println!("{} different devices in the corpus", devices.len());
    assert_eq!(devices.len(), 32);
    for device in &devices {
        assert!((2..=16).contains(&device.ir_length), "{device:?}");
        let idcode = device.idcode.as_deref().unwrap_or("1");
        assert!(
            idcode.ends_with('1') && idcode.bytes().all(|c| b"01X".contains(&c)),
            "{device:?}"
        );
        assert!(matches!(idcode.len(), 1 | 32), "{device:?}");
        // The search of this test and the reader of the crate share no code.
        let read = parse(&std::fs::read(&device.file).unwrap(), &Options::default())
            .device
            .unwrap();
        assert_eq!(read.entity, device.entity);
        assert_eq!(read.instruction_length, device.ir_length, "{device:?}");
        assert_eq!(
            read.idcodes.first().map(ToString::to_string),
            device.idcode,
            "{device:?}"
        );
    }
    let mut picked = std::collections::BTreeSet::new();
    for seed in 0..40 {
        let made = support::corpus::board(&devices, seed);
        assert_eq!(made.devices.len(), 4);
        assert!(made.board.is_file() && made.bench.is_file());
        let board = Board::load(&made.board).unwrap_or_else(|e| panic!("seed {seed}: {e}"));
        assert_eq!(board.devices.len(), 4);
        picked.extend(made.devices.iter().map(|d| d.entity.clone()));
    }
    assert!(
        picked.len() >= 30,
        "40 seeds reach {} devices only",
        picked.len()
    );
}

/// GHDL accepts the committed files, and what it makes of their strings is what was woven. It refuses a misspelt
/// attribute, so it looks.
#[test]
fn an_outside_analyser_agrees() {
    let Some(ghdl) = support::ghdl::Ghdl::start("fixtures") else {
        println!("skipped: GHDL is not installed");
        return;
    };
    for (stem, _, device) in loom::devices() {
        let text = std::fs::read_to_string(scenario(&format!("devices/{stem}.bsd"))).unwrap();
        ghdl.analyse_bsdl(stem, &text)
            .unwrap_or_else(|e| panic!("{stem}: {e}"));
        let value = |attribute| ghdl.value(&device.entity, attribute);
        assert_eq!(
            value("INSTRUCTION_LENGTH"),
            device.instruction_length.to_string()
        );
        assert_eq!(value("BOUNDARY_LENGTH"), device.boundary_length.to_string());
        assert_eq!(value("IDCODE_REGISTER"), device.idcodes[0].to_string());
        assert_eq!(
            value("INSTRUCTION_CAPTURE"),
            device.instruction_capture.as_ref().unwrap().to_string()
        );

        let flat = |text: String| {
            text.split_whitespace()
                .collect::<String>()
                .to_ascii_uppercase()
        };
        let cells = device.cells.iter().map(|c| {
            let port = c.port.map_or("*".into(), |bit| device.bit_name(bit));
            let off = c.control.map_or(String::new(), |off| {
                format!(
                    ",{},{},{}",
                    off.cell,
                    u8::from(off.disable_value),
                    off.result.as_str()
                )
            });
            format!(
                "{}({},{port},{},{}{off})",
                c.number,
                device.cell_name(c.kind),
                c.function.as_str(),
                c.safe
            )
        });
        assert!(
            flat(value("BOUNDARY_REGISTER")) == cells.collect::<Vec<_>>().join(","),
            "{stem}: BOUNDARY_REGISTER"
        );
        let codes = device.instructions.iter().map(|i| {
            let codes: Vec<_> = i.opcodes.iter().map(ToString::to_string).collect();
            format!("{}({})", i.name, codes.join(","))
        });
        assert!(
            flat(value("INSTRUCTION_OPCODE")) == codes.collect::<Vec<_>>().join(","),
            "{stem}: INSTRUCTION_OPCODE"
        );

        let spoilt = text.replacen("attribute BOUNDARY_LENGTH", "attribute BOUNDARY_LENGHT", 1);
        assert!(ghdl.analyse_bsdl("spoilt", &spoilt).is_err());
    }
}
