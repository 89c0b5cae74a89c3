//! Every fault of the harness, seen electrically; fights and strains.

use super::*;
use crate::simulator::{FightPin, Strain};

fn rig(fault: &str) -> Rig {
    let mut rig = Rig::new(4, &format!("seed = 3\n{fault}"));
    rig.extest();
    rig
}

const GOOD: [bool; 2] = [false, true];

/// Which pins of device 2 follow pin `from` of device 1, all others released.
fn followers(rig: &mut Rig, from: usize) -> Vec<usize> {
    (1..=rig.pins)
        .filter(|&to| rig.hears(from, to) == GOOD)
        .collect()
}

#[test]
fn without_a_fault_each_pin_hears_its_own() {
    let mut rig = rig("");
    for pin in 1..=4 {
        assert_eq!(followers(&mut rig, pin), [pin]);
    }
    assert_eq!(seen(&rig.bench).fight_count, 0);
    assert!(seen(&rig.bench).strains.is_empty());
}

#[test]
fn an_open_wire_keeps_its_charge() {
    for end in ["from", "to"] {
        let mut rig = rig(&format!(
            "[[fault]]\nkind = \"open\"\nwire = \"W2\"\nend = \"{end}\""
        ));
        let heard = rig.hears(2, 2);
        assert_eq!(heard[0], heard[1], "the same whatever is driven");
        assert_eq!(followers(&mut rig, 1), [1]);
        // Charge stays: what the far end drives itself is what it hears from then on.
        for level in [true, false] {
            rig.drive(&[(2, 2, level)]);
            assert_eq!(rig.drive(&[(1, 2, !level)])[1][1], level);
        }
    }
}

#[test]
fn a_floating_line_is_as_the_bench_says() {
    for (floating, level) in [("low", false), ("high", true)] {
        let mut rig = rig(&format!(
            "floating = \"{floating}\"\n[[fault]]\nkind = \"open\"\nwire = \"W2\""
        ));
        assert_eq!(rig.hears(2, 2), [level; 2]);
    }
}

#[test]
fn a_floating_line_follows_one_of_its_neighbours() {
    // An open wire between two others: by the seed it follows the one or the other, never both.
    let mut led = std::collections::BTreeSet::new();
    for seed in 0..16 {
        let mut rig = Rig::new(
            3,
            &format!(
                "seed = {seed}\nfloating = \"neighbours\"\n[[fault]]\nkind = \"open\"\nwire = \"W2\""
            ),
        );
        rig.extest();
        let by: Vec<usize> = [1, 3]
            .into_iter()
            .filter(|&from| {
                // Both edges, or the charge alone would do.
                rig.drive(&[(1, from, false)]);
                rig.hears(from, 2) == GOOD && rig.hears(from, 2) == GOOD
            })
            .collect();
        assert!(by.len() <= 1, "seed {seed}: {by:?}");
        led.extend(by);
        // A driven neighbour that moves the other way shows it.
        let both = rig.drive(&[(1, 1, true), (1, 2, true), (1, 3, true)])[1][1];
        let inverted = rig.drive(&[(1, 1, false), (1, 2, true), (1, 3, false)])[1][1];
        assert!(
            both != inverted || !both,
            "seed {seed}: an open wire cannot pass both"
        );
    }
    assert_eq!(led.into_iter().collect::<Vec<_>>(), [1, 3]);
}

#[test]
fn shorts_by_their_behaviour() {
    for (behaviour, expected) in [
        ("wired-and", [false, false]),
        ("wired-or", [true, true]),
        ("strong", [false, true]),
    ] {
        let mut rig = rig(&format!(
            "[[fault]]\nkind = \"short\"\nwires = [\"W2\", \"W3\"]\nbehaviour = \"{behaviour}\""
        ));
        // One driver at a time: both hear it, no fight.
        assert_eq!(followers(&mut rig, 2), [2, 3]);
        assert_eq!(followers(&mut rig, 3), [2, 3]);
        assert_eq!(seen(&rig.bench).fight_count, 0);
        // Two at odds: the first wire low then high.
        for (level, expected) in [false, true].into_iter().zip(expected) {
            let heard = rig.drive(&[(1, 2, level), (1, 3, !level)])[1].clone();
            assert_eq!(
                (heard[1], heard[2]),
                (expected, expected),
                "{behaviour} first {level}"
            );
        }
        // The two levels were changed in one update, so it is one fight that went on.
        assert_eq!(seen(&rig.bench).fight_count, 1);
    }
}

#[test]
fn swapped_and_misplaced_wires_arrive_elsewhere() {
    for end in ["from", "to"] {
        let mut rig = rig(&format!(
            "[[fault]]\nkind = \"swap\"\nwires = [\"W1\", \"W4\"]\nend = \"{end}\""
        ));
        assert_eq!(
            (followers(&mut rig, 1), followers(&mut rig, 4)),
            (vec![4], vec![1])
        );
        assert_eq!(followers(&mut rig, 2), [2]);
    }
    let mut rig = Rig::new(
        4,
        "[[fault]]\nkind = \"misplaced\"\nwire = \"W4\"\npin = \"U2.3\"",
    );
    rig.extest();
    assert_eq!(
        (followers(&mut rig, 4), followers(&mut rig, 3)),
        (vec![3], vec![3])
    );
}

#[test]
fn a_stuck_line_is_a_strain_and_no_fight() {
    for (level, name) in [(false, "low"), (true, "high")] {
        let mut rig = rig(&format!(
            "[[fault]]\nkind = \"stuck\"\nwire = \"W2\"\nlevel = \"{name}\""
        ));
        assert_eq!(rig.hears(2, 2), [level; 2]);
        assert_eq!(rig.drive(&[(2, 2, !level)])[0][1], level);
        let seen = seen(&rig.bench);
        assert_eq!(seen.fight_count, 0);
        // The wrong level was driven in two scans by U1 and in two by U2.
        assert_eq!(
            seen.strains,
            [Strain {
                place: "W2".into(),
                stuck: level,
                updates: 4
            }]
        );
    }
}

#[test]
fn a_held_line_beats_pulls_and_yields_to_drivers() {
    let mut rig = Rig::with(
        2,
        "[[pull]]\npin = \"U2.1\"\nto = \"high\"\n",
        "[[fault]]\nkind = \"held\"\nwire = \"W1\"\nlevel = \"low\"",
    );
    rig.extest();
    assert!(!rig.drive(&[])[1][0], "against the pull-up");
    assert_eq!(rig.hears(1, 1), GOOD);
    assert!(!rig.drive(&[])[1][0]);
    assert_eq!(seen(&rig.bench).fight_count, 0);
}

#[test]
fn an_intermittent_joint_fails_as_often_as_it_says() {
    let mut rig = Rig::with(
        1,
        "[[pull]]\npin = \"U2.1\"\nto = \"low\"\n",
        "seed = 5\n[[fault]]\nkind = \"intermittent\"\nwire = \"W1\"\nprobability = 0.25",
    );
    rig.extest();
    rig.exchange(&[(1, 1, true)]);
    let missed = (0..2000)
        .filter(|_| !rig.exchange(&[(1, 1, true)])[1][0])
        .count();
    // Four standard deviations around 500: sqrt(2000 × 0.25 × 0.75) = 19.4.
    assert!((422..578).contains(&missed), "{missed} of 2000");
}

#[test]
fn a_resistive_joint_is_slow_and_weak() {
    let mut rig = rig("[[fault]]\nkind = \"resistive\"\nwire = \"W1\"\nohms = 12_000");
    rig.bench.tck_hz(30_000_000);
    // 12 kOhm and 50 pF: 414 ns. From Update to Capture are 2.5 cycles of 33 ns.
    rig.drive(&[(1, 1, false)]);
    rig.bench.pass(10_000).unwrap();
    rig.exchange(&[(1, 1, true)]);
    assert!(!rig.exchange(&[(1, 1, true)])[1][0], "sampled at once");
    rig.bench.pass(10_000).unwrap();
    assert!(rig.exchange(&[(1, 1, true)])[1][0], "sampled late");
    // A driver on the far side wins there and is no fight.
    assert!(!rig.drive(&[(1, 1, true), (2, 1, false)])[1][0]);
    assert_eq!(seen(&rig.bench).fight_count, 0);
}

#[test]
fn a_planted_fight_is_caught_once_with_its_place() {
    let mut rig = rig("");
    rig.bench.tck_hz(1_000_000);
    for _ in 0..5 {
        rig.drive(&[(1, 3, true), (2, 3, false)]);
    }
    let seen = seen(&rig.bench);
    assert_eq!((seen.fight_count, seen.fights.len()), (1, 1));
    let fight = &seen.fights[0];
    assert_eq!(fight.place, "W3");
    let pin = |pin: &str, level| FightPin {
        pin: pin.into(),
        level: Some(level),
    };
    assert_eq!(fight.pins, [pin("U1.3", true), pin("U2.3", false)]);
    // It began on the falling edge in Update-DR of the first of these scans: 100, 16 shifts, 11.
    assert!(fight.at_ns > 0 && fight.at_ns <= seen.elapsed_ns);

    // It ends and begins again: another episode. Both the same way is none.
    rig.drive(&[(1, 3, true)]);
    rig.drive(&[(1, 3, true), (2, 3, true)]);
    assert_eq!(super::seen(&rig.bench).fight_count, 1);
    rig.drive(&[(1, 3, false), (2, 3, true)]);
    assert_eq!(super::seen(&rig.bench).fight_count, 2);
}

#[test]
fn a_design_that_runs_fights_with_extest() {
    let mut rig = Rig::new(
        2,
        "[[device]]\nname = \"U2\"\nconfigured = true\nmission = { 1 = \"high\", 2 = \"moving\" }",
    );
    // SAMPLE sees what U2 drives; its own cells show its core.
    scan_ir(&mut rig.bench, "1000 1000");
    let mut moved = std::collections::BTreeSet::new();
    for _ in 0..20 {
        rig.bench.pass(50_000).unwrap();
        let levels = rig.exchange(&[]);
        assert!(levels[0][0] && levels[1][0]);
        assert_eq!(levels[0][1], levels[1][1]);
        moved.insert(levels[0][1]);
    }
    assert_eq!(moved.len(), 2, "a moving line moves");
    assert_eq!(seen(&rig.bench).fight_count, 0);
    // EXTEST in U1 only: U1 low on W1 fights with the design; a moving line is at odds with any driver.
    rig.exchange(&[(1, 1, false), (1, 2, true)]);
    scan_ir(&mut rig.bench, "1111 0000");
    let seen = seen(&rig.bench);
    assert_eq!(seen.fight_count, 2);
    assert!(seen.fights.iter().any(|f| f.place == "W2"
        && f.pins.contains(&FightPin {
            pin: "U2.2".into(),
            level: None
        })));
}

#[test]
fn a_short_to_a_supply_is_a_stuck_line() {
    for (rail, level) in [("ground", false), ("supply 5 V", true)] {
        let mut rig = rig(&format!(
            "[[fault]]\nkind = \"short\"\nwires = [\"W2\"]\npins = [\"{rail}\"]"
        ));
        assert_eq!(rig.hears(2, 2), [level; 2]);
        assert_eq!(rig.hears(1, 1), GOOD);
        let seen = seen(&rig.bench);
        assert_eq!((seen.fight_count, seen.strains.len()), (0, 1));
        assert_eq!(seen.strains[0].stuck, level);
    }
}

#[test]
fn three_wires_may_be_joined_and_open_at_once() {
    // W1, W2 and W3 in one blob of solder, W3 cut off behind it.
    let mut rig = rig(
        "[[fault]]\nkind = \"short\"\nwires = [\"W1\", \"W2\", \"W3\"]\n[[fault]]\nkind = \"open\"\nwire = \"W3\"",
    );
    assert_eq!(followers(&mut rig, 1), [1, 2]);
    // The break is at the `to` end: from the other end W3 still drives the other two.
    assert_eq!(followers(&mut rig, 3), [1, 2]);
}
