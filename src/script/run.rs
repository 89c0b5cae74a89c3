//! Running a script: the language with its limits, one session for the whole, the board left safe at the end.

use std::cell::RefCell;
use std::path::PathBuf;
use std::rc::Rc;
use std::time::{Duration, Instant};

use rhai::{Dynamic, Engine, EvalAltResult, Scope};

use crate::board::Board;
use crate::boundary::Conditions;
use crate::session::{Cancel, Left, Place, Session};

use super::functions::{FUNCTIONS, register};
use super::includes::{Includes, folder_of};
use super::state::State;
use super::steps::{Listener, ScriptRun};
use super::text::{innermost, lower};
use super::{End, EndKind, Script, ScriptError};

/// What a script may use up.
#[derive(Debug, Clone, Copy)]
pub struct Limits {
    /// Operations of the language: loops end here.
    pub operations: u64,
    /// Functions within functions.
    pub call_depth: usize,
    /// Longest text, in bytes.
    pub text: usize,
    /// Longest list, and most entries of a map.
    pub list: usize,
    /// Longest run by the clock.
    pub time: Duration,
}

impl Default for Limits {
    /// Ten million operations, 32 levels, 1 MiB of text, 100,000 entries, one hour.
    fn default() -> Self {
        Limits {
            operations: 10_000_000,
            call_depth: 32,
            text: 1024 * 1024,
            list: 100_000,
            time: Duration::from_secs(3600),
        }
    }
}

/// A setting from outside: what `setting(name, default)` gives.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Setting {
    /// Its name.
    pub name: String,
    /// Its value, as text.
    pub value: String,
}

/// What a script runs with.
#[derive(Debug, Clone)]
pub struct Setup {
    /// What stands at the other end.
    pub place: Place,
    /// Records every clock in this file.
    pub trace: Option<PathBuf>,
    /// The wish to stop.
    pub cancel: Cancel,
    /// What was said about the bench.
    pub conditions: Conditions,
    /// Settings from outside.
    pub settings: Vec<Setting>,
    /// Folders beside the script's own that imports may come from.
    pub allow: Vec<PathBuf>,
    /// What it may use up.
    pub limits: Limits,
    /// Whether the harness of the board file with this hash was proven in an earlier run; simulated runs prove nothing about
    /// a real harness, and are asked for apart.
    pub proven: fn(board_hash: &str, simulated: bool) -> bool,
}

/// A script on one adapter session, run once or again and again.
pub struct Bringup {
    state: Rc<RefCell<State>>,
}

/// Limits on the text, also where nothing is run.
pub(super) fn engine_for_syntax() -> Engine {
    let mut engine = Engine::new();
    engine.set_max_expr_depths(64, 32);
    engine.disable_symbol("eval");
    engine
}

impl Bringup {
    /// A bring-up with this setup; `script` tells where its file names count from. Nothing is opened yet.
    pub fn new(setup: Setup, script: &Script, listener: Box<dyn Listener>) -> Self {
        let folder = folder_of(&script.path);
        Bringup {
            state: Rc::new(RefCell::new(State::new(setup, folder, listener))),
        }
    }

    /// Runs the script. Whatever ends it, no pin is driven by boundary scan afterwards, as far as the adapter lets it;
    /// the session stays open for the next run.
    pub fn run(&mut self, script: &Script) -> ScriptRun {
        let began = Instant::now();
        self.state.borrow_mut().begin_again();
        let outcome = match self.engine(script, began) {
            Ok(engine) => {
                let mut scope = Scope::new();
                engine.run_ast_with_scope(&mut scope, &script.ast)
            }
            Err(error) => {
                self.state.borrow_mut().end = Some(error.end());
                Ok(())
            }
        };
        let mut state = self.state.borrow_mut();
        if let Err(error) = outcome {
            let end = self.end_of(script, &error, &mut state);
            state.end = Some(end);
        }
        // What is still driven is released in good order; after a lost adapter there is nobody to ask.
        if let Err(end) = state.let_go() {
            state.end.get_or_insert(end);
        }
        ScriptRun {
            steps: std::mem::take(&mut state.steps),
            recorded: std::mem::take(&mut state.recorded),
            end: state.end.take(),
            wall_seconds: began.elapsed().as_secs_f64(),
        }
    }

    /// The board that the last run named.
    pub fn board(&self) -> Option<Rc<Board>> {
        self.state.borrow().declared()
    }

    /// Leaves the board: Test-Logic-Reset, the adapter's lines released. `None` if nothing was ever opened.
    pub fn leave(&mut self) -> Option<Left> {
        self.state.borrow_mut().session.as_mut().map(Session::leave)
    }

    /// Looks at the session, if one was opened.
    pub fn with_session<T>(&self, look: impl FnOnce(&Session) -> T) -> Option<T> {
        self.state.borrow().session.as_ref().map(look)
    }

    fn engine(&self, script: &Script, began: Instant) -> Result<Engine, ScriptError> {
        let state = self.state.borrow();
        let limits = state.setup.limits;
        let mut engine = engine_for_syntax();
        engine.set_max_operations(limits.operations);
        engine.set_max_call_levels(limits.call_depth);
        engine.set_max_string_size(limits.text);
        engine.set_max_array_size(limits.list);
        engine.set_max_map_size(limits.list);
        engine.set_max_variables(10_000);
        engine.set_max_functions(1000);
        engine.set_max_modules(100);
        let includes = Includes::new(&script.path, &state.setup.allow).map_err(|e| {
            ScriptError::whole(&script.path, e.to_string(), "name a folder that is there")
        })?;
        engine.set_module_resolver(includes);
        let cancel = state.setup.cancel.clone();
        engine.on_progress(move |_| {
            let over = began.elapsed() > limits.time;
            (over || cancel.asked().is_some()).then(|| Dynamic::from(over))
        });
        // What the language itself would print goes where `say` goes.
        let out = Rc::clone(&self.state);
        engine.on_print(move |text| {
            if let Ok(mut state) = out.try_borrow_mut() {
                state.listener.said(text);
            }
        });
        engine.on_debug(|_, _, _| {});
        register(&mut engine, &self.state);
        Ok(engine)
    }

    /// How an error of the language ends the run: by what a function of ours left behind, else by the language's own words.
    fn end_of(&self, script: &Script, error: &EvalAltResult, state: &mut State) -> End {
        let (inner, source) = innermost(error);
        let position = inner.position();
        let (path, text) = match source.filter(|s| *s != script.path.display().to_string()) {
            Some(module) => {
                let path = PathBuf::from(module);
                let text = super::text::read(&path).unwrap_or_default();
                (path, text)
            }
            None => (script.path.clone(), script.text.clone()),
        };
        let place = ScriptError::at(&path, &text, position, String::new());
        if let Some(end) = state.end.take() {
            return match end.kind {
                EndKind::Stopped(_) => end,
                _ => end.placed(&place),
            };
        }
        if let Some(stop) = state.stop() {
            return End::stopped(stop);
        }
        let limits = state.setup.limits;
        let names: Vec<&str> = FUNCTIONS.iter().map(|f| f.name).collect();
        let names = format!("functions of a board are {}", names.join(", "));
        let (message, help) = match inner {
            EvalAltResult::ErrorTooManyOperations(_) => (
                format!(
                    "the script was stopped after {} operations",
                    limits.operations
                ),
                "does a loop have no end? --max-operations N allows more",
            ),
            EvalAltResult::ErrorTerminated(..) => (
                format!("the script was stopped after {} s", limits.time.as_secs()),
                "--max-seconds N allows more",
            ),
            EvalAltResult::ErrorStackOverflow(_) => (
                format!(
                    "functions call each other more than {} deep",
                    limits.call_depth
                ),
                "does a function call itself without end?",
            ),
            EvalAltResult::ErrorDataTooLarge(what, _) => (
                format!("{} is larger than scripts may make it", lower(what)),
                "texts have at most 1 MiB, lists and maps 100,000 entries",
            ),
            EvalAltResult::ErrorFunctionNotFound(signature, _) => {
                (format!("there is no function {signature}"), names.as_str())
            }
            EvalAltResult::ErrorRuntime(said, _) => (lower(&said.to_string()), ""),
            other => {
                let mut other = other.to_string();
                // The place is said in our manner.
                if let Some(at) = other.rfind(" (line ") {
                    other.truncate(at);
                }
                (lower(&other), "")
            }
        };
        End::new(EndKind::Input, message, help).placed(&place)
    }
}

impl Drop for Bringup {
    /// Also when the stack unwinds.
    fn drop(&mut self) {
        if let Ok(mut state) = self.state.try_borrow_mut() {
            let _ = state.let_go();
        }
        self.leave_quietly();
    }
}

impl Bringup {
    fn leave_quietly(&mut self) {
        if let Ok(mut state) = self.state.try_borrow_mut()
            && let Some(session) = state.session.as_mut()
        {
            session.leave();
        }
    }
}
