//! What every command that works on a chain does: reads the board, opens a session, ends it.

use std::fs::File;
use std::io::BufReader;
use std::path::Path;
use std::time::Instant;

use indicatif::{ProgressBar, ProgressStyle};
use serde_json::Value;

use crate::board::{Board, DeviceIndex};
use crate::chain::{Chain, Comparison};
use crate::files::reason;
use crate::report;
use crate::session::{Left, OpenError, Place, Session, StoreError, write_whole};
use crate::tap::{Port, PortError};

use super::args::Common;
use super::{Context, Exit, Failed, Failure, Outcome};

/// Reads a board file.
pub(super) fn load_board(path: &Path) -> Result<Board, Failed> {
    Board::load(path).map_err(|error| Failure::input("board", error.to_string()).into())
}

/// A file to be read, which must be a plain one.
pub(super) fn open_file(path: &Path) -> Result<BufReader<File>, Failure> {
    let shown = path.display();
    // Opening a pipe could wait for ever, so it is looked at first.
    let opened = std::fs::metadata(path).and_then(|m| match m.is_file() {
        true => File::open(path).map(Some),
        false => Ok(None),
    });
    match opened {
        Ok(Some(file)) => Ok(BufReader::new(file)),
        Ok(None) => Err(Failure::input("file", format!("{shown} is no plain file"))
            .help("name a file, not a folder or a pipe")),
        Err(error) => Err(Failure::input(
            "file",
            format!("cannot read {shown}: {}", reason(&error)),
        )),
    }
}

/// A bar on standard error, where that is a terminal and notes are wanted.
pub(super) fn progress_bar(context: &Context, length: u64, template: &str) -> ProgressBar {
    if context.common.quiet || context.common.json {
        return ProgressBar::hidden();
    }
    let bar = ProgressBar::new(length);
    let style = ProgressStyle::with_template(template);
    bar.set_style(style.unwrap_or_else(|_| ProgressStyle::default_bar()));
    bar
}

/// The device of this name on the board.
pub(super) fn device(board: &Board, name: &str) -> Result<DeviceIndex, Failed> {
    let found = board
        .devices
        .iter()
        .position(|d| d.name.eq_ignore_ascii_case(name));
    found.map(DeviceIndex).ok_or_else(|| {
        let names: Vec<&str> = board.devices.iter().map(|d| &*d.name).collect();
        Failure::input(
            "board",
            format!("{} has no device {name}", board.path.display()),
        )
        .help(format!("its devices are {}", names.join(", ")))
        .into()
    })
}

/// Adds fields to a document.
pub(super) fn add_fields(to: &mut Value, more: Value) {
    if let (Value::Object(to), Value::Object(more)) = (to, more) {
        to.extend(more);
    }
}

/// What takes the adapter's place, if anything does.
pub(super) fn place_of(common: &Common) -> Place {
    match (&common.simulate, &common.tap) {
        (Some(bench), _) => Place::Bench {
            file: bench.clone(),
            profile: common.profile.clone(),
        },
        (_, Some(address)) => Place::Tap {
            address: address.clone(),
            allow_remote: common.allow_remote,
        },
        _ => Place::Adapter {
            selector: common.adapter.clone(),
            profile: common.profile.clone(),
            reattach: common.reattach,
        },
    }
}

/// An open session, to be ended by [`Opened::finish`].
pub(super) struct Opened<'c> {
    context: &'c Context,
    began: Instant,
    pub(super) session: Session,
    /// Fights of unknown shorts are part of what was asked for.
    pub(super) brief_fights: bool,
}

impl<'c> Opened<'c> {
    pub(super) fn open(context: &'c Context) -> Result<Self, Failed> {
        let common = &context.common;
        let place = place_of(common);
        let session = Session::open(&place, common.trace.clone(), context.cancel.clone());
        let session = session.map_err(|error| match error {
            OpenError::Bench(e) => Failure::input("bench", e.to_string()),
            OpenError::Port(e) => Failure::port(&e, None),
            OpenError::Address(e) => Failure::input("usage", e.to_string()),
            OpenError::Remote(e) => Failure::refused(e.to_string()),
            OpenError::Profile(e) => Failure::input("profile", e.to_string()),
            OpenError::Trace { .. } => Failure::input("file", error.to_string()),
        })?;
        Ok(Opened {
            context,
            began: Instant::now(),
            session,
            brief_fights: false,
        })
    }

    /// Does a job; if the port fails, ends the session and says how the board was left.
    pub(super) fn job<T>(
        &mut self,
        job: impl FnOnce(&mut Session) -> Result<T, PortError>,
    ) -> Result<T, Failed> {
        job(&mut self.session).map_err(|error| {
            let failure = Failure::port(&error, self.session.stop_asked());
            self.fail(failure)
        })
    }

    /// Scans, and gives the chain if it is the declared one.
    pub(super) fn chain(&mut self, board: &Board) -> Result<(Chain, Comparison), Failed> {
        let scanned = self.job(|session| session.scan(Some(board)))?;
        let whole = scanned.found.is_whole();
        let comparison = scanned.comparison.clone().expect("a board was given");
        match comparison.chain.clone() {
            Some(chain) => {
                for finding in &comparison.findings {
                    self.context.note(&format!("note: {finding}"));
                }
                Ok((chain, comparison))
            }
            None => {
                let mut lines = vec![format!(
                    "the chain is {}",
                    report::in_words(&comparison, board)
                )];
                lines.extend(report::findings_lines(&comparison.findings));
                let mut failure = Failure::chain(lines.join("\n"))
                    .help("run `taploom scan` with this board until the chain is as declared");
                if whole {
                    failure.exit = Exit::Finding;
                }
                let mut failed = self.fail(failure);
                add_fields(
                    &mut failed.fields,
                    report::scan_fields(&scanned, Some(board)),
                );
                Err(failed)
            }
        }
    }

    /// Ends the session after a failure.
    pub(super) fn fail(&mut self, failure: Failure) -> Failed {
        let left = self.session.leave();
        let line = match left {
            Left::Safe => {
                "the test logic is in Test-Logic-Reset and the adapter's lines are released: the devices do what their own designs say"
            }
            Left::Unknown => left.warning(),
        };
        let mut fields = serde_json::Map::new();
        self.simulated(&mut fields);
        Failed {
            failure: Box::new(failure.also(line)),
            fields: Value::Object(fields),
        }
    }

    /// Ends the session and gives the outcome.
    pub(super) fn finish(self, exit: Exit, fields: Value, text: String) -> Result<Outcome, Failed> {
        self.finish_with(exit, fields, text, None, &|_| Ok(()))
    }

    /// As [`Opened::finish`]; with a board the record is written where `--record` says and
    /// handed to `keep`.
    pub(super) fn finish_with(
        mut self,
        mut exit: Exit,
        fields: Value,
        mut text: String,
        board: Option<&Board>,
        keep: &dyn Fn(&str) -> Result<(), StoreError>,
    ) -> Result<Outcome, Failed> {
        let left = self.session.leave();
        let Value::Object(mut fields) = fields else {
            unreachable!("the fields of a document are an object")
        };
        self.simulated(&mut fields);
        let fights = self.session.witness().map_or(0, |w| w.seen().fight_count);
        if fights > 0 && !self.brief_fights {
            if exit == Exit::Good {
                exit = Exit::Finding;
            }
            text.push_str(&report::fights_text(
                &self.session.witness().expect("it saw fights").seen(),
            ));
        }
        let fields = Value::Object(fields);
        if let Left::Unknown = left {
            let failure = Failure::leaving().also(left.warning());
            return Err(Failed {
                failure: Box::new(failure),
                fields,
            });
        }
        if let Some(board) = board {
            let document = report::document(self.context.name, exit.code(), fields.clone());
            let simulated = self.session.witness().is_some();
            let seconds = self.began.elapsed().as_secs_f64();
            let record =
                report::record_document(&document, board, self.session.label(), simulated, seconds);
            let record = super::pretty(&record) + "\n";
            let kept = match &self.context.common.record {
                Some(path) => write_whole(path, record.as_bytes()),
                None => Ok(()),
            };
            if let Err(error) = kept {
                // What was found is not lost with it.
                return Err(Failed {
                    failure: Box::new(Failure::input("file", error.to_string()).also(&text)),
                    fields,
                });
            }
            // What is kept for later is a help, not the job: it may fail with a note.
            if let Err(error) = keep(&record) {
                self.context
                    .note(&format!("note: the record was not kept for later: {error}"));
            }
        }
        if !self.context.common.quiet {
            text.push_str(
                "\nThe test logic is in Test-Logic-Reset and the adapter's lines are released: the devices do what their own designs say.\n",
            );
        }
        Ok(Outcome { exit, fields, text })
    }

    fn simulated(&self, fields: &mut serde_json::Map<String, Value>) {
        if let Some(witness) = self.session.witness() {
            let value = report::simulated_value(witness, &self.session.traffic());
            fields.insert("simulated".into(), value);
        }
    }
}
