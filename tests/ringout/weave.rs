//! Random boards with random cells, and the reachability oracle.
//!
//! What can be tested is worked out here, from what each pin and each part can do, without the ring-out's own code.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use taploom_bsdl::model::{CellFunction, CellKind, Edition, PortMode, Trit};
use taploom_bsdl::print;

use crate::draft::{Access, Draft, Pad};
use crate::faults::Faults;
use crate::real::{self, Real};

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

/// What sits between a pin of the right connector and the device pin behind it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Part {
    Nothing,
    /// 100 ohm.
    Resistor,
    Closed,
    /// An open switch: nothing gets through.
    Gap,
    /// A shifter that carries both ways of its own accord.
    Shifter,
    /// A buffer from the connector to the device, on while its enable is low.
    Inward,
    /// A buffer from the device to the connector, on while its enable is high.
    Outward,
    /// A buffer with a direction pin: high carries to the device.
    Turning,
}

/// One pin that a wire ends at, or a spare.
#[derive(Debug, Clone)]
pub(crate) struct End {
    pub(crate) kind: Kind,
    pub(crate) device: usize,
    pub(crate) pin: String,
    pub(crate) part: Part,
    /// `never_drive` names it.
    pub(crate) never: bool,
    /// Of a device from a file, where other pins may share its control cell.
    pub(crate) real: bool,
    /// Where a wire ends: connector pin, or the device pin itself.
    pub(crate) place: String,
}

impl End {
    pub(crate) fn name(&self) -> String {
        format!("U{}.{}", self.device + 1, self.pin)
    }

    /// Can be driven alone, both ways.
    pub(crate) fn drives(&self) -> bool {
        !matches!(self.kind, In | Shared)
            && !self.never
            && !matches!(self.part, Part::Inward | Part::Gap)
    }

    pub(crate) fn hears(&self) -> bool {
        !matches!(self.kind, Out3 | Out2) && !matches!(self.part, Part::Outward | Part::Gap)
    }

    /// Sees the line itself while it drives it.
    pub(crate) fn hears_itself(&self) -> bool {
        let direct = matches!(self.part, Part::Nothing | Part::Closed | Part::Shifter);
        self.drives() && self.hears() && direct
    }

    /// Something at this end may drive the line without being asked.
    pub(crate) fn live(&self) -> bool {
        self.kind == Out2 || matches!(self.part, Part::Outward | Part::Turning)
    }
}

/// Whether a driver at one of two pins can be heard at the other, were they joined: the reachability oracle.
pub(crate) fn testable(a: &End, b: &End) -> bool {
    // Nothing drives against a buffer that drives the line or may; one that can be turned round can be turned away.
    let way = |a: &End, b: &End| {
        a.drives() && b.hears() && b.part != Part::Outward && a.part != Part::Gap
    };
    way(a, b) || way(b, a)
}

/// What the ring-out may say about a wire: any of these, each a verdict and with whom (`*`: whomever).
pub(crate) type Allowed = Vec<(&'static str, Vec<String>)>;

/// A wire: its two ends, and whether a `[[driver]]` is declared on it.
#[derive(Debug, Clone)]
pub(crate) struct Wire {
    pub(crate) ends: [End; 2],
    pub(crate) driven: bool,
    pub(crate) pulled: bool,
}

impl Wire {
    pub(crate) fn testable(&self) -> bool {
        testable(&self.ends[0], &self.ends[1]) && !self.driven
    }

    pub(crate) fn live(&self) -> bool {
        self.ends.iter().any(End::live)
    }
}

/// A board, its bench and the truth.
pub(crate) struct Woven {
    pub(crate) board: PathBuf,
    pub(crate) bench: PathBuf,
    pub(crate) truth: BTreeMap<String, Allowed>,
    /// By wire: the kind of fault on it; `none`, or `no way` where the oracle sees none.
    pub(crate) fault_of: BTreeMap<String, &'static str>,
    /// The faults in words.
    pub(crate) faults: Vec<String>,
    pub(crate) floating: &'static str,
    pub(crate) wires: Vec<Wire>,
    /// Pins of either side that no wire goes to.
    pub(crate) spares: [Vec<End>; 2],
}

/// What is drawn at random.
#[derive(Debug, Clone)]
pub(crate) struct Limits {
    pub(crate) wires: std::ops::RangeInclusive<usize>,
    pub(crate) faults: std::ops::RangeInclusive<usize>,
    /// Every floating line follows a neighbour; without it, none does.
    pub(crate) neighbours: bool,
    /// Pins that never let go may be among them.
    pub(crate) always: bool,
    /// Parts, declared pulls and drivers, rules, devices of real files.
    pub(crate) fittings: bool,
    /// The devices of the right side are not there: the harness hangs free.
    pub(crate) alone: bool,
}

pub(crate) fn label(wire: usize) -> String {
    format!("W{:02}", wire + 1)
}

/// A device in the making.
enum Slot {
    Woven(Vec<Kind>),
    /// A real device and the pins that are left.
    Real(&'static Real, Vec<(Kind, String)>),
}

/// Weaves the board of a seed into a folder.
pub(crate) fn weave(seed: u64, limits: &Limits, folder: &Path) -> Woven {
    let mut dice = Dice(seed ^ 0x0074_6170_6C6F_6F6D);
    let count = limits.wires.start() + dice.below(limits.wires.end() - limits.wires.start() + 1);
    let devices = 2 + if dice.percent(70) {
        dice.below(3)
    } else {
        dice.below(7)
    };
    // Even devices serve side 0, odd ones side 1; the first two are always woven.
    let mut slots: Vec<Slot> = Vec::new();
    for d in 0..devices {
        let free: Vec<&'static Real> = match limits.fittings && d > 1 && dice.percent(50) {
            true => (real::devices().iter())
                .filter(|r| {
                    !slots
                        .iter()
                        .any(|s| matches!(s, Slot::Real(o, _) if o.entity == r.entity))
                })
                .collect(),
            false => Vec::new(),
        };
        slots.push(match free.is_empty() {
            true => Slot::Woven(Vec::new()),
            false => {
                let real = dice.pick(&free);
                Slot::Real(real, real.pins.clone())
            }
        });
    }
    let direct = limits.fittings && dice.percent(15);
    let fitted = limits.fittings;
    let mut sides: [Vec<End>; 2] = [Vec::new(), Vec::new()];
    let spares = [dice.below(4), dice.below(4)];
    for side in 0..2 {
        let mine: Vec<usize> = (0..devices).filter(|d| d % 2 == side).collect();
        for n in 0..count + spares[side] {
            let mut device = dice.pick(&mine);
            if matches!(&slots[device], Slot::Real(_, left) if left.is_empty()) {
                device = side;
            }
            let (kind, pin) = match &mut slots[device] {
                Slot::Real(_, left) => left.swap_remove(dice.below(left.len())),
                Slot::Woven(kinds) => {
                    let twice = sides[0].get(n).is_some_and(|e| side == 1 && e.kind == Out2);
                    let kind = match dice.below(100) {
                        // Two pins that never let go on one net are no board at all.
                        97.. if twice || !limits.always => Split,
                        0..34 => Split,
                        34..54 => Bc7,
                        54..60 => Bc8,
                        60..70 => In,
                        70..76 => Out3,
                        76..81 => Out9,
                        81..86 => Out10,
                        // The other pin under its control cell must be one that the board file names.
                        86..97 if direct && side == 0 && n >= count => Split,
                        86..97 => Shared,
                        _ => Out2,
                    };
                    kinds.push(kind);
                    (kind, kinds.len().to_string())
                }
            };
            let never = fitted && !matches!(kind, In | Shared | Out2) && dice.percent(3);
            let mut end = End {
                kind,
                device,
                pin,
                part: Part::Nothing,
                never,
                real: matches!(slots[device], Slot::Real(..)),
                place: String::new(),
            };
            end.place = match direct && side == 0 {
                true => end.name(),
                false => format!("{}.{}", ["JA", "JB"][side], n + 1),
            };
            sides[side].push(end);
        }
    }
    // A pin that shares with nobody is alone after all.
    for (d, slot) in slots.iter_mut().enumerate() {
        let Slot::Woven(list) = slot else { continue };
        let shared: Vec<usize> = (0..list.len()).filter(|i| list[*i] == Shared).collect();
        if shared.len() % 2 == 1 {
            let last = shared[shared.len() - 1];
            list[last] = Split;
            let pin = (last + 1).to_string();
            for end in sides
                .iter_mut()
                .flatten()
                .filter(|e| e.device == d && e.pin == pin)
            {
                end.kind = Split;
            }
        }
        if list.is_empty() {
            list.push(Split);
        }
    }
    // Enable of the inward and of the outward buffers, and the direction of the turning ones.
    let Slot::Woven(list) = &mut slots[1] else {
        unreachable!("the second is woven")
    };
    let enables: Vec<String> = (0..3)
        .map(|_| {
            list.push(Split);
            format!("U2.{}", list.len())
        })
        .collect();
    let buffered = fitted && dice.percent(30) && count >= 4;
    let [left, right] = &mut sides;
    for (i, end) in right
        .iter_mut()
        .enumerate()
        .take(if fitted { count } else { 0 })
    {
        end.part = match dice.below(100) {
            0..12 => Part::Resistor,
            12..15 => Part::Closed,
            15..18 => Part::Shifter,
            // Behind it, the other pin under a shared control cell would be alone after all.
            18 if end.kind != Shared => Part::Gap,
            _ => Part::Nothing,
        };
        if buffered
            && i < count / 3
            && end.kind != Out2
            && end.kind != Shared
            && left[i].kind != Out2
        {
            end.part = match dice.below(100) {
                0..70 => Part::Inward,
                70..85 => Part::Turning,
                _ => Part::Outward,
            };
        }
        // What is in front of a part need not be the pin itself.
        end.never &= end.part == Part::Nothing;
    }

    let mut board = String::from("[board]\nformat = 1\nname = \"woven\"\nbsdl = [\".\"");
    for slot in &slots {
        if let Slot::Real(real, _) = slot {
            write!(board, ", {:?}", real.file.display().to_string()).unwrap();
        }
    }
    board += "]\n";
    for (d, slot) in slots.iter().enumerate() {
        let entity = match slot {
            Slot::Woven(_) => format!("WOVEN_{d}\""),
            Slot::Real(real, _) => format!("{}\"\npin_map = \"{}\"", real.entity, real.map),
        };
        writeln!(
            board,
            "[[device]]\nname = \"U{}\"\nentity = \"{entity}",
            d + 1
        )
        .unwrap();
        if limits.alone && d % 2 == 1 {
            board += "optional = true\n";
        }
    }
    for (side, name) in [(0, "JA"), (1, "JB")] {
        if direct && side == 0 {
            continue;
        }
        let pins: Vec<String> = (sides[side].iter().enumerate())
            .filter(|(_, e)| e.part == Part::Nothing)
            .map(|(i, e)| format!("{} = \"{}\"", i + 1, e.name()))
            .collect();
        writeln!(
            board,
            "[[connector]]\nname = \"{name}\"\npins = {{ {} }}",
            pins.join(", ")
        )
        .unwrap();
    }
    for (i, end) in sides[1].iter().enumerate() {
        let ends = [end.place.clone(), end.name()];
        let text = match end.part {
            Part::Nothing => continue,
            Part::Resistor => format!("kind = \"resistor\"\nbetween = {ends:?}\nohms = 100"),
            Part::Closed => format!("kind = \"switch\"\nbetween = {ends:?}\nclosed = true"),
            Part::Gap => format!("kind = \"switch\"\nbetween = {ends:?}\nclosed = false"),
            Part::Shifter => format!("kind = \"shifter\"\nbetween = {ends:?}"),
            Part::Inward => format!(
                "kind = \"buffer\"\nfrom = {:?}\nto = {:?}\nenable = {{ pin = \"{}\", on = \"low\" }}",
                ends[0], ends[1], enables[0]
            ),
            Part::Outward => format!(
                "kind = \"buffer\"\nfrom = {:?}\nto = {:?}\nenable = {{ pin = \"{}\", on = \"high\" }}",
                ends[1], ends[0], enables[1]
            ),
            Part::Turning => format!(
                "kind = \"buffer\"\nfrom = {:?}\nto = {:?}\ndirection = {{ pin = \"{}\", forward = \"high\" }}",
                ends[0], ends[1], enables[2]
            ),
        };
        writeln!(board, "[[part]]\nname = \"IC{}\"\n{text}", i + 1).unwrap();
    }
    let mut wires = Vec::new();
    let pairs = sides[0].iter().zip(&sides[1]).take(count);
    for (i, (a, b)) in pairs.enumerate() {
        let ends = [a.clone(), b.clone()];
        let pulled = dice.percent(10);
        if pulled {
            let to = dice.pick(&["low", "high"]);
            writeln!(
                board,
                "[[pull]]\npin = \"{}\"\nto = \"{to}\"\nohms = 10_000",
                ends[0].place
            )
            .unwrap();
        }
        let quiet = !ends
            .iter()
            .any(|e| e.live() || e.kind == Shared || e.part == Part::Inward);
        let mut driven = fitted && quiet && dice.percent(2);
        if driven {
            let when = dice.pick(&["always", "powered"]);
            // One that needs power is dead, for the machine is off.
            driven = when == "always";
            writeln!(
                board,
                "[[driver]]\npin = \"{}\"\nwhen = \"{when}\"",
                ends[0].place
            )
            .unwrap();
        }
        writeln!(
            board,
            "[[wire]]\nlabel = \"{}\"\nfrom = \"{}\"\nto = \"{}\"\nsignal = \"S{i}\"",
            label(i),
            ends[0].place,
            ends[1].place
        )
        .unwrap();
        wires.push(Wire {
            ends,
            driven,
            pulled,
        });
    }
    let never: Vec<String> = sides
        .iter()
        .flatten()
        .filter(|e| e.never)
        .map(End::name)
        .collect();
    writeln!(
        board,
        "[guard]\nmax_switching = {}\nsettle_us = 20\nnever_drive = {never:?}",
        1 + dice.below(8)
    )
    .unwrap();

    let floating = match limits.neighbours {
        true => "neighbours",
        false => dice.pick(&["keep", "low", "high"]),
    };
    let mut bench = format!(
        "[bench]\nformat = 1\nboard = \"board.toml\"\nseed = {}\nfloating = \"{floating}\"\n",
        seed % 1000
    );
    for d in (0..devices).filter(|d| !limits.alone || d % 2 == 0) {
        let idle = dice.pick(&["float", "float", "pull-up", "pull-down"]);
        writeln!(
            bench,
            "[[device]]\nname = \"U{}\"\nidle = \"{idle}\"",
            d + 1
        )
        .unwrap();
    }
    let spares = [sides[0].split_off(count), sides[1].split_off(count)];
    let mut loose = Faults::new(&mut dice, &wires, &spares, floating, limits.alone, direct);
    let many = limits.faults.end() - limits.faults.start() + 1;
    let faults = limits.faults.start() + loose.dice.below(many);
    (0..faults).for_each(|_| loose.add());
    loose.rest();
    let (injected, truth, said, fault_of) = (loose.bench, loose.truth, loose.said, loose.fault_of);

    std::fs::create_dir_all(folder).unwrap();
    for (d, slot) in slots.iter().enumerate() {
        if let Slot::Woven(list) = slot {
            let text = device(&mut dice, d, list);
            std::fs::write(folder.join(format!("woven_{d}.bsd")), text).unwrap();
        }
    }
    std::fs::write(folder.join("board.toml"), board).unwrap();
    std::fs::write(folder.join("bench.toml"), bench + injected.as_str()).unwrap();
    Woven {
        board: folder.join("board.toml"),
        bench: folder.join("bench.toml"),
        truth,
        fault_of,
        faults: said,
        floating,
        wires,
        spares,
    }
}

/// BSDL of a device with these pins, numbered from 1.
pub(crate) fn device(dice: &mut Dice, number: usize, kinds: &[Kind]) -> String {
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
