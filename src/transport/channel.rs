//! What the ports on a chip's channel have in common, whatever way the channel is driven:
//! tickets, answers that wait for their caller, the one failure that is kept, bringing the chip
//! into step, letting go of the lines.

use std::collections::VecDeque;
use std::time::Duration;

use crate::tap::{
    Answers, Expectations, Line, Op, Piece, Port, PortError, Step, TapState, Ticket, Traffic,
    Walker,
};

use super::lowered::{steps_of, unknown_ticket};
use super::{Chip, Profile, Usb, UsbError, Way};

/// How long the chip may be silent beyond the time that the work itself takes.
pub(super) const PATIENCE: Duration = Duration::from_secs(2);
/// How long one read waits.
pub(super) const SLICE: Duration = Duration::from_millis(100);
/// TCK until the caller sets it: what an unknown part may be given.
pub(super) const FIRST_TCK_HZ: u32 = 1_000_000;

/// Vendor requests, as the Linux kernel's serial driver names them.
pub(super) mod request {
    pub(in super::super) const RESET: u8 = 0x00;
    pub(in super::super) const BAUD: u8 = 0x03;
    pub(in super::super) const LATENCY: u8 = 0x09;
    pub(in super::super) const BIT_MODE: u8 = 0x0b;
    /// Value of [`RESET`]: everything.
    pub(in super::super) const ALL: u16 = 0;
    /// Values of [`BIT_MODE`]: off; MPSSE; synchronous bit-bang, the outputs in the low byte.
    pub(in super::super) const MODE_OFF: u16 = 0x0000;
    pub(in super::super) const MODE_MPSSE: u16 = 0x0200;
    pub(in super::super) const MODE_SYNCHRONOUS: u16 = 0x0400;
}

/// The chip of a device that a profile fits and that is driven this way.
pub(super) fn fitting(
    usb: &impl Usb,
    profile: &Profile,
    way: Way,
) -> Result<&'static Chip, PortError> {
    let other = match profile.way {
        Way::Mpsse => "it is for an MPSSE",
        Way::BitBang => "it is for bit-bang",
    };
    let release = usb.release();
    let chip = Chip::of_release(release)
        .ok_or_else(|| format!("release {release:04x} is no chip known here"))
        .and_then(|chip| {
            let fault = profile.fault(chip);
            let fault = fault.or_else(|| (profile.way != way).then(|| other.to_owned()));
            fault.map_or(Ok(chip), Err)
        });
    chip.map_err(|why| PortError::Unsupported {
        what: usb.name(),
        wish: format!("be driven as \"{}\": {why}", profile.name),
    })
}

/// The USB device below an engine, and its name in messages.
pub(super) struct Link<U> {
    pub(super) usb: U,
    pub(super) what: String,
    /// The channel in the index of vendor requests.
    index: u16,
    /// Cycles of TCK sent.
    pub(super) tck_cycles: u64,
}

impl<U: Usb> Link<U> {
    pub(super) fn control(&mut self, code: u8, value: u16, doing: &str) -> Result<(), PortError> {
        self.usb
            .control_out(code, value, self.index)
            .map_err(|e| self.error(e, doing, PATIENCE))
    }

    /// Keeps IN requests pending from now on.
    pub(super) fn listen(&mut self) -> Result<(), PortError> {
        let packet = self.usb.packet_bytes();
        self.usb
            .listen(packet * 32, 2)
            .map_err(|e| self.error(e, "a transfer", PATIENCE))
    }

    pub(super) fn write(&mut self, bytes: Vec<u8>, wait: Duration) -> Result<(), PortError> {
        self.usb
            .write(bytes, wait)
            .map_err(|e| self.error(e, "a transfer", wait))
    }

    /// Appends one finished IN request, without its status bytes; none within `wait` is no error.
    pub(super) fn fetch(
        &mut self,
        wait: Duration,
        into: &mut VecDeque<u8>,
    ) -> Result<(), PortError> {
        let request = match self.usb.read(wait) {
            Ok(request) => request,
            Err(UsbError::TimedOut { .. }) => return Ok(()),
            Err(e) => return Err(self.error(e, "a transfer", wait)),
        };
        for packet in request.chunks(self.usb.packet_bytes()) {
            let Some((_, data)) = packet.split_at_checked(2) else {
                return Err(self.out_of_step(
                    "two status bytes in every packet",
                    format!("a packet of {} byte", packet.len()),
                ));
            };
            into.extend(data);
        }
        Ok(())
    }

    /// Throws away what comes, until everything handed over has been taken and nothing has come
    /// for `quiet`. A chip that talks all the time is found out by what comes next.
    pub(super) fn run_dry(&mut self, quiet: Duration) -> Result<(), PortError> {
        let began = self.usb.now();
        let (mut since, mut taken) = (began, self.usb.counts().out_bytes);
        while self.usb.now() - since < quiet && self.usb.now() - began < PATIENCE {
            match self.usb.read(quiet) {
                Ok(request) if request.len() > 2 => since = self.usb.now(),
                Ok(_) | Err(UsbError::TimedOut { .. }) => {}
                Err(e) => return Err(self.error(e, "a transfer", PATIENCE)),
            }
            if self.usb.counts().out_bytes != taken {
                (since, taken) = (self.usb.now(), self.usb.counts().out_bytes);
            }
        }
        Ok(())
    }

    pub(super) fn error(&self, e: UsbError, doing: &str, waited: Duration) -> PortError {
        e.of(&self.what, doing, self.usb.counts().out_bytes, waited)
    }

    pub(super) fn silent(&self, limit: Duration) -> PortError {
        PortError::TimedOut {
            what: self.what.clone(),
            ms: limit.as_millis() as u64,
        }
    }

    pub(super) fn out_of_step(&self, expected: impl Into<String>, found: String) -> PortError {
        PortError::OutOfStep {
            what: self.what.clone(),
            expected: expected.into(),
            found,
        }
    }

    pub(super) fn unsupported(&self, wish: String) -> PortError {
        PortError::Unsupported {
            what: self.what.clone(),
            wish,
        }
    }
}

/// A way to drive a channel: steps to bytes, and what comes back to answers.
pub(super) trait Engine<U: Usb> {
    fn profile(&self) -> &Profile;

    /// The rate of TCK in Hz.
    fn tck_hz(&self) -> u32;

    /// The nearest rate of TCK that is not faster; what was sent before runs at its own rate.
    /// With [`PortError::Unsupported`] nothing was done.
    fn set_tck_hz(&mut self, link: &mut Link<U>, hz: u32) -> Result<(), PortError>;

    /// Lines to the levels kept here, then outputs; goes with what is encoded next.
    fn drive(&mut self);

    /// All lines inputs; goes with what is encoded before.
    fn undrive(&mut self);

    /// Gathers a step, `state` being the one before it.
    fn encode(&mut self, state: TapState, step: Step);

    /// Sends what was gathered as the piece with this ticket.
    fn send(
        &mut self,
        link: &mut Link<U>,
        ticket: Ticket,
        expectations: Expectations,
    ) -> Result<(), PortError>;

    /// Sends what was gathered, and sees to it that once nothing is in flight it has run.
    fn confirm(&mut self, link: &mut Link<U>) -> Result<(), PortError>;

    /// Whether this piece is in flight; with `None`, whether anything is.
    fn flies(&self, ticket: Option<Ticket>) -> bool;

    /// Waits for the oldest that is in flight.
    fn land(&mut self, link: &mut Link<U>) -> Result<Option<(Ticket, Answers)>, PortError>;

    /// Forgets what was gathered, what is in flight and what has come.
    fn forget(&mut self);

    /// In step again after everything that was sent has run out, the starting levels set.
    fn resynchronise(&mut self, link: &mut Link<U>) -> Result<(), PortError>;

    /// In step again on a device that was just restarted, the starting levels set.
    fn restart(&mut self, link: &mut Link<U>) -> Result<(), PortError>;
}

/// A [`Port`] on a channel of a chip, driven by an engine.
pub struct Channel<U, E> {
    pub(super) link: Link<U>,
    pub(super) engine: E,
    walker: Walker,
    done: Vec<(Ticket, Answers)>,
    next_ticket: u64,
    shift_bits: u64,
    released: bool,
    resynchronised: bool,
    failed: Option<PortError>,
}

impl<U: Usb, E> Channel<U, E> {
    /// On a device that nothing was said to yet; `index` is the channel in vendor requests.
    pub(super) fn new(usb: U, index: u16, engine: E) -> Channel<U, E> {
        Channel {
            link: Link {
                what: usb.name(),
                usb,
                index,
                tck_cycles: 0,
            },
            engine,
            walker: Walker::new(),
            done: Vec::new(),
            next_ticket: 0,
            shift_bits: 0,
            released: false,
            resynchronised: false,
            failed: None,
        }
    }

    /// The USB device below.
    pub fn usb(&self) -> &U {
        &self.link.usb
    }

    /// The USB device below, to be looked into between pieces.
    pub fn usb_mut(&mut self) -> &mut U {
        &mut self.link.usb
    }

    fn check(&self) -> Result<(), PortError> {
        self.failed.clone().map_or(Ok(()), Err)
    }
}

#[expect(private_bounds, reason = "the two engines are all that there are")]
impl<U: Usb, E: Engine<U>> Channel<U, E> {
    /// The profile.
    pub fn profile(&self) -> &Profile {
        self.engine.profile()
    }

    /// The rate of TCK in Hz.
    pub fn tck_hz(&self) -> u32 {
        self.engine.tck_hz()
    }

    fn no_line(&self, line: Line) -> PortError {
        self.link.unsupported(self.engine.profile().lacks(line))
    }

    fn run(&mut self, piece: &Piece) -> Result<Ticket, PortError> {
        let mut walker = self.walker;
        let steps = steps_of(&mut walker, piece)?;
        for (_, step) in &steps {
            if let Step::Line(line, _) = step
                && self.engine.profile().wire(*line).is_none()
            {
                return Err(self.no_line(*line));
            }
        }
        self.walker = walker;
        if std::mem::take(&mut self.released) {
            self.engine.drive();
        }
        for (state, step) in steps {
            if let Step::Shift { bits, .. } = step {
                self.shift_bits += bits.len() as u64;
            }
            self.engine.encode(state, step);
        }
        let ticket = Ticket(self.next_ticket);
        self.next_ticket += 1;
        let sent = self
            .engine
            .send(&mut self.link, ticket, piece.expectations());
        self.keep(sent)?;
        Ok(ticket)
    }

    /// Keeps a failure. Out of step, the engine is brought into step again, once, and the test
    /// logic reset: from there it takes programs again, and the failure is told. After any other
    /// failure the state of the TAP is unknown and nothing more is run.
    fn keep<T>(&mut self, result: Result<T, PortError>) -> Result<T, PortError> {
        let Err(e) = result else {
            return result;
        };
        self.engine.forget();
        self.done.clear();
        let e = match e {
            PortError::OutOfStep {
                what,
                expected,
                found,
            } if !self.resynchronised => {
                self.resynchronised = true;
                let again = self.engine.resynchronise(&mut self.link);
                let again = again.and_then(|()| self.reset());
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

    /// Everything sent has run, and its answers wait for their callers.
    fn settle(&mut self) -> Result<(), PortError> {
        self.engine.confirm(&mut self.link)?;
        while self.engine.flies(None) {
            let landed = self.engine.land(&mut self.link)?;
            self.done.extend(landed);
        }
        Ok(())
    }

    /// Test-Logic-Reset, waited for, on an engine that was just set up.
    fn reset(&mut self) -> Result<(), PortError> {
        self.walker = Walker::new();
        self.released = false;
        self.run(&Piece {
            ops: vec![Op::Reset],
        })?;
        self.settle()?;
        self.done.clear();
        Ok(())
    }

    /// From whatever state: in step, test logic reset, lines released.
    fn start_over(&mut self) -> Result<(), PortError> {
        self.link
            .usb
            .restart()
            .map_err(|e| self.link.error(e, "restart", PATIENCE))?;
        self.engine.forget();
        self.done.clear();
        self.engine.restart(&mut self.link)?;
        self.reset()?;
        self.let_go()
    }

    fn let_go(&mut self) -> Result<(), PortError> {
        self.engine.undrive();
        self.settle()?;
        self.released = true;
        Ok(())
    }
}

impl<U: Usb, E: Engine<U>> Port for Channel<U, E> {
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
            if !self.engine.flies(Some(ticket)) {
                return Err(unknown_ticket(ticket));
            }
            let landed = self.engine.land(&mut self.link);
            let landed = self.keep(landed)?;
            self.done.extend(landed);
        }
    }

    fn set_tck_hz(&mut self, hz: u32) -> Result<u32, PortError> {
        self.check()?;
        match self.engine.set_tck_hz(&mut self.link, hz) {
            // Nothing was done.
            Err(e @ PortError::Unsupported { .. }) => return Err(e),
            set => self.keep(set)?,
        }
        Ok(self.tck_hz())
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
        // Once is enough: out of step after this, it fails.
        self.resynchronised = true;
        let over = self.start_over();
        self.keep(over)
    }

    fn traffic(&self) -> Traffic {
        let counts = self.link.usb.counts();
        Traffic {
            tck_cycles: self.link.tck_cycles,
            shift_bits: self.shift_bits,
            usb_out: counts.out_bytes,
            usb_in: counts.in_bytes,
            round_trips: counts.round_trips,
            elapsed: self.link.usb.now(),
        }
    }
}
