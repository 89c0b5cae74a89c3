//! Models for the tests of loading, written apart from the simulator: the scenario's configuration engine as its README
//! tells it, and a device that remembers every bit that it was given.

use std::cell::RefCell;
use std::rc::Rc;

use taploom_bsdl::model::{Instruction, Pattern, Register, RegisterRef};
use taploom_bsdl::{Device, Span};

use crate::chain::testing::Core;

pub(super) const CODE: u32 = 0x24D0_8501;

/// Name, opcode, register and its length.
type Line<'a> = (&'a str, &'a str, Option<(&'a str, u32)>);

/// A device without a boundary register: instruction length, instructions as `NAME opcode register`.
pub(super) fn device(entity: &str, length: u32, instructions: &[Line<'_>]) -> Device {
    let mut device = Device::default();
    device.entity = entity.to_owned();
    device.instruction_length = length;
    for (name, opcode, register) in instructions {
        let access = register.map(|(register, bits)| {
            let at = device
                .registers
                .iter()
                .position(|r| r.name == register)
                .unwrap_or_else(|| {
                    let (name, span) = (register.to_owned(), Span::default());
                    device.registers.push(Register {
                        name,
                        length: Some(bits),
                        span,
                    });
                    device.registers.len() - 1
                });
            RegisterRef::Named(at as u32)
        });
        device.instructions.push(Instruction {
            name: (*name).to_owned(),
            opcodes: vec![opcode.parse::<Pattern>().unwrap()],
            private: false,
            access,
            captures: None,
            span: Span::default(),
        });
    }
    device
}

/// HEDDLE_208 as far as loading goes (10-bit instructions, from its BSDL).
pub(super) fn heddle() -> Device {
    device(
        "HEDDLE_208",
        10,
        &[
            ("BYPASS", "1111111111", None),
            ("HIGHZ", "0000001011", None),
            ("CFG_OPEN", "1000010001", None),
            ("CFG_SHIFT", "1000010010", Some(("CFG_DATA", 16))),
            ("CFG_STATUS", "1000010011", Some(("CFG_STAT", 16))),
            ("CFG_START", "1000010100", None),
            ("CFG_CLOSE", "1000010111", None),
        ],
    )
}

/// CRC-16, polynomial 0x1021, start 0xFFFF, most significant bit first.
pub(super) fn crc(bytes: &[u8]) -> u16 {
    bytes.iter().fold(0xFFFF, |crc, byte| {
        (0..8).rev().fold(crc, |crc, bit| {
            let top = (crc >> 15 ^ u16::from(*byte) >> bit) & 1;
            (crc << 1) ^ (top * 0x1021)
        })
    })
}

/// An image in the scenario's format.
pub(super) fn image(entity: &str, code: u32, payload: &[u8]) -> Vec<u8> {
    let mut text = format!("{entity} trial").into_bytes();
    text.resize(32, 0);
    let mut body = text;
    body.extend((code & 0x0FFF_FFFF).to_be_bytes());
    body.extend((payload.len() as u32).to_be_bytes());
    body.extend(payload);
    let crc = crc(&body);
    let mut image = vec![0xFF; 16];
    image.extend([0xC9, 0x5A, 0x36, 0xE1]);
    image.extend(body);
    image.extend(crc.to_be_bytes());
    image.extend([0xFF; 8]);
    image
}

/// What an engine has seen and is.
#[derive(Default, Debug)]
pub(super) struct EngineState {
    pub(super) open: bool,
    pub(super) ready: bool,
    pub(super) synced: bool,
    pub(super) loaded: bool,
    pub(super) done: bool,
    pub(super) errors: u16,
    pub(super) payload: Vec<u8>,
    idle: u32,
    window: u32,
    bits: u32,
    bytes: Vec<u8>,
    ended: bool,
    /// Never becomes ready.
    pub(super) lame: bool,
    /// Every status word reads as this.
    pub(super) stuck: Option<u16>,
}

/// The configuration engine of HEDDLE_208.
#[derive(Clone, Default)]
pub(super) struct Engine(pub(super) Rc<RefCell<EngineState>>);

const OPEN: u64 = 0b1000010001;
const SHIFT: u64 = 0b1000010010;
const STATUS: u64 = 0b1000010011;
const START: u64 = 0b1000010100;
const CLOSE: u64 = 0b1000010111;

impl EngineState {
    fn word(&self) -> u16 {
        let bit = |set: bool, at: u32| u16::from(set) << at;
        let state = bit(self.open, 0)
            | bit(self.ready, 1)
            | bit(self.synced, 2)
            | bit(self.loaded, 3)
            | bit(self.done, 4);
        self.stuck.unwrap_or(state | self.errors | 0x5000)
    }

    fn take(&mut self, bit: bool) {
        if !self.open || !self.ready {
            self.errors |= 1 << 11;
            return;
        }
        if self.ended {
            return;
        }
        if !self.synced {
            self.window = self.window << 1 | u32::from(bit);
            self.synced = self.window == 0xC95A_36E1;
            return;
        }
        self.window = self.window << 1 | u32::from(bit);
        self.bits += 1;
        if !self.bits.is_multiple_of(8) {
            return;
        }
        self.bytes.push(self.window as u8);
        let bytes = &self.bytes;
        let number = |at: usize| u32::from_be_bytes(bytes[at..at + 4].try_into().unwrap());
        let n = bytes.len();
        if n == 36 && number(32) != CODE & 0x0FFF_FFFF {
            (self.errors, self.ended) = (self.errors | 1 << 9, true);
        } else if n == 40 && !(1..=1 << 20).contains(&number(36)) {
            (self.errors, self.ended) = (self.errors | 1 << 10, true);
        } else if n > 40 && n == 40 + number(36) as usize + 2 {
            self.ended = true;
            if crc(&bytes[..n - 2]).to_be_bytes() == bytes[n - 2..] {
                self.loaded = true;
                self.payload = bytes[40..n - 2].to_vec();
            } else {
                self.errors |= 1 << 8;
            }
        }
    }
}

impl Core for Engine {
    fn register(&self, ir: u64) -> Option<usize> {
        matches!(ir, SHIFT | STATUS).then_some(16)
    }

    fn capture(&mut self, ir: u64) -> Vec<bool> {
        let word = if ir == STATUS {
            self.0.borrow().word()
        } else {
            0
        };
        (0..16).map(|i| word >> i & 1 == 1).collect()
    }

    fn shifted(&mut self, ir: u64, bit: bool) {
        if ir == SHIFT {
            self.0.borrow_mut().take(bit);
        }
    }

    fn instructed(&mut self, ir: u64) {
        let mut s = self.0.borrow_mut();
        s.idle = 0;
        match ir {
            OPEN => {
                let (lame, stuck) = (s.lame, s.stuck);
                *s = EngineState {
                    open: true,
                    lame,
                    stuck,
                    ..EngineState::default()
                };
            }
            START if !(s.open && s.loaded && s.errors == 0) => s.errors |= 1 << 11,
            CLOSE => {
                s.open = false;
                if !s.done {
                    (s.ready, s.loaded) = (false, false);
                    s.payload.clear();
                }
            }
            _ => {}
        }
    }

    fn idle(&mut self, ir: u64) {
        let mut s = self.0.borrow_mut();
        s.idle += 1;
        match ir {
            OPEN if s.idle >= 512 && !s.lame => s.ready = true,
            START if s.idle >= 48 && s.loaded && s.errors == 0 => s.done = true,
            _ => {}
        }
    }

    fn ir_capture(&self, bits: &mut [bool]) {
        let s = self.0.borrow();
        (bits[4], bits[5]) = (s.done, s.ready);
    }
}

/// A device with one register of some length that is written by instruction 0b0011 and remembers all: the bits that entered,
/// the contents at Update-DR, the clocks in Run-Test/Idle.
#[derive(Clone, Default)]
pub(super) struct Sink {
    pub(super) length: usize,
    pub(super) log: Rc<RefCell<SinkLog>>,
}

#[derive(Default)]
pub(super) struct SinkLog {
    pub(super) entered: Vec<bool>,
    pub(super) updated: Vec<Vec<bool>>,
    pub(super) idle: u64,
    /// What the register captures; zeros if shorter.
    pub(super) holds: Vec<bool>,
}

impl Core for Sink {
    fn register(&self, ir: u64) -> Option<usize> {
        (ir == 0b0011).then_some(self.length)
    }

    fn capture(&mut self, _ir: u64) -> Vec<bool> {
        let mut bits = self.log.borrow().holds.clone();
        bits.resize(self.length, false);
        bits
    }

    fn shifted(&mut self, _ir: u64, bit: bool) {
        self.log.borrow_mut().entered.push(bit);
    }

    fn updated(&mut self, _ir: u64, register: &[bool]) {
        self.log.borrow_mut().updated.push(register.to_vec());
    }

    fn idle(&mut self, ir: u64) {
        self.log.borrow_mut().idle += u64::from(ir == 0b0011);
    }
}

/// The device around a [`Sink`].
pub(super) fn sink_device(length: u32) -> Device {
    device(
        "SINK",
        4,
        &[
            ("BYPASS", "1111", None),
            ("WRITE", "0011", Some(("DATA", length))),
        ],
    )
}
