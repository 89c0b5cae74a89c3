//! Places that a wire, a part or a trace can end at, and the indices of the things that a board declares.

use std::fmt;
use std::sync::Arc;

macro_rules! index {
    ($(#[$doc:meta] $name:ident;)*) => {$(
        #[$doc]
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
        pub struct $name(pub usize);
    )*};
}

index! {
    /// Position in [`Board::devices`](super::Board::devices): 0 is nearest TDI.
    DeviceIndex;
    /// Position in [`Board::connectors`](super::Board::connectors).
    ConnectorIndex;
    /// Position in [`Board::sockets`](super::Board::sockets).
    SocketIndex;
    /// Position in [`Board::wires`](super::Board::wires).
    WireIndex;
    /// Position in [`Board::parts`](super::Board::parts).
    PartIndex;
    /// Position in [`Board::pulls`](super::Board::pulls).
    PullIndex;
    /// Position in [`Board::drivers`](super::Board::drivers).
    DriverIndex;
}

/// A logic level.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Level {
    /// 0.
    Low,
    /// 1.
    High,
}

impl Level {
    /// `true` for high.
    pub fn bit(self) -> bool {
        self == Self::High
    }
}

impl From<bool> for Level {
    fn from(bit: bool) -> Self {
        if bit { Self::High } else { Self::Low }
    }
}

impl std::ops::Not for Level {
    type Output = Self;
    fn not(self) -> Self {
        Self::from(!self.bit())
    }
}

impl fmt::Display for Level {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(if self.bit() { "high" } else { "low" })
    }
}

/// A pin of a declared device, printed as `U1.12`. Made by [`Board::device_pin`](super::Board::device_pin), which
/// spells the pin as the BSDL pin map does, so that equal pins compare equal.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct DevicePin {
    /// The device.
    pub device: DeviceIndex,
    /// Its name on the board.
    pub device_name: Arc<str>,
    /// The pin as the pin map spells it; for a device without BSDL upper case without leading zeros.
    pub pin: Arc<str>,
}

impl fmt::Display for DevicePin {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}.{}", self.device_name, self.pin)
    }
}

/// A pin of a header, printed as `J3.4`.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct ConnectorPin {
    /// The connector.
    pub connector: ConnectorIndex,
    /// Its name on the board.
    pub connector_name: Arc<str>,
    /// The pin as first written in the board file.
    pub pin: Arc<str>,
}

impl fmt::Display for ConnectorPin {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}.{}", self.connector_name, self.pin)
    }
}

/// A pin of a socket, printed as `pattern memory.10`.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct SocketPin {
    /// The socket.
    pub socket: SocketIndex,
    /// Its name in the board file.
    pub socket_name: Arc<str>,
    /// Pin number, from 1.
    pub number: u16,
    /// The name that the socket's shape gives the pin, such as `A0`.
    pub signal: &'static str,
}

impl fmt::Display for SocketPin {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}.{}", self.socket_name, self.number)
    }
}

/// A supply, printed as `supply 3.3 V`. Two are the same when their text is, after the voltage has been written one way.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Supply {
    /// What follows the word `supply`: `3.3 V` where it is a voltage (`3V3` becomes that), else as written.
    pub text: Arc<str>,
    /// The voltage in millivolts, when the text is one.
    pub millivolts: Option<u32>,
}

impl Supply {
    /// From what follows the word `supply`: `3.3 V`, `3V3`, `5 volts`, or any other text as a name.
    pub fn new(text: &str) -> Self {
        let text = text.trim();
        match millivolts(text) {
            Some(mv) => {
                let (whole, part) = (mv / 1000, format!("{:03}", mv % 1000));
                let part = part.trim_end_matches('0');
                let dot = if part.is_empty() { "" } else { "." };
                Self {
                    text: format!("{whole}{dot}{part} V").into(),
                    millivolts: Some(mv),
                }
            }
            None => Self {
                text: text.into(),
                millivolts: None,
            },
        }
    }
}

/// `3.3 V`, `3,3V`, `3V3`, `5 volt` in millivolts; at most 999 V and three decimals.
fn millivolts(text: &str) -> Option<u32> {
    let lower = text.to_ascii_lowercase().replace(',', ".");
    let digits = |s: &str| !s.is_empty() && s.len() <= 3 && s.bytes().all(|b| b.is_ascii_digit());
    let number = match lower.split_once('v') {
        Some((whole, "" | "olt" | "olts")) => whole.trim().to_string(),
        Some((whole, part)) if digits(whole) && digits(part) => format!("{whole}.{part}"),
        _ => return None,
    };
    let (whole, part) = number.split_once('.').unwrap_or((&number, "0"));
    if !digits(whole) || !digits(part) {
        return None;
    }
    Some(whole.parse::<u32>().ok()? * 1000 + format!("{part:0<3}").parse::<u32>().ok()?)
}

impl fmt::Display for Supply {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "supply {}", self.text)
    }
}

/// Where something ends. `Display` writes it as the user does: `U1.12`, `J3.4`, `pattern memory.10`, `ground`,
/// `supply 5 V`, `nothing`.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Place {
    /// A pin of a device of the chain.
    DevicePin(DevicePin),
    /// A pin of a header.
    ConnectorPin(ConnectorPin),
    /// A pin of a socket.
    SocketPin(SocketPin),
    /// Ground.
    Ground,
    /// A supply.
    Supply(Supply),
    /// Left open on purpose.
    Nothing,
}

impl Place {
    /// True for ground and supplies.
    pub fn is_rail(&self) -> bool {
        matches!(self, Self::Ground | Self::Supply(_))
    }

    /// The device pin, if it is one.
    pub fn device_pin(&self) -> Option<&DevicePin> {
        match self {
            Self::DevicePin(pin) => Some(pin),
            _ => None,
        }
    }

    /// The socket pin, if it is one.
    pub fn socket_pin(&self) -> Option<&SocketPin> {
        match self {
            Self::SocketPin(pin) => Some(pin),
            _ => None,
        }
    }
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::DevicePin(pin) => pin.fmt(f),
            Self::ConnectorPin(pin) => pin.fmt(f),
            Self::SocketPin(pin) => pin.fmt(f),
            Self::Ground => f.write_str("ground"),
            Self::Supply(supply) => supply.fmt(f),
            Self::Nothing => f.write_str("nothing"),
        }
    }
}

impl From<DevicePin> for Place {
    fn from(pin: DevicePin) -> Self {
        Self::DevicePin(pin)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn supplies_are_written_one_way() {
        for (text, expected, mv) in [
            ("3.3 V", "supply 3.3 V", Some(3300)),
            ("3V3", "supply 3.3 V", Some(3300)),
            ("3,3v", "supply 3.3 V", Some(3300)),
            ("5 volts", "supply 5 V", Some(5000)),
            ("05V", "supply 5 V", Some(5000)),
            ("1.25 V", "supply 1.25 V", Some(1250)),
            ("VPP", "supply VPP", None),
            ("V", "supply V", None),
            ("4000 V", "supply 4000 V", None),
            ("5", "supply 5", None),
        ] {
            let supply = Supply::new(text);
            assert_eq!(
                (supply.to_string().as_str(), supply.millivolts),
                (expected, mv),
                "{text}"
            );
        }
    }
}
