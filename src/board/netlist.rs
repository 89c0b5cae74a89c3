//! What the board file says is joined: nodes, the joints between them, and the nets that they make.

use std::collections::HashMap;
use std::fmt;

use super::declared::{Board, PartKind, WireKind};
use super::part::Channel;
use super::place::{
    DriverIndex, Level, PartIndex, Place, PullIndex, SocketIndex, SocketPin, WireIndex,
};

/// Position in [`Netlist::nodes`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct NodeId(pub usize);

/// A point that joints end at.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub enum Node {
    /// A place that the board file can name; ground and each supply are one node each.
    Place(Place),
    /// Inside a wire, between the wire's own joint (on its `from` side) and the part that sits in it.
    InWire(WireIndex),
    /// The end of a wire that goes to `nothing`, or of a button's wire that goes to ground. A wire from nothing to nothing has two.
    LooseEnd(WireIndex),
}

impl Node {
    /// The place, if it is one.
    pub fn place(&self) -> Option<&Place> {
        match self {
            Self::Place(place) => Some(place),
            _ => None,
        }
    }
}

/// A condition: this pin at this level.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub struct PinLevel {
    /// The pin.
    pub pin: Place,
    /// The level.
    pub level: Level,
}

impl PinLevel {
    /// True if both cannot hold at once.
    pub fn contradicts(&self, other: &Self) -> bool {
        self.pin == other.pin && self.level != other.level
    }
}

impl fmt::Display for PinLevel {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {}", self.pin, self.level)
    }
}

/// Two nodes that are joined.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Joint {
    /// One node; of a one-way joint the input.
    pub a: NodeId,
    /// The other; of a one-way joint the output.
    pub b: NodeId,
    /// By what.
    pub kind: JointKind,
    /// Enable and direction pins with the levels at which the joint is there; empty if it always is.
    pub needs: Vec<PinLevel>,
}

/// What joins two nodes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum JointKind {
    /// A wire of the harness. Every wire is exactly one joint.
    Wire(WireIndex),
    /// A trace from a connector pin to a device pin (or to another connector's pin).
    Trace,
    /// A scan clip's device pin on a socket pin.
    Clip,
    /// A resistor, a closed switch, or a shifter that finds its direction by itself.
    Series(PartIndex),
    /// A buffer or shifter, from `a` to `b` only. A part with a direction pin is two of these.
    OneWay(PartIndex),
    /// Pins that are joined on purpose, on the machine.
    Tie,
    /// A connector pin on ground or a supply.
    Rail,
}

impl JointKind {
    /// True for all but one-way joints: the two nodes then share a level.
    pub fn conducts(self) -> bool {
        !matches!(self, Self::OneWay(_))
    }

    /// The part, if it is one.
    pub fn part(self) -> Option<PartIndex> {
        match self {
            Self::Series(part) | Self::OneWay(part) => Some(part),
            _ => None,
        }
    }
}

/// Nodes that share a level.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Net {
    /// Its nodes, in rising order.
    pub nodes: Vec<NodeId>,
}

/// Everything that the board file joins. Raw material: clone it, and break or add joints to model what is really there.
///
/// Nodes are there for every pin of every package in use, every declared connector pin, every socket pin and every
/// other place that something ends at. A trace between two places that a part sits between is that part's joint, not
/// a trace as well; a part between the two ends of a wire sits in that wire.
#[derive(Debug, Clone, Default)]
pub struct Netlist {
    /// The nodes.
    pub nodes: Vec<Node>,
    /// The joints.
    pub joints: Vec<Joint>,
    /// Declared pulls and the nodes they pull.
    pub pulls: Vec<(NodeId, PullIndex)>,
    /// Declared drivers and the nodes they drive.
    pub drivers: Vec<(NodeId, DriverIndex)>,
    ids: HashMap<Node, NodeId>,
    /// Joints by wire.
    wires: Vec<usize>,
}

impl Netlist {
    /// The node of a place; `None` for places that nothing ends at, and for `nothing`.
    pub fn node(&self, place: &Place) -> Option<NodeId> {
        self.ids.get(&Node::Place(place.clone())).copied()
    }

    /// The node of a place, added if it is not there yet.
    pub fn add(&mut self, place: Place) -> NodeId {
        self.add_node(Node::Place(place))
    }

    fn add_node(&mut self, node: Node) -> NodeId {
        *self.ids.entry(node.clone()).or_insert_with(|| {
            self.nodes.push(node);
            NodeId(self.nodes.len() - 1)
        })
    }

    /// Position in [`joints`](Self::joints) of a wire's joint, as the netlist was built.
    pub fn wire_joint(&self, wire: WireIndex) -> Option<usize> {
        self.wires.get(wire.0).copied()
    }

    /// Joints at each node, by position in [`joints`](Self::joints).
    pub fn joints_by_node(&self) -> Vec<Vec<usize>> {
        let mut by_node = vec![Vec::new(); self.nodes.len()];
        for (i, joint) in self.joints.iter().enumerate() {
            by_node[joint.a.0].push(i);
            if joint.a != joint.b {
                by_node[joint.b.0].push(i);
            }
        }
        by_node
    }

    /// The number of the net that each node belongs to, by node, when the joints that `include` picks conduct. Nets
    /// are numbered in the order of their first node.
    pub fn net_numbers(&self, include: impl Fn(&Joint) -> bool) -> Vec<usize> {
        let mut parent: Vec<usize> = (0..self.nodes.len()).collect();
        fn root(parent: &mut [usize], mut i: usize) -> usize {
            while parent[i] != i {
                parent[i] = parent[parent[i]];
                i = parent[i];
            }
            i
        }
        for joint in self.joints.iter().filter(|j| include(j)) {
            let (a, b) = (root(&mut parent, joint.a.0), root(&mut parent, joint.b.0));
            // The lower node becomes the root, which keeps the numbering stable.
            parent[a.max(b)] = a.min(b);
        }
        let (mut numbers, mut next) = (vec![0; parent.len()], 0);
        for i in 0..parent.len() {
            let r = root(&mut parent, i);
            if r == i {
                numbers[i] = next;
                next += 1;
            } else {
                numbers[i] = numbers[r];
            }
        }
        numbers
    }

    /// The nets that the joints picked by `include` make; nodes that nothing joins are nets of one. One-way joints do
    /// not make a net: leave them out with [`JointKind::conducts`].
    pub fn nets(&self, include: impl Fn(&Joint) -> bool) -> Vec<Net> {
        let numbers = self.net_numbers(include);
        let count = numbers.iter().max().map_or(0, |m| m + 1);
        let mut nets = vec![Net { nodes: vec![] }; count];
        for (node, net) in numbers.into_iter().enumerate() {
            nets[net].nodes.push(NodeId(node));
        }
        nets
    }

    /// The netlist of a board whose other fields are complete.
    pub(super) fn of(board: &Board) -> Self {
        let mut net = Self::default();
        net.add_pins(board);
        let ends = WireIndexByEnds::of(board);
        net.add_parts(board, &ends);
        net.add_traces(board);
        net.add_wires(board, &ends);
        for (i, pull) in board.pulls.iter().enumerate() {
            let node = net.add(pull.pin.clone());
            net.pulls.push((node, PullIndex(i)));
        }
        for (i, driver) in board.drivers.iter().enumerate() {
            let node = net.add(driver.pin.clone());
            net.drivers.push((node, DriverIndex(i)));
        }
        for tie in &board.ties {
            let nodes: Vec<_> = tie.pins.iter().map(|p| net.add(p.clone())).collect();
            for pair in nodes.windows(2) {
                net.join(pair[0], pair[1], JointKind::Tie, vec![]);
            }
        }
        net
    }

    fn join(&mut self, a: NodeId, b: NodeId, kind: JointKind, needs: Vec<PinLevel>) {
        self.joints.push(Joint { a, b, kind, needs });
    }

    fn add_pins(&mut self, board: &Board) {
        for (i, device) in board.devices.iter().enumerate() {
            for pin in device.pins().into_iter().flat_map(|map| map.pins()) {
                if let Some(pin) = board.device_pin(super::DeviceIndex(i), pin.name) {
                    self.add(pin.into());
                }
            }
        }
        for declared in board.connectors.iter().flat_map(|c| &c.pins) {
            self.add(Place::ConnectorPin(declared.pin.clone()));
        }
        for (i, socket) in board.sockets.iter().enumerate() {
            for number in 1..=socket.shape.pins.len() as u16 {
                if let Some(pin) = board.socket_pin(SocketIndex(i), number) {
                    self.add(Place::SocketPin(pin));
                }
            }
        }
    }

    /// Parts that do not sit in a wire.
    fn add_parts(&mut self, board: &Board, ends: &WireIndexByEnds) {
        for (i, part) in board.parts.iter().enumerate() {
            for channel in &part.channels {
                if ends.find(channel).is_none() {
                    let (a, b) = (self.add(channel.from.clone()), self.add(channel.to.clone()));
                    self.add_channel(board, PartIndex(i), a, b);
                }
            }
            for pin in part
                .enable
                .iter()
                .map(|e| &e.pin)
                .chain(part.direction.iter().map(|d| &d.pin))
            {
                self.add(pin.clone());
            }
        }
    }

    fn add_channel(&mut self, board: &Board, index: PartIndex, a: NodeId, b: NodeId) {
        let part = &board.parts[index.0];
        let needs: Vec<_> = part
            .enable
            .iter()
            .map(|e| PinLevel {
                pin: e.pin.clone(),
                level: e.on,
            })
            .collect();
        match part.kind {
            PartKind::Switch { closed: false } => {}
            PartKind::Resistor { .. }
            | PartKind::Switch { .. }
            | PartKind::Shifter { automatic: true } => {
                self.join(a, b, JointKind::Series(index), needs);
            }
            PartKind::Buffer | PartKind::Shifter { .. } => {
                let turned = |level| {
                    let direction = part.direction.iter().map(|d| PinLevel {
                        pin: d.pin.clone(),
                        level: if level { d.forward } else { !d.forward },
                    });
                    needs.iter().cloned().chain(direction).collect()
                };
                self.join(a, b, JointKind::OneWay(index), turned(true));
                if part.direction.is_some() {
                    self.join(b, a, JointKind::OneWay(index), turned(false));
                }
            }
        }
    }

    fn add_traces(&mut self, board: &Board) {
        let parted: std::collections::HashSet<(NodeId, NodeId)> = (board.parts.iter())
            .flat_map(|p| &p.channels)
            .filter_map(|c| Some((self.node(&c.from)?, self.node(&c.to)?)))
            .flat_map(|(a, b)| [(a, b), (b, a)])
            .collect();
        for declared in board.connectors.iter().flat_map(|c| &c.pins) {
            let Some(to) = declared.to.as_ref().filter(|to| **to != Place::Nothing) else {
                continue;
            };
            let (a, b) = (
                self.add(Place::ConnectorPin(declared.pin.clone())),
                self.add(to.clone()),
            );
            if to.is_rail() {
                self.join(a, b, JointKind::Rail, vec![]);
            } else if !parted.contains(&(a, b)) {
                self.join(a, b, JointKind::Trace, vec![]);
            }
        }
        for (i, socket) in board.sockets.iter().enumerate() {
            for (number, pin) in &socket.clip {
                if let Some(at) = board.socket_pin(SocketIndex(i), *number) {
                    let (a, b) = (self.add(Place::SocketPin(at)), self.add(pin.clone().into()));
                    self.join(a, b, JointKind::Clip, vec![]);
                }
            }
        }
    }

    fn add_wires(&mut self, board: &Board, ends: &WireIndexByEnds) {
        // The part in each wire, with whether it stands the same way round as the wire.
        let mut within = HashMap::new();
        for (i, part) in board.parts.iter().enumerate() {
            for channel in &part.channels {
                if let Some((wire, same)) = ends.find(channel) {
                    within.entry(wire).or_insert((PartIndex(i), same));
                }
            }
        }
        for (i, wire) in board.wires.iter().enumerate() {
            let index = WireIndex(i);
            let a = self.wire_end(&wire.from, wire.kind, index);
            let b = self.wire_end(&wire.to, wire.kind, index);
            self.wires.push(self.joints.len());
            match within.get(&index) {
                None => self.join(a, b, JointKind::Wire(index), vec![]),
                Some((part, same)) => {
                    let middle = self.add_node(Node::InWire(index));
                    self.join(a, middle, JointKind::Wire(index), vec![]);
                    let (from, to) = if *same { (middle, b) } else { (b, middle) };
                    self.add_channel(board, *part, from, to);
                }
            }
        }
    }

    fn wire_end(&mut self, place: &Place, kind: WireKind, wire: WireIndex) -> NodeId {
        // A button's wire is on ground only while it is pressed.
        let open = kind == WireKind::Button && place.is_rail();
        if *place != Place::Nothing && !open {
            return self.add(place.clone());
        }
        // Not through `ids`: a wire may have two loose ends.
        self.nodes.push(Node::LooseEnd(wire));
        NodeId(self.nodes.len() - 1)
    }
}

/// Wires by the two places that they join.
pub(super) struct WireIndexByEnds<'a>(HashMap<(&'a Place, &'a Place), WireIndex>);

impl<'a> WireIndexByEnds<'a> {
    pub(super) fn of(board: &'a Board) -> Self {
        let mut ends = HashMap::new();
        for (i, wire) in board.wires.iter().enumerate() {
            ends.entry((&wire.from, &wire.to)).or_insert(WireIndex(i));
        }
        Self(ends)
    }

    /// The wire that a channel of a part sits in, and whether it runs the same way round.
    pub(super) fn find(&self, channel: &Channel) -> Option<(WireIndex, bool)> {
        let (from, to) = (&channel.from, &channel.to);
        let same = self.0.get(&(from, to)).map(|w| (*w, true));
        same.or_else(|| self.0.get(&(to, from)).map(|w| (*w, false)))
    }
}

/// The nets as everything is drawn, with what is asked of them again and again.
#[derive(Debug, Clone, Default)]
pub(super) struct Drawn {
    /// Net of each node.
    pub(super) net_of: Vec<usize>,
    /// Nodes of each net.
    pub(super) nodes: Vec<Vec<NodeId>>,
    /// One-way joints into each net.
    pub(super) into: Vec<Vec<usize>>,
    /// Declared drivers of each net.
    pub(super) drivers: Vec<Vec<DriverIndex>>,
    /// Joints at each node.
    pub(super) joints: Vec<Vec<usize>>,
}

impl Drawn {
    pub(super) fn of(netlist: &Netlist) -> Self {
        let net_of = netlist.net_numbers(|j| j.kind.conducts());
        let count = net_of.iter().max().map_or(0, |m| m + 1);
        let (mut nodes, mut into, mut drivers) = (
            vec![vec![]; count],
            vec![vec![]; count],
            vec![vec![]; count],
        );
        for (node, net) in net_of.iter().enumerate() {
            nodes[*net].push(NodeId(node));
        }
        for (i, joint) in netlist
            .joints
            .iter()
            .enumerate()
            .filter(|(_, j)| !j.kind.conducts())
        {
            into[net_of[joint.b.0]].push(i);
        }
        for (node, driver) in &netlist.drivers {
            drivers[net_of[node.0]].push(*driver);
        }
        Self {
            net_of,
            nodes,
            into,
            drivers,
            joints: netlist.joints_by_node(),
        }
    }
}

impl Board {
    /// A pin of a socket by number; `None` outside its shape.
    pub fn socket_pin(&self, socket: SocketIndex, number: u16) -> Option<SocketPin> {
        let declared = self.sockets.get(socket.0)?;
        let signal = declared.shape.signal(number)?;
        Some(SocketPin {
            socket,
            socket_name: declared.name.clone(),
            number,
            signal,
        })
    }
}
