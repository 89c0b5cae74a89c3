//! `taploom drive BOARD PIN=LEVEL…` and `taploom drive BOARD --vectors FILE`.

use std::fs::File;
use std::io::BufReader;
use std::path::{Path, PathBuf};

use crate::board::{Board, DeviceIndex};
use crate::boundary::drive::{
    Column, DriveError, LevelPlan, PlanError, TableError, TableRun, Toggle, rehearse_table,
};
use crate::boundary::{Conditions, Guard, MachinePower, PinIndex, Pins, Refusal};
use crate::report;
use crate::session::HoldTime;

use super::args::Drive;
use super::ringout::{CAUTIONS, machine};
use super::work::{self, Opened};
use super::{Context, Exit, Failed, Failure, Outcome};

/// Longest time that levels stand: a day.
const LONGEST_S: f64 = 86_400.0;

pub(super) fn run(context: &Context, arguments: &Drive) -> Result<Outcome, Failed> {
    let board = work::load_board(&arguments.board)?;
    let table: Vec<&Path> = arguments.vectors.iter().map(PathBuf::as_path).collect();
    context.outputs_ready(Some(&board), &table)?;
    let asked = Asked::of(context, &board, arguments)?;
    let declared: Vec<DeviceIndex> = (0..board.devices.len()).map(DeviceIndex).collect();
    let pins = Pins::beside(&board, &declared, &asked.mission).map_err(|e| board_is_wrong(&e))?;
    if asked.levels.is_empty() && arguments.vectors.is_none() {
        return sense(context, &board, &asked, &pins);
    }
    // Everything that can be said without an adapter is said before one is opened.
    let guard = Guard::new(&board, &pins, asked.conditions).map_err(|r| refused(&r))?;
    let plan = LevelPlan::new(&board, &guard, &asked.levels, &asked.sense).map_err(unplanned)?;
    let table = match &arguments.vectors {
        Some(path) => Some(rehearse(&board, &guard, &plan, path)?),
        None => None,
    };
    if context.common.dry {
        return Ok(dry(&board, &pins, &plan, arguments, table.as_ref()));
    }
    let mut opened = Opened::open(context)?;
    let (chain, _) = opened.chain(&board)?;
    // The same again on the chain as it is: without an optional device another pin may be the one.
    let pins = match Pins::beside(&board, chain.devices(), &asked.mission) {
        Ok(pins) => pins,
        Err(error) => return Err(opened.fail(board_is_wrong(&error))),
    };
    let guard = match Guard::new(&board, &pins, asked.conditions) {
        Ok(guard) => guard,
        Err(refusal) => return Err(opened.fail(refused(&refusal))),
    };
    let plan = match LevelPlan::new(&board, &guard, &asked.levels, &asked.sense) {
        Ok(plan) => plan,
        Err(error) => return Err(opened.fail(unplanned(error))),
    };
    let what = announcement(&board, &pins, &plan, arguments);
    match &arguments.vectors {
        None => {
            if let Err(failure) = context.consent(&what) {
                return Err(opened.fail(failure));
            }
            hold(context, opened, &board, &guard, &plan, asked.time)
        }
        Some(path) => {
            let rehearsed = rehearse(&board, &guard, &plan, path);
            let (columns, counts) = match rehearsed {
                Ok(rehearsed) => rehearsed,
                Err(failure) => return Err(opened.fail(failure)),
            };
            if let Err(failure) = context.consent(&what) {
                return Err(opened.fail(failure));
            }
            let levels = plan.wanted(true);
            play(
                context, opened, &board, &guard, &levels, path, &columns, &counts,
            )
        }
    }
}

/// The arguments, read.
struct Asked {
    levels: Vec<(String, Toggle)>,
    sense: Vec<String>,
    mission: Vec<DeviceIndex>,
    conditions: Conditions,
    time: HoldTime,
}

impl Asked {
    fn of(context: &Context, board: &Board, arguments: &Drive) -> Result<Self, Failed> {
        let levels = arguments.levels.iter().map(|text| level(text));
        let levels: Vec<_> = levels.collect::<Result<_, _>>()?;
        if levels.is_empty() && arguments.sense.is_empty() && arguments.vectors.is_none() {
            return Err(
                Failure::input("usage", "nothing to drive and nothing to sense")
                    .help("for example: taploom drive board.toml W25=high --sense W02")
                    .into(),
            );
        }
        if arguments.vectors.is_some() && levels.iter().any(|(_, t)| *t == Toggle::Blink) {
            return Err(Failure::input("usage", "nothing blinks beside a table of vectors").into());
        }
        let mission = arguments
            .mission
            .iter()
            .map(|name| work::device(board, name));
        let ns = |name, seconds: f64, least: f64| {
            if (least..=LONGEST_S).contains(&seconds) {
                return Ok((seconds * 1e9) as u64);
            }
            Err(
                Failure::input("usage", format!("{name} {seconds} is out of range"))
                    .help(format!("seconds, {least} to {LONGEST_S}")),
            )
        };
        Ok(Asked {
            levels,
            sense: arguments.sense.clone(),
            mission: mission.collect::<Result<_, _>>()?,
            conditions: Conditions {
                // A rehearsal is of a machine that is off: nothing else could be done.
                machine: match context.common.dry {
                    true => MachinePower::Off,
                    false => machine(context.common.machine),
                },
                unplugged: arguments.unplugged,
                ..Conditions::default()
            },
            time: HoldTime {
                ns: ns("--for", arguments.seconds, 0.0)?,
                half_period_ns: ns("--period", arguments.period, 0.01)? / 2,
            },
        })
    }
}

fn level(text: &str) -> Result<(String, Toggle), Failure> {
    let wrong = |what: String| {
        Failure::input("usage", what)
            .help("write PIN=LEVEL with high, low, 1, 0 or blink, as W25=high")
    };
    let (name, word) = text
        .rsplit_once('=')
        .ok_or_else(|| wrong(format!("{text:?} says no level")))?;
    let toggle =
        Toggle::named(word).ok_or_else(|| wrong(format!("{word:?} in {text:?} is no level")))?;
    Ok((name.trim().to_owned(), toggle))
}

/// Levels by SAMPLE.
fn sense(
    context: &Context,
    board: &Board,
    asked: &Asked,
    declared: &Pins,
) -> Result<Outcome, Failed> {
    let sensed = LevelPlan::sampled(board, declared, &asked.sense).map_err(unplanned)?;
    if context.common.dry {
        let reads: Vec<_> = (sensed.iter())
            .map(|s| crate::session::Read::of(s, declared))
            .collect();
        return Ok(Outcome {
            exit: Exit::Good,
            fields: report::drive_fields(board, declared, None, &reads, 0.0),
            text: report::drive_text(board, declared, None, &reads, 0.0),
        });
    }
    let mut opened = Opened::open(context)?;
    let (chain, _) = opened.chain(board)?;
    let pins = match Pins::beside(board, chain.devices(), &asked.mission) {
        Ok(pins) => pins,
        Err(error) => return Err(opened.fail(board_is_wrong(&error))),
    };
    let sensed = match LevelPlan::sampled(board, &pins, &asked.sense) {
        Ok(sensed) => sensed,
        Err(error) => return Err(opened.fail(unplanned(error))),
    };
    match opened.session.read_levels(board, &pins, &sensed) {
        Ok(reads) => {
            let fields = report::drive_fields(board, &pins, None, &reads, 0.0);
            let text = report::drive_text(board, &pins, None, &reads, 0.0);
            opened.finish_with(Exit::Good, fields, text, Some(board), &|_| Ok(()))
        }
        Err(error) => {
            let failure = failure(&error, &opened);
            Err(opened.fail(failure))
        }
    }
}

fn hold(
    context: &Context,
    mut opened: Opened<'_>,
    board: &Board,
    guard: &Guard<'_>,
    plan: &LevelPlan,
    time: HoldTime,
) -> Result<Outcome, Failed> {
    let bar = work::progress_bar(context, time.ns / 1_000_000_000, "{msg}  {pos} of {len} s");
    let mut told = |left: u64| bar.set_position((time.ns - left) / 1_000_000_000);
    let held = opened
        .session
        .hold_levels(board, guard, plan, time, &mut told);
    bar.finish_and_clear();
    match held {
        Ok(reads) => {
            let seconds = time.ns as f64 / 1e9;
            let fields = report::drive_fields(board, guard.pins(), Some(plan), &reads, seconds);
            let text = report::drive_text(board, guard.pins(), Some(plan), &reads, seconds);
            opened.finish_with(Exit::Good, fields, text, Some(board), &|_| Ok(()))
        }
        Err(error) => {
            let failure = failure(&error, &opened);
            Err(opened.fail(failure))
        }
    }
}

fn rehearse(
    board: &Board,
    guard: &Guard<'_>,
    plan: &LevelPlan,
    path: &Path,
) -> Result<(Vec<Column>, TableRun), Failure> {
    rehearse_table(board, guard, &plan.wanted(true), work::open_file(path)?)
        .map_err(|error| table_failure(path, &error))
}

#[allow(
    clippy::too_many_arguments,
    reason = "one call, each argument its own thing"
)]
fn play(
    context: &Context,
    mut opened: Opened<'_>,
    board: &Board,
    guard: &Guard<'_>,
    levels: &[(PinIndex, bool)],
    path: &Path,
    columns: &[Column],
    counts: &TableRun,
) -> Result<Outcome, Failed> {
    let table: BufReader<File> = match work::open_file(path) {
        Ok(table) => table,
        Err(failure) => return Err(opened.fail(failure)),
    };
    let bar = work::progress_bar(
        context,
        counts.vectors,
        "  {pos} of {len} vectors  {per_sec}  {eta} left",
    );
    let mut told = |done| bar.set_position(done);
    let played = opened
        .session
        .play_table(board, guard, levels, columns, table, &mut told);
    bar.finish_and_clear();
    let file = path.display().to_string();
    match played {
        Ok(run) => {
            let exit = match run.mismatches {
                0 => Exit::Good,
                _ => Exit::Finding,
            };
            let fields = report::vectors_fields(board, &file, &run);
            let text = report::vectors_text(board, &file, &run);
            opened.finish_with(exit, fields, text, Some(board), &|_| Ok(()))
        }
        Err(TableError::Drive { line, error }) => {
            let mut failure = failure(&error, &opened);
            if let Some(line) = line {
                failure.message = format!("{file}: line {line}: {}", failure.message);
            }
            Err(opened.fail(failure))
        }
        Err(error) => Err(opened.fail(table_failure(path, &error))),
    }
}

fn dry(
    board: &Board,
    pins: &Pins,
    plan: &LevelPlan,
    arguments: &Drive,
    table: Option<&(Vec<Column>, TableRun)>,
) -> Outcome {
    let (fields, text) = match (table, &arguments.vectors) {
        (Some((_, run)), Some(path)) => {
            let file = path.display().to_string();
            let text = format!(
                "{}: {file} would put {} of {} on the pins, {} compared\n",
                board.name,
                report::plural(run.vectors as usize, "vector"),
                report::plural(run.rows as usize, "row"),
                report::plural(run.compares as usize, "level")
            );
            (report::vectors_fields(board, &file, run), text)
        }
        _ => {
            let fields = report::drive_fields(board, pins, Some(plan), &[], arguments.seconds);
            let mut lines = vec![format!(
                "{}: would drive for {} s",
                board.name, arguments.seconds
            )];
            lines.extend(report::drive_lines(pins, plan));
            (fields, lines.join("\n") + "\n")
        }
    };
    Outcome {
        exit: Exit::Good,
        fields,
        text,
    }
}

fn announcement(board: &Board, pins: &Pins, plan: &LevelPlan, arguments: &Drive) -> String {
    let mut lines = vec![match &arguments.vectors {
        Some(path) => format!(
            "{}: the rows of {} go to the pins that its header names.",
            board.name,
            path.display()
        ),
        None => format!("{}: for {} s", board.name, arguments.seconds),
    }];
    if !plan.driven.is_empty() || !plan.along.is_empty() {
        lines.extend(report::drive_lines(pins, plan));
    }
    lines.push(CAUTIONS.to_owned());
    lines.join("\n")
}

fn board_is_wrong(error: &crate::boundary::PinsError) -> Failure {
    Failure::input("board", error.to_string()).help("mend the board file")
}

fn refused(refusal: &Refusal) -> Failure {
    Failure::refused(format!("{refusal}: nothing was driven")).help(refusal.mend())
}

fn unplanned(error: PlanError) -> Failure {
    let help = error.help();
    match error.is_refusal() {
        true => Failure::refused(format!("{error}; nothing was driven")),
        false => Failure::input("board", error.to_string()),
    }
    .help(help)
}

fn table_failure(path: &Path, error: &TableError) -> Failure {
    let message = format!("{}: {error}", path.display());
    let refusal = matches!(error, TableError::Refused { .. });
    match refusal {
        true => Failure::refused(message),
        false => Failure::input("file", message),
    }
    .help(error.help())
}

/// What went wrong while pins were driven.
pub(super) fn failure(error: &DriveError, opened: &Opened<'_>) -> Failure {
    let mut failure = match error {
        DriveError::Port(port) => return Failure::port(port, opened.session.stop_asked()),
        DriveError::Pins(_) => Failure::input("board", error.to_string()),
        DriveError::Refused(_) | DriveError::Stillness(_) => Failure::refused(error.to_string()),
        DriveError::Batch(_) => Failure::chain(error.to_string()),
    };
    failure.help = Some(error.help()).filter(|h| !h.is_empty());
    failure
}
