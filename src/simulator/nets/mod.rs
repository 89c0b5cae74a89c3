//! Nets: what drives, pulls and joins them, and the level that comes of it.
//!
//! A net is everything that shares a level: pins and wires joined by less than a kilo-ohm. What acts on it is a
//! [`Source`]; the least ohms win. Where nothing acts, the charge stays or follows a neighbour, see [`Floating`].
//! Levels are worked out only where something has changed.
//!
//! Whenever nets have come to rest the watcher looks at them, see [`watch`].

mod watch;

use super::bench_file::{Floating, ShortBehaviour};
use super::chance::{Chance, mix};
use super::witness::{BackFeed, Fight, Strain};

/// A net, by position.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Net(pub(super) u32);

/// Something that acts on a net, by position.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct SourceId(u32);

/// What a source does at present.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Action {
    /// Nothing.
    Off,
    /// Drives, as an enabled output does.
    Drive(bool),
    /// Drives, and changes all the time.
    Moving,
    /// Pulls through a resistance, in ohms.
    Pull(bool, u32),
    /// Holds what is there, weakly.
    Keep,
    /// Is joined to ground or to a supply.
    Rail(bool),
    /// Is an output without power: a line that is driven high feeds current into it.
    Dead,
}

/// Ohms of an enabled output.
const DRIVER_OHMS: u32 = 30;
/// Ohms of one that wins over others on its net.
const STRONG_OHMS: u32 = 10;
/// Ohms of a keeper.
const KEEPER_OHMS: u32 = 100_000;
/// Nets joined by less than this count as one for the watcher.
pub(super) const JOINED_OHMS: u32 = 1_000;
/// A moving line may change every so many nanoseconds.
const MOVING_NS: u64 = 10_000;
/// What a wire and an input hold, in picofarads. A level crosses the middle after 0.69 of ohms times farads.
const LINE_PF: u64 = 50;

#[derive(Debug)]
struct Source {
    net: Net,
    label: String,
    strong: bool,
    action: Action,
}

#[derive(Debug, Default)]
struct State {
    name: String,
    sources: Vec<u32>,
    behaviour: ShortBehaviour,
    level: bool,
    /// What wins: level, ohms, and the link it comes by.
    drive: Option<(bool, u32, Option<u32>)>,
    fighting: bool,
    straining: bool,
    /// One-way joints that look at this net.
    seen_by: Vec<u32>,
    links: Vec<u32>,
    /// Links that this net switches on or off.
    switches: Vec<u32>,
    /// Nets that follow this one's edges while they float.
    followers: Vec<Net>,
    queued: bool,
}

/// A buffer: drives its output with its input while its needs are met.
#[derive(Debug)]
struct OneWay {
    from: Net,
    output: SourceId,
    needs: Vec<(Net, bool)>,
}

/// What comes through a link: level and ohms, if anything does.
type Push = Option<(bool, u32)>;

/// Two nets joined by a resistance, or only at times.
#[derive(Debug)]
struct Link {
    ends: [Net; 2],
    ohms: u32,
    /// How long a change takes to come through, by the charge of the line.
    delay_ns: u64,
    /// Chance in a million to be open at a look.
    open_ppm: u32,
    drawn_open: bool,
    needs: Vec<(Net, bool)>,
    /// Open now, for either reason.
    open: bool,
    /// What has come through from end 0 to end 1, and the other way.
    through: [Push; 2],
    /// What is on its way, and when it will be there.
    coming: [Option<(u64, Push)>; 2],
}

/// All nets of a bench.
#[derive(Debug)]
pub(super) struct Nets {
    states: Vec<State>,
    sources: Vec<Source>,
    one_ways: Vec<OneWay>,
    links: Vec<Link>,
    floating: Floating,
    seed: u64,
    chance: Chance,
    queue: Vec<Net>,
    touched: Vec<Net>,
    moving: usize,
    now_ns: u64,
    fight_count: u64,
    fights: Vec<Fight>,
    strains: Vec<Strain>,
    straining: Vec<Net>,
    back_feeds: Vec<BackFeed>,
    feeding: Vec<Net>,
}

impl Nets {
    pub(super) fn new(seed: u64, floating: Floating) -> Self {
        Self {
            states: vec![],
            sources: vec![],
            one_ways: vec![],
            links: vec![],
            floating,
            seed,
            chance: Chance::new(mix(seed ^ 0x6e65_7473)),
            queue: vec![],
            touched: vec![],
            moving: 0,
            now_ns: 0,
            fight_count: 0,
            fights: vec![],
            strains: vec![],
            straining: vec![],
            back_feeds: vec![],
            feeding: vec![],
        }
    }

    /// A new net; before anything drives it, its level follows from the seed.
    pub(super) fn add(&mut self, name: impl Into<String>, behaviour: ShortBehaviour) -> Net {
        let level = match self.floating {
            Floating::Low => false,
            Floating::High => true,
            Floating::Keep | Floating::Neighbours => self.chance.bit(),
        };
        self.states.push(State {
            name: name.into(),
            behaviour,
            level,
            ..State::default()
        });
        Net(self.states.len() as u32 - 1)
    }

    /// A new source that does nothing yet. A `strong` one wins over other drivers.
    pub(super) fn source(&mut self, net: Net, label: impl Into<String>, strong: bool) -> SourceId {
        let id = self.sources.len() as u32;
        self.sources.push(Source {
            net,
            label: label.into(),
            strong,
            action: Action::Off,
        });
        self.state(net).sources.push(id);
        SourceId(id)
    }

    /// A buffer from `from` to the net of `output`, on while every net in `needs` has its level.
    pub(super) fn one_way(&mut self, from: Net, output: SourceId, needs: Vec<(Net, bool)>) {
        let id = self.one_ways.len() as u32;
        for net in needs.iter().map(|(net, _)| *net).chain([from]) {
            self.state(net).seen_by.push(id);
            self.touch(net);
        }
        self.one_ways.push(OneWay {
            from,
            output,
            needs,
        });
    }

    /// A resistance between two nets, open at a look with a chance of `open_ppm` in a million, and while a net in
    /// `needs` has another level.
    pub(super) fn link(
        &mut self,
        a: Net,
        b: Net,
        ohms: u32,
        open_ppm: u32,
        needs: Vec<(Net, bool)>,
    ) {
        let id = self.links.len() as u32;
        for &(net, _) in &needs {
            self.state(net).switches.push(id);
        }
        self.links.push(Link {
            ends: [a, b],
            ohms,
            delay_ns: u64::from(ohms) * LINE_PF * 69 / 100_000,
            open_ppm,
            drawn_open: false,
            open: needs.iter().any(|(n, level)| self.level(*n) != *level),
            needs,
            through: [None; 2],
            coming: [None; 2],
        });
        // Charge passes through any resistance: before anything drives, both ends are at one level.
        if !self.links[id as usize].open {
            let level = self.level(a);
            self.charge(b, level);
        }
        for net in [a, b] {
            self.state(net).links.push(id);
            self.touch(net);
        }
    }

    /// Puts a net, and what is already linked to it, at a level.
    fn charge(&mut self, net: Net, level: bool) {
        let mut left = vec![net];
        while let Some(net) = left.pop() {
            if self.level(net) != level {
                self.state(net).level = level;
                let links = self.states[net.0 as usize].links.iter();
                let linked = links.map(|l| &self.links[*l as usize]).filter(|l| !l.open);
                left.extend(linked.flat_map(|l| l.ends));
            }
        }
    }

    /// Lines that lie side by side, in order: the line itself, and the ends that may have come off it. Each end
    /// follows one of the lines beside it, by the seed.
    pub(super) fn ribbon(&mut self, lines: &[(Net, Vec<Net>)]) {
        for (i, (_, ends)) in lines.iter().enumerate() {
            let before = i.checked_sub(1).map(|i| lines[i].0);
            let after = lines.get(i + 1).map(|(line, _)| *line);
            for &end in ends {
                let leader = match (before, after) {
                    (Some(a), Some(b)) => Some(if self.chance.bit() { a } else { b }),
                    (a, b) => a.or(b),
                };
                if let Some(leader) = leader.filter(|l| *l != end) {
                    self.state(leader).followers.push(end);
                }
            }
        }
    }

    /// Changes what a source does; takes effect at the next [`Self::settle`].
    pub(super) fn set(&mut self, source: SourceId, action: Action) {
        let source = &mut self.sources[source.0 as usize];
        if source.action == action {
            return;
        }
        self.moving += usize::from(action == Action::Moving);
        self.moving -= usize::from(source.action == Action::Moving);
        source.action = action;
        let net = source.net;
        self.touch(net);
    }

    /// The level of a net, as of the last [`Self::settle`].
    pub(super) fn level(&self, net: Net) -> bool {
        self.states[net.0 as usize].level
    }

    /// Whether something has changed since the last [`Self::settle`].
    pub(super) fn is_stirred(&self) -> bool {
        !self.queue.is_empty()
    }

    /// Works out all levels at a moment, and looks for drivers at odds.
    pub(super) fn settle(&mut self, now_ns: u64) {
        let slot = |ns| ns / MOVING_NS;
        if self.moving > 0 && slot(now_ns) != slot(self.now_ns) {
            for i in 0..self.sources.len() {
                if self.sources[i].action == Action::Moving {
                    self.touch(self.sources[i].net);
                }
            }
        }
        self.now_ns = now_ns;
        for i in 0..self.links.len() {
            for way in 0..2 {
                if let Some((due, value)) = self.links[i].coming[way]
                    && due <= now_ns
                {
                    self.links[i].coming[way] = None;
                    self.links[i].through[way] = value;
                    self.touch(self.links[i].ends[1 - way]);
                }
            }
        }
        // Rings of buffers may never come to rest: they are left as they are after so many rounds.
        let mut left = 64 * (self.states.len() + 16);
        while let Some(net) = self.queue.pop() {
            self.state(net).queued = false;
            self.resolve(net);
            left -= 1;
            if left == 0 {
                break;
            }
        }
        while let Some(net) = self.touched.pop() {
            self.watch(net);
        }
    }

    /// A look at the lines (a capture): joints that hold only at times are drawn anew.
    pub(super) fn look(&mut self) {
        for i in 0..self.links.len() {
            if self.links[i].open_ppm > 0 {
                let open = self
                    .chance
                    .hits(self.links[i].open_ppm.saturating_mul(1000));
                self.links[i].drawn_open = open;
                self.switch(i as u32);
            }
        }
    }

    /// Opens or closes a link by its draw and its needs.
    fn switch(&mut self, link: u32) {
        let joint = &self.links[link as usize];
        let unmet = |(net, level): &(Net, bool)| self.level(*net) != *level;
        let open = joint.drawn_open || joint.needs.iter().any(unmet);
        if open != joint.open {
            let ends = joint.ends;
            self.links[link as usize].open = open;
            for net in ends {
                self.touch(net);
                self.send(link, net);
            }
        }
    }

    fn state(&mut self, net: Net) -> &mut State {
        &mut self.states[net.0 as usize]
    }

    fn touch(&mut self, net: Net) {
        let state = &mut self.states[net.0 as usize];
        if !state.queued {
            state.queued = true;
            self.queue.push(net);
        }
    }

    /// What a moving source drives at present.
    fn moving_level(&self, source: u32) -> bool {
        mix(self.seed ^ mix(u64::from(source) << 32 | 0x6d6f) ^ (self.now_ns / MOVING_NS)) & 1 == 1
    }

    /// Works out one net and queues what depends on it.
    fn resolve(&mut self, net: Net) {
        let index = net.0 as usize;
        let state = &self.states[index];
        // The best way to each level: ohms and link.
        let mut best: [Option<(u32, Option<u32>)>; 2] = [None; 2];
        let mut offer = |level: bool, ohms: u32, via: Option<u32>| {
            let held = &mut best[usize::from(level)];
            if held.is_none_or(|(o, _)| ohms < o) {
                *held = Some((ohms, via));
            }
        };
        for &id in &state.sources {
            let source = &self.sources[id as usize];
            let driver = if source.strong {
                STRONG_OHMS
            } else {
                DRIVER_OHMS
            };
            match source.action {
                Action::Off | Action::Dead => {}
                Action::Drive(level) => offer(level, driver, None),
                Action::Moving => offer(self.moving_level(id), driver, None),
                Action::Pull(level, ohms) => offer(level, ohms, None),
                Action::Keep => offer(state.level, KEEPER_OHMS, None),
                Action::Rail(level) => offer(level, 0, None),
            }
        }
        for &id in &state.links {
            let link = &self.links[id as usize];
            let way = usize::from(link.ends[0] == net);
            // `through[1]` runs from end 1 to end 0.
            if let Some((level, ohms)) = link.through[way].filter(|_| !link.open) {
                offer(level, ohms, Some(id));
            }
        }
        let drive = match best {
            [None, None] => None,
            [Some((ohms, via)), None] => Some((false, ohms, via)),
            [None, Some((ohms, via))] => Some((true, ohms, via)),
            [Some((low, lv)), Some((high, hv))] => {
                let high_wins = match low.cmp(&high) {
                    std::cmp::Ordering::Less => false,
                    std::cmp::Ordering::Greater => true,
                    std::cmp::Ordering::Equal => state.behaviour == ShortBehaviour::WiredOr,
                };
                Some(if high_wins {
                    (true, high, hv)
                } else {
                    (false, low, lv)
                })
            }
        };
        let level = match (drive, self.floating) {
            (Some((level, ..)), _) => level,
            (None, Floating::Low) => false,
            (None, Floating::High) => true,
            (None, Floating::Keep | Floating::Neighbours) => state.level,
        };
        let edge = level != state.level;
        let changed = edge || drive != state.drive;
        let state = self.state(net);
        state.level = level;
        state.drive = drive;
        self.touched.push(net);
        if changed {
            for i in 0..self.states[index].links.len() {
                let link = self.states[index].links[i];
                self.send(link, net);
            }
        }
        if edge {
            self.edge(net, drive.is_some());
        }
        for i in 0..self.states[index].switches.len() {
            let link = self.states[index].switches[i];
            self.switch(link);
        }
        // The first look at a buffer comes before any edge.
        for i in 0..self.states[index].seen_by.len() {
            let one_way = self.states[index].seen_by[i];
            self.pass_on(one_way);
        }
    }

    /// Lets an edge reach the lines beside it.
    fn edge(&mut self, net: Net, driven: bool) {
        if self.floating != Floating::Neighbours || !driven {
            return;
        }
        let level = self.level(net);
        for i in 0..self.states[net.0 as usize].followers.len() {
            let follower = self.states[net.0 as usize].followers[i];
            let state = self.state(follower);
            if state.drive.is_none() && state.level != level {
                state.level = level;
                self.touch(follower);
            }
        }
    }

    /// Sets a buffer's output by its input and needs.
    fn pass_on(&mut self, one_way: u32) {
        let joint = &self.one_ways[one_way as usize];
        let on = joint
            .needs
            .iter()
            .all(|(n, level)| self.level(*n) == *level);
        let action = if on {
            Action::Drive(self.level(joint.from))
        } else {
            Action::Off
        };
        self.set(joint.output, action);
    }

    /// Sends what a net does through a link, at once or after its delay.
    fn send(&mut self, link: u32, net: Net) {
        let drive = self.states[net.0 as usize].drive;
        let joint = &mut self.links[link as usize];
        let way = usize::from(joint.ends[0] != net);
        // What came by this link is not sent back.
        let value = drive
            .filter(|(_, _, via)| *via != Some(link))
            .map(|(level, ohms, _)| (level, ohms.saturating_add(joint.ohms)));
        let last = joint.coming[way].map_or(joint.through[way], |(_, v)| v);
        if value == last {
            return;
        }
        if joint.delay_ns > 0 && value.is_some() {
            joint.coming[way] = Some((self.now_ns + joint.delay_ns, value));
        } else {
            joint.coming[way] = None;
            joint.through[way] = value;
            let other = joint.ends[1 - way];
            self.touch(other);
        }
    }
}
