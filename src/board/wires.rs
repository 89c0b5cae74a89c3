//! Wires, from the harness file and from `[[wire]]` tables, and `[guard]`.

use std::collections::{HashMap, HashSet};
use std::ops::Range;

use super::declared::{GuardRules, Hold, Wire, WireKind};
use super::error::{Cause, Problem};
use super::fittings::LEVELS;
use super::harness::{self, COLUMNS, Cell, Row};
use super::library::fnv1a;
use super::load::Loader;
use super::place::{DevicePin, Place, WireIndex};
use crate::tables::{Fault, Table, Text, natural_key, not_a_word};

const KINDS: [(&str, WireKind); 2] = [("button", WireKind::Button), ("supply", WireKind::Supply)];

impl<'a> Loader<'a> {
    pub(super) fn read_harness(&mut self, name: &Text<'a>) {
        let Some((path, bytes)) = self.file("harness file", name) else {
            return;
        };
        self.print = fnv1a(self.print, &bytes);
        let rows = harness::read(path, &bytes, &mut self.reader.problems);
        self.add_wires(rows);
    }

    pub(super) fn read_wires(&mut self, root: &Table<'a>) {
        let mut rows = Vec::new();
        for table in self.reader.each(root, "wire", &COLUMNS) {
            let at = |span: Range<usize>| self.reader.source.locate(span);
            let title = at(table.span.clone());
            let cells =
                COLUMNS.map(
                    |key| match self.reader.text(&table, key, "a text in quotes") {
                        Some(text) => Cell {
                            text: text.text.trim().into(),
                            at: self.reader.locate(text.span),
                            wrong: false,
                        },
                        None => Cell {
                            text: String::new(),
                            at: title.clone(),
                            wrong: table.has(key),
                        },
                    },
                );
            rows.push(Row { cells, at: title });
        }
        self.add_wires(rows);
    }

    fn add_wires(&mut self, rows: Vec<Row>) {
        let mut labels: HashMap<String, usize> = self
            .board
            .wires
            .iter()
            .map(|w| (natural_key(&w.label), w.at.line))
            .collect();
        let mut ends: HashMap<Place, WireIndex> = HashMap::new();
        for (i, wire) in self.board.wires.iter().enumerate() {
            ends.extend([&wire.from, &wire.to].map(|p| (p.clone(), WireIndex(i))));
        }
        let tied: HashSet<Place> = self
            .board
            .ties
            .iter()
            .flat_map(|t| &t.pins)
            .cloned()
            .collect();
        for Row {
            cells: [label, colour, from, to, signal, kind],
            at,
        } in rows
        {
            let mut report = |cell: &Cell, cause| {
                self.reader.problems.push(Problem {
                    at: cell.at.clone(),
                    cause,
                });
            };
            for (cell, key, example) in [
                (&label, "label", "a label, such as W01"),
                (
                    &from,
                    "from",
                    "a place, such as pattern memory.10, or nothing",
                ),
                (&to, "to", "a place, such as J3.1, or nothing"),
            ] {
                if cell.text.is_empty() && !cell.wrong {
                    let table = named(&label);
                    report(
                        cell,
                        Fault::MissingKey {
                            table,
                            key,
                            example,
                        }
                        .into(),
                    );
                }
            }
            if !label.text.is_empty() {
                if let Some(&first) = labels.get(&natural_key(&label.text)) {
                    report(
                        &label,
                        Cause::Twice {
                            what: "wire",
                            name: label.text.clone(),
                            first,
                        },
                    );
                }
                labels
                    .entry(natural_key(&label.text))
                    .or_insert(label.at.line);
            }
            let kind_of = match kind.text.as_str() {
                "" => Some(WireKind::Signal),
                word => KINDS
                    .iter()
                    .find(|(w, _)| w.eq_ignore_ascii_case(word))
                    .map(|(_, k)| *k),
            };
            if kind_of.is_none() {
                let mut cause = not_a_word("kind", &kind.text, KINDS.iter().map(|(w, _)| *w));
                if let Fault::BadValue { expected, .. } = &mut cause {
                    *expected = "empty, button or supply".into();
                }
                report(&kind, cause.into());
            }
            let mut place = |cell: &Cell| match cell.text.as_str() {
                "" => None,
                text => self
                    .board
                    .place(text)
                    .map_err(|cause| report(cell, cause))
                    .ok(),
            };
            let (from_place, to_place) = (place(&from), place(&to));
            if from_place.is_some() && from_place == to_place && from_place != Some(Place::Nothing)
            {
                let (wire, place) = (named(&label), to.text.clone());
                self.reader.problems.push(Problem {
                    at: to.at.clone(),
                    cause: Cause::ToItself { wire, place },
                });
                continue;
            }
            let index = WireIndex(self.board.wires.len());
            for (place, cell) in [(&from_place, &from), (&to_place, &to)] {
                let Some(place) = place
                    .as_ref()
                    .filter(|p| self.ends_one_wire(p) && !tied.contains(p))
                else {
                    continue;
                };
                if let Some(first) = ends.get(place).map(|w| &self.board.wires[w.0]) {
                    let cause = Cause::PinTwice {
                        place: place.to_string(),
                        first: first.label.clone(),
                        line: first.at.line,
                        second: label.text.clone(),
                    };
                    self.reader.problems.push(Problem {
                        at: cell.at.clone(),
                        cause,
                    });
                } else {
                    ends.insert(place.clone(), index);
                }
            }
            self.board.wires.push(Wire {
                label: label.text,
                colour: colour.text,
                from: from_place.unwrap_or(Place::Nothing),
                to: to_place.unwrap_or(Place::Nothing),
                signal: signal.text,
                kind: kind_of.unwrap_or(WireKind::Signal),
                at,
            });
        }
    }

    /// True for pins of sockets and connectors, which end one wire unless a tie says otherwise; pins on a rail may end
    /// many, and wires may run on from one device pin to the next.
    fn ends_one_wire(&self, place: &Place) -> bool {
        match place {
            Place::SocketPin(_) => true,
            Place::ConnectorPin(pin) => {
                let connector = &self.board.connectors[pin.connector.0];
                let declared = connector
                    .keys
                    .get(&natural_key(&pin.pin))
                    .map(|&i| &connector.pins[i]);
                !declared.is_some_and(|d| d.to.as_ref().is_some_and(Place::is_rail))
            }
            _ => false,
        }
    }

    pub(super) fn read_guard(&mut self, root: &Table<'a>) {
        const KEYS: [&str; 4] = ["never_drive", "hold", "max_switching", "settle_us"];
        const HELP: &str = "name the device pin itself, such as U1.77";
        let Some(value) = root.get("guard") else {
            return;
        };
        let Some(table) = self.reader.table("[guard]", value, &KEYS) else {
            return;
        };
        let mut rules = GuardRules::default();
        for text in self
            .reader
            .texts(&table, "never_drive", "never_drive = [\"U1.77\"]")
        {
            rules
                .never_drive
                .extend(self.device_pins(&text, HELP).unwrap_or_default());
        }
        for (text, level) in self
            .reader
            .pairs(&table, "hold", "hold = { \"U1.90\" = \"high\" }")
        {
            let level = self.reader.word("hold", &level, &LEVELS);
            let (Some(pins), Some(level)) = (self.device_pins(&text, HELP), level) else {
                continue;
            };
            for pin in pins {
                self.check_hold(&rules, &pin, &text);
                rules.hold.push(Hold { pin, level });
            }
        }
        if let Some(n) =
            self.reader
                .whole(&table, "max_switching", 1..=100_000, "max_switching = 8")
        {
            rules.max_switching = n;
        }
        if let Some(n) = self
            .reader
            .whole(&table, "settle_us", 0..=10_000_000, "settle_us = 20")
        {
            rules.settle_us = n;
        }
        self.board.guard = rules;
    }

    fn device_pins(&mut self, text: &Text<'a>, help: &'static str) -> Option<Vec<DevicePin>> {
        let places = self.places(text)?;
        let places = self.all(
            text,
            places,
            |p| p.device_pin().is_some(),
            "a device pin",
            help,
        )?;
        Some(
            places
                .iter()
                .filter_map(Place::device_pin)
                .cloned()
                .collect(),
        )
    }

    /// A held pin must not be forbidden, nor held twice, and the boundary register must be able to drive it.
    fn check_hold(&mut self, rules: &GuardRules, pin: &DevicePin, text: &Text<'a>) {
        let device = &self.board.devices[pin.device.0];
        let driver = device
            .bsdl
            .as_ref()
            .and_then(|bsdl| bsdl.pin_cells(device.bit_of(&pin.pin)?).driver);
        let (what, help) = if rules.never_drive.contains(pin) {
            (
                format!("{pin} is held and in never_drive"),
                "take it out of one of the two",
            )
        } else if rules.hold.iter().any(|h| h.pin == *pin) {
            (format!("{pin} is held twice"), "take one of the two out")
        } else if device.bsdl.is_none() && device.ir_length > 0 {
            (
                format!("{pin} cannot be held: {} has no BSDL", device.name),
                "name its entity, or hold the line by other means",
            )
        // Without either, what is missing has been reported.
        } else if device.bsdl.is_some() && driver.is_none() {
            (
                format!("{pin} cannot be held: its boundary register has no driver for it"),
                "name a pin that can be driven, or hold the line by other means",
            )
        } else {
            return;
        };
        self.reader.report(
            text.span.clone(),
            Fault::Conflict {
                what,
                help: help.into(),
            },
        );
    }
}

/// How a wire is called in messages.
fn named(label: &Cell) -> String {
    match label.text.as_str() {
        "" => "a wire".into(),
        label => format!("wire {label}"),
    }
}
