//! The chip on a virtual bus with a virtual host: [`Usb`] in virtual time.

use std::collections::VecDeque;
use std::time::Duration;

use crate::tap::Clocks;
use crate::transport::{Usb, UsbCounts, UsbError};

use super::chip::EmulatedChip;
use super::model::{Faults, Model, Timing, Wiring};
use super::time::{Ticks, from_duration, from_ns, to_duration};

/// An emulated chip, ready to be driven.
#[derive(Debug)]
pub struct EmulatedAdapter<C> {
    chip: EmulatedChip<C>,
    now: Ticks,
    plugged: bool,
    out: VecDeque<Transfer>,
    /// The packet on the bus.
    packet: Option<OnBus>,
    last_was_in: bool,
    requests: Requests,
    counts: UsbCounts,
    /// The present wait for an answer is counted, or nothing was sent since the last one.
    waiting_counted: bool,
    faults: Faults,
}

/// A queued OUT transfer.
#[derive(Debug)]
struct Transfer {
    data: Vec<u8>,
    sent: usize,
    joins: Ticks,
}

impl Transfer {
    /// Bytes of the next packet.
    fn next_packet(&self, packet_bytes: usize) -> usize {
        (self.data.len() - self.sent).min(packet_bytes)
    }
}

/// A packet in its slot.
#[derive(Debug)]
struct OnBus {
    ends: Ticks,
    kind: PacketKind,
}

#[derive(Debug)]
enum PacketKind {
    Out(usize),
    In(Vec<u8>),
}

/// The host's IN requests.
#[derive(Debug, Default)]
struct Requests {
    bytes: usize,
    depth: usize,
    /// When each request that ended is pending again.
    again: VecDeque<Ticks>,
    filling: Vec<u8>,
    finished: VecDeque<Vec<u8>>,
}

impl<C: Clocks> EmulatedAdapter<C> {
    /// Channel A of a chip just plugged in, wired as a plain module, with the usual timing.
    pub fn new(model: Model, clocks: C) -> Self {
        let wiring = Wiring::plain(&model, 0);
        Self::with(model, 0, wiring, Timing::default(), clocks)
    }

    /// A chip just plugged in.
    pub fn with(model: Model, channel: u8, wiring: Wiring, timing: Timing, clocks: C) -> Self {
        EmulatedAdapter {
            chip: EmulatedChip::new(model, channel, wiring, timing, clocks),
            now: 0,
            plugged: true,
            out: VecDeque::new(),
            packet: None,
            last_was_in: false,
            requests: Requests::default(),
            counts: UsbCounts::default(),
            waiting_counted: true,
            faults: Faults::default(),
        }
    }

    /// The same adapter with something that will go wrong.
    pub fn with_faults(self, faults: Faults) -> Self {
        EmulatedAdapter { faults, ..self }
    }

    /// The chip.
    pub fn chip(&self) -> &EmulatedChip<C> {
        &self.chip
    }

    /// The chip, to be looked into or changed while nothing moves.
    pub fn chip_mut(&mut self) -> &mut EmulatedChip<C> {
        &mut self.chip
    }

    /// The bench.
    pub fn clocks(&self) -> &C {
        self.chip.clocks()
    }

    /// The present moment.
    pub fn ticks(&self) -> Ticks {
        self.now
    }

    /// Pulls the plug: everything fails from now on.
    pub fn unplug(&mut self) {
        self.plugged = false;
        // A bench that fails just now can tell nobody.
        let _ = self.chip.power_off();
    }

    /// How many of `bytes` the adapter still takes before its fault, and what happens then.
    fn before_fault(&self, bytes: usize) -> (usize, bool) {
        let first = [self.faults.unplug_after, self.faults.hang_after]
            .into_iter()
            .flatten()
            .min();
        match first {
            Some(limit) if self.counts.out_bytes + bytes as u64 >= limit => {
                ((limit - self.counts.out_bytes.min(limit)) as usize, true)
            }
            _ => (bytes, false),
        }
    }

    fn strike(&mut self) {
        let unplug = self.faults.unplug_after;
        if unplug.is_some_and(|n| n <= self.counts.out_bytes) {
            self.unplug();
        } else {
            self.chip.hang();
        }
    }

    fn slot(&self) -> Ticks {
        let (frame, slots) = self.chip.model().frame();
        frame / slots
    }

    fn next_frame(&self, at: Ticks) -> Ticks {
        at.next_multiple_of(self.chip.model().frame().0)
    }

    fn turnaround(&self) -> Ticks {
        from_ns(self.chip.timing.turnaround_ns)
    }

    fn alive(&self) -> Result<(), UsbError> {
        if self.plugged {
            Ok(())
        } else {
            Err(UsbError::Gone)
        }
    }

    /// Goes on to the next thing that happens, at most to `limit`.
    fn step(&mut self, limit: Ticks) -> Result<(), UsbError> {
        self.alive()?;
        self.run_chip()?;
        if let Some(packet) = &self.packet {
            let ends = packet.ends;
            self.now = ends.min(limit);
            if self.now == ends {
                self.run_chip()?;
                self.deliver();
            }
            return Ok(());
        }
        while self.requests.again.front().is_some_and(|&t| t <= self.now) {
            self.requests.again.pop_front();
        }
        let out = self.next_out();
        let into = self.listening() && self.chip.has_packet(self.now);
        if out.is_none() && !into {
            self.now = self
                .next_event()
                .map_or(limit, |t| t.min(limit))
                .max(self.now);
            return Ok(());
        }
        let ends = self.now + self.slot();
        let kind = match out {
            Some(bytes) if !into || self.last_was_in => PacketKind::Out(bytes),
            _ => PacketKind::In(self.chip.give_packet(ends)),
        };
        self.last_was_in = matches!(kind, PacketKind::In(_));
        self.packet = Some(OnBus { ends, kind });
        Ok(())
    }

    fn run_chip(&mut self) -> Result<(), UsbError> {
        self.chip
            .run_until(self.now)
            .map_err(|e| UsbError::Other(format!("the bench failed: {e}")))
    }

    /// Bytes of the OUT packet that could go now.
    fn next_out(&self) -> Option<usize> {
        let first = self.out.front().filter(|t| t.joins <= self.now)?;
        let bytes = first.next_packet(self.packet_bytes());
        self.chip.has_room(bytes).then_some(bytes)
    }

    fn listening(&self) -> bool {
        self.requests.depth > self.requests.again.len()
    }

    /// The next moment at which a packet may become possible.
    fn next_event(&self) -> Option<Ticks> {
        let joins = self.out.front().map(|t| t.joins);
        let again = self.requests.again.front().copied();
        let latency = self.listening().then(|| self.chip.latency_due());
        let room = self
            .out
            .front()
            .map_or(0, |t| t.next_packet(self.packet_bytes()));
        [joins, again, latency, self.chip.next_due(room)]
            .into_iter()
            .flatten()
            .filter(|&t| t > self.now)
            .min()
    }

    /// The packet on the bus has come to its end.
    fn deliver(&mut self) {
        let Some(packet) = self.packet.take() else {
            return;
        };
        match packet.kind {
            PacketKind::Out(bytes) => {
                let (bytes, fault) = self.before_fault(bytes);
                let first = self.out.front_mut().expect("the transfer of the packet");
                self.chip
                    .take_packet(&first.data[first.sent..first.sent + bytes]);
                first.sent += bytes;
                self.counts.out_bytes += bytes as u64;
                if first.sent == first.data.len() {
                    self.out.pop_front();
                }
                if fault {
                    self.strike();
                }
            }
            PacketKind::In(data) => {
                self.counts.in_bytes += data.len() as u64;
                let short = data.len() < self.chip.model().packet_bytes;
                let requests = &mut self.requests;
                requests.filling.extend(data);
                if short || requests.filling.len() >= requests.bytes {
                    let again = self.now + from_ns(self.chip.timing.turnaround_ns);
                    requests.again.push_back(again);
                    requests
                        .finished
                        .push_back(std::mem::take(&mut requests.filling));
                }
            }
        }
    }

    fn run_to(&mut self, at: Ticks) -> Result<(), UsbError> {
        while self.now < at {
            self.step(at)?;
        }
        Ok(())
    }

    /// A control request's time: turn-around, the rest of this frame and the next one.
    fn control_time(&mut self) -> Result<(), UsbError> {
        self.alive()?;
        self.run_to(self.now + self.turnaround())?;
        let frame = self.chip.model().frame().0;
        let begins = self.next_frame(self.now);
        self.run_to(begins + frame)?;
        self.run_chip()
    }
}

impl<C: Clocks> Usb for EmulatedAdapter<C> {
    fn control_out(&mut self, request: u8, value: u16, index: u16) -> Result<(), UsbError> {
        self.control_time()?;
        self.chip.control_out(request, value, index)
    }

    fn control_in(
        &mut self,
        request: u8,
        value: u16,
        index: u16,
        length: u16,
    ) -> Result<Vec<u8>, UsbError> {
        self.control_time()?;
        self.chip.control_in(request, value, index, length)
    }

    fn listen(&mut self, request_bytes: usize, depth: usize) -> Result<(), UsbError> {
        self.alive()?;
        assert!(
            request_bytes.is_multiple_of(self.packet_bytes()) && request_bytes > 0,
            "IN requests in multiples of the packet size"
        );
        self.requests.bytes = request_bytes;
        self.requests.depth = depth;
        Ok(())
    }

    fn write(&mut self, data: Vec<u8>, timeout: Duration) -> Result<(), UsbError> {
        self.alive()?;
        if data.is_empty() {
            return Ok(());
        }
        self.run_to(self.now + self.turnaround())?;
        let joins = self.next_frame(self.now);
        self.out.push_back(Transfer {
            data,
            sent: 0,
            joins,
        });
        self.waiting_counted = false;
        let timeout = from_duration(timeout);
        let before = self.counts.out_bytes;
        let (mut taken, mut since) = (before, self.now);
        while self.out.len() > 2 {
            if self.counts.out_bytes != taken {
                (taken, since) = (self.counts.out_bytes, self.now);
            } else if self.now >= since + timeout {
                return Err(UsbError::TimedOut {
                    done: (taken - before) as usize,
                });
            }
            self.step(since + timeout)?;
        }
        Ok(())
    }

    fn read(&mut self, timeout: Duration) -> Result<Vec<u8>, UsbError> {
        self.alive()?;
        let limit = self.now + from_duration(timeout);
        loop {
            if let Some(request) = self.requests.finished.pop_front() {
                return Ok(request);
            }
            if self.now >= limit {
                return Err(UsbError::TimedOut {
                    done: self.requests.filling.len(),
                });
            }
            if self.out.is_empty() && !self.waiting_counted {
                self.waiting_counted = true;
                self.counts.round_trips += 1;
            }
            self.step(limit)?;
        }
    }

    fn restart(&mut self) -> Result<(), UsbError> {
        self.alive()?;
        self.out.clear();
        self.packet = None;
        self.requests = Requests::default();
        Ok(())
    }

    fn pause(&mut self, time: Duration) {
        // A failure shows at the next transfer.
        let _ = self.run_to(self.now + from_duration(time));
        let _ = self.chip.settle(self.now);
    }

    fn packet_bytes(&self) -> usize {
        self.chip.model().packet_bytes
    }

    fn product(&self) -> u16 {
        self.chip.model().product
    }

    fn release(&self) -> u16 {
        self.chip.model().release
    }

    fn name(&self) -> String {
        let model = self.chip.model();
        format!("emulated {} {}", model.name, model.serial)
    }

    fn counts(&self) -> UsbCounts {
        self.counts
    }

    fn now(&self) -> Duration {
        to_duration(self.now)
    }
}
