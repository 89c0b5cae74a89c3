//! Comparisons with the scenario's board, message by message.

use super::super::testing::{TestChain, TestDevice};
use super::super::*;
use crate::board::{Board, DeviceIndex};

fn board() -> Board {
    Board::load(concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/fixtures/knitting-machine/board.toml"
    ))
    .unwrap()
}

/// Devices of the board by name, TDI to TDO; `X` is a stranger.
fn chain(board: &Board, names: &str) -> TestChain {
    let device = |name: &str| {
        let Some(d) = board.device(name) else {
            return TestDevice::new("0001", Some(0x4111_1043));
        };
        let bsdl = board.devices[d.0].bsdl.as_ref().unwrap();
        let capture = bsdl
            .instruction_capture
            .as_ref()
            .unwrap()
            .bits_with_x_as(false);
        let capture: String = capture
            .iter()
            .rev()
            .map(|&b| if b { '1' } else { '0' })
            .collect();
        let code = bsdl
            .idcodes
            .first()
            .map(|p| p.value_with_x_as(false).unwrap() as u32);
        TestDevice::new(&capture, code)
    };
    TestChain::new(names.split(' ').map(device).collect())
}

fn compared(board: &Board, mut chain: TestChain) -> Comparison {
    let found = discover(&mut chain, 1_000_000).unwrap();
    compare(&found, board, &KnownParts::none())
}

/// Rows as `U1 as declared, U2 missing`.
fn told(comparison: &Comparison) -> String {
    let row = |r: &Row| {
        let position = r.position.map_or("-".into(), |p| p.to_string());
        format!(
            "{position} {} {}",
            if r.name.is_empty() { "?" } else { &r.name },
            r.verdict.as_str()
        )
    };
    comparison
        .rows
        .iter()
        .map(row)
        .collect::<Vec<_>>()
        .join(", ")
}

fn messages(comparison: &Comparison) -> Vec<String> {
    comparison.findings.iter().map(Finding::to_string).collect()
}

#[test]
fn four_as_declared_and_four_and_the_clip() {
    let board = board();
    let four = compared(&board, chain(&board, "U1 U2 U3 U4"));
    assert_eq!(
        told(&four),
        "1 U1 as declared, 2 U2 as declared, 3 U3 as declared, 4 U4 as declared"
    );
    assert!(four.is_as_declared() && four.findings.is_empty());
    assert_eq!(
        (
            four.required,
            four.absent.len(),
            four.optional_present(&board).count()
        ),
        (4, 1, 0)
    );
    let row = &four.rows[2];
    assert_eq!(
        (row.entity.as_deref(), row.ir_length),
        (Some("BOBBIN_44"), Some(8))
    );
    assert_eq!(row.ir_capture.as_ref().unwrap().get_u64(0, 2), 0b01);
    let work = four.chain.as_ref().unwrap();
    assert_eq!(work.layout().ir_lengths(), [10, 8, 8, 5]);
    assert_eq!(
        (work.place_of(DeviceIndex(3)), work.place_of(DeviceIndex(4))),
        (Some(3), None)
    );
    assert_eq!(work.idcodes()[0], Some(IdCode(0x24D0_8501)));

    let five = compared(&board, chain(&board, "U1 U2 U3 U4 U5"));
    assert!(five.is_as_declared());
    assert_eq!((five.required, five.absent.len()), (4, 0));
    assert_eq!(five.optional_present(&board).collect::<Vec<_>>(), ["U5"]);
}

#[test]
fn the_wrong_part_is_named_by_its_code() {
    let board = board();
    let seen = compared(&board, chain(&board, "U1 U2 U4 U4"));
    assert_eq!(
        told(&seen),
        "1 U1 as declared, 2 U2 as declared, 3 U3 wrong part, 4 U4 as declared"
    );
    assert_eq!(
        messages(&seen),
        [
            "U3, position 3 of 4: another part than declared; expected BOBBIN_44, IDCODE 0xX2C44A01, seen SHUTTLE_44, IDCODE \
          0x32C52A01; read the marking on U3: replace the part, or mend the board file"
        ]
    );
    assert_eq!(seen.rows[2].entity.as_deref(), Some("SHUTTLE_44"));
    assert_eq!(seen.rows[2].ir_length, Some(5));
    assert!(seen.chain.is_none() && !seen.is_as_declared());

    let seen = compared(&board, chain(&board, "U1 X U3 U4"));
    assert_eq!(
        messages(&seen),
        [
            "U2, position 2 of 4: another part than declared; expected JACQUARD_256, IDCODE 0x14D16501, seen IDCODE 0x41111043 \
          (maker Lattice Semi., part 0x1111, version 4); read the marking on U2: replace the part, or mend the board file"
        ]
    );
    let mut mute = chain(&board, "U1 U2 U3 U4");
    mute.devices[1].idcode = None;
    assert_eq!(
        messages(&compared(&board, mute)),
        [
            "U2, position 2 of 4: another part than declared; expected JACQUARD_256, IDCODE 0x14D16501, seen no IDCODE: it \
          answers as BYPASS; read the marking on U2: replace the part, or mend the board file"
        ]
    );
}

#[test]
fn another_version_is_said_and_can_be_worked_with() {
    let board = board();
    let mut newer = chain(&board, "U1 U2 U3 U4");
    newer.devices[1].idcode = Some(0x34D1_6501);
    newer.devices[2].idcode = Some(0xF2C4_4A01);
    let seen = compared(&board, newer);
    assert_eq!(
        told(&seen),
        "1 U1 as declared, 2 U2 wrong version, 3 U3 as declared, 4 U4 as declared"
    );
    assert_eq!(
        messages(&seen),
        [
            "U2, position 2 of 4: the declared part in another version; expected JACQUARD_256, IDCODE 0x14D16501, seen IDCODE \
          0x34D16501 (maker not assigned, part 0x4D16, version 3); if this version will do, give U2 `idcode = \
          \"0x34D16501\"` in the board file"
        ]
    );
    assert!(seen.chain.is_some() && !seen.is_as_declared());
}

#[test]
fn missing_and_extra_devices_are_named_with_their_place() {
    let board = board();
    let seen = compared(&board, chain(&board, "U1 U3 U4"));
    assert_eq!(
        told(&seen),
        "1 U1 as declared, - U2 missing, 2 U3 as declared, 3 U4 as declared"
    );
    assert_eq!(
        messages(&seen),
        [
            "U2, between U1 and U3: it does not answer, and the chain is closed without it; expected JACQUARD_256, IDCODE \
          0x14D16501, seen no device there; check whether U2 is fitted and powered, and whether a link bridges its TDI and \
          TDO; if it is on the chain only at times, declare it `optional = true`"
        ]
    );
    let seen = compared(&board, chain(&board, "U1 U2 X U3 U4"));
    assert_eq!(
        told(&seen),
        "1 U1 as declared, 2 U2 as declared, 3 ? extra, 4 U3 as declared, 5 U4 as declared"
    );
    assert_eq!(
        messages(&seen),
        [
            "position 3 of 5, between U2 and U3: a device that the board file does not declare; expected no device there, seen \
          IDCODE 0x41111043 (maker Lattice Semi., part 0x1111, version 4); declare it in the board file by a [[device]] at \
          this place, or take it off the chain"
        ]
    );
    let seen = compared(&board, chain(&board, "U1 U2 U3 U4 X"));
    assert!(messages(&seen)[0].starts_with("position 5 of 5, between U4 and TDO of the chain: "));
}

#[test]
fn a_break_is_placed_between_two_pins() {
    let board = board();
    for (clip, names) in [(false, "U1 U2 U3 U4"), (true, "U1 U2 U3 U4 U5")] {
        let mut broken = chain(&board, names);
        broken.faults.cut = Some((2, true));
        let seen = compared(&board, broken);
        let rest = if clip { ", 5 U5 as declared" } else { "" };
        assert_eq!(
            told(&seen),
            format!("1 U1 silent, 2 U2 silent, 3 U3 as declared, 4 U4 as declared{rest}")
        );
        let [finding] = &seen.findings[..] else {
            panic!("{:?}", seen.findings)
        };
        let pin = |d: usize, tdo: bool| {
            let tap = &board.devices[d].bsdl.as_ref().unwrap().tap;
            let port = if tdo { tap.tdo } else { tap.tdi };
            let bit = board.devices[d]
                .bsdl
                .as_ref()
                .unwrap()
                .bits_of(port.unwrap())
                .next()
                .unwrap();
            board.pin_of_bit(DeviceIndex(d), bit).unwrap().to_string()
        };
        assert_eq!(
            finding.place,
            format!(
                "between TDO of U2 ({}) and TDI of U3 ({})",
                pin(1, true),
                pin(2, false)
            )
        );
        assert_eq!(
            finding.seen,
            format!("{} devices from TDO, then ones", if clip { 3 } else { 2 })
        );
        assert!(seen.chain.is_none());
    }
    let mut dead = chain(&board, "U1 U2 U3 U4");
    dead.faults.tdo = Some(true);
    let seen = compared(&board, dead);
    assert_eq!(
        told(&seen),
        "1 U1 silent, 2 U2 silent, 3 U3 silent, 4 U4 silent"
    );
    assert_eq!(seen.findings[0].kind, "tdo high");
    let none = compared(&board, TestChain::new(vec![]));
    assert_eq!(
        told(&none),
        "- U1 missing, - U2 missing, - U3 missing, - U4 missing"
    );
}

#[test]
fn instruction_registers_must_add_up_and_capture_what_the_bsdl_says() {
    let board = board();
    let mut longer = chain(&board, "U1 U2 U3 U4");
    longer.devices[3].ir_capture = vec![true, false, false, false, false, false];
    let seen = compared(&board, longer);
    assert!(seen.chain.is_none() && !seen.is_as_declared());
    assert_eq!(
        messages(&seen),
        [
            "the instruction path: the instruction registers do not add up; expected 31 bits (U1 10, U2 8, U3 8, U4 5), seen 32 \
          bits; compare INSTRUCTION_LENGTH of the BSDL files, and `ir_length` in the board file, with the parts' data sheets"
        ]
    );
    let mut other = chain(&board, "U1 U2 U3 U4");
    other.devices[0].ir_capture[9] = true;
    let seen = compared(&board, other);
    let [finding] = &seen.findings[..] else {
        panic!("{:?}", seen.findings)
    };
    assert_eq!(
        (
            finding.place.as_str(),
            finding.expected.as_str(),
            finding.seen.as_str()
        ),
        ("U1, position 1 of 4", "0000XX0001", "1000000001")
    );
    assert!(seen.chain.is_some() && !seen.is_as_declared());
}

/// Verdicts in the order of the rows, `U1=` for as declared, `U1!` wrong part, `U1?` missing, `U1.` silent, `+` extra.
fn short(comparison: &Comparison) -> String {
    let mark = |r: &Row| {
        let mark = match r.verdict {
            Verdict::AsDeclared => "=",
            Verdict::WrongPart => "!",
            Verdict::WrongVersion => "v",
            Verdict::Missing => "?",
            Verdict::Silent => ".",
            Verdict::Extra => "+",
        };
        format!("{}{mark}", r.name)
    };
    comparison
        .rows
        .iter()
        .map(mark)
        .collect::<Vec<_>>()
        .join(" ")
}

#[test]
fn every_single_fault_at_every_place_is_laid_at_the_right_door() {
    let board = board();
    let mut tried = 0;
    for clip in [false, true] {
        let all: Vec<&str> = if clip {
            vec!["U1", "U2", "U3", "U4", "U5"]
        } else {
            vec!["U1", "U2", "U3", "U4"]
        };
        let told = |change: &dyn Fn(usize, &str) -> String| {
            let words: Vec<String> = all.iter().enumerate().map(|(i, n)| change(i, n)).collect();
            words.join(" ")
        };
        let mut check = |names: Vec<&str>, cut: Option<(usize, bool)>, expected: String| {
            let mut chain = chain(&board, &names.join(" "));
            chain.faults.cut = cut;
            let seen = compared(&board, chain);
            assert_eq!(short(&seen), expected, "{names:?} {cut:?}");
            assert!(!seen.is_as_declared() && seen.chain.is_none());
            // One finding for one fault, and it names the device that the fault is at.
            assert_eq!(seen.findings.len(), 1, "{:?}", seen.findings);
            tried += 1;
        };
        for at in 0..all.len() {
            let optional = all[at] == "U5";
            let mut names = all.clone();
            names.remove(at);
            if !optional {
                check(
                    names,
                    None,
                    told(&|i, n| format!("{n}{}", if i == at { "?" } else { "=" })),
                );
                let mut names = all.clone();
                names[at] = "X";
                check(
                    names,
                    None,
                    told(&|i, n| format!("{n}{}", if i == at { "!" } else { "=" })),
                );
            }
            for level in [true, false] {
                let place = told(&|i, n| format!("{n}{}", if i < at { "." } else { "=" }));
                check(all.clone(), Some((at, level)), place);
            }
        }
        for at in 0..=all.len() {
            let mut names = all.clone();
            names.insert(at, "X");
            let mut rows: Vec<String> = all.iter().map(|n| format!("{n}=")).collect();
            rows.insert(at, "+".into());
            check(names, None, rows.join(" "));
        }
    }
    assert_eq!(tried, (8 + 8 + 5) + (8 + 10 + 6));
}

#[test]
fn two_faults_apart_are_both_named() {
    let board = board();
    for missing in 0..4usize {
        for wrong in 0..4usize {
            if missing.abs_diff(wrong) < 2 {
                continue;
            }
            let all = ["U1", "U2", "U3", "U4"];
            let names: Vec<&str> = (0..4)
                .filter(|i| *i != missing)
                .map(|i| if i == wrong { "X" } else { all[i] })
                .collect();
            let seen = compared(&board, chain(&board, &names.join(" ")));
            let mark = |i| {
                if i == missing {
                    "?"
                } else if i == wrong {
                    "!"
                } else {
                    "="
                }
            };
            let expected: Vec<String> = (0..4).map(|i| format!("{}{}", all[i], mark(i))).collect();
            assert_eq!(short(&seen), expected.join(" "));
        }
    }
}

#[test]
fn a_break_before_the_first_device_is_at_the_adapter() {
    let board = board();
    let mut cut = chain(&board, "U1 U2 U3 U4");
    cut.faults.cut = Some((0, true));
    let seen = compared(&board, cut);
    let place = &seen.findings[0].place;
    assert!(
        place.starts_with("between the adapter's TDI and TDI of U1 (U1."),
        "{place}"
    );
    assert_eq!(
        seen.findings[0].mend,
        "check this stretch: plug, cable, buffer, and for a short to ground"
    );
}
