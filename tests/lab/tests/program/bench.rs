//! One emulated adapter on the knitting machine's board, and the program before it.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use serde_json::Value;
use taploom::simulator::adapter::Model;
use taploom::simulator::{Bench, Witness};
use taploom_lab::fuse::{Access, Lab, Run, Running};
use taploom_lab::personality::{Adapter, Device, Fault, Faulty, Standing};

pub(crate) const BOARD: &str = "fixtures/knitting-machine/board.toml";
pub(crate) const AS_DRAWN: &str = "fixtures/knitting-machine/as-drawn.toml";
const IMAGE: &str = "fixtures/knitting-machine/pattern-tap.bin";
/// Nothing here runs so long unless it hangs.
const LIMIT: Duration = Duration::from_secs(60);

/// What the program is asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Job {
    Scan,
    Ringout,
    Load,
}

impl Job {
    pub(crate) const ALL: [Job; 3] = [Job::Scan, Job::Ringout, Job::Load];

    fn arguments(self) -> Vec<&'static str> {
        match self {
            Job::Scan => vec!["scan", BOARD],
            Job::Ringout => vec![
                "ringout",
                BOARD,
                "--by",
                "both-ends",
                "--machine",
                "off",
                "--yes",
            ],
            Job::Load => vec!["load", BOARD, "U1", IMAGE, "--yes"],
        }
    }
}

pub(crate) fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")
}

/// The program of the same build as this test: cargo keeps it two folders up.
pub(crate) fn program() -> PathBuf {
    let test = std::env::current_exe().expect("this test has a path");
    let folder = test.ancestors().nth(2).expect("a target folder");
    let program = folder.join("taploom");
    assert!(
        program.is_file(),
        "{} is missing: run `cargo build` first, tests/run does",
        program.display()
    );
    program
}

/// Whether everything is asked for: longer grids, and no skips.
pub(crate) fn full() -> bool {
    std::env::var("TAPLOOM_TESTS").is_ok_and(|v| v == "full")
}

/// Held by tests that fill the processor or hold times against limits: one at a time.
pub(crate) fn alone() -> MutexGuard<'static, ()> {
    static ALONE: Mutex<()> = Mutex::new(());
    ALONE.lock().unwrap_or_else(PoisonError::into_inner)
}

/// A laboratory; none where the system does not allow it, which is said.
pub(crate) fn lab() -> Option<Lab> {
    match Lab::open() {
        Ok(lab) => Some(lab),
        Err(e) => {
            assert!(!full(), "the USB laboratory cannot be had here: {e}");
            println!("SKIPPED: the USB laboratory cannot be had here: {e}");
            None
        }
    }
}

/// What came of a run: the document beside the rest.
pub(crate) struct Told {
    pub(crate) run: Run,
    pub(crate) document: Value,
}

/// Runs the program with `--json`.
pub(crate) fn ask(lab: &Lab, arguments: &[&str]) -> Told {
    let run = lab
        .start(command(lab, arguments))
        .unwrap_or_else(|e| panic!("{arguments:?}: {e}"))
        .wait(LIMIT);
    let document = serde_json::from_str(&run.stdout).unwrap_or_else(|e| {
        panic!("{arguments:?}: no single JSON document: {e}\n{run:#?}");
    });
    Told { run, document }
}

pub(crate) fn command(lab: &Lab, arguments: &[&str]) -> Command {
    let mut command = lab.program(program());
    command.args(arguments).arg("--json");
    command
}

/// One adapter with the board on it.
pub(crate) struct Scene {
    pub(crate) lab: Lab,
    pub(crate) address: u8,
    pub(crate) witness: Witness,
    serial: String,
}

impl Scene {
    /// A chip with a fault, and who else is at it.
    pub(crate) fn new(model: &Model, fault: Option<Fault>, access: Access) -> Option<Scene> {
        let mut lab = lab()?;
        let bench = Bench::open(root().join(AS_DRAWN)).expect("the scenario");
        let witness = bench.witness();
        let adapter = Adapter::new(model, 0, Box::new(bench));
        let device: Box<dyn Device> = match fault {
            Some(fault) => Box::new(Faulty::new(adapter, fault)),
            None => Box::new(adapter),
        };
        let address = lab.plug(device, access);
        Some(Scene {
            lab,
            address,
            witness,
            serial: model.serial.clone(),
        })
    }

    /// Does a job on this adapter, named by its place where the system does not let its serial number be read.
    pub(crate) fn job(&self, job: Job, by_place: bool) -> Told {
        self.job_with(job, by_place, &[])
    }

    /// The same with more arguments.
    pub(crate) fn job_with(&self, job: Job, by_place: bool, more: &[&str]) -> Told {
        let place = format!("1:{}", self.address);
        let selector = if by_place { &place } else { &self.serial };
        let mut arguments = job.arguments();
        arguments.extend(["--adapter", selector]);
        arguments.extend(more);
        ask(&self.lab, &arguments)
    }

    /// Begins a job.
    pub(crate) fn start(&self, job: Job, more: &[&str]) -> Running {
        let mut arguments = job.arguments();
        arguments.extend(["--adapter", &self.serial]);
        arguments.extend(more);
        let started = self.lab.start(command(&self.lab, &arguments));
        started.unwrap_or_else(|e| panic!("{arguments:?}: {e}"))
    }

    /// Whether the system's driver has a channel, 0 for A.
    pub(crate) fn driver_holds(&self, channel: u8) -> bool {
        self.lab.driver_holds(self.address, channel)
    }

    /// Channels of the chip.
    pub(crate) fn interfaces(&self) -> u8 {
        self.standing().driven.len() as u8
    }

    pub(crate) fn standing(&self) -> Standing {
        let standing = self.lab.standing(self.address);
        assert_eq!(standing.failed, None, "the bench failed");
        standing
    }
}
