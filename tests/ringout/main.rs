//! Ring-outs on simulated benches: the scenario's benches, planted faults, and a grid of random boards.

#![allow(clippy::print_stdout, reason = "tests say how much ran")]

#[allow(
    dead_code,
    reason = "the loom's drawing board; not all of it is needed here"
)]
#[path = "../loom/draft.rs"]
mod draft;
mod grid;
mod weave;

use std::path::{Path, PathBuf};

use taploom::board::{Board, DeviceIndex};
use taploom::boundary::{Conditions, MachinePower};
use taploom::ringout::{Method, RingOut, RingOutError, Verdict, Wish, ring_out};
use taploom::simulator::{Bench, BenchFile, Seen};
use taploom::tap::{self, PieceLimits, Port};
use taploom::transport::Lowered;

fn scenario(file: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("fixtures/knitting-machine")
        .join(file)
}

fn machine_off() -> Wish {
    Wish {
        only: None,
        conditions: Conditions {
            machine: MachinePower::Off,
            ..Conditions::default()
        },
    }
}

/// Rings out a bench whose chain has all devices that the bench file fits.
fn on_bench(
    bench: &BenchFile,
    board: &Board,
    wish: &Wish,
) -> (Result<RingOut, RingOutError>, Seen) {
    let fitted = |d: &str| bench.with.iter().any(|n| n.name == d);
    let present: Vec<DeviceIndex> = (board.devices.iter().enumerate())
        .filter(|(_, d)| !d.optional || fitted(&d.name))
        .map(|(i, _)| DeviceIndex(i))
        .collect();
    let simulated = Bench::build(bench, board).unwrap_or_else(|e| panic!("{e}"));
    let witness = simulated.witness();
    let mut port = Lowered::new(simulated);
    port.set_tck_hz(6_000_000).unwrap();
    let mut run = |program| tap::run(&mut port, program, PieceLimits::at(6_000_000));
    let result = ring_out(board, &present, Method::BothEnds, wish, &mut run);
    (result, witness.seen())
}

fn on_scenario(file: &str) -> (Board, RingOut, Seen) {
    let bench = BenchFile::load(scenario(file)).unwrap_or_else(|e| panic!("{e}"));
    let board = Board::load(&bench.board).unwrap_or_else(|e| panic!("{e}"));
    let (result, seen) = on_bench(&bench, &board, &machine_off());
    let result = result.unwrap_or_else(|e| panic!("{file}: {e}"));
    (board, result, seen)
}

/// Verdicts of all wires that are neither good nor supply or ground.
fn bad(board: &Board, result: &RingOut) -> Vec<String> {
    (result.wires.iter())
        .filter(|w| {
            w.verdict != Verdict::Good
                && !matches!(
                    w.untested,
                    Some(taploom::ringout::Untested::Supply | taploom::ringout::Untested::Ground)
                )
        })
        .map(|w| {
            let label = &board.wires[w.wire.0].label;
            let with = w.with.join(" ");
            format!("{label} {} {with}", w.verdict.as_str())
                .trim_end()
                .to_string()
        })
        .collect()
}

#[test]
fn the_scenario_s_benches_get_the_injected_verdicts() {
    for (file, truth) in [
        ("as-drawn.toml", &[][..]),
        ("swapped-pair.toml", &["W07 swapped W08", "W08 swapped W07"]),
        ("solder-bridge.toml", &["W11 short W12", "W12 short W11"]),
        ("dry-joint.toml", &["W21 open"]),
        ("stuck-line.toml", &["W24 stuck-low"]),
        ("misplaced-wire.toml", &["W25 misplaced U1.34"]),
        (
            "two-faults.toml",
            &["W07 swapped W08", "W08 swapped W07", "W19 open"],
        ),
    ] {
        let (board, result, seen) = on_scenario(file);
        for w in result.wires.iter().filter(|w| w.verdict != Verdict::Good) {
            println!("{file}: {} | {}", w.says, w.mend);
        }
        println!(
            "{file}: {:?} vectors {} notes {:?}",
            result.counts(),
            result.vectors,
            result.notes
        );
        assert_eq!(bad(&board, &result), truth, "{file}");
        assert_eq!(seen.fight_count, 0, "{file}: {:?}", seen.fights);
        assert!(seen.left_safe(), "{file}: {:?}", seen.devices);
    }
}
