//! `taploom ringout BOARD`.

use crate::board::{Board, WireIndex};
use crate::boundary::{Conditions, MachinePower};
use crate::report::{self, LastGood};
use crate::ringout::{Method, RingOutError, Verdict, Wish};
use crate::session::{keep_last_good, last_good};

use super::args::{Power, Ringout};
use super::work::{self, Opened};
use super::{Context, Exit, Failed, Failure, Outcome};

/// Shown once before anything is driven. Common practice, and no substitute for local codes and
/// licensed practice.
pub(super) const CAUTIONS: &str = "\
Before you go on: the machine is switched off, unplugged from the mains and discharged; never work on a chassis that is
connected to the mains. No 5 V output may reach a 3.3 V pin, and currents are limited. You are earthed against static.
Unplug the harness at the machine where you can: an unpowered machine clamps lines, and current from our pins feeds it.
Local codes and licensed practice come first.";

pub(super) fn run(context: &Context, arguments: &Ringout) -> Result<Outcome, Failed> {
    let by = &arguments.by;
    let unusable =
        |what: String| Failure::input("usage", what).help("the methods are both-ends and alone");
    let method =
        Method::named(by).ok_or_else(|| unusable(format!("there is no ring-out method {by}")))?;
    if !matches!(method, Method::BothEnds | Method::Alone) {
        let what = format!("this version cannot ring out by {by} yet: nothing was touched");
        return Err(unusable(what).into());
    }
    let board = work::load_board(&arguments.board)?;
    context.outputs_ready(Some(&board), &[])?;
    if board.wires.is_empty() {
        return Err(Failure::input(
            "board",
            format!("{} declares no wires", board.path.display()),
        )
        .help("give it a harness file, or [[wire]] tables")
        .into());
    }
    let wish = Wish {
        only: wires_named(&board, &arguments.only)?,
        conditions: Conditions {
            machine: machine(context.common.machine),
            brief_fights: arguments.allow_brief_fights,
            ..Conditions::default()
        },
        more_rounds: arguments.repeat as usize,
        resistance: arguments.resistance,
        ..Wish::default()
    };
    if context.common.dry {
        return dry(&board, method, &wish);
    }
    refuse_early(&board, &wish)?;
    context.consent(&announcement(&board, method))?;
    let mut opened = Opened::open(context)?;
    opened.brief_fights = arguments.allow_brief_fights;
    let (chain, comparison) = opened.chain(&board)?;
    for absent in &comparison.absent {
        let device = &board.devices[absent.0];
        let entity = device.entity.as_deref().unwrap_or("no BSDL");
        context.note(&format!(
            "note: {} ({entity}, optional) is not on the chain: wires that end at it cannot be tested from there",
            device.name
        ));
    }
    let result = match opened.session.ring_out(&board, &chain, method, &wish) {
        Ok(result) => result,
        Err(error) => {
            let failure = failure(&error, &opened);
            return Err(opened.fail(failure));
        }
    };
    for note in &result.notes {
        context.note(&format!("note: {note}"));
    }
    let simulated = !opened.session.is_real();
    let bad: Vec<&str> = result
        .wires
        .iter()
        .filter(|w| w.verdict != Verdict::Good && w.untested.is_none())
        .map(|w| board.wires[w.wire.0].label.as_str())
        .collect();
    let before = last_good(&board.hash, simulated).and_then(|r| report::last_good_of(&r));
    let was_good = before.as_ref().and_then(|l: &LastGood| l.about(&bad));
    let exit = if result.all_good() {
        Exit::Good
    } else {
        Exit::Finding
    };
    let mut fields = report::ringout_fields(&result, &board);
    fields["last_good"] = before
        .as_ref()
        .map_or(serde_json::Value::Null, |l| l.when.clone().into());
    let text = report::ringout_text(&result, &board, was_good.as_deref());
    let whole = wish.only.is_none() && exit == Exit::Good;
    opened.finish_with(exit, fields, text, Some(&board), &|record| {
        if whole {
            keep_last_good(&board.hash, simulated, record)
        } else {
            Ok(())
        }
    })
}

pub(super) fn machine(power: Power) -> MachinePower {
    match power {
        Power::Off => MachinePower::Off,
        Power::On => MachinePower::On,
        Power::Unknown => MachinePower::Unknown,
    }
}

fn wires_named(board: &Board, labels: &[String]) -> Result<Option<Vec<WireIndex>>, Failed> {
    if labels.is_empty() {
        return Ok(None);
    }
    let found = labels.iter().map(|label| {
        board.wire(label.trim()).ok_or_else(|| {
            let first = board.wires.first().map_or("", |w| &w.label);
            let last = board.wires.last().map_or("", |w| &w.label);
            Failed::from(
                Failure::input(
                    "usage",
                    format!("{} has no wire {label}", board.path.display()),
                )
                .help(format!("its wires are {first} to {last}")),
            )
        })
    });
    found.collect::<Result<_, _>>().map(Some)
}

/// What is refused whatever the chain is like, before the adapter is touched.
fn refuse_early(board: &Board, wish: &Wish) -> Result<(), Failed> {
    let power = match wish.conditions.machine {
        MachinePower::Off => return Ok(()),
        MachinePower::On => "on",
        MachinePower::Unknown => "unknown, which is treated as on",
    };
    Err(Failure::refused(format!(
        "ringing out {} drives its wires by EXTEST, and the power of the machine is {power}: nothing was driven",
        board.name
    ))
    .help("switch the machine off, let it discharge, and say --machine off")
    .into())
}

fn announcement(board: &Board, method: Method) -> String {
    let wires = board.wires.len();
    let mut devices: Vec<String> = Vec::new();
    for i in 0..wires {
        let ends = board.wire_ends(WireIndex(i));
        for reach in ends.from.iter().chain(&ends.to).filter(|r| r.can_drive) {
            let name = reach.pin.device_name.to_string();
            if !devices.contains(&name) {
                devices.push(name);
            }
        }
    }
    devices.sort();
    format!(
        "Ringing out {} by {method} drives the pins behind {} from {}, one net at a time, both levels.\n{CAUTIONS}",
        board.name,
        report::plural(wires, "wire"),
        if devices.is_empty() {
            "no device".to_owned()
        } else {
            devices.join(", ")
        },
    )
}

fn failure(error: &RingOutError, opened: &Opened<'_>) -> Failure {
    let mut failure = match error {
        RingOutError::Port(port) => return Failure::port(port, opened.session.stop_asked()),
        RingOutError::Method(_) => Failure::input("usage", error.to_string()),
        RingOutError::Pins(_) => Failure::input("board", error.to_string()),
        RingOutError::Refused(_) | RingOutError::Stillness(_) => {
            Failure::refused(error.to_string())
        }
        RingOutError::Batch { .. } => Failure::chain(error.to_string()),
    };
    let help = error.help();
    if !help.is_empty() {
        failure.help = Some(help);
    }
    failure
}

/// The plan, without an adapter: what would be driven, and what cannot be tested.
fn dry(board: &Board, method: Method, wish: &Wish) -> Result<Outcome, Failed> {
    let present: Vec<_> = (0..board.devices.len())
        .map(crate::board::DeviceIndex)
        .collect();
    let plan = crate::ringout::rehearse(board, &present, method, wish).map_err(|e| {
        let mut failure = Failure::input("board", e.to_string());
        failure.help = Some(e.help()).filter(|h| !h.is_empty());
        failure
    })?;
    let (fields, text) = report::ringout_plan(&plan, board, method);
    Ok(Outcome {
        exit: Exit::Good,
        fields,
        text,
    })
}
