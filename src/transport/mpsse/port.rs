//! The port: opens the chip, keeps pieces in flight, fetches and checks answers, releases.

use std::collections::VecDeque;
use std::time::Duration;

use crate::tap::{
    Answers, Expectations, Line, Op, Piece, Port, PortError, Step, Ticket, TmsPath, Traffic, Walker,
};

use super::super::lowered::{cycles_time, steps_of, unknown_ticket};
use super::super::{Chip, Profile, Rate, Usb, UsbError, Way};
use super::decode::decode;
use super::encode::{Encoder, Part, Stream};
use super::op;

/// How long the chip may be silent beyond the time that the work itself takes.
const PATIENCE: Duration = Duration::from_secs(2);
/// How long the echo of the marks is waited for before the engine counts as stuck in a command.
const ECHO_TIME: Duration = Duration::from_millis(500);
/// How long one read waits.
const SLICE: Duration = Duration::from_millis(100);
/// After so long without a sign from the chip it has run out of what was sent.
const QUIET: Duration = Duration::from_millis(30);
/// How long to wait between two looks at what the chip has taken.
const MOMENT: Duration = Duration::from_micros(200);
/// The OUT FIFO of a chip whose FIFO is not known.
const SMALL_FIFO: usize = 1024;
/// Answers that lie in the chip are sent after so many milliseconds without `87`.
const LATENCY_MS: u16 = 2;
/// TCK until the caller sets it: what an unknown part may be given.
const FIRST_TCK_HZ: u32 = 1_000_000;

/// Vendor requests, as the Linux kernel's serial driver names them.
mod request {
    pub(super) const RESET: u8 = 0x00;
    pub(super) const LATENCY: u8 = 0x09;
    pub(super) const BIT_MODE: u8 = 0x0b;
    /// Value of [`RESET`]: everything.
    pub(super) const ALL: u16 = 0;
    /// Value of [`BIT_MODE`]: off; MPSSE.
    pub(super) const MODE_OFF: u16 = 0x0000;
    pub(super) const MODE_MPSSE: u16 = 0x0200;
}

/// A [`Port`] on a chip with an MPSSE.
pub struct Mpsse<U> {
    usb: U,
    what: String,
    chip: &'static Chip,
    encoder: Encoder,
    walker: Walker,
    rate: Rate,
    tck_hz: u32,
    /// Set-up commands that go out in front of the next piece.
    ahead: Stream,
    /// Answer bytes that came and belong to the pieces in flight, oldest first.
    received: VecDeque<u8>,
    flight: VecDeque<Flight>,
    /// Time of pieces that left the flight without an answer: nothing says that they have run.
    unconfirmed: Duration,
    done: Vec<(Ticket, Answers)>,
    next_ticket: u64,
    /// Bytes handed over to be written.
    written: u64,
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
    answer_bytes: usize,
    expectations: Option<Expectations>,
    /// Bytes written when it was sent, its own included.
    ends_at: u64,
    /// How long it takes by itself.
    time: Duration,
}

impl<U: Usb> Mpsse<U> {
    /// Brings the chip into MPSSE mode, finds its engine in step, and sets the lines: TCK and
    /// TDI low, TMS high, what the profile fixes, all others inputs. TCK is 1 MHz until
    /// [`Port::set_tck_hz`].
    ///
    /// # Errors
    /// [`PortError::Unsupported`] if the chip has no MPSSE on that channel;
    /// [`PortError::OutOfStep`] or [`PortError::TimedOut`] if the engine does not answer to
    /// its synchronisation; or the adapter failed.
    pub fn open(usb: U, profile: Profile) -> Result<Mpsse<U>, PortError> {
        let what = usb.name();
        let unsupported = |wish: String| PortError::Unsupported {
            what: what.clone(),
            wish,
        };
        let chip = Chip::of_release(usb.release()).ok_or_else(|| {
            unsupported(format!(
                "be driven: release {:04x} is no chip known here",
                usb.release()
            ))
        })?;
        let fault = profile
            .fault(chip)
            .or_else(|| (profile.way != Way::Mpsse).then(|| "it is for bit-bang".to_owned()));
        if let Some(fault) = fault {
            return Err(unsupported(format!(
                "be driven as \"{}\": {fault}",
                profile.name
            )));
        }
        let encoder = Encoder::new(chip, profile);
        let rate = chip.rate(FIRST_TCK_HZ).expect("every MPSSE can make 1 MHz");
        let mut port = Mpsse {
            usb,
            what,
            chip,
            encoder,
            walker: Walker::new(),
            rate,
            tck_hz: rate.tck_hz(),
            ahead: Stream::default(),
            received: VecDeque::new(),
            flight: VecDeque::new(),
            unconfirmed: Duration::ZERO,
            done: Vec::new(),
            next_ticket: 0,
            written: 0,
            tck_cycles: 0,
            shift_bits: 0,
            released: false,
            resynchronised: false,
            failed: None,
        };
        port.start()?;
        port.encoder.set_up(rate);
        port.ahead = port.encoder.finish();
        Ok(port)
    }

    /// The USB device below.
    pub fn usb(&self) -> &U {
        &self.usb
    }

    /// The USB device below, to be looked into between pieces.
    pub fn usb_mut(&mut self) -> &mut U {
        &mut self.usb
    }

    /// The chip.
    pub fn chip(&self) -> &'static Chip {
        self.chip
    }

    /// The profile.
    pub fn profile(&self) -> &Profile {
        self.encoder.profile()
    }

    /// The rate of TCK in Hz.
    pub fn tck_hz(&self) -> u32 {
        self.tck_hz
    }

    /// Reset, latency timer, MPSSE mode and synchronisation.
    fn start(&mut self) -> Result<(), PortError> {
        self.control(request::RESET, request::ALL, "reset")?;
        self.control(request::LATENCY, LATENCY_MS, "set latency timer")?;
        self.control(request::BIT_MODE, request::MODE_MPSSE, "MPSSE mode")?;
        let packet = self.usb.packet_bytes();
        self.usb
            .listen(packet * 32, 2)
            .map_err(|e| self.error(e, "a transfer", PATIENCE))?;
        self.step_in()
    }

    /// Finds the engine in step, if need be by leaving its mode.
    fn step_in(&mut self) -> Result<(), PortError> {
        if self.synchronise(ECHO_TIME)?.is_ok() {
            return Ok(());
        }
        // An engine left in the middle of a command takes everything for its data: only leaving
        // the mode ends that.
        self.control(request::BIT_MODE, request::MODE_OFF, "leave MPSSE mode")?;
        self.control(request::RESET, request::ALL, "reset")?;
        self.control(request::BIT_MODE, request::MODE_MPSSE, "MPSSE mode")?;
        self.synchronise(PATIENCE)?.map_err(|came| {
            if came.is_empty() {
                PortError::TimedOut {
                    what: self.what.clone(),
                    ms: PATIENCE.as_millis() as u64,
                }
            } else {
                PortError::OutOfStep {
                    what: self.what.clone(),
                    expected: "fa aa fa ab to its synchronisation".to_owned(),
                    found: hex(&came),
                }
            }
        })
    }

    /// Sends both marks and looks for their echoes at the end of what comes; anything before
    /// them is left from earlier. The inner error is what came instead.
    fn synchronise(&mut self, time: Duration) -> Result<Result<(), Vec<u8>>, PortError> {
        const ECHO: [u8; 4] = [op::BAD_COMMAND, op::MARKS[0], op::BAD_COMMAND, op::MARKS[1]];
        let bytes = vec![op::MARKS[0], op::MARKS[1], op::SEND_IMMEDIATE];
        self.received.clear();
        self.write(bytes, PATIENCE)?;
        let deadline = self.usb.now() + time;
        loop {
            let came = self.received.make_contiguous();
            if came.ends_with(&ECHO) {
                self.received.clear();
                return Ok(Ok(()));
            }
            if self.usb.now() >= deadline {
                return Ok(Err(self.received.drain(..).collect()));
            }
            self.fetch(SLICE)?;
        }
    }

    fn control(&mut self, code: u8, value: u16, doing: &str) -> Result<(), PortError> {
        let port = u16::from(self.encoder.profile().channel) + 1;
        self.usb
            .control_out(code, value, port)
            .map_err(|e| self.error(e, doing, PATIENCE))
    }

    fn write(&mut self, bytes: Vec<u8>, wait: Duration) -> Result<(), PortError> {
        if bytes.is_empty() {
            return Ok(());
        }
        self.written += bytes.len() as u64;
        self.usb
            .write(bytes, wait)
            .map_err(|e| self.error(e, "a transfer", wait))
    }

    /// Takes one finished IN request, without its status bytes; none within `wait` is no error.
    fn fetch(&mut self, wait: Duration) -> Result<(), PortError> {
        let request = match self.usb.read(wait) {
            Ok(request) => request,
            Err(UsbError::TimedOut { .. }) => return Ok(()),
            Err(e) => return Err(self.error(e, "a transfer", wait)),
        };
        for packet in request.chunks(self.usb.packet_bytes()) {
            if packet.len() < 2 {
                return Err(PortError::OutOfStep {
                    what: self.what.clone(),
                    expected: "two status bytes in every packet".to_owned(),
                    found: format!("a packet of {} byte", packet.len()),
                });
            }
            self.received.extend(&packet[2..]);
        }
        Ok(())
    }

    /// Waits until `bytes` answer bytes are there. `time` is how long the work takes.
    fn await_bytes(&mut self, bytes: usize, time: Duration) -> Result<(), PortError> {
        let limit = time + PATIENCE;
        let mut since = self.usb.now();
        while self.received.len() < bytes {
            let before = self.received.len();
            self.fetch(SLICE)?;
            let now = self.usb.now();
            if self.received.len() > before {
                since = now;
            } else if now - since >= limit {
                return Err(if self.received.is_empty() {
                    PortError::TimedOut {
                        what: self.what.clone(),
                        ms: limit.as_millis() as u64,
                    }
                } else {
                    PortError::OutOfStep {
                        what: self.what.clone(),
                        expected: format!("{bytes} answer bytes"),
                        found: format!("{}, then silence", self.received.len()),
                    }
                });
            }
        }
        Ok(())
    }

    /// Waits until the chip has taken `bytes` in all. This is no wait for an answer.
    fn await_taken(&mut self, bytes: u64, time: Duration) -> Result<(), PortError> {
        let limit = time + PATIENCE;
        let (mut since, mut taken) = (self.usb.now(), self.usb.counts().out_bytes);
        while taken < bytes {
            self.usb.pause(MOMENT);
            // Shows a failure, and keeps what has come.
            self.fetch(Duration::ZERO)?;
            let (now, before) = (self.usb.now(), taken);
            taken = self.usb.counts().out_bytes;
            if taken > before {
                since = now;
            } else if now - since >= limit {
                return Err(PortError::TimedOut {
                    what: self.what.clone(),
                    ms: limit.as_millis() as u64,
                });
            }
        }
        Ok(())
    }

    fn error(&self, e: UsbError, doing: &str, waited: Duration) -> PortError {
        e.of(&self.what, doing, self.usb.counts().out_bytes, waited)
    }

    fn check(&self) -> Result<(), PortError> {
        self.failed.clone().map_or(Ok(()), Err)
    }

    /// Keeps a failure. Out of step, the engine is brought into step again, once, and the test
    /// logic reset: from there it takes programs again, and the failure is told. After any other
    /// failure the state of the TAP is unknown and nothing more is run.
    fn keep<T>(&mut self, result: Result<T, PortError>) -> Result<T, PortError> {
        let Err(e) = result else {
            return result;
        };
        self.flight.clear();
        self.unconfirmed = Duration::ZERO;
        self.done.clear();
        self.received.clear();
        let e = match e {
            PortError::OutOfStep {
                what,
                expected,
                found,
            } if !self.resynchronised => {
                self.resynchronised = true;
                let again = self.back_in_step();
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

    /// Lets everything that was sent run out, synchronises anew, sets all lines as they are to be
    /// and resets the test logic.
    fn back_in_step(&mut self) -> Result<(), PortError> {
        // Nothing that is not sent yet is to be sent any more.
        self.encoder.finish();
        self.ahead = Stream::default();
        let began = self.usb.now();
        let (mut since, mut taken) = (began, self.usb.counts().out_bytes);
        while self.usb.now() - since < QUIET && self.usb.now() - began < PATIENCE {
            self.fetch(QUIET)?;
            let now = self.usb.counts().out_bytes;
            if now != taken || !self.received.is_empty() {
                (since, taken) = (self.usb.now(), now);
            }
            self.received.clear();
        }
        self.step_in()?;
        self.encoder.set_up(self.rate);
        self.walker = Walker::new();
        self.encoder.step(
            self.walker.state(),
            Step::Tms(TmsPath { bits: 0x1f, len: 5 }),
        );
        self.encoder.mark();
        let stream = self.encoder.finish();
        self.send(stream, None)?;
        while !self.flight.is_empty() {
            self.land()?;
        }
        self.released = false;
        Ok(())
    }

    /// Time that everything takes which may not have run yet.
    fn flight_time(&self) -> Duration {
        self.unconfirmed + self.flight.iter().map(|f| f.time).sum::<Duration>()
    }

    /// Sends a stream and puts it into the flight.
    fn send(
        &mut self,
        stream: Stream,
        expectations: Option<Expectations>,
    ) -> Result<Ticket, PortError> {
        let mut time = cycles_time(stream.cycles, self.tck_hz);
        self.tck_cycles += stream.cycles;
        let before: usize = self.flight.iter().map(|f| f.answer_bytes).sum();
        let mut bytes = std::mem::take(&mut self.ahead).bytes;
        let mut sent = 0;
        for pause in &stream.pauses {
            bytes.extend_from_slice(&stream.bytes[sent..pause.at]);
            sent = pause.at;
            let wait = PATIENCE + time + self.flight_time();
            self.write(std::mem::take(&mut bytes), wait)?;
            self.await_bytes(before + pause.answers, wait)?;
            self.usb.pause(Duration::from_nanos(pause.ns));
        }
        if sent == 0 && bytes.is_empty() {
            bytes = stream.bytes;
        } else {
            bytes.extend_from_slice(&stream.bytes[sent..]);
        }
        let wait = PATIENCE + time + self.flight_time();
        self.write(bytes, wait)?;
        time += Duration::from_millis(1);
        let ticket = Ticket(self.next_ticket);
        self.next_ticket += 1;
        self.flight.push_back(Flight {
            ticket,
            parts: stream.parts,
            answer_bytes: stream.answer_bytes,
            expectations,
            ends_at: self.written,
            time,
        });
        Ok(ticket)
    }

    /// Waits for the oldest piece in flight and keeps its answers.
    fn land(&mut self) -> Result<(), PortError> {
        let Some(first) = self.flight.front() else {
            return Ok(());
        };
        let bytes = first.answer_bytes;
        if bytes > 0 {
            self.await_bytes(bytes, self.flight_time())?;
        } else {
            // Nothing confirms a piece without answers but the next one with answers; so much
            // is waited for that not more than the chip's FIFO holds is still on its way.
            let fifo = self.chip.out_fifo.unwrap_or(SMALL_FIFO) as u64;
            self.await_taken(first.ends_at.saturating_sub(fifo), self.flight_time())?;
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
            .expectations
            .iter()
            .flat_map(Expectations::lengths)
            .collect();
        let raw = decode(
            &first.parts,
            &answer,
            lengths.into_iter(),
            self.encoder.profile(),
        )
        .map_err(|(expected, found)| PortError::OutOfStep {
            what: self.what.clone(),
            expected,
            found,
        })?;
        if self.flight.is_empty() && !self.received.is_empty() {
            return Err(PortError::OutOfStep {
                what: self.what.clone(),
                expected: format!("{bytes} answer bytes"),
                found: format!("{} more", self.received.len()),
            });
        }
        if let Some(expectations) = first.expectations {
            self.done.push((first.ticket, expectations.answer(raw)));
        }
        Ok(())
    }

    fn run(&mut self, piece: &Piece) -> Result<Ticket, PortError> {
        let mut walker = self.walker;
        let steps = steps_of(&mut walker, piece)?;
        for (_, step) in &steps {
            if let Step::Line(line, _) = step
                && !self.encoder.has(*line)
            {
                return Err(self.no_line(*line));
            }
        }
        self.walker = walker;
        if std::mem::take(&mut self.released) {
            self.encoder.drive();
        }
        for (state, step) in steps {
            if let Step::Shift { bits, .. } = step {
                self.shift_bits += bits.len() as u64;
            }
            self.encoder.step(state, step);
        }
        let stream = self.encoder.finish();
        let sent = self.send(stream, Some(piece.expectations()));
        self.keep(sent)
    }

    fn no_line(&self, line: Line) -> PortError {
        PortError::Unsupported {
            what: self.what.clone(),
            wish: self.encoder.profile().lacks(line),
        }
    }

    /// From whatever state: in step, test logic reset, lines released.
    fn start_over(&mut self) -> Result<(), PortError> {
        self.usb
            .restart()
            .map_err(|e| self.error(e, "restart", PATIENCE))?;
        // What was queued and is forgotten will never be taken.
        self.written = self.usb.counts().out_bytes;
        self.flight.clear();
        self.done.clear();
        self.received.clear();
        self.unconfirmed = Duration::ZERO;
        self.encoder = Encoder::new(self.chip, self.encoder.profile().clone());
        self.start()?;
        self.encoder.set_up(self.rate);
        self.walker = Walker::new();
        self.released = false;
        self.ahead = self.encoder.finish();
        self.run(&Piece {
            ops: vec![Op::Reset],
        })?;
        self.let_go()
    }

    fn let_go(&mut self) -> Result<(), PortError> {
        self.encoder.undrive();
        self.encoder.mark();
        let stream = self.encoder.finish();
        self.send(stream, None)?;
        while !self.flight.is_empty() {
            self.land()?;
        }
        self.released = true;
        Ok(())
    }
}

impl<U: Usb> Port for Mpsse<U> {
    fn submit(&mut self, piece: Piece) -> Result<Ticket, PortError> {
        self.check()?;
        self.run(&piece)
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
        let rate = self.chip.rate(hz).ok_or_else(|| PortError::Unsupported {
            what: self.what.clone(),
            wish: format!("run TCK as slow as {hz} Hz"),
        })?;
        self.encoder.rate(rate);
        let stream = self.encoder.finish();
        self.ahead.bytes.extend(stream.bytes);
        self.rate = rate;
        self.tck_hz = rate.tck_hz();
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
