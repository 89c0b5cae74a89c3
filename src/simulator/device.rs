//! One simulated device: its TAP, its registers and what its instructions do.

use std::sync::Arc;

use taploom_bsdl::Device as Bsdl;
use taploom_bsdl::model::{CaptureMode, Pattern, RegisterRef, Trit};

use super::chance::mix;
use super::engine::{Engine, EngineModel, Role};
use super::nets::Nets;
use super::pins::{PinMode, Pins};
use super::shift::ShiftStage;
use super::witness::DeviceSeen;
use crate::bits::Bits;
use crate::tap::TapState;

/// The instruction in force.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Selected {
    /// Position among the BSDL's instructions; `None` for a code that it does not name, or that it calls private:
    /// both act as BYPASS.
    instruction: Option<usize>,
    register: RegisterRef,
    pins: PinMode,
    /// How the boundary register captures; `None` where nobody says.
    capture: Option<CaptureMode>,
    role: Option<Role>,
}

const BYPASS: Selected = Selected {
    instruction: None,
    register: RegisterRef::Bypass,
    pins: PinMode::Mission,
    capture: None,
    role: None,
};

/// A device on the chain.
#[derive(Debug)]
pub(super) struct Device {
    name: String,
    bsdl: Option<Arc<Bsdl>>,
    ir_length: usize,
    ir_capture: Vec<Trit>,
    idcode: Option<u32>,
    usercode: u32,
    has_trst: bool,
    state: TapState,
    selected: Selected,
    /// The code in force, bit 0 first.
    code: Bits,
    stage: ShiftStage,
    pins: Option<Pins>,
    /// What was last put into each register of its own.
    own: Vec<Bits>,
    engine: Option<Engine>,
    configured: bool,
    seed: u64,
}

/// Everything that makes a device.
pub(super) struct Parts {
    pub(super) name: String,
    pub(super) bsdl: Option<Arc<Bsdl>>,
    /// For a device without BSDL.
    pub(super) ir_length: u32,
    pub(super) idcode: Option<u32>,
    pub(super) usercode: Option<u32>,
    pub(super) pins: Option<Pins>,
    pub(super) engine: Option<Arc<EngineModel>>,
    pub(super) configured: bool,
    pub(super) seed: u64,
}

impl Device {
    pub(super) fn new(parts: Parts, nets: &mut Nets) -> Self {
        let Parts { bsdl, seed, .. } = parts;
        let ir_length = bsdl
            .as_ref()
            .map_or(parts.ir_length, |b| b.instruction_length)
            .max(2) as usize;
        let mut ir_capture = bsdl
            .as_ref()
            .and_then(|b| b.instruction_capture.as_ref())
            .map_or(vec![], |p| p.bits().to_vec());
        ir_capture.resize(ir_length, Trit::Zero);
        (ir_capture[0], ir_capture[1]) = (Trit::One, Trit::Zero);
        let fixed = |patterns: &[Pattern], salt: u64| {
            let pattern = patterns.first().filter(|p| p.len() == 32)?;
            Some(fill(pattern, mix(seed ^ salt) as u32))
        };
        let known = bsdl.as_deref();
        let idcode = parts
            .idcode
            .or_else(|| known.and_then(|b| fixed(&b.idcodes, 0x6964)));
        let usercode = parts
            .usercode
            .or_else(|| known.and_then(|b| fixed(&b.usercodes, 0x7563)))
            .unwrap_or(u32::MAX);
        let own = known
            .map_or(&[][..], |b| &b.registers)
            .iter()
            .map(|r| Bits::zeros(r.length.unwrap_or(1) as usize))
            .collect();
        let mut device = Self {
            name: parts.name,
            ir_length,
            ir_capture,
            idcode,
            usercode,
            has_trst: known.is_some_and(|b| b.tap.trst.is_some()),
            bsdl,
            state: TapState::TestLogicReset,
            selected: BYPASS,
            code: Bits::ones(ir_length),
            stage: ShiftStage::default(),
            pins: parts.pins,
            own,
            engine: parts
                .engine
                .map(|m| Engine::new(m, idcode.unwrap_or(0), parts.configured)),
            configured: parts.configured,
            seed,
        };
        device.reset(nets);
        device.design_follows(nets);
        if let Some(pins) = &mut device.pins {
            pins.power_on(nets);
        }
        device
    }

    /// Lets fixed logic follow its inputs; true if an output has changed.
    pub(super) fn logic(&mut self, nets: &mut Nets) -> bool {
        self.pins.as_mut().is_some_and(|pins| pins.logic(nets))
    }

    pub(super) fn name(&self) -> &str {
        &self.name
    }

    pub(super) fn state(&self) -> TapState {
        self.state
    }

    pub(super) fn has_trst(&self) -> bool {
        self.has_trst
    }

    pub(super) fn in_extest(&self) -> bool {
        self.selected.pins == PinMode::Boundary
    }

    pub(super) fn engine(&self) -> Option<&Engine> {
        self.engine.as_ref()
    }

    /// Brings what the witness knows of this device up to date.
    pub(super) fn tell(&self, seen: &mut DeviceSeen) {
        seen.state = self.state;
        seen.image_bits = self.engine.as_ref().map_or(0, Engine::image_bits);
        seen.boundary_drivers = self.pins.as_ref().map_or(0, Pins::boundary_drivers);
        let named = self.instruction().map(|i| i.name.as_str());
        match named {
            Some(name) if seen.instruction == name => {}
            Some(name) => seen.instruction = name.into(),
            None => seen.instruction = self.code.to_binary(),
        }
    }

    /// Shifts a whole block in Shift-DR or Shift-IR and gives what comes out at TDO.
    pub(super) fn shift(&mut self, input: &Bits) -> Bits {
        if self.state == TapState::ShiftDr {
            self.listen(input);
        }
        self.stage.exchange(input)
    }

    /// TDO before the next rising edge; `None` while it is not driven.
    pub(super) fn tdo(&self) -> Option<bool> {
        let shifting = matches!(self.state, TapState::ShiftDr | TapState::ShiftIr);
        shifting.then(|| self.stage.front()).flatten()
    }

    /// Cycles that end where they began, in a state that is no shift, and time without cycles: `n` rising edges and so
    /// many nanoseconds in Run-Test/Idle count for the device's configuration.
    pub(super) fn idle(&mut self, n: u64, ns: u64, nets: &mut Nets) {
        if self.state == TapState::RunTestIdle
            && let (Some(engine), Some(role)) = (&mut self.engine, self.selected.role)
        {
            engine.idle(role, n, ns);
            self.design_follows(nets);
        }
    }

    /// The rising edge.
    pub(super) fn rising(&mut self, tms: bool, tdi: bool, nets: &mut Nets) {
        match self.state {
            TapState::CaptureDr => self.capture_dr(nets),
            TapState::CaptureIr => self.capture_ir(),
            TapState::ShiftDr => {
                if self.selected.role == Some(Role::Shift) {
                    self.listen(&Bits::from_u64(tdi.into(), 1));
                }
                self.stage.exchange_one(tdi);
            }
            TapState::ShiftIr => {
                self.stage.exchange_one(tdi);
            }
            TapState::RunTestIdle => self.idle(1, 0, nets),
            _ => {}
        }
        self.state = self.state.next(tms);
    }

    /// The falling edge: what Update and Test-Logic-Reset do.
    pub(super) fn falling(&mut self, nets: &mut Nets) {
        match self.state {
            TapState::UpdateDr => self.update_dr(nets),
            TapState::UpdateIr => self.update_ir(nets),
            TapState::TestLogicReset => self.reset(nets),
            _ => {}
        }
    }

    /// Moves to the next state after a block of shifts whose last cycle had TMS high.
    pub(super) fn leave_shift(&mut self) {
        self.state = self.state.next(true);
    }

    /// TRST* went low.
    pub(super) fn trst(&mut self, nets: &mut Nets) {
        self.state = TapState::TestLogicReset;
        self.reset(nets);
    }

    fn reset(&mut self, nets: &mut Nets) {
        let after = match (&self.bsdl, self.idcode) {
            (Some(bsdl), Some(_)) => bsdl
                .instructions
                .iter()
                .position(|i| i.name.eq_ignore_ascii_case("IDCODE"))
                .map_or(BYPASS, |i| Selected {
                    instruction: Some(i),
                    register: RegisterRef::DeviceId,
                    ..BYPASS
                }),
            (None, Some(_)) => Selected {
                register: RegisterRef::DeviceId,
                ..BYPASS
            },
            (_, None) => BYPASS,
        };
        self.selected = after;
        self.code = match (&self.bsdl, after.instruction) {
            (Some(bsdl), Some(i)) => (bsdl.instructions[i].opcodes.first())
                .map_or(Bits::ones(self.ir_length), |o| {
                    o.bits_with_x_as(false).into_iter().collect()
                }),
            _ => Bits::ones(self.ir_length),
        };
        if let Some(pins) = &mut self.pins {
            pins.reset(nets);
        }
    }

    fn capture_ir(&mut self) {
        let shown = |i: usize| self.engine.as_ref().and_then(|e| e.ir_bit(i));
        let chosen = |i: usize| mix(self.seed ^ 0x6972 ^ i as u64) & 1 == 1;
        let bits = self.ir_capture.iter().enumerate().map(|(i, trit)| {
            trit.value()
                .unwrap_or_else(|| shown(i).unwrap_or_else(|| chosen(i)))
        });
        self.stage.load(bits.collect());
    }

    fn capture_dr(&mut self, nets: &Nets) {
        if let (Some(engine), Some(Role::Read)) = (&self.engine, self.selected.role) {
            let mut bits = engine.read_back();
            if bits.is_empty() {
                bits.push(false);
            }
            self.stage.load(bits);
            return;
        }
        let bits = match self.selected.register {
            RegisterRef::Bypass => Bits::zeros(1),
            RegisterRef::DeviceId => {
                let usercode = self
                    .instruction()
                    .is_some_and(|i| i.name.eq_ignore_ascii_case("USERCODE"));
                let word = if usercode {
                    self.usercode
                } else {
                    self.idcode.unwrap_or(0)
                };
                Bits::from_u64(word.into(), 32)
            }
            RegisterRef::Boundary => match &mut self.pins {
                Some(pins) => pins.capture(self.selected.capture, nets),
                None => Bits::zeros(1),
            },
            RegisterRef::Named(register) => self.capture_own(register as usize),
        };
        self.stage.load(bits);
    }

    /// A register of the device's own: the status word, what REGISTER_ACCESS says that it captures, else what was
    /// last put into it.
    fn capture_own(&self, register: usize) -> Bits {
        let held = &self.own[register];
        let status = match (&self.engine, self.selected.role) {
            (Some(engine), Some(Role::Status)) => Some(engine.status()),
            (Some(_), Some(Role::Shift)) => Some(Bits::new()),
            _ => None,
        };
        if let Some(mut status) = status {
            let short = held.len().saturating_sub(status.len());
            status.push_run(false, short);
            return status.slice(0, held.len());
        }
        match self.instruction().and_then(|i| i.captures.as_ref()) {
            Some(pattern) if pattern.len() == held.len() => pattern
                .bits()
                .iter()
                .enumerate()
                .map(|(i, t)| t.value().unwrap_or_else(|| held.get(i)))
                .collect(),
            _ => held.clone(),
        }
    }

    fn update_dr(&mut self, nets: &mut Nets) {
        match self.selected.register {
            RegisterRef::Boundary => {
                if let Some(pins) = &mut self.pins {
                    pins.update(self.stage.contents(), nets);
                }
            }
            RegisterRef::Named(register) => self.own[register as usize] = self.stage.contents(),
            RegisterRef::Bypass | RegisterRef::DeviceId => {}
        }
    }

    fn update_ir(&mut self, nets: &mut Nets) {
        self.code = self.stage.contents();
        self.selected = self.decode();
        if let Some(pins) = &mut self.pins {
            pins.set_mode(self.selected.pins, nets);
        }
        if let (Some(engine), Some(role)) = (&mut self.engine, self.selected.role) {
            engine.instruction(role);
        }
        self.design_follows(nets);
    }

    /// What the code in the instruction register means.
    fn decode(&self) -> Selected {
        let Some(bsdl) = &self.bsdl else {
            return BYPASS;
        };
        let code: Vec<bool> = self.code.iter().collect();
        if code.iter().all(|b| *b) {
            return Selected {
                instruction: position(bsdl, "BYPASS"),
                ..BYPASS
            };
        }
        let found = bsdl
            .instructions
            .iter()
            .position(|i| i.opcodes.iter().any(|o| o.matches(&code)));
        let Some(index) = found.filter(|i| !bsdl.instructions[*i].private) else {
            return BYPASS;
        };
        let instruction = &bsdl.instructions[index];
        let is = |names: &[&str]| {
            names
                .iter()
                .any(|n| n.eq_ignore_ascii_case(&instruction.name))
        };
        let same = |other: Option<&taploom_bsdl::model::Instruction>| {
            other.is_some_and(|o| o.name.eq_ignore_ascii_case(&instruction.name))
        };
        // The pulsed forms of EXTEST drive the same pins; their pulses are not modelled.
        let (pins, capture) = if is(&["EXTEST", "EXTEST_PULSE", "EXTEST_TRAIN"]) {
            (PinMode::Boundary, Some(CaptureMode::Extest))
        } else if is(&["SAMPLE", "PRELOAD"]) {
            (PinMode::Mission, Some(CaptureMode::Sample))
        } else if is(&["INTEST"]) {
            (PinMode::Released, Some(CaptureMode::Intest))
        } else if same(bsdl.highz()) {
            (PinMode::Released, None)
        } else if same(bsdl.clamp()) {
            (PinMode::Boundary, None)
        } else {
            (PinMode::Mission, None)
        };
        let usable = |register| match register {
            RegisterRef::DeviceId => self.idcode.is_some(),
            RegisterRef::Boundary => self.pins.is_some() && bsdl.boundary_length > 0,
            RegisterRef::Named(i) => self.own.get(i as usize).is_some_and(|r| !r.is_empty()),
            RegisterRef::Bypass => true,
        };
        Selected {
            instruction: Some(index),
            register: bsdl
                .register_for(instruction)
                .filter(|r| usable(*r))
                .unwrap_or(RegisterRef::Bypass),
            pins,
            capture,
            role: self.engine.as_ref().and_then(|e| e.role(&instruction.name)),
        }
    }

    fn instruction(&self) -> Option<&taploom_bsdl::model::Instruction> {
        self.bsdl
            .as_ref()?
            .instructions
            .get(self.selected.instruction?)
    }

    /// Hands bits that enter the register to the configuration engine, at the moment they enter.
    fn listen(&mut self, input: &Bits) {
        if self.selected.role == Some(Role::Shift)
            && let Some(engine) = &mut self.engine
        {
            engine.take(input);
        }
    }

    /// Starts or stops the design as the configuration engine says.
    fn design_follows(&mut self, nets: &mut Nets) {
        let running = match &self.engine {
            Some(engine) => engine.running(),
            None => self.configured,
        };
        if let Some(pins) = &mut self.pins {
            pins.run(running, nets);
        }
    }
}

fn position(bsdl: &Bsdl, name: &str) -> Option<usize> {
    bsdl.instructions
        .iter()
        .position(|i| i.name.eq_ignore_ascii_case(name))
}

/// A pattern of 32 bits with its open places taken from `open`.
pub(super) fn fill(pattern: &Pattern, open: u32) -> u32 {
    (0..32).fold(0, |word, i| {
        let bit = pattern.bit(i).value().unwrap_or(open >> i & 1 == 1);
        word | u32::from(bit) << i
    })
}
