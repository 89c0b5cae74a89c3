//! `[[device]]` tables.

use std::collections::HashMap;
use std::sync::Arc;

use taploom_bsdl::Device;
use taploom_bsdl::model::{Pattern, Trit};

use super::declared::BoardDevice;
use super::error::Cause;
use super::library::fnv1a;
use super::load::Loader;
use crate::tables::{Fault, Table, Text, natural_key, type_of};

const KEYS: [&str; 7] = [
    "name",
    "entity",
    "pin_map",
    "recipe",
    "ir_length",
    "idcode",
    "optional",
];
/// How an IDCODE is written.
const IDCODE: &str = "idcode = \"0x1xxxx0A7\", eight hexadecimal digits, x for any";

impl<'a> Loader<'a> {
    pub(super) fn read_devices(&mut self, root: &Table<'a>) {
        let tables = self.reader.each(root, "device", &KEYS);
        if !root.has("device") {
            self.reader.missing(
                root,
                "device",
                "a [[device]] for each part of the chain, TDI to TDO",
            );
        }
        for table in tables {
            self.read_device(&table);
        }
    }

    fn read_device(&mut self, table: &Table<'a>) {
        let r = &mut self.reader;
        let name = r.need(table, "name", "name = \"U1\"");
        let entity = r.text(table, "entity", "entity = \"HEDDLE_208\"");
        let pin_map = r.text(table, "pin_map", "pin_map = \"PQ208\"");
        let recipe = r.text(table, "recipe", "recipe = \"heddle.toml\"");
        let ir_length = r.whole(table, "ir_length", 2..=65_536, "ir_length = 5");
        let optional = r
            .flag(table, "optional", "optional = true")
            .unwrap_or(false);
        let idcode = self.idcode(table);
        let mut device = BoardDevice {
            name: name.as_ref().map_or("?", |n| n.text.trim()).into(),
            entity: None,
            bsdl: None,
            bsdl_path: None,
            pin_map: None,
            ir_length: ir_length.unwrap_or_default(),
            idcode_from_board: idcode.is_some(),
            idcodes: idcode.into_iter().collect(),
            recipe: None,
            optional,
            at: self.reader.locate(table.span.clone()),
            keys: HashMap::new(),
        };
        match &entity {
            Some(entity) => self.describe(&mut device, table, entity, pin_map.as_ref()),
            None if !table.has("entity") => {
                if !table.has("ir_length") {
                    let what = format!("device {} has neither entity nor ir_length", device.name);
                    let help = "name its BSDL entity, or give the length of its instruction register, as ir_length = 5".into();
                    self.reader
                        .report(table.span.clone(), Fault::Conflict { what, help });
                }
                if let Some(pin_map) = pin_map {
                    let what = "`pin_map` without `entity`: only a BSDL file has packages".into();
                    let help = "name the entity, or take the key out".into();
                    self.reader
                        .report(pin_map.span, Fault::Conflict { what, help });
                }
            }
            None => {}
        }
        if let Some(recipe) = recipe {
            device.recipe = self.file("recipe", &recipe).map(|(path, _)| path);
        }
        if let Some(name) = &name {
            self.unique("device", name);
            self.board.devices.push(device);
        }
    }

    /// Takes what the BSDL file says into the device.
    fn describe(
        &mut self,
        device: &mut BoardDevice,
        table: &Table<'a>,
        entity: &Text<'a>,
        pin_map: Option<&Text<'a>>,
    ) {
        let (bsdl, path, print) = match self.library.device(entity.text.trim()) {
            Ok(found) => found,
            Err(Cause::EntityNotFound { .. }) if self.library.incomplete => return,
            Err(cause) => return self.reader.report(entity.span.clone(), cause),
        };
        self.print = fnv1a(self.print, &print.to_le_bytes());
        let length = bsdl.instruction_length;
        if device.ir_length != 0 && device.ir_length != length {
            let span = table.key_span("ir_length").unwrap_or(table.span.clone());
            let what = format!(
                "`ir_length` is {}, but the BSDL file of {} says {length}",
                device.ir_length, bsdl.entity
            );
            let help = "take the key out, or name the right entity".into();
            self.reader.report(span, Fault::Conflict { what, help });
        }
        device.ir_length = length;
        if !device.idcode_from_board {
            device.idcodes = bsdl.idcodes.clone();
        }
        match package(&bsdl, pin_map.map(|p| p.text.trim())) {
            Ok(index) => {
                device.pin_map = Some(index);
                device.keys = bsdl.pin_maps[index]
                    .pins()
                    .map(|pin| (natural_key(pin.name), Arc::from(pin.name)))
                    .collect();
                device.bsdl = Some(bsdl.clone());
            }
            Err(what) => {
                let known = bsdl.pin_maps.iter().map(|m| m.name.clone()).collect();
                let span = pin_map.unwrap_or(entity).span.clone();
                self.reader.report(span, Cause::PinMap { what, known });
            }
        }
        device.entity = Some(bsdl.entity.clone());
        device.bsdl_path = Some(path);
    }

    /// `idcode`: a text of eight hexadecimal digits with x for any, or a number.
    fn idcode(&mut self, table: &Table<'a>) -> Option<Pattern> {
        let value = table.get("idcode")?;
        let written = match (value.get_ref().as_str(), value.get_ref().as_integer()) {
            (Some(text), _) => text.to_string(),
            (_, Some(number)) => match u32::from_str_radix(number.as_str(), number.radix()) {
                Ok(code) => format!("{code:08X}"),
                Err(_) => number.to_string(),
            },
            _ => {
                let found = type_of(value.get_ref());
                let cause = Fault::WrongType {
                    key: "idcode".into(),
                    found,
                    expected: "a string",
                    example: IDCODE,
                };
                self.reader.report(value.span(), cause);
                return None;
            }
        };
        let pattern = idcode_pattern(&written);
        if pattern.is_none() {
            let expected = "eight hexadecimal digits, x for any, as 0x1xxxx0A7".into();
            let cause = Fault::BadValue {
                key: "idcode".into(),
                found: format!("\"{written}\""),
                expected,
                near: None,
            };
            self.reader.report(value.span(), cause);
        }
        pattern
    }
}

/// `0x1xxxx0A7` as 32 bits, bit 0 nearest TDO; underscores ignored.
fn idcode_pattern(text: &str) -> Option<Pattern> {
    let text = text.trim();
    let digits = text
        .strip_prefix("0x")
        .or_else(|| text.strip_prefix("0X"))
        .unwrap_or(text)
        .replace('_', "");
    if digits.chars().count() != 8 {
        return None;
    }
    let mut bits = Vec::with_capacity(32);
    for digit in digits.chars().rev() {
        match digit {
            'x' | 'X' => bits.extend([Trit::X; 4]),
            _ => {
                let value = digit.to_digit(16)?;
                bits.extend((0..4).map(|i| Trit::from(value >> i & 1 == 1)));
            }
        }
    }
    Some(Pattern::from_bits(bits))
}

/// Which package to take; what is wrong, if there is no telling.
fn package(bsdl: &Device, written: Option<&str>) -> Result<usize, String> {
    let position = |name: &str| {
        bsdl.pin_maps
            .iter()
            .position(|m| m.name.eq_ignore_ascii_case(name))
    };
    match (written, bsdl.default_package()) {
        (Some(name), _) => {
            position(name).ok_or_else(|| format!("{} has no package {name}", bsdl.entity))
        }
        (None, Some(map)) => {
            position(&map.name).ok_or_else(|| format!("{} has no package", bsdl.entity))
        }
        (None, None) if bsdl.pin_maps.is_empty() => {
            Err(format!("{} has no pin map at all", bsdl.entity))
        }
        (None, None) => Err(format!(
            "{} comes in several packages and `pin_map` does not say which",
            bsdl.entity
        )),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn idcodes_are_read_with_any_digits() {
        let p = idcode_pattern("0x1xxxx0A7").unwrap();
        assert_eq!(p.to_string(), "0001XXXXXXXXXXXXXXXX000010100111");
        assert!(p.matches_u64(0x1ABC_D0A7) && !p.matches_u64(0x2ABC_D0A7));
        assert_eq!(
            idcode_pattern("0364_C093").unwrap().value_with_x_as(false),
            Some(0x0364_C093)
        );
        for wrong in ["0x123", "0x1234567G", "0x123456789", "", "é"] {
            assert_eq!(idcode_pattern(wrong), None, "{wrong}");
        }
    }
}
