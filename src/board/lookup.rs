//! Finding devices, pins, wires and places by the names that users write.

use std::sync::Arc;

use super::declared::{Board, BoardDevice};
use super::error::Cause;
use super::names::expand;
use super::place::{
    ConnectorIndex, DeviceIndex, DevicePin, PartIndex, Place, SocketIndex, Supply, WireIndex,
};
use crate::tables::{Fault, list, natural_key, nearest};

/// What a place's name before the dot can be.
pub(super) enum Owner {
    Device(DeviceIndex),
    Connector(ConnectorIndex),
    Socket(SocketIndex),
}

impl Board {
    /// A device by name; case and zero padding do not count.
    pub fn device(&self, name: &str) -> Option<DeviceIndex> {
        find(name, self.devices.iter().map(|d| &*d.name)).map(DeviceIndex)
    }

    /// A connector by name.
    pub fn connector(&self, name: &str) -> Option<ConnectorIndex> {
        find(name, self.connectors.iter().map(|c| &*c.name)).map(ConnectorIndex)
    }

    /// A socket by name.
    pub fn socket(&self, name: &str) -> Option<SocketIndex> {
        find(name, self.sockets.iter().map(|s| &*s.name)).map(SocketIndex)
    }

    /// A wire by label: `W1` finds `W01`.
    pub fn wire(&self, label: &str) -> Option<WireIndex> {
        find(label, self.wires.iter().map(|w| &*w.label)).map(WireIndex)
    }

    /// A part by name.
    pub fn part(&self, name: &str) -> Option<PartIndex> {
        find(name, self.parts.iter().map(|p| &*p.name)).map(PartIndex)
    }

    /// A pin of a device, spelt as its pin map does; `None` if the package in use has no such pin. A device without
    /// BSDL has every pin whose name is made of letters, digits and underscores.
    pub fn device_pin(&self, device: DeviceIndex, pin: &str) -> Option<DevicePin> {
        let declared = self.devices.get(device.0)?;
        let pin = declared.pin_named(pin)?;
        Some(DevicePin {
            device,
            device_name: declared.name.clone(),
            pin,
        })
    }

    /// The device pin behind a port bit of a device: the first, where the bit has several.
    pub fn pin_of_bit(
        &self,
        device: DeviceIndex,
        bit: taploom_bsdl::model::PortBit,
    ) -> Option<DevicePin> {
        let pin = self.devices.get(device.0)?.pins()?.pin_of(bit)?.name;
        self.device_pin(device, pin)
    }

    /// One place as a user writes it: `U1.12`, `J3.4`, `pattern memory.10` (or `.A0`), `ground`, `supply 5 V`,
    /// `nothing`.
    ///
    /// # Errors
    /// [`Cause`] says what the board does not have, with near names; a range is an error here.
    pub fn place(&self, text: &str) -> Result<Place, Cause> {
        let mut places = self.places(text)?;
        match (places.pop(), places.is_empty()) {
            (Some(place), true) => Ok(place),
            _ => Err(Fault::Conflict {
                what: format!("\"{}\" names several pins where one is wanted", text.trim()),
                help: "name one pin".into(),
            }
            .into()),
        }
    }

    /// The places of a range such as `J3.5-12`, in its order; any other place is a range of one.
    ///
    /// # Errors
    /// As for [`place`](Self::place); the first pin that is not there is named.
    pub fn places(&self, text: &str) -> Result<Vec<Place>, Cause> {
        let written = text.trim();
        let not_a_place = || Cause::NotAPlace {
            written: written.into(),
        };
        match natural_key(written).as_str() {
            "GROUND" | "GND" => return Ok(vec![Place::Ground]),
            "NOTHING" => return Ok(vec![Place::Nothing]),
            key if key.starts_with("SUPPLY ") => {
                return Ok(vec![Place::Supply(Supply::new(&written[6..]))]);
            }
            _ => {}
        }
        let (name, pins) = written.rsplit_once('.').ok_or_else(not_a_place)?;
        let (name, pins) = (name.trim(), pins.trim());
        if name.is_empty() || pins.is_empty() {
            return Err(not_a_place());
        }
        let owner = self.owner(name).ok_or_else(|| {
            let known: Vec<String> = self.owner_names().map(str::to_string).collect();
            let near = nearest(name, known.iter().map(String::as_str)).map(str::to_string);
            Cause::UnknownOwner {
                written: written.into(),
                name: name.into(),
                near,
                known,
            }
        })?;
        // `D-1` could be a name; only where the owner does not have it is the dash a range.
        if let Ok(place) = self.pin_of(&owner, pins) {
            return Ok(vec![place]);
        }
        let pins = expand(pins).ok_or_else(|| Cause::BadRange {
            written: written.into(),
        })?;
        pins.iter().map(|pin| self.pin_of(&owner, pin)).collect()
    }

    pub(super) fn owner(&self, name: &str) -> Option<Owner> {
        (self.device(name).map(Owner::Device))
            .or_else(|| self.connector(name).map(Owner::Connector))
            .or_else(|| self.socket(name).map(Owner::Socket))
    }

    pub(super) fn owner_names(&self) -> impl Iterator<Item = &str> {
        (self.devices.iter().map(|d| &*d.name))
            .chain(self.connectors.iter().map(|c| &*c.name))
            .chain(self.sockets.iter().map(|s| &*s.name))
    }

    fn pin_of(&self, owner: &Owner, pin: &str) -> Result<Place, Cause> {
        match *owner {
            Owner::Device(device) => self
                .device_pin(device, pin)
                .map(Place::DevicePin)
                .ok_or_else(|| self.no_device_pin(device, pin)),
            Owner::Connector(connector) => {
                let declared = &self.connectors[connector.0];
                let found = declared
                    .keys
                    .get(&natural_key(pin))
                    .map(|&i| declared.pins[i].pin.clone());
                found
                    .map(Place::ConnectorPin)
                    .ok_or_else(|| Cause::NoSuchPin {
                        owner: format!("connector {}", declared.name),
                        pin: pin.into(),
                        help: format!(
                            "it has {}; mend the pin, or add it to `pins` of the [[connector]]",
                            summary(declared.pins.iter().map(|p| &*p.pin.pin))
                        ),
                    })
            }
            Owner::Socket(socket) => {
                let declared = &self.sockets[socket.0];
                let number = pin.parse().ok().or_else(|| declared.shape.pin_named(pin));
                number
                    .and_then(|n| self.socket_pin(socket, n))
                    .map(Place::SocketPin)
                    .ok_or_else(|| Cause::NoSuchPin {
                        owner: format!("socket {} ({})", declared.name, declared.shape.name),
                        pin: pin.into(),
                        help: format!(
                            "it has 1 to {}, or by name {}",
                            declared.shape.pins.len(),
                            list(declared.shape.pins, 6)
                        ),
                    })
            }
        }
    }

    fn no_device_pin(&self, device: DeviceIndex, pin: &str) -> Cause {
        let declared = &self.devices[device.0];
        let (owner, help) = match (declared.bsdl.as_ref(), declared.pins()) {
            (Some(bsdl), Some(map)) => {
                let port = bsdl
                    .bit(pin)
                    .or_else(|| bsdl.bits_of(bsdl.port_index(pin)?).next());
                let has = match port.and_then(|bit| map.pin_of(bit)) {
                    Some(at) => {
                        format!(
                            "{} is a port: it comes out on pin {}",
                            bsdl.bit_name(at.bit),
                            at.name
                        )
                    }
                    None => format!("it has {}", summary(map.pins().map(|p| p.name))),
                };
                (
                    format!("device {} ({} in {})", declared.name, bsdl.entity, map.name),
                    has,
                )
            }
            _ => (
                format!("device {}", declared.name),
                "name a pin by letters and digits, such as 12 or A7".into(),
            ),
        };
        Cause::NoSuchPin {
            owner,
            pin: pin.into(),
            help,
        }
    }
}

impl BoardDevice {
    fn pin_named(&self, pin: &str) -> Option<Arc<str>> {
        let key = natural_key(pin);
        match self.bsdl {
            Some(_) => self.keys.get(&key).cloned(),
            None => {
                let fits =
                    !key.is_empty() && key.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'_');
                fits.then(|| key.into())
            }
        }
    }
}

fn find<'a>(name: &str, mut names: impl Iterator<Item = &'a str>) -> Option<usize> {
    let key = natural_key(name);
    names.position(|n| natural_key(n) == key)
}

/// `1 to 20, 23 and A1`: runs of numbers drawn together, at most eight pieces.
fn summary<'a>(pins: impl Iterator<Item = &'a str>) -> String {
    let (mut numbers, mut others) = (Vec::<u32>::new(), Vec::new());
    for pin in pins {
        match pin.parse() {
            Ok(number) => numbers.push(number),
            Err(_) => others.push(pin.to_string()),
        }
    }
    numbers.sort_unstable();
    let mut pieces = Vec::new();
    for run in numbers.chunk_by(|a, b| a + 1 == *b) {
        match run {
            [first, _, .., last] => pieces.push(format!("{first} to {last}")),
            _ => pieces.extend(run.iter().map(u32::to_string)),
        }
    }
    pieces.extend(others);
    if pieces.is_empty() {
        "no pins".into()
    } else {
        list(pieces.iter().map(String::as_str), 8)
    }
}
