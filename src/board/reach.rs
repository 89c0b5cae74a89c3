//! From which device pins a wire can be tested, and what else may drive a net.

use std::collections::VecDeque;

use super::declared::{Board, WireKind};
use super::netlist::{Joint, JointKind, NodeId, PinLevel, WireIndexByEnds};
use super::place::{DevicePin, DriverIndex, PartIndex, Place, WireIndex};
use crate::tables::natural_key;

/// What there is at the two ends of a wire.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WireEnds {
    /// Device pins reached from its `from` end without crossing this or another wire, nearest first.
    pub from: Vec<Reach>,
    /// Device pins reached from its `to` end.
    pub to: Vec<Reach>,
    /// Parts that sit in the wire itself.
    pub within: Vec<PartIndex>,
    /// What it takes for a level at `from` to arrive at `to`; `None` if a part in the wire forbids that way.
    pub forward: Option<Vec<PinLevel>>,
    /// What it takes for a level at `to` to arrive at `from`.
    pub backward: Option<Vec<PinLevel>>,
}

/// A device pin that is joined to the end of a wire.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Reach {
    /// The pin.
    pub pin: DevicePin,
    /// The parts in between, from the wire's end to the pin.
    pub through: Vec<PartIndex>,
    /// True if the pin can put both levels on the wire's end: the way leads there, the boundary register has a driver
    /// for it, and the guard rules neither hold it nor say never.
    pub can_drive: bool,
    /// True if the pin can tell the level at the wire's end: the way leads here, and the boundary register has a cell
    /// that observes it.
    pub can_hear: bool,
    /// Enables and directions that driving takes.
    pub drive_needs: Vec<PinLevel>,
    /// Enables and directions that hearing takes.
    pub hear_needs: Vec<PinLevel>,
}

/// Something that may drive a net beside the pin that was asked for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum LiveDriver {
    /// A `[[driver]]`.
    Declared(DriverIndex),
    /// The output of a buffer or shifter, live while all of `needs` hold (always, if there are none).
    Part {
        /// The part.
        part: PartIndex,
        /// Its enable and direction.
        needs: Vec<PinLevel>,
    },
    /// A pin of a device without BSDL.
    Undescribed(DevicePin),
    /// Ground or a supply.
    Rail(Place),
}

/// What a wire is for, from its kind and from what its ends are declared to be.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum WireRole {
    /// A signal.
    Signal,
    /// A switch to ground with a pull-up.
    Button,
    /// Ground: an end is ground, or a socket pin named GND.
    Ground,
    /// A supply: its kind says so, or an end is a supply, or a socket pin named VCC or VPP.
    Supply,
}

impl Board {
    /// The device pins at both ends of a wire.
    ///
    /// # Panics
    /// If the index is not one of this board's.
    pub fn wire_ends(&self, wire: WireIndex) -> WireEnds {
        let joints = &self.drawn.joints;
        let net = &self.netlist;
        let joint = &net.joints[net.wire_joint(wire).expect("every wire has a joint")];
        let (mut within, mut forward, mut backward) = (vec![], Some(vec![]), Some(vec![]));
        let (from, mut to) = (joint.a, joint.b);
        if net.nodes[to.0] == super::Node::InWire(wire) {
            let middle = to;
            let in_wire = || {
                joints[middle.0]
                    .iter()
                    .map(|&i| &net.joints[i])
                    .filter(|j| j.kind.part().is_some())
            };
            within = in_wire().filter_map(|j| j.kind.part()).take(1).collect();
            let carries = |from_middle: bool| {
                in_wire()
                    .find(|j| j.kind.conducts() || (j.a == middle) == from_middle)
                    .map(|j| j.needs.clone())
            };
            (forward, backward) = (carries(true), carries(false));
            if let Some(j) = in_wire().next() {
                to = if j.a == middle { j.b } else { j.a };
            } else {
                // An open switch sits in the wire: the far end is the wire's own other place.
                within = self.parts_in(wire);
                to = net.node(&self.wires[wire.0].to).unwrap_or(middle);
            }
        }
        WireEnds {
            from: self.reaches(from),
            to: self.reaches(to),
            within,
            forward,
            backward,
        }
    }

    /// Parts one of whose channels lies between the two ends of the wire.
    fn parts_in(&self, wire: WireIndex) -> Vec<PartIndex> {
        let ends = WireIndexByEnds::of(self);
        let inside = |p: &super::Part| {
            p.channels
                .iter()
                .any(|c| ends.find(c).is_some_and(|(w, _)| w == wire))
        };
        (self.parts.iter().enumerate())
            .filter(|(_, p)| inside(p))
            .map(|(i, _)| PartIndex(i))
            .collect()
    }

    /// The device pins joined to a place without crossing a wire, as for the end of a wire there.
    pub fn reaches_of(&self, place: &Place) -> Vec<Reach> {
        (self.netlist.node(place)).map_or_else(Vec::new, |node| self.reaches(node))
    }

    fn reaches(&self, start: NodeId) -> Vec<Reach> {
        let mut found: Vec<Reach> = Vec::new();
        for hearing in [true, false] {
            for (node, through, needs) in self.walk(start, hearing) {
                let Some(pin) = self.netlist.nodes[node.0]
                    .place()
                    .and_then(Place::device_pin)
                else {
                    continue;
                };
                let i = found.iter().position(|r| r.pin == *pin).unwrap_or_else(|| {
                    found.push(Reach {
                        pin: pin.clone(),
                        through: vec![],
                        can_drive: false,
                        can_hear: false,
                        drive_needs: vec![],
                        hear_needs: vec![],
                    });
                    found.len() - 1
                });
                let reach = &mut found[i];
                reach.through.extend(
                    through
                        .into_iter()
                        .filter(|p| !reach.through.contains(p))
                        .collect::<Vec<_>>(),
                );
                if hearing {
                    reach.can_hear = self.can_hear(pin);
                    reach.hear_needs = needs;
                } else {
                    reach.can_drive = self.can_drive(pin);
                    reach.drive_needs = needs;
                }
            }
        }
        found
    }

    /// Nodes reached from `start` over traces, clips and parts, with the parts and conditions on the way, nearest
    /// first: along one-way joints when hearing, against them when driving. Rails are not walked through.
    fn walk(&self, start: NodeId, hearing: bool) -> Vec<(NodeId, Vec<PartIndex>, Vec<PinLevel>)> {
        let net = &self.netlist;
        let mut reached: Vec<(_, Vec<PartIndex>, Vec<PinLevel>)> = vec![(start, vec![], vec![])];
        let mut seen = std::collections::HashSet::from([start]);
        let mut queue = VecDeque::from([0]);
        while let Some(i) = queue.pop_front() {
            let (node, through, needs) = reached[i].clone();
            if net.nodes[node.0].place().is_some_and(Place::is_rail) {
                continue;
            }
            for joint in self.drawn.joints[node.0].iter().map(|&j| &net.joints[j]) {
                let Some(next) = crosses(joint, node, hearing) else {
                    continue;
                };
                // A way that takes one pin at both levels is none.
                let clash = |need: &PinLevel| needs.iter().any(|n| n.contradicts(need));
                if !joint.needs.iter().any(clash) && seen.insert(next) {
                    let (mut through, mut needs) = (through.clone(), needs.clone());
                    through.extend(joint.kind.part());
                    for need in &joint.needs {
                        if !needs.contains(need) {
                            needs.push(need.clone());
                        }
                    }
                    queue.push_back(reached.len());
                    reached.push((next, through, needs));
                }
            }
        }
        reached
    }

    /// True if the boundary register has a driver for the pin, the guard rules leave it free, and no compliance
    /// pattern holds it.
    pub fn can_drive(&self, pin: &DevicePin) -> bool {
        let device = &self.devices[pin.device.0];
        let complies = |bsdl: &taploom_bsdl::Device| {
            (device.bit_of(&pin.pin)).is_some_and(|bit| bsdl.is_compliance(bit))
        };
        !self.guard.never_drive.contains(pin)
            && !self.guard.hold.iter().any(|h| h.pin == *pin)
            && !device.bsdl.as_deref().is_some_and(complies)
            && (self.pin_cells(pin)).is_some_and(|cells| cells.driver.is_some())
    }

    /// True if the boundary register has a cell that observes the pin.
    pub fn can_hear(&self, pin: &DevicePin) -> bool {
        self.pin_cells(pin)
            .is_some_and(|cells| cells.observer.is_some())
    }

    fn pin_cells(&self, pin: &DevicePin) -> Option<taploom_bsdl::model::PinCells<'_>> {
        let device = &self.devices[pin.device.0];
        let bsdl = device.bsdl.as_ref()?;
        Some(bsdl.pin_cells(device.bit_of(&pin.pin)?))
    }

    /// The number of the net of each node as everything is drawn: wires, traces, clips, ties, rails and what conducts
    /// in between, enables taken as on.
    pub fn drawn_nets(&self) -> &[usize] {
        &self.drawn.net_of
    }

    fn drawn_net(&self, place: &Place) -> Option<usize> {
        Some(self.drawn.net_of[self.netlist.node(place)?.0])
    }

    /// The places of a net as drawn.
    fn places_of(&self, net: usize) -> impl Iterator<Item = &Place> {
        self.drawn.nodes[net]
            .iter()
            .filter_map(|n| self.netlist.nodes[n.0].place())
    }

    /// True if the two pins are on one net as drawn.
    pub fn same_net_as_drawn(&self, a: &DevicePin, b: &DevicePin) -> bool {
        let net = |pin: &DevicePin| self.drawn_net(&pin.clone().into());
        a == b || net(a).is_some_and(|n| net(b) == Some(n))
    }

    /// All device pins on the net of this one as drawn, itself included.
    pub fn pins_on_net(&self, pin: &DevicePin) -> Vec<DevicePin> {
        match self.drawn_net(&pin.clone().into()) {
            Some(net) => self
                .places_of(net)
                .filter_map(Place::device_pin)
                .cloned()
                .collect(),
            None => vec![pin.clone()],
        }
    }

    /// Ground or the supply that a place is joined to as drawn, itself included.
    pub fn rail_of(&self, place: &Place) -> Option<Place> {
        if place.is_rail() {
            return Some(place.clone());
        }
        self.places_of(self.drawn_net(place)?)
            .find(|p| p.is_rail())
            .cloned()
    }

    /// What else may drive the net of this pin as drawn. Devices of the chain with BSDL are not among it: whether they
    /// drive is for the guard to say.
    pub fn live_drivers(&self, pin: &DevicePin) -> Vec<LiveDriver> {
        let Some(net) = self.drawn_net(&pin.clone().into()) else {
            return vec![];
        };
        let mut live: Vec<_> = self.drawn.drivers[net]
            .iter()
            .map(|d| LiveDriver::Declared(*d))
            .collect();
        live.extend(self.drawn.into[net].iter().filter_map(|&i| {
            let joint = &self.netlist.joints[i];
            joint.kind.part().map(|part| LiveDriver::Part {
                part,
                needs: joint.needs.clone(),
            })
        }));
        live.extend(self.places_of(net).filter_map(|place| match place {
            Place::DevicePin(other)
                if other != pin && self.devices[other.device.0].bsdl.is_none() =>
            {
                Some(LiveDriver::Undescribed(other.clone()))
            }
            rail if rail.is_rail() => Some(LiveDriver::Rail(rail.clone())),
            _ => None,
        }));
        live
    }

    /// What a wire is for.
    pub fn wire_role(&self, wire: WireIndex) -> WireRole {
        let wire = &self.wires[wire.0];
        let ends = [&wire.from, &wire.to];
        let named = |names: &[&str]| {
            ends.iter()
                .any(|e| e.socket_pin().is_some_and(|p| names.contains(&p.signal)))
        };
        let rails = ends.map(|e| self.rail_next_to(e));
        if wire.kind == WireKind::Button {
            WireRole::Button
        } else if rails.contains(&Some(Place::Ground)) || named(&["GND"]) {
            WireRole::Ground
        } else if wire.kind == WireKind::Supply
            || rails.iter().any(Option::is_some)
            || named(&["VCC", "VPP"])
        {
            WireRole::Supply
        } else {
            WireRole::Signal
        }
    }

    /// The rail that a place is, or that its connector pin is declared to be on.
    fn rail_next_to(&self, place: &Place) -> Option<Place> {
        match place {
            Place::ConnectorPin(pin) => {
                let connector = &self.connectors[pin.connector.0];
                connector.pins[*connector.keys.get(&natural_key(&pin.pin))?]
                    .to
                    .clone()
                    .filter(Place::is_rail)
            }
            rail if rail.is_rail() => Some(rail.clone()),
            _ => None,
        }
    }
}

/// The node on the other side of a joint, if one may pass: never over a wire or a tie.
fn crosses(joint: &Joint, node: NodeId, hearing: bool) -> Option<NodeId> {
    let other = if joint.a == node { joint.b } else { joint.a };
    match joint.kind {
        JointKind::Wire(_) | JointKind::Tie => None,
        JointKind::OneWay(_) => ((joint.a == node) == hearing).then_some(other),
        _ => Some(other),
    }
}
