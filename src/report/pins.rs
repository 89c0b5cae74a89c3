//! What kind of pin a port bit is, told from what the BSDL file says and, where it says no more than *linkage*, from
//! the port's name.

use taploom_bsdl::Device;
use taploom_bsdl::model::{CellFunction, PortBit, PortMode};

/// A kind of pin, in the order in which kinds are listed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum PinKind {
    /// TDI, TDO, TMS, TCK, TRST*.
    Tap,
    /// Must be held at a level for the scan logic to conform.
    Held,
    /// A clock: its boundary cell is a clock cell.
    Clock,
    /// A digital input.
    Input,
    /// A digital output.
    Output,
    /// Input and output.
    Both,
    /// A supply.
    Power,
    /// Ground.
    Ground,
    /// Neither digital nor a supply as far as the file tells: analogue, reference, programming voltage.
    Other,
    /// Connected to nothing inside.
    Unconnected,
}

impl PinKind {
    /// All kinds.
    pub const ALL: [Self; 10] = [
        Self::Tap,
        Self::Held,
        Self::Clock,
        Self::Input,
        Self::Output,
        Self::Both,
        Self::Power,
        Self::Ground,
        Self::Other,
        Self::Unconnected,
    ];

    /// The mark that stands for it in drawings: one character, no two alike.
    pub fn mark(self) -> char {
        match self {
            Self::Tap => 'T',
            Self::Held => 'H',
            Self::Clock => 'C',
            Self::Input => 'I',
            Self::Output => 'O',
            Self::Both => 'B',
            Self::Power => 'P',
            Self::Ground => 'G',
            Self::Other => 'L',
            Self::Unconnected => 'x',
        }
    }

    /// The words for it.
    pub fn words(self) -> &'static str {
        match self {
            Self::Tap => "scan port (TAP)",
            Self::Held => "held while scanning",
            Self::Clock => "clock",
            Self::Input => "input",
            Self::Output => "output",
            Self::Both => "both ways",
            Self::Power => "power",
            Self::Ground => "ground",
            Self::Other => "linkage, other",
            Self::Unconnected => "no connection",
        }
    }

    /// One word, for JSON.
    pub fn word(self) -> &'static str {
        match self {
            Self::Tap => "tap",
            Self::Held => "held",
            Self::Clock => "clock",
            Self::Input => "input",
            Self::Output => "output",
            Self::Both => "both",
            Self::Power => "power",
            Self::Ground => "ground",
            Self::Other => "linkage",
            Self::Unconnected => "unconnected",
        }
    }
}

/// The kind of a port bit, and whether only its name says so.
pub fn pin_kind(device: &Device, bit: PortBit) -> (PinKind, bool) {
    let Some(port) = device.port_of(bit) else {
        return (PinKind::Other, true);
    };
    if device.is_tap(bit) {
        return (PinKind::Tap, false);
    }
    if device.is_compliance(bit) {
        return (PinKind::Held, false);
    }
    match port.mode {
        PortMode::In
            if device
                .cells_of(bit)
                .any(|c| c.function == CellFunction::Clock) =>
        {
            (PinKind::Clock, false)
        }
        PortMode::In => (PinKind::Input, false),
        PortMode::Out | PortMode::Buffer => (PinKind::Output, false),
        PortMode::InOut => (PinKind::Both, false),
        PortMode::PowerPos | PortMode::PowerNeg => (PinKind::Power, false),
        PortMode::Power0 => (PinKind::Ground, false),
        PortMode::LinkageMechanical => (PinKind::Unconnected, false),
        PortMode::Linkage => match by_name(&port.name) {
            Some(kind) => (kind, true),
            None => (PinKind::Other, false),
        },
        PortMode::LinkageIn
        | PortMode::LinkageOut
        | PortMode::LinkageInOut
        | PortMode::LinkageBuffer
        | PortMode::VrefIn
        | PortMode::VrefOut => (PinKind::Other, false),
    }
}

/// What the name of a linkage port hints at (common practice).
fn by_name(name: &str) -> Option<PinKind> {
    let name = name.to_ascii_uppercase();
    // A letter before the usual name tells which: AVCC analogue, DGND digital, PVDD pads.
    let bare = name.trim_start_matches(['A', 'D', 'P', 'C', 'I', 'O', 'Q']);
    let starts = |words: &[&str]| {
        words
            .iter()
            .any(|w| name.starts_with(w) || bare.starts_with(w))
    };
    if name == "NC"
        || starts(&["NC_", "N_C", "NO_CON", "NOCON", "NCONN", "DNC", "UNUSED"])
        || numbered(&name, "NC")
    {
        Some(PinKind::Unconnected)
    } else if starts(&["GND", "VSS", "GROUND", "VEE"]) {
        Some(PinKind::Ground)
    } else if starts(&[
        "VCC", "VDD", "SUPPLY", "PWR", "POWER", "VBAT", "VIO", "V33", "V18", "V12",
    ]) {
        Some(PinKind::Power)
    } else {
        None
    }
}

/// A word with a number behind it: NC12.
fn numbered(name: &str, word: &str) -> bool {
    name.strip_prefix(word)
        .is_some_and(|n| !n.is_empty() && n.bytes().all(|b| b.is_ascii_digit()))
}

/// True if an input is a clock by its name alone (common practice).
pub fn named_like_a_clock(name: &str) -> bool {
    let name = name.to_ascii_uppercase();
    ["CLK", "CLOCK", "GCK", "XTAL", "XIN", "OSC"]
        .iter()
        .any(|w| name.contains(w))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_hint_and_marks_differ() {
        for (name, kind) in [
            ("VCCINT", Some(PinKind::Power)),
            ("avdd_pll", Some(PinKind::Power)),
            ("GND", Some(PinKind::Ground)),
            ("DGND", Some(PinKind::Ground)),
            ("VSSQ", Some(PinKind::Ground)),
            ("NC", Some(PinKind::Unconnected)),
            ("NC12", Some(PinKind::Unconnected)),
            ("NCE", None),
            ("VPP", None),
            ("VREF", None),
            ("RREF", None),
        ] {
            assert_eq!(by_name(name), kind, "{name}");
        }
        let mut marks: Vec<char> = PinKind::ALL.map(PinKind::mark).to_vec();
        marks.sort_unstable();
        marks.dedup();
        assert_eq!(marks.len(), PinKind::ALL.len());
    }
}
