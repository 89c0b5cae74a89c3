//! A device on which something goes wrong, once.

use std::collections::VecDeque;
use std::time::Duration;

use super::{Adapter, Descriptors, Device, Reply, Setup, Standing};

/// What goes wrong, on the channel with the bench. Bytes and packets are those of its bulk endpoints since the plug went
/// in; packets from the device count only with data in them.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fault {
    /// The plug is pulled when the device has taken so many bytes.
    Unplug(u64),
    /// The device answers "not now" for ever when it has taken so many bytes; its engine does what it has taken.
    Hang(u64),
    /// The same, and the whole chip stops at that moment: its lines stay as they are.
    Freeze(u64),
    /// The OUT endpoint halts, once, when the device has taken so many bytes, until the host clears it.
    StallOut(u64),
    /// The IN endpoint halts, once, after so many bytes taken by the device, until the host clears it.
    StallIn(u64),
    /// The device refuses this vendor request.
    Refuse(u8),
    /// The device never sees the packet in which byte number so many (from 0) is.
    LoseOut(u64),
    /// The device sees that packet twice.
    DoubleOut(u64),
    /// The host never sees the first packet with data after the device has taken so many bytes.
    LoseIn(u64),
    /// The host sees that packet twice.
    DoubleIn(u64),
    /// Every bit of the first byte in that packet is wrong.
    Corrupt(u64),
    /// Five bytes that nobody asked for come in front of that packet.
    Garbage(u64),
    /// The chip's supply drops for a moment when it has taken so many bytes: it is a serial port again.
    Glitch(u64),
}

/// An adapter with a fault on it.
pub struct Faulty {
    adapter: Adapter,
    fault: Option<Fault>,
    taken: u64,
    halted: Option<u8>,
    hung: bool,
    /// When the chip stopped.
    frozen: Option<Duration>,
    /// A packet that the device is to see once more, before the next one.
    again: Option<Vec<u8>>,
    /// Packets that come before what the device itself gives.
    before: VecDeque<Vec<u8>>,
}

impl Faulty {
    /// `adapter` with `fault`.
    pub fn new(adapter: Adapter, fault: Fault) -> Faulty {
        Faulty {
            adapter,
            fault: Some(fault),
            taken: 0,
            halted: None,
            hung: false,
            frozen: None,
            again: None,
            before: VecDeque::new(),
        }
    }

    /// Takes the fault if it strikes the first packet from the device from now on.
    fn strikes_in(&mut self) -> Option<Fault> {
        let due = match self.fault? {
            Fault::LoseIn(n) | Fault::DoubleIn(n) | Fault::Corrupt(n) | Fault::Garbage(n) => n,
            _ => return None,
        };
        (self.taken >= due).then(|| self.fault.take()).flatten()
    }

    /// The packet after the fault; `None` if it is lost.
    fn tamper(&mut self, mut packet: Vec<u8>) -> Option<Vec<u8>> {
        if packet.len() <= 2 {
            return Some(packet);
        }
        match self.strikes_in() {
            Some(Fault::LoseIn(_)) => return None,
            Some(Fault::DoubleIn(_)) => self.before.push_back(packet.clone()),
            Some(Fault::Corrupt(_)) => packet[2] ^= 0xff,
            Some(Fault::Garbage(_)) => {
                let garbage = [&packet[..2], &[0x5a, 0xa5, 0x00, 0xff, 0x31]].concat();
                self.before.push_back(packet);
                return Some(garbage);
            }
            _ => {}
        }
        Some(packet)
    }

    /// What has been due since the device took its last packet.
    fn strike(&mut self, now: Duration) {
        let (due, happens): (u64, fn(&mut Faulty, Duration)) = match self.fault {
            Some(Fault::Unplug(n)) => (n, |f, now| f.adapter.unplug(now)),
            Some(Fault::Hang(n)) => (n, |f, _| f.hung = true),
            Some(Fault::Freeze(n)) => (n, |f, now| {
                f.hung = true;
                f.frozen = Some(now);
            }),
            Some(Fault::StallOut(n)) => (n, |f, _| f.halted = Some(0x02)),
            Some(Fault::StallIn(n)) => (n, |f, _| f.halted = Some(0x81)),
            Some(Fault::Glitch(n)) => (n, |f, _| f.adapter.glitch()),
            _ => return,
        };
        if self.taken >= due {
            self.fault = None;
            happens(self, now);
        }
    }
}

impl Device for Faulty {
    fn descriptors(&self) -> &Descriptors {
        self.adapter.descriptors()
    }

    fn control(&mut self, now: Duration, setup: Setup, data: &[u8]) -> Reply<Vec<u8>> {
        if self.hung && setup.is_vendor() {
            return Reply::Later;
        }
        if setup.is_vendor() && self.fault == Some(Fault::Refuse(setup.request)) {
            return Reply::Stalled;
        }
        // CLEAR_FEATURE(ENDPOINT_HALT).
        if (setup.kind, setup.request, setup.value) == (0x02, 0x01, 0)
            && self.halted == Some(setup.index as u8)
        {
            self.halted = None;
        }
        self.adapter.control(now, setup, data)
    }

    fn take(&mut self, now: Duration, endpoint: u8, packet: &[u8]) -> Reply<()> {
        if self.hung {
            return Reply::Later;
        }
        if self.halted == Some(endpoint) {
            return Reply::Stalled;
        }
        if let Some(twice) = &self.again {
            match self.adapter.take(now, endpoint, twice) {
                Reply::Done(()) => self.again = None,
                other => return other,
            }
        }
        let holds = |n: u64| (self.taken..self.taken + packet.len() as u64).contains(&n);
        let reply = match self.fault {
            Some(Fault::LoseOut(n)) if holds(n) => {
                self.fault = None;
                Reply::Done(())
            }
            Some(Fault::DoubleOut(n)) if holds(n) => {
                let reply = self.adapter.take(now, endpoint, packet);
                if reply == Reply::Done(()) {
                    self.fault = None;
                    self.again = Some(packet.to_vec());
                }
                reply
            }
            _ => self.adapter.take(now, endpoint, packet),
        };
        if reply == Reply::Done(()) {
            self.taken += packet.len() as u64;
            self.strike(now);
        }
        reply
    }

    fn give(&mut self, now: Duration, endpoint: u8) -> Reply<Vec<u8>> {
        if self.hung {
            return Reply::Later;
        }
        if self.halted == Some(endpoint) {
            return Reply::Stalled;
        }
        if let Some(packet) = self.before.pop_front() {
            return Reply::Done(packet);
        }
        match self.adapter.give(now, endpoint) {
            Reply::Done(packet) => match self.tamper(packet) {
                Some(packet) => Reply::Done(packet),
                None => Reply::Later,
            },
            other => other,
        }
    }

    fn due(&self, endpoint: u8, bytes: usize) -> Option<Duration> {
        if self.hung {
            return None;
        }
        self.adapter.due(endpoint, bytes)
    }

    fn standing(&mut self, now: Duration) -> Standing {
        Standing {
            taken: self.taken,
            fault_pending: self.fault.is_some(),
            ..self.adapter.standing(self.frozen.unwrap_or(now))
        }
    }

    fn unplug(&mut self, now: Duration) {
        self.adapter.unplug(self.frozen.unwrap_or(now));
    }

    fn is_plugged(&self) -> bool {
        self.adapter.is_plugged()
    }
}
