//! The boundary table.

use std::collections::HashMap;

use super::super::cursor::latin;
use super::super::inner::boundary::{self, Line};
use super::Assembly;
use crate::model::{Cell, CellInfo, CellKind, Edition, OpenInput, PortBit};
use crate::names::{Finder, Name, NameTable};
use crate::rules;

/// The longest register, boundary or other, that this reader takes.
pub(super) const LONGEST: u32 = 4_000_000;

impl Assembly<'_, '_, '_> {
    pub(super) fn boundary(&mut self) {
        if let Some((length, span)) = self.number("BOUNDARY_LENGTH") {
            self.places.boundary_length = span;
            if length > LONGEST {
                let message = format!("BOUNDARY_LENGTH is {length}, this reader takes {LONGEST}");
                self.report.add(&rules::TOO_LONG, span, message);
            } else {
                self.device.boundary_length = length;
            }
        }
        let Some(frame) = self.text("BOUNDARY_REGISTER") else {
            return;
        };
        frame.whole_tokens(self.report);
        let mut others = Others::default();
        let mut cells = Vec::with_capacity(frame.text().len() / 24);
        // Lines whose port is unknown or has no such index, to be told with the port list at hand.
        let mut strange = Vec::new();
        let mut broken = Vec::new();
        let mut open = Vec::new();
        let new = self.device.edition == Some(Edition::Y2013);
        let mut ports = Finder::new(&self.ports, &self.device.ports);
        frame.items(
            self.report,
            boundary::line,
            boundary::starts,
            |report, line: Line<'_>, piece| {
                let port = match line.port {
                    None => None,
                    Some((name, index)) => match ports.find(name) {
                        Some((port, known)) if fits(known.range, index) => {
                            Some(PortBit { port, index })
                        }
                        _ => {
                            let place = after(piece, name);
                            strange.push((line.number, name, index, frame.span(place)));
                            return;
                        }
                    },
                };
                if let Some(word) = line.word {
                    let is = |o: &&(OpenInput, &str)| o.1.as_bytes().eq_ignore_ascii_case(word);
                    match OpenInput::ALL.iter().find(is) {
                        Some((value, _)) if new => open.push((cells.len() as u32, *value)),
                        _ => {
                            let message = format!(
                                "expected the number of a control cell, found {}",
                                latin(word)
                            );
                            report.add(&rules::CELL_DISABLE, frame.span(word), message);
                        }
                    }
                }
                cells.push(Cell {
                    number: line.number,
                    kind: others.kind(line.kind),
                    function: line.function,
                    port,
                    safe: line.safe,
                    control: line.control,
                    span: frame.span(piece),
                });
            },
            |piece| broken.extend(boundary::number_of(piece)),
        );
        for (number, name, index, span) in strange {
            broken.push(number);
            self.bit(
                (name, index, span),
                false,
                &rules::CELL_PORT,
                &rules::CELL_INDEX,
            );
        }
        self.places.broken_cells = broken;
        self.device.cells = cells;
        self.device.open_inputs = open;
        self.other_cells(others);
    }

    /// Enters the cell types that are no standard ones, with what packages say of them.
    pub(super) fn other_cells(&mut self, others: Others<'_>) {
        let mut known: HashMap<Name<'_>, &CellInfo> = HashMap::new();
        for info in self.packages().flat_map(|p| &p.cells) {
            known.entry(Name(info.name.as_bytes())).or_insert(info);
        }
        let infos = others.names.iter().map(|name| {
            known
                .get(&Name(name.as_bytes()))
                .map(|info| (*info).clone())
        });
        let infos: Vec<Option<CellInfo>> = infos.collect();
        self.device.other_infos = infos;
        self.device.other_cells = others.names;
    }
}

/// True if a port of this range may be named with this index.
fn fits(range: Option<crate::model::Range>, index: Option<u32>) -> bool {
    match (range, index) {
        (None, None) => true,
        (Some(range), Some(index)) => range.contains(index),
        _ => false,
    }
}

/// From a port's name to its closing bracket, if it has an index.
fn after<'a>(line: &'a [u8], name: &'a [u8]) -> &'a [u8] {
    let from = nom::Offset::offset(line, name);
    let rest = &line[from..];
    let comma = memchr::memchr(b',', rest).unwrap_or(rest.len());
    rest[..comma].trim_ascii_end()
}

/// Cell types that are no standard ones.
#[derive(Default)]
pub(super) struct Others<'a> {
    names: Vec<String>,
    known: NameTable<'a>,
    /// Names that the device had before, in capitals.
    given: HashMap<String, u32>,
}

impl<'a> Others<'a> {
    /// Goes on from those that the device has already.
    pub(super) fn at(names: &[String]) -> Self {
        let given = names.iter().map(|n| n.to_ascii_uppercase());
        Self {
            names: names.to_vec(),
            known: NameTable::new(),
            given: given.zip(0..).collect(),
        }
    }

    pub(super) fn kind(&mut self, name: &'a [u8]) -> CellKind {
        if let Some((kind, _)) = CellKind::STANDARD
            .iter()
            .find(|(_, s)| s.as_bytes().eq_ignore_ascii_case(name))
        {
            return *kind;
        }
        let next = self.names.len() as u32;
        let before = || match &self.given {
            none if none.is_empty() => next,
            given => *given
                .get(&latin(name).to_ascii_uppercase())
                .unwrap_or(&next),
        };
        let position = *self.known.entry(Name(name)).or_insert_with(before);
        // The position is 16 bits wide: cell types beyond that many share the last one.
        if position == next && next <= u32::from(u16::MAX) {
            self.names.push(latin(name));
        }
        CellKind::Other(position.min(u32::from(u16::MAX)) as u16)
    }
}
