//! What can be known at all: every single fault of a small board, played on a model of a few lines, which shares nothing
//! with the ring-out or the simulator; faults that give the same observations cannot be told apart.
//!
//! The model knows who is joined to whom and which terminals follow a driver. It knows no levels of floating lines: a
//! line that does not follow may be at either.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use taploom::board::Board;
use taploom::ringout::Method;
use taploom::simulator::BenchFile;

use crate::weave::{End, Kind, Limits, Wire, label, weave};
use crate::{machine_off, on_bench};

/// A terminal: side 0 or 1, and its number; those beyond the wires are spare.
type Terminal = (usize, usize);
/// A verdict and with whom.
type Told = (String, Vec<String>);

/// One thing that may be wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Fault {
    Nothing,
    Open(usize, usize),
    Stuck(usize, bool),
    Short(usize, usize),
    Swap(usize, usize, usize),
    /// An end of a wire sits on another terminal of that side.
    Misplaced(usize, usize, usize),
    /// An end of a wire has come off and touches another wire: not where it belongs, and not on that one's pin either.
    Adrift(usize, usize, usize),
    /// An end of a wire has come off, and what is left of it floats and takes the level of another line's driver.
    Floats(usize, usize, usize),
    /// An end of a wire has come off, and another line floats and takes the level of what is left of it.
    Leads(usize, usize, usize),
    /// The second line floats and takes the level of the first one's driver.
    Follows(usize, usize),
}

struct Model<'m> {
    wires: &'m [Wire],
    spares: &'m [Vec<End>; 2],
}

impl Model<'_> {
    fn end(&self, (side, n): Terminal) -> &End {
        match self.wires.get(n) {
            Some(wire) => &wire.ends[side],
            None => &self.spares[side][n - self.wires.len()],
        }
    }

    fn terminals(&self) -> Vec<Terminal> {
        let of =
            |side: usize| (0..self.wires.len() + self.spares[side].len()).map(move |n| (side, n));
        of(0).chain(of(1)).collect()
    }

    /// Terminals that can be driven together: one by one, and those under one control cell.
    fn actions(&self) -> Vec<Vec<Terminal>> {
        let mut all: Vec<Vec<Terminal>> = Vec::new();
        let mut shared: BTreeMap<usize, Vec<(usize, Terminal)>> = BTreeMap::new();
        for t in self.terminals() {
            let end = self.end(t);
            if end.kind == Kind::Shared {
                shared
                    .entry(end.device)
                    .or_default()
                    .push((end.pin.parse().unwrap(), t));
            } else if end.drives() {
                all.push(vec![t]);
            }
        }
        // They share in the order of their pins, two by two.
        for mut pins in shared.into_values() {
            pins.sort_unstable();
            all.extend(
                pins.chunks(2)
                    .map(|pair| pair.iter().map(|p| p.1).collect()),
            );
        }
        all
    }

    /// Which ears follow each action: all that can be observed.
    fn observe(&self, fault: Fault) -> Vec<(Vec<Terminal>, BTreeSet<Terminal>)> {
        // Groups of joined terminals, by wire: who sits on it.
        let mut lines: Vec<BTreeSet<Terminal>> = (0..self.wires.len())
            .map(|w| BTreeSet::from([(0, w), (1, w)]))
            .collect();
        let mut railed: Option<usize> = None;
        match fault {
            Fault::Nothing | Fault::Follows(..) => {}
            Fault::Open(w, end) | Fault::Floats(w, end, _) | Fault::Leads(w, end, _) => {
                lines[w].remove(&(end, w));
            }
            Fault::Stuck(w, _) => railed = Some(w),
            Fault::Short(w, v) => {
                let more = lines[v].clone();
                lines[w].extend(&more);
                lines[v] = BTreeSet::new();
            }
            Fault::Swap(w, v, end) => {
                lines[w].remove(&(end, w));
                lines[v].remove(&(end, v));
                lines[w].insert((end, v));
                lines[v].insert((end, w));
            }
            Fault::Misplaced(w, end, at) | Fault::Adrift(w, end, at) => {
                lines[w].remove(&(end, w));
                lines[w].insert((end, at));
                if at < self.wires.len() {
                    let more = lines[at].clone();
                    lines[w].extend(&more);
                    lines[at] = BTreeSet::new();
                }
            }
        }
        let group = |t: Terminal| -> BTreeSet<Terminal> {
            let found = lines.iter().find(|l| l.contains(&t));
            found.cloned().unwrap_or_else(|| BTreeSet::from([t]))
        };
        let dead = |t: Terminal| railed.is_some_and(|w| lines[w].contains(&t));
        let observed = |action: Vec<Terminal>| {
            let mut following: BTreeSet<Terminal> = BTreeSet::new();
            for t in action.iter().filter(|t| !dead(**t)) {
                following.extend(group(*t));
                if let Fault::Follows(leader, follower)
                | Fault::Leads(leader, _, follower)
                | Fault::Floats(follower, _, leader) = fault
                    && lines[leader].contains(t)
                {
                    following.extend(&lines[follower]);
                }
            }
            following.retain(|t| {
                self.end(*t).hears() && (!action.contains(t) || self.end(*t).kind != Kind::Out3)
            });
            // Of drivers that come on together nobody knows whom an ear follows: only those count that ought to.
            if action.len() > 1 {
                following.retain(|t| action.iter().any(|a| a.1 == t.1 && t.1 < self.wires.len()));
            }
            (action, following)
        };
        self.actions().into_iter().map(observed).collect()
    }

    /// All single faults, and none.
    fn faults(&self) -> Vec<Fault> {
        let n = self.wires.len();
        let mut all = vec![Fault::Nothing];
        for w in 0..n {
            all.extend([
                Fault::Open(w, 0),
                Fault::Open(w, 1),
                Fault::Stuck(w, false),
                Fault::Stuck(w, true),
            ]);
            for end in 0..2 {
                let places = 0..n + self.spares[end].len();
                all.extend(
                    places
                        .filter(|x| *x != w)
                        .map(|x| Fault::Misplaced(w, end, x)),
                );
            }
            for v in (0..n).filter(|v| *v != w) {
                all.push(Fault::Follows(w, v));
                all.extend([0, 1].map(|end| Fault::Adrift(w, end, v)));
                all.extend([0, 1].map(|end| Fault::Floats(w, end, v)));
                all.extend([0, 1].map(|end| Fault::Leads(w, end, v)));
                if w < v {
                    all.extend([
                        Fault::Short(w, v),
                        Fault::Swap(w, v, 0),
                        Fault::Swap(w, v, 1),
                    ]);
                }
            }
        }
        all
    }

    /// What a fault makes of a wire.
    fn verdict(&self, fault: Fault, wire: usize) -> Told {
        let told = |verdict: &str, with: Vec<String>| (verdict.to_string(), with);
        match fault {
            Fault::Open(w, _)
            | Fault::Adrift(w, ..)
            | Fault::Floats(w, ..)
            | Fault::Leads(w, ..)
                if w == wire =>
            {
                told("open", vec![])
            }
            Fault::Stuck(w, level) if w == wire => {
                told(if level { "stuck-high" } else { "stuck-low" }, vec![])
            }
            Fault::Short(w, v) if w == wire => told("short", vec![label(v)]),
            Fault::Short(w, v) if v == wire => told("short", vec![label(w)]),
            Fault::Swap(w, v, _) if w == wire => told("swapped", vec![label(v)]),
            Fault::Swap(w, v, _) if v == wire => told("swapped", vec![label(w)]),
            // Where nothing it could say is heard, it has no contact.
            Fault::Misplaced(w, end, _)
                if w == wire && self.observe(fault) == self.observe(Fault::Open(w, end)) =>
            {
                told("open", vec![])
            }
            Fault::Misplaced(w, end, at) if w == wire => {
                told("misplaced", vec![self.end((end, at)).name()])
            }
            Fault::Misplaced(w, _, at) | Fault::Adrift(w, _, at) if at == wire => {
                told("short", vec![label(w)])
            }
            _ => told("good", vec![]),
        }
    }

    /// The faults that look like this one, itself included.
    fn alike(&self, fault: Fault) -> Vec<Fault> {
        let seen = self.observe(fault);
        let level = |f: &Fault| match (fault, f) {
            // A line that is stuck is read at its level.
            (Fault::Stuck(_, a), Fault::Stuck(_, b)) => a == *b,
            _ => true,
        };
        self.faults()
            .into_iter()
            .filter(|f| level(f) && self.observe(*f) == seen)
            .collect()
    }

    /// Whether something wrong with the wire would look as if nothing were, to drivers that come on alone: the plan
    /// takes no proof from those that never do, though at times others could vouch for it.
    fn unreachable(&self, wire: usize) -> bool {
        let alone = |fault| -> Vec<_> {
            let seen = self.observe(fault).into_iter();
            seen.filter(|(action, _)| action.len() == 1).collect()
        };
        let healthy = alone(Fault::Nothing);
        let bad = |f: &Fault| self.verdict(*f, wire).0 != "good";
        self.faults()
            .into_iter()
            .filter(bad)
            .any(|f| alone(f) == healthy)
    }
}

fn text(fault: Fault, model: &Model<'_>) -> String {
    let end = |e: usize| ["from", "to"][e];
    let of = |kind: &str, keys: String| format!("[[fault]]\nkind = \"{kind}\"\n{keys}\n");
    match fault {
        // The last four are not played: they are only other ways to explain what was.
        Fault::Nothing
        | Fault::Follows(..)
        | Fault::Floats(..)
        | Fault::Leads(..)
        | Fault::Adrift(..) => String::new(),
        Fault::Open(w, e) => of(
            "open",
            format!("wire = \"{}\"\nend = \"{}\"", label(w), end(e)),
        ),
        Fault::Stuck(w, level) => {
            let level = if level { "high" } else { "low" };
            of(
                "stuck",
                format!("wire = \"{}\"\nlevel = \"{level}\"", label(w)),
            )
        }
        Fault::Short(w, v) => of(
            "short",
            format!("wires = [\"{}\", \"{}\"]", label(w), label(v)),
        ),
        Fault::Swap(w, v, e) => of(
            "swap",
            format!(
                "wires = [\"{}\", \"{}\"]\nend = \"{}\"",
                label(w),
                label(v),
                end(e)
            ),
        ),
        Fault::Misplaced(w, e, at) => {
            let pin = &model.end((e, at)).place;
            of(
                "misplaced",
                format!(
                    "wire = \"{}\"\nend = \"{}\"\npin = \"{pin}\"",
                    label(w),
                    end(e)
                ),
            )
        }
    }
}

/// Verdict and alternatives of every wire are what the model says cannot be told apart, under every single fault of
/// small boards; and a wire is untested where the model sees no way.
#[test]
fn alternatives_are_what_cannot_be_told_apart() {
    let limits = Limits {
        wires: 2..=4,
        faults: 0..=0,
        neighbours: false,
        always: false,
        fittings: false,
        alone: false,
    };
    let boards = (std::env::var("TAPLOOM_THEORY").ok()).map_or(12, |v| v.parse().unwrap());
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("theory");
    let (mut played, mut wrong) = (0, Vec::new());
    for seed in 0..boards {
        let woven = weave(8_000_000 + seed, &limits, &folder);
        let model = Model {
            wires: &woven.wires,
            spares: &woven.spares,
        };
        let board = Board::load(&woven.board).unwrap();
        let bench = std::fs::read_to_string(&woven.bench).unwrap();
        for fault in model.faults().into_iter().filter(|f| {
            !matches!(
                f,
                Fault::Follows(..) | Fault::Floats(..) | Fault::Leads(..) | Fault::Adrift(..)
            )
        }) {
            std::fs::write(&woven.bench, bench.clone() + text(fault, &model).as_str()).unwrap();
            let file = BenchFile::load(&woven.bench).unwrap();
            let (result, seen) = on_bench(Method::BothEnds, &file, &board, &machine_off());
            let result = result.unwrap();
            assert_eq!(seen.fight_count, 0, "seed {seed} {fault:?}");
            played += 1;
            let alike = model.alike(fault);
            for (w, wire) in result.wires.iter().enumerate() {
                let mut told: BTreeSet<Told> =
                    BTreeSet::from([(wire.verdict.as_str().into(), wire.with.clone())]);
                told.extend(
                    wire.alternatives
                        .iter()
                        .map(|a| (a.verdict.as_str().into(), a.with.clone())),
                );
                let mut known: BTreeSet<Told> =
                    alike.iter().map(|f| model.verdict(*f, w)).collect();
                if model.unreachable(w) {
                    known = BTreeSet::from([("untested".to_string(), vec![])]);
                }
                // A line that does not follow is read at one level: as if stuck there, and not at the other.
                for level in ["stuck-low", "stuck-high"] {
                    let stuck = (level.to_string(), vec![]);
                    if known.contains(&stuck)
                        && told.iter().any(|t| t.0.starts_with("stuck") && *t != stuck)
                    {
                        known.remove(&stuck);
                    }
                }
                if told != known {
                    let kinds: Vec<_> = woven
                        .wires
                        .iter()
                        .map(|w| [w.ends[0].kind, w.ends[1].kind])
                        .collect();
                    let spare: Vec<_> = woven
                        .spares
                        .iter()
                        .flatten()
                        .map(|e| (e.kind, e.name()))
                        .collect();
                    wrong.push(format!(
                        "seed {seed} {fault:?} {}: told {told:?}, known {known:?}\n      wires {kinds:?} spare {spare:?} alike {alike:?}",
                        label(w)
                    ));
                }
            }
        }
    }
    println!(
        "{played} benches on {boards} boards, {} wires told otherwise",
        wrong.len()
    );
    wrong.iter().take(60).for_each(|w| println!("  {w}"));
    assert!(wrong.is_empty());
}
