//! Names and refusals on the scenario's board.

use std::path::Path;

use crate::board::{Board, DeviceIndex, DevicePin};
use crate::boundary::{Conditions, Guard, MachinePower, PinIndex, Pins};

use super::*;

fn board() -> Board {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/knitting-machine/board.toml");
    Board::load(path).unwrap()
}

fn chain(board: &Board, count: usize) -> Pins {
    let present: Vec<_> = (0..count).map(DeviceIndex).collect();
    assert!(count <= board.devices.len());
    Pins::new(board, &present).unwrap()
}

fn name(pins: &Pins, pin: PinIndex) -> String {
    let pin: &DevicePin = &pins.get(pin).pin;
    pin.to_string()
}

#[test]
fn wires_signals_and_places_find_their_pins() {
    let board = board();
    let with_clip = chain(&board, 5);
    for (written, driver, ear) in [
        // Through IC7 only the clip can drive; U1 hears it while IC7 is on.
        ("W07", "U5.11", "U1.43 with U1.50"),
        ("A3", "U5.11", "U1.43 with U1.50"),
        ("w7", "U5.11", "U1.43 with U1.50"),
        ("pattern memory.7", "U5.11", "U5.11"),
        // The board's own pin comes before the clip's.
        ("W11", "U1.26", "U5.16"),
        ("J3.1", "U1.26", "U1.26"),
        ("W25", "U1.12", "U5.37"),
        ("U1.12", "U1.12", "U1.12"),
        ("j3.29", "U1.34", "U1.34"),
    ] {
        let spot = Spot::find(&board, &with_clip, written).unwrap();
        let found = spot.driver.as_ref().map(|d| name(&with_clip, d.pin));
        assert_eq!(found.as_deref(), Some(driver), "{written}");
        let heard = spot.ear(&with_clip, true).map(|e| {
            let needs: String = (e.needs.iter())
                .map(|(p, _)| format!(" with {}", name(&with_clip, *p)))
                .collect();
            format!("{}{needs}", name(&with_clip, e.pin))
        });
        assert_eq!(heard.as_deref(), Some(ear), "{written}");
    }
    // Without the clip nobody can drive W07, and that is said.
    let without = chain(&board, 4);
    let spot = Spot::find(&board, &without, "W07").unwrap();
    assert_eq!(spot.driver, None);
    assert_eq!(
        spot.undrivable.unwrap().0,
        "U1.43 is behind IC7, which does not carry that way"
    );
    for (written, said) in [
        ("W77", "has no pin, wire or signal W77"),
        ("U9.1", "U9"),
        ("U1.999", "999"),
        (
            "U5.11",
            "U5.11 is a pin of U5, which is not on the chain now",
        ),
    ] {
        let error = Spot::find(&board, &without, written).unwrap_err();
        assert!(error.to_string().contains(said), "{written}: {error}");
        assert!(!error.help().is_empty());
    }
}

#[test]
fn a_table_is_refused_before_anything_moves() {
    let board = board();
    let pins = chain(&board, 5);
    let conditions = Conditions {
        machine: MachinePower::Off,
        ..Conditions::default()
    };
    let guard = Guard::new(&board, &pins, conditions).unwrap();
    for (table, said) in [
        (
            "W07,U1.98\n0,X\n1,1\n",
            "line 3: U1.98 is not driven: `never_drive` names it",
        ),
        (
            "U1.12,U5.37\n1,\n,0\n",
            "line 3: U1.12 is not driven: U5.37 drives the same net low",
        ),
        ("W07,A3\n0,\n,0\n", "columns W07 and A3 both drive U5.11"),
        ("W07,W99\n0,0\n", "column W99: fixtures"),
        ("W07,W08\n0,2\n", "line 2, column W08: \"2\" is no cell"),
        ("U1.78,U1.12\nZ,1\n0,1\n", "line 3: U1.78 is not driven: "),
    ] {
        let error = rehearse_table(&board, &guard, &[], std::io::Cursor::new(table)).unwrap_err();
        let words = error
            .to_string()
            .replace(env!("CARGO_MANIFEST_DIR"), "")
            .replace("/fixtures", "fixtures");
        assert!(words.starts_with(said), "{words}");
        assert!(!error.help().is_empty(), "{words}");
    }
    let table = "W07,W11,repeat\n0,H,3\n1,L,\n";
    let (columns, run) = rehearse_table(&board, &guard, &[], std::io::Cursor::new(table)).unwrap();
    assert_eq!((run.rows, run.vectors, run.compares), (2, 4, 4));
    assert!(columns[0].drives && !columns[0].expects && columns[1].expects);
}
