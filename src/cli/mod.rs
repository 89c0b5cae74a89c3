//! The program: arguments in, a session, a report out. One file a command.
//!
//! This room holds no logic of the job. It is the only one that prints.

mod adapters;
mod args;
mod demo;
mod describe;
mod drive;
mod exit;
mod help;
mod index;
mod load;
mod manual;
mod margin;
mod new;
mod out;
mod outputs;
mod play;
mod ringout;
mod run;
mod scan;
mod simulate;
mod state;
mod vet;
mod work;

use std::process::ExitCode;

use clap::FromArgMatches;
use serde_json::{Value, json};

use crate::report::{Fault, document, failure_document};
use crate::session::Cancel;
use crate::tap::PortError;
use args::{Cli, Command, Common};

pub use exit::{Exit, Failure};

/// What a command gives back: its exit status, the fields of its document and its text.
pub(crate) struct Outcome {
    pub(crate) exit: Exit,
    pub(crate) fields: Value,
    pub(crate) text: String,
}

/// What a failed command gives back beside its failure: fields that are known all the same.
pub(crate) struct Failed {
    pub(crate) failure: Box<Failure>,
    pub(crate) fields: Value,
}

impl From<Failure> for Failed {
    fn from(failure: Failure) -> Self {
        Failed {
            failure: Box::new(failure),
            fields: json!({}),
        }
    }
}

/// What every command gets.
pub(crate) struct Context {
    /// The command's name, as in the schema of its documents.
    pub(crate) name: &'static str,
    pub(crate) common: Common,
    pub(crate) cancel: Cancel,
}

impl Context {
    /// Asks for consent, or takes `--yes`. What is asked comes with its cautions.
    pub(crate) fn consent(&self, what: &str) -> Result<(), Failure> {
        use std::io::IsTerminal;
        if self.common.yes {
            self.note(what);
            return Ok(());
        }
        if !self.common.json && std::io::stdin().is_terminal() {
            out::note(what);
            return match out::asked("Go on?", &self.cancel) {
                Ok(true) => Ok(()),
                Ok(false) => Err(Failure::refused("you did not consent; nothing was driven")),
                Err(stop) => {
                    Err(Failure::port(&PortError::Interrupted, Some(stop))
                        .also("nothing was driven"))
                }
            };
        }
        Err(
            Failure::refused(format!("consent is needed, and nobody was asked. {what}"))
                .help("with --yes you consent"),
        )
    }

    /// A note to the user, unless none are wanted.
    pub(crate) fn note(&self, line: &str) {
        if !self.common.quiet && !line.is_empty() {
            out::note(line);
        }
    }
}

/// Runs the program with the process's arguments.
pub fn main() -> ExitCode {
    let json_asked = std::env::args_os()
        .skip(1)
        .take_while(|a| a != "--")
        .any(|a| a == "--json");
    let parsed = help::command()
        .try_get_matches()
        .and_then(|m| Cli::from_arg_matches(&m));
    let cli = match parsed {
        Ok(cli) => cli,
        Err(error) => return wrong_command_line(&error, json_asked),
    };
    let cancel = match Cancel::on_signals() {
        Ok(cancel) => cancel,
        Err(error) => {
            out::note(&format!(
                "taploom: the system refuses signal handlers: {error}"
            ));
            return ExitCode::from(Exit::Port.code());
        }
    };
    let name = cli.command.as_ref().map_or("state", Command::name);
    let context = Context {
        name,
        common: cli.common,
        cancel,
    };
    let result = dispatch(&context, cli.command);
    ExitCode::from(conclude(&context, name, result).code())
}

fn dispatch(context: &Context, command: Option<Command>) -> Result<Outcome, Failed> {
    match command {
        Some(Command::Scan { board }) => scan::run(context, board.as_deref()),
        Some(Command::Ringout(arguments)) => ringout::run(context, &arguments),
        Some(Command::Drive(arguments)) => drive::run(context, &arguments),
        Some(Command::Load(arguments)) => load::run(context, &arguments),
        Some(Command::Play(arguments)) => play::run(context, &arguments),
        Some(Command::Run(arguments)) => run::run(context, &arguments),
        Some(Command::New(arguments)) => new::run(context, &arguments),
        Some(Command::Simulate(arguments)) => simulate::run(context, &arguments),
        Some(Command::Describe(arguments)) => describe::run(context, &arguments),
        Some(Command::Index(arguments)) => index::run(context, &arguments),
        Some(Command::Vet(arguments)) => vet::run(context, &arguments),
        Some(Command::Adapters(arguments)) => adapters::run(context, &arguments),
        Some(Command::Margin { board }) => margin::run(context, &board),
        Some(Command::Demo) => demo::run(context),
        Some(Command::Completions { shell }) => Ok(manual::completions(shell)),
        Some(Command::Manual { folder }) => manual::manual(context, folder.as_deref()),
        Some(Command::Help { command }) => manual::help(command.as_deref()),
        None => state::run(context),
    }
}

/// Prints what a command gave.
fn conclude(context: &Context, name: &str, result: Result<Outcome, Failed>) -> Exit {
    let json = context.common.json;
    match result {
        Ok(Outcome { exit, fields, text }) => {
            let told = if json {
                out::data(&pretty(&document(name, exit.code(), fields)))
            } else {
                text.is_empty() || out::data(&text)
            };
            if told { exit } else { Exit::Input }
        }
        Err(Failed { failure, fields }) => {
            let exit = failure.exit;
            if json {
                let fault = Fault {
                    kind: failure.kind,
                    message: &failure.message,
                    help: failure.help.as_deref(),
                };
                out::data(&pretty(&failure_document(name, exit.code(), fault, fields)));
            } else {
                out::failure(&failure);
            }
            exit
        }
    }
}

fn pretty(value: &Value) -> String {
    serde_json::to_string_pretty(value).expect("a JSON value always prints")
}

/// A wrong command line, help or version, as clap words it; with `--json` as a document.
fn wrong_command_line(error: &clap::Error, json_asked: bool) -> ExitCode {
    use clap::error::ErrorKind;
    let asked = matches!(
        error.kind(),
        ErrorKind::DisplayHelp | ErrorKind::DisplayVersion
    );
    if asked || !json_asked {
        let _ = error.print();
    } else {
        let text = error.render().to_string();
        // What is missing stands on lines of its own.
        let said = text
            .lines()
            .take_while(|l| !l.starts_with("Usage:") && !l.is_empty());
        let said: Vec<&str> = said.map(str::trim).collect();
        let first = said.join(" ").trim_start_matches("error: ").to_owned();
        let fault = Fault {
            kind: "usage",
            message: &first,
            help: Some("run `taploom --help`, or `taploom COMMAND --help`"),
        };
        out::data(&pretty(&failure_document(
            "usage",
            Exit::Input.code(),
            fault,
            json!({}),
        )));
    }
    ExitCode::from(if asked { 0 } else { Exit::Input.code() })
}
