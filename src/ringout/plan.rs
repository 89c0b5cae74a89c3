//! Which pins are driven, in which order, and which wires cannot be tested and why.

use crate::board::{PartIndex, PartKind, WireIndex, WireRole};
use crate::boundary::{Guard, PinIndex, Refusal};

use super::diagnose::same_owner;
use super::subject::{Line, Needs, Subject};
use super::{Method, Untested};

/// The plan of a ring-out between scan pins: one driver at a time.
#[derive(Debug, Clone)]
pub struct Plan {
    /// The method.
    pub method: Method,
    /// Enables and directions that are held throughout, so that everything that can listen does.
    pub base: Needs,
    /// The drivers, in order. Those that cannot be switched off come first, see [`Step::always`].
    pub steps: Vec<Step>,
    /// The pins that listen and the terminal each hears.
    pub ears: Vec<(PinIndex, usize)>,
    /// By wire: why it cannot be tested; `None` for those that can.
    pub untested: Vec<Option<Untested>>,
    /// The rate of TCK, where it is known: how soon a level is looked at after a change.
    pub tck_hz: Option<u32>,
    /// How long after an update a look is settled.
    pub settle_ns: u64,
    /// Whether lines are looked at straight after a change as well.
    pub resistance: bool,
    /// By terminal: whether any ear hears it.
    heard: Vec<bool>,
    /// By terminal: the step that drives it, alone or along with others.
    driven: Vec<Option<usize>>,
}

/// One driver.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Step {
    /// The terminal that it drives.
    pub terminal: usize,
    /// The pin.
    pub pin: PinIndex,
    /// Enables that must hold while it drives, in place of the plan's base where they differ.
    pub needs: Needs,
    /// Other terminals that come on with it, at the same level: their pins share its control cell.
    pub along: Vec<usize>,
    /// It drives whenever EXTEST is on.
    pub always: bool,
}

impl Step {
    /// Whether it would drive one of these terminals, itself or by a pin that comes on along with its own.
    pub fn touches(&self, terminals: &[usize]) -> bool {
        (self.along.iter().chain([&self.terminal])).any(|t| terminals.contains(t))
    }
}

impl Plan {
    /// The plan of a method: each terminal of a wanted wire is driven from the first pin that can and may. `None` for
    /// methods that need a probe.
    ///
    /// `only`: the wires to test; `None` for all.
    pub fn of(
        method: Method,
        subject: &Subject<'_>,
        guard: &Guard<'_>,
        only: Option<&[WireIndex]>,
    ) -> Option<Self> {
        matches!(method, Method::BothEnds | Method::Alone)
            .then(|| Self::between_pins(method, subject, guard, only))
    }

    fn between_pins(
        method: Method,
        subject: &Subject<'_>,
        guard: &Guard<'_>,
        only: Option<&[WireIndex]>,
    ) -> Self {
        let mut plan = Plan {
            method,
            tck_hz: None,
            settle_ns: u64::from(guard.rules().settle_us) * 1000,
            resistance: false,
            heard: vec![false; subject.terminals.len()],
            driven: vec![None; subject.terminals.len()],
            base: Vec::new(),
            steps: Vec::new(),
            ears: Vec::new(),
            untested: vec![None; subject.lines.len()],
        };
        plan.add_base(subject, guard);
        plan.add_ears(subject, guard);
        let wanted = |wire: WireIndex| only.is_none_or(|o| o.contains(&wire));
        let mut refused: Vec<Option<Refusal>> = vec![None; subject.terminals.len()];
        for (t, terminal) in subject.terminals.iter().enumerate() {
            // What cannot be switched off is looked at first, whoever it belongs to: nothing may drive against it.
            let live = (terminal.stations.iter()).any(|s| guard.always_drives(s.pin));
            if live || subject.signal_wires(t).any(wanted) {
                match plan.step(subject, guard, t) {
                    Ok(step) => plan.steps.push(step),
                    Err(why) => refused[t] = why,
                }
            }
        }
        // An end of a wire may sit on a pin beside its own that no wire should be on. Such a pin drives as well if it
        // cannot listen, or if the other end of the wire cannot drive alone.
        let alone = |t: usize| {
            plan.steps
                .iter()
                .any(|s| s.terminal == t && s.along.is_empty())
        };
        let place = |t: usize| &subject.terminals[t].places[0];
        let strays: Vec<usize> = (0..subject.terminals.len())
            .filter(|t| subject.terminals[*t].wires.is_empty())
            .filter(|x| !plan.steps.iter().any(|s| s.terminal == *x))
            .filter(|x| {
                let may_take =
                    |home: usize, other: usize| same_owner(place(home), place(*x)) && !alone(other);
                let tested = |l: &&Line| {
                    wanted(l.wire) && !matches!(l.role, WireRole::Supply | WireRole::Ground)
                };
                !plan.hears(*x)
                    || (subject.lines.iter().filter(tested)).any(|l| match l.ends {
                        [Some(a), Some(b)] => may_take(a, b) || may_take(b, a),
                        _ => false,
                    })
            })
            .collect();
        for t in strays {
            plan.steps.extend(plan.step(subject, guard, t).ok());
        }
        plan.drop_twins();
        // All `to` ends, then all `from` ends: two drivers of one wire never follow each other.
        let first_of = |t: usize| {
            let wire = subject.terminals[t].wires.first();
            wire.map_or((2, t), |w| {
                (usize::from(subject.lines[w.0].ends[1] != Some(t)), w.0)
            })
        };
        plan.steps
            .sort_by_key(|s| (!s.always, first_of(s.terminal)));
        for (i, step) in plan.steps.iter().enumerate().rev() {
            for &t in &step.along {
                plan.driven[t] = Some(i);
            }
        }
        for (i, step) in plan.steps.iter().enumerate().rev() {
            plan.driven[step.terminal] = Some(i);
        }
        for line in &subject.lines {
            let why = match line.role {
                WireRole::Supply => Some(Untested::Supply),
                WireRole::Ground => Some(Untested::Ground),
                _ if !wanted(line.wire) => Some(Untested::NotAskedFor),
                _ if method == Method::Alone => plan.why_unseen(subject, line.wire, &refused),
                _ => plan.why_untested(subject, line.wire, &refused),
            };
            plan.untested[line.wire.0] = why;
        }
        plan
    }

    /// What listening takes, as long as it does not contradict itself and the guard allows it.
    fn add_base(&mut self, subject: &Subject<'_>, guard: &Guard<'_>) {
        let stations = subject.terminals.iter().flat_map(|t| &t.stations);
        let heard = stations.filter(|s| s.hears).map(|s| &s.hear_needs);
        let within = (subject.lines.iter()).flat_map(|l| l.ways.iter().flatten());
        for needs in heard.chain(within) {
            let mut wish = self.base.clone();
            for need in needs {
                if !wish.contains(need) {
                    wish.push(*need);
                }
            }
            let clear = (wish.iter()).all(|(p, l)| !wish.contains(&(*p, !*l)));
            if wish.len() > self.base.len() && clear && guard.image(&wish).is_ok() {
                self.base = wish;
            }
        }
    }

    fn add_ears(&mut self, subject: &Subject<'_>, guard: &Guard<'_>) {
        for (t, terminal) in subject.terminals.iter().enumerate() {
            for station in &terminal.stations {
                let open = (station.hear_needs.iter()).all(|n| self.base.contains(n));
                if station.hears && open && !guard.driven_by_others(station.pin) {
                    self.ears.push((station.pin, t));
                    self.heard[t] = true;
                }
            }
        }
    }

    /// The driver of a terminal: a pin that comes on alone, else one that comes on with others. The error is the
    /// guard's last refusal, if there was any pin at all.
    fn step(
        &self,
        subject: &Subject<'_>,
        guard: &Guard<'_>,
        terminal: usize,
    ) -> Result<Step, Option<Refusal>> {
        let mut refusal = None;
        let mut found: Option<Step> = None;
        for station in subject.terminals[terminal]
            .stations
            .iter()
            .filter(|s| s.drives)
        {
            let step = Step {
                terminal,
                pin: station.pin,
                needs: station.drive_needs.clone(),
                along: along(subject, station.pin, terminal),
                always: guard.always_drives(station.pin),
            };
            let tried = [false, true].map(|level| guard.image(&self.wanted(&step, level)));
            match tried {
                [Ok(_), Ok(_)] if step.along.is_empty() => return Ok(step),
                [Ok(_), Ok(_)] => found = found.or(Some(step)),
                [Err(why), _] | [_, Err(why)] => refusal = Some(why),
            }
        }
        found.ok_or(refusal)
    }

    /// Steps that switch the same pins say the same: one of them is enough.
    fn drop_twins(&mut self) {
        let mut kept: Vec<Step> = Vec::new();
        for step in self.steps.drain(..) {
            let twin = (kept.iter())
                .any(|k| k.along.contains(&step.terminal) && step.along.contains(&k.terminal));
            if !twin {
                kept.push(step);
            }
        }
        self.steps = kept;
    }

    /// The pins that are wanted while a step drives.
    pub fn wanted(&self, step: &Step, level: bool) -> Needs {
        let mut wanted: Needs = vec![(step.pin, level)];
        for need in step.needs.iter().chain(&self.base) {
            if !wanted.iter().any(|(p, _)| *p == need.0) {
                wanted.push(*need);
            }
        }
        wanted
    }

    /// Whether an ear listens while a step drives: the step's own needs may switch its way off.
    pub fn listens(&self, subject: &Subject<'_>, ear: usize, step: &Step) -> bool {
        let (pin, terminal) = self.ears[ear];
        let station = subject.terminals[terminal]
            .stations
            .iter()
            .find(|s| s.pin == pin);
        station.is_none_or(|s| {
            s.hear_needs
                .iter()
                .all(|(p, l)| !step.needs.contains(&(*p, !*l)))
        })
    }

    /// The step that drives a terminal, alone or along with others.
    pub fn step_at(&self, terminal: usize) -> Option<usize> {
        self.driven[terminal]
    }

    /// Whether any ear hears the terminal.
    pub fn hears(&self, terminal: usize) -> bool {
        self.heard[terminal]
    }

    /// By step: whether its second level is looked at early as well, to find resistance. One driver a wire is enough,
    /// and a declared resistance on the way is none that should be found.
    pub fn early_steps(&self, subject: &Subject<'_>) -> Vec<bool> {
        let mut early = vec![false; self.steps.len()];
        for line in &subject.lines {
            let [Some(a), Some(b)] = line.ends else {
                continue;
            };
            if self.untested[line.wire.0].is_some() || !plain(subject, line) {
                continue;
            }
            let alone = |(from, to): (usize, usize)| {
                let step = self.driven[from]?;
                let planned = &self.steps[step];
                let fits = planned.terminal == from && planned.along.is_empty() && !planned.always;
                (fits && self.heard[to]).then_some(step)
            };
            let step = [(b, a), (a, b)].into_iter().find_map(alone);
            if let Some(step) = step {
                early[step] = true;
            }
        }
        early
    }

    /// Vectors of the plan when nothing has to be tried again: each driver at both levels and let go, a look that
    /// comes early for one driver a wire, and one at the start.
    pub fn vectors(&self, subject: &Subject<'_>) -> usize {
        let early = (self.early_steps(subject).into_iter()).filter(|e| *e && self.resistance);
        3 * self.steps.len() + early.count() + 1
    }

    /// Why nothing can be said about a wire from its near end alone.
    fn why_unseen(
        &self,
        subject: &Subject<'_>,
        wire: WireIndex,
        refused: &[Option<Refusal>],
    ) -> Option<Untested> {
        let declared = &subject.board.wires[wire.0];
        let ends: Vec<usize> = (subject.lines[wire.0].ends.iter().flatten().copied())
            .filter(|t| !subject.terminals[*t].stations.is_empty())
            .collect();
        if ends.is_empty() {
            return Some(Untested::NoPin(format!(
                "{} or {}",
                declared.from, declared.to
            )));
        }
        if ends.iter().any(|t| self.step_at(*t).is_some()) {
            return None;
        }
        let why = ends.iter().find_map(|t| refused[*t].as_ref());
        Some(match why {
            Some(refusal) => Untested::Live(refusal.to_string()),
            None => Untested::NoDriver(format!(
                "neither {} nor {} has one",
                declared.from, declared.to
            )),
        })
    }

    fn why_untested(
        &self,
        subject: &Subject<'_>,
        wire: WireIndex,
        refused: &[Option<Refusal>],
    ) -> Option<Untested> {
        let line = &subject.lines[wire.0];
        let declared = &subject.board.wires[wire.0];
        let places = [&declared.from, &declared.to];
        let mut ends = [0; 2];
        for (i, place) in places.iter().enumerate() {
            match line.ends[i] {
                Some(t) if !subject.terminals[t].stations.is_empty() => ends[i] = t,
                _ => return Some(Untested::NoPin(place.to_string())),
            }
        }
        if line.bridged {
            return Some(Untested::Bridged);
        }
        let mut together = Vec::new();
        let (mut driver, mut possible) = (false, false);
        for (way, [a, b]) in [ends, [ends[1], ends[0]]].into_iter().enumerate() {
            let Some(step) = self.step_at(a) else {
                continue;
            };
            driver = true;
            if line.ways[way].is_none() || !self.hears(b) {
                continue;
            }
            let others: Vec<usize> = (self.steps[step].along.iter().copied())
                .chain([self.steps[step].terminal])
                .filter(|t| subject.terminals[*t].net != subject.terminals[a].net)
                .collect();
            if others.is_empty() {
                return None;
            }
            possible = true;
            together.extend(others.iter().flat_map(|t| subject.signal_wires(*t)));
        }
        if possible {
            together.sort_unstable();
            together.dedup();
            let labels: Vec<&str> = together.iter().map(|w| subject.label(*w)).collect();
            return Some(Untested::Together(labels.join(", ")));
        }
        if !driver {
            let why = ends.iter().find_map(|t| refused[*t].as_ref());
            return Some(match why {
                Some(refusal) => Untested::Live(refusal.to_string()),
                None => {
                    Untested::NoDriver(format!("neither {} nor {} has one", places[0], places[1]))
                }
            });
        }
        let deaf = ends.iter().position(|t| !self.hears(*t)).unwrap_or(1);
        Some(Untested::NoListener(places[deaf].to_string()))
    }
}

/// Whether nothing that is declared on a wire's way slows it down: no resistance of a kilo-ohm or more.
fn plain(subject: &Subject<'_>, line: &Line) -> bool {
    let stations = line
        .ends
        .iter()
        .flatten()
        .flat_map(|t| &subject.terminals[*t].stations);
    let parts = &subject.board.parts;
    let slows = |p: &PartIndex| matches!(parts[p.0].kind, PartKind::Resistor { ohms } if ohms.is_some_and(|o| o >= 1_000));
    let inside = !subject.board.wire_ends(line.wire).within.iter().any(slows);
    inside && !stations.flat_map(|s| &s.through).any(slows)
}

/// Other terminals that come on with a pin, because their pins share its control cell. Pins that no harness can reach
/// do not count.
fn along(subject: &Subject<'_>, pin: PinIndex, terminal: usize) -> Vec<usize> {
    let group = subject.pins.group(pin);
    if group.len() < 2 {
        return Vec::new();
    }
    (subject.terminals.iter().enumerate())
        .filter(|(t, other)| {
            *t != terminal
                && (other.stations.iter())
                    .any(|s| s.pin != pin && s.drives && group.contains(&s.pin))
        })
        .map(|(t, _)| t)
        .collect()
}
