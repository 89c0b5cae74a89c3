//! Random boards with random cells and random faults, and what a ring-out must say about each wire.
//!
//! The truth is worked out here, from what each pin can do, without the ring-out's own code: a reachability oracle.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use taploom_bsdl::model::{CellFunction, CellKind, Edition, PortMode, Trit};
use taploom_bsdl::print;

use crate::draft::{Access, Draft, Pad};

/// A small generator of chance: splitmix64.
pub(crate) struct Dice(pub u64);

impl Dice {
    pub(crate) fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    pub(crate) fn below(&mut self, n: usize) -> usize {
        (self.next() % n as u64) as usize
    }

    pub(crate) fn percent(&mut self, p: usize) -> bool {
        self.below(100) < p
    }

    pub(crate) fn pick<T: Clone>(&mut self, from: &[T]) -> T {
        from[self.below(from.len())].clone()
    }
}

/// The cells of a pin.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Kind {
    /// Input, output and control cell of its own.
    Split,
    /// The same, but one control cell for this pin and the one before or after it.
    Shared,
    Bc7,
    Bc8,
    In,
    Out3,
    Out9,
    Out10,
    Out2,
}

use Kind::{Bc7, Bc8, In, Out2, Out3, Out9, Out10, Shared, Split};

/// One pin that a wire ends at, or a spare.
#[derive(Debug, Clone)]
pub(crate) struct End {
    pub(crate) kind: Kind,
    pub(crate) device: usize,
    pub(crate) pin: usize,
    pub(crate) resistor: bool,
    /// Behind a buffer that carries from the connector to the device only.
    pub(crate) buffered: bool,
}

impl End {
    fn name(&self) -> String {
        format!("U{}.{}", self.device + 1, self.pin)
    }

    /// Can be driven alone, both ways.
    fn drives(&self) -> bool {
        !self.buffered && !matches!(self.kind, In | Shared)
    }

    fn hears(&self) -> bool {
        !matches!(self.kind, Out3 | Out2)
    }

    fn hears_itself(&self) -> bool {
        self.drives() && self.hears()
    }
}

/// Whether a driver at one of two pins can be heard at the other, were they joined.
fn testable(a: &End, b: &End) -> bool {
    let way = |a: &End, b: &End| a.drives() && b.kind != Out2 && b.hears();
    way(a, b) || way(b, a)
}

/// What the ring-out may say about a wire: any of these, each a verdict and with whom.
pub(crate) type Allowed = Vec<(&'static str, Vec<String>)>;

/// A board, its bench and the truth.
pub(crate) struct Woven {
    pub(crate) board: PathBuf,
    pub(crate) bench: PathBuf,
    pub(crate) truth: BTreeMap<String, Allowed>,
    /// The faults in words.
    pub(crate) faults: Vec<String>,
    pub(crate) floating: &'static str,
}

/// What is drawn at random.
pub(crate) struct Limits {
    pub(crate) wires: std::ops::RangeInclusive<usize>,
    pub(crate) faults: std::ops::RangeInclusive<usize>,
    /// Every floating line follows a neighbour; without it, none does.
    pub(crate) neighbours: bool,
    /// Pins that never let go may be among them.
    pub(crate) always: bool,
}

/// Weaves the board of a seed into a folder.
pub(crate) fn weave(seed: u64, limits: &Limits, folder: &Path) -> Woven {
    let mut dice = Dice(seed ^ 0x0074_6170_6C6F_6F6D);
    let count = limits.wires.start() + dice.below(limits.wires.end() - limits.wires.start() + 1);
    let devices = 2 + dice.below(3);
    // Device 0 (and 2) serve side 0, device 1 (and 3) side 1.
    let of_side = |side: usize| (0..devices).filter(|d| d % 2 == side).collect::<Vec<_>>();
    let mut kinds: Vec<Vec<Kind>> = vec![Vec::new(); devices];
    let mut sides: [Vec<End>; 2] = [Vec::new(), Vec::new()];
    let spares = [dice.below(4), dice.below(4)];
    for side in 0..2 {
        let mine = of_side(side);
        for _ in 0..count + spares[side] {
            let device = dice.pick(&mine);
            let kind = match dice.below(100) {
                // Two pins that never let go on one net are no board at all.
                97.. if sides[0]
                    .get(sides[side].len())
                    .is_some_and(|e| e.kind == Out2) =>
                {
                    Split
                }
                97.. if !limits.always => Split,
                0..34 => Split,
                34..54 => Bc7,
                54..60 => Bc8,
                60..70 => In,
                70..76 => Out3,
                76..81 => Out9,
                81..86 => Out10,
                86..97 => Shared,
                _ => Out2,
            };
            kinds[device].push(kind);
            sides[side].push(End {
                kind,
                device,
                pin: kinds[device].len(),
                resistor: false,
                buffered: false,
            });
        }
    }
    // A pin that shares with nobody is alone after all.
    for (d, list) in kinds.iter_mut().enumerate() {
        let shared: Vec<usize> = (0..list.len()).filter(|i| list[*i] == Shared).collect();
        if shared.len() % 2 == 1 {
            let last = shared[shared.len() - 1];
            list[last] = Split;
            for end in sides
                .iter_mut()
                .flatten()
                .filter(|e| e.device == d && e.pin == last + 1)
            {
                end.kind = Split;
            }
        }
    }
    kinds
        .iter_mut()
        .filter(|k| k.is_empty())
        .for_each(|k| k.push(Split));
    let enable_device = of_side(1)[0];
    kinds[enable_device].push(Split);
    let enable = kinds[enable_device].len();
    let buffered = dice.percent(30) && count >= 4;
    for (i, end) in sides[1].iter_mut().enumerate().take(count) {
        end.resistor = dice.percent(15);
        if buffered && i < count / 3 && end.kind != Out2 && end.kind != Shared {
            end.buffered = true;
            end.resistor = false;
        }
    }

    let mut board = String::from("[board]\nformat = 1\nname = \"woven\"\nbsdl = [\".\"]\n");
    for d in 0..devices {
        writeln!(
            board,
            "[[device]]\nname = \"U{}\"\nentity = \"WOVEN_{d}\"",
            d + 1
        )
        .unwrap();
    }
    for (side, name) in [(0, "JA"), (1, "JB")] {
        write!(board, "[[connector]]\nname = \"{name}\"\npins = {{ ").unwrap();
        let plain = |e: &&(usize, &End)| !e.1.resistor && !e.1.buffered;
        let pins: Vec<String> = (sides[side].iter().enumerate().collect::<Vec<_>>().iter())
            .filter(plain)
            .map(|(i, e)| format!("{} = \"{}\"", i + 1, e.name()))
            .collect();
        writeln!(board, "{} }}", pins.join(", ")).unwrap();
    }
    for (i, end) in sides[1].iter().enumerate() {
        let pin = format!("JB.{}", i + 1);
        if end.resistor {
            writeln!(
                board,
                "[[part]]\nname = \"R{}\"\nkind = \"resistor\"\nbetween = [\"{pin}\", \"{}\"]\nohms = 100",
                i + 1,
                end.name()
            )
            .unwrap();
        }
        if end.buffered {
            writeln!(
                board,
                "[[part]]\nname = \"IC{}\"\nkind = \"buffer\"\nfrom = \"{pin}\"\nto = \"{}\"\nenable = {{ pin = \"U{}.{enable}\", on = \"low\" }}",
                i + 1,
                end.name(),
                enable_device + 1
            )
            .unwrap();
        }
    }
    for i in 0..count {
        if dice.percent(10) {
            let to = dice.pick(&["low", "high"]);
            writeln!(
                board,
                "[[pull]]\npin = \"JA.{}\"\nto = \"{to}\"\nohms = 10_000",
                i + 1
            )
            .unwrap();
        }
        writeln!(
            board,
            "[[wire]]\nlabel = \"W{:02}\"\nfrom = \"JA.{}\"\nto = \"JB.{}\"\nsignal = \"S{i}\"",
            i + 1,
            i + 1,
            i + 1
        )
        .unwrap();
    }
    writeln!(
        board,
        "[guard]\nmax_switching = {}\nsettle_us = 20",
        1 + dice.below(8)
    )
    .unwrap();

    let floating = if limits.neighbours {
        "neighbours"
    } else {
        dice.pick(&["keep", "low", "high"])
    };
    let mut bench = format!(
        "[bench]\nformat = 1\nboard = \"board.toml\"\nseed = {}\nfloating = \"{floating}\"\n",
        seed % 1000
    );
    for d in 0..devices {
        let idle = dice.pick(&["float", "float", "pull-up", "pull-down"]);
        writeln!(
            bench,
            "[[device]]\nname = \"U{}\"\nidle = \"{idle}\"",
            d + 1
        )
        .unwrap();
    }
    let mut loose = Faults {
        dice: &mut dice,
        sides: &sides,
        count,
        used: vec![false; count],
        spares_used: vec![false; spares[1]],
        bench,
        truth: BTreeMap::new(),
        said: Vec::new(),
        floating,
    };
    let faults = limits.faults.start()
        + loose
            .dice
            .below(limits.faults.end() - limits.faults.start() + 1);
    for _ in 0..faults {
        loose.add();
    }
    loose.rest();
    let (bench, truth, said) = (loose.bench, loose.truth, loose.said);

    std::fs::create_dir_all(folder).unwrap();
    for (d, list) in kinds.iter().enumerate() {
        let text = device(&mut dice, d, list);
        std::fs::write(folder.join(format!("woven_{d}.bsd")), text).unwrap();
    }
    std::fs::write(folder.join("board.toml"), board).unwrap();
    std::fs::write(folder.join("bench.toml"), bench).unwrap();
    Woven {
        board: folder.join("board.toml"),
        bench: folder.join("bench.toml"),
        truth,
        faults: said,
        floating,
    }
}

struct Faults<'f> {
    dice: &'f mut Dice,
    sides: &'f [Vec<End>; 2],
    count: usize,
    used: Vec<bool>,
    spares_used: Vec<bool>,
    bench: String,
    truth: BTreeMap<String, Allowed>,
    said: Vec<String>,
    floating: &'static str,
}

fn label(wire: usize) -> String {
    format!("W{:02}", wire + 1)
}

impl Faults<'_> {
    fn ends(&self, wire: usize) -> (&End, &End) {
        (&self.sides[0][wire], &self.sides[1][wire])
    }

    fn testable(&self, wire: usize) -> bool {
        let (a, b) = self.ends(wire);
        testable(a, b)
    }

    fn always(&self, wire: usize) -> bool {
        let (a, b) = self.ends(wire);
        a.kind == Out2 || b.kind == Out2
    }

    /// A wire without a fault that the ring-out can test.
    fn wire(&mut self, no_always: bool) -> Option<usize> {
        let free: Vec<usize> = (0..self.count)
            .filter(|w| !self.used[*w] && self.testable(*w) && !(no_always && self.always(*w)))
            .collect();
        let wire = (!free.is_empty()).then(|| self.dice.pick(&free))?;
        self.used[wire] = true;
        Some(wire)
    }

    fn allow(&mut self, wire: usize, verdicts: &[(&'static str, &[String])]) {
        let mut allowed: Allowed = verdicts.iter().map(|(v, w)| (*v, w.to_vec())).collect();
        // A loose end that follows a neighbour's edges and cannot be driven itself looks as if it were joined to it.
        if self.floating == "neighbours" && verdicts.iter().any(|(v, _)| *v == "open") {
            allowed.extend(["misplaced", "swapped"].map(|v| (v, vec!["*".to_string()])));
        }
        self.truth.insert(label(wire), allowed);
    }

    fn add(&mut self) {
        match self.dice.below(6) {
            0 => {
                if let Some(w) = self.wire(false) {
                    let end = self.dice.pick(&["from", "to"]);
                    self.fault(format!(
                        "kind = \"open\"\nwire = \"{}\"\nend = \"{end}\"",
                        label(w)
                    ));
                    self.allow(w, &[("open", &[])]);
                }
            }
            1 => self.short(),
            2 => self.swap(),
            3 => self.misplaced(),
            _ => {
                if let Some(w) = self.wire(false) {
                    let level = self.dice.pick(&["low", "high"]);
                    self.fault(format!(
                        "kind = \"stuck\"\nwire = \"{}\"\nlevel = \"{level}\"",
                        label(w)
                    ));
                    let verdict = if level == "low" {
                        "stuck-low"
                    } else {
                        "stuck-high"
                    };
                    let (a, b) = self.ends(w);
                    // A driver next to the fault that hears itself shows it; else it looks like a break.
                    let sure =
                        [a, b].iter().any(|e| e.hears_itself() && !e.resistor) && !self.always(w);
                    match sure {
                        true => self.allow(w, &[(verdict, &[])]),
                        false => self.allow(w, &[(verdict, &[]), ("open", &[])]),
                    }
                }
            }
        }
    }

    fn fault(&mut self, text: String) {
        write!(self.bench, "[[fault]]\n{text}\n").unwrap();
        self.said.push(text.replace('\n', " "));
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
        self.fault(format!(
            "kind = \"short\"\nwires = {labels:?}\nbehaviour = \"{behaviour}\""
        ));
        for w in wires {
            let mut others: Vec<String> =
                labels.iter().filter(|l| **l != label(w)).cloned().collect();
            others.sort();
            self.allow(w, &[("short", &others)]);
        }
    }

    fn swap(&mut self) {
        let Some(w) = self.wire(true) else { return };
        let Some(v) = self.wire(true) else {
            self.used[w] = false;
            return;
        };
        let end = self.dice.pick(&["from", "to"]);
        self.fault(format!(
            "kind = \"swap\"\nwires = [\"{}\", \"{}\"]\nend = \"{end}\"",
            label(w),
            label(v)
        ));
        let ((a, b), (c, d)) = (self.ends(w), self.ends(v));
        let plain = testable(a, d) && testable(c, b);
        for (one, other) in [(w, v), (v, w)] {
            let with = [label(other)];
            match plain {
                true => self.allow(one, &[("swapped", &with)]),
                // Half of the crossing cannot be seen.
                false => self.allow(
                    one,
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
        let Some(spare) = (0..self.spares_used.len()).find(|s| !self.spares_used[*s]) else {
            return;
        };
        let Some(w) = self.wire(true) else { return };
        let x = self.sides[1][self.count + spare].clone();
        if x.kind == Out2 && !self.ends(w).0.hears() {
            // Nobody could know before driving against it.
            self.used[w] = false;
            return;
        }
        self.spares_used[spare] = true;
        self.fault(format!(
            "kind = \"misplaced\"\nwire = \"{}\"\npin = \"JB.{}\"",
            label(w),
            self.count + spare + 1
        ));
        match testable(self.ends(w).0, &x) {
            true => self.allow(w, &[("misplaced", &[x.name()])]),
            false => self.allow(w, &[("open", &[])]),
        }
    }

    fn rest(&mut self) {
        for w in 0..self.count {
            if !self.used[w] {
                let verdict = if self.testable(w) { "good" } else { "untested" };
                self.truth.insert(label(w), vec![(verdict, vec![])]);
            }
        }
    }
}

/// BSDL of a device with these pins, numbered from 1.
fn device(dice: &mut Dice, number: usize, kinds: &[Kind]) -> String {
    let entity = format!("WOVEN_{number}");
    let mut d = Draft::new(&entity, Edition::Y2001, Edition::Y2001, &["PK"]);
    let plain = |dice: &mut Dice| dice.pick(&[CellKind::Bc1, CellKind::Bc2]);
    let mut waiting = None;
    let mut later: Vec<(taploom_bsdl::model::PortBit, Kind)> = Vec::new();
    for (i, kind) in kinds.iter().enumerate() {
        let mode = match kind {
            In => PortMode::In,
            Out3 | Out9 | Out10 => PortMode::Out,
            Out2 => PortMode::Buffer,
            _ => PortMode::InOut,
        };
        let pin = (i + 1).to_string();
        later.push((d.port(&format!("P{pin}"), mode, &[&pin]), *kind));
    }
    let n = kinds.len();
    let tap: Vec<String> = (n + 1..n + 7).map(|p| p.to_string()).collect();
    d.tap(
        [&[&tap[0]], &[&tap[1]], &[&tap[2]], &[&tap[3]]],
        None,
        20.0e6,
    );
    d.port("VCC", PortMode::Linkage, &[&tap[4]]);
    d.port("GND", PortMode::Linkage, &[&tap[5]]);
    for (bit, kind) in later {
        let input = dice.pick(&[CellKind::Bc1, CellKind::Bc2, CellKind::Bc4]);
        let pad = Pad {
            input,
            output: plain(dice),
            control: plain(dice),
            off: dice.percent(50),
        };
        match kind {
            Split => d.pad(bit, pad),
            Shared => match waiting.take() {
                None => waiting = Some(bit),
                Some(first) => d.shared(&[first, bit], pad),
            },
            Bc7 => d.bidir(bit, pad.control, pad.off),
            Bc8 | Out3 | Out9 | Out10 => {
                let off = d.control(pad.control, CellFunction::Control, pad.off);
                let (kind, function) = match kind {
                    Bc8 => (CellKind::Bc8, CellFunction::Bidir),
                    Out9 => (CellKind::Bc9, CellFunction::Output3),
                    Out10 => (CellKind::Bc10, CellFunction::Output3),
                    _ => (pad.output, CellFunction::Output3),
                };
                d.driver(kind, function, bit, off);
            }
            In => d.watch(input, CellFunction::Input, bit),
            Out2 => {
                let safe = dice.pick(&[Trit::Zero, Trit::One, Trit::X]);
                d.cell(pad.output, Some(bit), CellFunction::Output2, safe, None);
            }
        }
    }
    d.unbonded(dice.below(3));
    let length = 4 + dice.below(4);
    let code = |n: u32| format!("{n:0length$b}");
    let codes = [code(0), code(2), code(4), code(5)];
    let ones = "1".repeat(length);
    let capture = format!("{:0>length$}", "01");
    let instructions: [(&str, &[&str], Access); 5] = [
        ("BYPASS", &[&ones], Access::Standard),
        ("EXTEST", &[&codes[number % 2]], Access::Standard),
        ("SAMPLE", &[&codes[2]], Access::Standard),
        ("PRELOAD", &[&codes[2 + number % 2]], Access::Standard),
        ("IDCODE", &[&code(1)], Access::Standard),
    ];
    d.instructions(&capture, &instructions);
    let id = format!("0001 {:016b} 00010000000 1", 0x1000 + number);
    d.identity(&id, &"X".repeat(32));
    print(&d.finish("Invented for one test run."))
}
