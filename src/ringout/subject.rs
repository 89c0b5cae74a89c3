//! The board as a ring-out sees it: terminals, the scan pins that reach them, and the wires between.

use std::collections::{HashMap, HashSet};

use crate::board::{
    Board, DeviceIndex, JointKind, PartIndex, PinLevel, Place, WireIndex, WireRole,
};
use crate::boundary::{PinIndex, Pins};

/// Levels that pins must have for something to work, each pin once.
pub type Needs = Vec<(PinIndex, bool)>;

/// The board as a ring-out sees it.
#[derive(Debug)]
pub struct Subject<'a> {
    /// The board.
    pub board: &'a Board,
    /// The chain's boundary registers.
    pub pins: &'a Pins,
    /// Where wires end or might end by mistake.
    pub terminals: Vec<Terminal>,
    /// The wires, by [`WireIndex`].
    pub lines: Vec<Line>,
}

/// Places that are one without any wire: a header pin with the trace behind it, a socket pin with the clip on it.
#[derive(Debug, Clone)]
pub struct Terminal {
    /// The places, in the order of the board file; the first names the terminal.
    pub places: Vec<Place>,
    /// The number of its net with all wires as drawn: terminals of one number ought to be joined.
    pub net: usize,
    /// The scan pins that reach it, nearest first.
    pub stations: Vec<Station>,
    /// The wires that should end here.
    pub wires: Vec<WireIndex>,
    /// A device's own pin that the board file does not name, beside one that a wire is soldered to: it listens.
    pub bystander: bool,
    /// The supply or ground that it is, by the board file.
    pub rail: Option<Place>,
}

/// A scan pin that reaches a terminal.
#[derive(Debug, Clone)]
pub struct Station {
    /// The pin.
    pub pin: PinIndex,
    /// It can put both levels on the terminal, as far as board file and cells say.
    pub drives: bool,
    /// It can tell the terminal's level.
    pub hears: bool,
    /// What driving takes.
    pub drive_needs: Needs,
    /// What hearing takes.
    pub hear_needs: Needs,
    /// The parts in between.
    pub through: Vec<PartIndex>,
}

/// A wire between two terminals.
#[derive(Debug, Clone)]
pub struct Line {
    /// The wire.
    pub wire: WireIndex,
    /// What it is for.
    pub role: WireRole,
    /// Terminals at `from` and `to`; `None` for an end at nothing.
    pub ends: [Option<usize>; 2],
    /// What it takes for a level to get from end 0 to end 1, and back; `None` if a part in the wire forbids it.
    pub ways: [Option<Needs>; 2],
    /// Its ends are joined even without it.
    pub bridged: bool,
}

impl<'a> Subject<'a> {
    /// The subject of a board with these pins on the chain.
    pub fn new(board: &'a Board, pins: &'a Pins) -> Self {
        let net = &board.netlist;
        let alone = net.net_numbers(|j| {
            j.kind.conducts() && !matches!(j.kind, JointKind::Wire(_) | JointKind::Tie)
        });
        let mut subject = Subject {
            board,
            pins,
            terminals: Vec::new(),
            lines: Vec::new(),
        };
        let rails: HashMap<usize, Place> = (net.nodes.iter().zip(&alone))
            .filter_map(|(node, number)| Some((*number, node.place()?.clone())))
            .filter(|(_, place)| place.is_rail())
            .collect();
        let mut by_number = HashMap::new();
        let mut terminal = |subject: &mut Self, place: &Place| -> Option<usize> {
            let node = net.node(place)?;
            let index = *by_number.entry(alone[node.0]).or_insert_with(|| {
                subject.terminals.push(Terminal {
                    places: Vec::new(),
                    net: board.drawn_nets()[node.0],
                    stations: subject.stations(place),
                    wires: Vec::new(),
                    bystander: false,
                    rail: rails.get(&alone[node.0]).cloned(),
                });
                subject.terminals.len() - 1
            });
            let places = &mut subject.terminals[index].places;
            if !places.contains(place) {
                places.push(place.clone());
            }
            Some(index)
        };
        for node in &net.nodes {
            if let Some(place @ (Place::ConnectorPin(_) | Place::SocketPin(_))) = node.place() {
                terminal(&mut subject, place);
            }
        }
        for (i, wire) in board.wires.iter().enumerate() {
            let index = WireIndex(i);
            let ends = [&wire.from, &wire.to].map(|place| terminal(&mut subject, place));
            for end in ends.iter().flatten() {
                subject.terminals[*end].wires.push(index);
            }
            let drawn = board.wire_ends(index);
            let ways =
                [drawn.forward, drawn.backward].map(|way| way.map(|needs| subject.needs(&needs)));
            subject.lines.push(Line {
                wire: index,
                role: board.wire_role(index),
                ends,
                ways,
                bridged: false,
            });
        }
        // A wire that is soldered straight to a device's pin may have been soldered to another pin of that device.
        let soldered: HashSet<DeviceIndex> = (board.wires.iter())
            .flat_map(|w| [&w.from, &w.to])
            .filter_map(|place| Some(place.device_pin()?.device))
            .collect();
        for (index, pin) in pins.iter() {
            // A driver without an enable must be known: nothing may be driven against it. A pin that comes on along
            // with others would hear itself.
            let live = pin.drive.is_some_and(|d| d.enable.is_none());
            let wanted = (live || pins.can_hear(index)) && pins.group(index).len() == 1;
            let known = subject.terminals.len();
            if wanted
                && soldered.contains(&pin.pin.device)
                && let Some(at) = terminal(&mut subject, &pin.pin.clone().into())
                && at == known
            {
                let added = &mut subject.terminals[at];
                added.bystander = true;
                for station in &mut added.stations {
                    station.drives &= live && station.pin == index;
                }
            }
        }
        subject.find_bridges();
        subject
    }

    fn stations(&self, place: &Place) -> Vec<Station> {
        (self.board.reaches_of(place).into_iter())
            .filter_map(|reach| {
                let pin = self.pins.find(&reach.pin)?;
                Some(Station {
                    pin,
                    drives: reach.can_drive && self.pins.get(pin).drive.is_some(),
                    hears: reach.can_hear && self.pins.can_hear(pin),
                    drive_needs: self.needs(&reach.drive_needs),
                    hear_needs: self.needs(&reach.hear_needs),
                    through: reach.through,
                })
            })
            .collect()
    }

    /// Conditions on scan pins; what is not on the chain is taken as the board file wants it.
    fn needs(&self, needs: &[PinLevel]) -> Needs {
        (needs.iter())
            .filter_map(|n| {
                let pin = self.pins.find(n.pin.device_pin()?)?;
                Some((pin, n.level.bit()))
            })
            .collect()
    }

    /// Marks wires whose ends another wire or a tie joins as well.
    fn find_bridges(&mut self) {
        let net = &self.board.netlist;
        // By net: the lines with an end on it.
        let mut lines_on: HashMap<usize, HashSet<usize>> = HashMap::new();
        for (i, line) in self.lines.iter().enumerate() {
            for end in line.ends.iter().flatten() {
                lines_on
                    .entry(self.terminals[*end].net)
                    .or_default()
                    .insert(i);
            }
        }
        for i in 0..self.lines.len() {
            let [Some(a), Some(b)] = self.lines[i].ends else {
                continue;
            };
            let shared = self.terminals[a].net;
            // Only where the net has more joints than a single wire can there be a second way.
            let others = lines_on.get(&shared).is_some_and(|on| on.len() > 1);
            if a == b {
                self.lines[i].bridged = true;
            } else if others {
                let wire = JointKind::Wire(self.lines[i].wire);
                let numbers = net.net_numbers(|j| j.kind.conducts() && j.kind != wire);
                let node = |t: usize| net.node(&self.terminals[t].places[0]).map(|n| numbers[n.0]);
                self.lines[i].bridged = node(a).is_some() && node(a) == node(b);
            }
        }
    }

    /// The terminal of a place.
    pub fn terminal_at(&self, place: &Place) -> Option<usize> {
        self.terminals.iter().position(|t| t.places.contains(place))
    }

    /// The label of a wire.
    pub fn label(&self, wire: WireIndex) -> &str {
        &self.board.wires[wire.0].label
    }

    /// The wires of a terminal that are no supply or ground wires.
    pub fn signal_wires(&self, terminal: usize) -> impl Iterator<Item = WireIndex> + '_ {
        (self.terminals[terminal].wires.iter().copied())
            .filter(|w| !matches!(self.lines[w.0].role, WireRole::Supply | WireRole::Ground))
    }
}
