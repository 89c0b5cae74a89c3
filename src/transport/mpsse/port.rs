//! The port: opens the chip, keeps pieces in flight, fetches and checks answers.

use std::collections::VecDeque;
use std::time::Duration;

use crate::tap::{Answers, Expectations, PortError, Step, TapState, Ticket};

use super::super::channel::{
    Channel, Engine, FIRST_TCK_HZ, Link, PATIENCE, SLICE, fitting, request,
};
use super::super::lowered::cycles_time;
use super::super::{Chip, Profile, Rate, Usb, Way};
use super::decode::decode;
use super::encode::{Encoder, Part, Stream};
use super::op;

/// How long the echo of the marks is waited for before the engine counts as stuck in a command.
const ECHO_TIME: Duration = Duration::from_millis(500);
/// After so long without a sign from the chip it has run out of what was sent.
const QUIET: Duration = Duration::from_millis(30);
/// How long to wait between two looks at what the chip has taken.
const MOMENT: Duration = Duration::from_micros(200);
/// The OUT FIFO of a chip whose FIFO is not known.
const SMALL_FIFO: usize = 1024;
/// Answers that lie in the chip are sent after so many milliseconds without `87`.
const LATENCY_MS: u16 = 2;

/// A [`Port`](crate::tap::Port) on a chip with an MPSSE.
pub type Mpsse<U> = Channel<U, Commands>;

/// Pieces as commands of the chip's engine.
pub struct Commands {
    chip: &'static Chip,
    encoder: Encoder,
    rate: Rate,
    /// Answer bytes that came and belong to the pieces in flight, oldest first.
    received: VecDeque<u8>,
    flight: VecDeque<Flight>,
    /// Time of pieces that left the flight without an answer: nothing says that they have run.
    unconfirmed: Duration,
    /// Bytes handed over to be written.
    written: u64,
}

/// A piece on its way.
struct Flight {
    /// Whose answers come; none for a mark alone.
    piece: Option<(Ticket, Expectations)>,
    parts: Vec<Part>,
    answer_bytes: usize,
    /// Bytes written when it was sent, its own included.
    ends_at: u64,
    /// How long it takes by itself.
    time: Duration,
}

impl<U: Usb> Channel<U, Commands> {
    /// Brings the chip into MPSSE mode, finds its engine in step, and sets the lines: TCK and
    /// TDI low, TMS high, what the profile fixes, all others inputs. TCK is 1 MHz until
    /// [`Port::set_tck_hz`](crate::tap::Port::set_tck_hz).
    ///
    /// # Errors
    /// [`PortError::Unsupported`] if the chip has no MPSSE on that channel;
    /// [`PortError::OutOfStep`] or [`PortError::TimedOut`] if the engine does not answer to
    /// its synchronisation; or the adapter failed.
    pub fn open(usb: U, profile: Profile) -> Result<Mpsse<U>, PortError> {
        let chip = fitting(&usb, &profile, Way::Mpsse)?;
        let index = u16::from(profile.channel) + 1;
        let commands = Commands {
            chip,
            encoder: Encoder::new(chip, profile),
            rate: chip.rate(FIRST_TCK_HZ).expect("every MPSSE can make 1 MHz"),
            received: VecDeque::new(),
            flight: VecDeque::new(),
            unconfirmed: Duration::ZERO,
            written: 0,
        };
        let mut port = Channel::new(usb, index, commands);
        port.engine.start(&mut port.link)?;
        Ok(port)
    }

    /// The chip.
    pub fn chip(&self) -> &'static Chip {
        self.engine.chip
    }
}

impl Commands {
    /// Reset, latency timer, MPSSE mode and synchronisation.
    fn start<U: Usb>(&mut self, link: &mut Link<U>) -> Result<(), PortError> {
        link.control(request::RESET, request::ALL, "reset")?;
        link.control(request::LATENCY, LATENCY_MS, "set latency timer")?;
        link.control(request::BIT_MODE, request::MODE_MPSSE, "MPSSE mode")?;
        link.listen()?;
        self.step_in(link)
    }

    /// Finds the engine in step, if need be by leaving its mode; what sets it up goes with the
    /// next piece.
    fn step_in<U: Usb>(&mut self, link: &mut Link<U>) -> Result<(), PortError> {
        if self.synchronise(link, ECHO_TIME)?.is_err() {
            // An engine left in the middle of a command takes everything for its data: only
            // leaving the mode ends that.
            link.control(request::BIT_MODE, request::MODE_OFF, "leave MPSSE mode")?;
            link.control(request::RESET, request::ALL, "reset")?;
            link.control(request::BIT_MODE, request::MODE_MPSSE, "MPSSE mode")?;
            self.synchronise(link, PATIENCE)?
                .map_err(|came| match came.is_empty() {
                    true => link.silent(PATIENCE),
                    false => link.out_of_step("fa aa fa ab to its synchronisation", hex(&came)),
                })?;
        }
        self.encoder.set_up(self.rate);
        Ok(())
    }

    /// Sends both marks and looks for their echoes at the end of what comes; anything before
    /// them is left from earlier. The inner error is what came instead.
    fn synchronise<U: Usb>(
        &mut self,
        link: &mut Link<U>,
        time: Duration,
    ) -> Result<Result<(), Vec<u8>>, PortError> {
        const ECHO: [u8; 4] = [op::BAD_COMMAND, op::MARKS[0], op::BAD_COMMAND, op::MARKS[1]];
        let bytes = vec![op::MARKS[0], op::MARKS[1], op::SEND_IMMEDIATE];
        self.received.clear();
        self.write(link, bytes, PATIENCE)?;
        let deadline = link.usb.now() + time;
        loop {
            let came = self.received.make_contiguous();
            if came.ends_with(&ECHO) {
                self.received.clear();
                return Ok(Ok(()));
            }
            if link.usb.now() >= deadline {
                return Ok(Err(self.received.drain(..).collect()));
            }
            link.fetch(SLICE, &mut self.received)?;
        }
    }

    fn write<U: Usb>(
        &mut self,
        link: &mut Link<U>,
        bytes: Vec<u8>,
        wait: Duration,
    ) -> Result<(), PortError> {
        if bytes.is_empty() {
            return Ok(());
        }
        self.written += bytes.len() as u64;
        link.write(bytes, wait)
    }

    /// Waits until `bytes` answer bytes are there. `time` is how long the work takes.
    fn await_bytes<U: Usb>(
        &mut self,
        link: &mut Link<U>,
        bytes: usize,
        time: Duration,
    ) -> Result<(), PortError> {
        let limit = time + PATIENCE;
        let mut since = link.usb.now();
        while self.received.len() < bytes {
            let before = self.received.len();
            link.fetch(SLICE, &mut self.received)?;
            let now = link.usb.now();
            if self.received.len() > before {
                since = now;
            } else if now - since >= limit {
                return Err(match self.received.len() {
                    0 => link.silent(limit),
                    n => link.out_of_step(
                        format!("{bytes} answer bytes"),
                        format!("{n}, then silence"),
                    ),
                });
            }
        }
        Ok(())
    }

    /// Waits until the chip has taken `bytes` in all. This is no wait for an answer.
    fn await_taken<U: Usb>(
        &mut self,
        link: &mut Link<U>,
        bytes: u64,
        time: Duration,
    ) -> Result<(), PortError> {
        let limit = time + PATIENCE;
        let (mut since, mut taken) = (link.usb.now(), link.usb.counts().out_bytes);
        while taken < bytes {
            link.usb.pause(MOMENT);
            // Shows a failure, and keeps what has come.
            link.fetch(Duration::ZERO, &mut self.received)?;
            let (now, before) = (link.usb.now(), taken);
            taken = link.usb.counts().out_bytes;
            if taken > before {
                since = now;
            } else if now - since >= limit {
                return Err(link.silent(limit));
            }
        }
        Ok(())
    }

    /// Time that everything takes which may not have run yet.
    fn flight_time(&self) -> Duration {
        self.unconfirmed + self.flight.iter().map(|f| f.time).sum::<Duration>()
    }

    /// Sends a stream and puts it into the flight.
    fn put<U: Usb>(
        &mut self,
        link: &mut Link<U>,
        stream: Stream,
        piece: Option<(Ticket, Expectations)>,
    ) -> Result<(), PortError> {
        let mut time = cycles_time(stream.cycles, self.rate.tck_hz());
        link.tck_cycles += stream.cycles;
        let before: usize = self.flight.iter().map(|f| f.answer_bytes).sum();
        let mut sent = 0;
        for pause in &stream.pauses {
            let wait = PATIENCE + time + self.flight_time();
            self.write(link, stream.bytes[sent..pause.at].to_vec(), wait)?;
            sent = pause.at;
            self.await_bytes(link, before + pause.answers, wait)?;
            link.usb.pause(Duration::from_nanos(pause.ns));
        }
        let mut bytes = stream.bytes;
        bytes.drain(..sent);
        let wait = PATIENCE + time + self.flight_time();
        self.write(link, bytes, wait)?;
        time += Duration::from_millis(1);
        self.flight.push_back(Flight {
            piece,
            parts: stream.parts,
            answer_bytes: stream.answer_bytes,
            ends_at: self.written,
            time,
        });
        Ok(())
    }
}

impl<U: Usb> Engine<U> for Commands {
    fn profile(&self) -> &Profile {
        self.encoder.profile()
    }

    fn tck_hz(&self) -> u32 {
        self.rate.tck_hz()
    }

    fn set_tck_hz(&mut self, link: &mut Link<U>, hz: u32) -> Result<(), PortError> {
        self.rate = self
            .chip
            .rate(hz)
            .ok_or_else(|| link.unsupported(format!("run TCK as slow as {hz} Hz")))?;
        self.encoder.rate(self.rate);
        Ok(())
    }

    fn drive(&mut self) {
        self.encoder.drive();
    }

    fn undrive(&mut self) {
        self.encoder.undrive();
    }

    fn encode(&mut self, state: TapState, step: Step) {
        self.encoder.step(state, step);
    }

    fn send(
        &mut self,
        link: &mut Link<U>,
        ticket: Ticket,
        expectations: Expectations,
    ) -> Result<(), PortError> {
        let stream = self.encoder.finish();
        self.put(link, stream, Some((ticket, expectations)))
    }

    fn confirm(&mut self, link: &mut Link<U>) -> Result<(), PortError> {
        self.encoder.mark();
        let stream = self.encoder.finish();
        self.put(link, stream, None)
    }

    fn flies(&self, ticket: Option<Ticket>) -> bool {
        self.flight.iter().any(|f| match (ticket, &f.piece) {
            (None, _) => true,
            (Some(ticket), Some((own, _))) => *own == ticket,
            (Some(_), None) => false,
        })
    }

    fn land(&mut self, link: &mut Link<U>) -> Result<Option<(Ticket, Answers)>, PortError> {
        let Some(first) = self.flight.front() else {
            return Ok(None);
        };
        let bytes = first.answer_bytes;
        if bytes > 0 {
            self.await_bytes(link, bytes, self.flight_time())?;
        } else {
            // Nothing confirms a piece without answers but the next one with answers; so much
            // is waited for that not more than the chip's FIFO holds is still on its way.
            let fifo = self.chip.out_fifo.unwrap_or(SMALL_FIFO) as u64;
            let taken = first.ends_at.saturating_sub(fifo);
            self.await_taken(link, taken, self.flight_time())?;
        }
        let first = self.flight.pop_front().expect("looked at just now");
        // An answer says that everything before it has run.
        self.unconfirmed = match bytes {
            0 => self.unconfirmed + first.time,
            _ => Duration::ZERO,
        };
        let answer: Vec<u8> = if bytes == self.received.len() {
            std::mem::take(&mut self.received).into()
        } else {
            self.received.drain(..bytes).collect()
        };
        let lengths: Vec<usize> = first
            .piece
            .iter()
            .flat_map(|(_, expectations)| expectations.lengths())
            .collect();
        let raw = decode(
            &first.parts,
            &answer,
            lengths.into_iter(),
            self.encoder.profile(),
        )
        .map_err(|(expected, found)| link.out_of_step(expected, found))?;
        if self.flight.is_empty() && !self.received.is_empty() {
            let more = format!("{} more", self.received.len());
            return Err(link.out_of_step(format!("{bytes} answer bytes"), more));
        }
        Ok(first
            .piece
            .map(|(ticket, expectations)| (ticket, expectations.answer(raw))))
    }

    fn forget(&mut self) {
        self.encoder.finish();
        self.flight.clear();
        self.unconfirmed = Duration::ZERO;
        self.received.clear();
    }

    fn resynchronise(&mut self, link: &mut Link<U>) -> Result<(), PortError> {
        link.run_dry(QUIET)?;
        self.step_in(link)
    }

    fn restart(&mut self, link: &mut Link<U>) -> Result<(), PortError> {
        // What was queued and is forgotten will never be taken.
        self.written = link.usb.counts().out_bytes;
        self.encoder = Encoder::new(self.chip, self.encoder.profile().clone());
        self.start(link)
    }
}

/// The last bytes of an answer for people.
fn hex(bytes: &[u8]) -> String {
    let shown = &bytes[bytes.len().saturating_sub(8)..];
    let text: Vec<String> = shown.iter().map(|b| format!("{b:02x}")).collect();
    let cut = if shown.len() < bytes.len() {
        "… "
    } else {
        ""
    };
    format!("{cut}{}", text.join(" "))
}
