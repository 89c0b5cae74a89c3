//! A host controller: transfers in, packets to and from the device, finished transfers out.

use std::collections::{BTreeMap, VecDeque};
use std::time::{Duration, Instant};

use crate::personality::{Device, Reply, Setup, Standing};

/// The number of a transfer, chosen by whoever submits it.
pub type Id = u64;

/// A transfer that a host wants done.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Transfer {
    /// Its number.
    pub id: Id,
    /// What it is.
    pub kind: Kind,
}

/// What a transfer is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Kind {
    /// A control request with the data that goes to the device.
    Control(Setup, Vec<u8>),
    /// Bytes to a bulk endpoint.
    Out {
        /// Its address.
        endpoint: u8,
        /// The bytes.
        data: Vec<u8>,
        /// Whether a last packet that is full is followed by an empty one.
        end_with_empty: bool,
    },
    /// Bytes from a bulk endpoint: ends when `room` is full or with a short packet.
    In {
        /// Its address.
        endpoint: u8,
        /// At most so many.
        room: usize,
    },
}

/// How a transfer ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Status {
    /// As it should.
    Good,
    /// The device refused it, or the endpoint is halted.
    Stalled,
    /// The device is gone.
    Gone,
    /// The host took it back.
    Cancelled,
    /// The device sent more than there was room for.
    Overflow,
}

/// A transfer that has ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Finished {
    /// Its number.
    pub id: Id,
    /// How it ended.
    pub status: Status,
    /// Bytes that moved.
    pub moved: usize,
    /// Bytes that came from the device.
    pub data: Vec<u8>,
}

#[derive(Debug)]
struct Pending {
    transfer: Transfer,
    moved: usize,
    data: Vec<u8>,
    /// Not ended before that time: a slow host.
    not_before: Duration,
}

/// One device on its controller.
pub struct Controller {
    device: Box<dyn Device>,
    plugged_in: Instant,
    /// Endpoint address (0: control) to its transfers, oldest first.
    queues: BTreeMap<u8, VecDeque<Pending>>,
    finished: VecDeque<Finished>,
    /// Every transfer takes at least so long.
    pub slowness: Duration,
}

impl Controller {
    /// Plugs a device in.
    pub fn new(device: Box<dyn Device>) -> Controller {
        Controller {
            device,
            plugged_in: Instant::now(),
            queues: BTreeMap::new(),
            finished: VecDeque::new(),
            slowness: Duration::ZERO,
        }
    }

    /// The device.
    pub fn device(&self) -> &dyn Device {
        &*self.device
    }

    fn now(&self) -> Duration {
        self.plugged_in.elapsed()
    }

    /// Takes a transfer; it begins with the next [`Controller::advance`].
    pub fn submit(&mut self, transfer: Transfer) {
        let endpoint = match transfer.kind {
            Kind::Control(..) => 0,
            Kind::Out { endpoint, .. } | Kind::In { endpoint, .. } => endpoint,
        };
        let not_before = self.now() + self.slowness;
        self.queues.entry(endpoint).or_default().push_back(Pending {
            transfer,
            moved: 0,
            data: Vec::new(),
            not_before,
        });
    }

    /// Takes a transfer back; whether it was still pending. It comes out as cancelled, with what had moved.
    pub fn cancel(&mut self, id: Id) -> bool {
        for queue in self.queues.values_mut() {
            if let Some(at) = queue.iter().position(|p| p.transfer.id == id) {
                let pending = queue.remove(at).expect("found just now");
                self.finished.push_back(pending.ended(Status::Cancelled));
                return true;
            }
        }
        false
    }

    /// A control request done at once, for routes that need one beside their transfers.
    pub fn control(&mut self, setup: Setup, data: &[u8]) -> Reply<Vec<u8>> {
        let now = self.now();
        self.device.control(now, setup, data)
    }

    /// How the device stands now.
    pub fn standing(&mut self) -> Standing {
        let now = self.now();
        self.device.standing(now)
    }

    /// Pulls the plug.
    pub fn unplug(&mut self) {
        let now = self.now();
        self.device.unplug(now);
        self.advance();
    }

    /// Moves every packet that can move.
    pub fn advance(&mut self) {
        loop {
            let now = self.now();
            let mut moved = false;
            for (&endpoint, queue) in &mut self.queues {
                moved |= go(&mut *self.device, now, endpoint, queue, &mut self.finished);
            }
            if !self.device.is_plugged() {
                for queue in self.queues.values_mut() {
                    let gone = queue.drain(..).map(|p| p.ended(Status::Gone));
                    self.finished.extend(gone);
                }
                return;
            }
            if !moved {
                return;
            }
        }
    }

    /// How long until [`Controller::advance`] has something to do again; `None`: not before a transfer comes.
    pub fn wait(&self) -> Option<Duration> {
        let now = self.now();
        let dues = self.queues.iter().filter_map(|(&endpoint, queue)| {
            let first = queue.front()?;
            if first.not_before > now {
                return Some(first.not_before);
            }
            self.device.due(endpoint, first.next_packet(&*self.device))
        });
        dues.min().map(|due| due.saturating_sub(now))
    }

    /// The next transfer that has ended.
    pub fn finished(&mut self) -> Option<Finished> {
        self.finished.pop_front()
    }
}

impl Pending {
    fn ended(self, status: Status) -> Finished {
        Finished {
            id: self.transfer.id,
            status,
            moved: self.moved,
            data: self.data,
        }
    }

    /// Bytes of the next packet to the device.
    fn next_packet(&self, device: &dyn Device) -> usize {
        match &self.transfer.kind {
            Kind::Out { data, .. } => {
                (data.len() - self.moved).min(device.descriptors().speed.packet_bytes())
            }
            _ => 0,
        }
    }
}

/// Moves at most one packet of an endpoint's oldest transfer; whether something happened.
fn go(
    device: &mut dyn Device,
    now: Duration,
    endpoint: u8,
    queue: &mut VecDeque<Pending>,
    finished: &mut VecDeque<Finished>,
) -> bool {
    let Some(first) = queue.front_mut() else {
        return false;
    };
    if first.not_before > now {
        return false;
    }
    let packet_bytes = device.descriptors().speed.packet_bytes();
    let bytes = first.next_packet(device);
    let reply = match &first.transfer.kind {
        Kind::Control(setup, data) => match device.control(now, *setup, data) {
            Reply::Done(answer) => {
                first.moved = if setup.to_host() {
                    answer.len()
                } else {
                    data.len()
                };
                first.data = answer;
                Reply::Done(Some(Status::Good))
            }
            other => other.map(|_| None),
        },
        Kind::Out {
            data,
            end_with_empty,
            ..
        } => device
            .take(now, endpoint, &data[first.moved..first.moved + bytes])
            .map(|()| {
                first.moved += bytes;
                let over = first.moved == data.len() && !(*end_with_empty && bytes == packet_bytes);
                over.then_some(Status::Good)
            }),
        Kind::In { room, .. } => device.give(now, endpoint).map(|packet| {
            let short = packet.len() < packet_bytes;
            let fits = packet.len().min(room - first.moved);
            first.data.extend(&packet[..fits]);
            first.moved += fits;
            if fits < packet.len() {
                Some(Status::Overflow)
            } else {
                (short || first.moved == *room).then_some(Status::Good)
            }
        }),
    };
    let status = match reply {
        Reply::Done(None) => return true,
        Reply::Done(Some(status)) => status,
        Reply::Later => return false,
        Reply::Stalled => Status::Stalled,
        Reply::Silent => Status::Gone,
    };
    let ended = queue.pop_front().expect("looked at just now");
    finished.push_back(ended.ended(status));
    true
}
