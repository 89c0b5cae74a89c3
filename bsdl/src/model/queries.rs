//! Questions to a device.

use super::index::{CellTables, Index, numbered, under};
use super::{
    CaptureMode, CaptureSource, Cell, CellKind, Device, DifferentialKind, Disable, Instruction,
    Pattern, PinMap, Port, PortBit, RegisterRef, SystemConfiguration, capture_source,
};
use crate::span::Span;

/// What the boundary register holds for one port bit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PinCells<'a> {
    /// The cell that drives the pin.
    pub driver: Option<&'a Cell>,
    /// The best cell to read the pin by: one that is there to watch it, else a driver that reads its own pin back in
    /// EXTEST.
    pub observer: Option<&'a Cell>,
    /// How the driver is switched off; `None` if it always drives or there is none.
    pub disable: Option<Disable>,
}

impl Device {
    /// Throws the look-up tables away; call it after changing fields by hand.
    pub fn reindex(&mut self) {
        self.index = Index::default();
    }

    /// True if both say the same, wherever in a text they say it.
    pub fn same_model(&self, other: &Self) -> bool {
        let (mut a, mut b) = (self.clone(), other.clone());
        a.clear_spans();
        b.clear_spans();
        a == b
    }

    // ---- ports and pins

    /// Position of a port, case ignored.
    pub fn port_index(&self, name: &str) -> Option<u32> {
        self.index
            .ports(self)
            .get(&name.to_ascii_uppercase())
            .copied()
    }

    /// A port by name, case ignored.
    pub fn port(&self, name: &str) -> Option<&Port> {
        self.port_index(name).map(|i| &self.ports[i as usize])
    }

    /// The port that a bit belongs to.
    pub fn port_of(&self, bit: PortBit) -> Option<&Port> {
        self.ports.get(bit.port as usize)
    }

    /// All bits of a port, leftmost index first.
    pub fn bits_of(&self, port: u32) -> impl Iterator<Item = PortBit> {
        let range = self.ports.get(port as usize).map(|p| p.range);
        let single = matches!(range, Some(None)).then_some(PortBit { port, index: None });
        let vector = range.flatten().into_iter().flat_map(|r| r.indices());
        single.into_iter().chain(vector.map(move |i| PortBit {
            port,
            index: Some(i),
        }))
    }

    /// `Q(3)`, or `CLK` for a port that is no vector.
    pub fn bit_name(&self, bit: PortBit) -> String {
        let name = self.port_of(bit).map_or("?", |p| &p.name);
        bit.index
            .map_or_else(|| name.to_owned(), |i| format!("{name}({i})"))
    }

    /// A bit from text such as `Q(3)` or `CLK`, case and spaces ignored. `None` if there is no such port, no such
    /// index, or if a vector is named without index.
    pub fn bit(&self, text: &str) -> Option<PortBit> {
        let text = text.trim();
        let (name, index) = match text.split_once('(') {
            Some((name, rest)) => (
                name.trim(),
                Some(rest.strip_suffix(')')?.trim().parse().ok()?),
            ),
            None => (text, None),
        };
        let port = self.port_index(name)?;
        let fits = match (self.ports[port as usize].range, index) {
            (None, None) => true,
            (Some(range), Some(i)) => range.contains(i),
            _ => false,
        };
        fits.then_some(PortBit { port, index })
    }

    /// A package by the name of its constant, case ignored.
    pub fn pin_map(&self, name: &str) -> Option<&PinMap> {
        self.pin_maps
            .iter()
            .find(|m| m.name.eq_ignore_ascii_case(name))
    }

    /// The package to take when none is asked for: the generic's default if it names one, else the only one.
    pub fn default_package(&self) -> Option<&PinMap> {
        let named = self
            .default_pin_map
            .as_deref()
            .and_then(|name| self.pin_map(name));
        named.or(match &self.pin_maps[..] {
            [only] => Some(only),
            _ => None,
        })
    }

    /// True if the bit belongs to the test access port.
    pub fn is_tap(&self, bit: PortBit) -> bool {
        self.tap.ports().any(|p| p == bit.port)
    }

    /// True if the bit is one of those that a compliance pattern holds.
    pub fn is_compliance(&self, bit: PortBit) -> bool {
        self.compliance
            .as_ref()
            .is_some_and(|c| c.ports.contains(&bit))
    }

    /// The other line of a differential pair, the kind of pair, and whether `bit` is the representative.
    pub fn differential_partner(&self, bit: PortBit) -> Option<(PortBit, DifferentialKind, bool)> {
        for group in &self.groups {
            for pair in &group.pairs {
                if let Some(other) = self.counterpart(bit, pair.representative, pair.associated) {
                    return Some((other, group.kind, true));
                }
                if let Some(other) = self.counterpart(bit, pair.associated, pair.representative) {
                    return Some((other, group.kind, false));
                }
            }
        }
        None
    }

    /// If `bit` lies on side `from` of a pair, the bit opposite on side `to`.
    fn counterpart(&self, bit: PortBit, from: PortBit, to: PortBit) -> Option<PortBit> {
        if from.port != bit.port || (from.index.is_some() && from != bit) {
            return None;
        }
        let (from_range, to_range) = (self.port_of(from)?.range, self.port_of(to)?.range);
        let index = match (from.index, to.index, from_range, to_range) {
            (None, None, Some(f), Some(t)) => Some(t.at(bit.index?.abs_diff(f.left))?),
            _ => to.index,
        };
        Some(PortBit {
            port: to.port,
            index,
        })
    }

    // ---- instructions and registers

    /// An instruction by name, case ignored.
    pub fn instruction(&self, name: &str) -> Option<&Instruction> {
        self.instructions
            .iter()
            .find(|i| i.name.eq_ignore_ascii_case(name))
    }

    /// The instruction that loads the boundary register without disturbing the part: PRELOAD, else SAMPLE (before
    /// 2001 one instruction, listed as SAMPLE).
    pub fn preload(&self) -> Option<&Instruction> {
        self.instruction("PRELOAD")
            .or_else(|| self.instruction("SAMPLE"))
    }

    /// The instruction that floats the outputs: HIGHZ, or what INSTRUCTION_DISABLE names.
    pub fn highz(&self) -> Option<&Instruction> {
        self.instruction("HIGHZ")
            .or_else(|| self.instruction(self.instruction_disable.as_deref()?))
    }

    /// The instruction that holds the outputs by the boundary register while BYPASS is selected: CLAMP, or what
    /// INSTRUCTION_GUARD names.
    pub fn clamp(&self) -> Option<&Instruction> {
        self.instruction("CLAMP")
            .or_else(|| self.instruction(self.instruction_guard.as_deref()?))
    }

    /// All codes of BYPASS: all ones first, always, then what the file lists beside it.
    pub fn bypass_opcodes(&self) -> Vec<Pattern> {
        let ones = Pattern::ones(self.instruction_length as usize);
        let listed = self.instruction("BYPASS").map_or(&[][..], |i| &i.opcodes);
        let mut all = vec![ones];
        all.extend(
            listed
                .iter()
                .filter(|o| **o != all[0])
                .cloned()
                .collect::<Vec<_>>(),
        );
        all
    }

    /// The instruction that a code (bit 0 first) selects; `None` for codes that the file does not name, which act
    /// as BYPASS in a conforming part.
    pub fn decode(&self, code: &[bool]) -> Option<&Instruction> {
        self.instructions
            .iter()
            .find(|i| i.opcodes.iter().any(|o| o.matches(code)))
    }

    /// The register that an instruction puts between TDI and TDO: as REGISTER_ACCESS says, else as the standard
    /// fixes it (IEEE 1149.1-2001 clause 8, from memory); `None` if nobody says.
    pub fn register_for(&self, instruction: &Instruction) -> Option<RegisterRef> {
        let is = |names: &[&str]| {
            names
                .iter()
                .any(|n| n.eq_ignore_ascii_case(&instruction.name))
        };
        let named = |attribute: &Option<String>| attribute.as_deref().is_some_and(|n| is(&[n]));
        if let Some(register) = instruction.access {
            Some(register)
        } else if is(&["BYPASS", "CLAMP", "HIGHZ"])
            || named(&self.instruction_disable)
            || named(&self.instruction_guard)
        {
            Some(RegisterRef::Bypass)
        } else if is(&["EXTEST", "SAMPLE", "PRELOAD", "INTEST"]) {
            Some(RegisterRef::Boundary)
        } else if is(&["IDCODE", "USERCODE"]) {
            Some(RegisterRef::DeviceId)
        } else {
            None
        }
    }

    /// Length of a register in bits; `None` if the file does not say.
    pub fn register_length(&self, register: RegisterRef) -> Option<u32> {
        match register {
            RegisterRef::Bypass => Some(1),
            RegisterRef::Boundary => (self.boundary_length > 0).then_some(self.boundary_length),
            RegisterRef::DeviceId => Some(32),
            RegisterRef::Named(i) => self.registers.get(i as usize)?.length,
        }
    }

    /// Name of a register: the standard's, or the device's own as spelt.
    pub fn register_name(&self, register: RegisterRef) -> &str {
        match register {
            RegisterRef::Bypass => "BYPASS",
            RegisterRef::Boundary => "BOUNDARY",
            RegisterRef::DeviceId => "DEVICE_ID",
            RegisterRef::Named(i) => self.registers.get(i as usize).map_or("?", |r| &r.name),
        }
    }

    /// True if an identity code read from the chain (bit 0 = first bit out) fits one of the file's.
    pub fn idcode_matches(&self, idcode: u32) -> bool {
        self.idcodes
            .iter()
            .any(|p| p.len() == 32 && p.matches_u64(idcode.into()))
    }

    // ---- boundary cells

    /// The sorted ways into the boundary table.
    pub(crate) fn cell_tables(&self) -> &CellTables {
        self.index.cells(self)
    }

    /// Name of a cell type.
    pub fn cell_name(&self, kind: CellKind) -> &str {
        match kind {
            CellKind::Other(i) => self.other_cells.get(i as usize).map_or("?", |n| n),
            standard => standard.standard_name().unwrap_or("?"),
        }
    }

    /// The table lines with this number: one, two for a merged cell, none if the file lacks it.
    pub fn cells_numbered(&self, number: u32) -> impl Iterator<Item = &Cell> {
        numbered(&self.index.cells(self).by_number, number)
            .iter()
            .map(|(_, i)| &self.cells[*i as usize])
    }

    /// The table lines that name a port bit, in the order of the file.
    pub fn cells_of(&self, bit: PortBit) -> impl Iterator<Item = &Cell> {
        under(&self.index.cells(self).by_bit, bit)
            .iter()
            .map(|(_, i)| &self.cells[*i as usize])
    }

    /// What drives, observes and controls a port bit.
    pub fn pin_cells(&self, bit: PortBit) -> PinCells<'_> {
        let driver = self.cells_of(bit).find(|c| c.function.drives());
        let watcher = self.cells_of(bit).find(|c| c.function.observes());
        let reads_back =
            |c: &&Cell| self.capture_source(c, true, CaptureMode::Extest) == CaptureSource::Po;
        PinCells {
            driver,
            observer: watcher.or_else(|| self.cells_of(bit).find(reads_back)),
            disable: driver.and_then(|c| c.control),
        }
    }

    /// The drivers that a control cell switches, by its number, in the order of the file.
    pub fn controlled_by(&self, number: u32) -> impl Iterator<Item = &Cell> {
        under(&self.index.cells(self).by_control, number)
            .iter()
            .map(|(_, i)| &self.cells[*i as usize])
    }

    /// The other port bits whose drivers share this bit's control cell.
    pub fn siblings(&self, bit: PortBit) -> Vec<PortBit> {
        let Some(disable) = self.pin_cells(bit).disable else {
            return Vec::new();
        };
        self.controlled_by(disable.cell)
            .filter_map(|c| c.port)
            .filter(|b| *b != bit)
            .collect()
    }

    /// What a cell of this device captures; see [`capture_source`] for `driving`.
    pub fn capture_source(&self, cell: &Cell, driving: bool, mode: CaptureMode) -> CaptureSource {
        match cell.kind {
            CellKind::Other(i) => match self.other_infos.get(i as usize) {
                Some(Some(info)) => info.capture_source(cell.function, driving, mode),
                _ => CaptureSource::Unknown,
            },
            standard => capture_source(standard, cell.function, driving, mode),
        }
    }

    fn clear_spans(&mut self) {
        let none = Span::default();
        self.entity_span = none;
        self.ports.iter_mut().for_each(|p| p.span = none);
        self.pin_maps.iter_mut().for_each(PinMap::clear_spans);
        self.groups
            .iter_mut()
            .flat_map(|g| &mut g.pairs)
            .for_each(|p| p.span = none);
        self.compliance.iter_mut().for_each(|c| c.span = none);
        self.instructions.iter_mut().for_each(|i| i.span = none);
        self.registers.iter_mut().for_each(|r| r.span = none);
        self.cells.iter_mut().for_each(|c| c.span = none);
        self.ac_test
            .iter_mut()
            .flat_map(|a| &mut a.pins)
            .for_each(|p| p.span = none);
        self.description
            .iter_mut()
            .for_each(super::Description::clear_spans);
        self.system_configuration
            .iter_mut()
            .for_each(SystemConfiguration::clear_spans);
        self.runbist.iter_mut().for_each(|r| r.span = none);
        self.intest.iter_mut().for_each(|r| r.span = none);
        self.extensions.iter_mut().for_each(|e| e.span = none);
    }
}
