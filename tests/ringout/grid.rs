//! Random boards, random faults: the verdict on every wire must be one that the oracle allows.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::mpsc;
use std::time::Duration;

use taploom::board::Board;
use taploom::boundary::StillnessError;
use taploom::ringout::{Method, RingOut, RingOutError, Verdict};
use taploom::simulator::{BenchFile, Seen};

use crate::weave::{Limits, Woven, weave};
use crate::{machine_off, on_bench_with};

/// A board that has not ended after so long hangs: none takes a hundredth of it.
const PATIENCE: Duration = Duration::from_secs(120);

/// What came of one board: what is wrong with it, and by wire the fault, its first allowed verdict, and the verdict.
struct Outcome {
    woven: Woven,
    wrong: Vec<String>,
    told: Vec<[String; 2]>,
}

/// Something that a broken guard or a broken loop might do, as serial vectors: runs ahead of each scan program.
type Sabotage = fn(&Board) -> String;

fn folder(seed: u64) -> PathBuf {
    Path::new(env!("CARGO_TARGET_TMPDIR")).join(format!("grid-{seed}"))
}

/// Rings out one board and grades it.
fn check(seed: u64, limits: &Limits, sabotage: Option<Sabotage>) -> Outcome {
    let woven = weave(seed, limits, &folder(seed));
    let bench = BenchFile::load(&woven.bench).unwrap_or_else(|e| panic!("seed {seed}: {e}"));
    let board = Board::load(&woven.board).unwrap_or_else(|e| panic!("seed {seed}: {e}"));
    let mut wish = machine_off();
    // Lines that follow each other are told from shorts by opposite levels only.
    wish.conditions.brief_fights = limits.neighbours;
    let method = if limits.alone {
        Method::Alone
    } else {
        Method::BothEnds
    };
    let ahead = sabotage.map(|s| s(&board));
    let (result, seen) = on_bench_with(method, &bench, &board, &wish, ahead.as_deref());
    // With consent, what is joined by mistake is driven to opposite levels for one vector.
    let joined = |f: &String| ["short", "swap", "misplaced"].iter().any(|k| f.contains(k));
    let consented = limits.neighbours && woven.faults.iter().any(joined);
    let wrong = grade(&board, &woven, &result, &seen, consented);
    let verdict = |label: &str| match &result {
        Ok(result) => {
            let wire = result
                .wires
                .iter()
                .find(|w| board.wires[w.wire.0].label == label);
            wire.map_or("", |w| w.verdict.as_str())
        }
        Err(_) => "(refused)",
    };
    let told = (woven.fault_of.iter())
        .map(|(label, fault)| [*fault, verdict(label)].map(String::from))
        .collect();
    if wrong.is_empty() {
        let _ = std::fs::remove_dir_all(folder(seed));
    }
    Outcome { woven, wrong, told }
}

/// Everything that is wrong with one run; empty if nothing is.
fn grade(
    board: &Board,
    woven: &Woven,
    result: &Result<RingOut, RingOutError>,
    seen: &Seen,
    consented: bool,
) -> Vec<String> {
    let shaky = woven.fault_of.values().any(|f| *f == "intermittent");
    let mut wrong = match result {
        // A joint that makes contact now and then, with a pull on one side: nobody can know that it is not the machine.
        Err(RingOutError::Stillness(StillnessError::Moved { .. })) if shaky => Vec::new(),
        Err(error) => vec![format!("no result: {error}")],
        Ok(result) => judge(board, woven, result),
    };
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
    wrong
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
        // is said as well. So may one that a loose joint follows by chance. A bad wire is never good.
        let shaky = |l: &String| woven.fault_of.get(l) == Some(&"intermittent");
        let doubted = wire.alternatives.iter().any(|a| a.verdict == Verdict::Good);
        let deceived = match allowed[0].0 {
            "good" => doubted && (woven.floating == "neighbours" || wire.with.iter().all(shaky)),
            "untested" => false,
            _ => woven.floating == "neighbours" && verdict != "good",
        };
        if !deceived && !allowed.iter().any(fits) {
            wrong.push(format!(
                "{label}: {verdict} {with:?}, allowed {allowed:?}; {}; or {:?}; {:?}",
                wire.says, wire.alternatives, wire.evidence
            ));
        }
        let shown = verdict == "untested" || !wire.evidence.is_empty();
        if !shown || (verdict != "good" && (wire.says.is_empty() || wire.mend.is_empty())) {
            wrong.push(format!("{label}: {verdict} without evidence or words"));
        }
    }
    wrong
}

/// Runs something on a thread of its own; `None` if it has not ended in time.
fn within<T: Send + 'static>(
    limit: Duration,
    run: impl FnOnce() -> T + Send + 'static,
) -> Option<T> {
    let (done, ended) = mpsc::channel();
    std::thread::spawn(move || done.send(run()));
    match ended.recv_timeout(limit) {
        Ok(value) => Some(value),
        Err(mpsc::RecvTimeoutError::Timeout) => None,
        Err(mpsc::RecvTimeoutError::Disconnected) => panic!("it panicked, see above"),
    }
}

/// A canary: a bad wire that is called good, a good one that is called bad, and a verdict without evidence are found.
#[test]
fn planted_false_verdicts_are_found() {
    let limits = Limits {
        wires: 12..=20,
        faults: 3..=3,
        ..plain()
    };
    let (mut good, mut bad, mut partners) = (0, 0, 0);
    for seed in 9_000_000..9_000_004 {
        let woven = weave(seed, &limits, &folder(seed));
        let bench = BenchFile::load(&woven.bench).unwrap();
        let board = Board::load(&woven.board).unwrap();
        let (result, _) = on_bench_with(Method::BothEnds, &bench, &board, &machine_off(), None);
        let Ok(result) = result else { continue };
        assert_eq!(
            judge(&board, &woven, &result),
            Vec::<String>::new(),
            "seed {seed}"
        );
        for i in 0..result.wires.len() {
            let label = &board.wires[result.wires[i].wire.0].label;
            let either = woven.truth[label].len() > 1;
            let caught = |planted: &RingOut| !judge(&board, &woven, planted).is_empty();
            let mut planted = result.clone();
            let wire = &mut planted.wires[i];
            match wire.verdict {
                Verdict::Good if !either => {
                    (wire.verdict, good) = (Verdict::Open, good + 1);
                }
                Verdict::Untested => wire.verdict = Verdict::Good,
                // Nobody can say which of two it is.
                _ if either => continue,
                _ => {
                    (wire.verdict, bad) = (Verdict::Good, bad + 1);
                    wire.with.clear();
                }
            }
            assert!(caught(&planted), "seed {seed} wire {i}");
            let mut silent = result.clone();
            silent.wires[i].evidence.clear();
            let tested = result.wires[i].verdict != Verdict::Untested;
            assert_eq!(caught(&silent), tested, "seed {seed} wire {i}");
            if !result.wires[i].with.is_empty() {
                let mut strange = result.clone();
                strange.wires[i].with = vec!["W99".into()];
                assert!(caught(&strange), "seed {seed} wire {i}");
                partners += 1;
            }
        }
    }
    assert!(
        good > 0 && bad > 0 && partners > 0,
        "{good} {bad} {partners}"
    );
}

/// A canary: a guard that lets one scan through in which the two ends of a wire drive against each other.
#[test]
fn planted_fights_are_found() {
    let limits = Limits {
        always: false,
        fittings: false,
        ..plain()
    };
    let mut caught = 0;
    for seed in 0..4 {
        let outcome = check(9_100_000 + seed, &limits, Some(fight));
        let fights = outcome.wrong.iter().any(|w| w.contains("fights:"));
        let untestable = outcome
            .woven
            .wires
            .iter()
            .all(|w| !w.ends.iter().all(|e| e.drives()));
        assert!(fights || untestable, "seed {seed}: {:?}", outcome.wrong);
        caught += usize::from(fights);
    }
    assert!(caught > 0);
}

/// Before the first look: both ends of every wire that has two drivers, at opposite levels, past the guard.
fn fight(board: &Board) -> String {
    let pairs: Vec<[(String, bool); 2]> = (board.wires.iter())
        .filter_map(|w| {
            let pin = |place| board.reaches_of(place).first().map(|r| r.pin.to_string());
            Some([(pin(&w.from)?, false), (pin(&w.to)?, true)])
        })
        .collect();
    crate::extest(board, &[], &pairs.concat())
}

/// A canary: a run that leaves its drivers on is found.
#[test]
fn planted_unsafe_ends_are_found() {
    let limits = Limits {
        always: false,
        fittings: false,
        alone: true,
        ..plain()
    };
    let leave = |board: &Board| {
        let end = |place| board.reaches_of(place).first().map(|r| r.pin.to_string());
        let pins = board
            .wires
            .iter()
            .filter_map(|w| Some((end(&w.from)?, true)));
        crate::extest(board, &[], &pins.collect::<Vec<_>>())
    };
    let woven = weave(9_200_000, &limits, &folder(9_200_000));
    let bench = BenchFile::load(&woven.bench).unwrap();
    let board = Board::load(&woven.board).unwrap();
    // The sabotage comes in place of the ring-out: whatever follows would reset the chain.
    let seen = crate::after(&bench, &board, &leave(&board));
    let wrong = grade(
        &board,
        &woven,
        &Err(RingOutError::Method(Method::Alone)),
        &seen,
        false,
    );
    assert!(
        wrong.iter().any(|w| w.contains("not left safe")),
        "{wrong:?}"
    );
}

/// A canary: a run that does not end is found.
#[test]
fn planted_hangs_are_found() {
    let hang = || loop {
        std::thread::park();
    };
    assert!(within::<()>(Duration::from_millis(200), hang).is_none());
    assert_eq!(within(PATIENCE, || 7), Some(7));
}

fn plain() -> Limits {
    Limits {
        wires: 2..=40,
        faults: 0..=5,
        neighbours: false,
        always: true,
        fittings: true,
        alone: false,
    }
}

/// `TAPLOOM_GRID=20000` runs that many boards; `TAPLOOM_GRID_FROM` is the first seed.
#[test]
fn random_boards_get_true_verdicts() {
    let count = number("TAPLOOM_GRID", 300);
    let from = number("TAPLOOM_GRID_FROM", 0);
    let mut table = Table::default();
    for seed in from..from + count {
        // One in thirty is large, one in six hangs free, one in eight has lines that follow their neighbours.
        let mut limits = plain();
        match seed % 120 {
            0 | 30 | 60 | 90 => limits.wires = 41..=500,
            k if k % 6 == 1 => limits.alone = true,
            k if k % 8 == 2 => {
                (limits.neighbours, limits.always, limits.fittings) = (true, false, false);
            }
            _ => {}
        }
        table.run(seed, limits);
    }
    table.close();
}

fn number(name: &str, default: u64) -> u64 {
    (std::env::var(name).ok())
        .and_then(|v| v.parse().ok())
        .unwrap_or(default)
}

/// How many wires with a fault, rung out by a method, got which verdict.
#[derive(Default)]
struct Table {
    boards: usize,
    failed: usize,
    wires: BTreeMap<[String; 3], usize>,
}

impl Table {
    fn run(&mut self, seed: u64, limits: Limits) {
        self.boards += 1;
        let method = match (limits.alone, limits.neighbours) {
            (true, _) => "alone",
            (_, true) => "both-ends, brief fights",
            _ => "both-ends",
        };
        let Some(outcome) = within(PATIENCE, move || check(seed, &limits, None)) else {
            println!("seed {seed}: did not end");
            self.failed += 1;
            return;
        };
        for [fault, verdict] in outcome.told {
            *self
                .wires
                .entry([fault, method.into(), verdict])
                .or_insert(0) += 1;
        }
        if !outcome.wrong.is_empty() {
            self.failed += 1;
            let (floating, faults) = (outcome.woven.floating, &outcome.woven.faults);
            println!("seed {seed}, {method}, floating {floating}, faults {faults:?}:");
            outcome.wrong.iter().for_each(|w| println!("  {w}"));
        }
    }

    fn close(self) {
        println!(
            "{} boards, {} failed; fault, method, verdict, wires:",
            self.boards, self.failed
        );
        for ([fault, method, verdict], wires) in &self.wires {
            println!("  {fault:<12} {method:<24} {verdict:<12} {wires}");
        }
        assert_eq!(self.failed, 0, "boards with wrong outcomes");
    }
}
