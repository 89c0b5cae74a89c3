//! How the 2013 edition puts registers together: assemblies, limits, associations, segments of the boundary register.

use std::collections::HashSet;

use super::super::cursor::latin;
use super::super::draft::Value;
use super::super::inner::{Frame, assembly, lists, ports};
use super::Assembly;
use super::boundary::Others;
use crate::model::{
    AssembledLength, AssembledSegment, AssemblyPart, Association, AssociationItem, BoundarySegment,
    Cell, Constraint, Description, Edition, Gravity, PortBit, RegisterAssembly,
};
use crate::report::Report;
use crate::rules;

/// The registers that a REGISTER_ASSEMBLY puts together.
pub(in crate::parser) fn assemblies(
    frame: &Frame<'_>,
    report: &mut Report<'_>,
) -> Vec<RegisterAssembly> {
    let mut all = Vec::new();
    frame.items(
        report,
        assembly::assembly,
        assembly::starts,
        |_, (name, length, parts), _| {
            all.push(RegisterAssembly {
                name: latin(name),
                length,
                parts: parts.into_iter().map(|p| part(frame, p)).collect(),
                span: frame.span(name),
            })
        },
        |_| {},
    );
    all
}

fn part(frame: &Frame<'_>, part: assembly::Part<'_>) -> AssemblyPart {
    let owned = |properties: Vec<assembly::Property<'_>>| {
        let all = properties.into_iter();
        all.map(|(word, text)| (latin(word), text.map(latin)))
            .collect()
    };
    match part {
        assembly::Part::Using(package) => AssemblyPart::Using {
            package: latin(package),
        },
        assembly::Part::Segment(s) => AssemblyPart::Segment(AssembledSegment {
            name: latin(s.name),
            range: s.range,
            width: s.width,
            kind: s.kind.map(latin),
            properties: owned(s.properties),
            span: frame.span(s.name),
        }),
        assembly::Part::Choice(word, properties) => AssemblyPart::Choice {
            properties: owned(properties),
            span: frame.span(word),
        },
    }
}

impl<'a> Assembly<'a, '_, '_> {
    pub(super) fn assembled(&mut self, new: &mut Description) {
        if let Some(frame) = self.beside_text("REGISTER_ASSEMBLY") {
            new.assemblies = assemblies(&frame, self.report);
        }
        self.constraints(new);
        self.associations(new);
        self.assembled_length(new);
    }

    fn constraints(&mut self, new: &mut Description) {
        let Some(frame) = self.beside_text("REGISTER_CONSTRAINTS") else {
            return;
        };
        let own = new.mnemonics.iter();
        let groups = own.chain(self.packages().flat_map(|p| &p.mnemonics));
        let groups: HashSet<String> = groups.map(|g| g.name.to_ascii_uppercase()).collect();
        let is_group = |word: &[u8]| groups.contains(&latin(word).to_ascii_uppercase());
        let all = &mut new.constraints;
        frame.items(
            self.report,
            assembly::constraints,
            assembly::starts,
            |_, (register, limits), _| {
                all.extend(limits.into_iter().map(|limit| {
                    Constraint {
                        register: latin(register),
                        expression: latin(limit.expression),
                        fields: assembly::fields_of(limit.expression, is_group)
                            .into_iter()
                            .map(latin)
                            .collect(),
                        gravity: limit.gravity.unwrap_or(Gravity::Error),
                        note: limit.note.map(latin),
                        span: frame.span(limit.expression),
                    }
                }));
            },
            |_| {},
        );
    }

    fn associations(&mut self, new: &mut Description) {
        let Some(frame) = self.beside_text("REGISTER_ASSOCIATION") else {
            return;
        };
        let mut all = Vec::new();
        frame.items(
            self.report,
            assembly::association,
            assembly::starts_association,
            |_, one, _| all.push(one),
            |_| {},
        );
        for (register, links) in all {
            for link in links {
                let own = latin(link.path);
                let path = register.map_or(own.clone(), |r| format!("{}.{own}", latin(r)));
                let items = link.items.into_iter();
                let items = items.map(|item| match item {
                    assembly::LinkItem::Ports(ports) => {
                        AssociationItem::Ports(self.all_ports(ports, &frame))
                    }
                    assembly::LinkItem::Clocks(ports) => {
                        AssociationItem::Clocks(self.all_ports(ports, &frame))
                    }
                    assembly::LinkItem::Other(word, text) => {
                        let is = |w: &str| w.as_bytes().eq_ignore_ascii_case(word);
                        match text.map(latin) {
                            Some(text) if is("UNIT") || is("UNITS") => AssociationItem::Unit(text),
                            Some(text) if is("INFO") => AssociationItem::Info(text),
                            text => AssociationItem::Other(latin(word), text),
                        }
                    }
                });
                new.associations.push(Association {
                    path,
                    items: items.collect(),
                    span: frame.span(link.path),
                });
            }
        }
    }

    fn all_ports(&mut self, ports: Vec<ports::Named<'a>>, frame: &Frame<'a>) -> Vec<PortBit> {
        let found = ports.into_iter().filter_map(|p| self.new_port(p, frame));
        found.collect()
    }

    /// Segments of the boundary register, after its table: cell types are counted on from there.
    pub(super) fn segments(&mut self) {
        if self.device.edition != Some(Edition::Y2013) {
            return;
        }
        let Some(frame) = self.beside_text("BOUNDARY_SEGMENT") else {
            return;
        };
        let mut all = Vec::new();
        frame.items(
            self.report,
            assembly::piece,
            assembly::starts_piece,
            |_, one, _| all.push(one),
            |_| {},
        );
        let mut others = Others::at(&self.device.other_cells);
        let mut segments = Vec::with_capacity(all.len());
        for (name, length, lines) in all {
            let mut cells = Vec::with_capacity(lines.len());
            for (line, piece) in lines {
                let port = match line.port {
                    None => None,
                    Some((port, index)) => {
                        let named = (port, index, frame.span(port));
                        let rule = &rules::BESIDE_PORT;
                        match self.bit(named, false, rule, rule) {
                            Some(bit) => Some(bit),
                            None => continue,
                        }
                    }
                };
                cells.push(Cell {
                    number: line.number,
                    kind: others.kind(line.kind),
                    function: line.function,
                    port,
                    safe: line.safe,
                    control: line.control,
                    span: frame.span(piece),
                });
            }
            segments.push(BoundarySegment {
                name: latin(name),
                length,
                cells,
                span: frame.span(name),
            });
        }
        self.other_cells(others);
        if !segments.is_empty() {
            self.device.description.get_or_insert_default().segments = segments;
        }
    }

    /// A number, a pair in brackets, or either in a string.
    fn assembled_length(&mut self, new: &mut Description) {
        const NAME: &str = "ASSEMBLED_BOUNDARY_LENGTH";
        let draft = self.draft;
        // Of several the first string counts, which is kept as an extension, too: see `beside_text`.
        let named = || draft.attributes.iter().filter(|a| self.is(a.name, NAME));
        let text = named().find(|a| matches!(a.value, Value::Text(_)));
        let Some(attribute) = text.or_else(|| named().next()) else {
            return;
        };
        let number = |text: String| {
            let digits: String = text.chars().filter(|c| *c != '_').collect();
            digits.parse::<u32>().ok()
        };
        let read = match &attribute.value {
            Value::Number => number(self.string(attribute.span)).map(|n| (n, n)),
            Value::Pair { first, second } => {
                number(self.string(*first)).zip(number(self.string(*second)))
            }
            Value::Text(joined) => {
                let frame = Frame {
                    joined,
                    place: NAME,
                    rule: &rules::INNER_BESIDE,
                };
                let mut read = None;
                frame.items(
                    self.report,
                    lists::pair,
                    |_| false,
                    |_, pair, _| read = Some(pair),
                    |_| {},
                );
                let Some(pair) = read else { return };
                Some(pair)
            }
            _ => None,
        };
        let Some((after_reset, all)) = read else {
            let message =
                format!("{NAME} takes a number of bits after reset and one of all segments");
            self.report
                .add(&rules::INNER_BESIDE, attribute.span, message);
            return;
        };
        new.assembled_length = Some(AssembledLength {
            after_reset,
            all,
            span: attribute.span,
        });
    }
}
