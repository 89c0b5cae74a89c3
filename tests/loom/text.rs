//! A plain writer of BSDL text, until the crate's own printer is there.

use std::fmt::Write;

use taploom_bsdl::Device;
use taploom_bsdl::model::{Halt, RegisterRef};

pub(crate) fn print(d: &Device) -> String {
    let mut s = String::new();
    let e = &d.entity;
    let attr = |s: &mut String, name: &str, value: &[String], sep: &str| {
        writeln!(s, "attribute {name} of {e} : entity is").unwrap();
        for (i, v) in value.iter().enumerate() {
            let last = i + 1 == value.len();
            writeln!(
                s,
                "  \"{v}{}\"{}",
                if last { "" } else { sep },
                if last { ";" } else { " &" }
            )
            .unwrap();
        }
        s.push('\n');
    };
    writeln!(s, "entity {e} is\n").unwrap();
    writeln!(
        s,
        "generic (PHYSICAL_PIN_MAP : string := \"{}\");\n",
        d.default_pin_map.as_deref().unwrap()
    )
    .unwrap();
    s.push_str("port (\n");
    for (i, p) in d.ports.iter().enumerate() {
        let kind = p.range.map_or("bit".into(), |r| {
            format!("bit_vector({} to {})", r.left, r.right)
        });
        let end = if i + 1 == d.ports.len() { "" } else { ";" };
        writeln!(s, "  {} : {} {kind}{end}", p.name, p.mode.as_str()).unwrap();
    }
    s.push_str(");\n\n");
    writeln!(s, "use {}.all;\n", d.edition.unwrap().as_str()).unwrap();
    attr(
        &mut s,
        "COMPONENT_CONFORMANCE",
        &[d.conformance.unwrap().as_str().into()],
        "",
    );
    writeln!(
        s,
        "attribute PIN_MAP of {e} : entity is PHYSICAL_PIN_MAP;\n"
    )
    .unwrap();
    for map in &d.pin_maps {
        writeln!(s, "constant {} : PIN_MAP_STRING :=", map.name).unwrap();
        for (i, p) in d.ports.iter().enumerate() {
            let pins: Vec<_> = d
                .bits_of(i as u32)
                .map(|b| map.pin_of(b).unwrap().name.to_string())
                .collect();
            let pins = if p.range.is_some() {
                format!("({})", pins.join(", "))
            } else {
                pins[0].clone()
            };
            let last = i + 1 == d.ports.len();
            writeln!(
                s,
                "  \"{}:{pins}{}\"{}",
                p.name,
                if last { "" } else { ", " },
                if last { ";" } else { " &" }
            )
            .unwrap();
        }
        s.push('\n');
    }
    let port = |p: Option<u32>| d.ports[p.unwrap() as usize].name.as_str();
    writeln!(
        s,
        "attribute TAP_SCAN_IN of {} : signal is true;",
        port(d.tap.tdi)
    )
    .unwrap();
    writeln!(
        s,
        "attribute TAP_SCAN_MODE of {} : signal is true;",
        port(d.tap.tms)
    )
    .unwrap();
    writeln!(
        s,
        "attribute TAP_SCAN_OUT of {} : signal is true;",
        port(d.tap.tdo)
    )
    .unwrap();
    if d.tap.trst.is_some() {
        writeln!(
            s,
            "attribute TAP_SCAN_RESET of {} : signal is true;",
            port(d.tap.trst)
        )
        .unwrap();
    }
    let halt = if d.tap.halt == Some(Halt::Low) {
        "LOW"
    } else {
        "BOTH"
    };
    let mega = d.tap.max_hz.unwrap() / 1e6;
    writeln!(
        s,
        "attribute TAP_SCAN_CLOCK of {} : signal is ({mega:.1}e6, {halt});\n",
        port(d.tap.tck)
    )
    .unwrap();
    writeln!(
        s,
        "attribute INSTRUCTION_LENGTH of {e} : entity is {};\n",
        d.instruction_length
    )
    .unwrap();
    let join = |list: &[taploom_bsdl::model::Pattern]| {
        list.iter()
            .map(|p| p.to_string())
            .collect::<Vec<_>>()
            .join(", ")
    };
    let codes: Vec<_> = d
        .instructions
        .iter()
        .map(|i| format!("{} ({})", i.name, join(&i.opcodes)))
        .collect();
    attr(&mut s, "INSTRUCTION_OPCODE", &codes, ", ");
    attr(
        &mut s,
        "INSTRUCTION_CAPTURE",
        &[d.instruction_capture.as_ref().unwrap().to_string()],
        "",
    );
    let private: Vec<_> = d
        .instructions
        .iter()
        .filter(|i| i.private)
        .map(|i| i.name.clone())
        .collect();
    if !private.is_empty() {
        attr(&mut s, "INSTRUCTION_PRIVATE", &private, ", ");
    }
    attr(&mut s, "IDCODE_REGISTER", &[join(&d.idcodes)], "");
    attr(&mut s, "USERCODE_REGISTER", &[join(&d.usercodes)], "");
    let mut access: Vec<(String, Vec<String>)> = vec![];
    for i in &d.instructions {
        let name = match i.access {
            Some(RegisterRef::Bypass) => "BYPASS".to_string(),
            Some(RegisterRef::Named(n)) => {
                let r = &d.registers[n as usize];
                format!("{}[{}]", r.name, r.length.unwrap())
            }
            _ => continue,
        };
        let how = i
            .captures
            .as_ref()
            .map_or(i.name.clone(), |c| format!("{} CAPTURES {c}", i.name));
        match access.iter_mut().find(|(n, _)| *n == name) {
            Some((_, list)) => list.push(how),
            None => access.push((name, vec![how])),
        }
    }
    let access: Vec<_> = access
        .iter()
        .map(|(n, l)| format!("{n} ({})", l.join(", ")))
        .collect();
    if !access.is_empty() {
        attr(&mut s, "REGISTER_ACCESS", &access, ", ");
    }
    writeln!(
        s,
        "attribute BOUNDARY_LENGTH of {e} : entity is {};\n",
        d.boundary_length
    )
    .unwrap();
    let cells: Vec<_> = d
        .cells
        .iter()
        .map(|c| {
            let port = c.port.map_or("*".into(), |b| d.bit_name(b));
            let control = c.control.map_or(String::new(), |k| {
                format!(
                    ", {}, {}, {}",
                    k.cell,
                    u8::from(k.disable_value),
                    k.result.as_str()
                )
            });
            format!(
                "{} ({}, {port}, {}, {}{control})",
                c.number,
                d.cell_name(c.kind),
                c.function.as_str(),
                c.safe
            )
        })
        .collect();
    attr(&mut s, "BOUNDARY_REGISTER", &cells, ", ");
    attr(
        &mut s,
        "DESIGN_WARNING",
        &[d.design_warnings[0].clone()],
        "",
    );
    writeln!(s, "end {e};").unwrap();
    s
}
