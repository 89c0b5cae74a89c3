//! Random faults, and what a ring-out must say about each wire then.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use crate::weave::{Allowed, Dice, End, Kind, Part, Wire, label, testable};

/// Faults on the wires of one board.
pub(crate) struct Faults<'f> {
    pub(crate) dice: &'f mut Dice,
    wires: &'f [Wire],
    spares: &'f [Vec<End>; 2],
    used: Vec<bool>,
    spares_used: [Vec<bool>; 2],
    floating: &'static str,
    alone: bool,
    direct: bool,
    /// The fault tables of the bench file.
    pub(crate) bench: String,
    pub(crate) truth: BTreeMap<String, Allowed>,
    pub(crate) fault_of: BTreeMap<String, &'static str>,
    pub(crate) said: Vec<String>,
}

impl<'f> Faults<'f> {
    pub(crate) fn new(
        dice: &'f mut Dice,
        wires: &'f [Wire],
        spares: &'f [Vec<End>; 2],
        floating: &'static str,
        alone: bool,
        direct: bool,
    ) -> Self {
        Faults {
            dice,
            wires,
            spares,
            used: vec![false; wires.len()],
            spares_used: [vec![false; spares[0].len()], vec![false; spares[1].len()]],
            floating,
            alone,
            direct,
            bench: String::new(),
            truth: BTreeMap::new(),
            fault_of: BTreeMap::new(),
            said: Vec::new(),
        }
    }

    /// Whether the method can say anything about a wire without faults but that it is untested.
    fn testable(&self, wire: usize) -> bool {
        let w = &self.wires[wire];
        match self.alone {
            // From the left end alone: a driver that hears its own line, and nothing declared on it.
            true => w.ends[0].hears_itself() && !w.driven && !w.live(),
            false => w.testable(),
        }
    }

    /// A wire without a fault that the ring-out can test; `tame`: nothing on it drives unasked.
    fn wire(&mut self, tame: bool) -> Option<usize> {
        let free: Vec<usize> = (0..self.wires.len())
            .filter(|w| !self.used[*w] && self.testable(*w) && !(tame && self.wires[*w].live()))
            .collect();
        let wire = (!free.is_empty()).then(|| self.dice.pick(&free))?;
        self.used[wire] = true;
        Some(wire)
    }

    fn allow(&mut self, wire: usize, kind: &'static str, verdicts: &[(&'static str, &[String])]) {
        let mut allowed: Allowed = verdicts.iter().map(|(v, w)| (*v, w.to_vec())).collect();
        // A loose end that follows a neighbour's edges and cannot be driven itself looks as if it were joined to it.
        if self.floating == "neighbours" && verdicts.iter().any(|(v, _)| *v == "open") {
            allowed.extend(["misplaced", "swapped"].map(|v| (v, vec!["*".to_string()])));
        }
        self.truth.insert(label(wire), allowed);
        self.fault_of.insert(label(wire), kind);
    }

    fn inject(&mut self, kind: &str, keys: String) {
        let text = format!("kind = \"{kind}\"\n{keys}");
        write!(self.bench, "[[fault]]\n{text}\n").unwrap();
        self.said.push(text.replace('\n', " "));
    }

    /// One more fault, of any kind.
    pub(crate) fn add(&mut self) {
        match self.dice.below(if self.alone { 4 } else { 9 }) {
            0 => self.short(),
            1 | 2 => self.stuck(),
            3 => self.held(),
            4 => self.open(),
            5 => self.swap(),
            6 => self.misplaced(),
            7 => self.intermittent(),
            _ => self.resistive(),
        }
    }

    fn open(&mut self) {
        let Some(w) = self.wire(false) else { return };
        let end = self.dice.pick(&["from", "to"]);
        self.inject("open", format!("wire = \"{}\"\nend = \"{end}\"", label(w)));
        self.allow(w, "open", &[("open", &[])]);
    }

    fn stuck(&mut self) {
        let Some(w) = self.wire(false) else { return };
        let level = self.dice.pick(&["low", "high"]);
        self.inject(
            "stuck",
            format!("wire = \"{}\"\nlevel = \"{level}\"", label(w)),
        );
        let verdict = if level == "low" {
            "stuck-low"
        } else {
            "stuck-high"
        };
        // A driver next to the fault that hears itself shows it; else it looks like a break.
        let wire = &self.wires[w];
        let never_alone = |e: &End| {
            e.kind == Kind::Out2 || e.part == Part::Outward || e.part == Part::Turning && !e.hears()
        };
        let sure = wire.ends.iter().any(End::hears_itself) && !wire.ends.iter().any(never_alone);
        match sure {
            true => self.allow(w, "stuck", &[(verdict, &[])]),
            false => self.allow(w, "stuck", &[(verdict, &[]), ("open", &[])]),
        }
    }

    /// A pull of the machine that nobody declared. It can be told from a device's own pulls only if other lines of the
    /// same devices do otherwise.
    fn held(&mut self) {
        let Some(w) = self.wire(true).filter(|w| !self.wires[*w].pulled) else {
            return;
        };
        let level = self.dice.pick(&["low", "high"]);
        self.inject(
            "held",
            format!("wire = \"{}\"\nlevel = \"{level}\"", label(w)),
        );
        let fine = if self.alone { "untested" } else { "good" };
        self.allow(w, "held", &[("held", &[]), (fine, &[])]);
    }

    fn intermittent(&mut self) {
        let Some(w) = self.wire(true) else { return };
        let (end, p) = (
            self.dice.pick(&["from", "to"]),
            self.dice.pick(&["0.05", "0.3", "0.7"]),
        );
        self.inject(
            "intermittent",
            format!(
                "wire = \"{}\"\nend = \"{end}\"\nprobability = {p}",
                label(w)
            ),
        );
        // Few samples miss it with (1 - p)^n. While it is open it may seem to follow another line, by chance.
        let any = ["*".to_string()];
        let plain = ["unsteady", "open", "slow", "untested", "good"].map(|v| (v, &[][..]));
        let chance = ["misplaced", "swapped", "short"].map(|v| (v, &any[..]));
        self.allow(w, "intermittent", &[&plain[..], &chance].concat());
    }

    /// Resistance in a joint: 10 kOhm and 50 pF are slow to nobody who waits 20 us.
    fn resistive(&mut self) {
        // A neighbour would have to charge both halves of such a line, which the simulated one does not.
        if self.floating == "neighbours" {
            return;
        }
        let Some(w) = self.wire(true).filter(|w| !self.wires[*w].pulled) else {
            return;
        };
        let end = self.dice.pick(&["from", "to"]);
        self.inject(
            "resistive",
            format!("wire = \"{}\"\nend = \"{end}\"\nohms = 5_000", label(w)),
        );
        self.allow(w, "resistive", &[("good", &[]), ("slow", &[])]);
    }

    fn short(&mut self) {
        let many = 2 + self.dice.below(2);
        let wires: Vec<usize> = (0..many).filter_map(|_| self.wire(true)).collect();
        if wires.len() < 2 {
            wires.iter().for_each(|w| self.used[*w] = false);
            return;
        }
        let labels: Vec<String> = wires.iter().map(|w| label(*w)).collect();
        let behaviour = self.dice.pick(&["wired-and", "wired-or", "strong"]);
        self.inject(
            "short",
            format!("wires = {labels:?}\nbehaviour = \"{behaviour}\""),
        );
        for w in wires {
            let mut others: Vec<String> =
                labels.iter().filter(|l| **l != label(w)).cloned().collect();
            others.sort();
            self.allow(w, "short", &[("short", &others)]);
        }
    }

    fn swap(&mut self) {
        let Some(w) = self.wire(true) else { return };
        let Some(v) = self.wire(true) else {
            self.used[w] = false;
            return;
        };
        let end = self.dice.pick(&["from", "to"]);
        self.inject(
            "swap",
            format!(
                "wires = [\"{}\", \"{}\"]\nend = \"{end}\"",
                label(w),
                label(v)
            ),
        );
        let ([a, b], [c, d]) = (&self.wires[w].ends, &self.wires[v].ends);
        let plain = testable(a, d) && testable(c, b);
        for (one, other) in [(w, v), (v, w)] {
            let with = [label(other)];
            match plain {
                true => self.allow(one, "swap", &[("swapped", &with)]),
                // Half of the crossing cannot be seen.
                false => self.allow(
                    one,
                    "swap",
                    &[
                        ("swapped", &with),
                        ("misplaced", &["*".to_string()]),
                        ("open", &[]),
                    ],
                ),
            }
        }
    }

    fn misplaced(&mut self) {
        let end = self.dice.below(2);
        let used = &self.spares_used[end];
        let Some(spare) = (0..used.len()).find(|s| !used[*s]) else {
            return;
        };
        let Some(w) = self.wire(true) else { return };
        let x = self.spares[end][spare].clone();
        let far = &self.wires[w].ends[1 - end];
        // Nobody could know before driving against it.
        if x.kind == Kind::Out2 && !far.hears() || far.part == Part::Outward {
            self.used[w] = false;
            return;
        }
        self.spares_used[end][spare] = true;
        let name = ["from", "to"][end];
        self.inject(
            "misplaced",
            format!(
                "wire = \"{}\"\nend = \"{name}\"\npin = \"{}\"",
                label(w),
                x.place
            ),
        );
        // A device's own pins that the board file does not name only listen, where they come on alone and the device
        // has a wire of its own.
        let own = self.wires.iter().any(|w| w.ends[0].device == x.device);
        let heard = far.drives() && x.hears() && x.kind != Kind::Shared && !x.real && own;
        let unseen = end == 0 && self.direct && !heard;
        match testable(far, &x) {
            true if unseen => {
                self.allow(w, "misplaced", &[("misplaced", &[x.name()]), ("open", &[])])
            }
            true => self.allow(w, "misplaced", &[("misplaced", &[x.name()])]),
            false => self.allow(w, "misplaced", &[("open", &[])]),
        }
    }

    /// The wires without a fault.
    pub(crate) fn rest(&mut self) {
        for w in 0..self.wires.len() {
            if self.truth.contains_key(&label(w)) {
                continue;
            }
            let (kind, verdict) = match (self.testable(w), self.alone) {
                (true, false) => ("none", "good"),
                (true, true) => ("none", "untested"),
                (false, _) => ("no way", "untested"),
            };
            self.truth.insert(label(w), vec![(verdict, vec![])]);
            self.fault_of.insert(label(w), kind);
        }
    }
}
