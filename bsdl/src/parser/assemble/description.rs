//! Attributes of the 2013 edition.

use super::super::cursor::latin;
use super::super::inner::{description, lists, ports};
use super::Assembly;
use crate::model::{
    Description, Edition, Field, FieldedRegister, Mnemonic, MnemonicGroup, PortBit,
    PowerAssociation, SystemClock,
};
use crate::rules;

/// Attributes that the 2013 edition brought.
pub(super) const NEW: [&str; 9] = [
    "ASSEMBLED_BOUNDARY_LENGTH",
    "BOUNDARY_SEGMENT",
    "POWER_PORT_ASSOCIATION",
    "REGISTER_ASSEMBLY",
    "REGISTER_ASSOCIATION",
    "REGISTER_CONSTRAINTS",
    "REGISTER_FIELDS",
    "REGISTER_MNEMONICS",
    "SYSCLOCK_REQUIREMENTS",
];

impl<'a> Assembly<'a, '_, '_> {
    pub(super) fn description(&mut self) {
        if self.device.edition != Some(Edition::Y2013) {
            return;
        }
        let mut new = Description::default();
        self.power(&mut new);
        self.clocks(&mut new);
        if let Some(frame) = self.beside_text("REGISTER_MNEMONICS") {
            let all = &mut new.mnemonics;
            frame.items(
                self.report,
                description::mnemonics,
                lists::starts,
                |_, (name, values), _| {
                    let values = values.into_iter().map(|(name, value, note)| Mnemonic {
                        name: latin(name),
                        value: latin(value),
                        note: note.map(latin),
                    });
                    all.push(MnemonicGroup {
                        name: latin(name),
                        values: values.collect(),
                    });
                },
                |_| {},
            );
        }
        self.fields(&mut new);
        if new != Description::default() {
            self.device.description = Some(new);
        }
    }

    /// A port of a 2013 attribute, vectors without index allowed.
    fn new_port(&mut self, named: ports::Named<'a>, frame: &super::Frame<'a>) -> Option<PortBit> {
        let named = (named.0, named.1, frame.span(named.2));
        self.bit(named, true, &rules::BESIDE_PORT, &rules::BESIDE_PORT)
    }

    fn power(&mut self, new: &mut Description) {
        let Some(frame) = self.beside_text("POWER_PORT_ASSOCIATION") else {
            return;
        };
        let mut all = Vec::new();
        frame.items(
            self.report,
            description::power,
            description::starts_power,
            |_, one, _| all.push(one),
            |_| {},
        );
        for (supply, fed) in all {
            let Some(power) = self.new_port(supply, &frame) else {
                continue;
            };
            let ports = fed
                .into_iter()
                .filter_map(|port| self.new_port(port, &frame))
                .collect();
            new.power.push(PowerAssociation { power, ports });
        }
    }

    fn clocks(&mut self, new: &mut Description) {
        let Some(frame) = self.beside_text("SYSCLOCK_REQUIREMENTS") else {
            return;
        };
        let mut all = Vec::new();
        frame.items(
            self.report,
            description::clock,
            |_| false,
            |_, one, _| all.push(one),
            |_| {},
        );
        for (port, min_hz, max_hz, instructions) in all {
            let Some(port) = self.new_port(port, &frame) else {
                continue;
            };
            let instructions = instructions.into_iter().map(latin).collect();
            new.clocks.push(SystemClock {
                port,
                min_hz,
                max_hz,
                instructions,
            });
        }
    }

    fn fields(&mut self, new: &mut Description) {
        let Some(frame) = self.beside_text("REGISTER_FIELDS") else {
            return;
        };
        let mut all = Vec::new();
        frame.items(
            self.report,
            description::fields,
            lists::starts,
            |_, one, _| all.push(one),
            |_| {},
        );
        for (name, length, fields) in all {
            let mut register = FieldedRegister {
                name: latin(name),
                length,
                fields: Vec::new(),
            };
            for field in fields {
                let span = frame.span(field.name);
                let bits: u64 = field.bits.iter().map(|r| r.width()).sum();
                let highest = field
                    .bits
                    .iter()
                    .map(|r| r.left.max(r.right))
                    .max()
                    .unwrap_or(0);
                let shown = latin(field.name);
                if bits != u64::from(field.width) {
                    let message =
                        format!("field {shown} has {} bits and names {bits}", field.width);
                    self.report.add(&rules::FIELD_BITS, span, message);
                } else if highest >= length {
                    let message =
                        format!("field {shown} names bit {highest} of a register of {length} bits");
                    self.report.add(&rules::FIELD_BITS, span, message);
                }
                let properties = field
                    .properties
                    .into_iter()
                    .map(|(word, text)| (latin(word), text.map(latin)));
                register.fields.push(Field {
                    name: shown,
                    width: field.width,
                    bits: field.bits,
                    properties: properties.collect(),
                    span,
                });
            }
            new.registers.push(register);
        }
    }
}
