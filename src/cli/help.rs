//! The program's help: commands in groups, and for each command the options that mean something to it.

use clap::{Args, CommandFactory};

use super::args::{Cli, Common, EXIT_STATUS};

/// The commands in groups, in the order in which one meets them.
const GROUPS: &[(&str, &[&str])] = &[
    ("The chain", &["adapters", "scan", "new", "margin"]),
    ("The wires", &["ringout", "drive"]),
    ("The devices", &["load", "play"]),
    ("The whole evening", &["run"]),
    ("BSDL files", &["describe", "vet", "index"]),
    ("Without hardware", &["demo", "simulate"]),
    ("This program", &["completions", "manual", "help"]),
];

/// Commands that meet a chain.
const ON_A_CHAIN: &[&str] = &[
    "scan", "new", "margin", "ringout", "drive", "load", "play", "run",
];

/// Commands that may drive pins.
const DRIVING: &[&str] = &["ringout", "drive", "load", "play", "run"];

/// The command line as it is parsed, with the help as users see it.
pub(super) fn command() -> clap::Command {
    let command = commands();
    let help = overview(&command);
    command.override_help(help)
}

/// The command line, where each command shows the options that mean something to it.
pub(super) fn commands() -> clap::Command {
    let mut command = Cli::command();
    let common: Vec<clap::Arg> = command.get_arguments().cloned().collect();
    let names: Vec<String> = command
        .get_subcommands()
        .map(|c| c.get_name().to_owned())
        .collect();
    for name in &names {
        // An option that means nothing to a command is taken all the same, but its help keeps silent about it.
        for arg in common.iter().filter(|a| a.is_global_set()) {
            if !means_something(name, arg.get_id().as_str()) {
                let hidden = arg.clone().hide(true);
                command = command.mut_subcommand(name, |c| c.arg(hidden));
            }
        }
    }
    command
}

/// Whether a common option means something to a command.
fn means_something(command: &str, option: &str) -> bool {
    let on_a_chain = ON_A_CHAIN.contains(&command);
    match option {
        "adapter" | "profile" | "simulate" | "tap" | "trace" | "record" => on_a_chain,
        "allow_remote" => on_a_chain || command == "simulate",
        "machine" | "yes" => DRIVING.contains(&command),
        "dry" => on_a_chain || matches!(command, "simulate" | "describe" | "index" | "manual"),
        "json" | "quiet" => !matches!(command, "completions" | "manual" | "help"),
        _ => true,
    }
}

/// The help of the program itself.
fn overview(command: &clap::Command) -> String {
    let header = command.get_styles().get_header();
    let literal = command.get_styles().get_literal();
    let mut text = format!(
        "{}.\n\n{header}Usage:{header:#} {literal}taploom{literal:#} [OPTIONS] [COMMAND]\n\n\
         Without a command: one screen that says how things stand and what to do next.\n",
        command.get_about().cloned().unwrap_or_default(),
    );
    for (heading, names) in GROUPS {
        text.push_str(&format!("\n{header}{heading}:{header:#}\n"));
        for name in *names {
            let about = (command.find_subcommand(name)).and_then(clap::Command::get_about);
            let about = about.cloned().unwrap_or_default();
            text.push_str(&format!("  {literal}{name:<11}{literal:#}  {about}\n"));
        }
    }
    let options = clap::Command::new("taploom")
        .version(env!("CARGO_PKG_VERSION"))
        .disable_help_flag(true)
        .disable_version_flag(true)
        .max_term_width(100)
        .help_template("{all-args}{after-help}")
        .after_help(format!(
            "{EXIT_STATUS}\n\nExamples:\n  taploom demo\n  taploom scan board.toml\n  taploom help ringout"
        ));
    let mut options = Common::augment_args(options);
    text.push('\n');
    text.push_str(&options.render_help().ansi().to_string());
    text
}

/// The help of a command, as `taploom COMMAND --help` gives it; `None` if there is no such command.
pub(super) fn of(name: Option<&str>) -> Option<clap::builder::StyledStr> {
    let mut command = command();
    command.build();
    match name {
        None => Some(command.render_help()),
        Some(name) => command
            .find_subcommand_mut(name)
            .map(clap::Command::render_help),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plain(name: Option<&str>) -> String {
        of(name).expect("there is help").to_string()
    }

    #[test]
    fn the_command_line_is_sound() {
        command().debug_assert();
        Cli::command().debug_assert();
    }

    #[test]
    fn each_command_stands_in_one_group_and_has_a_line_and_an_example() {
        let all = Cli::command();
        let mut grouped: Vec<&str> = GROUPS
            .iter()
            .flat_map(|(_, names)| *names)
            .copied()
            .collect();
        let mut names: Vec<&str> = all.get_subcommands().map(clap::Command::get_name).collect();
        grouped.sort_unstable();
        names.sort_unstable();
        assert_eq!(grouped, names);
        for sub in all.get_subcommands() {
            let name = sub.get_name();
            let line = sub.get_about().map(ToString::to_string).unwrap_or_default();
            assert!((10..=47).contains(&line.chars().count()), "{name}: {line}");
            let help = plain(Some(name));
            assert!(
                help.contains(&format!("taploom {name}")) && help.contains("Example"),
                "{help}"
            );
        }
    }

    #[test]
    fn help_shows_the_options_that_mean_something() {
        let vet = plain(Some("vet"));
        assert!(vet.contains("--deny") && vet.contains("--json"), "{vet}");
        assert!(!vet.contains("--profile"), "{vet}");
        assert!(
            !vet.contains("--tap") && !vet.contains("--machine"),
            "{vet}"
        );
        let ringout = plain(Some("ringout"));
        for option in ["--only", "--machine", "--simulate", "--dry", "--trace"] {
            assert!(ringout.contains(option), "{option}: {ringout}");
        }
        let whole = plain(None);
        for option in ["ringout", "--machine", "--help", "--version", "Exit status"] {
            assert!(whole.contains(option), "{option}: {whole}");
        }
    }

    /// The examples in the help are command lines that the program takes.
    #[test]
    fn examples_are_command_lines() {
        let mut count = 0;
        for sub in Cli::command().get_subcommands() {
            let text = sub
                .get_after_help()
                .map(ToString::to_string)
                .unwrap_or_default();
            for line in text.lines() {
                let Some((_, example)) = line.split_once("taploom ") else {
                    continue;
                };
                let words = example.split(" > ").next().unwrap_or_default();
                let words = std::iter::once("taploom").chain(words.split(' '));
                if let Err(e) = command().try_get_matches_from(words) {
                    panic!("{example}: {e}");
                }
                count += 1;
            }
        }
        assert!(count >= 20, "{count} examples");
    }
}
