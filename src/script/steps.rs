//! What a script did, step by step.

use crate::boundary::drive::TableRun;
use crate::load::Loaded;
use crate::load::play::Played;
use crate::ringout::RingOut;
use crate::session::{Read, Scanned};

use super::{End, Value};

/// What came of a step.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum StepVerdict {
    /// It did what it says, and all was as it should be.
    Passed,
    /// Something about the board is not as it should be.
    Failed,
    /// It could not be done: refused, stopped, or something is wrong with script, files or adapter.
    NotDone,
}

impl StepVerdict {
    /// The verdict in a word.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Passed => "passed",
            Self::Failed => "failed",
            Self::NotDone => "not done",
        }
    }
}

/// A load in a script.
#[derive(Debug, Clone, PartialEq)]
pub struct Loading {
    /// The device.
    pub device: String,
    /// The image file.
    pub image: String,
    /// How it went; `None` if the image was refused before the first bit.
    pub loaded: Option<Loaded>,
    /// What was found: expected and seen.
    pub finding: Option<crate::chain::Finding>,
}

/// What a step gave.
#[derive(Debug, Clone, PartialEq)]
pub enum StepResult {
    /// Nothing beside its verdict.
    None,
    /// A scan.
    Scan(Box<Scanned>),
    /// A ring-out.
    RingOut(Box<RingOut>),
    /// A load.
    Load(Box<Loading>),
    /// A file that was played.
    Play {
        /// The file.
        file: String,
        /// What came of it.
        played: Box<Played>,
    },
    /// Levels put on pins: names with the level, empty for released.
    Driven(Vec<(String, String)>),
    /// Levels that were read.
    Read(Vec<Read>),
    /// A table of vectors.
    Vectors {
        /// The file.
        file: String,
        /// What came of it.
        run: Box<TableRun>,
    },
    /// A check's evidence, or something recorded.
    Value(Value),
}

/// One step of a script: one call of a function that does something.
#[derive(Debug, Clone, PartialEq)]
pub struct Step {
    /// Its number, from 1.
    pub number: usize,
    /// The function.
    pub function: &'static str,
    /// What it did, in words.
    pub title: String,
    /// Line of the call in the script, if the language told.
    pub line: Option<usize>,
    /// What came of it.
    pub verdict: StepVerdict,
    /// The result in a line; for a failed step, why.
    pub says: String,
    /// The same in a few words, without the faults one by one.
    pub brief: String,
    /// Seconds, by the session's time (virtual on a simulated bench) once a session is open.
    pub seconds: f64,
    /// What it gave.
    pub result: StepResult,
}

/// A run of a script.
#[derive(Debug, Clone, PartialEq)]
pub struct ScriptRun {
    /// The steps, in order.
    pub steps: Vec<Step>,
    /// What the script recorded.
    pub recorded: Vec<(String, Value)>,
    /// Why it ended before its last line; `None` if it did not.
    pub end: Option<End>,
    /// Seconds by the clock.
    pub wall_seconds: f64,
}

impl ScriptRun {
    /// True if the script ran to its end and every step passed.
    pub fn passed(&self) -> bool {
        self.end.is_none() && self.steps.iter().all(|s| s.verdict == StepVerdict::Passed)
    }

    /// The first step that did not pass.
    pub fn first_bad(&self) -> Option<&Step> {
        self.steps.iter().find(|s| s.verdict != StepVerdict::Passed)
    }
}

/// Whoever shows what a script does, and answers for the user.
pub trait Listener {
    /// A step begins.
    fn begins(&mut self, number: usize, title: &str);
    /// A step has ended.
    fn ended(&mut self, step: &Step);
    /// The script says something.
    fn said(&mut self, text: &str);
    /// A note on what is about to happen or what was seen on the way.
    fn note(&mut self, text: &str);
    /// The script asks something; without anybody to answer, the default.
    fn ask(&mut self, question: &str, default: &str) -> String;
    /// Consent to what is about to be driven; `Err` with why not.
    ///
    /// # Errors
    /// Nobody consented.
    fn consent(&mut self, what: &str) -> Result<(), String>;
}
