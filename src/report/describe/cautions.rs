//! What to mind before driving a part.

use std::collections::BTreeMap;

use taploom_bsdl::Device;
use taploom_bsdl::model::{Cell, CellFunction, PinMap, PortBit, Trit};

use super::words::{runs, within};

/// One thing to mind.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Caution {
    /// One word for programs.
    pub kind: &'static str,
    /// In words.
    pub text: String,
    /// The ports that it is about.
    pub ports: Vec<String>,
}

/// A port bit with its pin: `DONE (pin 104)`.
fn with_pin(device: &Device, map: Option<&PinMap>, bit: PortBit) -> String {
    let name = device.bit_name(bit);
    match map.and_then(|m| m.pin_of(bit)) {
        Some(pin) => format!("{name} (pin {})", pin.name),
        None => name,
    }
}

/// All cautions of a device, in the order of their weight.
pub fn cautions(device: &Device, map: Option<&PinMap>) -> Vec<Caution> {
    let mut all = Vec::new();
    let mut add = |kind, text: String, ports: Vec<String>| all.push(Caution { kind, text, ports });
    let names = |bits: &[PortBit]| bits.iter().map(|b| device.bit_name(*b)).collect::<Vec<_>>();
    let pins = |bits: &[PortBit]| {
        let named: Vec<String> = bits.iter().map(|b| with_pin(device, map, *b)).collect();
        within(&named, 200)
    };

    for warning in &device.design_warnings {
        let words: Vec<&str> = warning.split_whitespace().collect();
        add(
            "design warning",
            format!("the maker warns: {}", words.join(" ")),
            Vec::new(),
        );
    }
    if let Some(compliance) = &device.compliance {
        let patterns = compliance.patterns.iter().map(|p| {
            let levels = compliance.levels(p).filter_map(|(bit, level)| {
                let level = level.value()?;
                Some(format!(
                    "{} at {}",
                    with_pin(device, map, bit),
                    u8::from(level)
                ))
            });
            levels.collect::<Vec<_>>().join(", ")
        });
        let text = format!(
            "hold {}; else the scan logic may not answer by the standard",
            patterns.collect::<Vec<_>>().join("; or ")
        );
        add("compliance", text, names(&compliance.ports));
    }
    let drivers: Vec<&Cell> = device
        .cells
        .iter()
        .filter(|c| c.function.drives() && c.port.is_some())
        .collect();
    let bits = |keep: &dyn Fn(&Cell) -> bool| -> Vec<PortBit> {
        drivers
            .iter()
            .filter(|c| keep(c))
            .filter_map(|c| c.port)
            .collect()
    };
    let always = bits(&|c| c.control.is_none());
    if !always.is_empty() {
        let text = format!(
            "in EXTEST {} cannot be switched off: {}",
            if always.len() == 1 {
                "this output"
            } else {
                "these outputs"
            },
            pins(&always)
        );
        add("always driving", text, names(&always));
    }
    let open = bits(&Cell::controls_itself);
    if !open.is_empty() {
        let text = format!(
            "open-collector fashion, driven to one level only: {}",
            pins(&open)
        );
        add("one level only", text, names(&open));
    }
    // Control cells with more than one driver.
    let mut groups: BTreeMap<u32, Vec<PortBit>> = BTreeMap::new();
    for cell in &drivers {
        if let (Some(control), Some(port), false) =
            (cell.control, cell.port, cell.controls_itself())
        {
            groups.entry(control.cell).or_default().push(port);
        }
    }
    for (control, bits) in groups.iter_mut().filter(|(_, bits)| bits.len() > 1) {
        bits.dedup();
        let named = names(bits);
        let listed = within(&runs(named.iter().map(String::as_str)), 120);
        let text = format!(
            "cell {control} enables {} outputs together: {listed}",
            bits.len()
        );
        add("shared control cell", text, named);
    }
    let mut left_on: Vec<PortBit> = Vec::new();
    for cell in &drivers {
        let Some(control) = cell.control else {
            continue;
        };
        let safe = device
            .cells_numbered(control.cell)
            .find(|c| c.function.is_control() || c.number == cell.number);
        if safe.is_some_and(|s| s.safe != Trit::X && s.safe.value() != Some(control.disable_value))
        {
            left_on.extend(cell.port);
        }
    }
    if !left_on.is_empty() {
        let text = format!(
            "the safe value of the control cell leaves the output on: {}",
            pins(&left_on)
        );
        add("safe value drives", text, names(&left_on));
    }
    if let Some(extest) = device.instruction("EXTEST")
        && extest.opcodes.iter().any(|o| o.matches_u64(0))
    {
        let text = "an instruction of all zeros is EXTEST: a chain whose TDI is stuck low turns the outputs on";
        add("zeros are EXTEST", text.into(), Vec::new());
    }
    let private: Vec<String> = device
        .instructions
        .iter()
        .filter(|i| i.private)
        .map(|i| i.name.clone())
        .collect();
    if !private.is_empty() {
        add(
            "private instructions",
            format!(
                "never load what is private to the maker: {}",
                within(&private, 200)
            ),
            Vec::new(),
        );
    }
    let unserved: Vec<PortBit> = (0..device.ports.len() as u32)
        .filter(|p| device.ports[*p as usize].mode.is_digital())
        .flat_map(|p| device.bits_of(p))
        .filter(|b| !device.is_tap(*b) && !device.is_compliance(*b))
        .filter(|b| !associated(device, *b) && device.cells_of(*b).next().is_none())
        .take(10_000)
        .collect();
    if !unserved.is_empty() && !device.cells.is_empty() {
        let text = format!("no boundary cell serves {}", pins(&unserved));
        add("no cell", text, names(&unserved));
    }
    let clocks = device
        .cells
        .iter()
        .filter(|c| c.function == CellFunction::Clock)
        .count();
    if clocks > 0 && device.instruction("INTEST").is_some() {
        add(
            "clock cells",
            "clock inputs reach the core also during INTEST".into(),
            Vec::new(),
        );
    }
    all
}

/// True for the second line of a differential pair, which the first line's cells serve.
fn associated(device: &Device, bit: PortBit) -> bool {
    matches!(device.differential_partner(bit), Some((_, _, false)))
}
