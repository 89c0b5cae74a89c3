//! `taploom new --script BOARD`.

use serde_json::json;

use crate::script::first_script;
use crate::session::write_whole;

use super::args::New;
use super::{Context, Exit, Failed, Failure, Outcome, work};

pub(super) fn run(context: &Context, arguments: &New) -> Result<Outcome, Failed> {
    let board = work::load_board(&arguments.script)?;
    let folder = arguments
        .script
        .parent()
        .unwrap_or(std::path::Path::new(""));
    let target = match &arguments.output {
        Some(path) => path.clone(),
        None => folder.join("bringup.rhai"),
    };
    // Names in a script count from its own folder: beside the board the board's bare name is enough.
    let same = target.parent().unwrap_or(std::path::Path::new("")) == folder;
    let name = match (same, arguments.script.file_name()) {
        (true, Some(name)) => name.to_string_lossy().into_owned(),
        _ => std::path::absolute(&arguments.script)
            .unwrap_or_else(|_| arguments.script.clone())
            .display()
            .to_string(),
    };
    if target.symlink_metadata().is_ok() && !arguments.force && !context.common.dry {
        return Err(Failure::input(
            "file",
            format!("{} is there already, and was left alone", target.display()),
        )
        .help("--force overwrites it; --output FILE names another")
        .into());
    }
    let shown = target.display().to_string();
    let fields = json!({ "script": shown, "board": board.name });
    if context.common.dry {
        return Ok(Outcome {
            exit: Exit::Good,
            fields,
            text: format!("would write {shown}:\n\n{}", first_script(&board, &name)),
        });
    }
    write_whole(&target, first_script(&board, &name).as_bytes())
        .map_err(|e| Failure::input("file", e.to_string()))?;
    Ok(Outcome {
        exit: Exit::Good,
        fields,
        text: format!(
            "{shown} written; `taploom run {shown} --check` holds it against the board\n"
        ),
    })
}
