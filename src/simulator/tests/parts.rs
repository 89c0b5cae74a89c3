//! Parts in between, pulls, drivers of the machine.

use super::*;

const BUFFER: &str = "[[part]]\nname = \"IC7\"\nkind = \"buffer\"\nfrom = \"U1.1\"\nto = \"U2.1\"\n\
                      enable = { pin = \"U2.2\", on = \"low\" }\n[[pull]]\npin = \"U2.2\"\nto = \"high\"\n";

#[test]
fn a_buffer_carries_one_way_and_only_when_enabled() {
    let mut rig = Rig::with(3, BUFFER, "floating = \"low\"");
    rig.extest();
    // Disabled by the pull-up.
    assert_eq!(rig.hears(1, 1), [false, false]);
    let on = |rig: &mut Rig, from: usize, level| rig.drive(&[(from, 1, level), (1, 2, false)]);
    assert!(!on(&mut rig, 1, false)[1][0]);
    assert!(on(&mut rig, 1, true)[1][0]);
    assert_eq!(seen(&rig.bench).fight_count, 0);
    // Against its output: a fight, named after the part.
    on(&mut rig, 1, false);
    rig.drive(&[(1, 1, false), (1, 2, false), (2, 1, true)]);
    let seen = seen(&rig.bench);
    assert_eq!(seen.fight_count, 1);
    assert_eq!(
        seen.fights[0]
            .pins
            .iter()
            .map(|p| p.pin.as_str())
            .collect::<Vec<_>>(),
        ["IC7", "U2.1"]
    );
}

#[test]
fn a_buffer_does_not_carry_backwards() {
    let mut rig = Rig::with(3, BUFFER, "floating = \"low\"");
    rig.extest();
    // U1.1 floats low while U2.1, with the buffer off, is driven.
    assert!(!rig.drive(&[(2, 1, true)])[0][0]);
}

#[test]
fn series_resistors_carry_and_large_ones_are_weak() {
    for (ohms, heard) in [(100, [false, true]), (47_000, [true, true])] {
        let part = format!(
            "[[part]]\nname = \"R1\"\nkind = \"resistor\"\nbetween = [\"U1.1\", \"U2.1\"]\nohms = {ohms}\n\
             [[pull]]\npin = \"U2.1\"\nto = \"high\"\nohms = 10_000\n"
        );
        let mut rig = Rig::with(1, &part, "");
        rig.extest();
        rig.bench.tck_hz(100_000);
        assert_eq!(
            rig.hears(1, 1),
            heard,
            "{ohms} ohm against a pull-up of 10 kOhm"
        );
    }
}

#[test]
fn an_open_switch_does_not_carry() {
    for (closed, heard) in [("true", [false, true]), ("false", [false, false])] {
        let part = format!(
            "[[part]]\nname = \"S1\"\nkind = \"switch\"\nbetween = [\"U1.1\", \"U2.1\"]\nclosed = {closed}\n"
        );
        let mut rig = Rig::with(1, &part, "floating = \"low\"");
        rig.extest();
        assert_eq!(rig.hears(1, 1), heard);
    }
}

#[test]
fn the_machine_drives_when_it_has_power() {
    let driver = "[[driver]]\npin = \"U2.1\"\nwhen = \"powered\"\n";
    for (power, fights) in [("off", 0), ("on", 1)] {
        let mut rig = Rig::with(
            1,
            driver,
            &format!("[machine]\npower = \"{power}\"\nlines = \"high\""),
        );
        rig.extest();
        let heard = rig.hears(1, 1);
        assert!(heard[1]);
        assert_eq!(seen(&rig.bench).fight_count, fights, "{power}");
        // Without power its output is fed by the line that was high in two scans.
        let feeds: Vec<(String, u64)> = (seen(&rig.bench).back_feeds.into_iter())
            .map(|f| (f.place, f.updates))
            .collect();
        let fed = [("W1".to_string(), 2)];
        assert_eq!(feeds, if power == "off" { &fed[..] } else { &[] });
        if fights == 1 {
            let names: Vec<String> = seen(&rig.bench).fights[0]
                .pins
                .iter()
                .map(|p| p.pin.clone())
                .collect();
            assert_eq!(names, ["the driver on U2.1", "U1.1"]);
        }
    }
}

#[test]
fn released_pins_are_pulled_as_the_bench_says() {
    for (idle, expected) in [("pull-up", true), ("pull-down", false)] {
        let mut rig = Rig::new(1, &format!("[[device]]\nname = \"U1\"\nidle = \"{idle}\""));
        // In mission mode, seen by SAMPLE; first charged the other way through U2's EXTEST.
        scan_ir(&mut rig.bench, "1000 1000");
        rig.exchange(&[(2, 1, !expected)]);
        scan_ir(&mut rig.bench, "0000 1000");
        assert_eq!(rig.exchange(&[(2, 1, !expected)])[0][0], !expected);
        scan_ir(&mut rig.bench, "1000 1000");
        assert_eq!(rig.exchange(&[])[0][0], expected);
    }
}

#[test]
fn spare_lines_touch_places_through_a_resistor() {
    use crate::tap::{Level, Line};
    let mut rig = Rig::new(2, "spare = { 0 = \"U2.1\", 2 = \"U2.2\" }");
    rig.extest();
    rig.drive(&[(1, 1, false), (1, 2, true)]);
    // Driven against the pin through its resistor: the pin wins, and it is no fight.
    assert_eq!(
        rig.bench.line(Line::Spare(0), Level::High).unwrap() & 0b101,
        0b100
    );
    rig.drive(&[]);
    assert_eq!(rig.bench.sense().unwrap() & 0b101, 0b101);
    assert_eq!(
        rig.bench.line(Line::Spare(0), Level::Low).unwrap() & 0b101,
        0b100
    );
    assert_eq!(
        rig.bench.line(Line::Spare(0), Level::Released).unwrap() & 0b001,
        0,
        "charge"
    );
    assert_eq!(seen(&rig.bench).fight_count, 0);
}

/// The scenario as drawn: every signal wire carries from the clip to the board, the buffered ones with IC7 on.
#[test]
fn the_scenario_has_its_parts() {
    let bench = scenario_bench("as-drawn.toml");
    let seen = seen(&bench);
    assert_eq!(seen.devices.len(), 5);
    assert_eq!((seen.fight_count, seen.strains.len()), (0, 0));
    assert!(seen.left_safe());
}

/// A scan cell of a device, by position in the chain's boundary registers (bit 0 nearest TDO).
struct Chain {
    /// For each device of the scenario: where its register begins, and its description with the package.
    devices: Vec<(usize, taploom_bsdl::Device, &'static str)>,
    length: usize,
}

impl Chain {
    fn new() -> Self {
        let files = [
            ("heddle_208", "PQ208"),
            ("jacquard_256", "BG256"),
            ("bobbin_44", "PL44"),
            ("shuttle_44", "PL44"),
            ("selvedge_clip", "PL44"),
        ];
        let mut length = 0;
        let mut devices = Vec::new();
        for (file, package) in files.into_iter().rev() {
            let path = scenario().join(format!("devices/{file}.bsd"));
            let bytes = std::fs::read(path).unwrap();
            let device = taploom_bsdl::parse(&bytes, &Default::default())
                .device
                .unwrap();
            let from = length;
            length += device.boundary_length as usize;
            devices.insert(0, (from, device, package));
        }
        Self { devices, length }
    }

    /// One instruction into all devices.
    fn ir(&self, name: &str) -> String {
        let code = |device: &taploom_bsdl::Device| -> String {
            let bits = device.instruction(name).unwrap().opcodes[0].bits().to_vec();
            bits.iter().map(|t| t.to_char()).collect()
        };
        self.devices.iter().rev().map(|(_, d, _)| code(d)).collect()
    }

    /// Driver, control cell with enabling value, and observer of a pin `U1.12`.
    fn pin(&self, pin: &str) -> (Option<usize>, Option<(usize, bool)>, Option<usize>) {
        let (name, pin) = pin.split_once('.').unwrap();
        let (from, device, package) = &self.devices[name[1..].parse::<usize>().unwrap() - 1];
        let bit = device.pin_map(package).unwrap().bit_of(pin).unwrap();
        let cells = device.pin_cells(bit);
        let place = |n: u32| from + n as usize;
        (
            cells.driver.map(|c| place(c.number)),
            cells.disable.map(|d| (place(d.cell), !d.disable_value)),
            cells.observer.map(|c| place(c.number)),
        )
    }

    /// An image with all drivers off but the given ones.
    fn image(&self, driven: &[(&str, bool)]) -> Vec<u8> {
        let mut image = vec![b'0'; self.length];
        for (from, device, _) in &self.devices {
            for cell in &device.cells {
                if let Some(disable) = cell.control {
                    image[from + disable.cell as usize] = b'0' + u8::from(disable.disable_value);
                }
            }
        }
        for (pin, level) in driven {
            let (driver, control, _) = self.pin(pin);
            image[driver.unwrap()] = b'0' + u8::from(*level);
            if let Some((cell, on)) = control {
                image[cell] = b'0' + u8::from(on);
            }
        }
        image
    }
}

/// Every signal wire of the scenario, driven by the clip on the socket, heard by the device behind header J3, with the
/// buffer switched on by U1. Pins as `harness.csv` and `board.toml` have them, spelt out here once more.
#[test]
fn every_wire_of_the_scenario_carries() {
    let chain = Chain::new();
    let mut bench = scenario_bench("as-drawn.toml");
    reset(&mut bench);
    scan_ir(&mut bench, &chain.ir("SAMPLE"));
    let text = |image: Vec<u8>| String::from_utf8(image).unwrap();
    scan_dr(&mut bench, &text(chain.image(&[])));
    scan_ir(&mut bench, &chain.ir("EXTEST"));
    // Socket pin, clip pin of U5, pin that hears.
    let wires = [
        (12, "U5.19", "U1.27"),
        (11, "U5.16", "U1.26"),
        (10, "U5.15", "U1.40"),
        (7, "U5.11", "U1.43"),
        (25, "U5.37", "U1.12"),
        (26, "U5.38", "U2.C5"),
        (27, "U5.41", "U2.C6"),
        (20, "U5.31", "U1.19"),
        (22, "U5.33", "U1.20"),
    ];
    for (socket, clip, pin) in wires {
        let (_, _, observer) = chain.pin(pin);
        for level in [true, false, true] {
            let image = text(chain.image(&[(clip, level), ("U1.50", false)]));
            scan_dr(&mut bench, &image);
            let out = scan_dr(&mut bench, &image);
            let heard = out.as_bytes()[observer.unwrap()] == b'1';
            assert_eq!(heard, level, "socket pin {socket}: {clip} to {pin}");
        }
    }
    // With the buffer off, U1.40 no longer follows.
    let heard: Vec<bool> = [true, false]
        .into_iter()
        .map(|level| {
            let image = text(chain.image(&[("U5.15", level)]));
            scan_dr(&mut bench, &image);
            let out = scan_dr(&mut bench, &image);
            out.as_bytes()[chain.pin("U1.40").2.unwrap()] == b'1'
        })
        .collect();
    assert_eq!(heard[0], heard[1]);
    clock(&mut bench, "11111", "11111");
    let seen = seen(&bench);
    assert_eq!((seen.fight_count, seen.strains.len()), (0, 0));
    assert!(seen.left_safe());
}
