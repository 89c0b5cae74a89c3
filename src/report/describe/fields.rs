//! One device as JSON.

use serde_json::{Value, json};
use taploom_bsdl::Device;
use taploom_bsdl::model::{Pattern, PinMap, RegisterRef};

use super::super::SourceText;
use super::super::draw::package_of;
use super::super::pins::PinKind;
use super::super::vet::{Vetted, diagnostic_value};
use super::{Described, cautions, identity};

/// The fields of the document `taploom.describe.v1`. Patterns are strings, most significant bit first; bit 0, the
/// rightmost, is nearest TDO.
pub fn describe_fields(described: &Described<'_>) -> Value {
    let device = described.device;
    let map = described.map;
    json!({
        "path": described.file.path,
        "entity": device.entity,
        "edition": device.edition.map(|e| e.as_str()),
        "conformance": device.conformance.map(|e| e.as_str()),
        "packages": device.pin_maps.iter().map(|m| &m.name).collect::<Vec<_>>(),
        "package": map.map(|m| package(device, m)),
        "instruction_length": device.instruction_length,
        "instruction_capture": device.instruction_capture.as_ref().map(Pattern::to_string),
        "instructions": instructions(device),
        "private_instructions": device.instructions.iter().filter(|i| i.private).map(|i| &i.name).collect::<Vec<_>>(),
        "idcodes": device.idcodes.iter().map(Pattern::to_string).collect::<Vec<_>>(),
        "identities": device.idcodes.iter().map(identity::value).collect::<Vec<_>>(),
        "usercodes": device.usercodes.iter().map(Pattern::to_string).collect::<Vec<_>>(),
        "boundary_length": device.boundary_length,
        "tap": tap(device, map),
        "ports": device.ports.iter().zip(0..).map(|(port, i)| json!({
            "name": port.name,
            "direction": port.mode.as_str(),
            "width": port.width(),
            "pins": map.map_or(Vec::new(), |m| pins(device, m, i)),
        })).collect::<Vec<_>>(),
        "cells": cells(device),
        "registers": registers(device),
        "cautions": cautions(device, map).into_iter().map(|c| json!({
            "kind": c.kind, "text": c.text, "ports": c.ports,
        })).collect::<Vec<_>>(),
        "diagnostics": diagnostics(described.file),
    })
}

fn package(device: &Device, map: &PinMap) -> Value {
    let package = package_of(device, map);
    let kinds = PinKind::ALL.into_iter().filter(|k| package.count(*k) > 0);
    let counts: serde_json::Map<String, Value> = kinds
        .map(|k| (k.word().to_owned(), json!(package.count(k))))
        .collect();
    json!({
        "name": package.name,
        "pins": package.pins.len(),
        "shape": package.shape.words(),
        "kinds": counts,
    })
}

fn instructions(device: &Device) -> Value {
    let mut map = serde_json::Map::new();
    for i in &device.instructions {
        let codes: Vec<String> = i.opcodes.iter().map(Pattern::to_string).collect();
        map.insert(i.name.clone(), json!(codes));
    }
    Value::Object(map)
}

/// The pins of a port, leftmost bit first.
fn pins<'m>(device: &Device, map: &'m PinMap, port: u32) -> Vec<&'m str> {
    device
        .bits_of(port)
        .take(1 << 20)
        .flat_map(|bit| map.pins_of(bit))
        .map(|p| p.name)
        .collect()
}

fn tap(device: &Device, map: Option<&PinMap>) -> Value {
    let line = |port: Option<u32>| {
        port.map(|p| {
            json!({
                "port": device.ports.get(p as usize).map(|p| &p.name),
                "pin": map.and_then(|m| pins(device, m, p).first().copied()),
            })
        })
    };
    json!({
        "TDI": line(device.tap.tdi),
        "TDO": line(device.tap.tdo),
        "TMS": line(device.tap.tms),
        "TCK": line(device.tap.tck),
        "TRST": line(device.tap.trst),
        "tck_max_hz": device.tap.max_hz,
        "tck_halt": device.tap.halt.map(|h| match h {
            taploom_bsdl::model::Halt::Low => "LOW",
            taploom_bsdl::model::Halt::Both => "BOTH",
        }),
    })
}

fn cells(device: &Device) -> Value {
    device
        .cells
        .iter()
        .map(|c| {
            json!({
                "number": c.number,
                "cell": device.cell_name(c.kind),
                "port": c.port.map_or_else(|| "*".to_owned(), |b| device.bit_name(b)),
                "function": c.function.as_str(),
                "safe": c.safe.to_string(),
                "control_cell": c.control.map(|d| d.cell),
                "disable_value": c.control.map(|d| u8::from(d.disable_value)),
                "disable_result": c.control.map(|d| d.result.as_str()),
            })
        })
        .collect()
}

/// Every register with its length and the instructions that select it.
fn registers(device: &Device) -> Value {
    let own = (0..device.registers.len() as u32).map(RegisterRef::Named);
    [
        RegisterRef::Bypass,
        RegisterRef::Boundary,
        RegisterRef::DeviceId,
    ]
    .into_iter()
    .chain(own)
    .filter_map(|register| {
        let by: Vec<&str> = super::selected_by(device, register);
        let standing = matches!(register, RegisterRef::Named(_) | RegisterRef::Bypass);
        (standing || !by.is_empty()).then(|| {
            json!({
                "name": device.register_name(register),
                "length": device.register_length(register),
                "instructions": by,
            })
        })
    })
    .collect()
}

fn diagnostics(file: &Vetted) -> Value {
    let text = SourceText::new(&file.path, &file.bytes);
    file.diagnostics
        .iter()
        .map(|d| diagnostic_value(&text, d))
        .collect()
}
