//! The port: opens the chip, keeps pieces in flight, checks every reading, releases.

use std::collections::VecDeque;
use std::time::Duration;

use crate::bits::Bits;
use crate::tap::{
    Answers, Expectations, Line, Piece, Port, PortError, Step, Ticket, Traffic, Walker,
};

use super::super::lowered::{steps_of, unknown_ticket};
use super::super::{Chip, Profile, Usb, UsbError, Way};
use super::encode::{Encoder, Part, Stop, Stream};

/// How long the chip may be silent beyond the time that the work itself takes.
const PATIENCE: Duration = Duration::from_secs(2);
/// How long one read waits.
const SLICE: Duration = Duration::from_millis(100);
/// What does not fill a packet is sent after so many milliseconds: there is no other way to
/// have it sent.
const LATENCY_MS: u16 = 1;
/// After so long without a reading none is left on the way.
const QUIET: Duration = Duration::from_millis(3);
/// Bytes that may be on their way when a piece without answers counts as run: what the FIFOs
/// of the smallest chip hold.
const NEARLY: u64 = 256;
/// The most bytes in one transfer.
const TRANSFER_BYTES: usize = 1 << 15;
/// TCK until the caller sets it.
const FIRST_TCK_HZ: u32 = 1_000_000;

/// Vendor requests, as the Linux kernel's serial driver names them.
mod request {
    pub(super) const RESET: u8 = 0x00;
    pub(super) const BAUD: u8 = 0x03;
    pub(super) const LATENCY: u8 = 0x09;
    pub(super) const BIT_MODE: u8 = 0x0b;
    /// Value of [`RESET`]: everything.
    pub(super) const ALL: u16 = 0;
    /// Value of [`BIT_MODE`]: off; synchronous bit-bang, the outputs in the low byte.
    pub(super) const MODE_OFF: u16 = 0x0000;
    pub(super) const MODE_SYNCHRONOUS: u16 = 0x0400;
}

/// A [`Port`] on a chip's channel in synchronous bit-bang.
pub struct BitBang<U> {
    usb: U,
    what: String,
    encoder: Encoder,
    walker: Walker,
    tck_hz: u32,
    /// What the watched lines must show in each reading that is still to come.
    due: VecDeque<u8>,
    /// The lines among the watched ones that are outputs just now.
    watched: u8,
    /// The level of all lines after the last byte sent.
    last: u8,
    /// Readings that came, from number `first` on.
    readings: VecDeque<u8>,
    first: u64,
    /// Bytes sent since the chip was brought into step.
    sent: u64,
    flight: VecDeque<Flight>,
    done: Vec<(Ticket, Answers)>,
    next_ticket: u64,
    tck_cycles: u64,
    shift_bits: u64,
    released: bool,
    resynchronised: bool,
    failed: Option<PortError>,
}

/// A piece on its way.
struct Flight {
    ticket: Ticket,
    parts: Vec<Part>,
    expectations: Expectations,
    /// The number of the reading of its first byte, and of the first one behind it.
    begins: u64,
    ends: u64,
}

impl<U: Usb> BitBang<U> {
    /// Brings the channel into synchronous bit-bang, finds it in step, and sets the lines: TCK
    /// low, TDI and TMS high, what the profile fixes, all others inputs. TCK is as fast as it
    /// can be, at most 300 kHz, until [`Port::set_tck_hz`].
    ///
    /// # Errors
    /// [`PortError::Unsupported`] if the chip's channel is none for bit-bang, or the profile
    /// names lines that it does not have; [`PortError::OutOfStep`] if the lines do not read as
    /// they are set; or the adapter failed.
    pub fn open(usb: U, profile: Profile) -> Result<BitBang<U>, PortError> {
        let what = usb.name();
        let unsupported = |why: String| PortError::Unsupported {
            what: what.clone(),
            wish: format!("be driven as \"{}\": {why}", profile.name),
        };
        let chip = Chip::of_release(usb.release()).ok_or_else(|| {
            unsupported(format!(
                "release {:04x} is no chip known here",
                usb.release()
            ))
        })?;
        let fault = profile
            .fault(chip)
            .or_else(|| (profile.way != Way::BitBang).then(|| "it is for an MPSSE".to_owned()));
        if let Some(fault) = fault {
            return Err(unsupported(fault));
        }
        let encoder = Encoder::new(profile);
        let mut port = BitBang {
            usb,
            what,
            encoder,
            walker: Walker::new(),
            tck_hz: 0,
            due: VecDeque::new(),
            watched: 0,
            last: 0,
            readings: VecDeque::new(),
            first: 0,
            sent: 0,
            flight: VecDeque::new(),
            done: Vec::new(),
            next_ticket: 0,
            tck_cycles: 0,
            shift_bits: 0,
            released: false,
            resynchronised: false,
            failed: None,
        };
        port.begin(FIRST_TCK_HZ)?;
        Ok(port)
    }

    /// From whatever mode it was in: in step at this rate.
    fn begin(&mut self, tck_hz: u32) -> Result<(), PortError> {
        self.control(request::RESET, request::ALL, "reset")?;
        self.control(request::LATENCY, LATENCY_MS, "set latency timer")?;
        self.control(request::BIT_MODE, request::MODE_OFF, "leave its mode")?;
        let packet = self.usb.packet_bytes();
        self.usb
            .listen(packet * 32, 2)
            .map_err(|e| self.error(e, "a transfer", PATIENCE))?;
        self.rate(tck_hz)?;
        self.start()
    }

    /// The USB device below.
    pub fn usb(&self) -> &U {
        &self.usb
    }

    /// The USB device below, to be looked into between pieces.
    pub fn usb_mut(&mut self) -> &mut U {
        &mut self.usb
    }

    /// The profile.
    pub fn profile(&self) -> &Profile {
        self.encoder.profile()
    }

    /// The rate of TCK in Hz.
    pub fn tck_hz(&self) -> u32 {
        self.tck_hz
    }

    /// The mode with all lines as inputs, what is left from before thrown away, then the
    /// starting levels, then the outputs, then a pattern on TDI that must read as it was set.
    fn start(&mut self) -> Result<(), PortError> {
        let mode = request::MODE_SYNCHRONOUS;
        self.control(request::BIT_MODE, mode, "synchronous bit-bang")?;
        self.control(request::RESET, request::ALL, "reset")?;
        // Until everything handed over has been taken and nothing has come for some latency
        // times. A chip that talks all the time is found out by what comes next.
        let began = self.usb.now();
        let (mut since, mut taken) = (began, self.usb.counts().out_bytes);
        while self.usb.now() - since < QUIET && self.usb.now() - began < PATIENCE {
            match self.usb.read(QUIET) {
                Ok(request) if request.len() > 2 => since = self.usb.now(),
                Ok(_) | Err(UsbError::TimedOut { .. }) => {}
                Err(e) => return Err(self.error(e, "a transfer", PATIENCE)),
            }
            if self.usb.counts().out_bytes != taken {
                (since, taken) = (self.usb.now(), self.usb.counts().out_bytes);
            }
        }
        self.due.clear();
        self.readings.clear();
        (self.first, self.sent, self.watched) = (0, 0, 0);
        self.encoder.drive();
        self.encoder.mark();
        let stream = self.encoder.finish();
        self.put(&stream)?;
        self.drain()
    }

    /// The channel in the index of requests: 1 for A; 0 on chips with one channel.
    fn index(&self) -> u16 {
        let single = Chip::of_release(self.usb.release()).is_some_and(|c| c.channels == 1);
        if single {
            0
        } else {
            u16::from(self.encoder.profile().channel) + 1
        }
    }

    fn control(&mut self, code: u8, value: u16, doing: &str) -> Result<(), PortError> {
        let index = self.index();
        self.usb
            .control_out(code, value, index)
            .map_err(|e| self.error(e, doing, PATIENCE))
    }

    fn rate(&mut self, hz: u32) -> Result<(), PortError> {
        let Some((divisor, hz)) = Chip::bang_rate(hz) else {
            return Err(PortError::Unsupported {
                what: self.what.clone(),
                wish: format!("run TCK as slow as {hz} Hz by bit-bang"),
            });
        };
        self.control(request::BAUD, divisor, "set the baud rate")?;
        self.tck_hz = hz;
        // Two bytes a cycle; rounded up, so that waits are not too short.
        self.encoder.set_byte_hz(2 * (u64::from(hz) + 1));
        Ok(())
    }

    /// Sends a stream with its stops.
    fn put(&mut self, stream: &Stream) -> Result<(), PortError> {
        let mut from = 0;
        for &(at, stop) in &stream.stops {
            self.write(&stream.bytes[from..at])?;
            from = at;
            self.drain()?;
            match stop {
                Stop::Wait(ns) => self.usb.pause(Duration::from_nanos(ns)),
                Stop::Outputs(lines) => {
                    let value = request::MODE_SYNCHRONOUS | u16::from(lines);
                    self.control(request::BIT_MODE, value, "set the directions")?;
                    self.watched = self.encoder.watched() & lines;
                }
            }
        }
        self.write(&stream.bytes[from..])
    }

    fn write(&mut self, bytes: &[u8]) -> Result<(), PortError> {
        for transfer in bytes.chunks(TRANSFER_BYTES) {
            for &byte in transfer {
                self.due.push_back(self.last);
                self.last = byte;
            }
            self.sent += transfer.len() as u64;
            self.usb
                .write(transfer.to_vec(), PATIENCE)
                .map_err(|e| self.error(e, "a transfer", PATIENCE))?;
            self.fetch(Duration::ZERO)?;
        }
        Ok(())
    }

    /// Takes one finished IN request and holds its readings against what was sent; none within
    /// `wait` is no error.
    fn fetch(&mut self, wait: Duration) -> Result<(), PortError> {
        let request = match self.usb.read(wait) {
            Ok(request) => request,
            Err(UsbError::TimedOut { .. }) => return Ok(()),
            Err(e) => return Err(self.error(e, "a transfer", wait)),
        };
        for packet in request.chunks(self.usb.packet_bytes()) {
            let Some((_, readings)) = packet.split_at_checked(2) else {
                return Err(self.out_of_step(
                    "two status bytes in every packet".to_owned(),
                    format!("a packet of {} byte", packet.len()),
                ));
            };
            for &reading in readings {
                self.take(reading)?;
            }
        }
        Ok(())
    }

    fn take(&mut self, reading: u8) -> Result<(), PortError> {
        let number = self.first + self.readings.len() as u64;
        let Some(due) = self.due.pop_front() else {
            return Err(self.out_of_step(
                format!("{number} readings"),
                "one more than bytes were sent".to_owned(),
            ));
        };
        let wrong = (reading ^ due) & self.watched;
        if wrong != 0 {
            let tap = self.encoder.profile().tap;
            let names: Vec<String> = [("TCK", tap.tck), ("TDI", tap.tdi), ("TMS", tap.tms)]
                .iter()
                .filter(|&&(_, pin)| wrong >> pin & 1 == 1)
                .map(|&(name, pin)| format!("{name} {}", reading >> pin & 1))
                .collect();
            return Err(self.out_of_step(
                format!("its own outputs to read as they were set at byte {number}"),
                format!(
                    "{}: bytes were lost, or something else holds the line",
                    names.join(" and ")
                ),
            ));
        }
        self.readings.push_back(reading);
        Ok(())
    }

    /// Waits until the readings up to number `to` are there.
    fn await_readings(&mut self, to: u64) -> Result<(), PortError> {
        let mut since = self.usb.now();
        loop {
            let came = self.first + self.readings.len() as u64;
            if came >= to {
                return Ok(());
            }
            self.fetch(SLICE)?;
            let now = self.usb.now();
            if self.first + self.readings.len() as u64 > came {
                since = now;
            } else if now - since >= PATIENCE {
                return Err(PortError::TimedOut {
                    what: self.what.clone(),
                    ms: PATIENCE.as_millis() as u64,
                });
            }
        }
    }

    /// Waits for everything that was sent.
    fn drain(&mut self) -> Result<(), PortError> {
        self.await_readings(self.sent)
    }

    /// Forgets readings before number `to`.
    fn forget(&mut self, to: u64) {
        let n = (to.saturating_sub(self.first) as usize).min(self.readings.len());
        self.readings.drain(..n);
        self.first += n as u64;
    }

    fn error(&self, e: UsbError, doing: &str, waited: Duration) -> PortError {
        e.of(&self.what, doing, self.usb.counts().out_bytes, waited)
    }

    fn out_of_step(&self, expected: String, found: String) -> PortError {
        PortError::OutOfStep {
            what: self.what.clone(),
            expected,
            found,
        }
    }

    fn check(&self) -> Result<(), PortError> {
        self.failed.clone().map_or(Ok(()), Err)
    }

    /// Keeps a failure. Out of step, the chip is brought into step again, once, and the test
    /// logic reset: from there it takes programs again, and the failure is told.
    fn keep<T>(&mut self, result: Result<T, PortError>) -> Result<T, PortError> {
        let Err(e) = result else {
            return result;
        };
        self.flight.clear();
        self.done.clear();
        self.readings.clear();
        let e = match e {
            PortError::OutOfStep {
                what,
                expected,
                found,
            } if !self.resynchronised => {
                self.resynchronised = true;
                // What was not sent yet is not sent any more.
                self.encoder.finish();
                let again = self.start().and_then(|()| self.reset());
                let said = match &again {
                    Ok(()) => "it was brought into step again and the test logic reset".to_owned(),
                    Err(e) => format!("bringing it into step again failed: {e}"),
                };
                self.failed = again.err();
                PortError::OutOfStep {
                    what,
                    expected,
                    found: format!("{found}; {said}"),
                }
            }
            e => {
                self.failed = Some(e.clone());
                e
            }
        };
        Err(e)
    }

    /// Test-Logic-Reset by five cycles, waited for.
    fn reset(&mut self) -> Result<(), PortError> {
        self.walker = Walker::new();
        self.encoder.step(Step::Hold {
            tms: true,
            cycles: 5,
        });
        let stream = self.encoder.finish();
        self.tck_cycles += stream.cycles;
        self.put(&stream)?;
        self.drain()?;
        self.forget(self.sent);
        Ok(())
    }

    fn send(&mut self, piece: &Piece) -> Result<Ticket, PortError> {
        if std::mem::take(&mut self.released) {
            self.encoder.drive();
            let stream = self.encoder.finish();
            self.put(&stream)?;
        }
        let mut walker = self.walker;
        for (_, step) in steps_of(&mut walker, piece)? {
            if let Step::Shift { bits, .. } = step {
                self.shift_bits += bits.len() as u64;
            }
            self.encoder.step(step);
        }
        self.walker = walker;
        let stream = self.encoder.finish();
        let begins = self.sent;
        if self.flight.is_empty() {
            self.forget(begins);
        }
        self.tck_cycles += stream.cycles;
        self.put(&stream)?;
        let ticket = Ticket(self.next_ticket);
        self.next_ticket += 1;
        self.flight.push_back(Flight {
            ticket,
            begins,
            ends: self.sent,
            parts: stream.parts,
            expectations: piece.expectations(),
        });
        Ok(ticket)
    }

    /// Waits for the oldest piece in flight and keeps its answers.
    fn land(&mut self) -> Result<(), PortError> {
        let Some(first) = self.flight.front() else {
            return Ok(());
        };
        // A piece that asks nothing is over, for its caller, when nearly all of it is.
        let begins = first.begins;
        let nearly = begins.max(first.ends.saturating_sub(NEARLY));
        let until = first.parts.last().map_or(nearly, |part| {
            begins
                + match *part {
                    Part::Tdo { from, bits } => (from + 2 * (bits - 1) + 1) as u64,
                    Part::Lines(at) => at as u64 + 1,
                }
        });
        self.forget(begins);
        self.await_readings(until)?;
        let Some(first) = self.flight.pop_front() else {
            return Ok(());
        };
        let raw = self.decode(&first);
        self.done
            .push((first.ticket, first.expectations.answer(raw)));
        self.forget(until);
        Ok(())
    }

    /// One answer for each reading op.
    fn decode(&self, flight: &Flight) -> Vec<Bits> {
        let start = (flight.begins - self.first) as usize;
        let tdo = self.encoder.tdo();
        let profile = self.encoder.profile();
        let answer = |part: &Part| match *part {
            Part::Tdo { from, bits } => (0..bits)
                .map(|i| self.readings[start + from + 2 * i] & tdo != 0)
                .collect(),
            Part::Lines(at) => {
                let lines = u16::from(self.readings[start + at]);
                Bits::from_u64(profile.spare_levels(lines), 8)
            }
        };
        flight.parts.iter().map(answer).collect()
    }

    /// From whatever state: in step, test logic reset, lines released.
    fn start_over(&mut self) -> Result<(), PortError> {
        self.usb
            .restart()
            .map_err(|e| self.error(e, "restart", PATIENCE))?;
        self.flight.clear();
        self.done.clear();
        self.encoder.finish();
        self.resynchronised = true;
        self.begin(self.tck_hz)?;
        self.reset()?;
        self.let_go()
    }

    fn let_go(&mut self) -> Result<(), PortError> {
        self.encoder.undrive();
        let stream = self.encoder.finish();
        self.put(&stream)?;
        self.released = true;
        Ok(())
    }

    fn no_line(&self, line: Line) -> PortError {
        PortError::Unsupported {
            what: self.what.clone(),
            wish: self.encoder.profile().lacks(line),
        }
    }
}

impl<U: Usb> Port for BitBang<U> {
    fn submit(&mut self, piece: Piece) -> Result<Ticket, PortError> {
        self.check()?;
        let mut ahead = self.walker;
        for (_, step) in steps_of(&mut ahead, &piece)? {
            if let Step::Line(line, _) = step
                && !self.encoder.has(line)
            {
                return Err(self.no_line(line));
            }
        }
        let sent = self.send(&piece);
        self.keep(sent)
    }

    fn collect(&mut self, ticket: Ticket) -> Result<Answers, PortError> {
        self.check()?;
        loop {
            if let Some(at) = self.done.iter().position(|(t, _)| *t == ticket) {
                return Ok(self.done.remove(at).1);
            }
            if !self.flight.iter().any(|f| f.ticket == ticket) {
                return Err(unknown_ticket(ticket));
            }
            let landed = self.land();
            self.keep(landed)?;
        }
    }

    fn set_tck_hz(&mut self, hz: u32) -> Result<u32, PortError> {
        self.check()?;
        // What was sent runs at the rate that it was sent for.
        let drained = self.drain();
        self.keep(drained)?;
        match self.rate(hz) {
            // Nothing was done.
            Err(PortError::Unsupported { what, wish }) => {
                return Err(PortError::Unsupported { what, wish });
            }
            set => self.keep(set)?,
        }
        Ok(self.tck_hz)
    }

    fn release(&mut self) -> Result<(), PortError> {
        // After a failure the lines are let go all the same, if the chip still listens.
        let failed = self.failed.take();
        let gone = self.let_go();
        if failed.is_some() {
            self.failed = failed;
            return gone;
        }
        match self.keep(gone) {
            // Brought into step again, which set the lines: they still are to be let go.
            Err(PortError::OutOfStep { .. }) if self.failed.is_none() => {
                let gone = self.let_go();
                self.keep(gone)
            }
            kept => kept,
        }
    }

    fn rescue(&mut self) -> Result<(), PortError> {
        if let Some(gone @ PortError::Gone { .. }) = &self.failed {
            return Err(gone.clone());
        }
        self.failed = None;
        let over = self.start_over();
        self.keep(over)
    }

    fn traffic(&self) -> Traffic {
        let counts = self.usb.counts();
        Traffic {
            tck_cycles: self.tck_cycles,
            shift_bits: self.shift_bits,
            usb_out: counts.out_bytes,
            usb_in: counts.in_bytes,
            round_trips: counts.round_trips,
            elapsed: self.usb.now(),
        }
    }
}
