//! The loop that runs a ring-out.

use crate::board::{Board, DeviceIndex, DevicePin, WireIndex};
use crate::boundary::{
    Batch, BatchError, BatchReader, Captures, Conditions, Guard, GuardedImage, Note, OpenScan,
    Pins, PinsError, Refusal, SampleLook, Stillness, StillnessError, VectorId, leaving,
};
use crate::tap::{Answers, PortError, ProgramError, ScanProgram};

use super::diagnose::{diagnose, suspects, through};
use super::joined::{Link, Links};
use super::moved::{Numbering, exposed};
use super::observe::{Reading, Response, StepReading};
use super::plan::Plan;
use super::subject::{Needs, Subject};
use super::{Assurance, Method, RingOut, Untested, Verdict};

/// What runs a scan program to its end. Between two programs nothing is driven: there a session may stop.
pub type Runner<'r> = dyn FnMut(ScanProgram) -> Result<Answers, PortError> + 'r;

/// What is asked of a ring-out.
#[derive(Debug, Clone, Default)]
pub struct Wish {
    /// The wires to test; `None` for all.
    pub only: Option<Vec<WireIndex>>,
    /// What was said about the bench.
    pub conditions: Conditions,
    /// How often every wire is rung out once more, to find joints that fail now and then.
    pub more_rounds: usize,
    /// Looks at every line straight after a change as well, sooner than `settle_us`, to find resistance.
    pub resistance: bool,
    /// The rate of TCK, which tells how early a level can be looked at after a change.
    pub tck_hz: Option<u32>,
}

/// How often a batch whose own checks fail is run before giving up.
const TRIES: usize = 3;
/// How often a suspect is tried again as it is.
const REPEATS: usize = 3;
/// How late after a change suspects of resistance are looked at, in nanoseconds beside the 2.5 TCK from Update to
/// Capture.
const DELAYS_NS: [u64; 7] = [0, 500, 1_000, 2_000, 5_000, 10_000, 20_000];
/// How much later than `settle_us` lines without contact are looked at, to find those that are only slow.
const LATER: [u64; 3] = [5, 25, 125];
/// Where nothing is to settle: what is multiplied then.
const LEAST_LATE_NS: u64 = 10_000;
/// Vectors in one batch, so that a large harness does not need a large program.
const BATCH_VECTORS: usize = 600;

/// Why there is no result.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum RingOutError {
    /// The method does not exist yet.
    #[error("ringing out by {0} is not built yet")]
    Method(Method),
    /// The chain cannot be seen as pins.
    #[error(transparent)]
    Pins(#[from] PinsError),
    /// The guard refused.
    #[error("{0}")]
    Refused(Box<Refusal>),
    /// Something moved, or the look could not be believed.
    #[error(transparent)]
    Stillness(#[from] StillnessError),
    /// A batch could not be believed, several times.
    #[error("{error} ({tries} tries)")]
    Batch {
        /// What the last try showed.
        error: BatchError,
        /// How many tries there were.
        tries: usize,
    },
    /// The adapter failed, or the run was interrupted.
    #[error(transparent)]
    Port(#[from] PortError),
}

impl From<Refusal> for RingOutError {
    fn from(refusal: Refusal) -> Self {
        Self::Refused(Box::new(refusal))
    }
}

impl RingOutError {
    /// What to do about it: one line, lower case, no full stop; empty where the adapter's own words say it.
    pub fn help(&self) -> String {
        match self {
            Self::Method(_) => format!("use `--by {}`", Method::BothEnds),
            Self::Pins(_) => "mend the board file".into(),
            Self::Refused(refusal) => refusal.mend(),
            Self::Stillness(error) => error.help().into(),
            Self::Batch { error, .. } => error.help().into(),
            Self::Port(_) => String::new(),
        }
    }
}

/// Rings out a board by a method.
///
/// `present`: the devices on the chain, TDI to TDO, as a scan has found and confirmed them. `run` runs a scan program;
/// every program begins and ends in Test-Logic-Reset. If it gives an error, the board is taken out of EXTEST through
/// it once more before the error is passed on.
///
/// # Errors
/// [`RingOutError`]: refused, moving, not to be believed, or the adapter failed. What is wrong with the wires is no
/// error but the result.
pub fn ring_out(
    board: &Board,
    present: &[DeviceIndex],
    method: Method,
    wish: &Wish,
    run: &mut Runner<'_>,
) -> Result<RingOut, RingOutError> {
    let pins = Pins::new(board, present)?;
    let guard = Guard::new(board, &pins, wish.conditions)?;
    let subject = Subject::new(board, &pins);
    let mut plan = Plan::of(method, &subject, &guard, wish.only.as_deref())
        .ok_or(RingOutError::Method(method))?;
    plan.tck_hz = wish.tck_hz;
    plan.resistance = wish.resistance;
    let mut bench = Bench {
        guard: &guard,
        subject: &subject,
        run,
        vectors: 0,
        repeated: 0,
    };
    let still = bench.look(board, &pins)?;
    // A bystander that moves by itself would seem to follow now and then.
    (plan.ears).retain(|(pin, t)| !subject.terminals[*t].bystander || still.kept(*pin));
    let response = bench.walk(&mut plan, &still, wish.more_rounds)?;
    if method == Method::Alone {
        let through = through(&subject, &plan, &response);
        if let Some(first) = through.first() {
            // Looked at from one end, an exchange at the other would pass for a short.
            let label = &board.wires[first.0].label;
            let others = match through.len() - 1 {
                0 => String::new(),
                n => format!(" and {n} more"),
            };
            let note = format!(
                "{label}{others} reach the far end: the harness is plugged in there, so this is a ring-out between both ends"
            );
            let (vectors, repeated) = (bench.vectors, bench.repeated);
            let mut both = ring_out(board, present, Method::BothEnds, wish, run)?;
            both.vectors += vectors;
            both.repeated += repeated;
            both.notes.insert(0, note);
            return Ok(both);
        }
    }
    let (wires, findings) = diagnose(&subject, &plan, &response);
    let good = || wires.iter().filter(|w| w.verdict == Verdict::Good);
    let assurance = Assurance {
        looks: good().map(|w| w.looks).min().unwrap_or(0),
        early: good().filter(|w| w.early).count(),
        early_ns: wish.tck_hz.map(|hz| 2_500_000_000 / u64::from(hz.max(1))),
        settle_ns: plan.settle_ns,
    };
    Ok(RingOut {
        method,
        assurance,
        wires,
        findings,
        notes: notes(&guard, &plan),
        vectors: bench.vectors,
        looks: still.looks(),
        repeated: bench.repeated,
    })
}

/// What is to be said of the guard's notes: all of them but large groups that this plan never enables.
fn notes(guard: &Guard<'_>, plan: &Plan) -> Vec<String> {
    let enabled = |names: &[DevicePin]| {
        let pins = plan
            .steps
            .iter()
            .map(|s| s.pin)
            .chain(plan.base.iter().map(|(p, _)| *p));
        pins.into_iter()
            .any(|p| names.contains(&guard.pins().get(p).pin))
    };
    (guard.notes().iter())
        .filter(|n| !matches!(n, Note::LargeGroup(pins) if !enabled(pins)))
        .map(note)
        .collect()
}

fn note(note: &Note) -> String {
    match note {
        Note::AlwaysDrives(pin, level) => {
            format!("{pin} has no enable and drives {level} whenever EXTEST is on")
        }
        Note::LargeGroup(pins) => {
            let names: Vec<String> = pins.iter().map(ToString::to_string).collect();
            format!("one control cell enables {} at once", names.join(", "))
        }
        Note::Bypassed(device) => format!("{device} stays in BYPASS: its pins count as live"),
        Note::Holds(pin, level) => format!("{pin} is held {level}"),
    }
}

struct Bench<'b, 'a, 'r> {
    guard: &'b Guard<'a>,
    subject: &'b Subject<'a>,
    run: &'b mut Runner<'r>,
    vectors: usize,
    repeated: usize,
}

/// One driver to be tried: which, and which neighbours against it at its two levels.
struct Trial {
    step: usize,
    against: [Needs; 2],
    first: bool,
    /// When there is a look at the second level beside the settled one, in nanoseconds after its update: sooner, or
    /// later.
    timed: Option<u64>,
}

impl<'a> Bench<'_, 'a, '_> {
    /// Runs a program; if it fails, takes the board out of EXTEST before the error is passed on.
    fn program(&mut self, program: ScanProgram) -> Result<Answers, PortError> {
        (self.run)(program).inspect_err(|_| {
            let out = (self.run)(leaving(self.guard, OpenScan::Dr));
            if let Err(PortError::Program(ProgramError::OpenShift(_))) = out {
                // The shift that was broken off was an instruction. Nothing more can be done if this fails too.
                let _ = (self.run)(leaving(self.guard, OpenScan::Ir));
            }
        })
    }

    fn look(&mut self, board: &Board, pins: &Pins) -> Result<Stillness, RingOutError> {
        let mut tries = 1;
        loop {
            let (look, program) = SampleLook::before_extest(pins);
            let answers = self.program(program)?;
            match look.judge(board, &answers) {
                Err(StillnessError::Batch(_)) if tries < TRIES => {
                    tries += 1;
                    self.repeated += 1;
                }
                result => return Ok(result?),
            }
        }
    }

    /// Runs a batch until its own checks pass.
    fn batch(
        &mut self,
        make: impl Fn() -> (ScanProgram, BatchReader<'a>),
    ) -> Result<Captures<'a>, RingOutError> {
        let mut tries = 1;
        loop {
            let (program, reader) = make();
            let answers = self.program(program)?;
            match reader.read(&answers) {
                Ok(captures) => {
                    self.vectors += captures.len();
                    return Ok(captures);
                }
                Err(_) if tries < TRIES => {
                    tries += 1;
                    self.repeated += 1;
                }
                Err(error) => return Err(RingOutError::Batch { error, tries }),
            }
        }
    }

    /// The whole walk: drivers that are always on first, then all others, then the suspects again.
    fn walk(
        &mut self,
        plan: &mut Plan,
        still: &Stillness,
        rounds: usize,
    ) -> Result<Response, RingOutError> {
        let always = plan.steps.iter().filter(|s| s.always).count();
        let mut response = Response {
            rest: Reading::new(plan.ears.iter().map(|_| None)),
            steps: Vec::new(),
            opposed: Vec::new(),
            held: Vec::new(),
        };
        let looked_early: Vec<bool> = (plan.early_steps(self.subject).into_iter())
            .map(|early| early && plan.resistance)
            .collect();
        let rests: Vec<bool> = (0..plan.steps.len())
            .map(|step| self.rest_level(plan, step, still))
            .collect();
        let plain = |step: usize| Trial {
            step,
            against: [Vec::new(), Vec::new()],
            first: rests[step],
            timed: looked_early[step].then_some(0),
        };
        let first: Vec<Trial> = (0..always).map(plain).collect();
        let others: Vec<Trial> = (always..plan.steps.len()).map(plain).collect();
        self.try_all(plan, still, &first, &mut response)?;
        let mut hot = self.hot(plan, &response);
        // What would meet a supply if a plug sat wrong comes last, when the others have shown that none does.
        let numbering = Numbering::new(self.subject);
        let exposed: Vec<usize> = exposed(self.subject, &numbering).into_iter().collect();
        let (last, others): (Vec<Trial>, Vec<Trial>) = (others.into_iter())
            .filter(|t| !plan.steps[t.step].touches(&hot))
            .partition(|t| plan.steps[t.step].touches(&exposed));
        self.try_all(plan, still, &others, &mut response)?;
        if !last.is_empty() {
            hot.extend(self.endangered(plan, &numbering, &response));
            let last: Vec<Trial> = (last.into_iter())
                .filter(|t| !plan.steps[t.step].touches(&hot))
                .collect();
            self.try_all(plan, still, &last, &mut response)?;
        }
        for _ in 0..rounds {
            let all = (always..plan.steps.len()).filter(|s| !plan.steps[*s].touches(&hot));
            let all: Vec<Trial> = (all.map(plain))
                .map(|t| Trial { timed: None, ..t })
                .collect();
            self.try_all(plan, still, &all, &mut response)?;
        }
        let suspects = suspects(self.subject, plan, &response);
        let again = self.again(plan, &response, &suspects, &hot, still);
        self.try_all(plan, still, &again, &mut response)?;
        if self.guard.conditions().brief_fights {
            let pairs = super::diagnose::doubtful_pairs(self.subject, plan, &response);
            self.oppose(plan, still, &pairs, &hot, &mut response)?;
        }
        Ok(response)
    }

    /// Terminals that carry a supply or ground if the mistake that the readings show moved those wires as well; wires
    /// that nothing may drive for that reason are marked untested.
    fn endangered(
        &self,
        plan: &mut Plan,
        numbering: &Numbering,
        response: &Response,
    ) -> Vec<usize> {
        let Some(moved) = super::diagnose::moved(self.subject, plan, response, numbering) else {
            return Vec::new();
        };
        let endangered = moved.endangered(self.subject, numbering);
        let endangered: Vec<usize> = endangered.into_iter().collect();
        for line in &self.subject.lines {
            let driven = |t: &usize| {
                let step = plan.step_at(*t).map(|s| &plan.steps[s]);
                step.is_some_and(|s| !s.touches(&endangered))
            };
            let mut ends = line.ends.iter().flatten();
            let meets = ends.clone().any(|t| endangered.contains(t)) && !ends.any(driven);
            if meets && plan.untested[line.wire.0].is_none() {
                plan.untested[line.wire.0] =
                    Some(match moved.on_supply(self.subject, numbering, line.wire) {
                        Some(place) => Untested::OnSupply(place),
                        None => Untested::SupplyOn,
                    });
            }
        }
        endangered
    }

    /// One vector for each pair of steps whose terminals seem joined: opposite levels on both. With consent only.
    fn oppose(
        &mut self,
        plan: &Plan,
        still: &Stillness,
        pairs: &[(usize, usize)],
        hot: &[usize],
        response: &mut Response,
    ) -> Result<(), RingOutError> {
        let guard = self.guard;
        let base = guard.image(&plan.base)?;
        let cold = |s: &usize| !plan.steps[*s].touches(hot);
        let images: Vec<([usize; 2], GuardedImage)> = (pairs.iter())
            .filter(|(a, b)| cold(a) && cold(b))
            .filter_map(|(a, b)| {
                let mut wanted = plan.wanted(&plan.steps[*a], false);
                let other = plan.wanted(&plan.steps[*b], true);
                wanted.extend(
                    other
                        .into_iter()
                        .filter(|(p, _)| !wanted.iter().any(|(w, _)| w == p))
                        .collect::<Vec<_>>(),
                );
                let terminals = [a, b].map(|s| plan.steps[*s].terminal);
                Some((terminals, guard.image(&wanted).ok()?))
            })
            .collect();
        for chunk in images.chunks(BATCH_VECTORS / 2) {
            let captures = self.batch(|| {
                let mut batch = Batch::new(guard, still);
                for (_, image) in chunk {
                    batch.vector(image);
                    batch.vector(&base);
                }
                batch.finish()
            })?;
            response
                .opposed
                .extend(chunk.iter().enumerate().map(|(i, (terminals, _))| {
                    let level = |pin| captures.level(VectorId(2 * i), pin);
                    (
                        *terminals,
                        Reading::new(plan.ears.iter().map(|(pin, _)| level(*pin))),
                    )
                }));
        }
        Ok(())
    }

    /// The level that a driver's line rests at: as seen at the driver, else elsewhere on its net, else high.
    fn rest_level(&self, plan: &Plan, step: usize, still: &Stillness) -> bool {
        let step = &plan.steps[step];
        let net = self.subject.terminals[step.terminal].net;
        let on_net = self.subject.terminals.iter().filter(|t| t.net == net);
        let pins = on_net.flat_map(|t| t.stations.iter().filter(|s| s.hears).map(|s| s.pin));
        std::iter::once(step.pin)
            .chain(pins)
            .find_map(|pin| still.level(pin))
            .unwrap_or(true)
    }

    /// Terminals that an always driving pin was heard at, and that it should not reach, with the other ends of their
    /// wires, which may have no ear of their own: never driven.
    fn hot(&self, plan: &Plan, response: &Response) -> Vec<usize> {
        let links = Links::new(self.subject, plan, response);
        let mut hot = Vec::new();
        for step in plan.steps.iter().filter(|s| s.always) {
            for (t, terminal) in self.subject.terminals.iter().enumerate() {
                if t != step.terminal && links.followed(step.terminal, t) {
                    let ends = (terminal.wires.iter()).flat_map(|w| self.subject.lines[w.0].ends);
                    hot.extend(ends.flatten().chain([t]));
                }
            }
        }
        hot
    }

    /// The trials that suspects need: their drivers again, as they are and against their neighbours.
    fn again(
        &self,
        plan: &Plan,
        response: &Response,
        suspects: &[WireIndex],
        hot: &[usize],
        still: &Stillness,
    ) -> Vec<Trial> {
        let links = Links::new(self.subject, plan, response);
        let having = |verdict| super::diagnose::having(self.subject, plan, response, verdict);
        let (slow, open) = (having(Verdict::Slow), having(Verdict::Open));
        let mut terminals: Vec<usize> = Vec::new();
        for wire in suspects {
            for t in self.subject.lines[wire.0].ends.iter().flatten() {
                terminals.push(*t);
                terminals.extend(links.members(*t));
                terminals
                    .extend((0..self.subject.terminals.len()).filter(|d| links.followed(*d, *t)));
            }
        }
        terminals.sort_unstable();
        terminals.dedup();
        let mut trials = Vec::new();
        for (step, planned) in plan.steps.iter().enumerate() {
            if !terminals.contains(&planned.terminal) || planned.touches(hot) {
                continue;
            }
            let first = self.rest_level(plan, step, still);
            let trial = |against| Trial {
                step,
                against,
                first,
                timed: None,
            };
            if slow.iter().any(|w| {
                self.subject.lines[w.0]
                    .ends
                    .contains(&Some(planned.terminal))
            }) {
                trials.extend(DELAYS_NS.map(|delay| Trial {
                    timed: Some(delay),
                    ..trial([Vec::new(), Vec::new()])
                }));
            }
            if open.iter().any(|w| {
                self.subject.lines[w.0]
                    .ends
                    .contains(&Some(planned.terminal))
            }) {
                let settle = plan.settle_ns.max(LEAST_LATE_NS);
                trials.extend(LATER.map(|times| Trial {
                    timed: Some(settle * times),
                    ..trial([Vec::new(), Vec::new()])
                }));
            }
            trials.extend((0..REPEATS).map(|_| trial([Vec::new(), Vec::new()])));
            let neighbours = self.neighbours(plan, &links, suspects, planned.terminal);
            let against = [false, true].map(|level| -> Needs {
                let mut chosen: Needs = Vec::new();
                for &pin in &neighbours {
                    let mut wanted = plan.wanted(planned, level);
                    wanted.extend(chosen.iter().copied().chain([(pin, !level)]));
                    if self.guard.image(&wanted).is_ok() {
                        chosen.push((pin, !level));
                    }
                }
                chosen
            });
            if against.iter().all(|a| !a.is_empty()) {
                trials.push(trial(against));
            }
        }
        trials
    }

    /// Drivers of the wires that lie beside those of a terminal and that are good themselves and apart from it.
    fn neighbours(
        &self,
        plan: &Plan,
        links: &Links,
        suspects: &[WireIndex],
        terminal: usize,
    ) -> Vec<crate::boundary::PinIndex> {
        let mut pins = Vec::new();
        let lines = &self.subject.lines;
        for wire in &self.subject.terminals[terminal].wires {
            let beside = [wire.0.checked_sub(1), Some(wire.0 + 1)];
            for line in beside.into_iter().flatten().filter_map(|w| lines.get(w)) {
                let [Some(a), Some(b)] = line.ends else {
                    continue;
                };
                let clear = plan.untested[line.wire.0].is_none()
                    && !suspects.contains(&line.wire)
                    && links.link(a, b) == Link::Joined
                    && !links.same_group(a, terminal);
                let driver = [a, b].into_iter().find_map(|t| {
                    let alone =
                        |s: &&super::plan::Step| s.terminal == t && s.along.is_empty() && !s.always;
                    plan.steps.iter().find(alone)
                });
                if let (true, Some(step)) = (clear, driver) {
                    pins.push(step.pin);
                }
            }
        }
        pins
    }

    /// Runs trials in batches and adds their readings.
    fn try_all(
        &mut self,
        plan: &Plan,
        still: &Stillness,
        trials: &[Trial],
        response: &mut Response,
    ) -> Result<(), RingOutError> {
        let guard = self.guard;
        let base = guard.image(&plan.base)?;
        let tck_ns = plan
            .tck_hz
            .map_or(0, |hz| 1_000_000_000 / u64::from(hz.max(1)));
        let scan_ns = (guard.pins().length() as u64 * tck_ns).next_multiple_of(1000);
        for chunk in trials.chunks(BATCH_VECTORS / 4) {
            // Each vector with its delay; by trial where its own begin. A look that comes late must not help the settled
            // one, so it comes behind it.
            let settle_ns = plan.settle_ns;
            let mut images: Vec<(GuardedImage, u64)> = Vec::with_capacity(chunk.len() * 4);
            let mut starts = Vec::with_capacity(chunk.len());
            for trial in chunk {
                starts.push(images.len() + 1);
                for level in [trial.first, !trial.first] {
                    let mut wanted = plan.wanted(&plan.steps[trial.step], level);
                    wanted.extend(&trial.against[usize::from(level)]);
                    let image = guard.image(&wanted)?;
                    let timed = trial.timed.filter(|_| level != trial.first);
                    let sooner = timed.filter(|ns| *ns < settle_ns);
                    let later = timed.filter(|ns| *ns >= settle_ns);
                    images.extend(sooner.map(|ns| (image.clone(), ns)));
                    images.push((image.clone(), settle_ns));
                    images.extend(later.map(|ns| (image, ns)));
                }
                images.push((base.clone(), settle_ns));
            }
            let captures = self.batch(|| {
                let mut batch = Batch::new(guard, still);
                batch.vector(&base);
                for (image, delay) in &images {
                    batch.settle_ns(*delay);
                    batch.vector(image);
                }
                batch.settle_ns(settle_ns);
                batch.finish()
            })?;
            let reading = |vector: usize| {
                Reading::new(
                    plan.ears
                        .iter()
                        .map(|(pin, _)| captures.level(VectorId(vector), *pin)),
                )
            };
            if response.steps.is_empty() {
                response.rest = reading(0);
                response.held = (plan.base.iter())
                    .map(|(pin, level)| (*pin, *level, captures.level(VectorId(0), *pin)))
                    .collect();
            }
            for (trial, start) in chunk.iter().zip(starts) {
                let (more, sooner) = match trial.timed {
                    None => (0, 0),
                    Some(ns) => (1, usize::from(ns < settle_ns)),
                };
                let first = reading(start);
                let second = reading(start + 1 + sooner);
                // Before a look that comes later there was the settled one, and its scan.
                let before = if sooner == 0 { settle_ns + scan_ns } else { 0 };
                let timed = (trial.timed).map(|ns| (ns + before, reading(start + 2 - sooner)));
                let after = reading(start + more + 2);
                let at = match trial.first {
                    false => [first, second],
                    true => [second, first],
                };
                response.steps.push(StepReading {
                    step: trial.step,
                    against: trial.against.clone(),
                    at,
                    timed,
                    last: !trial.first,
                    after,
                });
            }
        }
        Ok(())
    }
}
