//! Plugs that sit off, turned or mirrored: the rule by which all wires of a connector or socket moved, where supplies
//! end up by it, and which lines are therefore driven last or not at all.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use crate::board::{Place, WireIndex, WireRole};

use super::diagnose::Diagnosis;
use super::subject::{Line, Subject};
use super::{Finding, Verdict};

/// A rule by which all wires of a connector or socket sit on the wrong pins.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Rule {
    /// So many pins too high; negative: too low.
    Shift(i64),
    /// Turned by half, as pins are counted round a socket: n sits where n + half belongs.
    Turned,
    /// Mirrored, or a plug turned round: first and last are exchanged.
    Mirrored,
}

impl Rule {
    /// Where the wire of pin `home` sits among `pins`; it may be beyond them.
    fn lands(self, home: i64, pins: i64) -> i64 {
        match self {
            Self::Shift(by) => home + by,
            Self::Turned => (home - 1 + pins / 2).rem_euclid(pins.max(1)) + 1,
            Self::Mirrored => pins + 1 - home,
        }
    }

    fn holds(self, home: i64, landed: i64, pins: i64) -> bool {
        (self != Self::Turned || pins % 2 == 0) && self.lands(home, pins) == landed
    }
}

/// How a plug's wires have moved.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Moved {
    /// The connector or socket, in [`Numbering`].
    owner: usize,
    rule: Rule,
    /// The wires that show it.
    wires: Vec<WireIndex>,
    /// Of one of them: the pin that it belongs on and the one that it sits on.
    example: [i64; 2],
}

/// Wires with the pin that they belong on and the one that they landed on.
type Landed = Vec<(WireIndex, i64, i64)>;

impl Moved {
    /// The rule that explains what was read, if there is one: every wire there that answers anywhere answers where the
    /// rule says, at least three do, and none is good.
    pub(super) fn find(
        diagnosis: &Diagnosis<'_, '_>,
        numbering: &Numbering,
        verdict: impl Fn(WireIndex) -> Verdict,
    ) -> Option<Self> {
        let subject = diagnosis.subject;
        let mut found: Vec<Moved> = Vec::new();
        for end in [1, 0] {
            // What lies where, by the thing that this end of the wires goes to.
            let mut owners: BTreeMap<usize, (Landed, bool)> = BTreeMap::new();
            for line in &subject.lines {
                let verdict = verdict(line.wire);
                let Some(ends) = diagnosis
                    .ends(line.wire)
                    .filter(|_| verdict != Verdict::Untested)
                else {
                    continue;
                };
                let Some(&(owner, home)) = numbering.of[ends[end]].first() else {
                    continue;
                };
                let entry = owners.entry(owner).or_default();
                entry.1 |= verdict == Verdict::Good;
                let landed =
                    (diagnosis.landing(ends, end)).and_then(|t| numbering.number_at(t, owner));
                if let Some(landed) = landed
                    && !matches!(verdict, Verdict::Good | Verdict::Short)
                {
                    entry.0.push((line.wire, home, landed));
                }
            }
            for (owner, (pairs, any_good)) in owners {
                let pins = numbering.owners[owner].pins;
                let Some((_, home, landed)) =
                    pairs.first().filter(|_| pairs.len() >= 3 && !any_good)
                else {
                    continue;
                };
                let rules = [Rule::Shift(landed - home), Rule::Turned, Rule::Mirrored];
                let rule = (rules.into_iter())
                    .find(|r| pairs.iter().all(|(_, h, l)| r.holds(*h, *l, pins)));
                if let Some(rule) = rule {
                    found.push(Moved {
                        owner,
                        rule,
                        wires: pairs.iter().map(|p| p.0).collect(),
                        example: [*home, *landed],
                    });
                }
            }
        }
        // Where both ends fit a rule, the nearer to a slip of the hand is told first: a shift.
        found.sort_by_key(|m| !matches!(m.rule, Rule::Shift(_)));
        found.into_iter().next()
    }

    /// Every wire that ends here, with the place where it sits by the rule; `None` if that is beyond the pins.
    fn seats<'s>(
        &self,
        subject: &'s Subject<'_>,
        numbering: &Numbering,
    ) -> Vec<(&'s Line, Option<i64>)> {
        let pins = numbering.owners[self.owner].pins;
        let mut seats = Vec::new();
        for line in &subject.lines {
            // Of a wire to a rail that several pins share, the place that it names counts.
            let wire = &subject.board.wires[line.wire.0];
            for (end, place) in line.ends.iter().zip([&wire.from, &wire.to]) {
                let named = match place {
                    Place::SocketPin(pin) => Some(i64::from(pin.number)),
                    Place::ConnectorPin(pin) => pin.pin.parse().ok(),
                    _ => None,
                };
                let mut homes = end.iter().flat_map(|t| &numbering.of[*t]);
                if let Some((_, home)) = homes.find(|(o, n)| *o == self.owner && named == Some(*n))
                {
                    let landed = self.rule.lands(*home, pins);
                    seats.push((line, (1..=pins).contains(&landed).then_some(landed)));
                }
            }
        }
        seats
    }

    /// Terminals that carry a supply or ground by the rule, with the other ends of their wires: driving there is
    /// driving into a supply.
    pub(super) fn endangered(
        &self,
        subject: &Subject<'_>,
        numbering: &Numbering,
    ) -> BTreeSet<usize> {
        let mut endangered = BTreeSet::new();
        for (line, landed) in self.seats(subject, numbering) {
            let Some(at) = landed.and_then(|n| numbering.terminal_at(self.owner, n)) else {
                continue;
            };
            let power = matches!(line.role, WireRole::Supply | WireRole::Ground);
            let on_rail = is_power(subject, at);
            if power && !on_rail {
                endangered.insert(at);
            } else if !power && on_rail {
                endangered.extend(line.ends.iter().flatten());
            }
        }
        endangered
    }

    /// The place where a wire sits by the rule, if that is a supply or ground.
    pub(super) fn on_supply(
        &self,
        subject: &Subject<'_>,
        numbering: &Numbering,
        wire: WireIndex,
    ) -> Option<String> {
        let mut seats = self.seats(subject, numbering).into_iter();
        let at = seats.find(|(l, _)| l.wire == wire)?.1?;
        let terminal = numbering.terminal_at(self.owner, at)?;
        let owner = &numbering.owners[self.owner].name;
        is_power(subject, terminal).then(|| carries(subject, terminal, at, owner))
    }

    /// The finding: one mistake for all wires that it explains.
    pub(super) fn finding(
        &self,
        subject: &Subject<'_>,
        numbering: &Numbering,
        verdict: impl Fn(WireIndex) -> Verdict,
    ) -> Finding {
        let owner = &numbering.owners[self.owner].name;
        let (how, mend) = match self.rule {
            Rule::Shift(by) => {
                let count = match by.abs() {
                    1 => "one pin".to_string(),
                    n => format!("{n} pins"),
                };
                let side = if by > 0 { "high" } else { "low" };
                (
                    format!("everything at {owner} sits {count} too {side}"),
                    format!("move the plug or the wires at {owner} {count} back"),
                )
            }
            Rule::Turned => (
                format!("everything at {owner} is turned by half"),
                format!("turn the plug at {owner} round"),
            ),
            Rule::Mirrored => (
                format!("everything at {owner} is mirrored, or its plug is turned round"),
                format!(
                    "turn the plug at {owner} round, or solder it anew as seen from the other side"
                ),
            ),
        };
        let [home, landed] = self.example.map(|n| format!("{owner}.{n}"));
        let mut says = format!(
            "one mistake explains these wires: {how} (what belongs on {home} is on {landed})"
        );
        let mut wires = self.wires.clone();
        let (mut beside, mut on_rails, mut power) = (Vec::new(), Vec::new(), Vec::new());
        for (line, landed) in self.seats(subject, numbering) {
            let label = name(subject, line.wire);
            let is_power_wire = matches!(line.role, WireRole::Supply | WireRole::Ground);
            let terminal = landed.and_then(|n| numbering.terminal_at(self.owner, n));
            match (landed, terminal) {
                (Some(n), Some(t)) if is_power_wire => {
                    let now = carries(subject, t, n, owner);
                    // A supply that lands on the same supply does no harm.
                    if !line.ends.contains(&Some(t)) {
                        power.push(format!("{label} on {now}"));
                    }
                }
                (Some(n), Some(t)) if is_power(subject, t) => {
                    on_rails.push(format!("{label} is on {}", carries(subject, t, n, owner)));
                    wires.push(line.wire);
                }
                (None, _) | (_, None) if !is_power_wire && verdict(line.wire) == Verdict::Open => {
                    beside.push(label);
                    wires.push(line.wire);
                }
                _ => {}
            }
        }
        wires.sort_unstable();
        wires.dedup();
        if !beside.is_empty() {
            says += &format!("; {} ends beside it", beside.join(", "));
        }
        if !on_rails.is_empty() {
            says += &format!("; by the same mistake {}", on_rails.join(", "));
        }
        if !power.is_empty() {
            says += &format!(
                "; supply and ground wires of the same plug would be with it: {}",
                power.join(", ")
            );
        }
        let driven = match power.is_empty() && on_rails.is_empty() {
            true => "",
            false => {
                "; nothing was driven where a supply or ground would be, and no pin can prove where they are: take the power off \
                 and measure them"
            }
        };
        Finding {
            wires,
            says,
            mend: format!("{mend}, before anything is powered{driven}"),
        }
    }
}

/// Terminals that would meet a supply or ground if a plug sat one or two pins off, turned or mirrored, with the other
/// ends of their wires. They are driven last, when it is known that nothing of that kind is wrong.
pub(super) fn exposed(subject: &Subject<'_>, numbering: &Numbering) -> BTreeSet<usize> {
    let mut exposed = BTreeSet::new();
    for (owner, declared) in numbering.owners.iter().enumerate() {
        let shifts = [-2, -1, 1, 2].map(Rule::Shift).into_iter();
        let turned = (declared.socket && declared.pins % 2 == 0).then_some(Rule::Turned);
        for rule in shifts.chain(turned).chain([Rule::Mirrored]) {
            let moved = Moved {
                owner,
                rule,
                wires: Vec::new(),
                example: [0; 2],
            };
            exposed.extend(moved.endangered(subject, numbering));
        }
    }
    exposed
}

/// Whether a supply or ground is at a terminal: by the board file, or by a wire that is one.
fn is_power(subject: &Subject<'_>, terminal: usize) -> bool {
    let terminal = &subject.terminals[terminal];
    let power =
        |w: &WireIndex| matches!(subject.lines[w.0].role, WireRole::Supply | WireRole::Ground);
    terminal.rail.is_some() || terminal.wires.iter().any(power)
}

/// A pin with what is on it: `J3.25 (U1.20)`, `J3.27 (supply 5 V)`.
fn carries(subject: &Subject<'_>, terminal: usize, number: i64, owner: &str) -> String {
    let terminal = &subject.terminals[terminal];
    let pin = (terminal.stations.first()).map(|s| subject.pins.get(s.pin).pin.to_string());
    let rail = terminal.rail.as_ref().map(ToString::to_string);
    match rail.or(pin) {
        Some(what) => format!("{owner}.{number} ({what})"),
        None => format!("{owner}.{number}"),
    }
}

/// `W01 (red, VPP)`.
fn name(subject: &Subject<'_>, wire: WireIndex) -> String {
    let wire = &subject.board.wires[wire.0];
    let extra: Vec<&str> = [wire.colour.as_str(), wire.signal.as_str()]
        .into_iter()
        .filter(|s| !s.is_empty())
        .collect();
    match extra.is_empty() {
        true => wire.label.clone(),
        false => format!("{} ({})", wire.label, extra.join(", ")),
    }
}

/// The numbered pins of connectors and sockets, and the terminals that they are.
pub(super) struct Numbering {
    owners: Vec<Owner>,
    /// By terminal: the numbered pins that belong to it, by owner.
    of: Vec<Vec<(usize, i64)>>,
}

struct Owner {
    name: String,
    pins: i64,
    socket: bool,
    terminals: HashMap<i64, usize>,
}

impl Numbering {
    pub(super) fn new(subject: &Subject<'_>) -> Self {
        let board = subject.board;
        let number = |text: &str| text.parse::<i64>().ok();
        let sockets =
            (board.sockets.iter()).map(|s| (s.name.to_string(), s.shape.pins.len() as i64, true));
        let connectors = board.connectors.iter().map(|c| {
            let pins = c.pins.iter().filter_map(|p| number(&p.pin.pin)).max();
            (c.name.to_string(), pins.unwrap_or(0), false)
        });
        let owners: Vec<Owner> = sockets
            .chain(connectors)
            .map(|(name, pins, socket)| Owner {
                name,
                pins,
                socket,
                terminals: HashMap::new(),
            })
            .collect();
        let mut this = Numbering {
            owners,
            of: vec![Vec::new(); subject.terminals.len()],
        };
        for (t, terminal) in subject.terminals.iter().enumerate() {
            for place in &terminal.places {
                let (owner, number) = match place {
                    Place::SocketPin(pin) => (pin.socket.0, Some(i64::from(pin.number))),
                    Place::ConnectorPin(pin) => {
                        (board.sockets.len() + pin.connector.0, number(&pin.pin))
                    }
                    _ => continue,
                };
                if let Some(number) = number {
                    this.owners[owner].terminals.insert(number, t);
                    this.of[t].push((owner, number));
                }
            }
        }
        this
    }

    fn number_at(&self, terminal: usize, owner: usize) -> Option<i64> {
        let mut numbers = self.of[terminal].iter();
        numbers.find(|(o, _)| *o == owner).map(|(_, n)| *n)
    }

    fn terminal_at(&self, owner: usize, number: i64) -> Option<usize> {
        self.owners[owner].terminals.get(&number).copied()
    }
}
