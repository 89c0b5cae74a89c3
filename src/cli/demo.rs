//! `taploom demo`: the simulated knitting machine, from the first scan to the loaded image.
//!
//! The story is told by the bring-up script that comes along, run by the same code as `taploom run`, on the files of
//! `fixtures/knitting-machine/`, which are built in and unpacked into a folder of their own. It ran as told if every run
//! gave what the story says; otherwise the demo fails.

use std::path::PathBuf;

use serde_json::{Value, json};

use super::args::{self, Common, Power};
use super::ringout::CAUTIONS;
use super::{Context, Exit, Failed, Failure, Outcome, out, run as script};

macro_rules! scenario {
    ($($name:literal),* $(,)?) => {
        &[$(($name, include_bytes!(concat!("../../fixtures/knitting-machine/", $name)))),*]
    };
}

/// The scenario's files.
const FILES: &[(&str, &[u8])] = scenario![
    "as-drawn.toml",
    "board.toml",
    "bringup.rhai",
    "devices/bobbin_44.bsd",
    "devices/heddle_208.bsd",
    "devices/heddle_208.engine.toml",
    "devices/jacquard_256.bsd",
    "devices/jacquard_256.engine.toml",
    "devices/selvedge_clip.bsd",
    "devices/shuttle_44.bsd",
    "harness.csv",
    "heddle.toml",
    "pattern-tap.bin",
    "two-faults.toml",
];

/// A folder that goes away with its owner.
struct Folder(PathBuf);

impl Folder {
    fn unpack() -> std::io::Result<Folder> {
        let folder =
            Folder(std::env::temp_dir().join(format!("taploom-demo-{}", std::process::id())));
        std::fs::create_dir_all(folder.0.join("devices"))?;
        for (name, bytes) in FILES {
            std::fs::write(folder.0.join(name), bytes)?;
        }
        Ok(folder)
    }

    fn file(&self, name: &str) -> PathBuf {
        self.0.join(name)
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

const OPENING: &str = "\
An electronic knitting machine keeps its patterns in a 27C256 memory. The memory is out of its socket; a harness of 28
wires runs from the socket to header J3 of an FPGA board. Four devices are on the board's scan chain, and a scan clip on
the socket is the fifth. Everything here is simulated and invented: devices, board, and the mistakes in the harness.
With real hardware the commands are the same, without --simulate.

The whole job is one script of ten lines, bringup.rhai:";

const FIRST: &str = "\
1. You run it for the first time. Who is on the chain? Does every wire land where the table says? One net is driven at a
   time, from a scan cell at one end of the wire to one at the other.";

const SECOND: &str = "\
2. The script stopped before anything was loaded. You exchange W07 and W08 at J3, solder W19 anew, and run it again.";

const CLOSING: &str = "\
That is the whole job: the chain is as declared, 25 of 25 signal wires are good, U1 runs the image, and what was driven at
one end of W25 was heard at the other. The three supply and ground wires want a meter before anything is powered.
Tomorrow you rewire, reload, and run the same line again.";

pub(super) fn run(context: &Context) -> Result<Outcome, Failed> {
    let folder = Folder::unpack()
        .map_err(|e| Failure::input("file", format!("cannot unpack the scenario's files: {e}")))?;
    let mut story = Story {
        context,
        folder: &folder,
        steps: Vec::new(),
        as_told: true,
    };
    story.say(OPENING);
    story.show_script();
    story.say(CAUTIONS);
    story.say(FIRST);
    story.run("two-faults.toml", |o| {
        let rung = last_step(o, "ring_out");
        let wrong = rung.map(|step| bad_wires(&step["result"]));
        let told = ["W07 swapped", "W08 swapped", "W19 open"];
        o.exit == Exit::Finding && wrong.is_some_and(|w| w == told)
    });
    story.say(SECOND);
    story.run("as-drawn.toml", |o| {
        let loaded = o.fields["steps"].as_array().is_some_and(|steps| {
            (steps.iter()).any(|s| s["function"] == "load" && s["result"]["loaded"] == true)
        });
        o.exit == Exit::Good && o.fields["passed"] == true && loaded
    });
    story.say(match story.as_told {
        true => CLOSING,
        false => "The story did not run as told.",
    });
    let Story { steps, as_told, .. } = story;
    let exit = if as_told { Exit::Good } else { Exit::Finding };
    Ok(Outcome {
        exit,
        fields: json!({ "as_told": as_told, "steps": steps }),
        text: String::new(),
    })
}

/// The last step of a run, if it is a call of this function.
fn last_step<'o>(outcome: &'o Outcome, function: &str) -> Option<&'o Value> {
    let last = outcome.fields["steps"].as_array()?.last()?;
    (last["function"] == function).then_some(last)
}

/// The wires of a ring-out that are bad: label and verdict.
fn bad_wires(rung: &Value) -> Vec<String> {
    let wires = rung["wires"].as_array().into_iter().flatten();
    wires
        .filter_map(|w| Some((w["label"].as_str()?, w["verdict"].as_str()?)))
        .filter(|(_, verdict)| !matches!(*verdict, "good" | "untested"))
        .map(|(label, verdict)| format!("{label} {verdict}"))
        .collect()
}

/// The name of the script that comes along.
const SCRIPT: &str = "bringup.rhai";

struct Story<'a> {
    context: &'a Context,
    folder: &'a Folder,
    steps: Vec<Value>,
    as_told: bool,
}

impl Story<'_> {
    fn say(&mut self, text: &str) {
        self.put(&format!("\n{text}\n"));
    }

    fn put(&mut self, text: &str) {
        if !self.context.common.json {
            out::data(text);
        }
    }

    fn show_script(&mut self) {
        let text = std::fs::read_to_string(self.folder.file(SCRIPT)).unwrap_or_default();
        let lines = text.lines().filter(|l| !l.starts_with("//"));
        let shown: String = lines.map(|l| format!("   {l}\n")).collect();
        self.put(&format!("\n{shown}"));
    }

    /// Runs the script on a bench, shows the command and what it gave, and keeps whether that is what the story says. In
    /// any case there are no fights, and the board is left safe.
    fn run(&mut self, bench: &str, as_told: impl Fn(&Outcome) -> bool) {
        let context = Context {
            name: "run",
            common: Common {
                simulate: Some(self.folder.file(bench)),
                machine: Power::Off,
                yes: true,
                quiet: true,
                json: self.context.common.json,
                ..Common::default()
            },
            cancel: self.context.cancel.clone(),
        };
        let arguments = args::Run {
            script: self.folder.file(SCRIPT),
            ..args::Run::default()
        };
        let command = format!("run {SCRIPT} --machine off --simulate {bench}");
        self.put(&format!("\n   $ taploom {command}\n"));
        match script::told_at_the_end(&context, &arguments) {
            Ok(outcome) => {
                let folder = format!("{}/", self.folder.0.display());
                for line in outcome.text.replace(&folder, "").trim_end().lines() {
                    self.put(format!("   {line}").trim_end());
                }
                self.as_told &= as_told(&outcome)
                    && outcome.fields["simulated"]["fights"] == 0
                    && outcome.fields["simulated"]["left_safe"] == true;
                self.steps.push(json!({ "command": command, "exit": outcome.exit.code(), "result": outcome.fields }));
            }
            Err(failed) => {
                out::failure(&failed.failure);
                self.as_told = false;
                self.steps.push(json!({ "command": command, "exit": failed.failure.exit.code(), "error": failed.failure.message }));
            }
        }
    }
}
