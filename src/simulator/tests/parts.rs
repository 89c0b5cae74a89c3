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
