//! The port: opens the chip, keeps pieces in flight, checks every reading.

use std::collections::VecDeque;
use std::time::Duration;

use crate::bits::Bits;
use crate::tap::{Answers, Expectations, PortError, Step, TapState, Ticket};

use super::super::channel::{
    Channel, Engine, FIRST_TCK_HZ, Link, PATIENCE, SLICE, fitting, request,
};
use super::super::{Chip, Profile, Usb, Way};
use super::encode::{Encoder, Part, Stop, Stream};

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

/// A [`Port`](crate::tap::Port) on a chip's channel in synchronous bit-bang.
pub type BitBang<U> = Channel<U, LineBytes>;

/// Pieces as bytes for the lines.
pub struct LineBytes {
    encoder: Encoder,
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

impl<U: Usb> Channel<U, LineBytes> {
    /// Brings the channel into synchronous bit-bang, finds it in step, and sets the lines: TCK
    /// low, TDI and TMS high, what the profile fixes, all others inputs. TCK is as fast as it
    /// can be, at most 300 kHz, until [`Port::set_tck_hz`](crate::tap::Port::set_tck_hz).
    ///
    /// # Errors
    /// [`PortError::Unsupported`] if the chip's channel is none for bit-bang, or the profile
    /// names lines that it does not have; [`PortError::OutOfStep`] if the lines do not read as
    /// they are set; or the adapter failed.
    pub fn open(usb: U, profile: Profile) -> Result<BitBang<U>, PortError> {
        let chip = fitting(&usb, &profile, Way::BitBang)?;
        // 1 for A; 0 on chips with one channel.
        let index = match chip.channels {
            1 => 0,
            _ => u16::from(profile.channel) + 1,
        };
        let bytes = LineBytes {
            encoder: Encoder::new(profile),
            tck_hz: FIRST_TCK_HZ,
            due: VecDeque::new(),
            watched: 0,
            last: 0,
            readings: VecDeque::new(),
            first: 0,
            sent: 0,
            flight: VecDeque::new(),
        };
        let mut port = Channel::new(usb, index, bytes);
        port.engine.restart(&mut port.link)?;
        Ok(port)
    }
}

impl LineBytes {
    fn rate<U: Usb>(&mut self, link: &mut Link<U>, hz: u32) -> Result<(), PortError> {
        let Some((divisor, hz)) = Chip::bang_rate(hz) else {
            return Err(link.unsupported(format!("run TCK as slow as {hz} Hz by bit-bang")));
        };
        // What was sent runs at the rate that it was sent for.
        self.drain(link)?;
        link.control(request::BAUD, divisor, "set the baud rate")?;
        self.tck_hz = hz;
        // Two bytes a cycle; rounded up, so that waits are not too short.
        self.encoder.set_byte_hz(2 * (u64::from(hz) + 1));
        Ok(())
    }

    /// Sends a stream with its stops.
    fn put<U: Usb>(&mut self, link: &mut Link<U>, stream: &Stream) -> Result<(), PortError> {
        link.tck_cycles += stream.cycles;
        let mut from = 0;
        for &(at, stop) in &stream.stops {
            self.write(link, &stream.bytes[from..at])?;
            from = at;
            self.drain(link)?;
            match stop {
                Stop::Wait(ns) => link.usb.pause(Duration::from_nanos(ns)),
                Stop::Outputs(lines) => {
                    let value = request::MODE_SYNCHRONOUS | u16::from(lines);
                    link.control(request::BIT_MODE, value, "set the directions")?;
                    self.watched = self.encoder.watched() & lines;
                }
            }
        }
        self.write(link, &stream.bytes[from..])
    }

    fn write<U: Usb>(&mut self, link: &mut Link<U>, bytes: &[u8]) -> Result<(), PortError> {
        for transfer in bytes.chunks(TRANSFER_BYTES) {
            for &byte in transfer {
                self.due.push_back(self.last);
                self.last = byte;
            }
            self.sent += transfer.len() as u64;
            link.write(transfer.to_vec(), PATIENCE)?;
            self.fetch(link, Duration::ZERO)?;
        }
        Ok(())
    }

    /// Takes one finished IN request and holds its readings against what was sent; none within
    /// `wait` is no error.
    fn fetch<U: Usb>(&mut self, link: &mut Link<U>, wait: Duration) -> Result<(), PortError> {
        let mut came = VecDeque::new();
        link.fetch(wait, &mut came)?;
        for reading in came {
            let number = self.first + self.readings.len() as u64;
            let Some(due) = self.due.pop_front() else {
                return Err(link.out_of_step(
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
                return Err(link.out_of_step(
                    format!("its own outputs to read as they were set at byte {number}"),
                    format!(
                        "{}: bytes were lost, or something else holds the line",
                        names.join(" and ")
                    ),
                ));
            }
            self.readings.push_back(reading);
        }
        Ok(())
    }

    /// Waits until the readings up to number `to` are there.
    fn await_readings<U: Usb>(&mut self, link: &mut Link<U>, to: u64) -> Result<(), PortError> {
        let mut since = link.usb.now();
        loop {
            let came = self.first + self.readings.len() as u64;
            if came >= to {
                return Ok(());
            }
            self.fetch(link, SLICE)?;
            let now = link.usb.now();
            if self.first + self.readings.len() as u64 > came {
                since = now;
            } else if now - since >= PATIENCE {
                return Err(link.silent(PATIENCE));
            }
        }
    }

    /// Waits for everything that was sent.
    fn drain<U: Usb>(&mut self, link: &mut Link<U>) -> Result<(), PortError> {
        self.await_readings(link, self.sent)
    }

    /// Drops readings before number `to`.
    fn drop_readings(&mut self, to: u64) {
        let n = (to.saturating_sub(self.first) as usize).min(self.readings.len());
        self.readings.drain(..n);
        self.first += n as u64;
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
}

impl<U: Usb> Engine<U> for LineBytes {
    fn profile(&self) -> &Profile {
        self.encoder.profile()
    }

    fn tck_hz(&self) -> u32 {
        self.tck_hz
    }

    fn set_tck_hz(&mut self, link: &mut Link<U>, hz: u32) -> Result<(), PortError> {
        self.rate(link, hz)
    }

    fn drive(&mut self) {
        self.encoder.drive();
    }

    fn undrive(&mut self) {
        self.encoder.undrive();
    }

    fn encode(&mut self, _: TapState, step: Step) {
        self.encoder.step(step);
    }

    fn send(
        &mut self,
        link: &mut Link<U>,
        ticket: Ticket,
        expectations: Expectations,
    ) -> Result<(), PortError> {
        let stream = self.encoder.finish();
        let begins = self.sent;
        if self.flight.is_empty() {
            self.drop_readings(begins);
        }
        self.put(link, &stream)?;
        self.flight.push_back(Flight {
            ticket,
            begins,
            ends: self.sent,
            parts: stream.parts,
            expectations,
        });
        Ok(())
    }

    fn confirm(&mut self, link: &mut Link<U>) -> Result<(), PortError> {
        let stream = self.encoder.finish();
        self.put(link, &stream)?;
        self.drain(link)
    }

    fn flies(&self, ticket: Option<Ticket>) -> bool {
        self.flight
            .iter()
            .any(|f| ticket.is_none_or(|ticket| f.ticket == ticket))
    }

    fn land(&mut self, link: &mut Link<U>) -> Result<Option<(Ticket, Answers)>, PortError> {
        let Some(first) = self.flight.front() else {
            return Ok(None);
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
        self.drop_readings(begins);
        self.await_readings(link, until)?;
        let Some(first) = self.flight.pop_front() else {
            return Ok(None);
        };
        let raw = self.decode(&first);
        self.drop_readings(until);
        Ok(Some((first.ticket, first.expectations.answer(raw))))
    }

    fn forget(&mut self) {
        self.encoder.finish();
        self.flight.clear();
        self.readings.clear();
    }

    /// The mode with all lines as inputs, what is left from before thrown away, then the
    /// starting levels, then the outputs, then a pattern on TDI that must read as it was set.
    fn resynchronise(&mut self, link: &mut Link<U>) -> Result<(), PortError> {
        let mode = request::MODE_SYNCHRONOUS;
        link.control(request::BIT_MODE, mode, "synchronous bit-bang")?;
        link.control(request::RESET, request::ALL, "reset")?;
        link.run_dry(QUIET)?;
        self.due.clear();
        self.readings.clear();
        (self.first, self.sent, self.watched) = (0, 0, 0);
        self.encoder.drive();
        self.encoder.mark();
        self.confirm(link)
    }

    fn restart(&mut self, link: &mut Link<U>) -> Result<(), PortError> {
        link.control(request::RESET, request::ALL, "reset")?;
        link.control(request::LATENCY, LATENCY_MS, "set latency timer")?;
        link.control(request::BIT_MODE, request::MODE_OFF, "leave its mode")?;
        link.listen()?;
        (self.first, self.sent) = (0, 0);
        self.rate(link, self.tck_hz)?;
        self.resynchronise(link)
    }
}
