//! Cells of the boundary register.

use super::{PortBit, Trit};
use crate::span::Span;

/// One line of the boundary table. A merged cell has two lines, hence two entries with the same number.
#[doc(alias = "BOUNDARY_REGISTER")]
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Cell {
    /// Position in the register: 0 is nearest TDO and leaves first.
    pub number: u32,
    /// The cell type.
    pub kind: CellKind,
    /// What it does for its port.
    pub function: CellFunction,
    /// The port bit it serves; `None` for `*`.
    pub port: Option<PortBit>,
    /// The value to load when nothing else is wanted.
    pub safe: Trit,
    /// How its driver is switched off, if it can be.
    pub control: Option<Disable>,
    /// Where the line stands, number to closing bracket.
    pub span: Span,
}

impl Cell {
    /// True if the driver is switched off by this very cell (open collector: it drives one level only).
    pub fn controls_itself(&self) -> bool {
        self.control.is_some_and(|c| c.cell == self.number)
    }
}

/// How a driver is switched off.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Disable {
    /// Number of the control cell (may be the driver's own: open collector).
    pub cell: u32,
    /// The value in the control cell that switches the driver off.
    pub disable_value: bool,
    /// What the pin does then.
    pub result: DisableResult,
}

/// What a pin does when its driver is off.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum DisableResult {
    /// Floats.
    Z,
    /// Weakly 0, by a resistor outside or a weak driver.
    Weak0,
    /// Weakly 1, by a resistor outside or a weak driver.
    Weak1,
    /// Pulled to 0 inside the device.
    Pull0,
    /// Pulled to 1 inside the device.
    Pull1,
    /// Holds its last value.
    Keeper,
}

impl DisableResult {
    /// All results with the standard's words.
    pub const ALL: [(Self, &'static str); 6] = [
        (Self::Z, "Z"),
        (Self::Weak0, "WEAK0"),
        (Self::Weak1, "WEAK1"),
        (Self::Pull0, "PULL0"),
        (Self::Pull1, "PULL1"),
        (Self::Keeper, "KEEPER"),
    ];

    /// The standard's word.
    pub fn as_str(self) -> &'static str {
        Self::ALL
            .iter()
            .find(|(r, _)| *r == self)
            .map_or("", |(_, s)| s)
    }

    /// The level that an otherwise undriven pin takes; `None` where it floats or keeps its last value.
    pub fn level(self) -> Option<bool> {
        match self {
            Self::Weak0 | Self::Pull0 => Some(false),
            Self::Weak1 | Self::Pull1 => Some(true),
            Self::Z | Self::Keeper => None,
        }
    }
}

/// What a cell does for its port.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum CellFunction {
    /// Watches an input pin and can drive the core.
    Input,
    /// Watches a clock pin.
    Clock,
    /// Drives a pin with two states.
    Output2,
    /// Drives a pin that can be switched off.
    Output3,
    /// Switches drivers on and off.
    Control,
    /// As Control, and disabling after Test-Logic-Reset.
    ControlR,
    /// No pin.
    Internal,
    /// Both watches and drives a pin.
    Bidir,
    /// Watches only.
    ObserveOnly,
}

impl CellFunction {
    /// All functions with the standard's words.
    pub const ALL: [(Self, &'static str); 9] = [
        (Self::Input, "INPUT"),
        (Self::Clock, "CLOCK"),
        (Self::Output2, "OUTPUT2"),
        (Self::Output3, "OUTPUT3"),
        (Self::Control, "CONTROL"),
        (Self::ControlR, "CONTROLR"),
        (Self::Internal, "INTERNAL"),
        (Self::Bidir, "BIDIR"),
        (Self::ObserveOnly, "OBSERVE_ONLY"),
    ];

    /// The standard's word.
    pub fn as_str(self) -> &'static str {
        Self::ALL
            .iter()
            .find(|(f, _)| *f == self)
            .map_or("", |(_, s)| s)
    }

    /// True if a cell of this function can drive its pin: OUTPUT2, OUTPUT3, BIDIR.
    pub fn drives(self) -> bool {
        matches!(self, Self::Output2 | Self::Output3 | Self::Bidir)
    }

    /// True if it is there to watch its pin: INPUT, CLOCK, BIDIR, OBSERVE_ONLY.
    pub fn observes(self) -> bool {
        matches!(
            self,
            Self::Input | Self::Clock | Self::Bidir | Self::ObserveOnly
        )
    }

    /// True for CONTROL and CONTROLR.
    pub fn is_control(self) -> bool {
        matches!(self, Self::Control | Self::ControlR)
    }
}

/// The cell type: a standard one, or a name from a package.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
#[allow(
    missing_docs,
    reason = "the names are the standard's; `capture_source` says how they differ"
)]
pub enum CellKind {
    Bc0,
    Bc1,
    Bc2,
    Bc3,
    Bc4,
    Bc5,
    Bc6,
    Bc7,
    Bc8,
    Bc9,
    Bc10,
    Ac1,
    Ac2,
    Ac7,
    Ac8,
    Ac9,
    Ac10,
    AcSelU,
    AcSelX,
    /// A name that no standard package knows: position in [`Device::other_cells`](super::Device::other_cells).
    Other(u16),
}

impl CellKind {
    /// The standard cells with their names.
    pub const STANDARD: [(Self, &'static str); 19] = [
        (Self::Bc0, "BC_0"),
        (Self::Bc1, "BC_1"),
        (Self::Bc2, "BC_2"),
        (Self::Bc3, "BC_3"),
        (Self::Bc4, "BC_4"),
        (Self::Bc5, "BC_5"),
        (Self::Bc6, "BC_6"),
        (Self::Bc7, "BC_7"),
        (Self::Bc8, "BC_8"),
        (Self::Bc9, "BC_9"),
        (Self::Bc10, "BC_10"),
        (Self::Ac1, "AC_1"),
        (Self::Ac2, "AC_2"),
        (Self::Ac7, "AC_7"),
        (Self::Ac8, "AC_8"),
        (Self::Ac9, "AC_9"),
        (Self::Ac10, "AC_10"),
        (Self::AcSelU, "AC_SELU"),
        (Self::AcSelX, "AC_SELX"),
    ];

    /// The name of a standard cell; `None` for [`CellKind::Other`] (see [`Device::cell_name`](super::Device::cell_name)).
    pub fn standard_name(self) -> Option<&'static str> {
        Self::STANDARD
            .iter()
            .find(|(k, _)| *k == self)
            .map(|(_, s)| *s)
    }

    /// The BC cell that an AC cell behaves as when its driver is not AC-coupled (1149.6; from memory); else itself.
    pub fn dc(self) -> Self {
        match self {
            Self::Ac1 => Self::Bc1,
            Self::Ac2 => Self::Bc2,
            Self::Ac7 => Self::Bc7,
            Self::Ac8 => Self::Bc8,
            Self::Ac9 => Self::Bc9,
            Self::Ac10 => Self::Bc10,
            other => other,
        }
    }
}
