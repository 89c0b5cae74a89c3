//! Random boards, random faults: the verdict on every wire must be one that the oracle allows.

use std::collections::BTreeMap;
use std::path::Path;

use taploom::board::Board;
use taploom::simulator::BenchFile;

use crate::weave::{Limits, Woven, weave};
use crate::{machine_off, on_bench};

/// What is wrong with the outcome of one board; empty if nothing is.
fn check(seed: u64, limits: &Limits) -> (Woven, Vec<String>, Vec<(String, String)>) {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join(format!("grid-{seed}"));
    let woven = weave(seed, limits, &folder);
    let bench = BenchFile::load(&woven.bench).unwrap_or_else(|e| panic!("seed {seed}: {e}"));
    let board = Board::load(&woven.board).unwrap_or_else(|e| panic!("seed {seed}: {e}"));
    let (result, seen) = on_bench(&bench, &board, &machine_off());
    let mut wrong = Vec::new();
    let mut outcomes = Vec::new();
    match result {
        Err(error) => wrong.push(format!("no result: {error}")),
        Ok(result) => {
            for wire in &result.wires {
                let label = &board.wires[wire.wire.0].label;
                let allowed = &woven.truth[label];
                let verdict = wire.verdict.as_str();
                let mut with = wire.with.clone();
                with.sort();
                outcomes.push((allowed[0].0.to_string(), verdict.to_string()));
                let fits = |(v, w): &(&str, Vec<String>)| {
                    *v == verdict && (w.first().is_some_and(|w| w == "*") || *w == with)
                };
                if !allowed.iter().any(fits) {
                    wrong.push(format!(
                        "{label}: {verdict} {with:?}, allowed {allowed:?}; {}",
                        wire.says
                    ));
                }
                let shown = verdict == "untested" || !wire.evidence.is_empty();
                if !shown || (verdict != "good" && (wire.says.is_empty() || wire.mend.is_empty())) {
                    wrong.push(format!("{label}: {verdict} without evidence or words"));
                }
            }
        }
    }
    if seen.fight_count > 0 {
        wrong.push(format!(
            "{} fights: {:?}",
            seen.fight_count,
            seen.fights.first()
        ));
    }
    if !seen.left_safe() {
        wrong.push(format!("not left safe: {:?}", seen.devices));
    }
    if wrong.is_empty() {
        let _ = std::fs::remove_dir_all(&folder);
    }
    (woven, wrong, outcomes)
}

/// `TAPLOOM_GRID=20000` runs that many boards; `TAPLOOM_GRID_FROM` is the first seed.
#[test]
fn random_boards_get_true_verdicts() {
    let number = |name: &str, default: u64| {
        std::env::var(name)
            .ok()
            .and_then(|v| v.parse().ok())
            .unwrap_or(default)
    };
    let (from, count) = (number("TAPLOOM_GRID_FROM", 0), number("TAPLOOM_GRID", 150));
    let limits = Limits {
        wires: 2..=40,
        faults: 0..=3,
        neighbours: false,
    };
    let mut table: BTreeMap<(String, String), usize> = BTreeMap::new();
    let mut failed = 0;
    for seed in from..from + count {
        let (woven, wrong, outcomes) = check(seed, &limits);
        for outcome in outcomes {
            *table.entry(outcome).or_insert(0) += 1;
        }
        if !wrong.is_empty() {
            failed += 1;
            println!(
                "seed {seed}, floating {}, faults {:?}:",
                woven.floating, woven.faults
            );
            wrong.iter().for_each(|w| println!("  {w}"));
        }
    }
    println!("{count} boards; truth, verdict, wires:");
    for ((truth, verdict), wires) in &table {
        println!("  {truth:<12} {verdict:<12} {wires}");
    }
    assert_eq!(failed, 0, "boards with wrong outcomes");
}
