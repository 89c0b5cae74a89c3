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
    let mut wish = machine_off();
    // Lines that follow each other are told from shorts by opposite levels only.
    wish.conditions.brief_fights = limits.neighbours;
    let (result, seen) = on_bench(Method::BothEnds, &bench, &board, &wish);
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
    // With consent, what is joined by mistake is driven to opposite levels for one vector.
    let joined = |f: &String| ["short", "swap", "misplaced"].iter().any(|k| f.contains(k));
    let consented = limits.neighbours && woven.faults.iter().any(joined);
    if seen.fight_count > 0 && !consented {
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
        // Where floating lines follow each other, a wire that nobody can drive against may look joined: then that
        // is said as well. A bad wire is never good.
        let deceived = woven.floating == "neighbours"
            && match allowed[0].0 {
                "good" => wire.alternatives.iter().any(|a| a.verdict == Verdict::Good),
                _ => verdict != "good",
            };
        if !deceived && !allowed.iter().any(fits) {
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
        always: true,
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
    let (from, count) = (number("TAPLOOM_GRID_FROM", 0), number("TAPLOOM_GRID", 150));
    let limits = Limits {
        wires: 2..=40,
        faults: 0..=3,
        neighbours: false,
        always: true,
    };
    run(from..from + count, &limits);
}

/// Floating lines that follow their neighbours, with consent to brief fights: a bad wire is never good, and a good one
/// that looks joined to a line that cannot answer says so.
#[test]
fn floating_lines_do_not_deceive() {
    let (from, count) = (
        number("TAPLOOM_GRID_FROM", 50_000),
        number("TAPLOOM_GRID", 150) / 3,
    );
    let limits = Limits {
        wires: 2..=40,
        faults: 0..=3,
        neighbours: true,
        always: false,
    };
    run(from..from + count, &limits);
}

fn number(name: &str, default: u64) -> u64 {
    (std::env::var(name).ok())
        .and_then(|v| v.parse().ok())
        .unwrap_or(default)
}

/// Runs boards and prints truth against verdict.
fn run(seeds: std::ops::Range<u64>, limits: &Limits) {
    let count = seeds.end - seeds.start;
    let mut table: BTreeMap<(String, String), usize> = BTreeMap::new();
    let mut failed = 0;
    for seed in seeds {
        let (woven, wrong, outcomes) = check(seed, limits);
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
