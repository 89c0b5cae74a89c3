//! `taploom help`, `taploom completions SHELL` and `taploom manual [FOLDER]`: what users, a shell and `man` want to know of the program.

use std::path::Path;

use clap_mangen::Man;
use clap_mangen::roff::{Roff, roman};
use serde_json::json;

use crate::files::reason;
use crate::session::write_whole;

use super::args::EXIT_STATUS;
use super::{Context, Exit, Failed, Failure, Outcome, help};

/// The completion script of a shell.
pub(super) fn completions(shell: clap_complete::Shell) -> Outcome {
    let mut script = Vec::new();
    clap_complete::generate(shell, &mut help::commands(), "taploom", &mut script);
    let text = String::from_utf8_lossy(&script).into_owned();
    Outcome {
        exit: Exit::Good,
        fields: json!({ "shell": shell.to_string(), "script": text }),
        text,
    }
}

/// The help of the program or of a command.
pub(super) fn help(command: Option<&str>) -> Result<Outcome, Failed> {
    let Some(text) = help::of(command) else {
        let name = command.unwrap_or_default();
        return Err(
            Failure::input("usage", format!("there is no command {name}"))
                .help("`taploom help` lists the commands")
                .into(),
        );
    };
    Ok(Outcome {
        exit: Exit::Good,
        fields: json!({ "help": text.to_string() }),
        text: text.ansi().to_string(),
    })
}

/// The pages of the manual: into a folder, or the first one as text.
pub(super) fn manual(context: &Context, folder: Option<&Path>) -> Result<Outcome, Failed> {
    let pages = pages();
    let Some(folder) = folder else {
        let text = pages
            .into_iter()
            .next()
            .map_or_else(String::new, |(_, text)| text);
        return Ok(Outcome {
            exit: Exit::Good,
            fields: json!({ "page": text }),
            text,
        });
    };
    let names: Vec<&str> = pages.iter().map(|(name, _)| name.as_str()).collect();
    let fields = json!({ "folder": folder.display().to_string(), "pages": names });
    let count = crate::report::plural(pages.len(), "page");
    if context.common.dry {
        let text = format!("would write {count} into {}\n", folder.display());
        return Ok(Outcome {
            exit: Exit::Good,
            fields,
            text,
        });
    }
    std::fs::create_dir_all(folder).map_err(|e| {
        Failure::input(
            "file",
            format!("cannot make {}: {}", folder.display(), reason(&e)),
        )
        .help("name a folder that may be written")
    })?;
    for (name, text) in &pages {
        write_whole(&folder.join(name), text.as_bytes())
            .map_err(|e| Failure::input("file", e.to_string()))?;
    }
    let text = format!(
        "{count} written into {}; `man {}` shows the first\n",
        folder.display(),
        folder.join("taploom.1").display(),
    );
    Ok(Outcome {
        exit: Exit::Good,
        fields,
        text,
    })
}

/// File name and text of every page, the program's own first.
fn pages() -> Vec<(String, String)> {
    let mut command = help::commands();
    command.build();
    let mut pages = vec![page(&command, "taploom")];
    for sub in command.get_subcommands() {
        pages.push(page(sub, &format!("taploom-{}", sub.get_name())));
    }
    pages
}

fn page(command: &clap::Command, name: &str) -> (String, String) {
    let mut text = Vec::new();
    render(command, name, &mut text).expect("memory takes what is written");
    let text = String::from_utf8_lossy(&text).into_owned();
    (format!("{name}.1"), text)
}

fn render(command: &clap::Command, name: &str, to: &mut Vec<u8>) -> std::io::Result<()> {
    let version = format!("taploom {}", env!("CARGO_PKG_VERSION"));
    let man = Man::new(command.clone().display_name(name.to_owned()))
        .title(name.to_uppercase())
        .source(version);
    man.render_title(to)?;
    man.render_name_section(to)?;
    let usage = command.clone().render_usage().to_string();
    let mut synopsis = Roff::new();
    synopsis.control("SH", ["SYNOPSIS"]);
    synopsis.text([roman(usage.trim_start_matches("Usage: ").trim())]);
    synopsis.to_writer(to)?;
    man.render_description_section(to)?;
    man.render_options_section(to)?;
    if command.has_subcommands() {
        man.render_subcommands_section(to)?;
    }
    let after = command.get_after_help().map(ToString::to_string);
    let (examples, more) = match (&after, command.has_subcommands()) {
        (Some(after), false) => match after.split_once("\n\n") {
            Some((examples, more)) => (examples, more),
            None => (after.as_str(), ""),
        },
        _ => (
            "taploom demo\ntaploom scan board.toml\ntaploom help ringout",
            "",
        ),
    };
    let mut page = Roff::new();
    page.control("SH", ["EXAMPLES"]);
    for example in examples
        .lines()
        .filter_map(|l| l.find("taploom").map(|at| &l[at..]))
    {
        page.control("PP", [])
            .control("RS", ["4"])
            .control("nf", []);
        page.text([roman(example)]);
        page.control("fi", []).control("RE", []);
    }
    if !more.is_empty() {
        page.control("PP", []).text([roman(more)]);
    }
    page.control("SH", ["EXIT STATUS"]);
    for status in EXIT_STATUS.trim_start_matches("Exit status: ").split("; ") {
        page.control("PP", []).text([roman(status)]);
    }
    page.to_writer(to)
}
