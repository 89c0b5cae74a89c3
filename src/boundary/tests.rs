//! Tests of the whole room on the scenario's board and on boards made from it.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use proptest::prelude::*;

use crate::bits::Bits;
use crate::board::{Board, DeviceIndex, DevicePin, DriverIndex, Hold, Level};
use crate::tap::{Instructions, Op, Register, ScanProgram, Shift, TapState};

use super::*;

fn scenario() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/knitting-machine")
}

fn board() -> Board {
    Board::load(scenario().join("board.toml")).unwrap()
}

/// The scenario's board with one text replaced in its board file.
fn changed(name: &str, from: &str, to: &str) -> Board {
    let text = std::fs::read_to_string(scenario().join("board.toml")).unwrap();
    assert!(text.contains(from), "{from}");
    let folder =
        std::env::temp_dir().join(format!("taploom-boundary-{name}-{}", std::process::id()));
    std::fs::create_dir_all(&folder).unwrap();
    let place = |file: &str| format!("\"{}\"", scenario().join(file).display());
    let text = text
        .replace(from, to)
        .replace("\"devices\"", &place("devices"))
        .replace("\"harness.csv\"", &place("harness.csv"))
        .replace("\"heddle.toml\"", &place("heddle.toml"));
    std::fs::write(folder.join("board.toml"), text).unwrap();
    let board = Board::load(folder.join("board.toml")).unwrap();
    std::fs::remove_dir_all(&folder).unwrap();
    board
}

fn all(board: &Board) -> Vec<DeviceIndex> {
    (0..board.devices.len()).map(DeviceIndex).collect()
}

fn off() -> Conditions {
    Conditions {
        machine: MachinePower::Off,
        ..Conditions::default()
    }
}

fn named(board: &Board, pin: &str) -> DevicePin {
    let (device, pin) = pin.split_once('.').unwrap();
    let device = board.device(device).unwrap();
    board.device_pin(device, pin).unwrap()
}

/// What the guard says to wanted pins, as text: the driven pins that nobody holds and that can be switched off, or
/// the refusal with its mend.
fn asked(board: &Board, conditions: Conditions, wanted: &[(&str, bool)]) -> String {
    let pins = Pins::new(board, &all(board)).unwrap();
    let guard = match Guard::new(board, &pins, conditions) {
        Ok(guard) => guard,
        Err(refusal) => return format!("{refusal}; {}", refusal.mend()),
    };
    let wanted: Vec<_> = (wanted.iter())
        .map(|(pin, level)| (pins.find(&named(board, pin)).expect(pin), *level))
        .collect();
    match guard.image(&wanted) {
        Err(refusal) => format!("{refusal}; {}", refusal.mend()),
        Ok(image) => {
            let shown = image
                .driven()
                .iter()
                .filter(|(p, _)| !guard.always_drives(*p));
            let shown: Vec<String> = shown
                .map(|(p, l)| format!("{} {}", pins.get(*p).pin, Level::from(*l)))
                .collect();
            shown.join(", ")
        }
    }
}

#[test]
fn the_guard_refuses_with_pin_reason_and_mend() {
    let board = board();
    for (wanted, said) in [
        (&[("U1.12", true)][..], "U1.12 high"),
        // One control cell enables both.
        (&[("U1.19", false)], "U1.19 low, U1.20 low"),
        (
            &[("U1.19", false), ("U1.20", true)],
            "U1.19 low, U1.20 high",
        ),
        (
            &[("U1.98", true)],
            "U1.98 is not driven: `never_drive` names it; \
             choose another pin; take it out of `never_drive` only if you know why it is there",
        ),
        (
            &[("U1.91", false)],
            "U1.91 is not driven: `hold` keeps it high; leave it out, or mend `hold` of [guard]",
        ),
        (
            &[("U1.12", true), ("U5.37", false)],
            "U1.12 is not driven: U5.37 drives the same net low; release U5.37 first, or ask for the same level",
        ),
        (
            &[("U1.12", true), ("U5.37", true)],
            "U1.12 high, U5.37 high",
        ),
        (
            &[("U1.40", true)],
            "U1.40 is not driven: IC7 drives the same net while U1.50 is low; \
             put U1.50 high first, or drive the net on the other side of IC7",
        ),
        (
            &[("U1.40", true), ("U1.50", true)],
            "U1.40 high, U1.50 high",
        ),
        (
            &[
                ("U5.4", true),
                ("U5.5", true),
                ("U5.8", true),
                ("U5.9", true),
            ],
            "U5.9 is not driven: 4 lines at once would feed a machine that is off; \
             drive fewer lines at once, or unplug the harness at the machine and say so",
        ),
        (
            &[("U1.78", true)],
            "U1.78 is not driven: no boundary cell drives it; \
             drive this net from another pin, or only listen to this one",
        ),
    ] {
        assert_eq!(asked(&board, off(), wanted), said, "{wanted:?}");
    }
    let unplugged = Conditions {
        unplugged: true,
        ..off()
    };
    let four = [
        ("U5.4", true),
        ("U5.5", true),
        ("U5.8", true),
        ("U5.9", true),
    ];
    assert!(asked(&board, unplugged, &four).ends_with("U5.9 high"));
}

#[test]
fn extest_is_refused_while_the_machine_may_be_on() {
    let board = board();
    for (machine, said) in [
        (MachinePower::On, "on"),
        (MachinePower::Unknown, "not known to be off"),
    ] {
        let conditions = Conditions {
            machine,
            ..Conditions::default()
        };
        assert_eq!(
            asked(&board, conditions, &[]),
            format!(
                "EXTEST is refused: the machine is {said}, and EXTEST needs it to be off; \
                 switch the machine off, let it discharge, then say `--machine off`"
            )
        );
    }
}

#[test]
fn neighbours_under_one_control_cell_count_as_driven() {
    let mut board = board();
    board.guard.never_drive.push(named(&board, "U1.20"));
    assert!(asked(&board, off(), &[("U1.19", true)]).starts_with(
        "U1.19 is not driven: its control cell also enables U1.20, and `never_drive` names it"
    ));
    board.guard.never_drive.pop();
    // A neighbour whose net the other side drives to the other level.
    let said = asked(&board, off(), &[("U1.19", true), ("U5.33", false)]);
    assert!(
        said.starts_with(
            "U1.19 is not driven: its control cell also enables U1.20, and U5.33 drives"
        ),
        "{said}"
    );
    // A neighbour that is held switches this one on as well, so nothing else may drive its net to the other level.
    board.guard.hold.push(Hold {
        pin: named(&board, "U1.20"),
        level: Level::Low,
    });
    let said = asked(&board, off(), &[("U5.31", true)]);
    assert!(
        said.starts_with("U5.31 is not driven: U1.19 drives the same net low"),
        "{said}"
    );
}

#[test]
fn other_drivers_on_the_net_are_fights() {
    let mut declared = board();
    let node = declared
        .netlist
        .node(&named(&declared, "U1.12").into())
        .unwrap();
    declared.netlist.drivers.push((node, DriverIndex(0)));
    assert!(
        asked(&declared, off(), &[("U5.37", true)])
            .starts_with("U5.37 is not driven: the [[driver]] on U1.78 drives the same net")
    );

    let mut undescribed = board();
    undescribed.devices[4].bsdl = None;
    assert!(asked(&undescribed, off(), &[("U1.12", true)]).starts_with(
        "U1.12 is not driven: U5.37 is on the same net, and without BSDL it counts as a live driver"
    ));

    let mut bypassed = board();
    let mut bsdl = (**bypassed.devices[4].bsdl.as_ref().unwrap()).clone();
    bsdl.instructions.retain(|i| i.name != "EXTEST");
    bypassed.devices[4].bsdl = Some(Arc::new(bsdl));
    assert!(asked(&bypassed, off(), &[("U1.12", true)]).starts_with(
        "U1.12 is not driven: U5.37 is on the same net, and its device stays in BYPASS"
    ));
    let pins = Pins::new(&bypassed, &all(&bypassed)).unwrap();
    assert!(!pins.seats()[4].takes_part && pins.seats()[4].field == (0..1));

    let text = "\n[[tie]]\npins = [\"J3.29\", \"J3.31\"]\n[guard]";
    let rail = changed("tie", "\n[guard]", text);
    assert!(
        asked(&rail, off(), &[("U1.34", true)])
            .starts_with("U1.34 is not driven: its net is ground"),
        "{}",
        asked(&rail, off(), &[("U1.34", true)])
    );
}

#[test]
fn fixed_pins_never_move() {
    let board = board();
    let pins = Pins::new(&board, &all(&board)).unwrap();
    let guard = Guard::new(&board, &pins, off()).unwrap();
    let mut seen = [0; 2];
    for (index, pin) in pins.iter() {
        let Some(fixed) = pin.fixed else { continue };
        for level in [false, true] {
            let why = guard.image(&[(index, level)]).unwrap_err().why;
            match fixed {
                pins::Fixed::Tap => assert_eq!(why, Why::Tap),
                pins::Fixed::Compliance => assert_eq!(why, Why::Compliance),
                pins::Fixed::Linkage => assert_eq!(why, Why::Linkage),
            }
        }
        seen[usize::from(fixed == pins::Fixed::Linkage)] += 1;
    }
    assert!(seen[0] >= 20 && seen[1] >= 50, "{seen:?}");
}

#[test]
fn what_always_drives_is_named_and_never_drive_cannot_stop_it() {
    let mut board = board();
    let pins = Pins::new(&board, &all(&board)).unwrap();
    let guard = Guard::new(&board, &pins, off()).unwrap();
    let always = Note::AlwaysDrives(named(&board, "U1.60"), Level::Low);
    assert!(guard.notes().contains(&always));
    board.guard.never_drive.push(named(&board, "U1.60"));
    assert_eq!(
        asked(&board, off(), &[]),
        "U1.60 is not driven: `never_drive` names it, but it has no enable and drives whenever EXTEST is on; \
         give its level under `hold` instead"
    );
}

#[test]
fn cells_stand_where_the_layout_puts_them() {
    let board = board();
    let pins = Pins::new(&board, &all(&board)).unwrap();
    // HEDDLE_208 529, JACQUARD_256 795, BOBBIN_44 90, SHUTTLE_44 76, SELVEDGE_CLIP 56 cells; U5 is nearest TDO.
    assert_eq!(pins.length(), 1546);
    let starts: Vec<usize> = pins.seats().iter().map(|s| s.field.start).collect();
    assert_eq!(starts, [1017, 222, 132, 56, 0]);
    let clip = pins.find(&named(&board, "U5.4")).unwrap();
    assert!(pins.get(clip).drive.unwrap().cell < 56);
    assert!(pins.hears_itself(clip) && pins.can_hear(clip));
    // Without the clip the rest moves down to TDO.
    let without = Pins::new(&board, &all(&board)[..4]).unwrap();
    assert_eq!(without.length(), 1490);
    assert_eq!(without.find(&named(&board, "U5.4")), None);
}

/// The data scans of a program: what was shifted, without the marker.
fn images(program: &ScanProgram, length: usize) -> Vec<Bits> {
    let scan = |op: &Op| match op {
        Op::Shift(s) if s.register() == Register::Dr => {
            Some(s.out().slice(s.out().len() - length, length))
        }
        _ => None,
    };
    program.ops().iter().filter_map(scan).collect()
}

/// A look that found everything still: the looks' own image comes back, with marker and good captures.
fn still(board: &Board, pins: &Pins) -> Stillness {
    let (look, program) = SampleLook::new(pins, 3);
    look.judge(
        board,
        &answered(pins, &program, |_| Bits::zeros(pins.length())),
    )
    .unwrap()
}

/// Answers a program as a chain in good order does: 01 from every instruction register, `capture` from the boundary
/// registers at each data scan, and then what was shifted in first.
fn answered(
    pins: &Pins,
    program: &ScanProgram,
    capture: impl Fn(usize) -> Bits,
) -> crate::tap::Answers {
    let mut scans = 0;
    let mut raw = Vec::new();
    for op in program.ops() {
        let Op::Shift(shift) = op else { continue };
        let mut bits = match shift.register() {
            Register::Ir => {
                let mut bits = Bits::zeros(pins.layout().ir_total());
                (0..pins.layout().len())
                    .for_each(|i| bits.set(pins.layout().ir_field(i).start, true));
                bits
            }
            Register::Dr => {
                scans += 1;
                capture(scans - 1)
            }
        };
        bits.append(shift.out());
        raw.push(bits.slice(0, shift.out().len()));
    }
    let piece = crate::tap::Piece {
        ops: program.ops().to_vec(),
    };
    piece.expectations().answer(raw)
}

#[test]
fn a_batch_enters_quietly_and_leaves_in_reset() {
    let board = board();
    let pins = Pins::new(&board, &all(&board)).unwrap();
    let guard = Guard::new(&board, &pins, off()).unwrap();
    let mut batch = Batch::new(&guard, &still(&board, &pins));
    let pin = pins.find(&named(&board, "U1.12")).unwrap();
    let high = batch.vector(&guard.image(&[(pin, true)]).unwrap());
    let (program, reader) = batch.finish();
    assert_eq!(program.ops().first(), Some(&Op::Reset));
    assert_eq!(program.ops().last(), Some(&Op::Reset));
    let registers: Vec<Register> = (program.ops().iter())
        .filter_map(|op| match op {
            Op::Shift(s) => Some(s.register()),
            _ => None,
        })
        .collect();
    use Register::{Dr, Ir};
    // PRELOAD, the image at rest, EXTEST, the vector, the image at rest again.
    assert_eq!(registers, [Ir, Dr, Ir, Dr, Dr]);
    let images = images(&program, pins.length());
    assert_eq!(images[0], images[2]);
    assert_eq!(&images[0], guard.rest().bits());
    assert_ne!(images[0], images[1]);

    // The capture of the vector is what comes out while the next image goes in.
    let watch = pins.get(pin).watch[0].cell;
    let answers = answered(&pins, &program, |scan| {
        let mut bits = Bits::zeros(pins.length());
        bits.set(watch, scan == 2);
        bits
    });
    let captures = reader.read(&answers).unwrap();
    assert_eq!(captures.level(high, pin), Some(true));
}

#[test]
fn a_glitch_is_no_answer() {
    let board = board();
    let pins = Pins::new(&board, &all(&board)).unwrap();
    let guard = Guard::new(&board, &pins, off()).unwrap();
    let make = || {
        let mut batch = Batch::new(&guard, &still(&board, &pins));
        batch.vector(guard.rest());
        batch.finish()
    };
    // One bit too many or too few in a data scan.
    for length in [pins.length() + 1, pins.length() - 1] {
        let (program, reader) = make();
        let answers = answered(&pins, &program, |scan| {
            Bits::zeros(if scan == 1 { length } else { pins.length() })
        });
        let error = reader.read(&answers).unwrap_err();
        assert!(
            matches!(error, BatchError::Marker { vector: 1, .. }),
            "{error}"
        );
    }
    let (_, reader) = make();
    let missing = crate::tap::Answers::default();
    assert_eq!(reader.read(&missing).unwrap_err(), BatchError::Unanswered);
}

#[test]
fn a_vector_without_settling_takes_its_bits_and_four_clocks() {
    let mut board = board();
    board.guard.settle_us = 0;
    let pins = Pins::new(&board, &all(&board)).unwrap();
    let guard = Guard::new(&board, &pins, off()).unwrap();
    let clocks = |vectors: usize| {
        let mut batch = Batch::new(&guard, &still(&board, &pins));
        (0..vectors).for_each(|_| {
            batch.vector(guard.rest());
        });
        let (program, _) = batch.finish();
        let (mut walker, mut clocks) = (crate::tap::Walker::new(), 0);
        for op in program.ops() {
            walker
                .walk(op, &mut |step| {
                    clocks += match step {
                        crate::tap::Step::Tms(path) => path.iter().count(),
                        crate::tap::Step::Shift { bits, .. } => bits.len(),
                        _ => 0,
                    };
                })
                .unwrap();
        }
        clocks
    };
    // 16 bits of marker.
    assert_eq!(clocks(11) - clocks(10), pins.length() + 16 + 4);
}

#[test]
fn leaving_finishes_the_shift_with_the_image_at_rest() {
    let board = board();
    let pins = Pins::new(&board, &all(&board)).unwrap();
    let guard = Guard::new(&board, &pins, off()).unwrap();
    for open in [OpenScan::None, OpenScan::Dr, OpenScan::Ir] {
        let program = leaving(&guard, open);
        assert_eq!(&images(&program, pins.length())[0], guard.rest().bits());
        let mut walker = crate::tap::Walker::new();
        match open {
            OpenScan::None => walker.walk(&Op::Reset, &mut |_| {}).unwrap(),
            OpenScan::Dr => walker
                .walk(&Op::Shift(Shift::dr(Bits::ones(7))), &mut |_| {})
                .unwrap(),
            OpenScan::Ir => walker
                .walk(&Op::Shift(Shift::ir(Instructions::bypass(7))), &mut |_| {})
                .unwrap(),
        }
        for op in program.ops() {
            walker.walk(op, &mut |_| {}).unwrap();
        }
        assert_eq!(walker.state(), TapState::TestLogicReset);
    }
}

#[test]
fn movement_refuses_unless_something_explains_it() {
    let board = board();
    let pins = Pins::new(&board, &all(&board)).unwrap();
    let (look, program) = SampleLook::new(&pins, 4);
    let moving = |name: &str, control: bool| {
        let pin = pins.get(pins.find(&named(&board, name)).unwrap());
        let watch = pin.watch.iter().find(|w| w.sample).unwrap().cell;
        let enable = pin.drive.and_then(|d| d.enable);
        let mut quiet = pins.quiet_image();
        // Everything reads 0 beside the control cells.
        pins.iter()
            .flat_map(|(_, p)| &p.watch)
            .for_each(|w| quiet.set(w.cell, false));
        answered(&pins, &program, |scan| {
            let mut bits = quiet.clone();
            bits.set(watch, scan == 2);
            if let (true, Some(enable)) = (control, enable) {
                bits.set(enable.cell, !enable.off);
            }
            bits
        })
    };
    let error = look.judge(&board, &moving("U1.12", false)).unwrap_err();
    assert_eq!(
        error.to_string(),
        "EXTEST is refused: U1.12 moved in 4 looks by SAMPLE, though the machine was said to be off"
    );
    // Its own device drives it, or the board file has a driver there, or no harness reaches it.
    assert!(look.judge(&board, &moving("U1.12", true)).is_ok());
    assert!(look.judge(&board, &moving("U1.78", false)).is_ok());
    assert!(look.judge(&board, &moving("U2.K1", false)).is_ok());
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// Whatever is wanted, a guarded image drives what is wanted, what is held, what cannot be switched off and what
    /// shares a control cell with them, and nothing else; never a forbidden pin; never two levels on one net. Going
    /// there changes at most `max_switching` outputs an update, or one control cell's.
    #[test]
    fn images_drive_only_what_they_may(picks in prop::collection::vec((0usize..2000, any::<bool>()), 1..40)) {
        let board = board();
        let pins = Pins::new(&board, &all(&board)).unwrap();
        let conditions = Conditions { unplugged: true, ..off() };
        let guard = Guard::new(&board, &pins, conditions).unwrap();
        let mut wanted: Vec<(PinIndex, bool)> = Vec::new();
        for (n, level) in picks {
            let mut more = wanted.clone();
            more.retain(|(p, _)| *p != PinIndex(n % pins.len()));
            more.push((PinIndex(n % pins.len()), level));
            if guard.image(&more).is_ok() {
                wanted = more;
            }
        }
        let image = guard.image(&wanted).unwrap();
        for &(pin, level) in image.driven() {
            let wish = wanted.iter().find(|(p, _)| *p == pin);
            let by_group = pins.group(pin).iter().any(|p| wanted.iter().any(|(w, _)| w == p));
            prop_assert!(wish.is_some() || by_group || guard.always_drives(pin));
            prop_assert!(wish.is_none_or(|(_, l)| *l == level));
            prop_assert!(!board.guard.never_drive.contains(&pins.get(pin).pin));
            for &(other, l) in image.driven() {
                prop_assert!(!board.same_net_as_drawn(&pins.get(pin).pin, &pins.get(other).pin) || l == level);
            }
        }
        prop_assert_eq!(image.level_of(pins.find(&named(&board, "U1.91")).unwrap()), Some(true));

        let mut batch = Batch::new(&guard, &still(&board, &pins));
        batch.vector(&image);
        let (program, _) = batch.finish();
        let images = images(&program, pins.length());
        let driven: Vec<_> = images.iter().map(|i| pins.driven(i)).collect();
        for pair in driven.windows(2).take(driven.len() - 2) {
            let changed: Vec<PinIndex> = (pair[1].iter()).filter(|d| !pair[0].contains(d)).map(|d| d.0).collect();
            let largest = changed.iter().map(|p| pins.group(*p).len()).max().unwrap_or(0);
            prop_assert!(changed.len() <= (board.guard.max_switching as usize).max(largest));
        }
        prop_assert_eq!(&driven[driven.len() - 2], &image.driven().to_vec());
    }
}

/// While U1 is loaded the others are held by CLAMP: their BSDL's opcodes (read off the files by hand here), the image at rest
/// of each, one bit of BYPASS for U1.
#[test]
fn clamp_holds_all_but_the_device_that_is_worked_on() {
    let board = board();
    let u1 = board.device("U1").unwrap();
    let pins = Pins::beside(&board, &all(&board), &[u1]).unwrap();
    let guard = Guard::new(&board, &pins, off()).unwrap();
    let clamp = Clamp::of(&board, &guard, &still(&board, &pins)).unwrap();
    assert_eq!(clamp.held().collect::<Vec<_>>(), [1, 2, 3, 4]);
    let (preload, image) = clamp.preload();
    let codes = |codes: [(&str, &str); 5]| -> Bits {
        let scan = codes.map(|(device, code)| {
            let entity = board.devices[board.device(device).unwrap().0].bsdl.as_ref();
            assert_eq!(
                code.len(),
                entity.unwrap().instruction_length as usize,
                "{device}"
            );
            code
        });
        Bits::from_binary(&scan.concat()).unwrap()
    };
    let scans = ["U1", "U2", "U3", "U4", "U5"].map(|d| {
        let bsdl = board.devices[board.device(d).unwrap().0]
            .bsdl
            .clone()
            .unwrap();
        // BOBBIN_44 is of the old kind, where SAMPLE does both.
        let preload = bsdl.instruction("PRELOAD").or(bsdl.instruction("SAMPLE"));
        (
            d,
            preload.unwrap().opcodes[0].to_string(),
            bsdl.boundary_length as usize,
        )
    });
    let preloads = codes([
        ("U1", "1111111111"),
        (scans[1].0, &scans[1].1),
        (scans[2].0, &scans[2].1),
        (scans[3].0, &scans[3].1),
        (scans[4].0, &scans[4].1),
    ]);
    assert_eq!(preload.bits(), &preloads);
    // TDI to TDO: U1's one bit is the last that goes in, and the highest.
    let held: usize = scans[1..].iter().map(|s| s.2).sum();
    assert_eq!(image.len(), held + 1);
    assert_eq!(image.slice(0, held), guard.rest().bits().slice(0, held));
    assert!(!image.get(held));

    let device = board.devices[u1.0].bsdl.as_deref().unwrap();
    let opcode = |name: &str| -> Bits {
        let code = device.instruction(name).unwrap().opcodes[0].bits_with_x_as(false);
        code.into_iter().collect()
    };
    let shift = opcode("CFG_SHIFT");
    let wanted = |opcode| Wanted { device, opcode };
    let scan = clamp.with(0, wanted(&shift)).unwrap();
    let clamps = scans[1..].iter().map(|(d, ..)| match *d {
        "U2" => "00001001",
        "U3" => "11111010",
        "U4" => "01101",
        _ => "001001",
    });
    let expected: String = ["1000010010".to_owned()]
        .into_iter()
        .chain(clamps.map(str::to_owned))
        .collect();
    assert_eq!(scan.bits().to_binary(), expected);
    let extest = opcode("EXTEST");
    assert!(clamp.with(0, wanted(&extest)).is_err());
}
