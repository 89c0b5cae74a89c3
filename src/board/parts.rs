//! `[[part]]` tables.

use super::declared::{Part, PartKind};
use super::error::Cause;
use super::fittings::LEVELS;
use super::load::Loader;
use super::part::{Channel, Direction, Enable};
use super::place::Place;
use crate::tables::{Fault, Table, Text};

const KEYS: [&str; 9] = [
    "name",
    "kind",
    "between",
    "ohms",
    "from",
    "to",
    "enable",
    "direction",
    "closed",
];
const BETWEEN: &str = "between = [\"J3.1\", \"U1.12\"]";
const PIN_HELP: &str =
    "name the pins on both sides; a resistor to ground or a supply is a [[pull]]";

#[derive(Clone, Copy, PartialEq)]
enum Word {
    Resistor,
    Switch,
    Buffer,
    Shifter,
}

const KINDS: [(&str, Word); 4] = [
    ("resistor", Word::Resistor),
    ("switch", Word::Switch),
    ("buffer", Word::Buffer),
    ("shifter", Word::Shifter),
];

impl<'a> Loader<'a> {
    pub(super) fn read_parts(&mut self, root: &Table<'a>) {
        for table in self.reader.each(root, "part", &KEYS) {
            self.read_part(&table);
        }
    }

    fn read_part(&mut self, table: &Table<'a>) {
        let r = &mut self.reader;
        let name = r.need(table, "name", "name = \"RN1\"");
        let kind = r.need(table, "kind", "kind = \"resistor\"");
        let kind = kind.and_then(|k| r.word("kind", &k, &KINDS));
        let ohms = r.whole(table, "ohms", 0..=100_000_000, "ohms = 100");
        let closed = r.flag(table, "closed", "closed = true").unwrap_or(true);
        let sides = self.sides(table, kind);
        let enable = self.control(table, "enable", "on");
        let direction = self.control(table, "direction", "forward");
        let (Some(name), Some(kind)) = (name, kind) else {
            return;
        };
        self.misplaced_keys(table, kind);
        if let Some(first) = self
            .board
            .part(name.text)
            .map(|i| self.board.parts[i.0].at.line)
        {
            let cause = Cause::Twice {
                what: "part",
                name: name.text.trim().into(),
                first,
            };
            self.reader.report(name.span.clone(), cause);
        }
        self.board.parts.push(Part {
            name: name.text.trim().into(),
            kind: match kind {
                Word::Resistor => PartKind::Resistor { ohms },
                Word::Switch => PartKind::Switch { closed },
                Word::Buffer => PartKind::Buffer,
                Word::Shifter => PartKind::Shifter {
                    automatic: table.has("between"),
                },
            },
            channels: sides.unwrap_or_default(),
            enable: enable.map(|(pin, on)| Enable { pin, on }),
            direction: direction.map(|(pin, forward)| Direction { pin, forward }),
            at: self.reader.locate(table.span.clone()),
        });
    }

    /// The two sides, by `between` or by `from` and `to` as the kind asks.
    fn sides(&mut self, table: &Table<'a>, kind: Option<Word>) -> Option<Vec<Channel>> {
        let one_way = match kind? {
            Word::Resistor | Word::Switch => false,
            Word::Buffer => true,
            Word::Shifter => !table.has("between"),
        };
        let (from, to): (Text<'a>, Text<'a>) = if one_way {
            let from = self.reader.need(
                table,
                "from",
                "from = \"J3.5-12\", the side that it listens to",
            );
            let to = self
                .reader
                .need(table, "to", "to = \"U1.40-47\", the side that it drives");
            (from?, to?)
        } else {
            if !table.has("between") {
                self.reader.missing(table, "between", BETWEEN);
                return None;
            }
            let sides = self.reader.texts(table, "between", BETWEEN);
            match <[Text<'a>; 2]>::try_from(sides) {
                Ok([a, b]) => (a, b),
                Err(sides) => {
                    let what = format!("`between` wants two places and has {}", sides.len());
                    let span = table
                        .get("between")
                        .map_or(table.span.clone(), |v| v.span());
                    self.reader.report(
                        span,
                        Fault::Conflict {
                            what,
                            help: format!("write {BETWEEN}"),
                        },
                    );
                    return None;
                }
            }
        };
        self.admit(&from);
        self.admit(&to);
        let (from_pins, to_pins) = (self.pins(&from, PIN_HELP), self.pins(&to, PIN_HELP));
        let (from_pins, to_pins) = (from_pins?, to_pins?);
        if from_pins.len() != to_pins.len() {
            self.lengths(&from, from_pins.len(), &to, to_pins.len());
            return None;
        }
        let channels: Vec<_> = from_pins
            .into_iter()
            .zip(to_pins)
            .map(|(from, to)| Channel { from, to })
            .collect();
        if let Some(channel) = channels.iter().find(|c| c.from == c.to) {
            let what = format!("both sides of the part are {}", channel.from);
            self.reader.report(
                to.span,
                Fault::Conflict {
                    what,
                    help: "name the pins on both sides".into(),
                },
            );
            return None;
        }
        Some(channels)
    }

    /// `enable = { pin = "U1.50", on = "low" }` and the like.
    fn control(
        &mut self,
        table: &Table<'a>,
        key: &'static str,
        word: &'static str,
    ) -> Option<(Place, super::Level)> {
        let known: &[&'static str] = if key == "enable" {
            &["pin", "on"]
        } else {
            &["pin", "forward"]
        };
        let inner = self.reader.inner(table, key, known)?;
        let pin = self.reader.need(&inner, "pin", "pin = \"U1.50\"");
        let example = if key == "enable" {
            "on = \"low\", the level that switches it on"
        } else {
            "forward = \"high\", the level at which it carries from `from` to `to`"
        };
        let level = self.reader.need(&inner, word, example);
        let level = level.and_then(|l| self.reader.word(word, &l, &LEVELS));
        let pin = pin?;
        self.admit(&pin);
        Some((self.pin(&pin)?, level?))
    }

    /// Keys that another kind of part has.
    fn misplaced_keys(&mut self, table: &Table<'a>, kind: Word) {
        let (word, wrong): (_, &[&str]) = match kind {
            Word::Resistor => ("resistor", &["from", "to", "enable", "direction", "closed"]),
            Word::Switch => ("switch", &["from", "to", "direction", "ohms"]),
            Word::Buffer => ("buffer", &["between", "ohms", "closed"]),
            Word::Shifter if table.has("between") => (
                "shifter with `between`",
                &["from", "to", "direction", "ohms", "closed"],
            ),
            Word::Shifter => ("shifter", &["ohms", "closed"]),
        };
        for key in wrong {
            if let Some(span) = table.key_span(key) {
                let what = format!("a {word} has no `{key}`");
                let help = match *key {
                    "from" | "to" => format!("write {BETWEEN}"),
                    "between" => "write from = \"J3.5-12\" and to = \"U1.40-47\"".into(),
                    _ => "take the key out".into(),
                };
                self.reader.report(span, Fault::Conflict { what, help });
            }
        }
    }
}
