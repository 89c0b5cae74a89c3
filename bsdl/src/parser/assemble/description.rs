//! Attributes of the 2013 edition.

use super::super::cursor::latin;
use super::super::inner::{Frame, description, lists, ports};
use super::Assembly;
use crate::model::{
    Description, Edition, Field, FieldedRegister, Mnemonic, MnemonicGroup, PortBit,
    PowerAssociation, SystemClock,
};
use crate::report::Report;
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

/// The groups that a REGISTER_MNEMONICS gives.
pub(in crate::parser) fn mnemonics(
    frame: &Frame<'_>,
    report: &mut Report<'_>,
) -> Vec<MnemonicGroup> {
    let mut all = Vec::new();
    frame.items(
        report,
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
    all
}

/// The registers that a REGISTER_FIELDS gives.
pub(in crate::parser) fn registers(
    frame: &Frame<'_>,
    report: &mut Report<'_>,
) -> Vec<FieldedRegister> {
    let mut all = Vec::new();
    frame.items(
        report,
        description::fields,
        lists::starts,
        |_, one, _| all.push(one),
        |_| {},
    );
    let registers = all.into_iter().map(|(name, length, fields)| {
        let fields = fields.into_iter().map(|field| {
            let properties = field.properties.into_iter();
            let properties = properties.map(|(word, text)| (latin(word), text.map(latin)));
            Field {
                name: latin(field.name),
                width: field.width,
                bits: field.bits,
                properties: properties.collect(),
                span: frame.span(field.name),
            }
        });
        FieldedRegister {
            name: latin(name),
            length,
            fields: fields.collect(),
        }
    });
    registers.collect()
}

impl<'a> Assembly<'a, '_, '_> {
    pub(super) fn description(&mut self) {
        if self.device.edition != Some(Edition::Y2013) {
            return;
        }
        let mut new = Description::default();
        self.power(&mut new);
        self.clocks(&mut new);
        if let Some(frame) = self.beside_text("REGISTER_MNEMONICS") {
            new.mnemonics = mnemonics(&frame, self.report);
        }
        if let Some(frame) = self.beside_text("REGISTER_FIELDS") {
            new.registers = registers(&frame, self.report);
        }
        self.assembled(&mut new);
        if new != Description::default() {
            self.device.description = Some(new);
        }
    }

    /// A port of a 2013 attribute, vectors without index allowed.
    pub(super) fn new_port(
        &mut self,
        named: ports::Named<'a>,
        frame: &Frame<'a>,
    ) -> Option<PortBit> {
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
            let span = frame.span(supply.2);
            let Some(power) = self.new_port(supply, &frame) else {
                continue;
            };
            let ports = fed
                .into_iter()
                .filter_map(|port| self.new_port(port, &frame))
                .collect();
            new.power.push(PowerAssociation { power, ports, span });
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
            let span = frame.span(port.2);
            let Some(port) = self.new_port(port, &frame) else {
                continue;
            };
            let instructions = instructions.into_iter().map(latin).collect();
            new.clocks.push(SystemClock {
                port,
                min_hz,
                max_hz,
                instructions,
                span,
            });
        }
    }
}
