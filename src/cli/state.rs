//! `taploom` without a command: one screen that says how things stand and what to do next.

use std::path::{Path, PathBuf};

use serde_json::json;

use crate::board::Board;
use crate::report;
use crate::session::{OpenError, Place, Session, last_good};
use crate::simulator::BenchFile;

use super::args::Power;
use super::work::place_of;
use super::{Context, Exit, Failed, Failure, Outcome};

pub(super) fn run(context: &Context) -> Result<Outcome, Failed> {
    let board_path = board_path(context);
    let board = board_path.as_deref().map(Board::load);
    let board_row = match (&board, &board_path) {
        (Some(Ok(board)), Some(path)) => format!("{} ({})", board.name, path.display()),
        (Some(Err(error)), Some(path)) => {
            format!(
                "{} cannot be used: {} wrong in it",
                path.display(),
                report::plural(error.problems.len(), "thing")
            )
        }
        _ => "no board.toml in this folder".to_owned(),
    };
    let board = board.and_then(Result::ok);

    let mut session = Session::open(&place_of(&context.common), None, context.cancel.clone());
    if let Err(OpenError::Bench(error)) = &session {
        return Err(Failure::input("bench", error.to_string()).into());
    }
    let (cable, chain, as_declared) = match &mut session {
        Ok(session) => match session.scan(board.as_ref()) {
            Ok(scanned) => {
                let words = match (&scanned.comparison, &board) {
                    (Some(c), Some(b)) => report::in_words(c, b),
                    _ => report::plural(scanned.found.devices.len(), "device"),
                };
                let good = scanned
                    .comparison
                    .as_ref()
                    .is_some_and(|c| c.is_as_declared());
                (session.label().to_owned(), words, good)
            }
            Err(error) => (
                session.label().to_owned(),
                format!("not seen: {error}"),
                false,
            ),
        },
        Err(error) => (
            format!("none: {error}"),
            "not seen without a cable".to_owned(),
            false,
        ),
    };
    let simulated = session.as_ref().is_ok_and(|s| !s.is_real());
    let cable_there = session.is_ok();
    if let Ok(session) = &mut session {
        session.leave();
    }
    let last = board
        .as_ref()
        .and_then(|b| report::last_good_of(&last_good(&b.hash, simulated)?));
    let harness = match (&board, &last) {
        (None, _) => "unknown: the board file declares it".to_owned(),
        (Some(b), _) if b.wires.is_empty() => "no wires declared".to_owned(),
        (Some(b), Some(l)) => {
            format!(
                "{}, last proven on {}: {} good",
                report::plural(b.wires.len(), "wire"),
                l.when,
                l.good.len()
            )
        }
        (Some(b), None) => {
            format!(
                "{}, not proven yet with this board file",
                report::plural(b.wires.len(), "wire")
            )
        }
    };
    let machine = match context.common.machine {
        Power::Off => "off, as you say",
        Power::On => "on, as you say: nothing drives its lines",
        Power::Unknown => "unknown, treated as on: nothing drives its lines",
    };
    let next = next(
        context,
        board_path.as_deref(),
        board.as_ref(),
        cable_there,
        as_declared,
        last.is_some(),
    );
    let rows = [
        ("cable", &cable),
        ("board", &board_row),
        ("chain", &chain),
        ("harness", &harness),
    ];
    let mut text = format!("Taploom {}\n\n", env!("CARGO_PKG_VERSION"));
    for (name, value) in rows {
        text.push_str(&format!("  {name:<8} {value}\n"));
    }
    text.push_str(&format!("  machine  {machine}\n\nNext: {next}\n"));
    let fields = json!({
        "cable": cable, "board": board_row, "chain": chain, "chain_as_declared": as_declared, "harness": harness,
        "harness_proven": last.map(|l| l.when), "machine": machine, "next": next,
    });
    Ok(Outcome {
        exit: Exit::Good,
        fields,
        text,
    })
}

/// The board of the bench, or the one in this folder.
fn board_path(context: &Context) -> Option<PathBuf> {
    if let Some(bench) = &context.common.simulate {
        return BenchFile::load(bench).ok().map(|b| b.board);
    }
    let here = Path::new("board.toml");
    here.is_file().then(|| here.to_owned())
}

fn next(
    context: &Context,
    path: Option<&Path>,
    board: Option<&Board>,
    cable: bool,
    as_declared: bool,
    proven: bool,
) -> String {
    let place = match place_of(&context.common) {
        Place::Bench { file, .. } => format!(" --simulate {}", file.display()),
        Place::Tap { address, .. } => format!(" --tap {address}"),
        Place::Adapter { selector, .. } => {
            selector.map_or(String::new(), |selector| format!(" --adapter {selector}"))
        }
    };
    let place = match &context.common.profile {
        Some(profile) => format!("{place} --profile {profile}"),
        None => place,
    };
    let no_cable = match place_of(&context.common) {
        Place::Tap { .. } => "start the other side of the TAP socket, and run taploom again",
        _ if path.is_some() => "plug the adapter in, and run taploom again",
        _ => "plug the adapter in; or see the whole job on a simulated board: taploom demo",
    };
    if !cable && board.is_some() == path.is_some() {
        return no_cable.to_owned();
    }
    let Some(path) = path else {
        return format!(
            "taploom scan{place}   shows who is on the chain; then write it down in board.toml (README.md shows one)"
        );
    };
    let file = path.display();
    match board {
        None => format!("taploom scan {file}   names everything that is wrong in the board file"),
        Some(_) if !as_declared => {
            format!("taploom scan {file}{place}   says what differs on the chain")
        }
        Some(b) if !proven && !b.wires.is_empty() => {
            format!("switch the machine off, then: taploom ringout {file} --machine off{place}")
        }
        Some(b) => match b.devices.iter().find(|d| d.recipe.is_some()) {
            Some(d) => format!("taploom load {file} {} IMAGE{place}", d.name),
            None => format!("taploom play {file} FILE.svf{place}"),
        },
    }
}
