//! A small TAP chain with faults, as a [`Port`], for the tests of this room and of `load`. Written apart from the simulator
//! and from transport: bit by bit, slow and plain.

use std::collections::VecDeque;
use std::time::Duration;

use crate::bits::Bits;
use crate::tap::{Answers, Piece, Port, PortError, Step, TapState, Ticket, Traffic, Walker};

/// What a device does beyond IDCODE and BYPASS. `ir` is the instruction as a number.
pub(crate) trait Core {
    /// Length of the register that an instruction selects; `None`: BYPASS.
    fn register(&self, ir: u64) -> Option<usize>;
    /// What that register captures, bit 0 first.
    fn capture(&mut self, ir: u64) -> Vec<bool>;
    /// A bit enters the register.
    fn shifted(&mut self, _ir: u64, _bit: bool) {}
    /// The register's contents at Update-DR, bit 0 first.
    fn updated(&mut self, _ir: u64, _register: &[bool]) {}
    /// A new instruction.
    fn instructed(&mut self, _ir: u64) {}
    /// A clock in Run-Test/Idle.
    fn idle(&mut self, _ir: u64) {}
    /// Changes the captured instruction bits.
    fn ir_capture(&self, _bits: &mut [bool]) {}
}

pub(crate) struct TestDevice {
    pub(crate) ir_capture: Vec<bool>,
    pub(crate) idcode: Option<u32>,
    pub(crate) bypass_captures: bool,
    pub(crate) core: Option<Box<dyn Core>>,
    after_reset: bool,
    ir: Vec<bool>,
    ir_shift: Vec<bool>,
    dr: Vec<bool>,
}

impl TestDevice {
    /// A device by its captured instruction bits, written most significant first, and its code.
    pub(crate) fn new(ir_capture: &str, idcode: Option<u32>) -> Self {
        let ir_capture: Vec<bool> = ir_capture.bytes().rev().map(|b| b == b'1').collect();
        TestDevice {
            ir: vec![true; ir_capture.len()],
            ir_shift: ir_capture.clone(),
            ir_capture,
            idcode,
            bypass_captures: false,
            core: None,
            after_reset: true,
            dr: vec![],
        }
    }

    pub(crate) fn with_core(mut self, core: impl Core + 'static) -> Self {
        self.core = Some(Box::new(core));
        self
    }

    fn code(&self) -> u64 {
        self.ir
            .iter()
            .take(64)
            .enumerate()
            .fold(0, |v, (i, b)| v | u64::from(*b) << i)
    }

    fn capture_dr(&mut self) {
        let code = self.code();
        self.dr = match (&mut self.core, self.after_reset, self.idcode) {
            (_, true, Some(id)) => (0..32).map(|i| id >> i & 1 == 1).collect(),
            (Some(core), false, _) if core.register(code).is_some() => core.capture(code),
            _ => vec![self.bypass_captures],
        };
    }

    /// One bit through a register: in at TDI, out at TDO.
    fn shift(&mut self, ir: bool, bit: bool) -> bool {
        let code = self.code();
        let register = if ir { &mut self.ir_shift } else { &mut self.dr };
        register.push(bit);
        let out = register.remove(0);
        if let (false, false, Some(core)) = (ir, self.after_reset, &mut self.core)
            && core.register(code).is_some()
        {
            core.shifted(code, bit);
        }
        out
    }
}

/// What is wrong with the chain.
#[derive(Default)]
pub(crate) struct Faults {
    /// TDO of the chain.
    pub(crate) tdo: Option<bool>,
    /// The stretch behind (on the TDI side of) this device, 0 first after TDI, and the level that its TDI sees.
    pub(crate) cut: Option<(usize, bool)>,
    /// The same, in instruction scans only.
    pub(crate) ir_cut: Option<(usize, bool)>,
    /// TDO in instruction scans.
    pub(crate) ir_tdo: Option<bool>,
    /// Each so-many-th cycle is two for the devices, when TCK is faster than the rate.
    pub(crate) double_clock: Option<(u64, u32)>,
    /// Each so-many-th bit at TDO is inverted, when TCK is faster than the rate.
    pub(crate) bit_errors: Option<(u64, u32)>,
    /// TDO is sampled one cycle late, when TCK is faster than the rate.
    pub(crate) late: Option<u32>,
    /// The adapter is gone after so many cycles.
    pub(crate) dies_at: Option<u64>,
    /// Interrupted once, when this many pieces have been submitted.
    pub(crate) interrupt_at: Option<u64>,
}

/// The chain and its port.
pub(crate) struct TestChain {
    pub(crate) devices: Vec<TestDevice>,
    pub(crate) faults: Faults,
    pub(crate) traffic: Traffic,
    pub(crate) tck_hz: u32,
    /// Most pieces that were in flight at once, and their shift bits.
    pub(crate) most_in_flight: (usize, usize),
    /// Instructions that passed Update-IR, all bits, TDI device last.
    pub(crate) updates: Vec<Bits>,
    state: TapState,
    walker: Walker,
    last_tdo: bool,
    tickets: u64,
    done: VecDeque<(Ticket, Answers, usize, bool)>,
}

impl TestChain {
    /// Devices TDI to TDO.
    pub(crate) fn new(devices: Vec<TestDevice>) -> Self {
        TestChain {
            devices,
            faults: Faults::default(),
            traffic: Traffic::default(),
            tck_hz: 1_000_000,
            most_in_flight: (0, 0),
            updates: vec![],
            state: TapState::PauseDr,
            walker: Walker::new(),
            last_tdo: true,
            tickets: 0,
            done: VecDeque::new(),
        }
    }

    pub(crate) fn state(&self) -> TapState {
        self.state
    }

    fn cycle(&mut self, tms: bool, tdi: bool) -> bool {
        let n = self.traffic.tck_cycles;
        self.traffic.tck_cycles += 1;
        let hz = self.tck_hz;
        let now = |fault: Option<(u64, u32)>| {
            fault.is_some_and(|(every, above)| hz > above && n % every == every - 1)
        };
        let mut tdo = self.edge(tms, tdi);
        if now(self.faults.double_clock) {
            self.edge(tms, tdi);
        }
        if now(self.faults.bit_errors) {
            tdo = !tdo;
        }
        if self.faults.late.is_some_and(|above| hz > above) {
            std::mem::swap(&mut tdo, &mut self.last_tdo);
        }
        self.faults.tdo.unwrap_or(tdo)
    }

    /// One rising edge; gives the level that TDO had before it.
    fn edge(&mut self, tms: bool, tdi: bool) -> bool {
        let mut tdo = true;
        match self.state {
            TapState::CaptureIr => {
                for d in &mut self.devices {
                    d.ir_shift = d.ir_capture.clone();
                    if let Some(core) = &d.core {
                        core.ir_capture(&mut d.ir_shift);
                    }
                }
            }
            TapState::CaptureDr => self.devices.iter_mut().for_each(TestDevice::capture_dr),
            TapState::ShiftIr | TapState::ShiftDr => {
                let ir = self.state == TapState::ShiftIr;
                let mut bit = tdi;
                for (i, d) in self.devices.iter_mut().enumerate() {
                    for (at, level) in [self.faults.cut, self.faults.ir_cut.filter(|_| ir)]
                        .into_iter()
                        .flatten()
                    {
                        if at == i {
                            bit = level;
                        }
                    }
                    bit = d.shift(ir, bit);
                }
                tdo = if ir {
                    self.faults.ir_tdo.unwrap_or(bit)
                } else {
                    bit
                };
            }
            TapState::RunTestIdle => {
                for d in &mut self.devices {
                    let code = d.code();
                    if let (false, Some(core)) = (d.after_reset, &mut d.core) {
                        core.idle(code);
                    }
                }
            }
            _ => {}
        }
        self.state = self.state.next(tms);
        match self.state {
            TapState::TestLogicReset => {
                for d in &mut self.devices {
                    d.after_reset = true;
                    d.ir.fill(true);
                }
            }
            TapState::UpdateIr => {
                let mut all = Bits::new();
                for d in &mut self.devices {
                    d.ir = d.ir_shift.clone();
                    d.after_reset = false;
                    let code = d.code();
                    if let Some(core) = &mut d.core {
                        core.instructed(code);
                    }
                }
                self.devices
                    .iter()
                    .rev()
                    .for_each(|d| all.extend(d.ir.iter().copied()));
                self.updates.push(all);
            }
            TapState::UpdateDr => {
                for d in &mut self.devices {
                    let code = d.code();
                    if let (false, Some(core)) = (d.after_reset, &mut d.core)
                        && core.register(code).is_some()
                    {
                        core.updated(code, &d.dr);
                    }
                }
            }
            _ => {}
        }
        tdo
    }

    fn gone() -> PortError {
        PortError::Gone {
            what: "the test chain".into(),
            bytes_out: None,
        }
    }
}

impl Port for TestChain {
    fn submit(&mut self, piece: Piece) -> Result<Ticket, PortError> {
        if self
            .faults
            .interrupt_at
            .is_some_and(|at| self.tickets >= at)
        {
            self.faults.interrupt_at = None;
            return Err(PortError::Interrupted);
        }
        let mut walker = self.walker;
        let mut raw = Vec::new();
        for op in &piece.ops {
            let mut steps = Vec::new();
            walker.walk(op, &mut |step| steps.push(step))?;
            for step in steps {
                if self
                    .faults
                    .dies_at
                    .is_some_and(|at| self.traffic.tck_cycles >= at)
                {
                    return Err(Self::gone());
                }
                match step {
                    Step::Tms(path) => path.iter().for_each(|tms| {
                        self.cycle(tms, true);
                    }),
                    Step::Shift { bits, last, read } => {
                        self.traffic.shift_bits += bits.len() as u64;
                        let n = bits.len();
                        let tdo: Bits = (0..n)
                            .map(|i| self.cycle(last && i + 1 == n, bits.get(i)))
                            .collect();
                        if read {
                            raw.push(tdo);
                        }
                    }
                    Step::Hold { tms, cycles } => (0..cycles).for_each(|_| {
                        self.cycle(tms, true);
                    }),
                    Step::Wait(ns) => self.traffic.elapsed += Duration::from_nanos(ns),
                    Step::Line(..) => {}
                    Step::Sense(_) => raw.push(Bits::zeros(8)),
                }
            }
        }
        self.walker = walker;
        let (bits, reads) = (piece.shift_bits(), !raw.is_empty());
        let ticket = Ticket(self.tickets);
        self.tickets += 1;
        self.done
            .push_back((ticket, piece.expectations().answer(raw), bits, reads));
        let in_flight = (self.done.len(), self.done.iter().map(|d| d.2).sum());
        self.most_in_flight = (
            self.most_in_flight.0.max(in_flight.0),
            self.most_in_flight.1.max(in_flight.1),
        );
        Ok(ticket)
    }

    fn collect(&mut self, ticket: Ticket) -> Result<Answers, PortError> {
        let (first, answers, _, reads) = self.done.pop_front().expect("a piece in flight");
        assert_eq!(
            first, ticket,
            "pieces are collected in the order of submission"
        );
        self.traffic.round_trips += u64::from(reads && self.done.is_empty());
        Ok(answers)
    }

    fn set_tck_hz(&mut self, hz: u32) -> Result<u32, PortError> {
        assert!(self.done.is_empty(), "nothing in flight");
        self.tck_hz = hz;
        Ok(hz)
    }

    fn release(&mut self) -> Result<(), PortError> {
        Ok(())
    }

    fn traffic(&self) -> Traffic {
        let cycles =
            Duration::from_secs_f64(self.traffic.tck_cycles as f64 / f64::from(self.tck_hz));
        Traffic {
            elapsed: self.traffic.elapsed + cycles,
            ..self.traffic
        }
    }
}
