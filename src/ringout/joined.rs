//! From readings to what is joined: which terminals follow which, and which cannot move.

use std::collections::{HashMap, HashSet};

use super::columns::{Columns, is_direct};
use super::observe::{Reaction, Response, StepReading};
use super::plan::Plan;
use super::subject::Subject;

/// What the readings say about two terminals.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Link {
    /// Joined: every driver that could show it did, every time.
    Joined,
    /// Not joined.
    Apart,
    /// One way only: the other driver was not followed. A floating line that follows its neighbour does this.
    OneWay,
    /// At times joined, at times not; or every driver was followed, and yet the two were seen at different levels.
    Unsteady,
    /// No driver alone could show it.
    Unknown,
}

/// Whether a terminal can move.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Stuck {
    /// It moves, or nobody knows.
    No,
    /// Its own driver could not move it from this level.
    Firmly(bool),
    /// It was never heard at another level, but no driver of its own is heard there.
    Perhaps(bool),
}

/// What is joined to what, from all readings.
#[derive(Debug, Clone)]
pub struct Links {
    /// How often a terminal followed another that drove alone.
    followed: HashMap<(usize, usize), u32>,
    /// How often each terminal drove alone.
    rounds: Vec<u32>,
    /// The same while neighbours were driven to the other level.
    followed_against: HashMap<(usize, usize), u32>,
    rounds_against: Vec<u32>,
    /// Terminals that cannot be heard while another drives.
    deaf: HashSet<(usize, usize)>,
    /// Terminals that did not follow one that drove along with others.
    refuted: HashSet<(usize, usize)>,
    heard: Vec<bool>,
    /// Terminals that followed each other and were yet seen at different levels.
    parted: HashSet<(usize, usize)>,
    /// Terminals that were once heard at the opposite of what a driver drove: see
    /// [`moves_alone`](Self::moves_alone).
    erratic: HashSet<usize>,
    /// By terminal: whether it is stuck.
    pub stuck: Vec<Stuck>,
    /// By terminal: the group of joined terminals that it belongs to.
    group: Vec<usize>,
    members: HashMap<usize, Vec<usize>>,
}

impl Links {
    /// Judges all readings.
    pub fn new(subject: &Subject<'_>, plan: &Plan, response: &Response) -> Self {
        let count = subject.terminals.len();
        let mut links = Links {
            followed: HashMap::new(),
            rounds: vec![0; count],
            followed_against: HashMap::new(),
            rounds_against: vec![0; count],
            deaf: HashSet::new(),
            refuted: HashSet::new(),
            heard: vec![false; count],
            parted: HashSet::new(),
            erratic: HashSet::new(),
            stuck: vec![Stuck::No; count],
            group: Vec::new(),
            members: HashMap::new(),
        };
        for (_, terminal) in &plan.ears {
            links.heard[*terminal] = true;
        }
        for reading in &response.steps {
            links.add(subject, plan, reading);
        }
        links.find_stuck(plan, response, count);
        links.find_parted(subject, plan, response);
        links.make_groups(count);
        links
    }

    fn add(&mut self, subject: &Subject<'_>, plan: &Plan, reading: &StepReading) {
        let step = &plan.steps[reading.step];
        let followers: HashSet<usize> = (reading.followers().into_iter())
            .filter(|ear| plan.listens(subject, *ear, step))
            .map(|ear| plan.ears[ear].1)
            .collect();
        if !step.needs.is_empty() {
            let deaf = (0..plan.ears.len()).filter(|ear| !plan.listens(subject, *ear, step));
            self.deaf
                .extend(deaf.map(|ear| (step.terminal, plan.ears[ear].1)));
        }
        if reading.against.iter().all(|a| a.is_empty()) {
            let erratic = reading.opposers().into_iter().map(|ear| plan.ears[ear].1);
            self.erratic.extend(erratic);
        }
        if step.along.is_empty() {
            let (rounds, followed) = if reading.against.iter().all(|a| a.is_empty()) {
                (&mut self.rounds, &mut self.followed)
            } else {
                (&mut self.rounds_against, &mut self.followed_against)
            };
            rounds[step.terminal] += 1;
            for heard in followers.into_iter().filter(|t| *t != step.terminal) {
                *followed.entry((step.terminal, heard)).or_insert(0) += 1;
            }
            return;
        }
        // With others along, following shows nothing: it may be one of them that is heard. Not following does.
        for &driven in step.along.iter().chain([&step.terminal]) {
            let net = subject.terminals[driven].net;
            for heard in (0..subject.terminals.len()).filter(|t| {
                *t != driven && subject.terminals[*t].net == net && !followers.contains(t)
            }) {
                self.refuted.insert((driven, heard));
            }
        }
    }

    /// What one direction says.
    pub(super) fn way(&self, driven: usize, heard: usize) -> Link {
        let can_tell = self.heard[heard] && !self.deaf.contains(&(driven, heard));
        if !can_tell {
            return Link::Unknown;
        }
        let times = |map: &HashMap<_, u32>| map.get(&(driven, heard)).copied().unwrap_or(0);
        match (times(&self.followed), self.rounds[driven]) {
            // A line that floats follows its neighbours as well: what is joined follows its driver alone.
            (f, r)
                if f == r
                    && r > 0
                    && times(&self.followed_against) < self.rounds_against[driven] =>
            {
                Link::Apart
            }
            (0, 0) if self.refuted.contains(&(driven, heard)) => Link::Apart,
            (_, 0) => Link::Unknown,
            (0, _) => Link::Apart,
            (f, r) if f == r => Link::Joined,
            _ => Link::Unsteady,
        }
    }

    /// What the readings say about two terminals.
    pub fn link(&self, a: usize, b: usize) -> Link {
        match self.drivers_say(a, b) {
            Link::Joined if self.parted.contains(&(a.min(b), a.max(b))) => Link::Unsteady,
            link => link,
        }
    }

    fn drivers_say(&self, a: usize, b: usize) -> Link {
        match (self.way(a, b), self.way(b, a)) {
            (Link::Unknown, other) | (other, Link::Unknown) => other,
            (Link::Unsteady, _) | (_, Link::Unsteady) => Link::Unsteady,
            (a, b) if a == b => a,
            _ => Link::OneWay,
        }
    }

    /// Whether `heard` ever followed `driven` when that one drove alone.
    pub fn followed(&self, driven: usize, heard: usize) -> bool {
        self.followed.contains_key(&(driven, heard))
    }

    /// Whether a terminal was once heard at the opposite of what a driver drove: it moves by itself, and whom it follows
    /// may be chance.
    pub(super) fn moves_alone(&self, terminal: usize) -> bool {
        self.erratic.contains(&terminal)
    }

    /// Whether some line was seen to follow another without being joined to it: lines of this harness float and feel
    /// their neighbours.
    pub fn coupled(&self) -> bool {
        !self.parted.is_empty()
            || self
                .followed
                .keys()
                .any(|(a, b)| self.link(*a, *b) == Link::OneWay)
    }

    /// The terminals joined to one, itself included, lowest first.
    pub fn members(&self, terminal: usize) -> &[usize] {
        &self.members[&self.group[terminal]]
    }

    /// Whether two terminals are in one group of joined ones.
    pub fn same_group(&self, a: usize, b: usize) -> bool {
        self.group[a] == self.group[b]
    }

    fn make_groups(&mut self, count: usize) {
        self.group = (0..count).collect();
        let mut pairs: Vec<(usize, usize)> = self.followed.keys().copied().collect();
        pairs.sort_unstable();
        for (a, b) in pairs {
            if self.link(a, b) == Link::Joined {
                let (a, b) = (root(&self.group, a), root(&self.group, b));
                self.group[a.max(b)] = a.min(b);
            }
        }
        for t in 0..count {
            self.group[t] = root(&self.group, t);
            self.members.entry(self.group[t]).or_default().push(t);
        }
    }

    /// What is joined is at one level in every vector, also while neither of the two drives. A floating line that
    /// follows its neighbour's driver is not: it starts at a level of its own, and does not follow what the neighbour
    /// merely follows itself.
    fn find_parted(&mut self, subject: &Subject<'_>, plan: &Plan, response: &Response) {
        let pairs: Vec<(usize, usize)> = (self.followed.keys().copied())
            .map(|(a, b)| (a.min(b), a.max(b)))
            .collect();
        let mut ears: HashMap<usize, Vec<usize>> = HashMap::new();
        for (ear, (_, terminal)) in plan.ears.iter().enumerate() {
            ears.entry(*terminal).or_default().push(ear);
        }
        let columns = if pairs.is_empty() {
            Columns::default()
        } else {
            Columns::new(subject, plan, response)
        };
        for (a, b) in pairs {
            // For a driver without an ear of its own speaks what is truly joined to it.
            let side = |a: usize| -> Vec<usize> {
                let own = ears.get(&a).into_iter().flatten();
                if own.clone().any(|ear| is_direct(subject, plan, *ear)) {
                    return vec![a];
                }
                let with = (self.followed.keys())
                    .filter_map(|(x, y)| (*x == a).then_some(*y).or((*y == a).then_some(*x)))
                    .filter(|x| subject.terminals[*x].net == subject.terminals[a].net)
                    .filter(|x| self.drivers_say(*x, a) == Link::Joined);
                std::iter::once(a).chain(with).collect()
            };
            let same_net = subject.terminals[a].net == subject.terminals[b].net;
            let sides = if same_net {
                [vec![a], vec![b]]
            } else {
                [side(a), side(b)]
            };
            let [x, y] = sides.map(|side| -> Vec<usize> {
                let of = |t: &usize| ears.get(t).map_or(&[][..], Vec::as_slice);
                side.iter().flat_map(|t| of(t).iter().copied()).collect()
            });
            let differ = x.iter().any(|x| y.iter().any(|y| columns.differ(*x, *y)));
            if differ {
                self.parted.insert((a, b));
            }
        }
    }

    fn find_stuck(&mut self, plan: &Plan, response: &Response, count: usize) {
        // The ears that ever read 0, and those that ever read 1.
        let mut ever = [Vec::new(), Vec::new()];
        // What each terminal's own driver could not move it from: None before it drove, Some(None) if it moved.
        let mut firm: Vec<Option<Option<bool>>> = vec![None; count];
        let ears: HashMap<_, usize> = plan.ears.iter().copied().zip(0..).collect();
        for level in [false, true] {
            response.rest.collect(level, &mut ever[usize::from(level)]);
        }
        for reading in &response.steps {
            for level in [false, true] {
                for r in reading.at.iter().chain([&reading.after]) {
                    r.collect(level, &mut ever[usize::from(level)]);
                }
            }
            let step = &plan.steps[reading.step];
            let terminal = step.terminal;
            if let Some(&ear) = ears.get(&(step.pin, terminal)) {
                let now = match reading.reaction(ear) {
                    Reaction::Stays(level) => Some(level),
                    Reaction::Deaf => continue,
                    _ => None,
                };
                firm[terminal] = match firm[terminal] {
                    None => Some(now),
                    // Once moved is moved.
                    Some(before) => Some(before.filter(|b| now == Some(*b))),
                };
            }
        }
        let was = |level: usize, ear: usize| {
            ever[level]
                .get(ear / 64)
                .is_some_and(|w| w >> (ear % 64) & 1 == 1)
        };
        let mut heard = vec![[false; 2]; count];
        for (ear, &(_, terminal)) in plan.ears.iter().enumerate() {
            for level in [0, 1] {
                heard[terminal][level] |= was(level, ear);
            }
        }
        for t in 0..count {
            self.stuck[t] = match (firm[t], heard[t]) {
                (Some(Some(level)), _) => Stuck::Firmly(level),
                (None, [true, false]) => Stuck::Perhaps(false),
                (None, [false, true]) => Stuck::Perhaps(true),
                _ => Stuck::No,
            };
        }
    }
}

fn root(parent: &[usize], mut i: usize) -> usize {
    while parent[i] != i {
        i = parent[i];
    }
    i
}
