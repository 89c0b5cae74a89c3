//! The calls of a script and of what it imports, with what can be said of their arguments without running it.

use std::collections::BTreeMap;
use std::ops::{Range, RangeInclusive};
use std::path::{Path, PathBuf};
use std::rc::Rc;

use rhai::{ASTNode, Dynamic, Expr, INT, Position, Stmt};

use super::super::functions::{FUNCTIONS, Function};
use super::super::includes::{Includes, folder_of};
use super::super::run::{Setting, engine_for_syntax};
use super::super::text::{Script, ScriptError, read};

/// What an expression may be: each value that it may have, or `None` if only a run can tell.
pub(super) type Said = Option<Vec<Dynamic>>;

/// Values that one expression may have; more are not followed.
const MOST_VALUES: usize = 1000;

/// One call of one of our functions.
pub(super) struct Call {
    pub(super) file: Rc<Script>,
    pub(super) function: &'static Function,
    pub(super) at: Position,
    pub(super) arguments: Vec<Said>,
}

/// What a script calls.
#[derive(Default)]
pub(super) struct Calls {
    /// In the order of the text; what an import brings stands where it is imported.
    pub(super) calls: Vec<Call>,
    /// Imports that were looked up.
    pub(super) imports: usize,
    /// Imports that only a run can tell.
    pub(super) unsaid: usize,
    /// The script and what it imports.
    pub(super) files: Vec<PathBuf>,
    pub(super) problems: Vec<ScriptError>,
}

/// Finds the calls of a script and of everything that it imports.
pub(super) fn calls_of(script: &Script, allow: &[PathBuf], settings: &[Setting]) -> Calls {
    let mut calls = Calls::default();
    match Includes::new(&script.path, allow) {
        Ok(includes) => {
            let mut reader = Reader {
                includes,
                settings,
                seen: Vec::new(),
                open: Vec::new(),
            };
            reader.read(script, &mut calls);
        }
        Err(e) => calls.problems.push(ScriptError::whole(
            &script.path,
            e.to_string(),
            "name a folder that is there",
        )),
    }
    calls
}

struct Reader<'a> {
    includes: Includes,
    settings: &'a [Setting],
    /// Imported files, looked at once.
    seen: Vec<PathBuf>,
    /// Files that are being imported now.
    open: Vec<PathBuf>,
}

/// Something in a script that is worth looking at.
enum Spot {
    Call(&'static Function, Vec<Said>),
    Import(Said),
    Problem(String, String),
}

impl Reader<'_> {
    fn read(&mut self, script: &Script, calls: &mut Calls) {
        let file = Rc::new(script.clone());
        calls.files.push(script.path.clone());
        let known = Known::of(script, self.settings);
        let mut spots = spots(script, &known);
        spots.sort_by_key(|(at, _)| (at.line(), at.position()));
        for (at, spot) in spots {
            let problem = |message: String, help: String| {
                let mut problem = ScriptError::at(&file.path, &file.text, at, message);
                problem.help = help;
                problem
            };
            match spot {
                Spot::Call(function, arguments) => calls.calls.push(Call {
                    file: file.clone(),
                    function,
                    at,
                    arguments,
                }),
                Spot::Problem(message, help) => calls.problems.push(problem(message, help)),
                Spot::Import(None) => calls.unsaid += 1,
                Spot::Import(Some(names)) => {
                    for name in names {
                        calls.imports += 1;
                        let name = name.to_string();
                        if let Err(message) = self.import(&file.path, &name, calls) {
                            calls.problems.push(problem(message, String::new()));
                        }
                    }
                }
            }
        }
    }

    fn import(&mut self, from: &Path, name: &str, calls: &mut Calls) -> Result<(), String> {
        let path = self.includes.find(&folder_of(from), name)?;
        if self.open.contains(&path) {
            return Err(format!("{} is imported within itself", path.display()));
        }
        if self.seen.contains(&path) {
            return Ok(());
        }
        self.seen.push(path.clone());
        let text = read(&path).map_err(|e| e.to_string())?;
        match Script::compile(&path, text, &engine_for_syntax()) {
            Ok(script) => {
                self.open.push(path);
                self.read(&script, calls);
                self.open.pop();
            }
            Err(error) => calls.problems.push(error),
        }
        Ok(())
    }
}

fn spots(script: &Script, known: &Known<'_>) -> Vec<(Position, Spot)> {
    let own: Vec<&str> = script.ast.iter_functions().map(|f| f.name).collect();
    let mut spots: Vec<(Position, Spot)> = Vec::new();
    script.ast.walk(&mut |path: &[ASTNode]| {
        let (call, at) = match path.last() {
            Some(ASTNode::Expr(Expr::FnCall(call, at))) => (call, *at),
            Some(ASTNode::Stmt(Stmt::FnCall(call, at))) => (call, *at),
            Some(ASTNode::Stmt(Stmt::Import(import, at))) => {
                spots.push((*at, Spot::Import(known.said(&import.0))));
                return true;
            }
            _ => return true,
        };
        // A call within a module's namespace is the module's own affair, and its text is looked at.
        if call.is_qualified() || own.contains(&call.name.as_str()) {
            return true;
        }
        let name = call.name.as_str();
        let spot = match FUNCTIONS.iter().find(|f| f.name == name) {
            Some(function) if function.takes.contains(&call.args.len()) => {
                let arguments = call.args.iter().map(|a| known.said(a)).collect();
                Some(Spot::Call(function, arguments))
            }
            Some(function) => Some(Spot::Problem(
                format!(
                    "{name} takes {} arguments, not {}",
                    counted(&function.takes),
                    call.args.len()
                ),
                format!("as {}", function.example),
            )),
            None => misspelt(name).map(|function| {
                Spot::Problem(
                    format!("there is no function {name}"),
                    format!("did you mean {}?", function.name),
                )
            }),
        };
        spots.extend(spot.map(|s| (at, s)));
        true
    });
    spots.sort_by_key(|(at, _)| (at.line(), at.position()));
    spots.dedup_by_key(|(at, _)| *at);
    spots
}

fn counted(takes: &RangeInclusive<usize>) -> String {
    match takes.start() == takes.end() {
        true => takes.start().to_string(),
        false => format!("{} to {}", takes.start(), takes.end()),
    }
}

/// One of our functions that a name looks like.
fn misspelt(name: &str) -> Option<&'static Function> {
    let bare = |n: &str| n.replace('_', "").to_lowercase();
    (FUNCTIONS.iter())
        .find(|f| bare(f.name) == bare(name))
        .or_else(|| {
            let alike = |f: &&Function| strsim::jaro_winkler(f.name, name) > 0.93;
            FUNCTIONS.iter().find(alike)
        })
}

/// Variables whose values can be told: bound once, never changed.
struct Known<'a> {
    values: BTreeMap<String, Said>,
    settings: &'a [Setting],
}

impl<'a> Known<'a> {
    fn of(script: &Script, settings: &'a [Setting]) -> Self {
        let mut known = Known {
            values: BTreeMap::new(),
            settings,
        };
        for function in script.ast.iter_functions() {
            for parameter in &function.params {
                known.values.insert(parameter.to_string(), None);
            }
        }
        let mut changed: Vec<String> = Vec::new();
        script.ast.walk(&mut |path: &[ASTNode]| {
            match path.last() {
                Some(ASTNode::Stmt(Stmt::Var(var, ..))) => {
                    let said = known.said(&var.1);
                    known.bind(&var.0.name, said);
                }
                Some(ASTNode::Stmt(Stmt::For(what, _))) => {
                    let said = known.said(&what.2.expr).and_then(|v| elements(&v));
                    known.bind(&what.0.name, said);
                    if let Some(counter) = &what.1 {
                        known.bind(&counter.name, None);
                    }
                }
                Some(ASTNode::Stmt(Stmt::Assignment(assignment))) => {
                    changed.extend(root(&assignment.1.lhs));
                }
                // A method may change what it is called on.
                Some(ASTNode::Expr(Expr::Dot(dot, ..))) => changed.extend(root(&dot.lhs)),
                _ => {}
            }
            true
        });
        for name in changed {
            known.values.insert(name, None);
        }
        known
    }

    fn bind(&mut self, name: &str, said: Said) {
        // A name that is bound twice is two variables; which one is meant somewhere is not followed.
        match self.values.get(name) {
            None => self.values.insert(name.to_owned(), said),
            Some(_) => self.values.insert(name.to_owned(), None),
        };
    }

    /// What an expression may be.
    fn said(&self, expr: &Expr) -> Said {
        let said = match expr {
            Expr::Variable(variable, ..) if variable.2.is_empty() => {
                self.values.get(variable.1.as_str()).cloned().flatten()
            }
            Expr::FnCall(call, _) if call.name == "setting" && call.args.len() == 2 => {
                let name = self.said(&call.args[0])?.pop()?.into_string().ok()?;
                match self.settings.iter().rev().find(|s| s.name == name) {
                    Some(set) => Some(vec![set.value.clone().into()]),
                    None => self.said(&call.args[1]),
                }
            }
            Expr::FnCall(call, _) if call.name == "+" && call.args.len() == 2 => {
                self.joined(&call.args)
            }
            Expr::InterpolatedString(parts, _) => self.joined(parts),
            // Keys always are literal; a value that only a run can tell is left empty.
            Expr::Map(map, _) => {
                let entries = map.0.iter().map(|(key, value)| {
                    let value = self.said(value).and_then(|mut v| v.pop());
                    (key.name.as_str().into(), value.unwrap_or(Dynamic::UNIT))
                });
                Some(vec![Dynamic::from(entries.collect::<rhai::Map>())])
            }
            Expr::Array(list, _) => {
                let values = list.iter().map(|e| {
                    self.said(e)
                        .and_then(|mut v| v.pop())
                        .unwrap_or(Dynamic::UNIT)
                });
                Some(vec![values.collect::<rhai::Array>().into()])
            }
            other => other.get_literal_value(None).map(|v| vec![v]),
        };
        said.filter(|values| values.len() <= MOST_VALUES)
    }

    /// Texts put together: each with each.
    fn joined(&self, parts: &[Expr]) -> Said {
        let mut texts = vec![String::new()];
        for part in parts {
            let values = self.said(part)?;
            if texts.len() * values.len() > MOST_VALUES {
                return None;
            }
            texts = (texts.iter())
                .flat_map(|t| values.iter().map(move |v| format!("{t}{v}")))
                .collect();
        }
        Some(texts.into_iter().map(Dynamic::from).collect())
    }
}

/// What a loop over one of these values goes through.
fn elements(values: &[Dynamic]) -> Said {
    let mut all = Vec::new();
    for value in values {
        if let Ok(list) = value.as_array_ref() {
            all.extend(list.iter().cloned());
        } else if let Some(range) = value.clone().try_cast::<Range<INT>>() {
            all.extend(range.take(MOST_VALUES + 1).map(Dynamic::from));
        } else if let Some(range) = value.clone().try_cast::<RangeInclusive<INT>>() {
            all.extend(range.take(MOST_VALUES + 1).map(Dynamic::from));
        } else {
            return None;
        }
    }
    Some(all).filter(|a| a.len() <= MOST_VALUES)
}

/// The variable that an expression begins with.
fn root(expr: &Expr) -> Option<String> {
    match expr {
        Expr::Variable(variable, ..) => Some(variable.1.to_string()),
        Expr::Dot(binary, ..) | Expr::Index(binary, ..) => root(&binary.lhs),
        _ => None,
    }
}
