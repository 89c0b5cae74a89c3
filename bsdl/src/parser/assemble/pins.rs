//! Pin maps and differential pairs.

use super::super::cursor::latin;
use super::super::inner::{Frame, lists, pins, ports};
use super::Assembly;
use crate::model::{PinMap, Port, PortBit, PortGroup, PortPair};
use crate::names::{Finder, Name, NameTable};
use crate::rules;
use crate::span::Span;

impl Assembly<'_, '_, '_> {
    pub(super) fn pin_maps(&mut self) {
        let draft = self.draft;
        let mut known = NameTable::new();
        for (name, joined) in &draft.maps {
            let shown = self.string(*name);
            let next = self.device.pin_maps.len() as u32;
            let position = *known.entry(Name(self.slice(*name))).or_insert(next);
            if let Some(first) = self.device.pin_maps.get(position as usize) {
                self.report
                    .add(
                        &rules::DECLARED_TWICE,
                        *name,
                        format!("pin map {shown} is declared twice"),
                    )
                    .also(first.span, "first declared here");
                continue;
            }
            let map = self.pin_map(
                PinMap::new(shown, *name),
                Frame {
                    joined,
                    place: "the pin map",
                    rule: &rules::INNER,
                },
            );
            self.device.pin_maps.push(map);
        }
    }

    fn pin_map(&mut self, mut map: PinMap, frame: Frame<'_>) -> PinMap {
        frame.whole_tokens(self.report);
        // Where each port is mapped, for the second time and for those left out.
        let mut mapped: Vec<Option<Span>> = vec![None; self.device.ports.len()];
        let mut pins = NameTable::with_capacity(self.device.ports.len());
        let mut spans: Vec<Span> = Vec::new();
        let mut strangers = Vec::new();
        let mut lost = 0;
        let mut ports = Finder::new(&self.ports, &self.device.ports);
        let broken = self
            .draft
            .broken_ports
            .iter()
            .map(|s| &self.bytes[s.range()])
            .collect::<Vec<_>>();
        frame.items(
            self.report,
            pins::entry,
            pins::starts,
            |report, entry, _| {
                let here = frame.span(entry.port);
                let Some((position, port)) = ports.find(entry.port) else {
                    if !broken.iter().any(|b| b.eq_ignore_ascii_case(entry.port)) {
                        strangers.push((latin(entry.port), here));
                    }
                    return;
                };
                if let Some(first) = mapped[position as usize].replace(here) {
                    let message = format!("port {} is mapped twice in {}", port.name, map.name);
                    report
                        .add(&rules::MAPPED_TWICE, here, message)
                        .also(first, "first mapped here");
                    return;
                }
                let mut bits = bits(position, port);
                let listed = entry.pins.len();
                for pin in entry.pins {
                    let Some(bit) = bits.next() else { break };
                    let span = frame.span(pin);
                    if let Some(&first) = pins.get(&Name(pin)) {
                        let message = format!("pin {} stands twice in {}", latin(pin), map.name);
                        report
                            .add(&rules::PIN_TWICE, span, message)
                            .also(spans[first as usize], "first here");
                    }
                    pins.entry(Name(pin)).or_insert(spans.len() as u32);
                    spans.push(span);
                    map.push(&latin(pin), bit, span);
                }
                let message = match port.range {
                    None if entry.listed => {
                        let message = format!(
                            "{} is a single bit, found a list of {listed} pins",
                            port.name
                        );
                        report
                            .add(&rules::MAP_LIST, here, message)
                            .also(port.span, "declared here");
                        return;
                    }
                    Some(range) if !entry.listed && range.width() > 1 => {
                        format!("{} has {} bits, found one pin", port.name, range.width())
                    }
                    Some(range) if range.width() != listed as u64 => {
                        format!(
                            "{} has {} bits, found {listed} pins",
                            port.name,
                            range.width()
                        )
                    }
                    _ => return,
                };
                report
                    .add(&rules::MAP_WIDTH, here, message)
                    .also(port.span, "declared here");
            },
            |_| lost += 1,
        );
        for (name, span) in strangers {
            let help = self.port_help(&name);
            self.report
                .add(
                    &rules::MAP_STRANGER,
                    span,
                    format!("there is no port {name}"),
                )
                .help(help);
        }
        let left_out: Vec<&Port> = self
            .device
            .ports
            .iter()
            .zip(&mapped)
            .filter(|(_, m)| m.is_none())
            .map(|(p, _)| p)
            .collect();
        // A line that could not be read accounts for one port.
        if left_out.len() > lost {
            let names: Vec<&str> = left_out.iter().take(5).map(|p| p.name.as_str()).collect();
            let more = left_out.len() - names.len();
            let more = if more > 0 {
                format!(" and {more} more")
            } else {
                String::new()
            };
            let message = format!("pin map {} leaves out {}{more}", map.name, names.join(", "));
            self.report.add(&rules::NOT_MAPPED, map.span, message).also(
                left_out[0].span,
                format!("{} is declared here", left_out[0].name),
            );
        }
        map
    }

    pub(super) fn groups(&mut self) {
        let Some(frame) = self.text("PORT_GROUPING") else {
            return;
        };
        let mut groups = Vec::new();
        frame.items(
            self.report,
            ports::group,
            lists::starts,
            |_, group, _| groups.push(group),
            |_| {},
        );
        for (kind, named) in groups {
            let mut pairs = Vec::new();
            for (first, second) in named {
                let span = frame.span(first.2).to(frame.span(second.2));
                let mut side = |side: ports::Named<'_>| {
                    let named = (side.0, side.1, frame.span(side.2));
                    self.bit(named, true, &rules::GROUP_PORT, &rules::GROUP_PORT)
                };
                if let (Some(representative), Some(associated)) = (side(first), side(second)) {
                    pairs.push(PortPair {
                        representative,
                        associated,
                        span,
                    });
                }
            }
            if !pairs.is_empty() {
                self.device.groups.push(PortGroup { kind, pairs });
            }
        }
    }
}

/// The bits of a port, leftmost first; a single-bit port goes on for ever, because files give one several pins.
fn bits(position: u32, port: &Port) -> impl Iterator<Item = PortBit> + use<> {
    let range = port.range;
    (0u32..).map_while(move |n| match range {
        None => Some(PortBit {
            port: position,
            index: None,
        }),
        Some(range) => Some(PortBit {
            port: position,
            index: Some(range.at(n)?),
        }),
    })
}
