//! `taploom play BOARD FILE`.

use std::fs::File;

use crate::board::{Board, DeviceIndex};
use crate::load::play::{ChainPads, PlayOptions, Played, play, rehearse};
use crate::report;
use crate::session::{extest_watch, locator, pads_around, private_watch};
use crate::svf::Limits;
use crate::tap::Port;

use super::args::{Play, Power};
use super::work::{self, Opened};
use super::{Context, Exit, Failed, Failure, Outcome};

pub(super) fn run(context: &Context, arguments: &Play) -> Result<Outcome, Failed> {
    let board = work::load_board(&arguments.board)?;
    context.outputs_ready(Some(&board), &[&arguments.file])?;
    let device = arguments
        .device
        .as_deref()
        .map(|name| work::device(&board, name))
        .transpose()?;
    let spares = arguments
        .spare
        .iter()
        .map(|given| spare(given))
        .collect::<Result<Vec<_>, _>>()?;
    let options = PlayOptions {
        limits: Limits {
            strict: arguments.strict,
            ..Limits::default()
        },
        keep_going: arguments.keep_going,
        compare: !arguments.no_compare,
        pads: ChainPads::default(),
        tck_hz: board.tck_limit_hz(true),
        inspect: None,
        locate: None,
        spares: &spares,
    };
    // The whole file is read first: nobody wants to learn of a misspelt line after the erase.
    let (plan, error) = rehearse(open(arguments)?, &options);
    if let Some(error) = error {
        let message = format!("{}: {error}", arguments.file.display());
        let mut failure = Failure::input("file", message);
        failure.help = error.help().map(str::to_owned);
        return Err(failure.into());
    }
    for warned in &plan.warnings {
        let times = report::plural(warned.times as usize, "time");
        context.note(&format!(
            "warning: {}: {} ({times})",
            warned.first, warned.warning
        ));
    }
    if context.common.dry {
        let fields = report::play_fields(&plan, options.tck_hz, None);
        return Ok(Outcome {
            exit: Exit::Good,
            fields,
            text: report::play_plan_text(&plan, options.tck_hz),
        });
    }
    let mut opened = Opened::open(context)?;
    let (chain, _) = opened.chain(&board)?;
    let pads = match device {
        None => ChainPads::default(),
        Some(device) => match pads_around(&chain, device) {
            Some(pads) => pads,
            None => return Err(opened.fail(not_on_chain(&board, device))),
        },
    };
    let watch = extest_watch(&board, &chain);
    let locate = locator(&board, &chain);
    let options = PlayOptions {
        pads,
        inspect: Some(&watch),
        locate: Some(&locate),
        ..options
    };
    let (plan, _) = rehearse(open(arguments)?, &options);
    if let Err(failure) = fits(&plan, chain.layout().ir_total(), device.is_some()) {
        return Err(opened.fail(failure));
    }
    if let Some(watch) = &private_watch(&board, &chain) {
        let options = PlayOptions {
            inspect: Some(watch),
            ..options
        };
        if let Some((at, what)) = rehearse(open(arguments)?, &options).0.seen {
            let words = format!(
                "{}: {at} selects the private instruction {what}: its maker says never to load it, and it may harm the part or the board",
                arguments.file.display()
            );
            if let Err(failure) = context.consent(&words) {
                return Err(opened.fail(failure));
            }
        }
    }
    if let Some((at, what)) = &plan.seen {
        if context.common.machine != Power::Off {
            let words = format!(
                "{}: {at} selects {what}, and nobody said that the machine is off: nothing was driven",
                arguments.file.display()
            );
            let failure = Failure::refused(words)
                .help("switch the machine off, let it discharge, and say --machine off");
            return Err(opened.fail(failure));
        }
        let words = format!(
            "{}: {at} selects {what}: the file drives pins past the guard, and nobody has looked who else drives them",
            arguments.file.display()
        );
        if let Err(failure) = context.consent(&words) {
            return Err(opened.fail(failure));
        }
    }
    let file = open(arguments)?;
    let bytes = file.metadata().map_or(0, |m| m.len());
    let bar = work::progress_bar(
        context,
        bytes,
        "  {bytes} of {total_bytes}  {bytes_per_sec}  {eta} left",
    );
    let before = opened.session.traffic().elapsed;
    let (played, error) = play(bar.wrap_read(file), &mut opened.session, &options);
    bar.finish_and_clear();
    let seconds = (opened.session.traffic().elapsed - before).as_secs_f64();
    let fields = report::play_fields(&played, options.tck_hz, Some(seconds));
    if let Some(error) = error {
        let mut failure = match &error {
            crate::load::play::PlayError::Port { source, .. } => {
                Failure::port(source, opened.session.stop_asked())
            }
            other => Failure::input("file", other.to_string()),
        };
        failure.message = format!("{}; {}", failure.message, report::play_how_far(&played));
        let mut failed = opened.fail(failure);
        work::add_fields(&mut failed.fields, fields);
        return Err(failed);
    }
    let exit = if played.mismatches.is_empty() {
        Exit::Good
    } else {
        Exit::Finding
    };
    let text = report::play_text(&played, seconds, options.tck_hz);
    opened.finish_with(exit, fields, text, Some(&board), &|_| Ok(()))
}

/// `NAME=LINE`.
fn spare(given: &str) -> Result<(String, u8), Failure> {
    let parsed = given.split_once('=').and_then(|(name, line)| {
        let line = line.trim().parse().ok().filter(|n| *n < 8)?;
        Some((name.trim().to_owned(), line)).filter(|(name, _)| !name.is_empty())
    });
    parsed.ok_or_else(|| {
        Failure::input(
            "usage",
            format!("--spare {given}: expected NAME=LINE, the line a number from 0 to 7"),
        )
    })
}

fn open(arguments: &Play) -> Result<File, Failure> {
    work::open_file(&arguments.file).map(|file| file.into_inner())
}

fn not_on_chain(board: &Board, device: DeviceIndex) -> Failure {
    let name = &board.devices[device.0].name;
    Failure::chain(format!("{name} is not on the chain now")).help("plug it in, and scan again")
}

/// Whether the file's instruction scans are as long as the chain's instruction registers.
fn fits(plan: &Played, ir_total: usize, padded: bool) -> Result<(), Failure> {
    let Some(other) = plan.ir_lengths.iter().find(|n| **n != ir_total) else {
        return Ok(());
    };
    let help = if padded {
        "the device that the file was made for has another instruction register"
    } else {
        "a file for one device alone: --device NAME puts the rest of the chain around it"
    };
    Err(Failure::refused(format!(
        "this file shifts {other} instruction bits, this chain has {ir_total}: what it loads would land in the wrong devices"
    ))
    .help(help))
}
