//! Ring-outs on simulated benches: the scenario's benches, planted faults, and a grid of random boards.

#![allow(clippy::print_stdout, reason = "tests say how much ran")]

#[allow(
    dead_code,
    reason = "the loom's drawing board; not all of it is needed here"
)]
#[path = "../loom/draft.rs"]
mod draft;
mod faults;
mod grid;
mod real;
mod tables;
mod theory;
mod weave;

use std::path::{Path, PathBuf};

use taploom::bits::Bits;
use taploom::board::{Board, BoardDevice, DeviceIndex};
use taploom::boundary::{Conditions, MachinePower};
use taploom::load::play::{ChainPads, PlayOptions, play};
use taploom::ringout::{Method, RingOut, RingOutError, Untested, Verdict, Wish, ring_out};
use taploom::simulator::{Bench, BenchFile, Seen};
use taploom::svf;
use taploom::tap::{self, PieceLimits, Port, ScanProgram};
use taploom::transport::Lowered;
use taploom_bsdl::Device;

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
        tck_hz: Some(6_000_000),
        ..Wish::default()
    }
}

/// Rings out a bench whose chain has all devices that the bench file fits.
fn on_bench(
    method: Method,
    bench: &BenchFile,
    board: &Board,
    wish: &Wish,
) -> (Result<RingOut, RingOutError>, Seen) {
    on_bench_with(method, bench, board, wish, None)
}

/// The same, with serial vectors of the test's own ahead of each program of the ring-out.
fn on_bench_with(
    method: Method,
    bench: &BenchFile,
    board: &Board,
    wish: &Wish,
    ahead: Option<&str>,
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
    let mut programs = 0;
    let mut run = |program: ScanProgram| {
        programs += 1;
        assert!(programs < 1000, "a ring-out without end");
        if let Some(vectors) = ahead {
            past_the_guard(&mut port, vectors);
        }
        tap::run(&mut port, program, PieceLimits::at(6_000_000))
    };
    let result = ring_out(board, &present, method, wish, &mut run);
    (result, witness.seen())
}

/// What a bench has seen after these serial vectors.
fn after(bench: &BenchFile, board: &Board, vectors: &str) -> Seen {
    let simulated = Bench::build(bench, board).unwrap_or_else(|e| panic!("{e}"));
    let witness = simulated.witness();
    let mut port = Lowered::new(simulated);
    past_the_guard(&mut port, vectors);
    witness.seen()
}

/// The devices that are on the chain, last first: all but the optional ones, and of those `with`.
fn fitted<'b>(board: &'b Board, with: &[&str]) -> Vec<(&'b BoardDevice, &'b Device)> {
    (board.devices.iter().rev())
        .filter(|d| !d.optional || with.contains(&&*d.name))
        .map(|d| (d, d.bsdl.as_deref().unwrap()))
        .collect()
}

/// An instruction scan that gives every device this instruction, or that which goes by PRELOAD.
fn instructions(board: &Board, with: &[&str], name: &str) -> Bits {
    let code =
        |d: &Device| d.instruction(name).or(d.preload()).unwrap().opcodes[0].bits_with_x_as(true);
    (fitted(board, with).iter())
        .flat_map(|(_, d)| code(d))
        .collect()
}

/// A boundary image that no guard has seen: these pins (`U1.12`) at these levels, all other drivers off.
fn picture(board: &Board, with: &[&str], pins: &[(String, bool)]) -> Bits {
    let mut image = Vec::new();
    for (declared, bsdl) in fitted(board, with) {
        let start = image.len();
        image.resize(start + bsdl.boundary_length as usize, false);
        for cell in &bsdl.cells {
            if let Some(off) = cell.control {
                image[start + off.cell as usize] = off.disable_value;
            }
        }
        let mine = pins
            .iter()
            .filter_map(|(pin, level)| Some((pin.split_once('.')?, *level)));
        for ((_, pin), level) in mine.filter(|((d, _), _)| *d == &*declared.name) {
            let Some(driver) = declared.bit_of(pin).and_then(|b| bsdl.pin_cells(b).driver) else {
                continue;
            };
            image[start + driver.number as usize] = level;
            if let Some(off) = driver.control {
                image[start + off.cell as usize] = !off.disable_value;
            }
        }
    }
    image.into_iter().collect()
}

/// Serial vectors that no guard has seen: EXTEST with these pins at these levels, and left so.
fn extest(board: &Board, with: &[&str], pins: &[(String, bool)]) -> String {
    let scan = |word: &str, bits: &Bits| format!("{word} {} TDI ({});", bits.len(), bits.to_hex());
    let instruction = |name| scan("SIR", &instructions(board, with, name));
    let picture = scan("SDR", &picture(board, with, pins));
    let ends = "ENDIR IDLE; ENDDR IDLE;";
    format!(
        "{ends} {} {picture} {}",
        instruction("PRELOAD"),
        instruction("EXTEST")
    )
}

/// Plays them: the one way past the guard that there is, and nobody asks here.
fn past_the_guard(port: &mut dyn Port, vectors: &str) {
    let options = PlayOptions {
        limits: svf::Limits::default(),
        keep_going: false,
        compare: false,
        pads: ChainPads::default(),
        tck_hz: 6_000_000,
        inspect: None,
        locate: None,
        spares: &[],
    };
    let (played, error) = play(vectors.as_bytes(), port, &options);
    assert!(played.complete && error.is_none(), "{error:?}");
}

fn on_scenario(file: &str) -> (Board, RingOut, Seen) {
    on_file(Method::BothEnds, &scenario(file))
}

/// The scenario's board on a bench of the test's own: the clip and `rest` of the bench file.
fn on_text(method: Method, name: &str, with: &str, rest: &str) -> (Board, RingOut, Seen) {
    let path = Path::new(env!("CARGO_TARGET_TMPDIR")).join(format!("{name}.toml"));
    let board = scenario("board.toml");
    let head = format!("[bench]\nformat = 1\nboard = {board:?}\nwith = [{with}]\nseed = 1\n");
    std::fs::write(&path, head + rest).unwrap();
    on_file(method, &path)
}

fn on_file(method: Method, file: &Path) -> (Board, RingOut, Seen) {
    let bench = BenchFile::load(file).unwrap_or_else(|e| panic!("{e}"));
    let board = Board::load(&bench.board).unwrap_or_else(|e| panic!("{e}"));
    let (result, seen) = on_bench(method, &bench, &board, &machine_off());
    let file = file.display();
    let result = result.unwrap_or_else(|e| panic!("{file}: {e}"));
    (board, result, seen)
}

/// Verdicts of all wires that are neither good nor supply or ground.
fn bad(board: &Board, result: &RingOut) -> Vec<String> {
    (result.wires.iter())
        .filter(|w| {
            w.verdict != Verdict::Good
                && !matches!(w.untested, Some(Untested::Supply | Untested::Ground))
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

fn safe(seen: &Seen) {
    assert_eq!(seen.fight_count, 0, "{:?}", seen.fights);
    assert!(seen.left_safe(), "{:?}", seen.devices);
}

#[test]
fn a_buffer_that_is_off_is_one_finding() {
    // Its enable is joined to the supply: whatever U1 does, IC7 stays off.
    let rest = "[[fault]]\nkind = \"stuck\"\npin = \"U1.50\"\nlevel = \"high\"\n";
    let (board, result, seen) = on_text(Method::BothEnds, "buffer-off", "\"U5\"", rest);
    safe(&seen);
    let open: Vec<String> = (3..=10).map(|w| format!("W{w:02} open")).collect();
    assert_eq!(bad(&board, &result), open);
    assert_eq!(result.findings.len(), 1);
    assert_eq!(
        result.findings[0].says,
        "all open behind IC7 (buffer): W03, W04, W05, W06, W07, W08, W09, W10: is its enable on?"
    );
    assert_eq!(
        result.findings[0].mend,
        "look whether IC7 has its supply, and measure its enable: it needs U1.50 low (U1.50 was driven low and stayed high)"
    );
}

#[test]
fn a_shifted_plug_is_one_mistake() {
    // The whole plug one pin too high at J3: W22 lands on the supply, W28 (5 V) on ground.
    let rest = "[[fault]]\nkind = \"shifted\"\nat = \"J3\"\nby = 1\n";
    let (board, result, seen) = on_text(Method::BothEnds, "shifted-plug", "\"U5\"", rest);
    safe(&seen);
    // Nothing is driven into the supply: no strain.
    assert!(seen.strains.is_empty(), "{:?}", seen.strains);
    for w in &result.wires {
        let label = &board.wires[w.wire.0].label;
        match (label.as_str(), w.untested.is_some()) {
            ("W22", _) => assert_eq!(
                w.untested,
                Some(Untested::OnSupply("J3.26 (supply 5 V)".into())),
                "{}",
                w.says
            ),
            (_, true) => {}
            _ => assert_eq!(w.verdict, Verdict::Misplaced, "{label}: {}", w.says),
        }
    }
    // D7 belongs on U1.33 behind J3.8 and sits on J3.9, which IC7 carries to U1.40.
    let d7 = result
        .wires
        .iter()
        .find(|w| board.wires[w.wire.0].signal == "D7")
        .unwrap();
    assert_eq!(d7.with, ["U1.40"]);
    let shift: Vec<_> = result
        .findings
        .iter()
        .filter(|f| f.says.contains("one mistake"))
        .collect();
    assert_eq!(shift.len(), 1, "{:?}", result.findings);
    assert!(
        shift[0].says.starts_with(
            "one mistake explains these wires: everything at J3 sits one pin too high"
        ),
        "{}",
        shift[0].says
    );
    assert_eq!(shift[0].wires.len(), 25);
    assert!(
        shift[0].says.ends_with(
            "; by the same mistake W22 (white, /OE) is on J3.26 (supply 5 V); supply and ground wires of the same plug would be \
             with it: W14 (black, GND) on J3.29 (U1.34), W28 (red, VCC) on J3.28 (ground)"
        ),
        "{}",
        shift[0].says
    );
}

/// The level of a line behind a resistance comes late: found by looking early where that is asked for, bracketed by a
/// sweep of delays; found without it where `settle_us` is too short for it.
#[test]
fn resistance_is_found_by_looking_early() {
    let on = |ohms: u32, resistance: bool| {
        let path = Path::new(env!("CARGO_TARGET_TMPDIR"))
            .join(format!("resistive-{ohms}-{resistance}.toml"));
        let board = scenario("board.toml");
        let text = format!(
            "[bench]\nformat = 1\nboard = {board:?}\nwith = [\"U5\"]\nseed = 1\n\
             [[fault]]\nkind = \"resistive\"\nwire = \"W24\"\nohms = {ohms}\n"
        );
        std::fs::write(&path, text).unwrap();
        let bench = BenchFile::load(&path).unwrap();
        let board = Board::load(&bench.board).unwrap();
        let wish = Wish {
            resistance,
            ..machine_off()
        };
        let (result, seen) = on_bench(Method::BothEnds, &bench, &board, &wish);
        safe(&seen);
        let result = result.unwrap();
        let says = result.wires[board.wire("W24").unwrap().0].says.clone();
        (bad(&board, &result), says, result.assurance.early)
    };
    let none = (Vec::new(), String::new());
    // 30 kOhm and 50 pF take 1.03 µs to the middle. At 6 MHz a look comes 2.5 to 4 TCK later than it says.
    let says = "W24 (violet, A9) passes only when it is given time (not 0.5 µs after a change, always from 1 µs on): there is \
                resistance between pattern memory.24 (A9) and J3.18 (U1.13), about 26 kOhm to 48 kOhm into 50 pF";
    assert_eq!(
        on(30_000, true),
        (vec!["W24 slow".to_string()], says.into(), 24)
    );
    let (verdicts, says, early) = on(30_000, false);
    assert_eq!(((verdicts, says), early), (none.clone(), 0));
    // What passes early is good: 2 kOhm take 69 ns, less than 2.5 TCK at 6 MHz.
    let (verdicts, says, early) = on(2_000, true);
    assert_eq!(((verdicts, says), early), (none, 25));
    // 5 MOhm take 173 µs: no contact after the 20 µs of settle_us, but after these, one scan of some 250 µs and 100 µs.
    let (verdicts, says, early) = on(5_000_000, false);
    assert_eq!((verdicts, early), (vec!["W24 slow".to_string()], 0));
    assert!(
        says.contains("(not 20 µs after a change, always from ")
            && says.contains("about 591 kOhm to 1"),
        "{says}"
    );
}

/// More rounds find a joint that fails now and then; how many looks there were is said.
#[test]
fn more_rounds_find_a_joint_that_fails_now_and_then() {
    let rest = "[[fault]]\nkind = \"intermittent\"\nwire = \"W24\"\nprobability = 0.05\n";
    let path = Path::new(env!("CARGO_TARGET_TMPDIR")).join("now-and-then.toml");
    let board = scenario("board.toml");
    let head = format!("[bench]\nformat = 1\nboard = {board:?}\nwith = [\"U5\"]\nseed = 1\n");
    std::fs::write(&path, head + rest).unwrap();
    let bench = BenchFile::load(&path).unwrap();
    let board = Board::load(&bench.board).unwrap();
    let mut looks = Vec::new();
    for (more_rounds, verdict) in [(0, Verdict::Good), (40, Verdict::Unsteady)] {
        let wish = Wish {
            more_rounds,
            ..machine_off()
        };
        let (result, seen) = on_bench(Method::BothEnds, &bench, &board, &wish);
        let result = result.unwrap();
        safe(&seen);
        let wire = &result.wires[board.wire("W24").unwrap().0];
        assert_eq!(wire.verdict, verdict, "{}", wire.says);
        assert_eq!(wire.misses > 0, verdict == Verdict::Unsteady);
        looks.push((wire.looks, result.assurance.failing_share().unwrap()));
    }
    // 41 looks at the wires behind IC7, which carries one way only: 1 - 0.05^(1/41).
    assert!(looks[1].0 > 100, "{looks:?}");
    assert!((looks[1].1 - 0.0705).abs() < 0.0001, "{looks:?}");
}

#[test]
fn a_socket_that_is_turned_is_one_mistake() {
    let rest = "[[fault]]\nkind = \"turned\"\nat = \"pattern memory\"\n";
    let (board, result, seen) = on_text(Method::BothEnds, "turned", "\"U5\"", rest);
    safe(&seen);
    assert!(seen.strains.is_empty(), "{:?}", seen.strains);
    assert!(result.wires.iter().all(|w| w.verdict != Verdict::Good));
    let turned: Vec<_> = result
        .findings
        .iter()
        .filter(|f| f.says.contains("one mistake"))
        .collect();
    assert_eq!(
        turned.len(),
        1,
        "{:?} {:?}",
        result.findings,
        bad(&board, &result)
    );
    assert!(
        turned[0]
            .says
            .contains("everything at pattern memory is turned by half"),
        "{}",
        turned[0].says
    );
    // Mirrored: W01 (5 V) lands on pin 28, where VCC belongs; nothing is put on a line.
    let rest = "[[fault]]\nkind = \"mirrored\"\nat = \"pattern memory\"\n";
    let (board, result, seen) = on_text(Method::BothEnds, "mirrored", "\"U5\"", rest);
    safe(&seen);
    assert!(result.wires.iter().all(|w| w.verdict != Verdict::Good));
    assert_eq!(result.findings.len(), 1, "{:?}", bad(&board, &result));
    assert!(
        result.findings[0]
            .says
            .contains("everything at pattern memory is mirrored"),
        "{}",
        result.findings[0].says
    );
}

#[test]
fn one_end_alone_shows_shorts_and_stuck_lines() {
    let rest = "[[fault]]\nkind = \"short\"\nwires = [\"W11\", \"W12\"]\nbehaviour = \"wired-or\"\n\
                [[fault]]\nkind = \"stuck\"\nwire = \"W24\"\nlevel = \"low\"\n";
    let (board, result, seen) = on_text(Method::Alone, "alone", "", rest);
    safe(&seen);
    let told: Vec<String> = bad(&board, &result)
        .into_iter()
        .filter(|v| !v.ends_with("untested"))
        .collect();
    assert_eq!(told, ["W11 short W12", "W12 short W11", "W24 stuck-low"]);
    let untested = |label: &str| {
        let wire = board.wire(label).unwrap();
        result.wires[wire.0].untested.clone()
    };
    assert_eq!(untested("W25"), Some(Untested::OneEnd));
    // Behind IC7 nothing can be driven from this end.
    assert!(matches!(
        untested("W03"),
        Some(Untested::NoDriver(_) | Untested::Live(_))
    ));
    assert!(matches!(untested("W14"), Some(Untested::Ground)));
}

/// With the clip still in the socket the harness is plugged at both ends: exchanged wires are told as such, not as shorts.
#[test]
fn alone_with_the_far_end_plugged_in_is_judged_by_both_ends() {
    for file in ["as-drawn.toml", "swapped-pair.toml", "solder-bridge.toml"] {
        let (board, both, _) = on_file(Method::BothEnds, &scenario(file));
        let (_, alone, seen) = on_file(Method::Alone, &scenario(file));
        safe(&seen);
        assert_eq!(bad(&board, &alone), bad(&board, &both), "{file}");
        assert_eq!(alone.method, Method::BothEnds);
        assert!(
            alone.notes[0].contains("plugged in there"),
            "{:?}",
            alone.notes
        );
    }
}

/// A canary: whoever drives past the guard is seen by the watcher. U1.12 and U5.37 are the two ends of W25.
#[test]
fn a_planted_fight_is_seen() {
    let bench = BenchFile::load(scenario("as-drawn.toml")).unwrap();
    let board = Board::load(&bench.board).unwrap();
    let pins = [("U1.12".to_string(), true), ("U5.37".to_string(), false)];
    let seen = after(&bench, &board, &extest(&board, &["U5"], &pins));
    assert!(seen.fight_count > 0);
    assert!(
        seen.fights
            .iter()
            .any(|f| f.pins.iter().any(|p| p.pin.contains("U1.12"))),
        "{:?}",
        seen.fights
    );
    assert!(!seen.left_safe());
}

/// What may go into instruction registers is held by types (`tap::Instructions`, whose docs have what must not compile); here
/// that the permits are made nowhere but where they belong.
#[test]
fn permits_for_instructions_are_made_in_two_places() {
    fn files(folder: &Path, out: &mut Vec<PathBuf>) {
        for entry in std::fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            match path.is_dir() {
                true => files(&path, out),
                false => out.push(path),
            }
        }
    }
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut sources = Vec::new();
    files(&root.join("src"), &mut sources);
    let mut makers: Vec<String> = (sources.iter())
        .filter(|path| {
            let text = std::fs::read_to_string(path).unwrap_or_default();
            let mut code = text.lines().map(|l| l.split("//").next().unwrap());
            code.any(|l| l.contains("permitted(") && !l.contains("fn "))
        })
        .map(|path| path.strip_prefix(root).unwrap().display().to_string())
        .collect();
    makers.sort();
    let places =
        ["clamp.rs", "extest.rs", "permit.rs", "sample.rs"].map(|f| format!("src/boundary/{f}"));
    let expected = [&places[..], &["src/load/play/player.rs".into()]].concat();
    assert_eq!(makers, expected);
}
