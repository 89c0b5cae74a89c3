//! Model to BSDL text, in the order and form of the standard: reading the text again gives the same model.

use std::fmt::Write;

use crate::model::{
    CellCapture, CellInfo, Device, DifferentialKind, Extension, FUNCTION_WORDS, Halt, MODE_WORDS,
    Observing, Pattern, Pin, PinMap, PortBit, RegisterRef, SOURCE_WORDS, Wait,
};

/// Text of a string literal is broken before this many characters.
const WIDTH: usize = 96;

/// Writes a device as BSDL text, LF line ends, in the standard's order of statements.
///
/// `parse(print(d))` gives the same model as `d` (see [`Device::same_model`]) for every `d` that came from
/// [`parse`](crate::parse) or obeys the standard. What the model lacks is left out.
pub fn print(device: &Device) -> String {
    let mut p = Printer {
        out: String::new(),
        device,
    };
    p.packages();
    p.head();
    p.pin_maps();
    p.scan_port();
    p.instructions();
    p.registers();
    p.boundary();
    p.tests();
    p.extensions();
    let _ = writeln!(p.out, "end {};", device.entity);
    p.out
}

struct Printer<'d> {
    out: String,
    device: &'d Device,
}

impl Printer<'_> {
    fn line(&mut self, text: impl AsRef<str>) {
        self.out.push_str("  ");
        self.out.push_str(text.as_ref());
        self.out.push('\n');
    }

    /// `attribute NAME of ENTITY : entity is VALUE;`
    fn plain(&mut self, name: &str, value: &str) {
        let entity = &self.device.entity;
        self.line(format!("attribute {name} of {entity} : entity is {value};"));
    }

    /// The same with strings, one line for each piece.
    fn strings(&mut self, name: &str, items: &[String]) {
        let entity = &self.device.entity;
        self.line(format!("attribute {name} of {entity} : entity is"));
        self.literals(items, ", ");
    }

    /// Items with separators as literals joined by `&`, each on its line, and a semicolon.
    fn literals(&mut self, items: &[String], separator: &str) {
        let mut pieces = Vec::new();
        for (i, item) in items.iter().enumerate() {
            let last = i + 1 == items.len();
            wrap(
                &format!("{item}{}", if last { "" } else { separator }),
                &mut pieces,
            );
        }
        if pieces.is_empty() {
            pieces.push(String::new());
        }
        for (i, piece) in pieces.iter().enumerate() {
            let end = if i + 1 == pieces.len() { ";" } else { " &" };
            self.line(format!("  \"{}\"{end}", quoted(piece)));
        }
    }

    /// The packages that explain the device's cells, as far as it needs them.
    fn packages(&mut self) {
        let infos: Vec<&CellInfo> = self.device.other_infos.iter().flatten().collect();
        let mut names: Vec<&str> = Vec::new();
        for info in &infos {
            if !names.iter().any(|n| n.eq_ignore_ascii_case(&info.package)) {
                names.push(&info.package);
            }
        }
        for name in names {
            let own = infos
                .iter()
                .filter(|i| i.package.eq_ignore_ascii_case(name));
            if let Some(edition) = self.device.edition {
                let _ = writeln!(self.out, "use {edition}.all;");
            }
            let _ = writeln!(self.out, "package {name} is");
            for info in own.clone() {
                self.line(format!("constant {} : CELL_INFO;", info.name));
            }
            let _ = writeln!(self.out, "end {name};\npackage body {name} is");
            for info in own {
                let triples: Vec<_> = info.captures.iter().map(triple).collect();
                self.line(format!(
                    "constant {} : CELL_INFO :=\n    ({});",
                    info.name,
                    triples.join(",\n     ")
                ));
            }
            let _ = writeln!(self.out, "end {name};\n");
        }
    }

    fn head(&mut self) {
        let d = self.device;
        let _ = writeln!(self.out, "entity {} is", d.entity);
        match &d.default_pin_map {
            Some(name) => self.line(format!(
                "generic (PHYSICAL_PIN_MAP : string := \"{}\");",
                quoted(name)
            )),
            None => self.line("generic (PHYSICAL_PIN_MAP : string);"),
        }
        if !d.ports.is_empty() {
            self.line("port (");
            for (i, port) in d.ports.iter().enumerate() {
                let kind = match port.range {
                    None => "bit".to_owned(),
                    Some(r) => {
                        let word = if r.left <= r.right { "to" } else { "downto" };
                        format!("bit_vector ({} {word} {})", r.left, r.right)
                    }
                };
                let end = if i + 1 == d.ports.len() { "" } else { ";" };
                self.line(format!(
                    "  {} : {} {kind}{end}",
                    port.name,
                    port.mode.as_str()
                ));
            }
            self.line(");");
        }
        if let Some(edition) = d.edition {
            self.line(format!("use {edition}.all;"));
        }
        for package in &d.packages {
            self.line(format!("use {package}.all;"));
        }
        if let Some(edition) = d.conformance {
            self.plain("COMPONENT_CONFORMANCE", &format!("\"{edition}\""));
        }
    }

    fn pin_maps(&mut self) {
        let d = self.device;
        self.plain("PIN_MAP", "PHYSICAL_PIN_MAP");
        for map in &d.pin_maps {
            self.line(format!("constant {} : PIN_MAP_STRING :=", map.name));
            let items: Vec<_> = by_port(map)
                .into_iter()
                .map(|(port, pins)| self.mapping(port, pins))
                .collect();
            self.literals(&items, ", ");
        }
        let mut groups = Vec::new();
        for group in &d.groups {
            let kind = match group.kind {
                DifferentialKind::Voltage => "DIFFERENTIAL_VOLTAGE",
                DifferentialKind::Current => "DIFFERENTIAL_CURRENT",
            };
            let pair = |p: &crate::model::PortPair| {
                format!(
                    "({}, {})",
                    d.bit_name(p.representative),
                    d.bit_name(p.associated)
                )
            };
            groups.push(format!("{kind} ({})", comma(group.pairs.iter().map(pair))));
        }
        if !groups.is_empty() {
            self.strings("PORT_GROUPING", &groups);
        }
    }

    /// `PORT : PIN` or `PORT : (PIN, …)`, a vector's pins from the leftmost index on.
    fn mapping(&self, port: u32, mut pins: Vec<Pin<'_>>) -> String {
        let Some(known) = self.device.ports.get(port as usize) else {
            return String::new();
        };
        if let Some(range) = known.range {
            pins.sort_by_key(|p| p.bit.index.map(|i| i.abs_diff(range.left)));
        }
        let names = pins.iter().map(|p| p.name.to_owned());
        if known.range.is_none() && pins.len() == 1 {
            format!("{} : {}", known.name, comma(names))
        } else {
            format!("{} : ({})", known.name, comma(names))
        }
    }

    fn scan_port(&mut self) {
        let d = self.device;
        let name = |port: u32| d.ports.get(port as usize).map_or("?", |p| &p.name);
        for (attribute, port) in [
            ("TAP_SCAN_IN", d.tap.tdi),
            ("TAP_SCAN_OUT", d.tap.tdo),
            ("TAP_SCAN_MODE", d.tap.tms),
            ("TAP_SCAN_RESET", d.tap.trst),
        ] {
            if let Some(port) = port {
                self.line(format!(
                    "attribute {attribute} of {} : signal is true;",
                    name(port)
                ));
            }
        }
        if let Some(tck) = d.tap.tck {
            let value = match (d.tap.max_hz, d.tap.halt) {
                (None, None) => "true".to_owned(),
                (rate, halt) => {
                    let halt = if halt == Some(Halt::Both) {
                        "BOTH"
                    } else {
                        "LOW"
                    };
                    format!("({}, {halt})", real(rate.unwrap_or(0.0)))
                }
            };
            self.line(format!(
                "attribute TAP_SCAN_CLOCK of {} : signal is {value};",
                name(tck)
            ));
        }
        if let Some(compliance) = &d.compliance {
            let ports = comma(compliance.ports.iter().map(|b| d.bit_name(*b)));
            let patterns = comma(compliance.patterns.iter().map(Pattern::to_string));
            self.strings("COMPLIANCE_PATTERNS", &[format!("({ports}) ({patterns})")]);
        }
    }

    fn instructions(&mut self) {
        let d = self.device;
        if d.instruction_length > 0 {
            self.plain("INSTRUCTION_LENGTH", &d.instruction_length.to_string());
        }
        if !d.instructions.is_empty() {
            let items = d.instructions.iter();
            let items = items.map(|i| {
                format!(
                    "{} ({})",
                    i.name,
                    comma(i.opcodes.iter().map(Pattern::to_string))
                )
            });
            self.strings("INSTRUCTION_OPCODE", &items.collect::<Vec<_>>());
        }
        if let Some(capture) = &d.instruction_capture {
            self.strings("INSTRUCTION_CAPTURE", &[capture.to_string()]);
        }
        if let Some(name) = &d.instruction_disable {
            self.plain("INSTRUCTION_DISABLE", &format!("\"{name}\""));
        }
        if let Some(name) = &d.instruction_guard {
            self.plain("INSTRUCTION_GUARD", &format!("\"{name}\""));
        }
        let private: Vec<_> = d
            .instructions
            .iter()
            .filter(|i| i.private)
            .map(|i| i.name.clone())
            .collect();
        if !private.is_empty() {
            self.strings("INSTRUCTION_PRIVATE", &private);
        }
    }

    fn registers(&mut self) {
        let d = self.device;
        for (name, codes) in [
            ("IDCODE_REGISTER", &d.idcodes),
            ("USERCODE_REGISTER", &d.usercodes),
        ] {
            let codes: Vec<_> = codes.iter().map(Pattern::to_string).collect();
            if !codes.is_empty() {
                self.strings(name, &codes);
            }
        }
        let fixed = [
            RegisterRef::Bypass,
            RegisterRef::Boundary,
            RegisterRef::DeviceId,
        ];
        let named = (0..d.registers.len() as u32).map(RegisterRef::Named);
        let mut items = Vec::new();
        for register in fixed.into_iter().chain(named) {
            let selecting = d.instructions.iter().filter(|i| i.access == Some(register));
            let instructions: Vec<_> = selecting
                .map(|i| match &i.captures {
                    Some(captures) => format!("{} CAPTURES {captures}", i.name),
                    None => i.name.clone(),
                })
                .collect();
            if instructions.is_empty() {
                continue;
            }
            let length = match register {
                RegisterRef::Named(_) => d.register_length(register).map(|n| format!("[{n}]")),
                _ => None,
            };
            let name = d.register_name(register);
            items.push(format!(
                "{name}{} ({})",
                length.unwrap_or_default(),
                comma(instructions.into_iter())
            ));
        }
        if !items.is_empty() {
            self.strings("REGISTER_ACCESS", &items);
        }
    }

    fn boundary(&mut self) {
        let d = self.device;
        if !d.boundary_cells.is_empty() {
            self.strings("BOUNDARY_CELLS", &d.boundary_cells);
        }
        if d.boundary_length > 0 {
            self.plain("BOUNDARY_LENGTH", &d.boundary_length.to_string());
        }
        // As a string it stands among the extensions.
        const ASSEMBLED: &str = "ASSEMBLED_BOUNDARY_LENGTH";
        let is = |e: &Extension| e.name.eq_ignore_ascii_case(ASSEMBLED) && e.value.is_some();
        let length = d.description.as_ref().and_then(|d| d.assembled_length);
        if let Some(length) = length.filter(|_| !d.extensions.iter().any(is)) {
            self.plain(
                ASSEMBLED,
                &format!("({}, {})", length.after_reset, length.all),
            );
        }
        if d.cells.is_empty() {
            return;
        }
        let mut open = d.open_inputs.iter().peekable();
        let mut line = |(position, c): (u32, &crate::model::Cell)| {
            let port = c
                .port
                .map_or_else(|| "*".to_owned(), |bit: PortBit| d.bit_name(bit));
            let (cell, function) = (
                d.cell_name(c.kind),
                c.function.as_str().to_ascii_lowercase(),
            );
            let mut text = format!("{} ({cell}, {port}, {function}, {}", c.number, c.safe);
            if let Some(control) = c.control {
                let level = u8::from(control.disable_value);
                let _ = write!(
                    text,
                    ", {}, {level}, {}",
                    control.cell,
                    control.result.as_str()
                );
            }
            if let Some((_, value)) = open.next_if(|(p, _)| *p == position) {
                let _ = write!(text, ", {}", value.as_str());
            }
            text + ")"
        };
        let items: Vec<_> = (0..).zip(&d.cells).map(&mut line).collect();
        self.strings("BOUNDARY_REGISTER", &items);
    }

    fn tests(&mut self) {
        let d = self.device;
        if let Some(runbist) = &d.runbist {
            let expect = runbist.expect.as_ref().map(|p| format!("Expect_Data {p}"));
            let items = execution(&runbist.wait, runbist.observing).chain(expect);
            self.strings("RUNBIST_EXECUTION", &items.collect::<Vec<_>>());
        }
        if let Some(intest) = &d.intest {
            let items = execution(&intest.wait, intest.observing);
            self.strings("INTEST_EXECUTION", &items.collect::<Vec<_>>());
        }
    }

    fn extensions(&mut self) {
        let d = self.device;
        for extension in d.extensions.iter().filter(|e| e.declared) {
            self.line(format!("attribute {} : BSDL_EXTENSION;", extension.name));
        }
        for extension in &d.extensions {
            if let Some(value) = &extension.value {
                self.strings(&extension.name, std::slice::from_ref(value));
            }
        }
        for warning in &d.design_warnings {
            self.strings("DESIGN_WARNING", std::slice::from_ref(warning));
        }
    }
}

/// `(FUNCTION, INSTRUCTION, DATA)`.
fn triple(capture: &CellCapture) -> String {
    let function = FUNCTION_WORDS
        .iter()
        .find(|(_, f, d)| (*f, *d) == (capture.function, capture.driving));
    let mode = MODE_WORDS.iter().find(|(_, m)| *m == capture.mode);
    let source = SOURCE_WORDS.iter().find(|(_, s)| *s == capture.source);
    let word = |found: Option<&'static str>| found.unwrap_or("X");
    format!(
        "({}, {}, {})",
        word(function.map(|f| f.0)),
        word(mode.map(|m| m.0)),
        word(source.map(|s| s.0))
    )
}

/// The ports of a map in the order of their first pins, each with all of them.
fn by_port(map: &PinMap) -> Vec<(u32, Vec<Pin<'_>>)> {
    let mut positions = std::collections::HashMap::new();
    let mut ports: Vec<(u32, Vec<Pin<'_>>)> = Vec::new();
    for pin in map.pins() {
        let position = *positions.entry(pin.bit.port).or_insert(ports.len());
        if position == ports.len() {
            ports.push((pin.bit.port, Vec::new()));
        }
        ports[position].1.push(pin);
    }
    ports
}

fn execution(wait: &[Wait], observing: Option<Observing>) -> impl Iterator<Item = String> {
    let durations = wait.iter().map(|w| match w {
        Wait::Seconds(seconds) => real(*seconds),
        Wait::Cycles { port, count } => format!("{port} {count}"),
    });
    let durations = (!wait.is_empty()).then(|| format!("Wait_Duration ({})", comma(durations)));
    let observing = observing.map(|o| match o {
        Observing::HighZ => "Observing HIGHZ At_Pins".to_owned(),
        Observing::Boundary => "Observing BOUNDARY At_Pins".to_owned(),
    });
    durations.into_iter().chain(observing)
}

fn comma(items: impl Iterator<Item = String>) -> String {
    items.collect::<Vec<_>>().join(", ")
}

/// A real number as VHDL writes it, with a point; exact when read again.
fn real(value: f64) -> String {
    let text = format!("{value:e}");
    match text.split_once('e') {
        Some((mantissa, exponent)) if !mantissa.contains('.') => format!("{mantissa}.0e{exponent}"),
        _ => text,
    }
}

/// Cuts a text into pieces of at most [`WIDTH`] characters, behind a comma or blank where there is one.
fn wrap(text: &str, pieces: &mut Vec<String>) {
    let mut rest = text;
    while rest.len() > WIDTH {
        let limit = (0..=WIDTH)
            .rev()
            .find(|i| rest.is_char_boundary(*i))
            .unwrap_or(rest.len());
        let cut = rest[..limit].rfind([',', ' ']).map_or(limit, |i| i + 1);
        let (piece, later) = rest.split_at(cut);
        pieces.push(piece.to_owned());
        rest = later;
    }
    pieces.push(rest.to_owned());
}

/// Text as it stands between quotes: quotes doubled, line ends (which a string cannot hold) as blanks.
fn quoted(text: &str) -> String {
    text.replace('"', "\"\"").replace(['\n', '\r'], " ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reals_keep_their_value() {
        for value in [6.0e6, 20.0e6, 33_333_333.333, 1.0e-7, 0.1, 0.0] {
            let text = real(value);
            assert!(
                text.contains('.') && text.parse::<f64>() == Ok(value),
                "{text}"
            );
        }
    }

    #[test]
    fn long_text_is_cut_between_items() {
        let text = (0..60)
            .map(|i| i.to_string())
            .collect::<Vec<_>>()
            .join(", ");
        let mut pieces = Vec::new();
        wrap(&text, &mut pieces);
        assert_eq!(pieces.concat(), text);
        assert!(pieces.len() > 1 && pieces.iter().all(|p| p.len() <= WIDTH));
        assert!(
            pieces[..pieces.len() - 1]
                .iter()
                .all(|p| p.ends_with([',', ' ']))
        );
        wrap(&"é".repeat(200), &mut pieces);
    }
}
