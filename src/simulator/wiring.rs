//! The nets that there really are: what the board declares, with the faults of the bench.

use std::collections::{HashMap, HashSet};

use super::bench_file::{Behaviour, End, FaultKind, Move, ShortBehaviour, Spot};
use super::build::Builder;
use super::nets::{Action, JOINED_OHMS, Net, Nets};
use crate::board::{
    DriverWhen, JointKind, Level, Node, PartIndex, PartKind, PinLevel, Place, WireIndex,
};

/// Ohms of a pull whose value the board file does not give.
const PULL_OHMS: u32 = 10_000;
/// A joint that holds only at times has this many ohms while it holds.
const TOUCH_OHMS: u32 = 1;

/// A resistance between two points.
struct Resistance {
    ends: [usize; 2],
    ohms: u32,
    open_ppm: u32,
    needs: Vec<PinLevel>,
}

/// The points of a bench: the nodes of the declared netlist, then one inside each wire, and what joins them.
pub(super) struct Wiring {
    parent: Vec<usize>,
    /// The point at each end of each wire (from, to), as it really is; `None` where it has come off.
    wire_ends: Vec<[Option<usize>; 2]>,
    /// The same as declared.
    declared_ends: Vec<[usize; 2]>,
    first_wire: usize,
    resistances: Vec<Resistance>,
    /// Behaviour of a shorted net, by any of its points.
    shorts: Vec<(usize, ShortBehaviour)>,
    /// Points on the winning side of a short.
    strong: HashSet<usize>,
    rails: Vec<(usize, bool)>,
    holds: Vec<(usize, bool, u32)>,
    nets: HashMap<usize, Net>,
    places: HashMap<Place, usize>,
    /// Parts that carry nothing.
    dead: Vec<PartIndex>,
}

impl Wiring {
    /// The declared wiring, with faults.
    pub(super) fn of(b: &mut Builder<'_>) -> Self {
        let netlist = &b.board.netlist;
        let (nodes, wires) = (netlist.nodes.len(), b.board.wires.len());
        let declared_ends: Vec<[usize; 2]> = (0..wires)
            .map(|w| {
                let joint = netlist.wire_joint(WireIndex(w));
                joint.map_or([0, 0], |j| [netlist.joints[j].a.0, netlist.joints[j].b.0])
            })
            .collect();
        let mut this = Self {
            parent: (0..nodes + wires).collect(),
            wire_ends: declared_ends.iter().map(|ends| ends.map(Some)).collect(),
            declared_ends,
            first_wire: nodes,
            resistances: vec![],
            shorts: vec![],
            strong: HashSet::new(),
            rails: vec![],
            holds: vec![],
            nets: HashMap::new(),
            places: netlist
                .nodes
                .iter()
                .enumerate()
                .filter_map(|(i, node)| Some((node.place()?.clone(), i)))
                .collect(),
            dead: vec![],
        };
        this.fault_wires(b);
        this.join_all(b);
        this.fault_nets(b);
        this
    }

    fn root(&mut self, mut i: usize) -> usize {
        while self.parent[i] != i {
            self.parent[i] = self.parent[self.parent[i]];
            i = self.parent[i];
        }
        i
    }

    fn union(&mut self, a: usize, b: usize) {
        let (a, b) = (self.root(a), self.root(b));
        self.parent[a.max(b)] = a.min(b);
    }

    fn wire(&self, b: &mut Builder<'_>, name: &super::Named) -> Option<usize> {
        let found = b.board.wire(&name.name);
        if found.is_none() {
            let near =
                crate::tables::nearest(&name.name, b.board.wires.iter().map(|w| w.label.as_str()));
            let known = match (near, b.board.wires.first(), b.board.wires.last()) {
                (Some(near), ..) => format!("did you mean `{near}`?"),
                (None, Some(first), Some(last)) => {
                    format!("the harness has {} to {}", first.label, last.label)
                }
                _ => "the board has no wires".into(),
            };
            b.conflict(
                &name.at,
                format!("the harness has no wire {}", name.name),
                known,
            );
        }
        found.map(|w| w.0)
    }

    /// Faults that change where wires end.
    fn fault_wires(&mut self, b: &mut Builder<'_>) {
        let file = b.file;
        let side = |end: End| usize::from(end == End::To);
        for fault in &file.faults {
            match &fault.kind {
                FaultKind::Open { wire, end } => {
                    if let Some(w) = self.wire(b, wire) {
                        self.wire_ends[w][side(*end)] = None;
                    }
                }
                FaultKind::Swap { wires, end } => {
                    if let (Some(v), Some(w)) = (self.wire(b, &wires[0]), self.wire(b, &wires[1])) {
                        let s = side(*end);
                        let kept = self.wire_ends[v][s];
                        self.wire_ends[v][s] = self.wire_ends[w][s];
                        self.wire_ends[w][s] = kept;
                    }
                }
                FaultKind::Misplaced { wire, end, pin } => {
                    if let (Some(w), Some(place)) = (self.wire(b, wire), b.place(pin)) {
                        self.wire_ends[w][side(*end)] = Some(self.point(&place));
                    }
                }
                FaultKind::Intermittent { wire, end, ppm } => {
                    if let Some(w) = self.wire(b, wire) {
                        self.weaken(w, side(*end), TOUCH_OHMS, *ppm);
                    }
                }
                FaultKind::Resistive { wire, end, ohms } => {
                    if let Some(w) = self.wire(b, wire) {
                        self.weaken(w, side(*end), *ohms, 0);
                    }
                }
                FaultKind::Moved { at, rule, wires } => self.shift(b, at, *rule, wires),
                FaultKind::Dead { part } => {
                    let named = |p: &crate::board::Part| p.name.eq_ignore_ascii_case(&part.name);
                    match b.board.parts.iter().position(named) {
                        Some(index) => self.dead.push(PartIndex(index)),
                        None => {
                            let known: Vec<&str> =
                                b.board.parts.iter().map(|p| p.name.as_str()).collect();
                            let help = format!("the board has {}", known.join(", "));
                            let what = format!("the board has no part {}", part.name);
                            b.conflict(&part.at, what, help);
                        }
                    }
                }
                _ => {}
            }
        }
    }

    /// Moves the ends that wires have at a connector or socket, all by one rule.
    fn shift(&mut self, b: &mut Builder<'_>, at: &super::Named, rule: Move, only: &[super::Named]) {
        let board = b.board;
        let is_it = |name: &str| name.eq_ignore_ascii_case(&at.name);
        let socket = board.sockets.iter().find(|s| is_it(&s.name));
        let connector = board.connectors.iter().find(|c| is_it(&c.name));
        let pins = match (socket, connector) {
            (Some(socket), _) => socket.shape.pins.len() as i64,
            (None, Some(connector)) => (connector.pins.iter())
                .filter_map(|p| p.pin.pin.parse().ok())
                .max()
                .unwrap_or(0),
            (None, None) => {
                let what = format!("the board has no connector or socket {}", at.name);
                let help = "name one of its [[connector]]s or [[socket]]s";
                b.conflict(&at.at, what, help);
                return;
            }
        };
        let only: Vec<usize> = only.iter().filter_map(|w| self.wire(b, w)).collect();
        for (w, wire) in board.wires.iter().enumerate() {
            if !only.is_empty() && !only.contains(&w) {
                continue;
            }
            for (side, place) in [&wire.from, &wire.to].into_iter().enumerate() {
                let home: i64 = match place {
                    Place::SocketPin(pin) if is_it(&pin.socket_name) => i64::from(pin.number),
                    Place::ConnectorPin(pin) if is_it(&pin.connector_name) => {
                        match pin.pin.parse() {
                            Ok(number) => number,
                            Err(_) => continue,
                        }
                    }
                    _ => continue,
                };
                let landed = format!("{}.{}", at.name, rule.lands(home, pins));
                let landed = board.place(&landed).ok();
                self.wire_ends[w][side] = landed.map(|place| self.point(&place));
            }
        }
    }

    /// Puts a resistance in place of a wire's joint.
    fn weaken(&mut self, wire: usize, side: usize, ohms: u32, open_ppm: u32) {
        if let Some(point) = self.wire_ends[wire][side].take() {
            self.resistances.push(Resistance {
                ends: [self.first_wire + wire, point],
                ohms,
                open_ppm,
                needs: vec![],
            });
        }
    }

    fn join_all(&mut self, b: &Builder<'_>) {
        for joint in &b.board.netlist.joints {
            let ends = [joint.a.0, joint.b.0];
            match joint.kind {
                JointKind::Wire(_) | JointKind::OneWay(_) => {}
                JointKind::Series(part) if self.dead.contains(&part) => {}
                JointKind::Trace | JointKind::Clip | JointKind::Tie | JointKind::Rail => {
                    self.union(ends[0], ends[1]);
                }
                JointKind::Series(part) => {
                    let ohms = match b.board.parts[part.0].kind {
                        PartKind::Resistor { ohms } => ohms.unwrap_or(0),
                        _ => 0,
                    };
                    if ohms < JOINED_OHMS && joint.needs.is_empty() {
                        self.union(ends[0], ends[1]);
                    } else {
                        self.resistances.push(Resistance {
                            ends,
                            ohms: ohms.max(TOUCH_OHMS),
                            open_ppm: 0,
                            needs: joint.needs.clone(),
                        });
                    }
                }
            }
        }
        for w in 0..self.wire_ends.len() {
            for end in self.wire_ends[w].into_iter().flatten() {
                self.union(self.first_wire + w, end);
            }
        }
    }

    /// Faults that join nets to each other or to a supply.
    fn fault_nets(&mut self, b: &mut Builder<'_>) {
        let file = b.file;
        for fault in &file.faults {
            match &fault.kind {
                FaultKind::Stuck { on, level } => {
                    if let Some(point) = self.spot(b, on) {
                        self.rails.push((point, *level));
                    }
                }
                FaultKind::Held { on, level, ohms } => {
                    if let Some(point) = self.spot(b, on) {
                        self.holds.push((point, *level, *ohms));
                    }
                }
                FaultKind::Short { on, behaviour } => {
                    let points: Vec<usize> = on.iter().filter_map(|s| self.spot(b, s)).collect();
                    if *behaviour == ShortBehaviour::Strong
                        && let Some(first) = points.first()
                    {
                        let root = self.root(*first);
                        for i in 0..self.parent.len() {
                            if self.root(i) == root {
                                self.strong.insert(i);
                            }
                        }
                    }
                    self.shorts.extend(points.first().map(|p| (*p, *behaviour)));
                    for pair in points.windows(2) {
                        self.union(pair[0], pair[1]);
                    }
                }
                _ => {}
            }
        }
    }

    fn spot(&mut self, b: &mut Builder<'_>, spot: &Spot) -> Option<usize> {
        match spot {
            Spot::Wire(name) => self.wire(b, name).map(|w| self.first_wire + w),
            Spot::Place(name) => b.place(name).map(|p| self.point(&p)),
        }
    }

    /// The point of a place; a new one for a place that nothing ends at.
    fn point(&mut self, place: &Place) -> usize {
        if let Some(&point) = self.places.get(place) {
            return point;
        }
        self.parent.push(self.parent.len());
        self.places.insert(place.clone(), self.parent.len() - 1);
        self.parent.len() - 1
    }

    /// The net of a place, made if nothing was there.
    pub(super) fn net(&mut self, place: &Place, nets: &mut Nets) -> Net {
        let point = self.point(place);
        self.net_of(point, nets, || place.to_string())
    }

    fn net_of(&mut self, point: usize, nets: &mut Nets, name: impl FnOnce() -> String) -> Net {
        let root = self.root(point);
        *self
            .nets
            .entry(root)
            .or_insert_with(|| nets.add(name(), ShortBehaviour::WiredAnd))
    }

    /// Whether drivers that come from this side of a short win over others.
    pub(super) fn is_strong(&mut self, place: &Place) -> bool {
        let point = self.point(place);
        self.strong.contains(&point)
    }

    /// Makes the nets and puts on them what does not belong to a device of the chain.
    pub(super) fn make(&mut self, b: &mut Builder<'_>, nets: &mut Nets) {
        self.name_nets(b, nets);
        let board = b.board;
        // Also those that only a fault brings in.
        let mut rails: Vec<(usize, bool)> = (self.places.iter())
            .filter(|(place, _)| place.is_rail())
            .map(|(place, point)| (*point, *place != Place::Ground))
            .collect();
        rails.sort_unstable();
        self.rails.extend(rails);
        for (point, level) in std::mem::take(&mut self.rails) {
            let net = self.existing(point);
            let source = nets.source(net, "a supply", false);
            nets.set(source, Action::Rail(level));
        }
        for (point, level, ohms) in std::mem::take(&mut self.holds) {
            let net = self.existing(point);
            let source = nets.source(net, "the machine", false);
            nets.set(source, Action::Pull(level, ohms));
        }
        for (node, pull) in &board.netlist.pulls {
            let pull = &board.pulls[pull.0];
            let net = self.existing(node.0);
            let source = nets.source(net, "a pull", false);
            let ohms = pull.ohms.unwrap_or(PULL_OHMS);
            nets.set(source, Action::Pull(pull.to == Level::High, ohms));
        }
        let machine = &b.file.machine;
        let machines = match (machine.powered, machine.lines) {
            (true, Behaviour::Low) => Action::Drive(false),
            (true, Behaviour::High) => Action::Drive(true),
            (true, Behaviour::Moving) => Action::Moving,
            (false, _) => Action::Dead,
        };
        for range in &machine.drives {
            match board.places(&range.name) {
                Err(cause) => b.report(&range.at, cause),
                Ok(places) => {
                    for place in places {
                        let net = self.net(&place, nets);
                        let source = nets.source(net, format!("the machine on {place}"), false);
                        nets.set(source, machines);
                    }
                }
            }
        }
        for (node, driver) in &board.netlist.drivers {
            let driver = &board.drivers[driver.0];
            let what = match driver.when {
                DriverWhen::Always => Action::Moving,
                DriverWhen::Powered => machines,
            };
            let net = self.existing(node.0);
            let label = format!("the driver on {}", driver.pin);
            let source = nets.source(net, label, self.strong.contains(&node.0));
            nets.set(source, what);
        }
        for joint in &board.netlist.joints {
            if let JointKind::OneWay(part) = joint.kind
                && !self.dead.contains(&part)
            {
                let (from, to) = (self.existing(joint.a.0), self.existing(joint.b.0));
                let needs = self.needs(&joint.needs, nets);
                let label = &board.parts[part.0].name;
                let output = nets.source(to, label.clone(), self.strong.contains(&joint.b.0));
                nets.one_way(from, output, needs);
            }
        }
        for resistance in std::mem::take(&mut self.resistances) {
            let [a, c] = resistance.ends.map(|p| self.existing(p));
            let needs = self.needs(&resistance.needs, nets);
            if a != c {
                nets.link(a, c, resistance.ohms, resistance.open_ppm, needs);
            }
        }
        let lines: Vec<(Net, Vec<Net>)> = (0..self.wire_ends.len())
            .map(|w| {
                let line = self.existing(self.first_wire + w);
                let mut ends = vec![line];
                ends.extend(self.declared_ends[w].map(|p| self.existing(p)));
                ends.sort_unstable();
                ends.dedup();
                (line, ends)
            })
            .collect();
        nets.ribbon(&lines);
    }

    fn needs(&mut self, needs: &[PinLevel], nets: &mut Nets) -> Vec<(Net, bool)> {
        needs
            .iter()
            .map(|n| (self.net(&n.pin, nets), n.level.bit()))
            .collect()
    }

    /// The net of a point; all points of the declared board have one.
    fn existing(&mut self, point: usize) -> Net {
        let root = self.root(point);
        self.nets[&root]
    }

    /// Makes a net of each group of points, named after its wires, else after its first pins.
    fn name_nets(&mut self, b: &Builder<'_>, nets: &mut Nets) {
        let mut groups: Vec<Vec<usize>> = vec![vec![]; self.parent.len()];
        for point in 0..self.parent.len() {
            let root = self.root(point);
            groups[root].push(point);
        }
        let wired: HashSet<usize> = (0..self.wire_ends.len())
            .map(|w| self.root(self.first_wire + w))
            .collect();
        let behaviours: HashMap<usize, ShortBehaviour> = std::mem::take(&mut self.shorts)
            .into_iter()
            .map(|(point, behaviour)| (self.root(point), behaviour))
            .collect();
        let extra: HashMap<usize, &Place> = self.places.iter().map(|(p, i)| (*i, p)).collect();
        let mut made = Vec::new();
        for (root, points) in groups.into_iter().enumerate() {
            if points.is_empty() {
                continue;
            }
            let wires = points
                .iter()
                .filter_map(|p| b.board.wires.get(p.checked_sub(self.first_wire)?))
                .map(|w| w.label.clone());
            let places = points.iter().filter_map(|p| {
                let node = b.board.netlist.nodes.get(*p).and_then(Node::place);
                node.or(extra.get(p).copied()).map(Place::to_string)
            });
            let names: Vec<String> = if wired.contains(&root) {
                wires.collect()
            } else {
                places.take(3).collect()
            };
            let behaviour = behaviours.get(&root).copied().unwrap_or_default();
            made.push((root, nets.add(names.join(", "), behaviour)));
        }
        drop(extra);
        self.nets.extend(made);
    }
}
