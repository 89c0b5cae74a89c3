//! The bytes of the TAP socket: messages in, messages out, clocks packed and unpacked.

use std::io::{self, Read, Write};
use std::time::{Duration, Instant};

use crate::bits::Bits;
use crate::tap::{Level, Line, PortError};

use super::address::Stream;

/// The most cycles that one message may hold.
pub const MAX_CYCLES: usize = 1 << 20;

/// The greeting, both ways.
pub(super) const GREETING: &[u8] = b"taploom 1";

/// How long one read blocks before the time is looked at.
const SLICE: Duration = Duration::from_millis(100);

/// The longest payload that a kind may have, or `None` for a kind that there is not.
pub(super) fn limit(kind: u8) -> Option<usize> {
    match kind {
        b'H' => Some(64),
        b'K' => Some(4 + MAX_CYCLES / 4),
        b'O' => Some(4 + MAX_CYCLES / 8),
        b'L' => Some(2),
        b'T' => Some(8),
        _ => None,
    }
}

/// One end of a connection.
#[derive(Debug)]
pub(super) struct Peer {
    stream: Stream,
    name: String,
    timeout: Duration,
    sent: u64,
}

/// What came from the other end.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Incoming {
    /// A whole message: kind and payload.
    Message(u8, Vec<u8>),
    /// The other end closed between two messages.
    Closed,
    /// The caller wanted to stop waiting.
    Stopped,
}

impl Peer {
    /// `name` is how the other end is called in messages; `timeout` is how long a message may
    /// take from its first byte to its last, and how long a send may block.
    pub(super) fn new(stream: Stream, name: String, timeout: Duration) -> Result<Peer, PortError> {
        let peer = Peer {
            stream,
            name,
            timeout,
            sent: 0,
        };
        peer.stream
            .set_timeouts(SLICE.min(timeout), timeout)
            .map_err(|e| peer.failed(&e))?;
        Ok(peer)
    }

    pub(super) fn name(&self) -> &str {
        &self.name
    }

    pub(super) fn send(&mut self, kind: u8, payload: &[u8]) -> Result<(), PortError> {
        let mut message = Vec::with_capacity(5 + payload.len());
        message.push(kind);
        message.extend_from_slice(&(payload.len() as u32).to_le_bytes());
        message.extend_from_slice(payload);
        self.stream
            .write_all(&message)
            .map_err(|e| self.failed(&e))?;
        self.sent += message.len() as u64;
        Ok(())
    }

    /// The next message. Before its first byte `stop` is asked several times a second whether
    /// to go on waiting, at most for `patience`.
    pub(super) fn receive(
        &mut self,
        patience: Option<Duration>,
        stop: &dyn Fn() -> bool,
    ) -> Result<Incoming, PortError> {
        let began = Instant::now();
        let mut kind = [0];
        loop {
            if stop() {
                return Ok(Incoming::Stopped);
            }
            match self.stream.read(&mut kind) {
                Ok(0) => return Ok(Incoming::Closed),
                Ok(_) => break,
                Err(e) if is_slice(&e) => {
                    if let Some(patience) = patience
                        && began.elapsed() >= patience
                    {
                        return Err(self.timed_out(patience));
                    }
                }
                Err(e) if e.kind() == io::ErrorKind::ConnectionReset => {
                    return Ok(Incoming::Closed);
                }
                Err(e) => return Err(self.failed(&e)),
            }
        }
        let kind = kind[0];
        let limit = limit(kind)
            .ok_or_else(|| self.out_of_step("a message of kind H, K, O, L or T", &name(kind)))?;
        let deadline = Instant::now() + self.timeout;
        let mut length = [0; 4];
        self.fill(&mut length, deadline)?;
        let length = u32::from_le_bytes(length) as usize;
        if length > limit {
            return Err(self.out_of_step(
                &format!("at most {limit} bytes in a message of kind {}", name(kind)),
                &format!("{length} bytes announced"),
            ));
        }
        let mut payload = vec![0; length];
        self.fill(&mut payload, deadline)?;
        Ok(Incoming::Message(kind, payload))
    }

    fn fill(&mut self, mut buf: &mut [u8], deadline: Instant) -> Result<(), PortError> {
        while !buf.is_empty() {
            match self.stream.read(buf) {
                Ok(0) => {
                    return Err(PortError::Gone {
                        what: format!("{}, in the middle of a message,", self.name),
                        bytes_out: Some(self.sent),
                    });
                }
                Ok(n) => buf = &mut buf[n..],
                Err(e) if is_slice(&e) => {}
                Err(e) => return Err(self.failed(&e)),
            }
            if !buf.is_empty() && Instant::now() >= deadline {
                return Err(self.timed_out(self.timeout));
            }
        }
        Ok(())
    }

    pub(super) fn gone(&self) -> PortError {
        PortError::Gone {
            what: self.name.clone(),
            bytes_out: Some(self.sent),
        }
    }

    pub(super) fn out_of_step(&self, expected: &str, found: &str) -> PortError {
        PortError::OutOfStep {
            what: self.name.clone(),
            expected: expected.to_owned(),
            found: found.to_owned(),
        }
    }

    fn timed_out(&self, waited: Duration) -> PortError {
        PortError::TimedOut {
            what: self.name.clone(),
            ms: waited.as_millis() as u64,
        }
    }

    fn failed(&self, e: &io::Error) -> PortError {
        match e.kind() {
            io::ErrorKind::BrokenPipe
            | io::ErrorKind::ConnectionReset
            | io::ErrorKind::ConnectionAborted
            | io::ErrorKind::UnexpectedEof => self.gone(),
            _ if is_slice(e) => self.timed_out(self.timeout),
            _ => PortError::Other {
                what: self.name.clone(),
                said: e.to_string(),
            },
        }
    }
}

fn is_slice(e: &io::Error) -> bool {
    matches!(
        e.kind(),
        io::ErrorKind::WouldBlock | io::ErrorKind::TimedOut | io::ErrorKind::Interrupted
    )
}

/// A message kind for people.
pub(super) fn name(kind: u8) -> String {
    if kind.is_ascii_graphic() {
        char::from(kind).to_string()
    } else {
        format!("0x{kind:02x}")
    }
}

/// The payload of a `K` message for `n` cycles from cycle `from`.
pub(super) fn pack_clocks(tms: &Bits, tdi: &Bits, from: usize, n: usize) -> Vec<u8> {
    let mut payload = Vec::with_capacity(4 + n.div_ceil(4) + 8);
    payload.extend_from_slice(&(n as u32).to_le_bytes());
    let mut done = 0;
    while done < n {
        let take = (n - done).min(32);
        let pairs = spread(tms.get_u64(from + done, take) as u32)
            | spread(tdi.get_u64(from + done, take) as u32) << 1;
        payload.extend_from_slice(&pairs.to_le_bytes());
        done += take;
    }
    payload.truncate(4 + n.div_ceil(4));
    payload
}

/// TMS and TDI of a `K` payload, or what is wrong with it: expected, found.
pub(super) fn unpack_clocks(payload: &[u8]) -> Result<(Bits, Bits), (String, String)> {
    let (n, pairs) = counted(payload, 4)?;
    let mut tms = Bits::with_capacity(n);
    let mut tdi = Bits::with_capacity(n);
    for (i, chunk) in pairs.chunks(8).enumerate() {
        let mut word = [0; 8];
        word[..chunk.len()].copy_from_slice(chunk);
        let word = u64::from_le_bytes(word);
        let take = (n - i * 32).min(32);
        tms.push_u64(gather(word).into(), take);
        tdi.push_u64(gather(word >> 1).into(), take);
    }
    Ok((tms, tdi))
}

/// The payload of an `O` message.
pub(super) fn pack_answer(tdo: &Bits) -> Vec<u8> {
    let mut payload = (tdo.len() as u32).to_le_bytes().to_vec();
    payload.extend(tdo.to_bytes());
    payload
}

/// TDO of an `O` payload, or what is wrong with it: expected, found.
pub(super) fn unpack_answer(payload: &[u8]) -> Result<Bits, (String, String)> {
    let (n, bytes) = counted(payload, 8)?;
    Ok(Bits::from_bytes(bytes, n))
}

/// The cycle count in front of a payload, checked against the bytes that follow it.
fn counted(payload: &[u8], cycles_a_byte: usize) -> Result<(usize, &[u8]), (String, String)> {
    let Some((count, rest)) = payload.split_first_chunk::<4>() else {
        return Err((
            "a count of cycles in 4 bytes".to_owned(),
            format!("{} bytes", payload.len()),
        ));
    };
    let count = u32::from_le_bytes(*count) as usize;
    if count > MAX_CYCLES {
        return Err((
            format!("at most {MAX_CYCLES} cycles in a message"),
            format!("a count of {count}"),
        ));
    }
    let needed = count.div_ceil(cycles_a_byte);
    if rest.len() != needed {
        return Err((
            format!("{needed} bytes for {count} cycles"),
            format!("{} bytes", rest.len()),
        ));
    }
    Ok((count, rest))
}

/// Bit i of `x` at bit 2i.
fn spread(x: u32) -> u64 {
    let mut x = u64::from(x);
    x = (x | x << 16) & 0x0000_ffff_0000_ffff;
    x = (x | x << 8) & 0x00ff_00ff_00ff_00ff;
    x = (x | x << 4) & 0x0f0f_0f0f_0f0f_0f0f;
    x = (x | x << 2) & 0x3333_3333_3333_3333;
    (x | x << 1) & 0x5555_5555_5555_5555
}

/// Bit 2i of `x` at bit i.
fn gather(x: u64) -> u32 {
    let mut x = x & 0x5555_5555_5555_5555;
    x = (x | x >> 1) & 0x3333_3333_3333_3333;
    x = (x | x >> 2) & 0x0f0f_0f0f_0f0f_0f0f;
    x = (x | x >> 4) & 0x00ff_00ff_00ff_00ff;
    x = (x | x >> 8) & 0x0000_ffff_0000_ffff;
    (x | x >> 16) as u32
}

/// The line's number on the wire.
pub(super) fn line_number(line: Line) -> u8 {
    match line {
        Line::Trst => 0,
        Line::SystemReset => 1,
        Line::Spare(k) => k.saturating_add(2),
    }
}

/// The line that a number means; spare lines 0 to 7 only, as their levels share one byte.
pub(super) fn line_of(number: u8) -> Option<Line> {
    match number {
        0 => Some(Line::Trst),
        1 => Some(Line::SystemReset),
        2..=9 => Some(Line::Spare(number - 2)),
        _ => None,
    }
}

/// The level's number on the wire.
pub(super) fn level_number(level: Level) -> u8 {
    match level {
        Level::Low => 0,
        Level::High => 1,
        Level::Released => 2,
    }
}

/// The level that a number means.
pub(super) fn level_of(number: u8) -> Option<Level> {
    match number {
        0 => Some(Level::Low),
        1 => Some(Level::High),
        2 => Some(Level::Released),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn clocks_are_packed_four_a_byte_first_cycle_lowest() {
        // Five cycles: TMS 1 0 1 1 0, TDI 0 0 1 0 1.
        let tms: Bits = [true, false, true, true, false].into_iter().collect();
        let tdi: Bits = [false, false, true, false, true].into_iter().collect();
        let payload = pack_clocks(&tms, &tdi, 0, 5);
        // Cycle 0: 01, 1: 00, 2: 11, 3: 01 -> 01 11 00 01; cycle 4: 10.
        assert_eq!(payload, [5, 0, 0, 0, 0b01_11_00_01, 0b10]);
        assert_eq!(unpack_clocks(&payload), Ok((tms, tdi)));
    }

    #[test]
    fn packing_and_unpacking_agree_at_every_length() {
        for n in 0..200 {
            let tms: Bits = (0..n).map(|i| i * i % 5 < 2).collect();
            let tdi: Bits = (0..n).map(|i| i * 7 % 11 < 5).collect();
            let payload = pack_clocks(&tms, &tdi, 0, n);
            assert_eq!(payload.len(), 4 + n.div_ceil(4));
            assert_eq!(unpack_clocks(&payload), Ok((tms, tdi.clone())));
            assert_eq!(unpack_answer(&pack_answer(&tdi)), Ok(tdi));
        }
    }

    #[test]
    fn wrong_counts_are_told_apart_from_right_ones() {
        for (payload, expected) in [
            (vec![1, 0], "4 bytes"),
            (vec![5, 0, 0, 0, 0], "2 bytes for 5 cycles"),
            (vec![5, 0, 0, 0, 0, 0, 0], "2 bytes for 5 cycles"),
            (vec![1, 0, 16, 0], "at most 1048576 cycles"),
        ] {
            let (wanted, _) = unpack_clocks(&payload).unwrap_err();
            assert!(wanted.contains(expected), "{payload:?}: {wanted}");
        }
        assert!(unpack_answer(&[9, 0, 0, 0, 0]).is_err());
    }

    #[test]
    fn lines_and_levels_go_and_come_back() {
        for line in [
            Line::Trst,
            Line::SystemReset,
            Line::Spare(0),
            Line::Spare(7),
        ] {
            assert_eq!(line_of(line_number(line)), Some(line));
        }
        assert_eq!(line_number(Line::Spare(0)), 2);
        assert_eq!(line_of(10), None);
        assert_eq!(level_of(3), None);
    }
}
