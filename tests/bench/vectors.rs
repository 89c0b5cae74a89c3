//! How much of TCK a table of test vectors gets: 100,000 rows over four devices at 30 MHz on the emulated adapter, in virtual
//! time, without settling; and how much memory the program took. Prints counts; goal: at least 90 % of cells / TCK.

#![allow(clippy::print_stdout, reason = "a benchmark prints its counts")]

use std::fmt::Write;
use std::fs::File;
use std::io::BufReader;
use std::path::Path;

use taploom::board::Board;
use taploom::boundary::drive::rehearse_table;
use taploom::boundary::{Conditions, Guard, MachinePower, Pins};
use taploom::session::{Cancel, Left, Place, Session};
use taploom::tap::Port;

const ROWS: u64 = 100_000;
const TCK_HZ: f64 = 30e6;
const GOAL: f64 = 0.90;

fn main() {
    let folder = std::env::temp_dir().join(format!("taploom-vectors-{}", std::process::id()));
    std::fs::create_dir_all(&folder).expect("a scratch folder");
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let plain =
        std::fs::read_to_string(root.join("fixtures/benchmark/board.toml")).expect("the board");
    let machine = root.join("fixtures/knitting-machine");
    let board = plain.replace("../knitting-machine", &machine.display().to_string())
        + "\n[[wire]]\nlabel = \"W1\"\nfrom = \"U1.12\"\nto = \"U2.C5\"\n\n[guard]\nsettle_us = 0\n";
    let write =
        |name: &str, text: String| std::fs::write(folder.join(name), text).expect("written");
    write("board.toml", board);
    write(
        "bench.toml",
        "[bench]\nformat = 1\nboard = \"board.toml\"\n".into(),
    );
    let mut table = String::from("U1.12,U1.13,U2.C5\n");
    for row in 0..ROWS {
        let bit = row * 7 % 3 % 2;
        let _ = writeln!(table, "{bit},{},{}", row % 2, ["L", "H"][bit as usize]);
    }
    write("table.csv", table);
    let open = || BufReader::new(File::open(folder.join("table.csv")).expect("the table"));

    let board = Board::load(folder.join("board.toml")).unwrap_or_else(|e| panic!("{e}"));
    let place = Place::Bench {
        file: folder.join("bench.toml"),
        profile: None,
    };
    let mut session = Session::open(&place, None, Cancel::new()).unwrap_or_else(|e| panic!("{e}"));
    let scanned = session.scan(Some(&board)).expect("scanned");
    let chain = scanned
        .comparison
        .and_then(|c| c.chain)
        .expect("as declared");
    let pins = Pins::new(&board, chain.devices()).expect("pins");
    let off = Conditions {
        machine: MachinePower::Off,
        ..Conditions::default()
    };
    let guard = Guard::new(&board, &pins, off).unwrap_or_else(|e| panic!("{e}"));
    let (columns, _) =
        rehearse_table(&board, &guard, &[], open()).unwrap_or_else(|e| panic!("{e}"));
    let before = session.traffic();
    let run = session
        .play_table(&board, &guard, &[], &columns, open(), &mut |_| {})
        .unwrap_or_else(|e| panic!("{e}"));
    let after = session.traffic();
    let _ = std::fs::remove_dir_all(&folder);
    assert_eq!((run.vectors, run.compares, run.mismatches), (ROWS, ROWS, 0));
    assert_eq!(session.leave(), Left::Safe);

    // The look by SAMPLE before EXTEST is counted as well; it is a thousand scans.
    let seconds = (after.elapsed - before.elapsed).as_secs_f64();
    let cells = pins.length() as f64;
    let limit = ROWS as f64 * cells / TCK_HZ;
    let ratio = limit / seconds;
    println!(
        "{ROWS} rows over {cells} cells: {seconds:.3} s virtual, {limit:.3} s at one cell a TCK: {:.1} % (goal {:.0} %)",
        ratio * 100.0,
        GOAL * 100.0
    );
    println!("{} round trips", after.round_trips - before.round_trips);
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    if let Some(peak) = status.lines().find(|l| l.starts_with("VmHWM")) {
        println!(
            "memory at most: {}",
            peak.trim_start_matches("VmHWM:").trim()
        );
    }
    assert!(ratio >= GOAL, "below the goal");
}
