//! One list of commands before emulated chips, with the facts that are expected of each, run over every route.
//!
//! Facts are one JSON object a step: `step`, `exit`, `hung`, `document` (what the program printed), `notes` (what it said
//! on the side), `board` (the bench's own record), `driven` (the chip's lines), `driver` (whether the system's driver has
//! channel A at the end).

use std::path::Path;
use std::time::{Duration, Instant};

use serde_json::{Value, json};
use taploom::simulator::adapter::Model;
use taploom::simulator::{Bench, Witness};

use crate::personality::{Adapter, Device, Fault, Faulty, Standing};
use crate::run::Running;

/// A way to show devices to programs: one socket.
pub trait Route {
    /// Plugs a device in, and waits until programs can find it; with `driver`, until the system's serial driver has it.
    ///
    /// # Errors
    /// What went wrong.
    fn plug(&mut self, device: Box<dyn Device>, driver: bool) -> Result<(), String>;

    /// Pulls the plug, if the device has not done so itself; gives how the device stood before.
    ///
    /// # Errors
    /// What went wrong.
    fn unplug(&mut self) -> Result<Standing, String>;

    /// How the device stands now.
    fn standing(&mut self) -> Standing;

    /// Starts the program under test from the root of the workspace.
    ///
    /// # Errors
    /// What went wrong.
    fn start(&mut self, arguments: &[&str]) -> Result<Running, String>;

    /// Whether the system's driver has a channel, 0 for A.
    fn driver_holds(&mut self, channel: u8) -> bool;
}

/// When the device of a step comes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Plug {
    /// Never: the bus is empty.
    Never,
    /// Before the program starts.
    Before,
    /// The same, and the system's serial driver has it.
    Driver,
    /// When the program has said these words on the side.
    After(&'static str),
}

/// What is expected.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fact {
    /// At this JSON pointer stands this (JSON text).
    Is(&'static str, &'static str),
    /// The text at this JSON pointer has these words in it.
    Says(&'static str, &'static str),
}

/// One command.
#[derive(Debug, Clone, Copy)]
pub struct Step {
    /// Its name in facts and failures.
    pub name: &'static str,
    /// The chip, with the knitting machine's board on channel A.
    pub chip: fn() -> Model,
    /// When it is plugged in.
    pub plug: Plug,
    /// What goes wrong with it.
    pub fault: Option<Fault>,
    /// The program is told to end (SIGTERM) when the chip has taken so many bytes.
    pub terminate: Option<u64>,
    /// The command line, `--json` apart.
    pub arguments: &'static [&'static str],
    /// The facts.
    pub facts: &'static [Fact],
}

const BENCH: &str = "fixtures/knitting-machine/as-drawn.toml";
const SCAN: &[&str] = &["scan", "fixtures/knitting-machine/board.toml"];
const LOAD: &[&str] = &[
    "load",
    "fixtures/knitting-machine/board.toml",
    "U1",
    "fixtures/knitting-machine/pattern-tap.bin",
    "--yes",
];
const SCAN_AND_GIVE_BACK: &[&str] = &["scan", "fixtures/knitting-machine/board.toml", "--reattach"];
/// The program's and the guest's patience together: a processor that is emulated is slow.
const LIMIT: Duration = Duration::from_secs(90);

use Fact::{Is, Says};

const SCANNED: &[Fact] = &[
    Is("/exit", "0"),
    Is("/document/devices/0/name", "\"U1\""),
    Is("/document/devices/0/idcode", "\"0x24D08501\""),
    Is("/document/devices/4/verdict", "\"as declared\""),
    Is("/document/chain/ir_length_total", "37"),
    Is("/board/fights", "0"),
    Is("/board/left_safe", "true"),
    Is("/driven", "0"),
    Is("/driver", "false"),
];

/// The commands, in order. The system's driver comes last: from then on it takes what is plugged in.
pub const STEPS: &[Step] = &[
    Step {
        name: "an empty bus",
        chip: Model::ft2232h,
        plug: Plug::Never,
        fault: None,
        terminate: None,
        arguments: &["adapters"],
        facts: &[
            Is("/exit", "0"),
            Is("/document/usb", "true"),
            Is("/document/adapters", "[]"),
        ],
    },
    Step {
        name: "a chip is listed",
        chip: Model::ft2232h,
        plug: Plug::Before,
        fault: None,
        terminate: None,
        arguments: &["adapters"],
        facts: &[
            Is("/exit", "0"),
            Is("/document/adapters/0/chip", "\"FT2232H\""),
            Is("/document/adapters/0/serial", "\"EMU2232H\""),
            Is("/document/adapters/0/speed_bits_per_second", "480000000"),
            Is("/document/adapters/0/state", "\"ready\""),
        ],
    },
    Step {
        name: "a plug while it waits",
        chip: Model::ft232h,
        plug: Plug::After("plug the adapter in; waiting"),
        fault: None,
        terminate: None,
        arguments: &["adapters", "--wait", "60"],
        facts: &[
            Is("/exit", "0"),
            Is("/document/adapters/0/serial", "\"EMU232H\""),
            Is("/document/adapters/0/state", "\"ready\""),
        ],
    },
    Step {
        name: "a scan",
        chip: Model::ft2232h,
        plug: Plug::Before,
        fault: None,
        terminate: None,
        arguments: SCAN,
        facts: SCANNED,
    },
    Step {
        name: "a scan by bit-bang",
        chip: Model::ft232r,
        plug: Plug::Before,
        fault: None,
        terminate: None,
        arguments: SCAN,
        facts: SCANNED,
    },
    Step {
        name: "a load",
        chip: Model::ft2232h,
        plug: Plug::Before,
        fault: None,
        terminate: None,
        arguments: LOAD,
        facts: &[
            Is("/exit", "0"),
            Is("/document/loaded", "true"),
            Is("/document/bytes", "49222"),
            Is("/board/running", "[\"U1\"]"),
            Is("/board/fights", "0"),
            Is("/driven", "0"),
        ],
    },
    Step {
        name: "an unplug in mid-load",
        chip: Model::ft2232h,
        plug: Plug::Before,
        fault: Some(Fault::Unplug(25_000)),
        terminate: None,
        arguments: LOAD,
        facts: &[
            Is("/exit", "3"),
            Is("/document/error/kind", "\"adapter\""),
            Says("/document/error/message", "is gone"),
            Says("/document/error/message", "remove the board's power"),
            Is("/document/loaded", "false"),
            Is("/board/running", "[]"),
            Is("/board/fights", "0"),
        ],
    },
    Step {
        name: "a halted endpoint in mid-load",
        chip: Model::ft2232h,
        plug: Plug::Before,
        fault: Some(Fault::StallOut(25_000)),
        terminate: None,
        arguments: LOAD,
        facts: &[
            Is("/exit", "3"),
            Says("/document/error/message", "refused a request"),
            Is("/document/loaded", "false"),
            Is("/board/left_safe", "true"),
            Is("/board/fights", "0"),
            Is("/driven", "0"),
        ],
    },
    Step {
        name: "told to end in mid-load",
        // By bit-bang a load takes more than a second.
        chip: Model::ft232r,
        plug: Plug::Before,
        fault: None,
        terminate: Some(100_000),
        arguments: LOAD,
        facts: &[
            Is("/exit", "143"),
            Is("/document/loaded", "false"),
            Is("/board/running", "[]"),
            Is("/board/left_safe", "true"),
            Is("/board/fights", "0"),
            Is("/driven", "0"),
        ],
    },
    Step {
        name: "a mode that is refused",
        chip: Model::ft2232h,
        plug: Plug::Before,
        fault: Some(Fault::Refuse(0x0b)),
        terminate: None,
        arguments: SCAN,
        facts: &[
            Is("/exit", "3"),
            Says("/document/error/message", "refused a request"),
            // As after power-on: TXD, RTS and DTR of a serial port.
            Is("/driven", "21"),
        ],
    },
    Step {
        name: "a chip that hangs",
        chip: Model::ft2232h,
        plug: Plug::Before,
        fault: Some(Fault::Hang(25_000)),
        terminate: None,
        arguments: LOAD,
        facts: &[
            Is("/exit", "3"),
            Is("/hung", "false"),
            Says("/document/error/message", "did not answer"),
            Says("/document/error/message", "remove the board's power"),
        ],
    },
    Step {
        name: "a chip that the system's driver has",
        chip: Model::ft2232h,
        plug: Plug::Driver,
        fault: None,
        terminate: None,
        arguments: &["adapters"],
        facts: &[
            Is("/exit", "0"),
            Is("/document/adapters/0/driver_on", "[\"A\",\"B\"]"),
            Is("/driver", "true"),
        ],
    },
    Step {
        name: "taken from the system's driver",
        chip: Model::ft2232h,
        plug: Plug::Driver,
        fault: None,
        terminate: None,
        arguments: SCAN,
        facts: SCANNED,
    },
    Step {
        name: "given back to the system's driver",
        chip: Model::ft2232h,
        plug: Plug::Driver,
        fault: None,
        terminate: None,
        arguments: SCAN_AND_GIVE_BACK,
        facts: &[
            Is("/exit", "0"),
            Is("/document/devices/4/verdict", "\"as declared\""),
            Is("/board/left_safe", "true"),
            Is("/driver", "true"),
        ],
    },
];

/// What is not as expected in a step's facts.
pub fn wrong(step: &Step, facts: &Value) -> Vec<String> {
    let mut wrong = Vec::new();
    for fact in step.facts {
        let (at, expected) = match *fact {
            Is(at, expected) | Says(at, expected) => (at, expected),
        };
        let found = facts.pointer(at).unwrap_or(&Value::Null);
        let holds = match fact {
            Is(..) => *found == serde_json::from_str::<Value>(expected).expect("JSON text"),
            Says(..) => found.as_str().is_some_and(|text| text.contains(expected)),
        };
        if !holds {
            wrong.push(format!("{at} is {found}, expected {expected}"));
        }
    }
    wrong
}

/// Keys of the program's documents that depend on the route or on how fast it is: numbers of buses and sockets, times.
const OF_THE_ROUTE: [&str; 4] = ["bus", "address", "seconds", "limit_seconds"];
/// Keys that tell how far a job got that was cut short.
const HOW_FAR: [&str; 6] = [
    "bytes_sent",
    "bytes_sent_at_least",
    "bytes_sent_at_most",
    "bits_shifted",
    "payload_bits",
    "tck_cycles",
];

/// The facts of a step that must be the same on every route; where a job is cut short, all but how far it got by chance.
pub fn common(step: &Step, facts: &Value) -> Value {
    let cut_short = step.fault.is_some() || step.terminate.is_some();
    match facts {
        Value::Object(map) => {
            let kept = map.iter().filter(|(key, _)| {
                let key = key.as_str();
                !(OF_THE_ROUTE.contains(&key) || cut_short && HOW_FAR.contains(&key))
            });
            let same = kept.map(|(key, value)| match value.as_str() {
                Some(text) if cut_short && key != "step" => {
                    (key.clone(), without_numbers(text).into())
                }
                _ => (key.clone(), common(step, value)),
            });
            Value::Object(same.collect())
        }
        Value::Array(list) => list.iter().map(|v| common(step, v)).collect(),
        other => other.clone(),
    }
}

/// Each number as `#`: a message says how far it got.
fn without_numbers(text: &str) -> String {
    let mut out = String::new();
    for c in text.chars() {
        match c {
            '0'..='9' if out.ends_with('#') => {}
            '0'..='9' => out.push('#'),
            c => out.push(c),
        }
    }
    out
}

/// Runs every step; `root` is the root of the workspace.
///
/// # Errors
/// The route failed: not what is tried on it.
pub fn run(route: &mut dyn Route, root: &Path, told: &mut dyn FnMut(&Value)) -> Result<(), String> {
    for step in STEPS {
        let facts = one(route, root, step).map_err(|e| format!("{}: {e}", step.name))?;
        told(&facts);
    }
    Ok(())
}

fn one(route: &mut dyn Route, root: &Path, step: &Step) -> Result<Value, String> {
    let bench = Bench::open(root.join(BENCH)).map_err(|e| e.to_string())?;
    let witness = bench.witness();
    let adapter = Adapter::new(&(step.chip)(), 0, Box::new(bench));
    let device: Box<dyn Device> = match step.fault {
        Some(fault) => Box::new(Faulty::new(adapter, fault)),
        None => Box::new(adapter),
    };
    let arguments = [step.arguments, &["--json"]].concat();
    let running = match step.plug {
        Plug::Never => route.start(&arguments)?,
        Plug::Before | Plug::Driver => {
            route.plug(device, step.plug == Plug::Driver)?;
            route.start(&arguments)?
        }
        Plug::After(words) => {
            let mut running = route.start(&arguments)?;
            let said = running.says(words, LIMIT);
            route.plug(device, false)?;
            if !said {
                return Err(format!("it never said: {words}"));
            }
            running
        }
    };
    if let Some(bytes) = step.terminate {
        let began = Instant::now();
        while route.standing().taken < bytes {
            if began.elapsed() > LIMIT {
                return Err(format!(
                    "the chip never took {bytes} bytes: {:#?}",
                    running.wait(LIMIT)
                ));
            }
            std::thread::sleep(Duration::from_millis(1));
        }
        running.signal(libc::SIGTERM);
    }
    let run = running.wait(LIMIT);
    let driver = route.driver_holds(0);
    let standing = match step.plug {
        Plug::Never => Standing::default(),
        _ => route.unplug()?,
    };
    if let Some(failed) = standing.failed {
        return Err(format!("the bench failed: {failed}"));
    }
    let document: Value = serde_json::from_str(&run.stdout)
        .map_err(|e| format!("no single document: {e}: {run:#?}"))?;
    Ok(json!({
        "step": step.name,
        "exit": run.exit,
        "hung": run.hung,
        "document": document,
        "notes": run.stderr,
        "board": board(&witness),
        "driven": standing.driven.first().copied().unwrap_or(0),
        "driver": driver,
    }))
}

fn board(witness: &Witness) -> Value {
    let seen = witness.seen();
    let running = seen.loaded.iter().filter(|l| l.running);
    json!({
        "fights": seen.fight_count,
        "left_safe": seen.left_safe(),
        "running": running.map(|l| &l.device).collect::<Vec<_>>(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The judge itself: each kind of wrong fact is found.
    #[test]
    fn facts_that_are_not_as_expected_are_found() {
        let step = Step {
            facts: &[Is("/exit", "0"), Says("/notes", "gone"), Is("/none", "1")],
            ..STEPS[0]
        };
        let good = json!({ "exit": 0, "notes": "it is gone", "none": 1 });
        assert_eq!(wrong(&step, &good), Vec::<String>::new());
        let bad = json!({ "exit": 3, "notes": "it is there" });
        assert_eq!(
            wrong(&step, &bad),
            [
                "/exit is 3, expected 0",
                "/notes is \"it is there\", expected gone",
                "/none is null, expected 1"
            ]
        );
    }

    #[test]
    fn only_what_belongs_to_the_route_is_left_out() {
        let facts = json!({
            "exit": 0,
            "document": { "list": [{ "bus": 1, "chip": "x1" }], "bytes_sent": 5, "what": "12 of 34 bytes" },
        });
        let left = json!({
            "exit": 0,
            "document": { "list": [{ "chip": "x1" }], "bytes_sent": 5, "what": "12 of 34 bytes" },
        });
        assert_eq!(common(&STEPS[0], &facts), left);
        let cut = Step {
            fault: Some(Fault::Unplug(1)),
            ..STEPS[0]
        };
        let left = json!({
            "exit": 0,
            "document": { "list": [{ "chip": "x#" }], "what": "# of # bytes" },
        });
        assert_eq!(common(&cut, &facts), left);
    }
}
