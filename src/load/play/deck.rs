//! Ops in, pieces out: keeps two in flight, looks after compares. Without a port it only counts.

use std::collections::VecDeque;

use crate::bits::Bits;
use crate::svf::Place;
use crate::tap::{
    Mismatch, Op, PieceLimits, Port, PortError, ScanProgram, Step, TapState, Ticket, Walker,
};

const IN_FLIGHT: usize = 2;
/// The longest stretch of clocks or waiting without an answer. An adapter takes commands faster than they run; without an
/// answer now and then nobody would know when the time is over, and whoever asks last would wait for all of it.
const SLICE_NS: u64 = 100_000_000;

pub(super) struct Deck<'p> {
    port: Option<&'p mut dyn Port>,
    walker: Walker,
    limits: PieceLimits,
    tck_hz: u32,
    program: ScanProgram,
    bits: usize,
    flying: VecDeque<Ticket>,
    /// Compares sent and not yet answered.
    pub(super) open_compares: u64,
    /// Mismatches that came back and were not taken yet.
    pub(super) mismatches: Vec<Mismatch>,
    pub(super) tck_cycles: u64,
    /// The last statement put on the deck.
    pub(super) last: Place,
}

impl<'p> Deck<'p> {
    pub(super) fn new(port: Option<&'p mut dyn Port>, tck_hz: u32) -> Self {
        Deck {
            port,
            walker: Walker::new(),
            limits: PieceLimits::at(tck_hz),
            tck_hz,
            program: ScanProgram::new(),
            bits: 0,
            flying: VecDeque::new(),
            open_compares: 0,
            mismatches: Vec::new(),
            tck_cycles: 0,
            last: Place { line: 1, column: 1 },
        }
    }

    pub(super) fn state(&self) -> TapState {
        self.walker.state()
    }

    pub(super) fn tck_hz(&mut self, tck_hz: u32) {
        self.limits = PieceLimits::at(tck_hz);
        self.tck_hz = tck_hz;
    }

    pub(super) fn port(&mut self) -> Option<&mut (dyn Port + 'p)> {
        self.port.as_deref_mut()
    }

    /// Puts an op on the deck; sends when a piece is full. Long stretches of clocks or waiting are sliced, and the end of
    /// each slice is waited for.
    pub(super) fn put(&mut self, op: Op) -> Result<(), PortError> {
        let cycles = (u64::from(self.tck_hz) * (SLICE_NS / 1_000_000) / 1_000).max(1);
        let (mut left, slice, make): (u64, u64, fn(u64) -> Op) = match op {
            Op::Wait(ns) if ns > SLICE_NS => (ns, SLICE_NS, Op::Wait),
            Op::Clocks(n) if n > cycles => (n, cycles, Op::Clocks),
            op => return self.put_one(op),
        };
        if self.port.is_none() {
            return self.put_one(make(left));
        }
        while left > 0 {
            let now = left.min(slice);
            self.put_one(make(now))?;
            self.program.sense();
            self.send()?;
            left -= now;
        }
        Ok(())
    }

    fn put_one(&mut self, op: Op) -> Result<(), PortError> {
        let cycles = &mut self.tck_cycles;
        self.walker.walk(&op, &mut |step| {
            *cycles += match step {
                Step::Tms(path) => u64::from(path.len),
                Step::Shift { bits, .. } => bits.len() as u64,
                Step::Hold { cycles, .. } => cycles,
                _ => 0,
            }
        })?;
        if self.port.is_none() {
            return Ok(());
        }
        self.bits += match &op {
            Op::Shift(shift) => {
                self.open_compares += u64::from(shift.compare().is_some());
                shift.out().len() + 64
            }
            Op::Wait(_) | Op::Clocks(_) => self.limits.shift_bits / 8,
            _ => 64,
        };
        self.program.push(op);
        if self.bits >= self.limits.shift_bits {
            self.send()
        } else {
            Ok(())
        }
    }

    /// Levels of the spare lines, once all before it has run; `None` without a port.
    pub(super) fn sense(&mut self) -> Result<Option<Bits>, PortError> {
        self.settle()?;
        let Some(port) = self.port.as_deref_mut() else {
            return Ok(None);
        };
        let mut program = ScanProgram::new();
        let slot = program.sense();
        let mut levels = None;
        for piece in program.pieces(self.limits) {
            let ticket = port.submit(piece)?;
            levels = port.collect(ticket)?.get(slot).cloned();
        }
        Ok(levels)
    }

    fn send(&mut self) -> Result<(), PortError> {
        let program = std::mem::take(&mut self.program);
        self.bits = 0;
        for piece in program.pieces(self.limits) {
            if self.flying.len() == IN_FLIGHT {
                self.collect_one()?;
            }
            let port = self
                .port
                .as_deref_mut()
                .expect("only with a port is anything sent");
            let ticket = port.submit(piece)?;
            self.flying.push_back(ticket);
        }
        Ok(())
    }

    fn collect_one(&mut self) -> Result<(), PortError> {
        if let (Some(ticket), Some(port)) = (self.flying.pop_front(), self.port.as_deref_mut()) {
            self.mismatches.extend(port.collect(ticket)?.mismatches);
        }
        Ok(())
    }

    /// Sends what is on the deck and waits for all answers.
    pub(super) fn settle(&mut self) -> Result<(), PortError> {
        if self.port.is_none() {
            return Ok(());
        }
        self.send()?;
        while !self.flying.is_empty() {
            self.collect_one()?;
        }
        self.open_compares = 0;
        Ok(())
    }
}
