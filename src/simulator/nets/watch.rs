//! The watcher: looks at every net that has come to rest after a change.
//!
//! When two enabled drivers on one net are at odds, that is a [`Fight`], counted once until it ends. A driver against a
//! line that is stuck to a supply is a [`Strain`] and counted apart: no test can find a stuck line without trying both
//! levels on it. A line driven high into an output that has no power is a [`BackFeed`].

use super::{Action, JOINED_OHMS, Net, Nets};
use crate::simulator::witness::{BackFeed, Fight, FightPin, Seen, Strain};

/// How many fights are kept with their places; all are counted.
const FIGHTS_KEPT: usize = 1000;

impl Nets {
    /// A boundary update has taken place: counts it for every line that is driven against a supply, or high into an
    /// output without power.
    pub(in crate::simulator) fn count_update(&mut self) {
        for net in &self.straining {
            let name = &self.states[net.0 as usize].name;
            if let Some(strain) = self.strains.iter_mut().find(|s| s.place == *name) {
                strain.updates += 1;
            }
        }
        for net in &self.feeding {
            let name = &self.states[net.0 as usize].name;
            if let Some(feed) = self.back_feeds.iter_mut().find(|s| s.place == *name) {
                feed.updates += 1;
            }
        }
    }

    /// Brings what the witness knows of the nets up to date.
    pub(in crate::simulator) fn tell(&self, seen: &mut Seen) {
        if seen.fight_count != self.fight_count {
            seen.fight_count = self.fight_count;
            let known = seen.fights.len();
            seen.fights.extend_from_slice(&self.fights[known..]);
        }
        seen.strains.clone_from(&self.strains);
        seen.back_feeds.clone_from(&self.back_feeds);
    }

    /// The nets joined to one by closed links of few ohms, itself included, lowest first.
    fn joined(&self, net: Net) -> Vec<Net> {
        let mut group = vec![net];
        let mut at = 0;
        while at < group.len() {
            for &id in &self.states[group[at].0 as usize].links {
                let link = &self.links[id as usize];
                if !link.open && link.ohms < JOINED_OHMS {
                    let other = link.ends[usize::from(link.ends[0] == group[at])];
                    if !group.contains(&other) {
                        group.push(other);
                    }
                }
            }
            at += 1;
        }
        group.sort_unstable();
        group
    }

    /// Looks for drivers at odds on a net that has come to rest.
    pub(super) fn watch(&mut self, net: Net) {
        let group = self.joined(net);
        let net = group[0];
        let state = &self.states[net.0 as usize];
        let (mut drivers, mut seen, mut rail, mut moving) = (0, [false; 2], None, false);
        let mut dead = false;
        for &id in group
            .iter()
            .flat_map(|n| &self.states[n.0 as usize].sources)
        {
            match self.sources[id as usize].action {
                Action::Drive(level) => {
                    drivers += 1;
                    seen[usize::from(level)] = true;
                }
                Action::Moving => {
                    drivers += 1;
                    moving = true;
                }
                Action::Rail(level) => rail = Some(level),
                Action::Dead => dead = true,
                _ => {}
            }
        }
        let feeding = dead && seen[1];
        let fighting = (seen[0] && seen[1]) || (moving && drivers > 1);
        let straining =
            rail.is_some_and(|level| seen[usize::from(!level)] || moving) && drivers > 0;
        if fighting && !state.fighting {
            self.fight_count += 1;
            if self.fights.len() < FIGHTS_KEPT {
                let pin = |id: &u32| {
                    let source = &self.sources[*id as usize];
                    let level = match source.action {
                        Action::Drive(level) => Some(level),
                        Action::Moving => None,
                        _ => return None,
                    };
                    Some(FightPin {
                        pin: source.label.clone(),
                        level,
                    })
                };
                self.fights.push(Fight {
                    place: state.name.clone(),
                    pins: group
                        .iter()
                        .flat_map(|n| &self.states[n.0 as usize].sources)
                        .filter_map(pin)
                        .collect(),
                    at_ns: self.now_ns,
                });
            }
        }
        if straining && !state.straining {
            self.straining.push(net);
            let place = self.states[net.0 as usize].name.clone();
            if !self.strains.iter().any(|s| s.place == place) {
                let level = rail.unwrap_or(false);
                self.strains.push(Strain {
                    place,
                    stuck: level,
                    updates: 0,
                });
            }
        } else if !straining && state.straining {
            self.straining.retain(|n| *n != net);
        }
        let known = self.feeding.contains(&net);
        if feeding && !known {
            self.feeding.push(net);
            let place = self.states[net.0 as usize].name.clone();
            if !self.back_feeds.iter().any(|f| f.place == place) {
                self.back_feeds.push(BackFeed { place, updates: 0 });
            }
        } else if known && !feeding {
            self.feeding.retain(|n| *n != net);
        }
        let state = self.state(net);
        state.fighting = fighting;
        state.straining = straining;
    }
}
