//! Random boards, random faults: the verdict on every wire must be one that the oracle allows.

use std::collections::BTreeMap;
use std::path::Path;

use taploom::board::Board;
use taploom::ringout::{Method, RingOut, Verdict};
use taploom::simulator::BenchFile;

use crate::weave::{Limits, Woven, weave};
use crate::{machine_off, on_bench};

/// What is wrong with the outcome of one board; empty if nothing is.
fn check(seed: u64, limits: &Limits) -> (Woven, Vec<String>, Vec<(String, String)>) {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join(format!("grid-{seed}"));
    let woven = weave(seed, limits, &folder);
    let bench = BenchFile::load(&woven.bench).unwrap_or_else(|e| panic!("seed {seed}: {e}"));
    let board = Board::load(&woven.board).unwrap_or_else(|e| panic!("seed {seed}: {e}"));
    let (result, seen) = on_bench(Method::BothEnds, &bench, &board, &machine_off());
    let (mut wrong, mut outcomes) = (Vec::new(), Vec::new());
    match &result {
        Err(error) => wrong.push(format!("no result: {error}")),
        Ok(result) => {
            wrong.extend(judge(&board, &woven, result));
            outcomes = (result.wires.iter())
                .map(|w| {
                    let label = &board.wires[w.wire.0].label;
                    (
                        woven.truth[label][0].0.to_string(),
                        w.verdict.as_str().to_string(),
                    )
                })
                .collect();
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

/// What is wrong with the verdicts on one board.
fn judge(board: &Board, woven: &Woven, result: &RingOut) -> Vec<String> {
    let mut wrong = Vec::new();
    for wire in &result.wires {
        let label = &board.wires[wire.wire.0].label;
        let allowed = &woven.truth[label];
        let verdict = wire.verdict.as_str();
        let mut with = wire.with.clone();
        with.sort();
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
    wrong
}

/// A canary: a bad wire that is called good, a good one that is called bad, and a verdict without evidence are found.
#[test]
fn planted_false_verdicts_are_found() {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("grid-canary");
    let limits = Limits {
        wires: 12..=20,
        faults: 3..=3,
        neighbours: false,
    };
    let woven = weave(7, &limits, &folder);
    let bench = BenchFile::load(&woven.bench).unwrap();
    let board = Board::load(&woven.board).unwrap();
    let (result, _) = on_bench(Method::BothEnds, &bench, &board, &machine_off());
    let result = result.unwrap();
    assert_eq!(judge(&board, &woven, &result), Vec::<String>::new());
    let (mut good, mut bad) = (0, 0);
    for i in 0..result.wires.len() {
        let mut planted = result.clone();
        let wire = &mut planted.wires[i];
        match wire.verdict {
            Verdict::Good => {
                (wire.verdict, good) = (Verdict::Open, good + 1);
            }
            Verdict::Untested => {
                wire.verdict = Verdict::Good;
            }
            _ => {
                (wire.verdict, bad) = (Verdict::Good, bad + 1);
                wire.with.clear();
            }
        }
        assert!(!judge(&board, &woven, &planted).is_empty(), "wire {i}");
        let mut silent = result.clone();
        silent.wires[i].evidence.clear();
        let tested = result.wires[i].verdict != Verdict::Untested;
        assert_eq!(
            !judge(&board, &woven, &silent).is_empty(),
            tested,
            "wire {i}"
        );
    }
    assert!(good > 0 && bad > 0);
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
