//! The client's end: a TAP somewhere else as [`Clocks`].

use std::time::Duration;

use crate::bits::Bits;
use crate::tap::{Clocks, Level, Line, PortError};

use super::address::Address;
use super::wire::{self, Incoming, MAX_CYCLES, Peer};

/// How long an answer may take: an RTL simulation clocks a full message in some seconds.
const ANSWER: Duration = Duration::from_secs(30);

/// A TAP that another process plays.
pub struct TapSocket {
    peer: Peer,
    patience: Duration,
    trst: Level,
    failed: Option<PortError>,
}

impl TapSocket {
    /// Connects and exchanges the greeting. Addresses on other machines only with
    /// `allow_remote`.
    ///
    /// # Errors
    /// [`PortError::NotFound`] if nobody listens there, [`PortError::Unsupported`] for an
    /// address on another machine, [`PortError::OutOfStep`] if it is no TAP socket.
    pub fn connect(address: &Address, allow_remote: bool) -> Result<TapSocket, PortError> {
        Self::connect_within(address, allow_remote, ANSWER)
    }

    /// As [`TapSocket::connect`], each answer to come within `patience`.
    ///
    /// # Errors
    /// As [`TapSocket::connect`].
    pub fn connect_within(
        address: &Address,
        allow_remote: bool,
        patience: Duration,
    ) -> Result<TapSocket, PortError> {
        let stream = address.connect(allow_remote, patience.min(Duration::from_secs(5)))?;
        let peer = Peer::new(stream, format!("TAP socket {address}"), patience)?;
        let mut socket = TapSocket {
            peer,
            patience,
            trst: Level::Released,
            failed: None,
        };
        let greeting = socket.ask(b'H', wire::GREETING, b'H')?;
        if greeting != wire::GREETING {
            return Err(socket.peer.out_of_step(
                "the greeting \"taploom 1\"",
                &format!("\"{}\"", String::from_utf8_lossy(&greeting).escape_debug()),
            ));
        }
        Ok(socket)
    }

    /// One message and its answer. After a failure every later call fails the same way.
    fn ask(&mut self, kind: u8, payload: &[u8], wanted: u8) -> Result<Vec<u8>, PortError> {
        if let Some(failed) = &self.failed {
            return Err(failed.clone());
        }
        self.exchange(kind, payload, wanted)
            .inspect_err(|e| self.failed = Some(e.clone()))
    }

    fn exchange(&mut self, kind: u8, payload: &[u8], wanted: u8) -> Result<Vec<u8>, PortError> {
        self.peer.send(kind, payload)?;
        match self.peer.receive(Some(self.patience), &|| false)? {
            Incoming::Message(kind, payload) if kind == wanted => Ok(payload),
            Incoming::Message(kind, _) => Err(self.peer.out_of_step(
                &format!("an answer of kind {}", wire::name(wanted)),
                &format!("kind {}", wire::name(kind)),
            )),
            Incoming::Closed | Incoming::Stopped => Err(self.peer.gone()),
        }
    }

    fn wrong(&mut self, expected: &str, found: &str) -> PortError {
        let error = self.peer.out_of_step(expected, found);
        self.failed = Some(error.clone());
        error
    }
}

impl Clocks for TapSocket {
    fn clock(&mut self, tms: &Bits, tdi: &Bits) -> Result<Bits, PortError> {
        assert_eq!(tms.len(), tdi.len(), "one TMS and one TDI a cycle");
        let mut tdo = Bits::with_capacity(tms.len());
        let mut from = 0;
        while from < tms.len() {
            let n = (tms.len() - from).min(MAX_CYCLES);
            let payload = wire::pack_clocks(tms, tdi, from, n);
            let answer = self.ask(b'K', &payload, b'O')?;
            let part = wire::unpack_answer(&answer)
                .map_err(|(expected, found)| self.wrong(&expected, &found))?;
            if part.len() != n {
                return Err(self.wrong(
                    &format!("TDO for {n} cycles"),
                    &format!("for {}", part.len()),
                ));
            }
            tdo.append(&part);
            from += n;
        }
        Ok(tdo)
    }

    fn line(&mut self, line: Line, level: Level) -> Result<u8, PortError> {
        if wire::line_of(wire::line_number(line)) != Some(line) {
            return Err(PortError::Unsupported {
                what: self.peer.name().to_owned(),
                wish: format!("set {line:?}: it has spare lines 0 to 7"),
            });
        }
        let payload = [wire::line_number(line), wire::level_number(level)];
        let answer = self.ask(b'L', &payload, b'L')?;
        if line == Line::Trst {
            self.trst = level;
        }
        match answer[..] {
            [levels] => Ok(levels),
            _ => Err(self.wrong(
                "the levels of the spare lines in 1 byte",
                &format!("{} bytes", answer.len()),
            )),
        }
    }

    fn sense(&mut self) -> Result<u8, PortError> {
        // There is no message that only reads: TRST stays as it is.
        self.line(Line::Trst, self.trst)
    }

    fn pass(&mut self, ns: u64) -> Result<(), PortError> {
        let answer = self.ask(b'T', &ns.to_le_bytes(), b'T')?;
        if answer.is_empty() {
            Ok(())
        } else {
            Err(self.wrong(
                "an empty answer of kind T",
                &format!("{} bytes", answer.len()),
            ))
        }
    }
}
