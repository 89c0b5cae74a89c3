//! Statements to model: reads the strings inside them and looks up the names.

mod assembly;
mod beside;
mod boundary;
mod description;
mod flow;
mod instructions;
mod pins;
mod tap;

pub(super) use assembly::assemblies;
pub(super) use description::{mnemonics, registers};

use std::collections::HashSet;

use super::draft::{Attribute, Draft, Value};
use super::inner::Frame;
use super::joined::Joined;
use crate::model::{Device, Edition, Extension, Package, Port, PortBit};
use crate::names::{Name, NameTable};
use crate::places::Places;
use crate::report::Report;
use crate::rules;
use crate::span::Span;

/// Names of the standard's attributes, all editions that this reader knows.
pub(super) const KNOWN: &[&str] = &[
    "BOUNDARY_CELLS",
    "BOUNDARY_LENGTH",
    "BOUNDARY_REGISTER",
    "COMPLIANCE_PATTERNS",
    "COMPONENT_CONFORMANCE",
    "DESIGN_WARNING",
    "IDCODE_REGISTER",
    "INSTRUCTION_CAPTURE",
    "INSTRUCTION_DISABLE",
    "INSTRUCTION_GUARD",
    "INSTRUCTION_LENGTH",
    "INSTRUCTION_OPCODE",
    "INSTRUCTION_PRIVATE",
    "INTEST_EXECUTION",
    "PIN_MAP",
    "PORT_GROUPING",
    "REGISTER_ACCESS",
    "RUNBIST_EXECUTION",
    "TAP_SCAN_CLOCK",
    "TAP_SCAN_IN",
    "TAP_SCAN_MODE",
    "TAP_SCAN_OUT",
    "TAP_SCAN_RESET",
    "USERCODE_REGISTER",
];

/// Packages of standards beside 1149.1, whose names are known without their text.
fn is_other_standard(name: &str) -> bool {
    [
        "STD_1149_6_2003",
        "STD_1149_6_2015",
        "STD_1532_2001",
        "STD_1532_2002",
    ]
    .iter()
    .any(|n| n.eq_ignore_ascii_case(name))
}

pub(super) struct Assembly<'a, 'r, 'o> {
    bytes: &'a [u8],
    draft: &'a Draft,
    report: &'r mut Report<'o>,
    device: Device,
    places: Places,
    /// Ports as declared, until they are entered into the device.
    declared: Vec<Port>,
    /// Port names to positions in the device's list.
    ports: NameTable<'a>,
    /// Names whose port declaration was faulty: they are unknown, but the fault was told.
    broken: NameTable<'a>,
    /// Instruction names to positions in the device's list.
    known: NameTable<'a>,
}

/// Makes the device of a draft.
pub(super) fn assemble<'a>(
    bytes: &'a [u8],
    draft: &'a Draft,
    ports: Vec<Port>,
    report: &mut Report<'_>,
) -> (Device, Places) {
    let mut a = Assembly {
        bytes,
        draft,
        report,
        device: Device::default(),
        places: Places::default(),
        ports: NameTable::with_capacity(ports.len()),
        declared: ports,
        broken: draft
            .broken_ports
            .iter()
            .map(|s| (Name(&bytes[s.range()]), 0))
            .collect(),
        known: NameTable::new(),
    };
    a.places.end = draft.end;
    a.package_registers();
    a.head();
    a.missing();
    a.names();
    a.ports();
    a.pin_maps();
    a.groups();
    a.tap();
    a.compliance();
    a.description();
    a.instructions();
    a.registers();
    a.boundary();
    a.segments();
    a.executions();
    a.ac_test();
    a.system_configuration();
    a.extensions();
    (a.device, a.places)
}

impl<'a> Assembly<'a, '_, '_> {
    /// Packages of the file, then those that the caller has.
    fn packages(&self) -> impl Iterator<Item = &Package> {
        self.draft.packages.iter().chain(self.report.packages())
    }

    /// What packages say of registers.
    fn package_registers(&mut self) {
        let capitals = |name: &String| name.to_ascii_uppercase();
        let mut places = std::mem::take(&mut self.places);
        for package in self.packages() {
            places.package_names.insert(capitals(&package.name));
            let fields = package.registers.iter();
            let fields = fields.map(|r| (capitals(&r.name), Some(u64::from(r.length))));
            let assembled = package.assemblies.iter();
            let assembled = assembled.map(|a| (capitals(&a.name), a.length.map(u64::from)));
            places.package_registers.extend(assembled.chain(fields));
            places
                .package_mnemonics
                .extend_from_slice(&package.mnemonics);
        }
        self.places = places;
    }

    fn slice(&self, span: Span) -> &'a [u8] {
        &self.bytes[span.range()]
    }

    fn string(&self, span: Span) -> String {
        super::cursor::latin(self.slice(span))
    }

    fn is(&self, span: Span, word: &str) -> bool {
        self.slice(span).eq_ignore_ascii_case(word.as_bytes())
    }

    /// The attribute of this name; a second one is reported.
    fn attribute(&mut self, name: &str) -> Option<&'a Attribute> {
        let bytes = self.bytes;
        let mut all = self
            .draft
            .attributes
            .iter()
            .filter(|a| bytes[a.name.range()].eq_ignore_ascii_case(name.as_bytes()));
        let first = all.next()?;
        for more in all {
            self.report
                .add(&rules::TWICE, more.name, format!("{name} is given twice"))
                .also(first.name, "first given here");
        }
        Some(first)
    }

    /// The string that an attribute of this name has for a value.
    fn text(&mut self, name: &'static str) -> Option<Frame<'a>> {
        let attribute = self.attribute(name)?;
        match &attribute.value {
            Value::Text(joined) => Some(Frame {
                joined,
                place: name,
                rule: &rules::INNER,
            }),
            other => {
                self.wrong_value(attribute.span, name, "a string", other.kind());
                None
            }
        }
    }

    /// The whole number that an attribute of this name has for a value, with its place.
    fn number(&mut self, name: &'static str) -> Option<(u32, Span)> {
        let attribute = self.attribute(name)?;
        let span = attribute.span;
        if !matches!(attribute.value, Value::Number) {
            self.wrong_value(span, name, "a whole number", attribute.value.kind());
            return None;
        }
        let digits: String = self.string(span).chars().filter(|c| *c != '_').collect();
        match digits.parse() {
            Ok(value) => Some((value, span)),
            Err(_) => {
                self.report.add(
                    &rules::NUMBER,
                    span,
                    format!("{name} is {digits}, expected a whole number"),
                );
                None
            }
        }
    }

    fn wrong_value(&mut self, span: Span, name: &str, expected: &str, found: &str) {
        self.report.add(
            &rules::WRONG_VALUE,
            span,
            format!("{name} takes {expected}, found {found}"),
        );
    }

    /// What the standard demands and the file lacks.
    fn missing(&mut self) {
        const ALWAYS: [&str; 7] = [
            "PIN_MAP",
            "INSTRUCTION_LENGTH",
            "INSTRUCTION_OPCODE",
            "INSTRUCTION_CAPTURE",
            "BOUNDARY_LENGTH",
            "BOUNDARY_REGISTER",
            "COMPONENT_CONFORMANCE",
        ];
        let draft = self.draft;
        let seen: NameTable<'_> = draft
            .seen
            .iter()
            .map(|s| (Name(self.slice(*s)), 0))
            .collect();
        let mut missing = Vec::new();
        missing.extend((!draft.has_generic).then_some("the generic PHYSICAL_PIN_MAP"));
        missing.extend((!draft.has_ports).then_some("the port list"));
        let draft_language = self.device.edition.is_some_and(|e| e <= Edition::Y1990);
        // From 2013 on the boundary register may be put together from segments.
        let assembled = self.device.edition == Some(Edition::Y2013)
            && seen.contains_key(&Name(b"ASSEMBLED_BOUNDARY_LENGTH"));
        let wanted = ALWAYS
            .iter()
            .filter(|n| !(draft_language && **n == "COMPONENT_CONFORMANCE"))
            .filter(|n| !(assembled && n.starts_with("BOUNDARY_")));
        missing.extend(wanted.filter(|n| !seen.contains_key(&Name(n.as_bytes()))));
        missing.extend((!draft.has_map).then_some("a pin map (a PIN_MAP_STRING constant)"));
        self.places.missing = missing;
    }

    fn head(&mut self) {
        let draft = self.draft;
        if let Some((_, span)) = draft.generic.as_ref().and_then(|g| g.default.as_ref()) {
            self.places.default_map = *span;
        }
        self.device.entity = match self.slice(draft.entity) {
            [] => "UNNAMED".into(),
            _ => self.string(draft.entity),
        };
        self.device.entity_span = draft.entity;
        self.device.default_pin_map = draft
            .generic
            .as_ref()
            .and_then(|g| g.default.as_ref())
            .map(|(n, _)| n.clone());
        for (name, span) in &draft.uses {
            match Edition::from_name(name) {
                Some(edition) if self.device.edition.is_none() => {
                    self.device.edition = Some(edition);
                    self.places.edition = *span;
                    if !self.device.packages.is_empty() {
                        let message = format!("{name} is used after another package");
                        self.report.add(&rules::PACKAGE, *span, message);
                    }
                }
                Some(_) => {
                    self.report
                        .add(
                            &rules::PACKAGE,
                            *span,
                            format!("{name} is the second standard package"),
                        )
                        .also(self.places.edition, "the first one");
                }
                None => {
                    self.device.packages.push(name.clone());
                    let at_hand = |p: &Package| p.name.eq_ignore_ascii_case(name);
                    if !is_other_standard(name) && !self.packages().any(at_hand) {
                        self.places.absent.push((name.clone(), *span));
                    }
                }
            }
        }
        if let Some(frame) = self.text("COMPONENT_CONFORMANCE") {
            let name = super::cursor::latin(frame.text().trim_ascii());
            self.places.conformance = frame.joined.span;
            self.device.conformance = Edition::from_name(&name);
            if self.device.conformance.is_none() {
                let message = format!(
                    "COMPONENT_CONFORMANCE is {name:?}, which is no edition of the standard"
                );
                self.report
                    .add(&rules::CONFORMANCE, frame.joined.span, message);
            }
        }
    }

    /// Every `of NAME : entity` names the entity; each other name is told once.
    fn names(&mut self) {
        let draft = self.draft;
        let mut told = NameTable::new();
        for attribute in draft.attributes.iter().filter(|a| !a.on_signal) {
            let target = self.slice(attribute.target);
            if target.eq_ignore_ascii_case(self.device.entity.as_bytes())
                || told.insert(Name(target), 0).is_some()
            {
                continue;
            }
            let (name, target) = (self.string(attribute.name), self.string(attribute.target));
            let message = format!(
                "{name} is given for {target}, the entity is {}",
                self.device.entity
            );
            self.report
                .add(&rules::OTHER_NAME, attribute.target, message)
                .also(draft.entity, "the entity's name");
        }
    }

    /// Ports; a name declared twice keeps its first meaning.
    fn ports(&mut self) {
        self.places.broken_ports = !self.draft.broken_ports.is_empty();
        let ports = std::mem::take(&mut self.declared);
        self.device.ports.reserve(ports.len());
        for port in ports {
            let position = self.device.ports.len() as u32;
            let name = Name(self.slice(port.span));
            match *self.ports.entry(name).or_insert(position) {
                new if new == position => self.device.ports.push(port),
                old => {
                    let first = self.device.ports[old as usize].span;
                    self.report
                        .add(
                            &rules::DECLARED_TWICE,
                            port.span,
                            format!("port {} is declared twice", port.name),
                        )
                        .also(first, "first declared here");
                }
            }
        }
    }

    /// Help for an unknown port.
    fn port_help(&mut self, name: &str) -> String {
        let Self { report, device, .. } = self;
        report.suggest(
            name,
            device.ports.iter().map(|p| p.name.as_str()),
            "declare it in the port list",
        )
    }

    /// The bit that a name and an index mean; `whole` lets a vector stand without index. Faults are reported under
    /// the rules given, for an unknown port and for an index that does not fit.
    fn bit(
        &mut self,
        (name, index, span): (&[u8], Option<u32>, Span),
        whole: bool,
        unknown: &'static rules::Rule,
        misfit: &'static rules::Rule,
    ) -> Option<PortBit> {
        let Some(&port) = self.ports.get(&Name(name)) else {
            if !self.broken.contains_key(&Name(name)) {
                let name = super::cursor::latin(name);
                let help = self.port_help(&name);
                self.report
                    .add(unknown, span, format!("there is no port {name}"))
                    .help(help);
            }
            return None;
        };
        let known = &self.device.ports[port as usize];
        let message = match (known.range, index) {
            (None, None) => return Some(PortBit { port, index }),
            (Some(range), Some(i)) if range.contains(i) => return Some(PortBit { port, index }),
            (Some(_), None) if whole => return Some(PortBit { port, index }),
            (Some(range), Some(i)) => {
                format!(
                    "{} has no index {i}: its range runs from {} to {}",
                    known.name, range.left, range.right
                )
            }
            (Some(_), None) => format!("{} is a vector, expected an index", known.name),
            (None, Some(i)) => format!("{} is a single bit, it has no index {i}", known.name),
        };
        self.report
            .add(misfit, span, message)
            .also(known.span, "declared here");
        None
    }

    /// Attributes that the standard does not know, and the maker's warnings.
    fn extensions(&mut self) {
        let draft = self.draft;
        let mut known = NameTable::new();
        let mut targets = HashSet::new();
        for span in &draft.declared {
            let position = self.device.extensions.len() as u32;
            if *known.entry(Name(self.slice(*span))).or_insert(position) == position {
                let name = self.string(*span);
                self.device.extensions.push(Extension {
                    name,
                    declared: true,
                    value: None,
                    span: *span,
                });
            }
        }
        let given = self.given_attributes();
        for attribute in &draft.attributes {
            if self.is(attribute.name, "DESIGN_WARNING") {
                if let Value::Text(joined) = &attribute.value {
                    self.device
                        .design_warnings
                        .push(super::cursor::latin(&joined.text));
                    let message = format!(
                        "the maker warns: {}",
                        super::cursor::latin(&joined.text).trim()
                    );
                    self.report
                        .add(&rules::WARNING_TEXT, joined.span, String::new())
                        .whole(message);
                } else {
                    self.wrong_value(
                        attribute.span,
                        "DESIGN_WARNING",
                        "a string",
                        attribute.value.kind(),
                    );
                }
            } else if !KNOWN.iter().any(|k| self.is(attribute.name, k)) {
                self.extension(attribute, &mut known, &mut targets, &given);
            }
        }
        if let Some(frame) = self.text("BOUNDARY_CELLS") {
            self.of_1990("BOUNDARY_CELLS", frame.joined);
            let mut cells = Vec::new();
            frame.items(
                self.report,
                super::inner::lists::only_name,
                super::inner::lists::starts_name,
                |_, name, _| cells.push((super::cursor::latin(name), frame.span(name))),
                |_| {},
            );
            (self.device.boundary_cells, self.places.boundary_cells) = cells.into_iter().unzip();
        }
    }

    fn extension(
        &mut self,
        attribute: &Attribute,
        known: &mut NameTable<'a>,
        targets: &mut HashSet<(u32, Name<'a>)>,
        given: &impl Fn(&str) -> bool,
    ) {
        let name = self.string(attribute.name);
        let text = match &attribute.value {
            Value::Text(joined) => Some(super::cursor::latin(&joined.text)),
            _ => None,
        };
        let next = self.device.extensions.len() as u32;
        let position = known
            .get(&Name(self.slice(attribute.name)))
            .copied()
            .unwrap_or(next);
        let second = !targets.insert((position, Name(self.slice(attribute.target))));
        if let Some(extension) = self.device.extensions.get_mut(position as usize) {
            if extension.declared && attribute.name.start < extension.span.start {
                let message = format!("{name} is given a value before it is declared");
                self.report
                    .add(&rules::LATE_EXTENSION, attribute.name, message)
                    .also(extension.span, "declared here");
            }
            if extension.value.is_none() {
                extension.value = text;
                return;
            }
            if second {
                self.report.add(
                    &rules::TWICE,
                    attribute.name,
                    format!("{name} is given twice for the same target"),
                );
            }
            if text.is_some() {
                // The same extension of another port, say, or given again: nothing of it is lost.
                self.device.extensions.push(Extension {
                    name,
                    declared: false,
                    value: text,
                    span: attribute.name,
                });
            }
            return;
        }
        if self.places.absent.is_empty() && !given(&name) {
            let known = KNOWN.iter().copied();
            let help = self
                .report
                .suggest(&name, known, rules::UNKNOWN_ATTRIBUTE.help);
            let message = format!("{name} is no attribute of the standard and not declared");
            self.report
                .add(&rules::UNKNOWN_ATTRIBUTE, attribute.name, message)
                .help(help);
        }
        if text.is_some() {
            known.insert(Name(self.slice(attribute.name)), position);
            self.device.extensions.push(Extension {
                name,
                declared: false,
                value: text,
                span: attribute.name,
            });
        }
    }

    /// Attributes that packages declare: those at hand by name, those of standards beside 1149.1 by prefix.
    fn given_attributes(&self) -> impl Fn(&str) -> bool + use<> {
        let names = self
            .packages()
            .flat_map(|p| &p.attributes)
            .map(|a| a.to_ascii_uppercase());
        let names: HashSet<String> = names.collect();
        let uses = |part: &str| {
            self.device
                .packages
                .iter()
                .any(|p| p.to_ascii_uppercase().starts_with(part))
        };
        let (aio, isc) = (uses("STD_1149_6"), uses("STD_1532"));
        let new = self.device.edition == Some(Edition::Y2013);
        move |name| {
            let name = name.to_ascii_uppercase();
            names.contains(&name)
                || aio && name.starts_with("AIO_")
                || isc && name.starts_with("ISC_")
                || new && description::NEW.contains(&name.as_str())
        }
    }

    /// Notes an attribute of the draft language in a file of a later edition.
    fn of_1990(&mut self, name: &str, joined: &Joined) {
        if self.device.edition.is_some_and(|e| e > Edition::Y1990) {
            let message = format!("{name} belongs to the language of 1990");
            self.report.add(&rules::OF_1990, joined.span, message);
        }
    }
}
