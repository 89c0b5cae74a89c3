//! `run --check`: every device, wire, pin and file that a script names in so many words, held against the board.

use std::path::PathBuf;

use rhai::{ASTNode, Dynamic, Expr, Position, Stmt};

use crate::board::{Board, DeviceIndex};
use crate::boundary::drive::{Spot, rehearse_table};
use crate::boundary::{Conditions, Guard, MachinePower, Pins};
use crate::load::Image;
use crate::ringout::Method;

use super::functions::NAMES;
use super::includes::{Includes, folder_of};
use super::state::{open, recipe_of};
use super::text::ScriptError;
use super::{End, Script};

/// Something that a script names and that is not there.
pub type Problem = ScriptError;

/// What was resolved.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Resolved {
    /// Calls of our functions.
    pub calls: usize,
    /// Names that were held against the board or the disk.
    pub names: usize,
    /// What is wrong, in the order of the script.
    pub problems: Vec<Problem>,
}

/// One call of one of our functions, with its literal arguments.
struct Call {
    name: String,
    at: Position,
    arguments: Vec<Option<Dynamic>>,
}

/// Holds a script against the board that it names. Touches no adapter and drives nothing.
pub fn check_script(script: &Script, allow: &[PathBuf]) -> Resolved {
    let mut resolved = Resolved::default();
    let calls = calls(script);
    resolved.calls = calls.len();
    let folder = folder_of(&script.path);
    let problem = |at: Position, end: End| {
        let mut problem = ScriptError::at(&script.path, &script.text, at, end.message);
        problem.help = end.help;
        problem
    };
    imports(script, allow, &mut resolved);
    let mut board: Option<Board> = None;
    for call in &calls {
        if call.name == "board" {
            if let Some(name) = call.text(0) {
                resolved.names += 1;
                match Board::load(folder.join(&name)) {
                    Ok(loaded) => board = Some(loaded),
                    Err(e) => {
                        let end = End::input(e.to_string(), "mend the board file");
                        resolved.problems.push(problem(call.at, end));
                    }
                }
            }
            continue;
        }
        let needs = matches!(
            call.name.as_str(),
            "ring_out" | "load" | "play" | "drive" | "release" | "sense" | "wait_for" | "vectors"
        );
        let Some(board) = board.as_ref().filter(|_| needs) else {
            if needs && !calls.iter().any(|c| c.name == "board") {
                let end = End::input(
                    format!("{} needs a board, and the script names none", call.name),
                    "say board(\"board.toml\") first",
                );
                resolved.problems.push(problem(call.at, end));
            }
            continue;
        };
        let (names, ends) = call.against(board, &folder);
        resolved.names += names;
        resolved
            .problems
            .extend(ends.into_iter().map(|end| problem(call.at, end)));
    }
    resolved
}

fn imports(script: &Script, allow: &[PathBuf], resolved: &mut Resolved) {
    let mut imports = Vec::new();
    script.ast.walk(&mut |path: &[ASTNode]| {
        if let Some(ASTNode::Stmt(Stmt::Import(import, at))) = path.last()
            && let Expr::StringConstant(name, _) = &import.0
        {
            imports.push((name.to_string(), *at));
        }
        true
    });
    for (name, at) in imports {
        resolved.names += 1;
        let found = Includes::new(&script.path, allow)
            .map_err(|e| e.to_string())
            .and_then(|i| i.find(&folder_of(&script.path), &name));
        if let Err(message) = found {
            let problem = ScriptError::at(&script.path, &script.text, at, message);
            resolved.problems.push(problem);
        }
    }
}

fn calls(script: &Script) -> Vec<Call> {
    let mut calls = Vec::new();
    script.ast.walk(&mut |path: &[ASTNode]| {
        let found = match path.last() {
            Some(ASTNode::Expr(Expr::FnCall(call, at))) => Some((call, at)),
            Some(ASTNode::Stmt(Stmt::FnCall(call, at))) => Some((call, at)),
            _ => None,
        };
        if let Some((call, at)) = found
            && NAMES.contains(&call.name.as_str())
        {
            calls.push(Call {
                name: call.name.to_string(),
                at: *at,
                arguments: call.args.iter().map(literal).collect(),
            });
        }
        true
    });
    calls.sort_by_key(|c| (c.at.line(), c.at.position()));
    calls.dedup_by_key(|c| c.at);
    calls
}

/// The value of an expression that says it in so many words.
fn literal(expr: &Expr) -> Option<Dynamic> {
    if let Expr::Map(map, _) = expr {
        // Keys always are literal; values that are not stay out.
        let entries = map
            .0
            .iter()
            .filter_map(|(k, v)| Some((k.name.as_str().into(), literal(v)?)));
        return Some(Dynamic::from(entries.collect::<rhai::Map>()));
    }
    if let Expr::Array(list, _) = expr {
        let values: rhai::Array = list.iter().filter_map(literal).collect();
        return Some(values.into());
    }
    expr.get_literal_value(None)
}

impl Call {
    fn text(&self, at: usize) -> Option<String> {
        self.arguments.get(at)?.clone()?.into_string().ok()
    }

    /// A text of the options map in the last argument.
    fn option(&self, name: &str) -> Option<Dynamic> {
        let map = self.arguments.last()?.as_ref()?;
        map.as_map_ref().ok()?.get(name).cloned()
    }

    fn options(&self, name: &str) -> Vec<String> {
        let Some(value) = self.option(name) else {
            return Vec::new();
        };
        if let Ok(list) = value.as_array_ref() {
            return list
                .iter()
                .filter_map(|v| v.clone().into_string().ok())
                .collect();
        }
        value.into_string().into_iter().collect()
    }

    /// How many names were looked at, and what is wrong with them.
    fn against(&self, board: &Board, folder: &std::path::Path) -> (usize, Vec<End>) {
        let mut ends = Vec::new();
        let mut names = 0;
        let mut hold = |result: Result<(), End>| {
            names += 1;
            ends.extend(result.err());
        };
        let all: Vec<DeviceIndex> = (0..board.devices.len()).map(DeviceIndex).collect();
        let device = |name: &str| {
            board.device(name).ok_or_else(|| {
                let names: Vec<&str> = board.devices.iter().map(|d| &*d.name).collect();
                End::input(
                    format!("{} has no device {name}", board.name),
                    format!("its devices are {}", names.join(", ")),
                )
            })
        };
        let spot = |name: &str| {
            let pins = Pins::new(board, &all).map_err(|e| End::input(e.to_string(), ""))?;
            let found = Spot::find(board, &pins, name);
            found
                .map(|_| ())
                .map_err(|e| End::input(e.to_string(), e.help()))
        };
        match self.name.as_str() {
            "ring_out" => {
                for by in self.options("by") {
                    let known = Method::named(&by).map(|_| ());
                    hold(known.ok_or_else(|| {
                        let names: Vec<&str> = Method::ALL.iter().map(|(_, n)| *n).collect();
                        End::input(
                            format!("there is no ring-out method {by}"),
                            format!("the methods are {}", names.join(", ")),
                        )
                    }));
                }
                for wire in self.options("wires") {
                    let known = board.wire(&wire).map(|_| ());
                    hold(known.ok_or_else(|| {
                        End::input(format!("{} has no wire {wire}", board.name), "")
                    }));
                }
            }
            "load" => {
                if let Some(name) = self.text(0) {
                    let recipe = self.options("recipe").pop().map(|r| folder.join(r));
                    hold(
                        device(&name)
                            .and_then(|d| recipe_of(board, d, recipe.as_deref()).map(|_| ())),
                    );
                }
                if let Some(image) = self.text(1) {
                    let opened = Image::open(folder.join(image)).map(|_| ());
                    hold(opened.map_err(|e| End::input(e.to_string(), "name the raw image")));
                }
            }
            "play" => {
                if let Some(file) = self.text(0) {
                    hold(open(&folder.join(file)).map(|_| ()));
                }
                for name in self.options("device") {
                    hold(device(&name).map(|_| ()));
                }
            }
            "drive" | "release" | "sense" | "wait_for" => {
                let mut written: Vec<String> = self.text(0).into_iter().collect();
                if let Some(Some(first)) = self.arguments.first() {
                    if let Ok(map) = first.as_map_ref() {
                        written.extend(map.keys().map(ToString::to_string));
                    }
                    if let Ok(list) = first.as_array_ref() {
                        written.extend(list.iter().filter_map(|v| v.clone().into_string().ok()));
                    }
                }
                for name in written {
                    hold(spot(&name));
                }
            }
            "vectors" => {
                let mission: Result<Vec<_>, _> =
                    self.options("mission").iter().map(|n| device(n)).collect();
                if let Some(file) = self.text(0) {
                    hold(mission.and_then(|m| table(board, &all, &m, folder, &file)));
                }
            }
            _ => {}
        }
        (names, ends)
    }
}

/// A table's names, cells and levels, as if the machine were off and every device there.
fn table(
    board: &Board,
    all: &[DeviceIndex],
    mission: &[DeviceIndex],
    folder: &std::path::Path,
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
    let reader = open(&folder.join(file))?;
    rehearse_table(board, &guard, &[], reader)
        .map(|_| ())
        .map_err(|e| End::table(file, &e, None))
}
