//! Instructions, identity codes, register access.

use std::collections::HashMap;

use super::super::cursor::latin;
use super::super::inner::lists;
use super::Assembly;
use super::boundary::LONGEST;
use crate::model::{Edition, Instruction, Pattern, Register, RegisterRef};
use crate::names::{Name, NameTable};
use crate::rules;
use crate::span::Span;

/// The longest instruction register that this reader takes; whoever scans one makes room for it.
const LONGEST_OPCODE: u32 = 65_536;

impl<'a> Assembly<'a, '_, '_> {
    pub(super) fn instructions(&mut self) {
        if let Some((length, span)) = self.number("INSTRUCTION_LENGTH") {
            self.places.instruction_length = span;
            if length > LONGEST_OPCODE {
                let message =
                    format!("INSTRUCTION_LENGTH is {length}, this reader takes {LONGEST_OPCODE}");
                self.report.add(&rules::TOO_LONG, span, message);
                self.places.instruction_too_long = true;
            } else {
                self.device.instruction_length = length;
            }
        }
        if let Some(frame) = self.text("INSTRUCTION_OPCODE") {
            frame.whole_tokens(self.report);
            let (device, places, known) = (&mut self.device, &mut self.places, &mut self.known);
            frame.items(
                self.report,
                lists::opcode,
                lists::starts,
                |report, (name, codes), _| {
                    let span = frame.span(name);
                    let position = *known
                        .entry(Name(name))
                        .or_insert(device.instructions.len() as u32)
                        as usize;
                    let spans = codes.iter().map(|(_, piece)| frame.span(piece));
                    let spans: Vec<Span> = spans.collect();
                    let codes = codes.into_iter().map(|(code, _)| code);
                    match device.instructions.get_mut(position) {
                        None => {
                            places.opcodes.push(spans);
                            places.access.push(None);
                            places.captures.push(None);
                            device.instructions.push(Instruction {
                                name: latin(name),
                                opcodes: codes.collect(),
                                private: false,
                                access: None,
                                captures: None,
                                span,
                            });
                        }
                        Some(first) => {
                            report
                                .add(
                                    &rules::INSTRUCTION_TWICE,
                                    span,
                                    format!("{} is listed twice", first.name),
                                )
                                .also(first.span, "first listed here");
                            first.opcodes.extend(codes);
                            places.opcodes[position].extend(spans);
                        }
                    }
                },
                |_| {},
            );
        }
        if let Some((patterns, span)) = self.patterns("INSTRUCTION_CAPTURE") {
            self.places.capture = span;
            self.device.instruction_capture = patterns.into_iter().next().map(|(p, _)| p);
        }
        self.private();
        self.device.instruction_disable = self.instruction_1990("INSTRUCTION_DISABLE");
        self.device.instruction_guard = self.instruction_1990("INSTRUCTION_GUARD");
    }

    fn private(&mut self) {
        let Some(frame) = self.text("INSTRUCTION_PRIVATE") else {
            return;
        };
        self.places.private = frame.joined.span;
        let mut names = Vec::new();
        frame.items(
            self.report,
            lists::only_name,
            lists::starts_name,
            |_, name, _| names.push(name),
            |_| {},
        );
        for name in names {
            match self.instruction(name) {
                Some(position) => self.device.instructions[position].private = true,
                None => {
                    let span = frame.span(name);
                    self.no_instruction(
                        name,
                        span,
                        &rules::PRIVATE_STRANGER,
                        "INSTRUCTION_PRIVATE",
                    );
                }
            }
        }
    }

    /// The instruction that an attribute of the draft language names.
    fn instruction_1990(&mut self, attribute: &'static str) -> Option<String> {
        let frame = self.text(attribute)?;
        self.of_1990(attribute, frame.joined);
        let mut first = None;
        frame.items(
            self.report,
            lists::only_name,
            lists::starts_name,
            |_, name, _| first = first.take().or(Some(latin(name))),
            |_| {},
        );
        first
    }

    fn instruction(&self, name: &[u8]) -> Option<usize> {
        self.known.get(&Name(name)).map(|i| *i as usize)
    }

    fn no_instruction(&mut self, name: &[u8], span: Span, rule: &'static rules::Rule, place: &str) {
        let name = latin(name);
        let known = self.device.instructions.iter().map(|i| i.name.as_str());
        let help = self
            .report
            .suggest(&name, known, "list it with its code in INSTRUCTION_OPCODE");
        self.report
            .add(
                rule,
                span,
                format!("{place} names {name}, which has no opcode"),
            )
            .help(help);
    }

    /// Patterns separated by commas, with their places, and the place of the whole.
    fn patterns(&mut self, name: &'static str) -> Option<(Vec<(Pattern, Span)>, Span)> {
        let frame = self.text(name)?;
        let mut all = Vec::new();
        frame.items(
            self.report,
            lists::only_pattern,
            lists::starts_name,
            |_, (pattern, piece), _| all.push((pattern, frame.span(piece))),
            |_| {},
        );
        Some((all, frame.joined.span))
    }

    pub(super) fn registers(&mut self) {
        if let Some((codes, _)) = self.patterns("IDCODE_REGISTER") {
            (self.device.idcodes, self.places.idcodes) = codes.into_iter().unzip();
        }
        if let Some((codes, _)) = self.patterns("USERCODE_REGISTER") {
            (self.device.usercodes, self.places.usercodes) = codes.into_iter().unzip();
        }
        let Some(frame) = self.text("REGISTER_ACCESS") else {
            return;
        };
        let mut items = Vec::new();
        frame.items(
            self.report,
            lists::access,
            lists::starts,
            |_, access, _| items.push(access),
            |_| {},
        );
        frame.whole_tokens(self.report);
        let mut registers = NameTable::new();
        // From 2013 on the length may stand with the fields or the parts of a register.
        let new = self.device.description.as_ref();
        let fields = new.into_iter().flat_map(|d| &d.registers);
        let assembled = new.into_iter().flat_map(|d| &d.assemblies);
        let assembled = assembled.filter_map(|a| Some((&a.name, a.length?)));
        let lengths: HashMap<String, u32> = assembled
            .chain(fields.map(|r| (&r.name, r.length)))
            .map(|(name, length)| (name.to_ascii_uppercase(), length))
            .collect();
        for access in items {
            // A register enters the device with the first instruction that selects it.
            let mut register = None;
            for (name, captures) in &access.instructions {
                let span = frame.span(name);
                let Some(position) = self.instruction(name) else {
                    // BYPASS is there without an opcode of its own: all ones.
                    if !name.eq_ignore_ascii_case(b"BYPASS") {
                        self.no_instruction(name, span, &rules::ACCESS_STRANGER, "REGISTER_ACCESS");
                    }
                    continue;
                };
                if let Some(first) = self.places.access[position] {
                    self.second_access(position, (span, first), access.register);
                    continue;
                }
                let place = frame.span(access.register);
                let register = *register
                    .get_or_insert_with(|| self.register(&access, place, &mut registers, &lengths));
                let captures = captures
                    .as_ref()
                    .map(|(pattern, piece)| (pattern.clone(), frame.span(piece)));
                self.access(position, span, register, captures);
            }
        }
    }

    /// The register of an item; a new name is entered into the device.
    fn register(
        &mut self,
        access: &lists::Access<'a>,
        span: Span,
        known: &mut NameTable<'a>,
        lengths: &HashMap<String, u32>,
    ) -> RegisterRef {
        let name = access.register;
        for (fixed, word, length) in [
            (RegisterRef::Bypass, "BYPASS", Some(1)),
            (RegisterRef::Boundary, "BOUNDARY", None),
            (RegisterRef::DeviceId, "DEVICE_ID", Some(32)),
        ] {
            if name.eq_ignore_ascii_case(word.as_bytes()) {
                if access.length.is_some() && length.is_some() && access.length != length {
                    let message = format!(
                        "{word} has the length {} by the standard",
                        length.unwrap_or(0)
                    );
                    self.report.add(&rules::REGISTER_LENGTH, span, message);
                }
                return fixed;
            }
        }
        let shown = latin(name);
        if access.length == Some(0) {
            self.report.add(
                &rules::REGISTER_LENGTH,
                span,
                format!("register {shown} has no bits"),
            );
        }
        let next = self.device.registers.len() as u32;
        let position = *known.entry(Name(name)).or_insert(next);
        let Some(first) = self.device.registers.get_mut(position as usize) else {
            // From 2013 on REGISTER_FIELDS and the like may give the length.
            let new = self.device.edition == Some(Edition::Y2013);
            let fields = lengths
                .get(&shown.to_ascii_uppercase())
                .copied()
                .filter(|_| new);
            let length = access.length.or(fields);
            let too_long = length.is_some_and(|n| n > LONGEST);
            if let Some(n) = length.filter(|_| too_long) {
                let message = format!("register {shown} has {n} bits, this reader takes {LONGEST}");
                self.report.add(&rules::TOO_LONG, span, message);
            }
            let length = length.filter(|_| !too_long);
            if length.is_none() && !too_long && !new {
                let message = format!("register {shown} has no length");
                self.report.add(&rules::REGISTER_LENGTH, span, message);
            }
            self.device.registers.push(Register {
                name: shown,
                length,
                span,
            });
            return RegisterRef::Named(position);
        };
        match (first.length, access.length) {
            (Some(old), Some(new)) if old != new => {
                self.report
                    .add(
                        &rules::REGISTER_LENGTH,
                        span,
                        format!("register {shown} has {new} bits here, {old} before"),
                    )
                    .also(first.span, "first named here");
            }
            (None, new) => first.length = new.filter(|n| *n <= LONGEST),
            _ => {}
        }
        RegisterRef::Named(position)
    }

    fn access(
        &mut self,
        position: usize,
        span: Span,
        register: RegisterRef,
        captures: Option<(Pattern, Span)>,
    ) {
        let instruction = &mut self.device.instructions[position];
        self.places.access[position] = Some(span);
        instruction.access = Some(register);
        if let Some((pattern, place)) = captures {
            instruction.captures = Some(pattern);
            self.places.captures[position] = Some(place);
        }
    }

    /// An instruction named once more; a repetition of the same register is fine.
    fn second_access(&mut self, position: usize, (span, first): (Span, Span), register: &[u8]) {
        let instruction = &self.device.instructions[position];
        let Some(selected) = instruction.access else {
            return;
        };
        let selected = self.device.register_name(selected);
        if !selected.as_bytes().eq_ignore_ascii_case(register) {
            let message = format!(
                "{} selects a second register beside {selected}",
                instruction.name
            );
            self.report
                .add(&rules::ACCESS_TWICE, span, message)
                .also(first, "the first one");
        } else {
            let message = format!("{} is named twice under {selected}", instruction.name);
            self.report
                .add(&rules::ACCESS_AGAIN, span, message)
                .also(first, "the first time");
        }
    }
}
