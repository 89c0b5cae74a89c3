//! `taploom load BOARD DEVICE IMAGE`.

use std::path::Path;

use serde_json::{Value, json};

use crate::board::{Board, BoardDevice, DeviceIndex};
use crate::boundary::Conditions;
use crate::chain::Chain;
use crate::load::{
    Far, Image, ImageError, ImageRefusal, Load, LoadEnd, LoadError, Loaded, Others, Recipe,
    RecipeError, TEMPLATE, Target,
};
use crate::report;
use crate::session::{LoadOutcome, LoadWish, last_good};
use crate::tap::ChainLayout;

use super::args::{self, Power};
use super::ringout::machine;
use super::work::{self, Opened};
use super::{Context, Exit, Failed, Failure, Outcome};

pub(super) fn run(context: &Context, arguments: &args::Load) -> Result<Outcome, Failed> {
    if arguments.template {
        return Ok(Outcome {
            exit: Exit::Good,
            fields: json!({ "template": TEMPLATE }),
            text: TEMPLATE.to_owned(),
        });
    }
    if let Some(path) = &arguments.check {
        return check(arguments, path);
    }
    let (Some(board), Some(device), Some(image)) =
        (&arguments.board, &arguments.device, &arguments.image)
    else {
        return Err(Failure::input("usage", "board, device and image are needed").into());
    };
    let board = work::load_board(board)?;
    let mut read: Vec<&Path> = vec![image];
    read.extend(arguments.recipe.as_deref());
    context.outputs_ready(Some(&board), &read)?;
    let index = work::device(&board, device)?;
    let device = &board.devices[index.0];
    let bsdl = described(device)?;
    let recipe = recipe_of(&board, device, arguments.recipe.as_deref())?;
    recipe.check(bsdl).map_err(bad_recipe)?;
    if arguments.verify && recipe.verify.is_empty() {
        let words = format!(
            "the recipe \"{}\" has no [[verify]] steps: the image cannot be read back",
            recipe.name
        );
        return Err(Failure::input("recipe", words)
            .help("leave --verify away; the status words are checked in any case")
            .into());
    }
    let image = Image::open(image).map_err(bad_image)?;
    let tck_hz = board.tck_limit_hz(true);
    let wish = LoadWish {
        force: arguments.force,
        verify: arguments.verify,
    };
    if context.common.dry {
        return dry(&board, index, &recipe, &image, wish, tck_hz);
    }
    permanent_wanted(&recipe, &device.name, arguments.permanent)?;
    let mut opened = Opened::open(context)?;
    let (chain, _) = opened.chain(&board)?;
    let Some(place) = chain.place_of(index) else {
        let failure = Failure::chain(format!("{} is not on the chain now", device.name))
            .help("plug it in, and scan again");
        return Err(opened.fail(failure));
    };
    if let Err(failure) = may_drive(context, &board, device, &recipe, !opened.session.is_real()) {
        return Err(opened.fail(failure));
    }
    if recipe.permanent
        && let Err(failure) = context.consent(&for_good(&recipe, &device.name))
    {
        return Err(opened.fail(failure));
    }
    let all = described_chain(&board, &chain);
    let clamp = match recipe.others {
        Others::Clamp => {
            let conditions = Conditions {
                machine: machine(context.common.machine),
                ..Conditions::default()
            };
            match opened.session.clamp(&board, &chain, index, conditions) {
                Ok(clamp) => clamp,
                Err(error) => {
                    let failure = super::drive::failure(&error, &opened);
                    return Err(opened.fail(failure));
                }
            }
        }
        _ => None,
    };
    if recipe.others == Others::Clamp && clamp.is_none() {
        context.note("note: no other device can be held by CLAMP; they stay in BYPASS");
    }
    let target = Target {
        name: &device.name,
        place,
        device: bsdl,
        layout: chain.layout(),
        chain: &all,
        clamp: clamp.as_ref(),
    };
    if recipe.tried == Recipe::UNTRIED {
        context.note(&format!(
            "caution: the recipe \"{}\" is {}; it follows {}",
            recipe.name, recipe.tried, recipe.source
        ));
    }
    if arguments.force && image.can_be_forced(&recipe.image) {
        match image.recognise(&recipe.image, &bsdl.entity, chain.idcodes()[place]) {
            Ok(Err(refusal)) => {
                let why = refusal.finding(&device.name, &image);
                context.note(&format!(
                    "warning: going on by force, though {}: expected {}, seen {}",
                    why.what, why.expected, why.seen
                ));
            }
            Ok(Ok(_)) => {}
            Err(error) => return Err(opened.fail(Failure::input("file", error.to_string()))),
        }
    }
    let bar = work::progress_bar(
        context,
        image.bytes(),
        "  {bytes} of {total_bytes}  {bytes_per_sec}  {eta} left  {msg}",
    );
    let mut progress = |far: &Far| {
        bar.set_length(far.of);
        bar.set_position(far.sent);
        bar.set_message(far.why.clone());
    };
    let code = chain.idcodes()[place];
    let outcome = opened
        .session
        .load(&recipe, target, &image, code, tck_hz, wish, &mut progress);
    bar.finish_and_clear();
    match outcome {
        Ok(LoadOutcome::Refused(refusal)) => {
            let (fields, text) = refused(&refusal, &device.name, &image);
            opened.finish(Exit::Finding, fields, text)
        }
        Ok(LoadOutcome::Ran(load, loaded)) => ended(opened, &board, (&load, &loaded)),
        Err(error) => {
            let far = match &error {
                LoadError::Port { far, .. } => Some(report::load_lost_fields(far)),
                _ => None,
            };
            let failure = failure(error, &opened);
            let mut failed = opened.fail(failure);
            work::add_fields(&mut failed.fields, far.unwrap_or(json!({})));
            Err(failed)
        }
    }
}

fn ended(
    opened: Opened<'_>,
    board: &Board,
    (load, loaded): (&Load<'_>, &Loaded),
) -> Result<Outcome, Failed> {
    let fields = report::load_fields(load, loaded);
    match loaded.end {
        LoadEnd::Done => opened.finish_with(
            Exit::Good,
            fields,
            report::load_text(load, loaded),
            Some(board),
            &|_| Ok(()),
        ),
        LoadEnd::Failed(_) => opened.finish_with(
            Exit::Finding,
            fields,
            report::load_text(load, loaded),
            Some(board),
            &|_| Ok(()),
        ),
        LoadEnd::BrokenOff => {
            let mut opened = opened;
            let exit = opened
                .session
                .stop_asked()
                .map_or(Exit::Interrupted, Exit::from);
            let failure = Failure {
                exit,
                kind: "stopped",
                message: loaded.words(load),
                help: None,
            };
            let mut failed = opened.fail(failure);
            work::add_fields(&mut failed.fields, fields);
            Err(failed)
        }
    }
}

fn described(device: &BoardDevice) -> Result<&taploom_bsdl::Device, Failed> {
    device.bsdl.as_deref().ok_or_else(|| {
        Failure::input(
            "board",
            format!(
                "{} has no BSDL: it stays in BYPASS and cannot be loaded",
                device.name
            ),
        )
        .help("name its `entity` in the board file")
        .into()
    })
}

fn described_chain<'b>(board: &'b Board, chain: &Chain) -> Vec<Option<&'b taploom_bsdl::Device>> {
    chain
        .devices()
        .iter()
        .map(|d| board.devices[d.0].bsdl.as_deref())
        .collect()
}

fn recipe_of(board: &Board, device: &BoardDevice, given: Option<&Path>) -> Result<Recipe, Failed> {
    if given.or(device.recipe.as_deref()).is_none()
        && let Some(recipe) = device.bsdl.as_deref().and_then(Recipe::built_in_for)
    {
        return Ok(recipe);
    }
    let path = given.or(device.recipe.as_deref()).ok_or_else(|| {
        Failure::input("recipe", format!("there is no recipe for {} in {}", device.name, board.path.display())).help(
            "name one (`recipe = \"…\"` in the board file, or --recipe FILE); or let the maker's tool export \
SVF for the part (or STAPL, which this version does not play yet) and run `taploom play` with it",
        )
    })?;
    Recipe::open(path).map_err(bad_recipe)
}

fn bad_recipe(error: RecipeError) -> Failed {
    Failure::input("recipe", error.to_string()).into()
}

fn bad_image(error: ImageError) -> Failed {
    Failure::input("file", error.to_string()).into()
}

/// A part that keeps its image is loaded only when that is asked for, and nothing else is asked for so.
fn permanent_wanted(recipe: &Recipe, device: &str, wanted: bool) -> Result<(), Failure> {
    match (recipe.permanent, wanted) {
        (true, false) => Err(Failure::refused(format!(
            "the recipe \"{}\" writes {device} for good: what it holds now is lost, and the image stays without power",
            recipe.name
        ))
        .help("with --permanent it is done; it says first what that means, and asks")),
        (false, true) => Err(Failure::input(
            "recipe",
            format!(
                "--permanent, but the recipe \"{}\" does not say that {device} keeps its image",
                recipe.name
            ),
        )
        .help("without --permanent the image is loaded until power-off; a recipe of a part that keeps it says `permanent = true`")),
        _ => Ok(()),
    }
}

/// What a load for good means.
fn for_good(recipe: &Recipe, device: &str) -> String {
    format!(
        "This writes {device} for good, by the recipe \"{}\" ({}). What {device} holds now is lost from the first step on. A part \
that can be written only once cannot be undone; a memory beside the part is another matter, and is not written by this. The \
power must not fail, nor the cable come off, until it is done: a half written part may start with half a design, or not at all.",
        recipe.name, recipe.source
    )
}

/// Whether the harness of the board file with this hash has been proven: a record that cannot be read proves nothing.
pub(super) fn proven(board_hash: &str, simulated: bool) -> bool {
    let record = last_good(board_hash, simulated);
    record.is_some_and(|r| report::last_good_of(&r).is_some())
}

/// A device that will drive pins once it is loaded: the harness was proven with this very board
/// file, or the machine is off, or the user says so.
fn may_drive(
    context: &Context,
    board: &Board,
    device: &BoardDevice,
    recipe: &Recipe,
    simulated: bool,
) -> Result<(), Failure> {
    let proven = proven(&board.hash, simulated);
    if !recipe.drives_pins || proven || context.common.machine == Power::Off {
        return Ok(());
    }
    context.consent(&format!(
        "Once it is loaded, {} drives pins by its own design. The harness has not been proven with this board file \
(`taploom ringout {}`), and nobody said that the machine is off (`--machine off`): its drivers and those of the machine \
may be set against each other.",
        device.name,
        board.path.display()
    ))
}

fn refused(refusal: &ImageRefusal, device: &str, image: &Image) -> (Value, String) {
    let finding = refusal.finding(device, image);
    let mut lines = vec![format!(
        "{device} was not touched: this image is not for it."
    )];
    lines.extend(report::findings_lines(std::slice::from_ref(&finding)));
    let fields = json!({
        "device": device,
        "loaded": false,
        "findings": [report::finding_value(&finding)],
        "bits_shifted": 0, "payload_bits": 0, "tck_cycles": 0, "compares": 0, "mismatches": 0,
        "seconds": 0.0, "limit_seconds": 0.0,
    });
    (fields, lines.join("\n") + "\n")
}

fn failure(error: LoadError, opened: &Opened<'_>) -> Failure {
    match error {
        LoadError::Recipe(e) => Failure::input("recipe", e.to_string()),
        LoadError::Image(e) => Failure::input("file", e.to_string()),
        LoadError::Port { ref source, .. } => {
            let mut failure = Failure::port(source, opened.session.stop_asked());
            failure.message = error.to_string();
            failure
        }
    }
}

/// Counts without a port, over the chain as declared without optional devices (unless the
/// target is one).
fn dry(
    board: &Board,
    index: DeviceIndex,
    recipe: &Recipe,
    image: &Image,
    wish: LoadWish,
    tck_hz: u32,
) -> Result<Outcome, Failed> {
    let devices = board.chain_declared(board.devices[index.0].optional);
    let layout = ChainLayout::new(devices.iter().map(|d| d.ir_length as usize).collect());
    let place = devices.iter().position(|d| d.device == index).unwrap_or(0);
    let all: Vec<_> = devices
        .iter()
        .map(|d| board.devices[d.device.0].bsdl.as_deref())
        .collect();
    let device = &board.devices[index.0];
    let target = Target {
        name: &device.name,
        place,
        device: described(device)?,
        layout: &layout,
        chain: &all,
        clamp: None,
    };
    let prepared = Load::prepare(recipe, target, image, None, wish.force).map_err(load_input)?;
    match prepared {
        Ok(load) => {
            let loaded = load.rehearse(tck_hz, wish.verify).map_err(load_input)?;
            let text = report::load_text(&load, &loaded);
            Ok(Outcome {
                exit: Exit::Good,
                fields: report::load_fields(&load, &loaded),
                text,
            })
        }
        Err(refusal) => {
            let (fields, text) = refused(&refusal, &device.name, image);
            Ok(Outcome {
                exit: Exit::Finding,
                fields,
                text,
            })
        }
    }
}

fn load_input(error: LoadError) -> Failed {
    Failure::input("file", error.to_string()).into()
}

/// `load --check RECIPE [BOARD DEVICE]`.
fn check(arguments: &args::Load, path: &Path) -> Result<Outcome, Failed> {
    let recipe = Recipe::open(path).map_err(bad_recipe)?;
    let mut text = format!(
        "{}: {} for {}\n",
        path.display(),
        recipe.name,
        recipe.for_words().join(", ")
    );
    let mut against = Value::Null;
    if let Some(board) = &arguments.board {
        let board = work::load_board(board)?;
        let named = arguments
            .device
            .as_deref()
            .map(|name| work::device(&board, name))
            .transpose()?;
        let fits = |d: &BoardDevice| d.bsdl.as_deref().is_some_and(|b| recipe.is_for_device(b));
        let index = named.map_or_else(|| board.devices.iter().position(fits), |d| Some(d.0));
        let device = index.map(|i| &board.devices[i]).ok_or_else(|| {
            Failure::input(
                "recipe",
                format!(
                    "no device of {} is a {}",
                    board.path.display(),
                    recipe.for_words().join(" or ")
                ),
            )
        })?;
        recipe.check(described(device)?).map_err(bad_recipe)?;
        text.push_str(&format!("  fits the BSDL of {}\n", device.name));
        against = json!(&*device.name);
    }
    let fields = json!({ "recipe": recipe.name, "entities": recipe.entities, "fits": against });
    Ok(Outcome {
        exit: Exit::Good,
        fields,
        text,
    })
}
