//! `taploom run SCRIPT`.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::time::Duration;

use notify::{RecursiveMode, Watcher};
use serde_json::{Value, json};

use crate::board::Board;
use crate::boundary::Conditions;
use crate::report::{self, RunStatistics};
use crate::ringout::{RingOut, Untested, WireVerdict};
use crate::script::{
    Bringup, End, EndKind, Limits, Listener, Script, ScriptError, ScriptRun, Setting, Setup, Step,
    StepResult, check_script,
};
use crate::session::{Cancel, Left, keep_last_good, write_whole};
use crate::tap::Port;

use super::args::Run;
use super::ringout::{CAUTIONS, machine};
use super::work::{add_fields, place_of};
use super::{Context, Exit, Failed, Failure, Outcome, conclude, out, outputs};

pub(super) fn run(context: &Context, arguments: &Run) -> Result<Outcome, Failed> {
    let script = Script::open(&arguments.script).map_err(|e| wrong_script(&e))?;
    if arguments.check || context.common.dry {
        return check(&script, arguments);
    }
    let setup = setup(context, arguments, &script)?;
    if arguments.on_change {
        return on_change(context, arguments, &setup);
    }
    several(context, arguments, &setup, &script, true, &mut Vec::new())
}

/// Runs a script once and tells its steps only at the end, as part of the outcome's text.
pub(super) fn told_at_the_end(context: &Context, arguments: &Run) -> Result<Outcome, Failed> {
    let script = Script::open(&arguments.script).map_err(|e| wrong_script(&e))?;
    let setup = setup(context, arguments, &script)?;
    several(context, arguments, &setup, &script, false, &mut Vec::new())
}

fn settings(arguments: &Run) -> Result<Vec<Setting>, Failure> {
    let settings = arguments.set.iter().map(|text| match text.split_once('=') {
        Some((name, value)) if !name.trim().is_empty() => Ok(Setting {
            name: name.trim().to_owned(),
            value: value.to_owned(),
        }),
        _ => Err(Failure::input("usage", format!("{text:?} sets nothing"))
            .help("write --set NAME=VALUE")),
    });
    settings.collect()
}

fn setup(context: &Context, arguments: &Run, script: &Script) -> Result<Setup, Failed> {
    let defaults = Limits::default();
    let setup = Setup {
        place: place_of(&context.common),
        trace: context.common.trace.clone(),
        cancel: context.cancel.clone(),
        conditions: Conditions {
            machine: machine(context.common.machine),
            unplugged: arguments.unplugged,
            ..Conditions::default()
        },
        settings: settings(arguments)?,
        allow: arguments.allow_path.clone(),
        limits: Limits {
            operations: arguments.max_operations.unwrap_or(defaults.operations),
            time: arguments
                .max_seconds
                .map_or(defaults.time, Duration::from_secs),
            ..defaults
        },
        proven: super::load::proven,
    };
    let read = check_script(script, &setup.allow, &setup.settings).files;
    let mut read: Vec<&Path> = read.iter().map(PathBuf::as_path).collect();
    read.push(&arguments.script);
    context.outputs_ready(None, &read)?;
    if let Some(path) = &arguments.junit {
        outputs::ready("--junit", path, &read)?;
    }
    Ok(setup)
}

/// Runs the script as often as asked, on one session; also tells which files it used.
fn several(
    context: &Context,
    arguments: &Run,
    setup: &Setup,
    script: &Script,
    live: bool,
    used: &mut Vec<PathBuf>,
) -> Result<Outcome, Failed> {
    let shown = arguments.script.display().to_string();
    let teller = Teller {
        yes: context.common.yes,
        quiet: context.common.quiet,
        json: context.common.json || !live,
        cancel: context.cancel.clone(),
    };
    let mut bringup = Bringup::new(setup.clone(), script, Box::new(teller));
    let most = match (arguments.repeat, arguments.until_fail) {
        (Some(n), _) => n,
        (None, true) => u64::MAX,
        (None, false) => 1,
    };
    let mut statistics = RunStatistics::default();
    // The run that is told: the first that did not pass, else the last.
    let mut told: Option<ScriptRun> = None;
    while statistics.runs < most {
        let run = bringup.run(script);
        statistics.take(&run);
        let (bad, ended) = (!run.passed(), ends_everything(run.end.as_ref()));
        if told.as_ref().is_none_or(ScriptRun::passed) {
            told = Some(run);
        }
        if ended || (bad && arguments.until_fail) {
            break;
        }
    }
    let run = told.expect("at least one run");
    let board = bringup.board();
    used.extend(files_of(script, &run));
    let left = bringup.leave();
    let mut fields = report::run_fields(&shown, &run, board.as_deref());
    let repeated = arguments.repeat.is_some() || arguments.until_fail;
    if repeated {
        add_fields(&mut fields, json!({ "repeats": statistics.value() }));
    }
    let simulated = bringup.with_session(|session| {
        let witness = session.witness()?;
        Some(report::simulated_value(witness, &session.traffic()))
    });
    if let Some(value) = simulated.flatten() {
        add_fields(&mut fields, json!({ "simulated": value }));
    }
    if let Some(path) = &arguments.junit {
        let document = report::junit(&shown, &run).map_err(|e| Failure::input("file", e))?;
        write_whole(path, document.as_bytes())
            .map_err(|e| Failure::input("file", e.to_string()))?;
    }
    let seen = bringup
        .with_session(|s| s.witness().map(|w| w.seen()))
        .flatten();
    let fought = seen.filter(|seen| seen.fight_count > 0);
    let all_passed = statistics.passed == statistics.runs && fought.is_none();
    let result = ended(&run, all_passed, left, fields, &|| {
        let mut text = report::run_text(&shown, &run, board.as_deref());
        if !live {
            let lines: Vec<String> = run.steps.iter().map(report::step_line).collect();
            text = lines.join("\n") + "\n" + &*text;
        }
        if repeated {
            text.push_str(&statistics.text());
        }
        if let Some(seen) = &fought {
            text.push_str(&report::fights_text(seen));
        }
        text
    });
    let label = bringup.with_session(|s| (s.label().to_owned(), !s.is_real()));
    // The demo, which is told at its end, proves nobody's harness.
    if let (true, Some(board), Some((label, simulated))) = (live, &board, &label) {
        keep_proven(context, &run, board, label, *simulated);
    }
    if let (Some(path), Some(board)) = (&context.common.record, &board) {
        let (exit, fields) = match &result {
            Ok(outcome) => (outcome.exit, &outcome.fields),
            Err(failed) => (failed.failure.exit, &failed.fields),
        };
        let document = report::document("run", exit.code(), fields.clone());
        let (label, simulated) = label.unwrap_or_default();
        let record = report::record_document(&document, board, &label, simulated, run.wall_seconds);
        write_whole(path, (super::pretty(&record) + "\n").as_bytes())
            .map_err(|e| Failure::input("file", e.to_string()))?;
    }
    result
}

/// Whether the next repetition makes no sense: only findings are worth another try.
fn ends_everything(end: Option<&End>) -> bool {
    end.is_some_and(|e| e.kind != EndKind::Finding)
}

fn ended(
    run: &ScriptRun,
    all_passed: bool,
    left: Option<Left>,
    fields: Value,
    text: &dyn Fn() -> String,
) -> Result<Outcome, Failed> {
    let warning = left.as_ref().map_or("", Left::warning);
    let end = run.end.as_ref().filter(|e| e.kind != EndKind::Finding);
    let Some(end) = end else {
        if !warning.is_empty() {
            return Err(Failed {
                failure: Failure::leaving().also(warning).into(),
                fields,
            });
        }
        let exit = match all_passed {
            true => Exit::Good,
            false => Exit::Finding,
        };
        return Ok(Outcome {
            exit,
            fields,
            text: text(),
        });
    };
    let (exit, kind) = match end.kind {
        EndKind::Finding => (Exit::Finding, "finding"),
        EndKind::Input => (Exit::Input, "script"),
        EndKind::Port => (Exit::Port, "chain"),
        EndKind::Refused => (Exit::Refused, "refused"),
        EndKind::Stopped(stop) => (stop.into(), "stopped"),
    };
    let safe = match left {
        Some(Left::Safe) => {
            "the test logic is in Test-Logic-Reset and the adapter's lines are released: the devices do what their own designs say"
        }
        Some(Left::Unknown) => warning,
        None => "nothing was driven",
    };
    let failure = Failure {
        exit,
        kind,
        message: end.told(),
        help: Some(end.help.clone()).filter(|h| !h.is_empty()),
    };
    Err(Failed {
        failure: failure.also(safe).into(),
        fields,
    })
}

fn wrong_script(error: &ScriptError) -> Failure {
    let mut failure = Failure::input("script", error.to_string());
    failure.help = Some(error.help.clone()).filter(|h| !h.is_empty());
    failure
}

fn check(script: &Script, arguments: &Run) -> Result<Outcome, Failed> {
    let resolved = check_script(script, &arguments.allow_path, &settings(arguments)?);
    let problems: Vec<Value> = (resolved.problems.iter())
        .map(|p| {
            json!({
                "file": p.path.display().to_string(),
                "line": p.at.map(|(l, _)| l), "column": p.at.map(|(_, c)| c), "source": p.source,
                "message": p.message, "help": Some(&p.help).filter(|h| !h.is_empty()),
            })
        })
        .collect();
    let fields = json!({
        "script": arguments.script.display().to_string(),
        "calls": resolved.calls, "names": resolved.names, "imports": resolved.imports,
        "names_only_a_run_can_tell": resolved.unsaid, "problems": problems,
    });
    if resolved.problems.is_empty() {
        let mut text = format!(
            "{}: {}, {} held against board and disk, all there; nothing was touched\n",
            arguments.script.display(),
            report::plural(resolved.calls, "call"),
            report::plural(resolved.names, "name"),
        );
        if resolved.unsaid > 0 {
            let unsaid = report::plural(resolved.unsaid, "name");
            text.push_str(&format!(
                "{unsaid} more that only a run can tell: the run looks at them when it comes to them\n"
            ));
        }
        return Ok(Outcome {
            exit: Exit::Good,
            fields,
            text,
        });
    }
    let lines: Vec<String> = (resolved.problems.iter())
        .map(|p| match p.help.as_str() {
            "" => p.to_string(),
            help => format!("{p}\n  mend: {help}"),
        })
        .collect();
    Err(Failed {
        failure: Failure::input("script", lines.join("\n")).into(),
        fields,
    })
}

/// The files that a run used by names of its own making.
fn files_of(script: &Script, run: &ScriptRun) -> Vec<PathBuf> {
    let folder = script.path.parent().unwrap_or(Path::new("."));
    let file = |step: &Step| match &step.result {
        StepResult::Load(loading) => Some(folder.join(&loading.image)),
        StepResult::Play { file, .. } | StepResult::Vectors { file, .. } => Some(folder.join(file)),
        _ => None,
    };
    run.steps.iter().filter_map(file).collect()
}

/// Runs again whenever the script or a file that it names has changed, until somebody stops it.
fn on_change(context: &Context, arguments: &Run, setup: &Setup) -> Result<Outcome, Failed> {
    // What was named once stays looked at: while a file is being mended, its board may be unreadable.
    let mut files = BTreeSet::from([arguments.script.clone()]);
    loop {
        let script = Script::open(&arguments.script);
        if let Ok(script) = &script {
            files.extend(check_script(script, &setup.allow, &setup.settings).files);
        }
        // What changes while the script runs counts as well.
        let mut watching = watch(&files)?;
        let mut used = Vec::new();
        let ran = script
            .map_err(|e| Failed::from(wrong_script(&e)))
            .and_then(|script| several(context, arguments, setup, &script, true, &mut used));
        match ran {
            Err(failed) if stopped(&failed) => return Err(failed),
            ran => tell(context, ran),
        }
        let before = files.len();
        files.extend(used);
        if files.len() != before {
            watching = watch(&files)?;
        }
        context.note(&format!(
            "waiting for a change of {}; Ctrl-C ends",
            report::plural(files.len(), "file")
        ));
        wait_for_change(context, &watching.1)?;
    }
}

fn wait_for_change(context: &Context, changes: &Receiver<()>) -> Result<(), Failed> {
    loop {
        if let Some(stop) = context.cancel.asked() {
            let failure = Failure {
                exit: stop.into(),
                kind: "stopped",
                message: "stopped while waiting for a change; nothing was driven".into(),
                help: None,
            };
            return Err(failure.into());
        }
        match changes.recv_timeout(Duration::from_millis(100)) {
            Ok(()) => break,
            Err(RecvTimeoutError::Timeout) => {}
            Err(RecvTimeoutError::Disconnected) => {
                let failure = Failure::input("file", "the system stopped telling of changes");
                return Err(failure.into());
            }
        }
    }
    // An editor writes in several steps: what follows at once belongs to the same change.
    while changes.recv_timeout(Duration::from_millis(200)).is_ok() {}
    Ok(())
}

/// Tells one run of several: as ever, but with `--json` in one line, so that each line is a document.
fn tell(context: &Context, result: Result<Outcome, Failed>) {
    if !context.common.json {
        conclude(context, "run", result);
        return;
    }
    let document = match result {
        Ok(outcome) => report::document("run", outcome.exit.code(), outcome.fields),
        Err(Failed { failure, fields }) => {
            let fault = report::Fault {
                kind: failure.kind,
                message: &failure.message,
                help: failure.help.as_deref(),
            };
            report::failure_document("run", failure.exit.code(), fault, fields)
        }
    };
    out::data(&document.to_string());
}

/// Keeps a ring-out of the whole harness that was all good as the board's last good one, as `ringout` does.
fn keep_proven(context: &Context, run: &ScriptRun, board: &Board, label: &str, simulated: bool) {
    let whole = |r: &RingOut| {
        let left_out = |w: &WireVerdict| matches!(w.untested, Some(Untested::NotAskedFor));
        r.all_good() && !r.wires.iter().any(left_out)
    };
    let proven = run.steps.iter().rev().find_map(|step| match &step.result {
        StepResult::RingOut(rung) => Some((step, rung)),
        _ => None,
    });
    let Some((step, rung)) = proven.filter(|(_, rung)| whole(rung)) else {
        return;
    };
    let document = report::document("ringout", 0, report::ringout_fields(rung, board));
    let record = report::record_document(&document, board, label, simulated, step.seconds);
    let kept = keep_last_good(&board.hash, simulated, &(super::pretty(&record) + "\n"));
    if let Err(error) = kept {
        context.note(&format!("note: the record was not kept for later: {error}"));
    }
}

fn stopped(failed: &Failed) -> bool {
    matches!(failed.failure.exit, Exit::Interrupted | Exit::Terminated)
}

/// Tells when one of the files changes. Folders are watched, because editors put new files in the place of old ones.
fn watch(files: &BTreeSet<PathBuf>) -> Result<(notify::RecommendedWatcher, Receiver<()>), Failed> {
    let cannot =
        |e: notify::Error| Failed::from(Failure::input("file", format!("cannot watch files: {e}")));
    let mut wanted: Vec<PathBuf> = Vec::new();
    for path in files {
        // The name itself, which may be a link or not there yet, and the file behind it.
        let folder = match path.parent() {
            Some(folder) if !folder.as_os_str().is_empty() => folder,
            _ => Path::new("."),
        };
        if let (Ok(folder), Some(name)) = (folder.canonicalize(), path.file_name()) {
            wanted.push(folder.join(name));
        }
        wanted.extend(path.canonicalize().ok());
    }
    let folders: BTreeSet<PathBuf> = (wanted.iter())
        .filter_map(|p| p.parent().map(Path::to_owned))
        .collect();
    let (tell, changes) = channel();
    let mut watcher = notify::recommended_watcher(move |event: notify::Result<notify::Event>| {
        let changed =
            event.is_ok_and(|e| !e.kind.is_access() && e.paths.iter().any(|p| wanted.contains(p)));
        if changed {
            // Nobody listens any more when the run goes on.
            let _ = tell.send(());
        }
    })
    .map_err(cannot)?;
    for folder in folders {
        watcher
            .watch(&folder, RecursiveMode::NonRecursive)
            .map_err(cannot)?;
    }
    Ok((watcher, changes))
}

/// Shows steps as they end, and answers for the user.
struct Teller {
    yes: bool,
    quiet: bool,
    json: bool,
    cancel: Cancel,
}

impl Teller {
    fn somebody(&self) -> bool {
        use std::io::IsTerminal;
        !self.json && std::io::stdin().is_terminal()
    }
}

impl Listener for Teller {
    fn begins(&mut self, _number: usize, _title: &str) {}

    fn ended(&mut self, step: &Step) {
        if !self.json {
            out::data(&report::step_line(step));
        }
    }

    fn said(&mut self, text: &str) {
        match self.json {
            true => self.note(text),
            false => {
                out::data(text);
            }
        }
    }

    fn note(&mut self, text: &str) {
        if !self.quiet {
            out::note(text);
        }
    }

    fn ask(&mut self, question: &str, default: &str) -> String {
        if self.yes || !self.somebody() {
            return default.to_owned();
        }
        out::answer(question, default, &self.cancel)
    }

    fn consent(&mut self, what: &str) -> Result<(), String> {
        let words = format!("{what}\n{CAUTIONS}");
        if self.yes {
            self.note(&words);
            return Ok(());
        }
        if self.somebody() {
            out::note(&words);
            return match out::asked("Go on?", &self.cancel) {
                Ok(true) => Ok(()),
                Ok(false) | Err(_) => Err("you did not consent; nothing was driven".to_owned()),
            };
        }
        Err(format!("consent is needed, and nobody was asked. {what}"))
    }
}
