//! A device under construction.

use taploom_bsdl::model::{
    Cell, CellFunction, CellKind, Disable, DisableResult, Edition, Halt, Instruction, Pattern,
    PinMap, Port, PortBit, PortMode, Range, Register, RegisterRef, TapPorts, Trit,
};
use taploom_bsdl::{Device, Span};

/// A model that grows port by port and cell by cell. Cells are numbered as they are added: the first is nearest TDO.
pub(super) struct Draft {
    device: Device,
}

/// The cell types of one pin that has an input, an output and a control cell, and the value that switches it off.
#[derive(Clone, Copy)]
pub(super) struct Pad {
    pub input: CellKind,
    pub output: CellKind,
    pub control: CellKind,
    pub off: bool,
}

/// Names, opcodes (bit 0 right) and what REGISTER_ACCESS says of them.
pub(super) enum Access {
    /// The standard says which register it selects.
    Standard,
    /// Never to be loaded.
    Private,
    /// BYPASS, for an instruction of the maker's own.
    Bypass,
    /// A register of the maker's own, its length, and what it captures.
    Own(&'static str, u32, Option<&'static str>),
}

impl Draft {
    /// A device without ports, in packages of these names, the first being the default.
    pub(super) fn new(
        entity: &str,
        edition: Edition,
        conformance: Edition,
        packages: &[&str],
    ) -> Self {
        let mut device = Device::default();
        device.entity = entity.into();
        device.edition = Some(edition);
        device.conformance = Some(conformance);
        device.default_pin_map = packages.first().map(|p| (*p).into());
        device.pin_maps = packages
            .iter()
            .map(|p| PinMap::new(*p, Span::default()))
            .collect();
        Self { device }
    }

    /// A single-bit port with its pin in each package.
    pub(super) fn port(&mut self, name: &str, mode: PortMode, pins: &[&str]) -> PortBit {
        let bit = PortBit {
            port: self.push_port(name, mode, None),
            index: None,
        };
        self.push_pins(bit, pins);
        bit
    }

    /// A vector port `first to …`, as wide as the list of pins; each entry has the pin in each package.
    pub(super) fn bus(
        &mut self,
        name: &str,
        mode: PortMode,
        first: u32,
        pins: &[Vec<&str>],
    ) -> Vec<PortBit> {
        let range = Range {
            left: first,
            right: first + pins.len() as u32 - 1,
        };
        let port = self.push_port(name, mode, Some(range));
        let bits: Vec<_> = range
            .indices()
            .map(|i| PortBit {
                port,
                index: Some(i),
            })
            .collect();
        for (bit, pins) in bits.iter().zip(pins) {
            self.push_pins(*bit, pins);
        }
        bits
    }

    /// The TAP: TDI, TMS, TCK, TDO and, where there is one, TRST*.
    pub(super) fn tap(&mut self, pins: [&[&str]; 4], trst: Option<&[&str]>, max_hz: f64) {
        let tdi = self.port("TDI", PortMode::In, pins[0]).port;
        let tms = self.port("TMS", PortMode::In, pins[1]).port;
        let tck = self.port("TCK", PortMode::In, pins[2]).port;
        let tdo = self.port("TDO", PortMode::Out, pins[3]).port;
        let trst = trst.map(|pins| self.port("TRST_N", PortMode::In, pins).port);
        self.device.tap = TapPorts {
            tdi: Some(tdi),
            tdo: Some(tdo),
            tms: Some(tms),
            tck: Some(tck),
            trst,
            max_hz: Some(max_hz),
            halt: Some(Halt::Both),
        };
    }

    /// One cell; returns its number.
    pub(super) fn cell(
        &mut self,
        kind: CellKind,
        port: Option<PortBit>,
        function: CellFunction,
        safe: Trit,
        control: Option<Disable>,
    ) -> u32 {
        let number = self.device.cells.len() as u32;
        self.device.cells.push(Cell {
            number,
            kind,
            function,
            port,
            safe,
            control,
            span: Span::default(),
        });
        number
    }

    /// A cell that watches a pin.
    pub(super) fn watch(&mut self, kind: CellKind, function: CellFunction, bit: PortBit) {
        self.cell(kind, Some(bit), function, Trit::X, None);
    }

    /// A control cell whose safe value switches its drivers off.
    pub(super) fn control(&mut self, kind: CellKind, function: CellFunction, off: bool) -> Off {
        Off {
            cell: self.cell(kind, None, function, off.into(), None),
            value: off,
        }
    }

    /// The cell of a driver that `off` switches off.
    pub(super) fn driver(
        &mut self,
        kind: CellKind,
        function: CellFunction,
        bit: PortBit,
        off: Off,
    ) {
        let control = Disable {
            cell: off.cell,
            disable_value: off.value,
            result: DisableResult::Z,
        };
        self.cell(kind, Some(bit), function, Trit::X, Some(control));
    }

    /// An open-collector output: a 1 in its own cell lets go, and a weak resistor makes that a 1.
    pub(super) fn open_collector(&mut self, bit: PortBit) {
        let cell = self.device.cells.len() as u32;
        let control = Disable {
            cell,
            disable_value: true,
            result: DisableResult::Weak1,
        };
        self.cell(
            CellKind::Bc1,
            Some(bit),
            CellFunction::Output2,
            Trit::One,
            Some(control),
        );
    }

    /// Control, output and input cell of one pin.
    pub(super) fn pad(&mut self, bit: PortBit, pad: Pad) {
        let off = self.control(pad.control, CellFunction::Control, pad.off);
        self.driver(pad.output, CellFunction::Output3, bit, off);
        self.watch(pad.input, CellFunction::Input, bit);
    }

    /// One control cell for several pins, then output and input cell of each.
    pub(super) fn shared(&mut self, bits: &[PortBit], pad: Pad) {
        let off = self.control(pad.control, CellFunction::Control, pad.off);
        for bit in bits {
            self.driver(pad.output, CellFunction::Output3, *bit, off);
            self.watch(pad.input, CellFunction::Input, *bit);
        }
    }

    /// Control cell and BC_7 of one bidirectional pin.
    pub(super) fn bidir(&mut self, bit: PortBit, control: CellKind, off: bool) {
        let off = self.control(control, CellFunction::Control, off);
        self.driver(CellKind::Bc7, CellFunction::Bidir, bit, off);
    }

    /// Cells of pads that this package does not bring out.
    pub(super) fn unbonded(&mut self, cells: usize) {
        for _ in 0..cells {
            self.cell(CellKind::Bc1, None, CellFunction::Internal, Trit::X, None);
        }
    }

    /// The instruction register: what it captures, and the instructions.
    pub(super) fn instructions(&mut self, capture: &str, list: &[(&str, &[&str], Access)]) {
        let d = &mut self.device;
        d.instruction_length = capture.len() as u32;
        d.instruction_capture = Some(pattern(capture));
        for (name, opcodes, access) in list {
            let (register, captures) = match access {
                Access::Standard | Access::Private => (None, None),
                Access::Bypass => (Some(RegisterRef::Bypass), None),
                Access::Own(register, length, captures) => {
                    d.registers.push(Register {
                        name: (*register).into(),
                        length: Some(*length),
                        span: Span::default(),
                    });
                    (
                        Some(RegisterRef::Named(d.registers.len() as u32 - 1)),
                        captures.map(pattern),
                    )
                }
            };
            d.instructions.push(Instruction {
                name: (*name).into(),
                opcodes: opcodes.iter().map(|o| pattern(o)).collect(),
                private: matches!(access, Access::Private),
                access: register,
                captures,
                span: Span::default(),
            });
        }
    }

    /// Identity and user code, as 32 characters of 0, 1, X; spaces between the fields are dropped.
    pub(super) fn identity(&mut self, idcode: &str, usercode: &str) {
        let bits = |text: &str| vec![pattern(&text.replace(' ', ""))];
        self.device.idcodes = bits(idcode);
        self.device.usercodes = bits(usercode);
    }

    /// The finished model.
    pub(super) fn finish(mut self, warning: &str) -> Device {
        self.device.boundary_length = self
            .device
            .cells
            .iter()
            .map(|c| c.number + 1)
            .max()
            .unwrap_or(0);
        self.device.design_warnings = vec![warning.into()];
        self.device
    }

    fn push_port(&mut self, name: &str, mode: PortMode, range: Option<Range>) -> u32 {
        self.device.ports.push(Port {
            name: name.into(),
            mode,
            range,
            span: Span::default(),
        });
        self.device.ports.len() as u32 - 1
    }

    fn push_pins(&mut self, bit: PortBit, pins: &[&str]) {
        assert_eq!(
            pins.len(),
            self.device.pin_maps.len(),
            "one pin for each package"
        );
        for (map, pin) in self.device.pin_maps.iter_mut().zip(pins) {
            map.push(pin, bit, Span::default());
        }
    }
}

/// The cell and the value in it that switch a driver off.
#[derive(Clone, Copy)]
pub(super) struct Off {
    cell: u32,
    value: bool,
}

fn pattern(text: &str) -> Pattern {
    Pattern::from_bits(
        text.bytes()
            .rev()
            .map(|c| Trit::from_char(c).expect("0, 1 or X")),
    )
}
