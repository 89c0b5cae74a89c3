//! `taploom demo`: the simulated knitting machine, from the first scan to the loaded image.
//!
//! The story is told by the same commands that a user types, on the files of
//! `fixtures/knitting-machine/`, which are built in and unpacked into a folder of their own. It ran as told if
//! every command gave what the story says; otherwise the demo fails.

use std::path::PathBuf;

use serde_json::{Value, json};

use super::args::{self, Common, Power};
use super::{Context, Exit, Failed, Failure, Outcome, load, out, ringout, run as script, scan};

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
With real hardware the commands are the same, without --simulate.";

pub(super) fn run(context: &Context) -> Result<Outcome, Failed> {
    let folder = Folder::unpack()
        .map_err(|e| Failure::input("file", format!("cannot unpack the scenario's files: {e}")))?;
    let mut story = Story {
        context,
        folder: &folder,
        text: String::new(),
        steps: Vec::new(),
        as_told: true,
    };
    story.say(OPENING);
    story.say("1. Who is on the chain?");
    story.scan("two-faults.toml");
    story.say(ringout::CAUTIONS);
    story.say("2. Does every wire land where the table says? One net is driven at a time, from a scan cell at one end to one at the other.");
    story.ring_out(
        "two-faults.toml",
        &[("W07", "swapped"), ("W08", "swapped"), ("W19", "open")],
    );
    story.say("3. You exchange W07 and W08 at J3, solder W19 anew, and ring out again.");
    story.ring_out("as-drawn.toml", &[]);
    story.say("4. The harness is proven: the image goes into U1.");
    story.load("as-drawn.toml");
    story.say(
        "5. Tomorrow you rewire, reload and try again. All of it is one script of ten lines then:",
    );
    story.script("bringup.rhai", "as-drawn.toml");
    story.say(if story.as_told {
        "That is the whole job: the chain is as declared, 25 of 25 signal wires are good, U1 runs the image. The three supply \
and ground wires want a meter before anything is powered."
    } else {
        "The story did not run as told."
    });
    let Story {
        text,
        steps,
        as_told,
        ..
    } = story;
    let exit = if as_told { Exit::Good } else { Exit::Finding };
    Ok(Outcome {
        exit,
        fields: json!({ "as_told": as_told, "steps": steps }),
        text,
    })
}

struct Story<'a> {
    context: &'a Context,
    folder: &'a Folder,
    /// What has not been printed yet (with `--json`, nothing is printed before the end).
    text: String,
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

    /// The context of one of the story's commands.
    fn context(&self, name: &'static str, bench: &str) -> Context {
        let common = Common {
            simulate: Some(self.folder.file(bench)),
            machine: Power::Off,
            yes: true,
            quiet: true,
            json: self.context.common.json,
            ..Common::default()
        };
        Context {
            name,
            common,
            cancel: self.context.cancel.clone(),
        }
    }

    /// Shows the command, then what it gave, and keeps whether that is what the story says.
    fn step(
        &mut self,
        command: &str,
        result: Result<Outcome, Failed>,
        as_told: impl Fn(&Outcome) -> bool,
    ) {
        self.put(&format!("\n   $ taploom {command}\n"));
        match result {
            Ok(outcome) => {
                let text: String = outcome
                    .text
                    .trim_end()
                    .lines()
                    .map(|line| {
                        if line.is_empty() {
                            "\n".to_owned()
                        } else {
                            format!("   {line}\n")
                        }
                    })
                    .collect();
                self.put(&text);
                self.as_told &= as_told(&outcome);
                self.steps.push(json!({ "command": command, "exit": outcome.exit.code(), "result": outcome.fields }));
            }
            Err(failed) => {
                out::failure(&failed.failure);
                self.as_told = false;
                self.steps.push(json!({ "command": command, "exit": failed.failure.exit.code(), "error": failed.failure.message }));
            }
        }
    }

    fn board(&self) -> PathBuf {
        self.folder.file("board.toml")
    }

    fn scan(&mut self, bench: &str) {
        let context = self.context("scan", bench);
        let result = scan::run(&context, Some(&self.board()));
        self.step(
            &format!("scan board.toml --simulate {bench}"),
            result,
            |o| o.exit == Exit::Good,
        );
    }

    fn ring_out(&mut self, bench: &str, bad: &[(&str, &str)]) {
        let context = self.context("ringout", bench);
        let arguments = args::Ringout {
            board: self.board(),
            by: "both-ends".into(),
            only: vec![],
            allow_brief_fights: false,
        };
        let result = ringout::run(&context, &arguments);
        self.step(
            &format!("ringout board.toml --machine off --simulate {bench}"),
            result,
            |o| {
                let empty = vec![];
                let wires = o.fields["wires"].as_array().unwrap_or(&empty);
                let seen: Vec<(&str, &str)> = wires
                    .iter()
                    .filter_map(|w| Some((w["label"].as_str()?, w["verdict"].as_str()?)))
                    .filter(|(_, verdict)| *verdict != "good" && *verdict != "untested")
                    .collect();
                seen == bad
                    && o.fields["simulated"]["fights"] == 0
                    && o.fields["simulated"]["left_safe"] == true
            },
        );
    }

    fn load(&mut self, bench: &str) {
        let context = self.context("load", bench);
        let arguments = args::Load {
            board: Some(self.board()),
            device: Some("U1".into()),
            image: Some(self.folder.file("pattern-tap.bin")),
            ..args::Load::default()
        };
        let result = load::run(&context, &arguments);
        let told = |o: &Outcome| o.exit == Exit::Good && o.fields["loaded"] == true;
        self.step(
            &format!("load board.toml U1 pattern-tap.bin --machine off --simulate {bench}"),
            result,
            told,
        );
    }

    /// The whole job once more, by the script that comes along.
    fn script(&mut self, name: &str, bench: &str) {
        let path = self.folder.file(name);
        let text = std::fs::read_to_string(&path).unwrap_or_default();
        let lines = text.lines().filter(|l| !l.starts_with("//"));
        let shown: String = lines.map(|l| format!("      {l}\n")).collect();
        self.put(&format!("\n{shown}"));
        let arguments = args::Run {
            script: path,
            ..args::Run::default()
        };
        let context = self.context("run", bench);
        let mut result = script::told_at_the_end(&context, &arguments);
        if let Ok(outcome) = &mut result {
            let folder = format!("{}/", self.folder.0.display());
            outcome.text = outcome.text.replace(&folder, "");
        }
        let told = |o: &Outcome| {
            o.exit == Exit::Good
                && o.fields["passed"] == true
                && o.fields["simulated"]["fights"] == 0
                && o.fields["simulated"]["left_safe"] == true
        };
        self.step(
            &format!("run {name} --machine off --simulate {bench}"),
            result,
            told,
        );
    }
}
