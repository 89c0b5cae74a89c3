//! Pins, wires and signals by the names that users write, and the scan pins behind them.

use crate::board::{Board, Cause, PinLevel, Place, Reach, WireIndex, natural_key};
use crate::tables::Cause as _;

use super::super::{PinIndex, Pins};

/// A scan pin and what must be driven beside it (enables and directions of the parts on the way).
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SpotPin {
    /// The pin.
    pub pin: PinIndex,
    /// Pins that must be at these levels for the way to be open.
    pub needs: Vec<(PinIndex, bool)>,
}

/// What a name stands for on this chain.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Spot {
    /// The name as it was asked for.
    pub name: String,
    /// The pin that drives it; `None` where none can.
    pub driver: Option<SpotPin>,
    /// The pins that can tell its level, best first.
    ears: Vec<SpotPin>,
    /// Why there is no driver, with the mend.
    pub undrivable: Option<(String, String)>,
}

/// Why a name stands for nothing.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SpotError {
    /// Neither a wire, nor a signal, nor a place.
    #[error("{board} has no pin, wire or signal {written}")]
    Unknown {
        /// The board file.
        board: String,
        /// The name.
        written: String,
        /// What was nearest, or what there is.
        help: String,
    },
    /// A pin that the board does not have.
    #[error("{0}")]
    Place(Box<Cause>),
    /// Several wires carry that signal.
    #[error("signal {written} is on several wires: {wires}")]
    Ambiguous {
        /// The signal.
        written: String,
        /// Their labels.
        wires: String,
    },
    /// A pin of a device that boundary scan has no hold of now.
    #[error("{pin} is a pin of {device}, {why}")]
    NoScan {
        /// The pin.
        pin: String,
        /// The device.
        device: String,
        /// Why.
        why: &'static str,
    },
}

impl SpotError {
    /// What to do about it: one line, lower case, no full stop.
    pub fn help(&self) -> String {
        match self {
            Self::Unknown { help, .. } => help.clone(),
            Self::Place(cause) => cause.help(),
            Self::Ambiguous { .. } => "name one of the wires".into(),
            Self::NoScan { .. } => "choose a pin of a device that takes part".into(),
        }
    }
}

impl Spot {
    /// The scan pins behind a wire's label, a signal's name, or a pin of a device, header or socket.
    ///
    /// A device pin stands for itself. Anything else is driven from the nearest pin that leads there, a pin of the board
    /// itself before one of an optional device such as a scan clip.
    ///
    /// # Errors
    /// [`SpotError`].
    pub fn find(board: &Board, pins: &Pins, written: &str) -> Result<Spot, SpotError> {
        let written = written.trim();
        if let Some(wire) = wire_named(board, written)? {
            let ends = board.wire_ends(wire);
            let reaches: Vec<Reach> = ends.to.into_iter().chain(ends.from).collect();
            return Ok(of_reaches(board, pins, written, &reaches));
        }
        if !written.contains('.') && !is_rail_word(written) {
            return Err(unknown(board, written));
        }
        match board
            .place(written)
            .map_err(|c| SpotError::Place(Box::new(c)))?
        {
            Place::DevicePin(pin) => {
                let Some(found) = pins.find(&pin) else {
                    let on_chain = pins.seats().iter().find(|s| s.device == pin.device);
                    return Err(SpotError::NoScan {
                        pin: pin.to_string(),
                        device: pin.device_name.to_string(),
                        why: match on_chain {
                            None => "which is not on the chain now",
                            Some(seat) if seat.takes_part => "which has no such pin in its BSDL",
                            Some(_) => "which stays in BYPASS",
                        },
                    });
                };
                let itself = SpotPin {
                    pin: found,
                    needs: Vec::new(),
                };
                Ok(Spot {
                    name: written.to_owned(),
                    driver: Some(itself.clone()),
                    ears: vec![itself],
                    undrivable: None,
                })
            }
            place => {
                let reaches = board.reaches_of(&place);
                Ok(of_reaches(board, pins, written, &reaches))
            }
        }
    }

    /// The pin that tells the level while `driving` is on (its driver, or `None` for released): another pin than the
    /// driver where there is one, so that the way between them is seen too.
    pub fn ear(&self, pins: &Pins, driving: bool) -> Option<&SpotPin> {
        let driver = self.driver.as_ref().map(|d| d.pin);
        let is_driver = |s: &&SpotPin| Some(s.pin) == driver;
        let others = self.ears.iter().filter(|s| !is_driver(s));
        let hears = |s: &&SpotPin| match driving && is_driver(s) {
            true => pins.hears_itself(s.pin),
            false => pins.can_hear(s.pin),
        };
        others.chain(self.ears.iter().filter(is_driver)).find(hears)
    }

    /// A pin that tells the level by SAMPLE, which drives nothing.
    pub fn sampled(&self, pins: &Pins) -> Option<PinIndex> {
        let seen = |s: &&SpotPin| pins.get(s.pin).watch.iter().any(|w| w.sample);
        self.ears.iter().find(seen).map(|s| s.pin)
    }
}

/// What must be driven beside wanted pins, without what is wanted itself and each pin once.
pub fn along<'s>(
    wanted: &[(PinIndex, bool)],
    needs: impl IntoIterator<Item = &'s SpotPin>,
) -> Vec<(PinIndex, bool)> {
    let mut all: Vec<(PinIndex, bool)> = Vec::new();
    for need in needs.into_iter().flat_map(|s| &s.needs) {
        let known = |list: &[(PinIndex, bool)]| list.iter().any(|(p, _)| *p == need.0);
        if !known(wanted) && !known(&all) {
            all.push(*need);
        }
    }
    all
}

fn wire_named(board: &Board, written: &str) -> Result<Option<WireIndex>, SpotError> {
    if let Some(wire) = board.wire(written) {
        return Ok(Some(wire));
    }
    let key = natural_key(written);
    let carry: Vec<usize> = (0..board.wires.len())
        .filter(|i| natural_key(&board.wires[*i].signal) == key && !key.is_empty())
        .collect();
    match carry.as_slice() {
        [] => Ok(None),
        [only] => Ok(Some(WireIndex(*only))),
        several => Err(SpotError::Ambiguous {
            written: written.to_owned(),
            wires: (several.iter())
                .map(|i| board.wires[*i].label.as_str())
                .collect::<Vec<_>>()
                .join(", "),
        }),
    }
}

fn is_rail_word(written: &str) -> bool {
    let key = natural_key(written);
    matches!(&*key, "GROUND" | "GND" | "NOTHING") || key.starts_with("SUPPLY ")
}

fn unknown(board: &Board, written: &str) -> SpotError {
    let names = (board.wires.iter()).flat_map(|w| [w.label.as_str(), w.signal.as_str()]);
    let help = match crate::tables::nearest(written, names.filter(|n| !n.is_empty())) {
        Some(near) => format!("did you mean {near}?"),
        None => {
            let wires = match (board.wires.first(), board.wires.last()) {
                (Some(first), Some(last)) => {
                    format!("its wires are {} to {}; ", first.label, last.label)
                }
                _ => String::new(),
            };
            format!("{wires}a pin is written with its device, header or socket, as U1.12 or J3.4")
        }
    };
    SpotError::Unknown {
        board: board.path.display().to_string(),
        written: written.to_owned(),
        help,
    }
}

fn of_reaches(board: &Board, pins: &Pins, written: &str, reaches: &[Reach]) -> Spot {
    let needs = |needs: &[PinLevel]| -> Vec<(PinIndex, bool)> {
        (needs.iter())
            .filter_map(|n| Some((pins.find(n.pin.device_pin()?)?, n.level.bit())))
            .collect()
    };
    let mut drivers: Vec<(bool, bool, usize, SpotPin)> = Vec::new();
    let mut ears: Vec<(bool, usize, SpotPin)> = Vec::new();
    let mut behind = Vec::new();
    for reach in reaches {
        let Some(pin) = pins.find(&reach.pin) else {
            continue;
        };
        let optional = board.devices[reach.pin.device.0].optional;
        // Where only the guard's rules or the cells speak against it, the guard says so better than we.
        let leads = reach.can_drive || !board.can_drive(&reach.pin);
        if leads {
            let spot = SpotPin {
                pin,
                needs: needs(&reach.drive_needs),
            };
            drivers.push((!reach.can_drive, optional, spot.needs.len(), spot));
        } else {
            let parts: Vec<&str> = (reach.through.iter())
                .map(|p| board.parts[p.0].name.as_str())
                .collect();
            behind.push(format!("{} is behind {}", reach.pin, parts.join(", ")));
        }
        if reach.can_hear {
            let spot = SpotPin {
                pin,
                needs: needs(&reach.hear_needs),
            };
            ears.push((optional, spot.needs.len(), spot));
        }
    }
    drivers.sort_by_key(|(cannot, optional, needs, _)| (*cannot, *optional, *needs));
    ears.sort_by_key(|(optional, needs, _)| (*needs > 0, *optional));
    let driver = drivers.into_iter().next().map(|(_, _, _, spot)| spot);
    let undrivable = driver.is_none().then(|| match behind.is_empty() {
        true => (
            "no pin on the chain reaches it".to_owned(),
            "name another pin of the same net, or put a device that reaches it on the chain"
                .to_owned(),
        ),
        false => (
            format!("{}, which does not carry that way", behind.join("; ")),
            "drive it from its other end, where a scan clip or another device reaches it"
                .to_owned(),
        ),
    });
    Spot {
        name: written.to_owned(),
        driver,
        ears: ears.into_iter().map(|(_, _, spot)| spot).collect(),
        undrivable,
    }
}
