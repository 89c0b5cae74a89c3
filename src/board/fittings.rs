//! `[[connector]]`, `[[socket]]`, `[[pull]]`, `[[driver]]` and `[[tie]]` tables.

use std::collections::HashMap;

use super::declared::{Connector, ConnectorPinDeclared, Driver, DriverWhen, Pull, Socket, Tie};
use super::error::Cause;
use super::load::Loader;
use super::lookup::Owner;
use super::names::expand;
use super::place::{ConnectorIndex, ConnectorPin, Level, Place};
use super::shapes::{SHAPES, Shape};
use crate::tables::{Fault, Table, Text, natural_key, not_a_word};

pub(super) const LEVELS: [(&str, Level); 2] = [("high", Level::High), ("low", Level::Low)];
const PULL_HELP: &str = "name the pin that is pulled; where to is said by `to`";

impl<'a> Loader<'a> {
    pub(super) fn read_connectors(&mut self, root: &Table<'a>) {
        // Pins first, for a connector may go to another one that stands further down.
        let mut goals = Vec::new();
        for table in self.reader.each(root, "connector", &["name", "pins"]) {
            let Some(name) = self.reader.need(&table, "name", "name = \"J3\"") else {
                continue;
            };
            self.unique("connector", &name);
            let index = ConnectorIndex(self.board.connectors.len());
            let at = self.reader.locate(table.span.clone());
            let declared = Connector {
                name: name.text.trim().into(),
                pins: vec![],
                at,
                keys: HashMap::new(),
            };
            self.board.connectors.push(declared);
            for (pins, goal) in self
                .reader
                .pairs(&table, "pins", "pins = { 1 = \"U1.12\" }")
            {
                let Some(names) = expand(pins.text) else {
                    self.reader.report(
                        pins.span,
                        Cause::BadRange {
                            written: pins.text.into(),
                        },
                    );
                    continue;
                };
                let from = self.board.connectors[index.0].pins.len();
                for pin in &names {
                    if let Some(first) = self.add_connector_pin(index, pin, &pins) {
                        let name = format!("{}.{pin}", self.board.connectors[index.0].name);
                        let cause = Cause::Twice {
                            what: "pin",
                            name,
                            first,
                        };
                        self.reader.report(pins.span.clone(), cause);
                    }
                }
                let range = from..self.board.connectors[index.0].pins.len();
                if range.len() == names.len() {
                    goals.push((range, index, pins, goal));
                }
            }
        }
        for (range, index, pins, goal) in goals {
            let Some(places) = self.places(&goal) else {
                continue;
            };
            // One rail may serve a whole range of pins.
            let one = matches!(places.as_slice(), [p] if p.is_rail() || *p == Place::Nothing);
            if places.len() != range.len() && !one {
                self.lengths(&pins, range.len(), &goal, places.len());
                continue;
            }
            let declared = &mut self.board.connectors[index.0].pins[range];
            for (pin, to) in declared.iter_mut().zip(places.into_iter().cycle()) {
                if to == Place::ConnectorPin(pin.pin.clone()) {
                    let what = format!("{to} goes to itself");
                    let help = "name the device pin that it goes to".into();
                    let cause = Fault::Conflict { what, help };
                    self.reader.report(goal.span.clone(), cause);
                }
                pin.to = Some(to);
            }
        }
    }

    /// Adds a pin to a connector; if it is there already, the line of the first.
    fn add_connector_pin(
        &mut self,
        index: ConnectorIndex,
        pin: &str,
        text: &Text<'a>,
    ) -> Option<usize> {
        let at = self.reader.locate(text.span.clone());
        let connector = &mut self.board.connectors[index.0];
        let pin = pin.trim();
        match connector.keys.get(&natural_key(pin)) {
            Some(&first) => Some(connector.pins[first].at.line),
            None => {
                connector
                    .keys
                    .insert(natural_key(pin), connector.pins.len());
                let pin = ConnectorPin {
                    connector: index,
                    connector_name: connector.name.clone(),
                    pin: pin.into(),
                };
                connector
                    .pins
                    .push(ConnectorPinDeclared { pin, to: None, at });
                None
            }
        }
    }

    /// Makes the connector pins of a text known: parts, pulls and drivers may name pins that `pins` leaves out.
    pub(super) fn admit(&mut self, text: &Text<'a>) {
        if let Some((name, pins)) = text.text.rsplit_once('.')
            && let Some(Owner::Connector(index)) = self.board.owner(name)
        {
            for pin in expand(pins).unwrap_or_default() {
                if !pin.is_empty() {
                    self.add_connector_pin(index, &pin, text);
                }
            }
        }
    }

    pub(super) fn lengths(
        &mut self,
        left: &Text<'a>,
        left_pins: usize,
        right: &Text<'a>,
        right_pins: usize,
    ) {
        let pins = |n: usize| {
            if n == 1 {
                "1 pin".to_string()
            } else {
                format!("{n} pins")
            }
        };
        let cause = Cause::RangeLengths {
            left: left.text.trim().into(),
            left_pins: pins(left_pins),
            right: right.text.trim().into(),
            right_pins: pins(right_pins),
        };
        self.reader.report(right.span.clone(), cause);
    }

    pub(super) fn read_sockets(&mut self, root: &Table<'a>) {
        for table in self
            .reader
            .each(root, "socket", &["name", "shape", "levels", "clip"])
        {
            let Some(name) = self
                .reader
                .need(&table, "name", "name = \"pattern memory\"")
            else {
                continue;
            };
            self.unique("socket", &name);
            let shape = self
                .reader
                .need(&table, "shape", "shape = \"27C256\"")
                .map(|text| {
                    Shape::named(text.text.trim()).ok_or_else(|| {
                        let cause = not_a_word("shape", text.text, SHAPES.iter().map(|s| s.name));
                        self.reader.report(text.span.clone(), cause);
                    })
                });
            let index = self.board.sockets.len();
            self.board.sockets.push(Socket {
                name: name.text.trim().into(),
                // A wrong shape has been reported; any shape will do to check the rest.
                shape: shape.and_then(Result::ok).unwrap_or(&SHAPES[0]),
                levels: self
                    .reader
                    .text(&table, "levels", "levels = \"TTL 5 V\"")
                    .map(|t| t.text.trim().into()),
                clip: vec![],
                at: self.reader.locate(table.span.clone()),
            });
            for (at, goal) in self
                .reader
                .pairs(&table, "clip", "clip = { 10 = \"U5.7\" }")
            {
                self.read_clip(index, &name, &at, &goal);
            }
        }
    }

    fn read_clip(&mut self, socket: usize, name: &Text<'a>, at: &Text<'a>, goal: &Text<'a>) {
        let full = format!("{}.{}", name.text.trim(), at.text);
        let pins = self
            .board
            .places(&full)
            .map_err(|cause| self.reader.report(at.span.clone(), cause))
            .ok();
        let help = "name the pin of the scan clip's device";
        let goals = self.places(goal).and_then(|goals| {
            self.all(
                goal,
                goals,
                |p| p.device_pin().is_some(),
                "a device pin",
                help,
            )
        });
        let (Some(pins), Some(goals)) = (pins, goals) else {
            return;
        };
        if pins.len() != goals.len() {
            return self.lengths(at, pins.len(), goal, goals.len());
        }
        for (pin, goal_pin) in pins.iter().zip(&goals) {
            let (Some(pin), Some(to)) = (pin.socket_pin(), goal_pin.device_pin()) else {
                continue;
            };
            if let Some((other, _)) = self.board.sockets[socket]
                .clip
                .iter()
                .find(|(n, p)| *n == pin.number || p == to)
            {
                let what =
                    format!("clip: {pin} and pin {other} of the socket cannot both have {to}");
                let what = if *other == pin.number {
                    format!("clip: {pin} has two device pins")
                } else {
                    what
                };
                let help = "give each socket pin its own device pin".into();
                self.reader
                    .report(goal.span.clone(), Fault::Conflict { what, help });
                continue;
            }
            self.board.sockets[socket]
                .clip
                .push((pin.number, to.clone()));
        }
    }

    pub(super) fn read_pulls(&mut self, root: &Table<'a>) {
        for table in self.reader.each(root, "pull", &["pin", "to", "ohms"]) {
            let pin = self.reader.need(&table, "pin", "pin = \"J3.4\"");
            let to = self.reader.need(&table, "to", "to = \"high\"");
            let to = to.and_then(|to| self.reader.word("to", &to, &LEVELS));
            let ohms = self
                .reader
                .whole(&table, "ohms", 1..=100_000_000, "ohms = 10_000");
            let Some(pin) = pin else { continue };
            self.admit(&pin);
            let (Some(pins), Some(to)) = (self.pins(&pin, PULL_HELP), to) else {
                continue;
            };
            for pin in pins {
                self.board.pulls.push(Pull {
                    pin,
                    to,
                    ohms,
                    at: self.reader.locate(table.span.clone()),
                });
            }
        }
    }

    pub(super) fn read_drivers(&mut self, root: &Table<'a>) {
        for table in self.reader.each(root, "driver", &["pin", "when"]) {
            let pin = self.reader.need(&table, "pin", "pin = \"J3.9\"");
            let words = [
                ("always", DriverWhen::Always),
                ("powered", DriverWhen::Powered),
            ];
            let when = self.reader.text(&table, "when", "when = \"powered\"");
            // Without a word the driver is taken as live, which is the safe reading.
            let when = match when {
                Some(text) => self.reader.word("when", &text, &words),
                None => Some(DriverWhen::Always),
            };
            let Some(pin) = pin else { continue };
            self.admit(&pin);
            let (Some(pins), Some(when)) = (self.pins(&pin, "name the pin that is driven"), when)
            else {
                continue;
            };
            for pin in pins {
                self.board.drivers.push(Driver {
                    pin,
                    when,
                    at: self.reader.locate(table.span.clone()),
                });
            }
        }
    }

    pub(super) fn read_ties(&mut self, root: &Table<'a>) {
        for table in self.reader.each(root, "tie", &["pins"]) {
            const EXAMPLE: &str = "pins = [\"pattern memory.1\", \"pattern memory.28\"]";
            if !table.has("pins") {
                self.reader.missing(&table, "pins", EXAMPLE);
                continue;
            }
            let texts = self.reader.texts(&table, "pins", EXAMPLE);
            let pins: Vec<Option<Vec<Place>>> = texts
                .iter()
                .map(|t| self.pins(t, "tie pins; a pin on a rail is said in its connector"))
                .collect();
            let known = pins.iter().all(Option::is_some);
            let pins: Vec<Place> = pins.into_iter().flatten().flatten().collect();
            if known && pins.len() < 2 {
                let what = "a [[tie]] joins two pins or more".into();
                let help = format!("write {EXAMPLE}");
                self.reader
                    .report(table.span.clone(), Fault::Conflict { what, help });
            }
            self.board.ties.push(Tie {
                pins,
                at: self.reader.locate(table.span.clone()),
            });
        }
    }
}
