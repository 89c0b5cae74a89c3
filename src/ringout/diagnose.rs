//! Verdicts from what was read.

use std::collections::{HashMap, HashSet};

use crate::board::{Joint, JointKind, Level, PartIndex, PartKind, Place, WireIndex};

use super::joined::{Link, Links, Stuck};
use super::moved::{Moved, Numbering};
use super::observe::{Response, StepReading};
use super::plan::Plan;
use super::subject::Subject;
use super::words::Words;
use super::{Alternative, Evidence, Finding, Method, Untested, Verdict, WireVerdict};

/// Verdicts on all wires, in their order, and what explains several of them at once.
pub fn diagnose(
    subject: &Subject<'_>,
    plan: &Plan,
    response: &Response,
) -> (Vec<WireVerdict>, Vec<Finding>) {
    let diagnosis = Diagnosis::new(subject, plan, response);
    let wires: Vec<WireVerdict> = (0..subject.lines.len())
        .map(|w| diagnosis.verdict(WireIndex(w)))
        .collect();
    let findings = super::together::findings(&diagnosis, &wires);
    (wires, findings)
}

/// The wires that are not plainly good, to be tried again.
pub fn suspects(subject: &Subject<'_>, plan: &Plan, response: &Response) -> Vec<WireIndex> {
    let diagnosis = Diagnosis::new(subject, plan, response);
    (0..subject.lines.len())
        .map(WireIndex)
        .filter(|w| plan.untested[w.0].is_none())
        .filter(|w| {
            let judged = diagnosis.judge(*w);
            judged.verdict != Verdict::Good && judged.untested.is_none()
        })
        .collect()
}

/// Wires both of whose ends were seen joined: a harness that shows any is plugged at its far end.
pub(super) fn through(subject: &Subject<'_>, plan: &Plan, response: &Response) -> Vec<WireIndex> {
    let diagnosis = Diagnosis::new(subject, plan, response);
    (0..subject.lines.len())
        .map(WireIndex)
        .filter(|w| plan.untested[w.0].is_none() && diagnosis.own_link(*w) == Link::Joined)
        .collect()
}

/// The one mistake that explains what was read so far, if there is one.
pub(super) fn moved(
    subject: &Subject<'_>,
    plan: &Plan,
    response: &Response,
    numbering: &Numbering,
) -> Option<Moved> {
    let diagnosis = Diagnosis::new(subject, plan, response);
    Moved::find(&diagnosis, numbering, |w| diagnosis.judge(w).verdict)
}

/// Wires of one verdict.
pub(super) fn having(
    subject: &Subject<'_>,
    plan: &Plan,
    response: &Response,
    verdict: Verdict,
) -> Vec<WireIndex> {
    let diagnosis = Diagnosis::new(subject, plan, response);
    (0..subject.lines.len())
        .map(WireIndex)
        .filter(|w| diagnosis.judge(*w).verdict == verdict)
        .collect()
}

/// Steps whose terminals seem joined and ought not to be: truly joined, or a floating line that follows its neighbour.
/// Only opposite levels tell.
pub(super) fn doubtful_pairs(
    subject: &Subject<'_>,
    plan: &Plan,
    response: &Response,
) -> Vec<(usize, usize)> {
    let diagnosis = Diagnosis::new(subject, plan, response);
    let mut pairs = Vec::new();
    for w in (0..subject.lines.len()).map(WireIndex) {
        // Who is exchanged, or sits on the one pin that answers, needs no proof of that.
        let judged = diagnosis.judge(w);
        let partner = |t: &usize| {
            let theirs = subject.terminals[*t].wires.iter();
            judged.verdict == Verdict::Swapped && theirs.clone().any(|v| judged.wires.contains(v))
        };
        let alone = match judged.verdict {
            Verdict::Short => false,
            Verdict::Misplaced => judged.strangers.len() == 1,
            _ => !diagnosis.links.coupled(),
        };
        let ends = subject.lines[w.0].ends.into_iter().flatten();
        for end in ends.filter(|_| !alone) {
            for stranger in diagnosis.strangers(end).into_iter().filter(|t| !partner(t)) {
                if let (Some(a), Some(b)) = (diagnosis.lone(end), diagnosis.lone(stranger)) {
                    pairs.push((a.min(b), a.max(b)));
                }
            }
        }
    }
    pairs.sort_unstable();
    pairs.dedup();
    pairs
}

/// Everything that verdicts rest on.
pub(super) struct Diagnosis<'d, 'a> {
    pub(super) subject: &'d Subject<'a>,
    pub(super) plan: &'d Plan,
    pub(super) response: &'d Response,
    pub(super) links: Links,
    /// By terminal: terminals of one class ought to be joined.
    class: Vec<usize>,
    /// By wire: the level that it goes back to when it is let go, without anything that explains it.
    returns: Vec<Option<bool>>,
    /// By terminal: its ears.
    ears: Vec<Vec<usize>>,
    /// By terminal: the readings of the steps that drive it alone, and of all that drive it first of all.
    by_terminal: Vec<Vec<usize>>,
    of_terminal: Vec<Vec<usize>>,
}

/// A verdict without its words.
#[derive(Debug, Clone)]
pub(super) struct Judged {
    pub(super) verdict: Verdict,
    pub(super) with: Vec<String>,
    pub(super) alternatives: Vec<Alternative>,
    pub(super) untested: Option<Untested>,
    /// Terminals that answered and should not have.
    pub(super) strangers: Vec<usize>,
    /// For `misplaced`: which end sits elsewhere, and at which terminal.
    pub(super) stray: Option<(usize, usize)>,
    /// The other wires of it.
    pub(super) wires: Vec<WireIndex>,
}

impl Judged {
    fn plain(verdict: Verdict) -> Self {
        Judged {
            verdict,
            with: Vec::new(),
            alternatives: Vec::new(),
            untested: None,
            strangers: Vec::new(),
            stray: None,
            wires: Vec::new(),
        }
    }
}

impl<'d, 'a> Diagnosis<'d, 'a> {
    pub(super) fn new(subject: &'d Subject<'a>, plan: &'d Plan, response: &'d Response) -> Self {
        let mut ears = vec![Vec::new(); subject.terminals.len()];
        for (ear, (_, terminal)) in plan.ears.iter().enumerate() {
            ears[*terminal].push(ear);
        }
        let mut by_terminal = vec![Vec::new(); subject.terminals.len()];
        let mut of_terminal = by_terminal.clone();
        for (i, reading) in response.steps.iter().enumerate() {
            let step = &plan.steps[reading.step];
            of_terminal[step.terminal].push(i);
            if step.along.is_empty() {
                by_terminal[step.terminal].push(i);
            }
        }
        let mut diagnosis = Diagnosis {
            subject,
            plan,
            response,
            ears,
            by_terminal,
            of_terminal,
            links: Links::new(subject, plan, response),
            class: classes(subject),
            returns: Vec::new(),
        };
        diagnosis.returns = diagnosis.returning();
        diagnosis
    }

    pub(super) fn ends(&self, wire: WireIndex) -> Option<[usize; 2]> {
        let [a, b] = self.subject.lines[wire.0].ends;
        Some([a?, b?])
    }

    /// What the readings say about the two ends of a wire; only the ways that a part in it leaves open count.
    fn own_link(&self, wire: WireIndex) -> Link {
        let Some([a, b]) = self.ends(wire) else {
            return Link::Unknown;
        };
        match &self.subject.lines[wire.0].ways {
            [Some(_), Some(_)] => self.links.link(a, b),
            [Some(_), None] => self.links.way(a, b),
            [None, Some(_)] => self.links.way(b, a),
            [None, None] => Link::Unknown,
        }
    }

    /// Terminals joined to one that ought not to be.
    fn strangers(&self, terminal: usize) -> Vec<usize> {
        (self.links.members(terminal).iter().copied())
            .filter(|t| self.class[*t] != self.class[terminal])
            .collect()
    }

    pub(super) fn judge(&self, wire: WireIndex) -> Judged {
        if let Some(untested) = &self.plan.untested[wire.0] {
            return Judged {
                untested: Some(untested.clone()),
                ..Judged::plain(Verdict::Untested)
            };
        }
        if self.plan.method == Method::Alone {
            return self.alone(wire);
        }
        let Some(ends) = self.ends(wire) else {
            return Judged::plain(Verdict::Untested);
        };
        let link = self.own_link(wire);
        if link == Link::Apart
            && self.given_time(wire)
            && ends.iter().all(|e| self.strangers(*e).is_empty())
        {
            return Judged::plain(Verdict::Slow);
        }
        // Where a driver that is always on was heard nothing else may drive: that both ends hear it joins them.
        let both_hear = link == Link::Unknown && self.links.same_group(ends[0], ends[1]);
        if link == Link::Joined || both_hear {
            return self.joined(wire, ends);
        }
        for end in ends {
            if let Stuck::Firmly(level) = self.links.stuck[end] {
                return Judged::plain(stuck(level));
            }
        }
        match link {
            Link::Unsteady => Judged::plain(Verdict::Unsteady),
            // Not driven, because something that never lets go was heard there.
            Link::Unknown if ends.iter().all(|e| self.strangers(*e).is_empty()) => {
                let place = &self.subject.terminals[ends[1]].places[0];
                Judged {
                    untested: Some(Untested::NoListener(place.to_string())),
                    ..Judged::plain(Verdict::Untested)
                }
            }
            _ => self.apart(wire, ends),
        }
    }

    /// A wire that is looked at from one end only, its other end hanging free: short, stuck, held, or nothing to see.
    fn alone(&self, wire: WireIndex) -> Judged {
        let ends = self.subject.lines[wire.0].ends.into_iter().flatten();
        for end in ends {
            let strangers = self.strangers(end);
            if !strangers.is_empty() {
                let (wires, with) = self.owners(&strangers);
                return Judged {
                    with,
                    strangers,
                    wires,
                    ..Judged::plain(Verdict::Short)
                };
            }
            if let Stuck::Firmly(level) = self.links.stuck[end] {
                return Judged::plain(stuck(level));
            }
        }
        match self.returns[wire.0] {
            Some(_) => Judged::plain(Verdict::Held),
            None => Judged {
                untested: Some(Untested::OneEnd),
                ..Judged::plain(Verdict::Untested)
            },
        }
    }

    /// A wire whose ends are joined: good, short, or held.
    fn joined(&self, wire: WireIndex, [a, _]: [usize; 2]) -> Judged {
        let strangers = self.strangers(a);
        if !strangers.is_empty() {
            let (wires, with) = self.owners(&strangers);
            let alternatives = self.maybe_floating(&strangers);
            return Judged {
                with,
                alternatives,
                strangers,
                wires,
                ..Judged::plain(Verdict::Short)
            };
        }
        match (self.returns[wire.0], self.late(wire)) {
            (Some(_), _) => Judged::plain(Verdict::Held),
            (None, Some(_)) => Judged::plain(Verdict::Slow),
            (None, None) => Judged::plain(Verdict::Good),
        }
    }

    /// Of a wire that did not pass in every look: the longest delay at which it did not, and the shortest from which on
    /// it always did; in nanoseconds beside the 2.5 TCK from Update to Capture.
    pub(super) fn late(&self, wire: WireIndex) -> Option<(u64, Option<u64>)> {
        let (mut passed, mut failed) = self.timed_looks(wire);
        match self.own_link(wire) {
            Link::Joined => passed.push(self.plan.settle_ns),
            _ => failed.push(self.plan.settle_ns),
        }
        let longest = failed.into_iter().max()?;
        Some((longest, passed.into_iter().filter(|d| *d > longest).min()))
    }

    /// Whether a wire that has no contact when it is looked at in time has it whenever it is given longest.
    fn given_time(&self, wire: WireIndex) -> bool {
        let (passed, failed) = self.timed_looks(wire);
        let longest = passed.iter().copied().max();
        longest.is_some_and(|d| d > self.plan.settle_ns && failed.iter().all(|f| *f < d))
    }

    /// The delays of the looks at a wire's far end that came sooner or later than the settled ones: those that passed
    /// and those that did not.
    fn timed_looks(&self, wire: WireIndex) -> (Vec<u64>, Vec<u64>) {
        let (mut passed, mut failed) = (Vec::new(), Vec::new());
        let Some([a, b]) = self.ends(wire) else {
            return (passed, failed);
        };
        for (from, to) in [(a, b), (b, a)] {
            for reading in self.readings(from) {
                let Some((delay, early)) = &reading.timed else {
                    continue;
                };
                let heard = (self.ears[to].iter()).filter_map(|e| Some((*e, early.get(*e)?)));
                for (ear, level) in heard {
                    // What the settled look did not hear either says nothing about a sooner one; and a later one must have
                    // seen the level change, since a line without contact may float at the one that is wanted.
                    let settled = reading.at[usize::from(reading.last)].get(ear);
                    let later = *delay > self.plan.settle_ns;
                    let changes = settled == Some(!reading.last);
                    match level == reading.last {
                        true if !later || changes => passed.push(*delay),
                        false if later || !changes => failed.push(*delay),
                        _ => {}
                    }
                }
            }
        }
        (passed, failed)
    }

    /// Whether a wire was looked at as early as the chain allows.
    fn looked_early(&self, wire: WireIndex) -> bool {
        self.timed_looks(wire).0.contains(&0)
    }

    /// The readings of the steps that drive a terminal alone, in the order of time.
    fn readings(&self, terminal: usize) -> impl Iterator<Item = &'d StepReading> {
        let steps = &self.response.steps;
        self.by_terminal[terminal].iter().map(move |i| &steps[*i])
    }

    /// Looks at which a missing contact would have shown, and how many of them showed one: the level of the far end
    /// had to change.
    pub(super) fn looks(&self, wire: WireIndex) -> (usize, usize) {
        let Some([a, b]) = self.ends(wire) else {
            return (0, 0);
        };
        let (mut looks, mut misses) = (0, 0);
        for (from, to) in [(a, b), (b, a)] {
            for &ear in &self.ears[to] {
                let mut before = self.response.rest.get(ear);
                for reading in self.readings(from) {
                    for level in [!reading.last, reading.last] {
                        let now = reading.at[usize::from(level)].get(ear);
                        if before == Some(!level) {
                            looks += 1;
                            misses += usize::from(now == Some(!level));
                        }
                        before = now;
                    }
                    before = reading.after.get(ear);
                }
            }
        }
        (looks, misses)
    }

    /// The step that drives a terminal alone, if there is one that can be switched off.
    fn lone(&self, terminal: usize) -> Option<usize> {
        let step = self.plan.step_at(terminal)?;
        let planned = &self.plan.steps[step];
        (planned.terminal == terminal && planned.along.is_empty() && !planned.always)
            .then_some(step)
    }

    /// Where lines of this harness were seen to follow their neighbours without being joined, others may do that as
    /// well. Opposite levels would tell; they are not tried without consent.
    fn maybe_floating(&self, strangers: &[usize]) -> Vec<Alternative> {
        // A stranger that cannot drive, or was not let for caution, cannot answer back, unless another end of its wire can.
        let answers = |t: &usize| {
            let mut same = strangers
                .iter()
                .filter(|u| self.class[**u] == self.class[*t]);
            same.any(|u| {
                self.lone(*u)
                    .is_some_and(|step| self.response.of(step).next().is_some())
            })
        };
        // And one that nobody hears where it is joined cannot contradict.
        let heard = |t: &usize| {
            let mut same = strangers
                .iter()
                .filter(|u| self.class[**u] == self.class[*t]);
            same.any(|u| self.plan.hears(*u))
        };
        let doubt = self.links.coupled() || strangers.iter().any(|t| !answers(t) || !heard(t));
        let shaky = |t: usize| {
            let mut wires = self.subject.terminals[t].wires.iter();
            self.links.moves_alone(t) || wires.any(|w| self.own_link(*w) == Link::Unsteady)
        };
        let decide = if doubt {
            "drive both to opposite levels for one vector (`--allow-brief-fights`), or measure between them with \
             everything off"
        } else if strangers.iter().any(|t| shaky(*t)) {
            "one of them moves by itself and may have followed by chance: mend that one, then ring out again"
        } else {
            return Vec::new();
        };
        vec![Alternative {
            verdict: Verdict::Good,
            with: Vec::new(),
            decide: decide.into(),
        }]
    }

    /// A wire whose ends are not joined: exchanged, on another pin, or without contact.
    fn apart(&self, wire: WireIndex, ends: [usize; 2]) -> Judged {
        if let Some(other) = self.exchanged(wire, ends) {
            let mut strangers = self.strangers(ends[0]);
            strangers.extend(self.strangers(ends[1]));
            return Judged {
                with: vec![self.subject.label(other).to_string()],
                strangers,
                wires: vec![other],
                ..Judged::plain(Verdict::Swapped)
            };
        }
        // End 1 may sit on a terminal that end 0 is joined to, or the other way round.
        let landings = [self.landing(ends, 1), self.landing(ends, 0)];
        let (end, at) = match landings {
            [Some(at), _] => (1, at),
            [None, Some(at)] => (0, at),
            [None, None] => return self.open(ends),
        };
        let (wires, _) = self.owners(&[at]);
        let strangers = self.strangers(ends[1 - end]);
        let pin = self.pin_name(at);
        let misplaced = Verdict::Misplaced;
        // Another wire, itself without contact, could be the one that ends there.
        let rival =
            (wires.iter()).find(|v| self.own_link(**v) == Link::Apart && self.may_land(**v, ends));
        if let (0, Some(rival)) = (end, rival) {
            let label = self.subject.label(*rival);
            return Judged {
                alternatives: vec![Alternative {
                    verdict: misplaced,
                    with: vec![pin],
                    decide: format!("unsolder {label} at one end: what still answers is this wire"),
                }],
                strangers,
                wires,
                ..Judged::plain(Verdict::Open)
            };
        }
        let mut alternatives = Vec::new();
        if !wires.is_empty() {
            let (_, labels) = self.owners(&[at]);
            alternatives.push(Alternative {
                verdict: Verdict::Open,
                with: Vec::new(),
                decide: format!(
                    "follow the wire by eye: it may be broken, and its other end joined to {}",
                    labels.join(", ")
                ),
            });
        }
        Judged {
            with: vec![pin],
            alternatives,
            strangers,
            stray: Some((end, at)),
            wires,
            ..Judged::plain(misplaced)
        }
    }

    fn open(&self, ends: [usize; 2]) -> Judged {
        let mut judged = Judged::plain(Verdict::Open);
        for end in ends {
            let other = if end == ends[0] { ends[1] } else { ends[0] };
            // A driver that cannot hear itself, or hears only its own side of a part, may push against a line that is
            // stuck.
            let driver_hears = (self.plan.step_at(other))
                .map(|s| &self.plan.steps[s])
                .is_some_and(|s| {
                    let mut stations = self.subject.terminals[other].stations.iter();
                    let direct = stations.any(|at| at.pin == s.pin && at.through.is_empty());
                    direct && self.subject.pins.hears_itself(s.pin)
                });
            if let (Stuck::Perhaps(level), false) = (self.links.stuck[end], driver_hears) {
                judged.alternatives.push(Alternative {
                    verdict: stuck(level),
                    with: Vec::new(),
                    decide: format!(
                        "measure {} against {}",
                        self.subject.terminals[end].places[0],
                        if level { "the supply" } else { "ground" }
                    ),
                });
            }
        }
        judged
    }

    /// The wire that this one is exchanged with: each is joined to the other's far end, or one of them is, both have
    /// lost their own, and nothing could show the rest.
    fn exchanged(&self, wire: WireIndex, [a, b]: [usize; 2]) -> Option<WireIndex> {
        let strangers = [self.strangers(a), self.strangers(b)].concat();
        let (wires, _) = self.owners(&strangers);
        wires.into_iter().find(|other| {
            let Some([c, d]) = self.ends(*other) else {
                return false;
            };
            let joined = |p, q| self.links.same_group(p, q);
            // It has lost its own far end, as its own drivers show, or as those of this wire do where it landed.
            let shows = |e: usize| {
                let apart = |p, q| joined(e, p) && self.links.link(e, q) == Link::Apart;
                apart(c, d) || apart(d, c)
            };
            let lost = self.own_link(*other) == Link::Apart || shows(a) || shows(b);
            // Not what was merely left undriven, for caution.
            let can_show = |p, q| self.lone(p).is_some() && self.plan.hears(q);
            let unseen = |p, q| lost && !can_show(p, q) && !can_show(q, p);
            let both = |p: [usize; 2], q: [usize; 2]| {
                let [one, two] = [joined(p[0], p[1]), joined(q[0], q[1])];
                one && (two || unseen(q[0], q[1])) || two && unseen(p[0], p[1])
            };
            // Each from its own first end to the other's second end; or, where the other was written the other way
            // round, on the same side.
            let crossed = both([a, d], [b, c]) || (both([a, c], [b, d]) && self.same_side(b, c));
            *other != wire && self.own_link(*other) != Link::Joined && !joined(a, b) && crossed
        })
    }

    /// The terminal that an end of a wire sits on instead of its own, judged by what its other end is joined to.
    pub(super) fn landing(&self, ends: [usize; 2], end: usize) -> Option<usize> {
        let home = ends[end];
        let strangers = self.strangers(ends[1 - end]);
        let on_side = (strangers.iter().copied()).find(|t| self.same_side(*t, home));
        on_side.or_else(|| strangers.first().copied())
    }

    /// Whether the wire could be the one that joins something to one of these terminals by its end 1.
    fn may_land(&self, wire: WireIndex, on: [usize; 2]) -> bool {
        let ends = self.ends(wire);
        let at = ends.and_then(|ends| self.landing(ends, 1));
        at.is_some_and(|at| on.contains(&at))
    }

    /// Whether two terminals are pins of the same socket, connector or device.
    fn same_side(&self, a: usize, b: usize) -> bool {
        let places = |t: usize| &self.subject.terminals[t].places;
        (places(a).iter()).any(|p| places(b).iter().any(|q| same_owner(p, q)))
    }

    /// The signal wires that should end at some terminals, and what to call them: labels, and pins where no wire is.
    fn owners(&self, terminals: &[usize]) -> (Vec<WireIndex>, Vec<String>) {
        let (mut wires, mut names) = (Vec::new(), Vec::new());
        for &t in terminals {
            let before = wires.len();
            wires.extend(self.subject.terminals[t].wires.iter().copied());
            if wires.len() == before {
                names.push(self.pin_name(t));
            }
        }
        wires.sort_unstable();
        wires.dedup();
        let labels = wires.iter().map(|w| self.subject.label(*w).to_string());
        let names = labels.chain(names).collect();
        (wires, names)
    }

    /// The scan pin at a terminal, or its place where there is none.
    pub(super) fn pin_name(&self, terminal: usize) -> String {
        let terminal = &self.subject.terminals[terminal];
        match terminal.stations.first() {
            Some(s) => self.subject.pins.get(s.pin).pin.to_string(),
            None => terminal.places[0].to_string(),
        }
    }

    /// By wire: the level that something unexplained pulls it to. A pull that the board file or BSDL declares is no
    /// surprise, nor is one inside a device: that would pull the other wires of the same device as well, so a wire is
    /// only called held if each of its devices has another wire that stays where it was left.
    fn returning(&self) -> Vec<Option<bool>> {
        // A wire with a driver that never lets go, or a part that may drive it, says nothing about pulls.
        let board = self.subject.board;
        let one_way = |j: &&Joint| matches!(j.kind, JointKind::OneWay(_));
        let fed: HashSet<usize> = (board.netlist.joints.iter().filter(one_way))
            .map(|j| board.drawn_nets()[j.b.0])
            .collect();
        let always = |w: usize| {
            let ends = self.subject.lines[w].ends;
            let mut nets = ends
                .iter()
                .flatten()
                .map(|t| self.subject.terminals[*t].net);
            nets.any(|net| fed.contains(&net))
                || (self.plan.steps.iter()).any(|s| s.always && ends.contains(&Some(s.terminal)))
        };
        let tested = |w: usize| self.plan.untested[w].is_none() && !always(w);
        let habits: Vec<Option<Habit>> = (0..self.subject.lines.len())
            .map(|w| {
                if tested(w) {
                    self.habit(WireIndex(w))
                } else {
                    None
                }
            })
            .collect();
        let free: Vec<(usize, bool)> = (0..habits.len())
            .filter(|w| habits[*w] == Some(Habit::Stays))
            .filter(|w| {
                self.plan.method == Method::Alone || self.own_link(WireIndex(*w)) == Link::Joined
            })
            .flat_map(|w| self.seats(WireIndex(w)))
            .collect();
        (habits.into_iter().enumerate())
            .map(|(w, habit)| {
                let (wire, Some(Habit::Returns(level))) = (WireIndex(w), habit) else {
                    return None;
                };
                let surprise = match self.declared_pull(wire) {
                    Some(pull) => level != pull,
                    None => self.seats(wire).iter().all(|s| free.contains(s)),
                };
                surprise.then_some(level)
            })
            .collect()
    }

    /// The sorts of pins that reach the ends of a wire: device by position on the chain, and whether it can drive.
    /// Devices pull all pins of one sort alike.
    fn seats(&self, wire: WireIndex) -> Vec<(usize, bool)> {
        let ends = self.subject.lines[wire.0].ends.iter().flatten();
        let one_way = |p: &PartIndex| {
            let kind = self.subject.board.parts[p.0].kind;
            matches!(
                kind,
                PartKind::Buffer | PartKind::Shifter { automatic: false }
            )
        };
        ends.flat_map(|t| &self.subject.terminals[*t].stations)
            .filter(|s| !s.through.iter().any(one_way))
            .map(|s| self.subject.pins.get(s.pin))
            .map(|pin| (pin.seat, pin.drive.is_some()))
            .collect()
    }

    /// What a wire does when it is let go at another level than it rested at; `None` if that was not seen.
    fn habit(&self, wire: WireIndex) -> Option<Habit> {
        let ends = self.subject.lines[wire.0].ends.into_iter().flatten();
        let ends: Vec<usize> = ends.collect();
        let ears = in_order(&self.ears, &ends);
        let mut habit = None;
        for reading in in_order(&self.of_terminal, &ends) {
            let reading = &self.response.steps[reading];
            for &ear in &ears {
                let (rest, after) = (self.response.rest.get(ear)?, reading.after.get(ear)?);
                if rest == reading.last {
                    continue;
                }
                let now = match after == rest {
                    true => Habit::Returns(rest),
                    false => Habit::Stays,
                };
                if habit.is_some_and(|h| h != now) {
                    return None;
                }
                habit = Some(now);
            }
        }
        habit
    }

    /// The level that the board file or the devices' BSDL pull a wire's net to.
    fn declared_pull(&self, wire: WireIndex) -> Option<bool> {
        let board = self.subject.board;
        let mut ends = self.subject.lines[wire.0].ends.into_iter().flatten();
        let net = self.subject.terminals[ends.next()?].net;
        let drawn = board.drawn_nets();
        let declared = (board.netlist.pulls.iter())
            .find(|(node, _)| drawn[node.0] == net)
            .map(|(_, pull)| board.pulls[pull.0].to.bit());
        declared.or_else(|| {
            (self.subject.terminals.iter())
                .filter(|t| t.net == net)
                .flat_map(|t| &t.stations)
                .find_map(|s| self.subject.pins.get(s.pin).drive?.enable?.result.level())
        })
    }

    /// The verdict with words and evidence.
    fn verdict(&self, wire: WireIndex) -> WireVerdict {
        let judged = self.judge(wire);
        let words = Words::new(self, wire, &judged);
        let (looks, misses) = self.looks(wire);
        WireVerdict {
            looks,
            misses,
            early: self.looked_early(wire),
            wire,
            verdict: judged.verdict,
            with: judged.with.clone(),
            alternatives: judged.alternatives.clone(),
            untested: judged.untested.clone(),
            evidence: self.evidence(wire, &judged),
            says: words.says(),
            mend: words.mend(),
        }
    }

    /// The vectors that show it: each end driven to both levels, with what the other end and any stranger read. Of a
    /// driver that was tried several times the first reading, and those that differ from it.
    fn evidence(&self, wire: WireIndex, judged: &Judged) -> Vec<Evidence> {
        if judged.untested.is_some() {
            return Vec::new();
        }
        let ends: Vec<usize> = self.subject.lines[wire.0]
            .ends
            .into_iter()
            .flatten()
            .collect();
        let listening = [&ends[..], &judged.strangers].concat();
        let ears = in_order(&self.ears, &listening);
        let expected: Vec<usize> = (ears.iter().copied())
            .filter(|e| ends.contains(&self.plan.ears[*e].1))
            .collect();
        let mut shown: Vec<Evidence> = Vec::new();
        for reading in in_order(&self.of_terminal, &listening) {
            let reading = &self.response.steps[reading];
            for evidence in reading.evidence(self.subject, self.plan, &ears, &expected) {
                if !shown.contains(&evidence) {
                    shown.push(evidence);
                }
            }
        }
        shown
    }
}

/// What belongs to any of some terminals, in order, each once.
fn in_order(by_terminal: &[Vec<usize>], terminals: &[usize]) -> Vec<usize> {
    let all = terminals.iter().flat_map(|t| &by_terminal[*t]);
    let mut all: Vec<usize> = all.copied().collect();
    all.sort_unstable();
    all.dedup();
    all
}

/// What a wire does when it is let go.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Habit {
    /// It goes back to the level that it rested at.
    Returns(bool),
    /// It stays where it was left.
    Stays,
}

fn stuck(level: bool) -> Verdict {
    match Level::from(level) {
        Level::Low => Verdict::StuckLow,
        Level::High => Verdict::StuckHigh,
    }
}

pub(super) fn same_owner(a: &Place, b: &Place) -> bool {
    match (a, b) {
        (Place::DevicePin(a), Place::DevicePin(b)) => a.device == b.device,
        (Place::ConnectorPin(a), Place::ConnectorPin(b)) => a.connector == b.connector,
        (Place::SocketPin(a), Place::SocketPin(b)) => a.socket == b.socket,
        _ => false,
    }
}

/// Terminals that ought to be joined: those on one net as drawn, and the two ends of a wire with a one-way part in it.
fn classes(subject: &Subject<'_>) -> Vec<usize> {
    let mut name: HashMap<usize, usize> = HashMap::new();
    for line in &subject.lines {
        if let [Some(a), Some(b)] = line.ends {
            let (a, b) = (subject.terminals[a].net, subject.terminals[b].net);
            let (a, b) = (*name.get(&a).unwrap_or(&a), *name.get(&b).unwrap_or(&b));
            if a != b {
                name.values_mut().filter(|v| **v == b).for_each(|v| *v = a);
                name.insert(b, a);
            }
        }
    }
    (subject.terminals.iter())
        .map(|t| *name.get(&t.net).unwrap_or(&t.net))
        .collect()
}
