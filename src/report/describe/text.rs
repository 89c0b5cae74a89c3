//! One device as text.

use taploom_bsdl::model::{Edition, Halt, Pattern, RegisterRef};
use taploom_bsdl::{Device, Severity};

use super::super::draw::{Package, Shape, package_of, package_text};
use super::super::pins::{PinKind, named_like_a_clock};
use super::super::{Table, plural, rate};
use super::words::{does, runs, within, wrapped};
use super::{Described, cautions, identity, selected_by};

/// Lines of running text are broken here.
const WIDTH: usize = 98;

/// The device in plain words, and a picture of its package.
pub fn describe_text(described: &Described<'_>) -> String {
    let device = described.device;
    let package = described.map.map(|m| package_of(device, m));
    let mut lines = vec![heading(device), String::new()];
    lines.extend(facts(described, package.as_ref()).lines());
    if let Some(package) = &package {
        lines.push(String::new());
        lines.push(format!("Pins of {}", package.name));
        lines.extend(pins(device, package));
    }
    if !device.instructions.is_empty() {
        lines.push(String::new());
        lines.push("Instructions".into());
        lines.extend(instructions(device));
    }
    let registers = registers(device);
    if !registers.is_empty() {
        lines.push(String::new());
        lines.push("Registers between TDI and TDO".into());
        lines.extend(registers);
    }
    let cautions = cautions(device, described.map);
    if !cautions.is_empty() {
        lines.push(String::new());
        lines.push("Mind".into());
        for caution in cautions {
            lines.extend(wrapped(&caution.text, WIDTH, "  ! ", "    "));
        }
    }
    if let Some(package) = &package {
        lines.push(String::new());
        lines.push(picture_heading(package));
        lines.push(String::new());
        lines.extend(package_text(package));
    }
    let (errors, warnings) = (
        described.file.count(Severity::Error),
        described.file.count(Severity::Warning),
    );
    if errors + warnings > 0 {
        lines.push(String::new());
        lines.push(format!(
            "The file has {} and {}: `taploom vet {}`",
            plural(errors, "error"),
            plural(warnings, "warning"),
            described.file.path
        ));
    }
    let mut text = lines.join("\n");
    text.push('\n');
    text
}

fn heading(device: &Device) -> String {
    let year = |e: Edition| e.year().to_string();
    match (device.edition, device.conformance) {
        (Some(language), Some(conforms)) => format!(
            "{}, described in the language of {}, said to conform to IEEE 1149.1 of {}",
            device.entity,
            year(language),
            year(conforms)
        ),
        (Some(language), None) => format!(
            "{}, described in the language of {}",
            device.entity,
            year(language)
        ),
        _ => device.entity.clone(),
    }
}

fn facts(described: &Described<'_>, package: Option<&Package>) -> Table {
    let device = described.device;
    let mut table = Table::default();
    let others: Vec<&str> = device
        .pin_maps
        .iter()
        .map(|m| &*m.name)
        .filter(|n| package.is_none_or(|p| p.name != *n))
        .collect();
    let beside = if others.is_empty() {
        String::new()
    } else {
        format!("; also described: {}", others.join(", "))
    };
    match package {
        Some(p) => table.row([
            "package",
            &format!(
                "{}, {}, {}{beside}",
                p.name,
                plural(p.pins.len(), "pin"),
                p.shape.words()
            ),
        ]),
        None => table.row(["package", "none in the file"]),
    }
    match &device.idcodes[..] {
        [] => table.row(["identity", "none: after reset it answers with BYPASS"]),
        codes => codes
            .iter()
            .for_each(|p| table.row(["identity", &identity::words(p)])),
    }
    for code in &device.usercodes {
        let words = if code.bits().iter().all(|t| t.value().is_none()) {
            "any".to_owned()
        } else {
            identity::hex(code)
        };
        table.row(["user code", &words]);
    }
    let capture = device.instruction_capture.as_ref().map_or_else(
        || "what it captures is not said".into(),
        |c| format!("captures {c}"),
    );
    table.row([
        "instructions",
        &format!(
            "{}, {capture}",
            plural(device.instruction_length as usize, "bit")
        ),
    ]);
    table.row(["boundary", &plural(device.boundary_length as usize, "cell")]);
    let stop = match device.tap.halt {
        Some(Halt::Low) => ", may stop only low",
        Some(Halt::Both) => ", may stop low or high",
        None => "",
    };
    let tck = match device.tap.max_hz {
        Some(hz) => format!(
            "at most {}{stop}",
            rate(hz.clamp(0.0, f64::from(u32::MAX)) as u32)
        ),
        None => "the file does not say how fast it may be".to_owned(),
    };
    table.row(["TCK", &tck]);
    table.row(["scan port", &tap(described)]);
    table
}

/// The TAP lines with their pins: `TDI 13, TMS 14, …`, with the port where that has another name.
fn tap(described: &Described<'_>) -> String {
    let device = described.device;
    let line = |name: &str, port: Option<u32>| {
        let port = port?;
        let own = &device.ports.get(port as usize)?.name;
        let alias = if own.eq_ignore_ascii_case(name) {
            String::new()
        } else {
            format!(" ({own})")
        };
        let pin = device
            .bits_of(port)
            .next()
            .and_then(|b| described.map?.pin_of(b));
        Some(format!(
            "{name}{alias} {}",
            pin.map_or_else(|| "on no pin".to_owned(), |p| format!("pin {}", p.name))
        ))
    };
    let lines: Vec<String> = [
        ("TDI", device.tap.tdi),
        ("TDO", device.tap.tdo),
        ("TMS", device.tap.tms),
        ("TCK", device.tap.tck),
        ("TRST*", device.tap.trst),
    ]
    .into_iter()
    .filter_map(|(name, port)| line(name, port))
    .collect();
    let reset = if device.tap.trst.is_none() {
        "; no TRST*"
    } else {
        ""
    };
    format!("{}{reset}", lines.join(", "))
}

fn pins(device: &Device, package: &Package) -> Vec<String> {
    let mut table = Table::new(&["mark", "kind", "pins", "which"]);
    for kind in PinKind::ALL {
        let of_kind: Vec<_> = package.pins.iter().filter(|p| p.kind == kind).collect();
        if of_kind.is_empty() {
            continue;
        }
        // Ports, not bits: a bus is one word.
        let mut ports: Vec<&str> = Vec::new();
        for pin in &of_kind {
            let port = pin.signal.split('(').next().unwrap_or_default();
            if ports.last() != Some(&port) {
                ports.push(port);
            }
        }
        let mut which = within(&runs(ports.iter().copied()), 56);
        if of_kind.iter().all(|p| p.by_name) {
            which.push_str("  (by name only)");
        } else if of_kind.iter().any(|p| p.by_name) {
            which.push_str("  (some by name only)");
        }
        table.row([
            kind.mark().to_string(),
            kind.words().to_owned(),
            of_kind.len().to_string(),
            which,
        ]);
    }
    let mut lines = table.lines();
    let likely: Vec<&str> = device
        .ports
        .iter()
        .map(|p| &*p.name)
        .filter(|n| named_like_a_clock(n))
        .filter(|n| {
            package
                .pins
                .iter()
                .any(|p| p.kind == PinKind::Input && p.signal.split('(').next() == Some(*n))
        })
        .collect();
    if !likely.is_empty() {
        lines.push(format!(
            "  By their names these inputs are clocks: {}.",
            within(&runs(likely), 56)
        ));
    }
    if package.pins.iter().any(|p| p.by_name) {
        lines.push("  Of supplies the file says no more than linkage; what is marked so is told by its name only.".into());
    }
    lines
}

fn instructions(device: &Device) -> Vec<String> {
    let mut table = Table::new(&["name", "code", "selects", "what it does"]);
    for i in &device.instructions {
        let code = match &i.opcodes[..] {
            [] => "-".to_owned(),
            [only] => short(only),
            [first, rest @ ..] => format!("{} +{}", short(first), rest.len()),
        };
        let selects = device
            .register_for(i)
            .map_or("-", |r| device.register_name(r));
        table.row([i.name.clone(), code, selects.to_owned(), does(device, i)]);
    }
    if device.instruction("BYPASS").is_none() {
        let ones = Pattern::ones(device.instruction_length.min(1 << 16) as usize);
        table.row([
            "BYPASS",
            &short(&ones),
            "BYPASS",
            "all ones, though the file does not list it",
        ]);
    }
    let mut lines = table.lines();
    if device.instructions.iter().any(|i| i.opcodes.len() > 1) {
        lines.push(
            "  +n: so many further codes do the same. Bit 0, the rightmost, is nearest TDO.".into(),
        );
    } else {
        lines.push("  Bit 0, the rightmost, is nearest TDO.".into());
    }
    lines
}

/// A long pattern is cut in its middle.
fn short(pattern: &Pattern) -> String {
    let text = pattern.to_string();
    if text.len() <= 32 {
        text
    } else {
        format!("{}...{}", &text[..12], &text[text.len() - 12..])
    }
}

fn registers(device: &Device) -> Vec<String> {
    let mut table = Table::default();
    let own = (0..device.registers.len() as u32).map(RegisterRef::Named);
    for register in [
        RegisterRef::Bypass,
        RegisterRef::Boundary,
        RegisterRef::DeviceId,
    ]
    .into_iter()
    .chain(own)
    {
        let by = selected_by(device, register);
        if by.is_empty() && !matches!(register, RegisterRef::Named(_)) {
            continue;
        }
        let length = device
            .register_length(register)
            .map_or_else(|| "length not said".into(), |n| plural(n as usize, "bit"));
        let by: Vec<String> = by.into_iter().map(str::to_owned).collect();
        let by = if by.is_empty() {
            "no instruction selects it".to_owned()
        } else {
            within(&by, 60)
        };
        table.row([device.register_name(register).to_owned(), length, by]);
    }
    table.lines()
}

fn picture_heading(package: &Package) -> String {
    match package.shape {
        Shape::Unknown => format!(
            "The pins of {} in the order of the file; how they are arranged is not known",
            package.name
        ),
        Shape::Grid { .. } => format!("{} from above, {}", package.name, package.basis.words()),
        Shape::Edges { .. } => format!(
            "{} from above, {}; o stands at pin 1, the numbers run counter-clockwise",
            package.name,
            package.basis.words()
        ),
    }
}
