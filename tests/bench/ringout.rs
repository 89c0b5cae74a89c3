//! What a ring-out costs: the healthy harness of the scenario, both ends, one driver at a time, at 6 MHz in virtual time;
//! and plan and diagnosis of ten thousand nets, which hang on no adapter. Prints counts beside their limits.

#![allow(clippy::print_stdout, reason = "a benchmark prints its counts")]

use std::fmt::Write;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use taploom::board::{Board, DeviceIndex};
use taploom::boundary::{Conditions, Guard, MachinePower, Pins, SampleLook};
use taploom::ringout::{
    Method, Plan, Reading, Response, StepReading, Subject, Untested, Verdict, Wish, diagnose,
};
use taploom::session::{Cancel, Left, Place, Session};
use taploom::tap::{self, PieceLimits, Port, Traffic};

const ROUND_TRIPS: u64 = 6;
const MILLISECONDS: f64 = 50.0;
const SECONDS: f64 = 1.0;
/// Ten times the nets may take a hundred times the time: what every listener read while each driver drove is the square
/// of the nets. More would be a defect.
const GROWTH: f64 = 100.0;

fn off() -> Conditions {
    Conditions {
        machine: MachinePower::Off,
        ..Conditions::default()
    }
}

fn main() {
    let folder = std::env::temp_dir().join(format!("taploom-ringout-{}", std::process::id()));
    std::fs::create_dir_all(&folder).expect("a scratch folder");
    harness(&folder);
    let times = [1_000, 10_000].map(|nets| many(&folder, nets));
    let _ = std::fs::remove_dir_all(&folder);
    let growth = times[1] / times[0];
    println!(
        "10,000 nets: {:.3} s for plan and diagnosis (limit {SECONDS} s); {growth:.1} times as long as 1,000 (limit {GROWTH})",
        times[1]
    );
    // Seconds depend on the machine and are printed; the growth does not.
    assert!(growth <= GROWTH, "it grows faster than what was read");
}

/// The scenario's harness with settling left out, less what the look by SAMPLE takes.
fn harness(folder: &Path) {
    let machine = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/knitting-machine");
    let text = std::fs::read_to_string(machine.join("board.toml")).expect("the board");
    let text = text.replace("settle_us = 20", "settle_us = 0");
    assert!(
        text.contains("settle_us = 0"),
        "the board's settling time is where it was"
    );
    for name in ["harness.csv", "heddle.toml"] {
        std::fs::copy(machine.join(name), folder.join(name)).expect("copied");
    }
    std::fs::create_dir_all(folder.join("devices")).expect("a folder");
    for file in std::fs::read_dir(machine.join("devices")).expect("the devices") {
        let file = file.expect("a file").path();
        let name = file.file_name().expect("a name");
        std::fs::copy(&file, folder.join("devices").join(name)).expect("copied");
    }
    std::fs::write(folder.join("board.toml"), text).expect("written");
    std::fs::copy(machine.join("as-drawn.toml"), folder.join("bench.toml")).expect("copied");

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
    let tck_hz = session.set_tck_hz(6_000_000).expect("a rate");

    let begun = session.traffic();
    let (_, program) = SampleLook::before_extest(&pins);
    tap::run(&mut session, program, PieceLimits::at(tck_hz)).expect("looked");
    let looked = session.traffic();
    let wish = Wish {
        conditions: off(),
        ..Wish::default()
    };
    let result = session
        .ring_out(&board, &chain, Method::BothEnds, &wish)
        .unwrap_or_else(|e| panic!("{e}"));
    let done = session.traffic();
    let rails = |w: &&taploom::ringout::WireVerdict| {
        matches!(w.untested, Some(Untested::Supply | Untested::Ground))
    };
    let good = result.wires.iter().filter(|w| w.verdict == Verdict::Good);
    assert_eq!(good.count() + result.wires.iter().filter(rails).count(), 28);
    assert_eq!(session.leave(), Left::Safe);

    let took = |from: &Traffic, to: &Traffic| {
        let ms = (to.elapsed - from.elapsed).as_secs_f64() * 1e3;
        (
            to.round_trips - from.round_trips,
            ms,
            to.tck_cycles - from.tck_cycles,
        )
    };
    let (look, all) = (took(&begun, &looked), took(&looked, &done));
    let (trips, ms) = (all.0.saturating_sub(look.0), all.1 - look.1);
    println!(
        "28 wires, {} vectors over {} cells at {} MHz: {} cycles of TCK; the look before: {} round trips, {:.1} ms",
        result.vectors,
        pins.length(),
        f64::from(tck_hz) / 1e6,
        all.2 - look.2,
        look.0,
        look.1
    );
    println!(
        "beside it: {trips} round trips (limit {ROUND_TRIPS}), {ms:.1} ms (limit {MILLISECONDS} ms)"
    );
    assert!(trips <= ROUND_TRIPS && ms <= MILLISECONDS, "beyond a limit");
}

/// Seconds for plan and diagnosis of so many nets, one driver at a time, all healthy but one in fifty.
fn many(folder: &Path, nets: usize) -> f64 {
    let board = Board::load(draw(folder, nets)).unwrap_or_else(|e| panic!("{e}"));
    let devices = [DeviceIndex(0), DeviceIndex(1)];
    let pins = Pins::new(&board, &devices).expect("pins");
    let guard = Guard::new(&board, &pins, off()).unwrap_or_else(|e| panic!("{e}"));

    let start = Instant::now();
    let subject = Subject::new(&board, &pins);
    let plan = Plan::of(Method::BothEnds, &subject, &guard, None).expect("both ends");
    let planned = start.elapsed();
    assert_eq!((plan.steps.len(), plan.ears.len()), (nets, nets));

    // What a bench would answer: each ear follows the driver of its own net, but for breaks.
    let ear_of = |step: usize| {
        let net = subject.terminals[plan.steps[step].terminal].net;
        plan.ears
            .iter()
            .position(|(_, t)| subject.terminals[*t].net == net)
    };
    let by_net: std::collections::HashMap<usize, usize> = (plan.ears.iter().enumerate())
        .map(|(ear, (_, t))| (subject.terminals[*t].net, ear))
        .collect();
    assert_eq!(
        ear_of(0),
        by_net
            .get(&subject.terminals[plan.steps[0].terminal].net)
            .copied()
    );
    let reading = |at: Option<usize>| Reading::new((0..nets).map(|ear| Some(at == Some(ear))));
    let low = reading(None);
    let response = Response {
        rest: low.clone(),
        steps: (0..nets)
            .map(|step| {
                let net = subject.terminals[plan.steps[step].terminal].net;
                let broken = step % 50 == 49;
                let high = reading(by_net.get(&net).copied().filter(|_| !broken));
                StepReading {
                    step,
                    against: [Vec::new(), Vec::new()],
                    at: [low.clone(), high],
                    timed: None,
                    last: false,
                    after: low.clone(),
                }
            })
            .collect(),
        opposed: Vec::new(),
        held: Vec::new(),
    };
    let start = Instant::now();
    let (wires, _) = diagnose(&subject, &plan, &response);
    let diagnosed = start.elapsed();
    let bad = wires.iter().filter(|w| w.verdict == Verdict::Open).count();
    assert_eq!(bad, nets / 50);
    assert_eq!(
        wires.iter().filter(|w| w.verdict == Verdict::Good).count(),
        nets - bad
    );
    let ms = |t: Duration| t.as_secs_f64() * 1e3;
    println!(
        "{nets} nets: plan {:.1} ms, diagnosis {:.1} ms, {bad} breaks found",
        ms(planned),
        ms(diagnosed)
    );
    (planned + diagnosed).as_secs_f64()
}

/// A board of two parts, all drivers on the one, all listeners on the other, a wire between each pair.
fn draw(folder: &Path, nets: usize) -> PathBuf {
    let folder = folder.join(format!("nets-{nets}"));
    std::fs::create_dir_all(&folder).expect("a scratch folder");
    let part = |name: &str, drives: bool| {
        let mut cells = String::new();
        for pin in 1..=nets {
            let end = if pin == nets { "" } else { "," };
            let _ = match drives {
                true => write!(
                    cells,
                    "\"{} (BC_1, *, control, 0), {} (BC_1, P({pin}), output3, X, {}, 0, Z){end}\" & ",
                    2 * pin - 2,
                    2 * pin - 1,
                    2 * pin - 2
                ),
                false => write!(cells, "\"{} (BC_4, P({pin}), input, X){end}\" & ", pin - 1),
            };
        }
        let map: Vec<String> = (1..=nets).map(|p| p.to_string()).collect();
        let (mode, length) = if drives {
            ("out", 2 * nets)
        } else {
            ("in", nets)
        };
        let text = format!(
            "entity {name} is generic (PHYSICAL_PIN_MAP : string := \"PK\");
port (TDI, TMS, TCK : in bit; TDO : out bit; P : {mode} bit_vector(1 to {nets}));
use STD_1149_1_2001.all;
attribute COMPONENT_CONFORMANCE of {name} : entity is \"STD_1149_1_2001\";
attribute PIN_MAP of {name} : entity is PHYSICAL_PIN_MAP;
constant PK : PIN_MAP_STRING := \"TDI:T1, TMS:T2, TCK:T3, TDO:T4, P:({})\";
attribute TAP_SCAN_IN of TDI : signal is true;
attribute TAP_SCAN_MODE of TMS : signal is true;
attribute TAP_SCAN_OUT of TDO : signal is true;
attribute TAP_SCAN_CLOCK of TCK : signal is (30.0e6, BOTH);
attribute INSTRUCTION_LENGTH of {name} : entity is 4;
attribute INSTRUCTION_OPCODE of {name} : entity is \"BYPASS (1111), EXTEST (0000), SAMPLE (0001), PRELOAD (0001)\";
attribute INSTRUCTION_CAPTURE of {name} : entity is \"0001\";
attribute BOUNDARY_LENGTH of {name} : entity is {length};
attribute BOUNDARY_REGISTER of {name} : entity is {};
end {name};",
            map.join(","),
            cells.trim_end_matches(" & "),
        );
        std::fs::write(folder.join(format!("{}.bsd", name.to_lowercase())), text).expect("written");
    };
    part("WARP", true);
    part("WEFT", false);
    let board = String::from(
        "[board]\nformat = 1\nname = \"many\"\nbsdl = [\".\"]\nharness = \"harness.csv\"\n\
         [[device]]\nname = \"U1\"\nentity = \"WARP\"\n[[device]]\nname = \"U2\"\nentity = \"WEFT\"\n",
    );
    let mut harness = String::from("label,from,to\n");
    for k in 1..=nets {
        let _ = writeln!(harness, "W{k},U1.{k},U2.{k}");
    }
    std::fs::write(folder.join("harness.csv"), harness).expect("written");
    let path = folder.join("board.toml");
    std::fs::write(&path, board).expect("written");
    path
}
