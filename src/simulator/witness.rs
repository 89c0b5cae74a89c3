//! What the board itself saw: the truth that a run is held against.

use std::sync::{Arc, Mutex, PoisonError};

use crate::tap::TapState;

/// Two or more enabled drivers at odds on one net, from the moment they met; counted once until they let go.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fight {
    /// The net: the wires on it, else its pins.
    pub place: String,
    /// The drivers.
    pub pins: Vec<FightPin>,
    /// When it began, in nanoseconds of virtual time.
    pub at_ns: u64,
}

/// A driver in a fight.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FightPin {
    /// The pin or part: `U1.12`, `IC7`.
    pub pin: String,
    /// What it drives; `None` if it changes all the time.
    pub level: Option<bool>,
}

/// A driver against a line that is stuck to ground or to a supply. Not a fight: no test can find a stuck line without
/// trying both levels on it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Strain {
    /// The net.
    pub place: String,
    /// The level that it is stuck at.
    pub stuck: bool,
    /// Boundary updates that left it driven the other way.
    pub updates: u64,
}

/// A line driven high into an output of the machine that has no power: current flows into its dead supply through the
/// protection diodes. Not a fight, but hard on both.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BackFeed {
    /// The net.
    pub place: String,
    /// Boundary updates that left it driven high.
    pub updates: u64,
}

/// An image that a device has taken.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Loaded {
    /// The device.
    pub device: String,
    /// The text in the image.
    pub text: String,
    /// Bytes of payload.
    pub payload_bytes: u64,
    /// CRC-16 of the image as the device worked it out.
    pub crc: u16,
    /// True once its design runs.
    pub running: bool,
    /// True if it is there again after the power has been off.
    pub kept: bool,
}

/// A device at the end.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DeviceSeen {
    /// Its name.
    pub name: String,
    /// Its TAP's state.
    pub state: TapState,
    /// The instruction in force: its name, or the code of one that the BSDL does not have, bit 0 right.
    pub instruction: String,
    /// Drivers that its boundary register has switched on.
    pub boundary_drivers: usize,
    /// Bits that went into its configuration engine since configuration was opened last.
    pub image_bits: u64,
}

/// Everything that the board saw up to now.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Seen {
    /// Fights, all of them.
    pub fight_count: u64,
    /// The first thousand, with place, pins and time.
    pub fights: Vec<Fight>,
    /// Drivers against stuck lines.
    pub strains: Vec<Strain>,
    /// Lines that fed the machine while it had no power.
    pub back_feeds: Vec<BackFeed>,
    /// Images taken.
    pub loaded: Vec<Loaded>,
    /// The devices of the chain, TDI to TDO.
    pub devices: Vec<DeviceSeen>,
    /// Cycles of TCK.
    pub tck_cycles: u64,
    /// Nanoseconds of virtual time.
    pub elapsed_ns: u64,
    /// Boundary updates while EXTEST was in force somewhere.
    pub extest_updates: u64,
}

impl Seen {
    /// True if every TAP is in Test-Logic-Reset and no boundary register drives a pin. A shift that was broken off
    /// leaves a TAP elsewhere, so it is unsafe by this too.
    pub fn left_safe(&self) -> bool {
        self.devices
            .iter()
            .all(|d| d.state == TapState::TestLogicReset && d.boundary_drivers == 0)
    }
}

/// A handle on what a bench sees. It stays when the bench has been handed to an adapter or to a thread.
#[derive(Debug, Clone, Default)]
pub struct Witness(Arc<Mutex<Seen>>);

impl Witness {
    /// What has been seen up to the last call to the bench.
    pub fn seen(&self) -> Seen {
        self.0
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .clone()
    }

    pub(super) fn write(&self, change: impl FnOnce(&mut Seen)) {
        change(&mut self.0.lock().unwrap_or_else(PoisonError::into_inner));
    }
}
