//! The guard: the only way to an image that may go to the pins in EXTEST.

use crate::bits::Bits;
use crate::board::{Board, DevicePin, DriverWhen, GuardRules, JointKind, Level, PinLevel, Place};

use super::pins::Fixed;
use super::{PinIndex, Pins, Refusal, Why};

/// Lines of an unpowered machine that may be driven at once, unless one control cell enables more: each feeds 10 to
/// 20 mA into the dead rail through a protection diode (common practice).
const LINES_INTO_DEAD_MACHINE: usize = 3;

/// Whether the machine is powered.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum MachinePower {
    /// Off and discharged, as somebody said.
    Off,
    /// On.
    On,
    /// Nobody said; treated as on.
    #[default]
    Unknown,
}

/// What was said about the bench, and what was consented to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Conditions {
    /// Whether the machine is powered.
    pub machine: MachinePower,
    /// The harness is unplugged at the machine, so that nothing of it can be fed through our pins.
    pub unplugged: bool,
    /// Opposing drivers are allowed for one vector, where two pins cannot be told apart otherwise.
    pub brief_fights: bool,
}

/// Something that the guard cannot change and that is to be said before EXTEST.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Note {
    /// A pin that drives whenever EXTEST is on, with its level.
    AlwaysDrives(DevicePin, Level),
    /// One control cell that enables more pins than `max_switching` allows in one update.
    LargeGroup(Vec<DevicePin>),
    /// A device that stays in BYPASS: its pins are live.
    Bypassed(String),
    /// A pin that is held.
    Holds(DevicePin, Level),
}

/// An image that the guard has passed. Its pins are driven as wanted, held as `[guard] hold` says, and all others are
/// off wherever they can be switched off.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct GuardedImage {
    bits: Bits,
    driven: Vec<(PinIndex, bool)>,
}

impl GuardedImage {
    pub(super) fn bits(&self) -> &Bits {
        &self.bits
    }

    /// Every pin that is driven and its level, held and always driving ones included; in rising order.
    pub fn driven(&self) -> &[(PinIndex, bool)] {
        &self.driven
    }

    /// The level that a pin is driven to; `None` if its driver is off.
    pub fn level_of(&self, pin: PinIndex) -> Option<bool> {
        let i = self.driven.binary_search_by_key(&pin, |(p, _)| *p).ok()?;
        Some(self.driven[i].1)
    }
}

/// What shares a net as drawn.
#[derive(Debug, Clone, Default)]
pub(super) struct Net {
    pub(super) pins: Vec<PinIndex>,
    pub(super) live: Vec<Live>,
    /// Has a socket pin.
    into_machine: bool,
    /// Has a socket or connector pin or an end of a wire: the harness may reach it.
    pub(super) outside: bool,
}

/// Something on a net that drives, or may.
#[derive(Debug, Clone)]
pub(super) enum Live {
    Declared(String),
    Part(String, Vec<PinLevel>),
    Undescribed(DevicePin),
    Bypassed(DevicePin),
    Rail(Place),
}

/// The guard over one chain on one board.
///
/// [`Guard::image`] is the only maker of a [`GuardedImage`], and a guarded image is all that a
/// [`Batch`](super::Batch) takes.
#[derive(Debug, Clone)]
pub struct Guard<'a> {
    pins: &'a Pins,
    rules: &'a GuardRules,
    conditions: Conditions,
    nets: Vec<Net>,
    net_of: Vec<usize>,
    never: Vec<bool>,
    /// By pin: it is an enable or a direction of a part that drives when it is on.
    switches: Vec<bool>,
    held: Vec<(PinIndex, bool)>,
    rest: GuardedImage,
}

impl<'a> Guard<'a> {
    /// A guard for this board, these pins and these conditions.
    ///
    /// # Errors
    /// A [`Refusal`] if EXTEST is out of the question: the machine is on or may be, or what drives at rest (held pins
    /// and pins without an enable) is already at odds with the board.
    pub fn new(board: &'a Board, pins: &'a Pins, conditions: Conditions) -> Result<Self, Refusal> {
        let power = match conditions.machine {
            MachinePower::Off => None,
            MachinePower::On => Some("on"),
            MachinePower::Unknown => Some("not known to be off"),
        };
        if let Some(power) = power {
            return Err(Refusal {
                pin: None,
                why: Why::MachinePower(power),
            });
        }
        let (nets, net_of) = nets(board, pins);
        let find = |p: &DevicePin| pins.find(p);
        let mut never = vec![false; pins.len()];
        for pin in board.guard.never_drive.iter().filter_map(find) {
            never[pin.0] = true;
        }
        let mut switches = vec![false; pins.len()];
        let live = nets.iter().flat_map(|n| &n.live);
        let needs = live.flat_map(|l| match l {
            Live::Part(_, needs) => &needs[..],
            _ => &[],
        });
        for pin in needs.filter_map(|n| find(n.pin.device_pin()?)) {
            switches[pin.0] = true;
        }
        let held: Vec<_> = (board.guard.hold.iter())
            .filter_map(|h| Some((find(&h.pin)?, h.level.bit())))
            .collect();
        let mut guard = Guard {
            pins,
            rules: &board.guard,
            conditions,
            nets,
            net_of,
            never,
            switches,
            held,
            rest: GuardedImage {
                bits: Bits::new(),
                driven: Vec::new(),
            },
        };
        for &(pin, level) in &guard.held {
            guard.may_drive(pin, level)?;
        }
        guard.rest = guard.build(&[])?;
        Ok(guard)
    }

    /// The pins that the guard stands over.
    pub fn pins(&self) -> &'a Pins {
        self.pins
    }

    /// The board's rules.
    pub fn rules(&self) -> &'a GuardRules {
        self.rules
    }

    /// What was said and consented to.
    pub fn conditions(&self) -> Conditions {
        self.conditions
    }

    /// The image that drives nothing but held pins and pins that cannot be switched off.
    pub fn rest(&self) -> &GuardedImage {
        &self.rest
    }

    /// What cannot be changed and is to be said.
    pub fn notes(&self) -> Vec<Note> {
        let name = |p: &PinIndex| self.pins.get(*p).pin.clone();
        let mut notes = Vec::new();
        for seat in self.pins.seats().iter().filter(|s| !s.takes_part) {
            notes.push(Note::Bypassed(seat.name.to_string()));
        }
        for (pin, level) in &self.rest.driven {
            let level = Level::from(*level);
            notes.push(match self.held.iter().any(|(p, _)| p == pin) {
                true => Note::Holds(name(pin), level),
                false => Note::AlwaysDrives(name(pin), level),
            });
        }
        for (index, _) in self.pins.iter() {
            let group = self.pins.group(index);
            if group.len() > self.rules.max_switching as usize && group[0] == index {
                notes.push(Note::LargeGroup(group.iter().map(name).collect()));
            }
        }
        notes
    }

    /// The image in which exactly the wanted pins are driven, beside what is held and what always drives. Pins under
    /// a wanted pin's control cell are driven too, to the same level unless they are wanted themselves.
    ///
    /// # Errors
    /// A [`Refusal`] for the first pin that may not be driven so.
    pub fn image(&self, wanted: &[(PinIndex, bool)]) -> Result<GuardedImage, Refusal> {
        for &(pin, level) in wanted {
            self.may_drive(pin, level)?;
        }
        let image = self.build(wanted)?;
        self.feeds_machine(wanted, &image)?;
        Ok(image)
    }

    /// Whether two pins are on one net as drawn.
    pub fn same_net(&self, a: PinIndex, b: PinIndex) -> bool {
        self.net_of[a.0] == self.net_of[b.0]
    }

    /// Whether the pin drives whenever EXTEST is on.
    pub fn always_drives(&self, pin: PinIndex) -> bool {
        self.rest.level_of(pin).is_some()
    }

    /// Whether a `[[driver]]` that is live drives the pin's net: what is read there says nothing about our drivers.
    pub fn driven_by_others(&self, pin: PinIndex) -> bool {
        let live = &self.nets[self.net_of[pin.0]].live;
        live.iter().any(|l| matches!(l, Live::Declared(_)))
    }

    /// Whether the pin switches a part on or turns it round, so that others come to drive by it.
    pub(super) fn switches_part(&self, pin: PinIndex) -> bool {
        self.switches[pin.0]
    }

    /// The rules that look at the pin alone.
    fn may_drive(&self, pin: PinIndex, level: bool) -> Result<(), Refusal> {
        let scan = self.pins.get(pin);
        let why = match (scan.fixed, scan.drive) {
            (Some(Fixed::Tap), _) => Some(Why::Tap),
            (Some(Fixed::Compliance), _) => Some(Why::Compliance),
            (Some(Fixed::Linkage), _) => Some(Why::Linkage),
            (None, None) => Some(Why::NoDriver),
            (None, Some(_)) if self.never[pin.0] => Some(Why::NeverDrive),
            (None, Some(_)) if scan.driving_cells > 1 => {
                Some(Why::SeveralDrivers(scan.driving_cells))
            }
            (None, Some(drive)) if !drive.can(level) => Some(Why::OneLevel(level)),
            _ => None,
        };
        let held = self.held.iter().find(|(p, l)| *p == pin && *l != level);
        match why.or(held.map(|(_, l)| Why::Held(Level::from(*l)))) {
            Some(why) => Err(Refusal::of(&scan.pin, why)),
            None => Ok(()),
        }
    }

    fn build(&self, wanted: &[(PinIndex, bool)]) -> Result<GuardedImage, Refusal> {
        let all: Vec<(PinIndex, bool)> = self.held.iter().chain(wanted).copied().collect();
        // The image at rest is the ground that every other stands on; only the first has none yet.
        let (mut bits, mut driven) = match self.rest.bits.is_empty() {
            true => (self.pins.quiet_image(), Vec::new()),
            false => (self.rest.bits.clone(), self.rest.driven.clone()),
        };
        let fresh = if self.rest.bits.is_empty() {
            &all[..]
        } else {
            wanted
        };
        for &(pin, level) in fresh {
            self.pins.put(&mut bits, pin, level, &all);
        }
        if self.rest.bits.is_empty() {
            driven = self.pins.driven(&bits);
        } else {
            let touched = fresh.iter().flat_map(|(p, _)| self.pins.group(*p));
            for &pin in touched {
                driven.retain(|(p, _)| *p != pin);
                driven.extend(self.pins.driven_level(pin, &bits).map(|l| (pin, l)));
            }
            driven.sort_unstable();
        }
        let image = GuardedImage { bits, driven };
        // A refusal should name what is wanted: neighbours that it switches on first, then itself, then the rest.
        let is_wanted = |p: &PinIndex| wanted.iter().any(|(w, _)| w == p);
        let mut order = image.driven.clone();
        order.sort_by_key(|(p, _)| match is_wanted(p) {
            false if self.pins.group(*p).iter().any(is_wanted) => 0,
            true => 1,
            false => 2,
        });
        for (pin, level) in order {
            let asked = all.iter().any(|(p, _)| *p == pin);
            if let Some(why) = self.at_odds(pin, level, &image, asked) {
                return Err(self.blame(pin, why, &all));
            }
        }
        Ok(image)
    }

    /// Why a pin that an image drives must not be driven so; `asked`: somebody wants it or holds it.
    fn at_odds(
        &self,
        pin: PinIndex,
        level: bool,
        image: &GuardedImage,
        asked: bool,
    ) -> Option<Why> {
        let scan = self.pins.get(pin);
        let always = scan.drive.is_some_and(|d| d.enable.is_none());
        if !asked && self.never[pin.0] {
            return Some(if always {
                Why::NeverButAlways
            } else {
                Why::NeverDrive
            });
        }
        match scan.fixed {
            Some(Fixed::Tap) => return Some(Why::Tap),
            Some(Fixed::Compliance) => return Some(Why::Compliance),
            // Some files give cells to pins that they call linkage: without an enable they drive anyway.
            Some(Fixed::Linkage) if !always => return Some(Why::Linkage),
            _ => {}
        }
        let net = &self.nets[self.net_of[pin.0]];
        for other in net.pins.iter().filter(|p| **p != pin) {
            if let Some(l) = image.level_of(*other).filter(|l| *l != level) {
                return Some(Why::Opposed {
                    other: self.pins.get(*other).pin.to_string(),
                    level: Level::from(l),
                });
            }
        }
        net.live.iter().find_map(|live| match live {
            Live::Declared(pin) => Some(Why::DeclaredDriver(pin.clone())),
            Live::Part(part, needs) => {
                (!needs.iter().any(|n| self.denied(n, image))).then(|| Why::Part {
                    part: part.clone(),
                    needs: needs.clone(),
                })
            }
            // A pin that always drives is never joined to another driver by design: the other one listens.
            Live::Undescribed(_) | Live::Bypassed(_) if always => None,
            Live::Undescribed(pin) => Some(Why::Undescribed(pin.to_string())),
            Live::Bypassed(pin) => Some(Why::Bypassed(pin.to_string())),
            Live::Rail(rail) => Some(Why::Rail(rail.clone())),
        })
    }

    /// Whether the image drives the pin of a condition to the other level.
    fn denied(&self, need: &PinLevel, image: &GuardedImage) -> bool {
        (need.pin.device_pin())
            .and_then(|p| self.pins.find(p))
            .and_then(|p| image.level_of(p))
            .is_some_and(|level| level != need.level.bit())
    }

    /// The refusal for a pin that is driven: its own if it was asked for, else that of the pin whose control cell
    /// switches it on.
    fn blame(&self, pin: PinIndex, why: Why, asked: &[(PinIndex, bool)]) -> Refusal {
        let scan = self.pins.get(pin);
        let is_asked = |p: &PinIndex| asked.iter().any(|(a, _)| a == p);
        if !is_asked(&pin)
            && let Some(cause) = self.pins.group(pin).iter().find(|p| is_asked(p))
        {
            let neighbour = scan.pin.to_string();
            let why = Box::new(why);
            return Refusal::of(
                &self.pins.get(*cause).pin,
                Why::Neighbour { neighbour, why },
            );
        }
        Refusal::of(&scan.pin, why)
    }

    fn feeds_machine(
        &self,
        wanted: &[(PinIndex, bool)],
        image: &GuardedImage,
    ) -> Result<(), Refusal> {
        if self.conditions.unplugged {
            return Ok(());
        }
        let mut nets: Vec<usize> = (image.driven.iter())
            .filter(|(p, _)| !self.always_drives(*p))
            .map(|(p, _)| self.net_of[p.0])
            .filter(|n| self.nets[*n].into_machine)
            .collect();
        nets.sort_unstable();
        nets.dedup();
        let largest = (wanted.iter())
            .map(|(p, _)| self.pins.group(*p).len())
            .max()
            .unwrap_or(0);
        if nets.len() > LINES_INTO_DEAD_MACHINE.max(largest)
            && let Some((pin, _)) = wanted.last()
        {
            let lines = nets.len();
            return Err(Refusal::of(
                &self.pins.get(*pin).pin,
                Why::Backpower { lines },
            ));
        }
        Ok(())
    }
}

/// The nets as drawn with what drives on them, and the net of each pin.
pub(super) fn nets(board: &Board, pins: &Pins) -> (Vec<Net>, Vec<usize>) {
    let drawn = board.drawn_nets();
    let count = drawn.iter().max().map_or(0, |m| m + 1);
    let mut nets = vec![Net::default(); count];
    let netlist = &board.netlist;
    for (node, &net) in netlist.nodes.iter().zip(drawn) {
        let live = match node.place() {
            Some(Place::SocketPin(_)) => {
                nets[net].into_machine = true;
                nets[net].outside = true;
                None
            }
            Some(Place::ConnectorPin(_)) => {
                nets[net].outside = true;
                None
            }
            Some(Place::DevicePin(pin)) => bystander(board, pins, pin),
            Some(rail) if rail.is_rail() => Some(Live::Rail(rail.clone())),
            _ => None,
        };
        nets[net].live.extend(live);
    }
    // A wire that is soldered straight to device pins is of the harness as well.
    for wire in &board.wires {
        for node in [&wire.from, &wire.to]
            .into_iter()
            .filter_map(|p| netlist.node(p))
        {
            nets[drawn[node.0]].outside = true;
        }
    }
    for (node, driver) in &netlist.drivers {
        let declared = &board.drivers[driver.0];
        // With the machine off, which every guard demands, its own drivers are dead.
        if declared.when == DriverWhen::Always {
            let live = Live::Declared(declared.pin.to_string());
            nets[drawn[node.0]].live.push(live);
        }
    }
    for joint in &netlist.joints {
        if let JointKind::OneWay(part) = joint.kind {
            let live = Live::Part(board.parts[part.0].name.clone(), joint.needs.clone());
            nets[drawn[joint.b.0]].live.push(live);
        }
    }
    let mut net_of = Vec::with_capacity(pins.len());
    for (index, pin) in pins.iter() {
        // Every pin of every package is a node of the netlist; one that is not gets a net of its own.
        let net = match netlist.node(&pin.pin.clone().into()) {
            Some(node) => drawn[node.0],
            None => {
                nets.push(Net::default());
                nets.len() - 1
            }
        };
        net_of.push(net);
        nets[net].pins.push(index);
    }
    (nets, net_of)
}

/// A device pin that may drive and that boundary scan has no hold of; `None` for pins of devices that take part, for
/// inputs, and for devices that are not on the chain.
fn bystander(board: &Board, pins: &Pins, pin: &DevicePin) -> Option<Live> {
    let seat = pins.seats().iter().find(|s| s.device == pin.device)?;
    let declared = &board.devices[pin.device.0];
    let Some(bsdl) = &declared.bsdl else {
        return Some(Live::Undescribed(pin.clone()));
    };
    use taploom_bsdl::model::PortMode::{Buffer, InOut, Out};
    let mode = declared
        .bit_of(&pin.pin)
        .and_then(|bit| bsdl.port_of(bit))
        .map(|p| p.mode);
    let may_drive = matches!(mode, Some(Out | InOut | Buffer));
    (!seat.takes_part && may_drive).then(|| Live::Bypassed(pin.clone()))
}
