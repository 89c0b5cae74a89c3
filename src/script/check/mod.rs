//! `run --check`: every device, wire, pin, level and file that a script and its imports name, held against the board. What is
//! said in so many words is looked at, and so are settings, variables that never change, loops over lists and ranges,
//! and texts put together from them; what only a run can tell is counted.

mod calls;

use std::path::{Path, PathBuf};

use rhai::Dynamic;

use crate::board::{Board, DeviceIndex};
use crate::boundary::drive::{Spot, rehearse_table};
use crate::boundary::{Conditions, Guard, MachinePower, Pins};
use crate::load::Image;
use crate::load::play::{ChainPads, PlayOptions, rehearse};
use crate::ringout::Method;
use crate::svf;

use super::functions::{level, seconds};
use super::includes::folder_of;
use super::state::{open, recipe_of};
use super::text::ScriptError;
use super::{End, Script, Setting};
use calls::{Call, calls_of};

/// Something that a script names and that is not there.
pub type Problem = ScriptError;

/// What was resolved.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Resolved {
    /// Calls of our functions, those of imported scripts included.
    pub calls: usize,
    /// Names that were held against the board or the disk.
    pub names: usize,
    /// Names that are made while the script runs, and are looked at only then.
    pub unsaid: usize,
    /// Scripts that are imported.
    pub imports: usize,
    /// Every file that is named: scripts, boards with what they are read from, images, recipes, vectors.
    pub files: Vec<PathBuf>,
    /// What is wrong, in the order of the script.
    pub problems: Vec<Problem>,
}

/// Holds a script against the board that it names. Touches no adapter and drives nothing.
pub fn check_script(script: &Script, allow: &[PathBuf], settings: &[Setting]) -> Resolved {
    let found = calls_of(script, allow, settings);
    // Names count from the main script's folder, also within what it imports.
    let folder = folder_of(&script.path);
    let mut check = Check {
        folder,
        board: None,
        named: found.calls.iter().any(|c| c.function.name == "board"),
        resolved: Resolved {
            calls: found.calls.len(),
            names: found.imports,
            imports: found.imports,
            unsaid: found.unsaid,
            files: found.files,
            problems: found.problems,
        },
    };
    // What stands before the first board, as functions do, is held against that one.
    if let Some(first) = found.calls.iter().find(|c| c.function.name == "board") {
        check.board = (first.texts(0).and_then(|t| t.first().cloned()))
            .and_then(|name| Board::load(check.folder.join(name)).ok());
    }
    for call in &found.calls {
        check.look_at(call);
    }
    check.resolved
}

struct Check {
    folder: PathBuf,
    board: Option<Board>,
    /// Whether the script names a board at all.
    named: bool,
    resolved: Resolved,
}

impl Check {
    fn look_at(&mut self, call: &Call) {
        let function = call.function;
        for key in call.option_keys() {
            if !function.options.contains(&key.as_str()) {
                let message = format!("{} has no option {key}", function.name);
                let help = format!("its options are {}", function.options.join(", "));
                self.problem(call, End::input(message, help));
            }
        }
        if function.name == "board" {
            for name in self.texts(call, 0) {
                match Board::load(self.folder.join(name)) {
                    Ok(board) => {
                        self.resolved.files.extend(board.files.iter().cloned());
                        self.board = Some(board);
                    }
                    Err(e) => {
                        let places = e.problems.iter().map(|p| p.at.path.to_path_buf());
                        self.resolved.files.extend(places);
                        self.resolved.files.push(e.path.clone());
                        self.problem(call, End::input(e.to_string(), "mend the board file"));
                    }
                }
            }
            return;
        }
        if !function.needs_board {
            return;
        }
        if !self.named {
            let message = format!("{} needs a board, and the script names none", function.name);
            self.problem(call, End::input(message, "say board(\"board.toml\") first"));
        }
        // Without the board, its error has been told; the rest would be guesses.
        if let Some(board) = self.board.take() {
            self.hold_against(call, &board);
            self.board = Some(board);
        }
    }

    fn problem(&mut self, call: &Call, end: End) {
        let mut problem = ScriptError::at(&call.file.path, &call.file.text, call.at, end.message);
        problem.help = end.help;
        // A loop says the same of one line only once.
        if !self.resolved.problems.contains(&problem) {
            self.resolved.problems.push(problem);
        }
    }

    fn hold(&mut self, call: &Call, result: Result<(), End>) {
        if let Err(end) = result {
            self.problem(call, end);
        }
    }

    /// The texts that an argument may be; they are counted, and so is one that only a run can tell.
    fn texts(&mut self, call: &Call, at: usize) -> Vec<String> {
        if at >= call.arguments.len() {
            return Vec::new();
        }
        self.count(call.texts(at))
    }

    fn count(&mut self, texts: Option<Vec<String>>) -> Vec<String> {
        let texts = match texts {
            Some(texts) => texts,
            None => {
                self.resolved.unsaid += 1;
                Vec::new()
            }
        };
        self.resolved.names += texts.len();
        texts
    }

    /// A file that the script names.
    fn file(&mut self, name: &str) -> PathBuf {
        let path = self.folder.join(name);
        self.resolved.files.push(path.clone());
        path
    }

    fn options(&mut self, call: &Call, name: &str) -> Vec<String> {
        match call.option(name) {
            None => Vec::new(),
            Some(value) => self.count(texts_in(&value)),
        }
    }

    fn hold_against(&mut self, call: &Call, board: &Board) {
        let folder = self.folder.clone();
        let all: Vec<DeviceIndex> = (0..board.devices.len()).map(DeviceIndex).collect();
        match call.function.name {
            "ring_out" => {
                for by in self.options(call, "by") {
                    let known = Method::named(&by).map(|_| ());
                    self.hold(call, known.ok_or_else(|| no_method(&by)));
                }
                for wire in self.options(call, "wires") {
                    let known = board.wire(&wire).map(|_| ());
                    self.hold(call, known.ok_or_else(|| no_wire(board, &wire)));
                }
            }
            "load" => {
                let recipe = self.options(call, "recipe").pop().map(|r| folder.join(r));
                for name in self.texts(call, 0) {
                    let fits = device(board, &name).and_then(|d| {
                        let recipe = recipe_of(board, d, recipe.as_deref())?;
                        let bsdl = board.devices[d.0].bsdl.as_deref();
                        let held = bsdl.map_or(Ok(()), |b| recipe.check(b).map(|_| ()));
                        held.map_err(|e| End::input(e.to_string(), "mend the recipe"))
                    });
                    self.hold(call, fits);
                }
                self.resolved.files.extend(recipe);
                for image in self.texts(call, 1) {
                    let path = self.file(&image);
                    let opened = Image::open(path).map(|_| ());
                    let opened =
                        opened.map_err(|e| End::input(e.to_string(), "name the raw image"));
                    self.hold(call, opened);
                }
            }
            "play" => {
                for file in self.texts(call, 0) {
                    let path = self.file(&file);
                    self.hold(call, vectors_file(board, &path));
                }
                for name in self.options(call, "device") {
                    self.hold(call, device(board, &name).map(|_| ()));
                }
            }
            "drive" | "release" | "sense" | "wait_for" => self.pins(call, board, &all),
            "vectors" => {
                let mission = self.options(call, "mission");
                let mission: Result<Vec<_>, _> = mission.iter().map(|n| device(board, n)).collect();
                let files = self.texts(call, 0);
                match mission {
                    Ok(mission) => {
                        for file in files {
                            let path = self.file(&file);
                            let held = table(board, &all, &mission, &path, &file);
                            self.hold(call, held);
                        }
                    }
                    Err(end) => self.problem(call, end),
                }
            }
            _ => {}
        }
    }

    /// Names of pins, and levels and times beside them.
    fn pins(&mut self, call: &Call, board: &Board, all: &[DeviceIndex]) {
        if call.arguments.is_empty() {
            return;
        }
        let mut levels: Vec<Dynamic> = Vec::new();
        let names = match call.arguments[0].as_ref().and_then(|v| v.first()) {
            Some(map) if map.is_map() => {
                let map = map.as_map_ref().map(|m| m.clone()).unwrap_or_default();
                levels.extend(map.values().filter(|v| !v.is_unit()).cloned());
                Some(map.keys().map(ToString::to_string).collect())
            }
            Some(list) if list.is_array() => texts_in(list),
            _ => call.texts(0),
        };
        if matches!(call.function.name, "drive" | "wait_for") && call.arguments.len() > 1 {
            levels.extend(call.arguments[1].iter().flatten().cloned());
        }
        let pins = Pins::new(board, all).map_err(|e| End::input(e.to_string(), ""));
        for name in self.count(names) {
            let found = (pins.as_ref().map_err(Clone::clone)).and_then(|pins| {
                let found = Spot::find(board, pins, &name);
                (found.map(|_| ())).map_err(|e| End::input(e.to_string(), e.help()))
            });
            self.hold(call, found);
        }
        for value in levels {
            self.hold(call, level(&value).map(|_| ()));
        }
        if call.function.name == "wait_for" {
            for value in call.arguments[2].iter().flatten() {
                self.hold(call, seconds(value).map(|_| ()));
            }
        }
    }
}

impl Call {
    /// The texts that an argument may be.
    fn texts(&self, at: usize) -> Option<Vec<String>> {
        let values = self.arguments.get(at)?.as_ref()?;
        values
            .iter()
            .map(|v| v.clone().into_string().ok())
            .collect()
    }

    /// The map of options, where the last argument is one.
    fn option_map(&self) -> Option<rhai::Map> {
        if self.function.options.is_empty() {
            return None;
        }
        let last = self.arguments.last()?.as_ref()?.first()?;
        last.as_map_ref().ok().map(|m| m.clone())
    }

    fn option_keys(&self) -> Vec<String> {
        let map = self.option_map().unwrap_or_default();
        map.keys().map(ToString::to_string).collect()
    }

    fn option(&self, name: &str) -> Option<Dynamic> {
        self.option_map()?.get(name).cloned()
    }
}

/// A text, or a list of texts; `None` where only a run can tell.
fn texts_in(value: &Dynamic) -> Option<Vec<String>> {
    if let Ok(list) = value.as_array_ref() {
        return list.iter().map(|v| v.clone().into_string().ok()).collect();
    }
    value.clone().into_string().ok().map(|text| vec![text])
}

fn no_method(by: &str) -> End {
    let names: Vec<&str> = Method::ALL.iter().map(|(_, n)| *n).collect();
    End::input(
        format!("there is no ring-out method {by}"),
        format!("the methods are {}", names.join(", ")),
    )
}

fn no_wire(board: &Board, wire: &str) -> End {
    End::input(
        format!("{} has no wire {wire}", board.name),
        "name wires by their labels in the harness file",
    )
}

fn device(board: &Board, name: &str) -> Result<DeviceIndex, End> {
    board.device(name).ok_or_else(|| {
        let names: Vec<&str> = board.devices.iter().map(|d| &*d.name).collect();
        End::input(
            format!("{} has no device {name}", board.name),
            format!("its devices are {}", names.join(", ")),
        )
    })
}

/// A file of serial vectors, read to its end without a chain.
fn vectors_file(board: &Board, path: &Path) -> Result<(), End> {
    let options = PlayOptions {
        limits: svf::Limits::default(),
        keep_going: true,
        compare: true,
        pads: ChainPads::default(),
        tck_hz: board.tck_limit_hz(true),
        inspect: None,
        locate: None,
        spares: &[],
    };
    match rehearse(open(path)?, &options) {
        (_, None) => Ok(()),
        (_, Some(error)) => Err(End::input(
            format!("{}: {error}", path.display()),
            error.help().unwrap_or("mend the file"),
        )),
    }
}

/// A table's names, cells and levels, as if the machine were off and every device there.
fn table(
    board: &Board,
    all: &[DeviceIndex],
    mission: &[DeviceIndex],
    path: &Path,
    file: &str,
) -> Result<(), End> {
    let conditions = Conditions {
        machine: MachinePower::Off,
        unplugged: true,
        ..Conditions::default()
    };
    let pins = Pins::beside(board, all, mission).map_err(|e| End::input(e.to_string(), ""))?;
    let guard =
        Guard::new(board, &pins, conditions).map_err(|r| End::input(r.to_string(), r.mend()))?;
    let reader = open(path)?;
    rehearse_table(board, &guard, &[], reader)
        .map(|_| ())
        .map_err(|e| End::table(file, &e, None))
}
