//! What a running script works on: one board, one session, the steps so far.

use std::fs::File;
use std::io::BufReader;
use std::path::{Path, PathBuf};
use std::rc::Rc;
use std::time::Instant;

use crate::board::{Board, DeviceIndex, WireIndex};
use crate::boundary::{Conditions, MachinePower};
use crate::chain::Chain;
use crate::files::reason;
use crate::load::play::{ChainPads, PlayError, PlayOptions, Played, play, rehearse};
use crate::load::{Image, LoadEnd, Others, Recipe, Target};
use crate::ringout::{Method, RingOut, Verdict, Wish};
use crate::session::{
    LoadOutcome, LoadWish, OpenError, Scanned, Session, Stop, extest_watch, locator, pads_around,
    private_watch,
};
use crate::svf::Limits;
use crate::tap::Port;

use super::driving::Driving;
use super::steps::{Listener, Loading, Step, StepResult, StepVerdict};
use super::{End, EndKind, Setup, Value};

/// What the body of a step gives.
pub(super) struct Done<T> {
    pub(super) value: T,
    pub(super) verdict: StepVerdict,
    pub(super) says: String,
    /// The same without the faults one by one, where there are such.
    pub(super) brief: Option<String>,
    pub(super) result: StepResult,
}

impl<T> Done<T> {
    pub(super) fn passed(value: T, says: impl Into<String>, result: StepResult) -> Self {
        Self::judged(value, true, says, result)
    }

    fn in_brief(mut self, brief: String) -> Self {
        self.brief = Some(brief);
        self
    }

    pub(super) fn judged(
        value: T,
        good: bool,
        says: impl Into<String>,
        result: StepResult,
    ) -> Self {
        let verdict = match good {
            true => StepVerdict::Passed,
            false => StepVerdict::Failed,
        };
        Done {
            value,
            verdict,
            says: says.into(),
            brief: None,
            result,
        }
    }
}

/// The state of a running script.
pub(super) struct State {
    pub(super) setup: Setup,
    /// The folder that file names count from.
    pub(super) folder: PathBuf,
    pub(super) listener: Box<dyn Listener>,
    pub(super) session: Option<Session>,
    pub(super) driving: Option<Driving>,
    board: Option<Rc<Board>>,
    chain: Option<Chain>,
    consented: bool,
    proven: bool,
    pub(super) steps: Vec<Step>,
    pub(super) recorded: Vec<(String, Value)>,
    pub(super) end: Option<End>,
    /// When the run began, for its longest time.
    pub(super) began: Instant,
}

/// Steps that are kept; a script that makes more is ended.
const MOST_STEPS: usize = 100_000;

impl State {
    pub(super) fn new(setup: Setup, folder: PathBuf, listener: Box<dyn Listener>) -> Self {
        State {
            setup,
            folder,
            listener,
            session: None,
            driving: None,
            board: None,
            chain: None,
            consented: false,
            proven: false,
            steps: Vec::new(),
            recorded: Vec::new(),
            end: None,
            began: Instant::now(),
        }
    }

    /// As before a run; the session and what was consented to stay.
    pub(super) fn begin_again(&mut self) {
        self.board = None;
        self.chain = None;
        self.proven = false;
        self.steps.clear();
        self.recorded.clear();
        self.end = None;
        self.began = Instant::now();
    }

    /// The board of the last `board(…)`.
    pub(super) fn declared(&self) -> Option<Rc<Board>> {
        self.board.clone()
    }

    /// Does a step: begins it, times it, keeps what came of it.
    pub(super) fn step<T>(
        &mut self,
        function: &'static str,
        title: String,
        line: Option<usize>,
        keep_going: bool,
        body: impl FnOnce(&mut State) -> Result<Done<T>, End>,
    ) -> Result<T, End> {
        self.stop_asked()?;
        if self.steps.len() >= MOST_STEPS {
            return Err(End::input(
                format!("the script makes more than {MOST_STEPS} steps"),
                "let loops call `vectors` or `wait_for`, which are one step each",
            ));
        }
        let number = self.steps.len() + 1;
        self.listener.begins(number, &title);
        let (clock, before) = (Instant::now(), self.elapsed());
        let done = body(self);
        let seconds = match (before, self.elapsed()) {
            (Some(before), Some(after)) => after - before,
            (None, Some(after)) => after,
            _ => clock.elapsed().as_secs_f64(),
        };
        let (verdict, says, brief, result, outcome) = match done {
            Ok(done) => {
                let outcome = match done.verdict {
                    StepVerdict::Failed if !keep_going => Err(End::new(
                        EndKind::Finding,
                        format!("step {number}, {title}: {}", done.says),
                        "",
                    )),
                    _ => Ok(done.value),
                };
                (done.verdict, done.says, done.brief, done.result, outcome)
            }
            Err(end) => {
                let verdict = match end.kind {
                    EndKind::Finding => StepVerdict::Failed,
                    _ => StepVerdict::NotDone,
                };
                (
                    verdict,
                    end.message.clone(),
                    None,
                    StepResult::None,
                    Err(end),
                )
            }
        };
        let step = Step {
            number,
            function,
            title,
            line,
            verdict,
            brief: brief.unwrap_or_else(|| says.clone()),
            says,
            seconds,
            result,
        };
        self.listener.ended(&step);
        self.steps.push(step);
        outcome
    }

    fn elapsed(&self) -> Option<f64> {
        Some(self.session.as_ref()?.traffic().elapsed.as_secs_f64())
    }

    pub(super) fn stop(&self) -> Option<Stop> {
        self.setup.cancel.asked()
    }

    /// Looked at before every step and within long ones: the wish to stop, and the longest time of a run.
    pub(super) fn stop_asked(&self) -> Result<(), End> {
        if let Some(stop) = self.stop() {
            return Err(End::stopped(stop));
        }
        let most = self.setup.limits.time;
        if self.began.elapsed() > most {
            return Err(End::input(
                format!("the script was stopped after {} s", most.as_secs()),
                "--max-seconds N allows more",
            ));
        }
        Ok(())
    }

    pub(super) fn conditions(&self) -> Conditions {
        self.setup.conditions
    }

    /// The session, opened at the first step that needs one.
    pub(super) fn session(&mut self) -> Result<&mut Session, End> {
        if self.session.is_none() {
            let setup = &self.setup;
            let opened = Session::open(&setup.place, setup.trace.clone(), setup.cancel.clone());
            self.session = Some(opened.map_err(|error| match error {
                OpenError::Port(e) => End::port(&e, None),
                OpenError::Remote(e) => End::new(
                    EndKind::Refused,
                    e.to_string(),
                    "with --allow-remote you permit it",
                ),
                other => End::input(other.to_string(), "mend the file"),
            })?);
        }
        Ok(self.session.as_mut().expect("opened above"))
    }

    /// A file that the script names, from its own folder on.
    pub(super) fn file(&self, name: &str) -> PathBuf {
        match self.folder == Path::new(".") {
            true => PathBuf::from(name),
            false => self.folder.join(name),
        }
    }

    pub(super) fn board(&self) -> Result<Rc<Board>, End> {
        self.board.clone().ok_or_else(|| {
            End::input(
                "no board has been named",
                "say board(\"board.toml\") in the script's first line",
            )
        })
    }

    pub(super) fn device(&self, name: &str) -> Result<DeviceIndex, End> {
        let board = self.board()?;
        board.device(name).ok_or_else(|| {
            let names: Vec<&str> = board.devices.iter().map(|d| &*d.name).collect();
            End::input(
                format!("{} has no device {name}", board.name),
                format!("its devices are {}", names.join(", ")),
            )
        })
    }

    pub(super) fn open_board(&mut self, name: &str) -> Result<Done<Rc<Board>>, End> {
        self.let_go()?;
        let board = Board::load(self.file(name))
            .map_err(|e| End::input(e.to_string(), "mend the board file"))?;
        let board = Rc::new(board);
        self.board = Some(board.clone());
        self.chain = None;
        self.proven = false;
        let says = format!(
            "{}: {}, {}",
            board.name,
            plural(board.devices.len(), "device"),
            plural(board.wires.len(), "wire")
        );
        Ok(Done::passed(board, says, StepResult::None))
    }

    /// Consent, asked once a run of the program, before anything is driven.
    pub(super) fn consent_to_drive(&mut self, what: &str) -> Result<(), End> {
        let power = match self.setup.conditions.machine {
            MachinePower::Off => None,
            MachinePower::On => Some("on"),
            MachinePower::Unknown => Some("unknown, which is treated as on"),
        };
        if let Some(power) = power {
            return Err(End::new(
                EndKind::Refused,
                format!("this needs EXTEST, and the power of the machine is {power}"),
                "switch the machine off, let it discharge, and say --machine off",
            ));
        }
        if !self.consented {
            let board = self.board.as_ref().map_or("", |b| b.name.as_str());
            let words = format!("The script drives pins of {board} by EXTEST: {what}.");
            self.consent(&words)?;
            self.consented = true;
        }
        Ok(())
    }

    fn consent(&mut self, words: &str) -> Result<(), End> {
        let consented = self.listener.consent(words);
        if let Some(stop) = self.stop() {
            return Err(End::stopped(stop));
        }
        consented.map_err(|why| End::new(EndKind::Refused, why, "with --yes you consent"))
    }

    /// The chain as the last scan found it; scans where there was none.
    pub(super) fn chain(&mut self) -> Result<Chain, End> {
        if self.chain.is_none() {
            let scanned = self.scan_now()?;
            let why = self.scan_says(&scanned);
            if self.chain.is_none() {
                return Err(End::new(
                    EndKind::Finding,
                    why,
                    "scan() until it is as declared",
                ));
            }
        }
        Ok(self.chain.clone().expect("found above"))
    }

    fn scan_now(&mut self) -> Result<Scanned, End> {
        self.let_go()?;
        let board = self.board.clone();
        let scanned = self.session()?.scan(board.as_deref());
        let scanned = scanned.map_err(|e| End::port(&e, self.stop()))?;
        self.chain = scanned.comparison.as_ref().and_then(|c| c.chain.clone());
        Ok(scanned)
    }

    pub(super) fn scan(&mut self) -> Result<Done<Scanned>, End> {
        let scanned = self.scan_now()?;
        let good = match &scanned.comparison {
            Some(comparison) => comparison.is_as_declared(),
            None => scanned.found.is_whole() && scanned.found.findings().iter().all(|f| !f.fault),
        };
        let says = self.scan_says(&scanned);
        if scanned.found.devices.is_empty() {
            return Err(End::new(
                EndKind::Port,
                says,
                "look at the cable, its ground, and the board's power",
            ));
        }
        let brief = match (&scanned.comparison, good) {
            (Some(_), false) => format!(
                "{}, not as declared",
                plural(scanned.found.devices.len(), "device")
            ),
            _ => says.clone(),
        };
        let result = StepResult::Scan(Box::new(scanned.clone()));
        Ok(Done::judged(scanned, good, says, result).in_brief(brief))
    }

    fn scan_says(&self, scanned: &Scanned) -> String {
        let count = scanned.found.devices.len();
        let Some(comparison) = &scanned.comparison else {
            return format!("{} on the chain", plural(count, "device"));
        };
        let faults: Vec<String> = (comparison.findings.iter().filter(|f| f.fault))
            .map(|f| {
                format!(
                    "{}: {} (expected {}, seen {})",
                    f.place, f.what, f.expected, f.seen
                )
            })
            .collect();
        match faults.is_empty() {
            true if comparison.is_as_declared() => {
                format!("{}, as declared", plural(count, "device"))
            }
            true => format!("{}, not as declared", plural(count, "device")),
            false => faults.join("; "),
        }
    }

    pub(super) fn ring_out(&mut self, by: &str, wires: &[String]) -> Result<Done<RingOut>, End> {
        let board = self.board()?;
        let method = Method::named(by).ok_or_else(|| {
            let names: Vec<&str> = Method::ALL.iter().map(|(_, name)| *name).collect();
            End::input(
                format!("there is no ring-out method {by}"),
                format!("the methods are {}", names.join(", ")),
            )
        })?;
        let only: Vec<WireIndex> = (wires.iter())
            .map(|label| {
                board.wire(label).ok_or_else(|| {
                    End::input(
                        format!("{} has no wire {label}", board.name),
                        "name wires by their labels in the harness file",
                    )
                })
            })
            .collect::<Result<_, _>>()?;
        let whole = only.is_empty();
        let wish = Wish {
            only: (!whole).then_some(only),
            conditions: self.conditions(),
            ..Wish::default()
        };
        self.consent_to_drive("it rings out the wires, one net at a time, both levels")?;
        let chain = self.chain()?;
        self.let_go()?;
        let rung = self.session()?.ring_out(&board, &chain, method, &wish);
        let rung = rung.map_err(|e| End::ring_out(&e, self.stop()))?;
        for note in &rung.notes {
            self.listener.note(note);
        }
        let label = |w: &crate::ringout::WireVerdict| &board.wires[w.wire.0].label;
        // What explains several wires comes first, and these wires are not told one by one.
        let mut bad: Vec<String> = rung.findings.iter().map(|f| f.says.clone()).collect();
        for (i, w) in rung.wires.iter().enumerate() {
            if rung.findings.iter().any(|f| f.wires.contains(&w.wire)) {
                continue;
            }
            // Partners say the same of each other: the first one says it.
            let told = rung.wires[..i]
                .iter()
                .any(|v| v.verdict == w.verdict && v.with.contains(label(w)));
            if w.verdict != Verdict::Good && w.untested.is_none() && !w.says.is_empty() && !told {
                bad.push(w.says.clone());
            }
        }
        if bad.is_empty() {
            use crate::ringout::Untested::{Ground, NotAskedFor, Supply};
            let why = (rung.wires.iter()).find_map(|w| {
                Some((w, w.untested.as_ref()?))
                    .filter(|(_, u)| !matches!(u, Supply | Ground | NotAskedFor))
            });
            bad.extend(why.map(|(w, u)| format!("{} is untested: {u}", label(w))));
        }
        let good = rung.all_good();
        self.proven |= good && whole;
        let aside = |w: &&crate::ringout::WireVerdict| {
            use crate::ringout::Untested::{Ground, Supply};
            matches!(w.untested, Some(Supply | Ground))
        };
        let aside = rung.wires.iter().filter(aside).count();
        let counts: Vec<String> = (rung.counts().iter())
            .map(|(verdict, n)| match *verdict == "untested" && *n == aside {
                true => format!("{n} {verdict} (supply, ground)"),
                false => format!("{n} {verdict}"),
            })
            .collect();
        let brief = counts.join(", ");
        let mut says = brief.clone();
        if !good && !bad.is_empty() {
            says = format!("{says}: {}", bad.join("; "));
        }
        let result = StepResult::RingOut(Box::new(rung.clone()));
        Ok(Done::judged(rung, good, says, result).in_brief(brief))
    }

    pub(super) fn load(
        &mut self,
        name: &str,
        image_name: &str,
        recipe: Option<&str>,
        wish: LoadWish,
    ) -> Result<Done<bool>, End> {
        let board = self.board()?;
        let index = self.device(name)?;
        let device = &board.devices[index.0];
        let bsdl = device.bsdl.as_deref().ok_or_else(|| {
            End::input(
                format!("{} has no BSDL and cannot be loaded", device.name),
                "name its `entity` in the board file",
            )
        })?;
        let recipe = recipe_of(&board, index, recipe.map(|r| self.file(r)).as_deref())?;
        (recipe.check(bsdl)).map_err(|e| End::input(e.to_string(), "mend the recipe"))?;
        if wish.verify && recipe.verify.is_empty() {
            return Err(End::input(
                format!("the recipe \"{}\" has no [[verify]] steps", recipe.name),
                "leave `verify` away; the status words are checked in any case",
            ));
        }
        let image = Image::open(self.file(image_name))
            .map_err(|e| End::input(e.to_string(), "name the raw image"))?;
        if recipe.permanent {
            return Err(End::new(
                EndKind::Refused,
                format!(
                    "the recipe {} changes {} for good",
                    recipe.name, device.name
                ),
                "scripts load volatile images only; `taploom load --permanent` does it, and asks",
            ));
        }
        let off = self.setup.conditions.machine == MachinePower::Off;
        let asked = self.setup.proven;
        let simulated = !self.session()?.is_real();
        if recipe.drives_pins && !self.proven && !off && !asked(&board.hash, simulated) {
            self.consent(&format!(
                "Once it is loaded, {} drives pins by its own design; the harness has not been proven with this board file, by this script or before, and nobody said that the machine is off.",
                device.name
            ))?;
        }
        let chain = self.chain()?;
        self.let_go()?;
        let place = chain.place_of(index).ok_or_else(|| {
            End::new(
                EndKind::Port,
                format!("{} is not on the chain now", device.name),
                "plug it in, and scan again",
            )
        })?;
        let all: Vec<_> = (chain.devices().iter())
            .map(|d| board.devices[d.0].bsdl.as_deref())
            .collect();
        let clamp = match recipe.others {
            Others::Clamp => {
                let conditions = self.setup.conditions;
                let held = self.session()?.clamp(&board, &chain, index, conditions);
                held.map_err(|e| End::drive(&e, self.stop()))?
            }
            _ => None,
        };
        let target = Target {
            name: &device.name,
            place,
            device: bsdl,
            layout: chain.layout(),
            chain: &all,
            clamp: clamp.as_ref(),
        };
        let tck_hz = board.tck_limit_hz(true);
        let code = chain.idcodes()[place];
        let outcome =
            self.session()?
                .load(&recipe, target, &image, code, tck_hz, wish, &mut |_| {});
        let outcome = outcome.map_err(|error| match error {
            crate::load::LoadError::Port { ref source, .. } => {
                let mut end = End::port(source, self.stop());
                if end.kind == EndKind::Port {
                    end.message = error.to_string();
                }
                end
            }
            other => End::input(other.to_string(), "mend the file"),
        })?;
        let mut loading = Loading {
            device: device.name.to_string(),
            image: image_name.to_owned(),
            loaded: None,
            finding: None,
        };
        let (good, says) = match outcome {
            LoadOutcome::Refused(refusal) => {
                let finding = refusal.finding(&device.name, &image);
                let says = format!(
                    "{}: expected {}, seen {}",
                    finding.what, finding.expected, finding.seen
                );
                loading.finding = Some(finding);
                (false, says)
            }
            LoadOutcome::Ran(load, loaded) => {
                if loaded.end == LoadEnd::BrokenOff {
                    let stop = self.stop().unwrap_or(Stop::Interrupted);
                    let mut end = End::stopped(stop);
                    end.message = loaded.words(&load);
                    return Err(end);
                }
                let mut says = loaded.words(&load);
                loading.finding = loaded.finding(&load);
                if let Some(f) = &loading.finding {
                    says = format!(
                        "{says}: {}: expected {}, seen {}",
                        f.what, f.expected, f.seen
                    );
                }
                let good = loaded.end == LoadEnd::Done && loaded.verified != Some(false);
                loading.loaded = Some(loaded);
                (good, says)
            }
        };
        let result = StepResult::Load(Box::new(loading));
        Ok(Done::judged(good, good, says, result))
    }

    pub(super) fn play(
        &mut self,
        name: &str,
        device: Option<&str>,
        compare: bool,
    ) -> Result<Done<Played>, End> {
        let board = self.board()?;
        let path = self.file(name);
        let device = device.map(|d| self.device(d)).transpose()?;
        let wrong = |e: &PlayError| {
            End::input(
                format!("{}: {e}", path.display()),
                e.help().unwrap_or("mend the file"),
            )
        };
        let options = PlayOptions {
            limits: Limits::default(),
            keep_going: true,
            compare,
            pads: ChainPads::default(),
            tck_hz: board.tck_limit_hz(true),
            inspect: None,
            locate: None,
            spares: &[],
        };
        if let (_, Some(error)) = rehearse(open(&path)?, &options) {
            return Err(wrong(&error));
        }
        let chain = self.chain()?;
        self.let_go()?;
        let pads = match device {
            None => ChainPads::default(),
            Some(device) => pads_around(&chain, device).ok_or_else(|| {
                End::new(
                    EndKind::Port,
                    format!("{} is not on the chain now", board.devices[device.0].name),
                    "plug it in, and scan again",
                )
            })?,
        };
        let watch = extest_watch(&board, &chain);
        let locate = locator(&board, &chain);
        let options = PlayOptions {
            pads,
            inspect: Some(&watch),
            locate: Some(&locate),
            ..options
        };
        let (plan, _) = rehearse(open(&path)?, &options);
        let ir_total = chain.layout().ir_total();
        if let Some(other) = plan.ir_lengths.iter().find(|n| **n != ir_total) {
            return Err(End::new(
                EndKind::Refused,
                format!("{name} shifts {other} instruction bits, this chain has {ir_total}"),
                "for a file that knows one device alone: play(file, #{device: \"U1\"})",
            ));
        }
        if let Some(watch) = &private_watch(&board, &chain) {
            let options = PlayOptions {
                inspect: Some(watch),
                ..options
            };
            if let Some((at, what)) = rehearse(open(&path)?, &options).0.seen {
                self.consent(&format!(
                    "{name}: {at} selects the private instruction {what}: its maker says never to load it."
                ))?;
            }
        }
        if let Some((at, what)) = &plan.seen {
            self.consent(&format!(
                "{name}: {at} selects {what}: the file drives pins past the guard."
            ))?;
        }
        let (played, error) = play(open(&path)?, self.session()?, &options);
        if let Some(error) = error {
            return Err(match &error {
                PlayError::Port { source, .. } => End::port(source, self.stop()),
                other => wrong(other),
            });
        }
        let good = played.mismatches.is_empty();
        let says = match good {
            true => format!("{} compares, all as expected", played.compares),
            false => format!(
                "{} of {} compares not as expected",
                played.mismatches.len(),
                played.compares
            ),
        };
        let result = StepResult::Play {
            file: name.to_owned(),
            played: Box::new(played.clone()),
        };
        Ok(Done::judged(played, good, says, result))
    }
}

/// `1 device`, `2 devices`.
fn plural(n: usize, what: &str) -> String {
    match n {
        1 => format!("1 {what}"),
        _ => format!("{n} {what}s"),
    }
}

/// The recipe for a device: the given one, the board file's, or one that comes along.
pub(super) fn recipe_of(
    board: &Board,
    device: DeviceIndex,
    given: Option<&Path>,
) -> Result<Recipe, End> {
    let device = &board.devices[device.0];
    if let Some(path) = given.or(device.recipe.as_deref()) {
        return Recipe::open(path).map_err(|e| End::input(e.to_string(), "mend the recipe"));
    }
    (device.bsdl.as_deref().and_then(Recipe::built_in_for)).ok_or_else(|| {
        End::input(
            format!("there is no recipe for {}", device.name),
            "name one: `recipe = \"…\"` in the board file, or load(device, image, #{recipe: \"…\"})",
        )
    })
}

/// A plain file, opened.
pub(super) fn open(path: &Path) -> Result<BufReader<File>, End> {
    let cannot = |e: std::io::Error| {
        End::input(
            format!("cannot read {}: {}", path.display(), reason(&e)),
            "names count from the script's folder",
        )
    };
    // Opening a pipe could wait for ever, so it is looked at first.
    if !std::fs::metadata(path).map_err(cannot)?.is_file() {
        return Err(End::input(
            format!("{} is no plain file", path.display()),
            "name a file, not a folder or a pipe",
        ));
    }
    File::open(path).map(BufReader::new).map_err(cannot)
}
