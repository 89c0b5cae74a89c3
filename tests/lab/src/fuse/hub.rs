//! The devices that are plugged in, and the files that programs hold open on them.

use std::collections::{BTreeMap, HashMap, VecDeque};
use std::os::fd::OwnedFd;
use std::sync::Arc;
use std::time::Duration;

use crate::controller::{Controller, Finished, Id};

use super::wire;

/// Who else is at a device.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Access {
    /// Nobody: it can be had.
    #[default]
    Free,
    /// The system lets nobody open it.
    Refused,
    /// Another program has claimed every interface.
    Busy,
    /// The kernel's driver for serial ports holds every interface, and lets go when asked.
    Driver,
}

/// Who has claimed an interface.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Claim {
    /// An open file.
    File(u64),
    /// A program that is not in the laboratory.
    Other,
    /// The kernel's driver.
    Driver,
}

/// A device in its socket.
pub(super) struct Socket {
    pub(super) name: String,
    pub(super) controller: Controller,
    pub(super) refused: bool,
    pub(super) claims: BTreeMap<u8, Claim>,
}

/// A transfer of a program.
pub(super) struct Urb {
    pub(super) id: Id,
    /// Where its structure lies in the program.
    pub(super) at: u64,
    /// Where what comes from the device goes in the program.
    pub(super) buffer: u64,
}

/// An open file on a device.
pub(super) struct File {
    pub(super) address: u8,
    pub(super) fuse: Arc<OwnedFd>,
    pub(super) urbs: Vec<Urb>,
    pub(super) done: VecDeque<(Urb, Finished)>,
    /// Whoever waits for news of it.
    pub(super) poll_handle: Option<u64>,
}

/// Everything.
#[derive(Default)]
pub(super) struct Hub {
    pub(super) sockets: BTreeMap<u8, Socket>,
    pub(super) files: HashMap<u64, File>,
    next: u64,
}

impl Hub {
    /// A number that was never given before.
    pub(super) fn number(&mut self) -> u64 {
        self.next += 1;
        self.next
    }

    /// The devices that are plugged in, by address.
    pub(super) fn plugged(&self) -> impl Iterator<Item = (u8, &Socket)> {
        self.sockets
            .iter()
            .filter(|(_, s)| s.controller.device().is_plugged())
            .map(|(&a, s)| (a, s))
    }

    pub(super) fn is_plugged(&self, address: u8) -> bool {
        self.plugged().any(|(a, _)| a == address)
    }

    /// Moves what can move, hands over what has ended, and tells those that wait.
    pub(super) fn advance(&mut self) {
        for socket in self.sockets.values_mut() {
            socket.controller.advance();
            while let Some(finished) = socket.controller.finished() {
                let owner = self
                    .files
                    .values_mut()
                    .find(|f| f.urbs.iter().any(|u| u.id == finished.id));
                // A file that was closed meanwhile gets nothing.
                if let Some(file) = owner {
                    let at = file.urbs.iter().position(|u| u.id == finished.id);
                    let urb = file.urbs.remove(at.expect("found just now"));
                    file.done.push_back((urb, finished));
                }
            }
        }
        for file in self.files.values_mut() {
            let gone = self
                .sockets
                .get(&file.address)
                .is_none_or(|s| !s.controller.device().is_plugged());
            if (gone || !file.done.is_empty())
                && let Some(handle) = file.poll_handle.take()
            {
                wire::wake(&file.fuse, handle);
            }
        }
    }

    /// How long until something is due.
    pub(super) fn wait(&self) -> Option<Duration> {
        self.sockets
            .values()
            .filter_map(|s| s.controller.wait())
            .min()
    }

    /// Closes a file: its transfers are taken back, its interfaces are free.
    pub(super) fn close(&mut self, handle: u64) {
        let Some(file) = self.files.remove(&handle) else {
            return;
        };
        if let Some(socket) = self.sockets.get_mut(&file.address) {
            for urb in &file.urbs {
                socket.controller.cancel(urb.id);
            }
            socket.claims.retain(|_, c| *c != Claim::File(handle));
        }
    }
}
