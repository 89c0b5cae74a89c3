//! Ports over emulated chips, for tests and benchmarks: programs run through them, what that moved, what the chip was told.

use std::time::Duration;

use taploom::bits::Bits;
use taploom::simulator::adapter::{EmulatedAdapter, Model};
use taploom::tap::{
    Answers, Clocks, Level, Line, PieceLimits, Port, PortError, ScanProgram, TapState, Traffic,
};
use taploom::transport::{Mpsse, Profile, Usb, UsbCounts, UsbError};

/// A bench that costs nothing: TDO is TDI.
pub(crate) struct Wire;

impl Clocks for Wire {
    fn clock(&mut self, _tms: &Bits, tdi: &Bits) -> Result<Bits, PortError> {
        Ok(tdi.clone())
    }

    fn line(&mut self, _line: Line, _level: Level) -> Result<u8, PortError> {
        Ok(0xff)
    }

    fn sense(&mut self) -> Result<u8, PortError> {
        Ok(0xff)
    }

    fn pass(&mut self, _ns: u64) -> Result<(), PortError> {
        Ok(())
    }
}

/// An MPSSE on channel A as a plain module leads it out.
pub(crate) fn mpsse<U: Usb>(usb: U, high_lines: u8) -> Result<Mpsse<U>, PortError> {
    Mpsse::open(usb, Profile::plain_module("plain module", 0, high_lines))
}

/// Runs a program with at most two pieces in flight, as a session does.
pub(crate) fn run(
    port: &mut dyn Port,
    program: ScanProgram,
    limits: PieceLimits,
) -> Result<Answers, PortError> {
    let mut answers = Answers::default();
    let mut before = None;
    for piece in program.pieces(limits) {
        let ticket = port.submit(piece)?;
        if let Some(before) = before.replace(ticket) {
            answers.join(port.collect(before)?);
        }
    }
    if let Some(last) = before {
        answers.join(port.collect(last)?);
    }
    Ok(answers)
}

/// `len` bits that only depend on `seed`.
pub(crate) fn random_bits(seed: u64, len: usize) -> Bits {
    let mut x = seed | 1;
    let mut bits = Bits::with_capacity(len);
    while bits.len() < len {
        x ^= x << 13;
        x ^= x >> 7;
        x ^= x << 17;
        bits.push_u64(x, (len - bits.len()).min(64));
    }
    bits
}

/// What a program moves.
pub(crate) fn moved(port: &mut dyn Port, program: ScanProgram, hz: u32) -> Traffic {
    let before = port.traffic();
    run(port, program, PieceLimits::at(hz)).expect("runs");
    let after = port.traffic();
    Traffic {
        tck_cycles: after.tck_cycles - before.tck_cycles,
        shift_bits: after.shift_bits - before.shift_bits,
        usb_out: after.usb_out - before.usb_out,
        usb_in: after.usb_in - before.usb_in,
        round_trips: after.round_trips - before.round_trips,
        elapsed: after.elapsed - before.elapsed,
    }
}

/// What a program moves on a chip with a free bench, after a reset; and the share of TCK, in hundredths, that `bits` make
/// of the time.
pub(crate) fn measured(
    model: &Model,
    hz: u32,
    bits: usize,
    program: ScanProgram,
) -> (Traffic, f64) {
    let usb = EmulatedAdapter::new(model.clone(), Wire);
    let mut port = mpsse(usb, model.high_lines).expect("the emulated chip opens");
    assert_eq!(port.set_tck_hz(hz), Ok(hz), "{}", model.name);
    let mut start = ScanProgram::new();
    start.reset();
    moved(&mut port, start, hz);
    let traffic = moved(&mut port, program, hz);
    let share = bits as f64 / f64::from(hz) / traffic.elapsed.as_secs_f64() * 100.0;
    (traffic, share)
}

/// So many bytes through one of four devices that are not read, three BYPASS bits beside them; a look at the end waits for
/// them. Gives bytes out a payload byte, round trips, and the share of TCK.
pub(crate) fn blind_shift(model: &Model, hz: u32, bytes: usize) -> (f64, u64, f64) {
    let mut program = ScanProgram::new();
    let bits = random_bits(9, bytes * 8 + 3);
    program.scan_dr(bits, TapState::RunTestIdle);
    program.scan_dr_captured(Bits::ones(35), TapState::RunTestIdle);
    let (traffic, share) = measured(model, hz, bytes * 8, program);
    let out = traffic.usb_out as f64 / bytes as f64;
    (out, traffic.round_trips, share)
}

/// A thousand vectors over 1,500 cells, all captured: round trips, and the share of TCK.
pub(crate) fn captured_vectors(model: &Model, hz: u32) -> (u64, f64) {
    const CELLS: usize = 1500;
    const VECTORS: usize = 1000;
    let mut program = ScanProgram::new();
    for i in 0..VECTORS {
        let bits = random_bits(i as u64, CELLS);
        program.scan_dr_captured(bits, TapState::UpdateDr);
    }
    let (traffic, share) = measured(model, hz, CELLS * VECTORS, program);
    (traffic.round_trips, share)
}

/// A device whose talk is kept.
pub(crate) struct Watched<U> {
    pub(crate) usb: U,
    /// Modes that were asked for, each with the bytes that had gone out before it.
    pub(crate) modes: Vec<(u16, u64)>,
    /// What every read gave.
    pub(crate) reads: Vec<Vec<u8>>,
}

impl<U> Watched<U> {
    pub(crate) fn new(usb: U) -> Watched<U> {
        Watched {
            usb,
            modes: Vec::new(),
            reads: Vec::new(),
        }
    }
}

/// The vendor request that sets a mode.
const BIT_MODE: u8 = 0x0b;

impl<U: Usb> Usb for Watched<U> {
    fn control_out(&mut self, r: u8, v: u16, i: u16) -> Result<(), UsbError> {
        if r == BIT_MODE {
            self.modes.push((v, self.usb.counts().out_bytes));
        }
        self.usb.control_out(r, v, i)
    }
    fn control_in(&mut self, r: u8, v: u16, i: u16, n: u16) -> Result<Vec<u8>, UsbError> {
        self.usb.control_in(r, v, i, n)
    }
    fn listen(&mut self, bytes: usize, depth: usize) -> Result<(), UsbError> {
        self.usb.listen(bytes, depth)
    }
    fn write(&mut self, data: Vec<u8>, t: Duration) -> Result<(), UsbError> {
        self.usb.write(data, t)
    }
    fn read(&mut self, t: Duration) -> Result<Vec<u8>, UsbError> {
        let request = self.usb.read(t)?;
        self.reads.push(request.clone());
        Ok(request)
    }
    fn restart(&mut self) -> Result<(), UsbError> {
        self.usb.restart()
    }
    fn pause(&mut self, t: Duration) {
        self.usb.pause(t);
    }
    fn packet_bytes(&self) -> usize {
        self.usb.packet_bytes()
    }
    fn product(&self) -> u16 {
        self.usb.product()
    }
    fn release(&self) -> u16 {
        self.usb.release()
    }
    fn name(&self) -> String {
        self.usb.name()
    }
    fn counts(&self) -> UsbCounts {
        self.usb.counts()
    }
    fn now(&self) -> Duration {
        self.usb.now()
    }
}
