//! The chip as USB sees it: control requests, OUT and IN packets, modes.

use std::collections::VecDeque;

use crate::tap::{Clocks, PortError};
use crate::transport::UsbError;

use super::engine::Engine;
use super::model::{BitBang, Model, Timing, Wiring};
use super::pins::Pins;
use super::time::{TICKS_PER_US, Ticks};

/// The two status bytes in front of every IN packet: modem lines (bit 0 always 1) and line
/// state (transmitter empty).
const STATUS: [u8; 2] = [0x31, 0x60];
/// The latency timer after power-on, in milliseconds.
const LATENCY_MS: u8 = 16;
/// The divisor after power-on in eighths: 9600 baud.
const FIRST_BAUD_EIGHTHS: u32 = 2500;

/// What the chip's channel does with its bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Mode {
    /// Serial port: bytes go out on a line and are lost here.
    Serial,
    Mpsse,
    /// Bytes to the pins; with `reads`, a reading for each (synchronous).
    BitBang {
        reads: bool,
    },
}

/// One channel of an emulated chip with its bench.
///
/// The caller keeps time: moments must not go backwards. [`EmulatedChip::run_until`] comes
/// before whatever happens at a moment.
#[derive(Debug)]
pub struct EmulatedChip<C> {
    pub(super) model: Model,
    pub(super) timing: Timing,
    pub(super) clocks: C,
    pub(super) engine: Engine,
    pub(super) pins: Pins,
    pub(super) out_fifo: VecDeque<u8>,
    pub(super) in_fifo: VecDeque<u8>,
    /// A send-immediate was executed and its packet not yet sent.
    pub(super) flush: bool,
    pub(super) tck_cycles: u64,
    pub(super) commands: u64,
    pub(super) bad_commands: u64,
    channel: u8,
    pub(super) mode: Mode,
    /// The divisor of the baud generator, in eighths.
    pub(super) baud_eighths: u32,
    latency_ms: u8,
    last_in: Ticks,
    hung: bool,
    failed: Option<PortError>,
}

impl<C: Clocks> EmulatedChip<C> {
    /// Channel `channel` (0 is A) of a chip just plugged in, its lines wired to `clocks`.
    pub fn new(model: Model, channel: u8, wiring: Wiring, timing: Timing, clocks: C) -> Self {
        let wiring = wiring.on(&model);
        EmulatedChip {
            model,
            timing,
            clocks,
            engine: Engine::new(),
            pins: Pins::new(wiring),
            out_fifo: VecDeque::new(),
            in_fifo: VecDeque::new(),
            flush: false,
            tck_cycles: 0,
            commands: 0,
            bad_commands: 0,
            channel,
            mode: Mode::Serial,
            baud_eighths: FIRST_BAUD_EIGHTHS,
            latency_ms: LATENCY_MS,
            last_in: 0,
            hung: false,
            failed: None,
        }
    }

    /// Which chip it is.
    pub fn model(&self) -> &Model {
        &self.model
    }

    /// The bench.
    pub fn clocks(&self) -> &C {
        &self.clocks
    }

    /// The bench, to be changed while nothing moves.
    pub fn clocks_mut(&mut self) -> &mut C {
        &mut self.clocks
    }

    /// Cycles of TCK since it was plugged in.
    pub fn tck_cycles(&self) -> u64 {
        self.tck_cycles
    }

    /// Commands executed since it was plugged in.
    pub fn commands(&self) -> u64 {
        self.commands
    }

    /// Commands that it did not know.
    pub fn bad_commands(&self) -> u64 {
        self.bad_commands
    }

    /// Lines that it drives, as bits: the low byte in the low bits. A channel in serial mode
    /// drives lines 0, 2 and 4.
    pub fn driven_lines(&self) -> u16 {
        match self.mode {
            Mode::Serial => 0b1_0101,
            Mode::Mpsse | Mode::BitBang { .. } => (0..16)
                .map(|pin| 1 << pin)
                .filter(|&line| self.pins.drives(line))
                .sum(),
        }
    }

    /// Whether it is in MPSSE mode.
    pub fn in_mpsse_mode(&self) -> bool {
        self.mode == Mode::Mpsse
    }

    /// Whether it is in a bit-bang mode.
    pub fn in_bit_bang_mode(&self) -> bool {
        self.bangs()
    }

    /// Does everything that is done by `at`.
    ///
    /// # Errors
    /// The bench failed; the chip stands still from then on.
    pub fn run_until(&mut self, at: Ticks) -> Result<(), PortError> {
        if let Some(failed) = &self.failed {
            return Err(failed.clone());
        }
        if self.hung {
            self.engine.at = self.engine.at.max(at);
            return Ok(());
        }
        if self.mode == Mode::Serial {
            self.out_fifo.clear();
            self.engine.at = self.engine.at.max(at);
            return Ok(());
        }
        let done = match self.mode {
            Mode::BitBang { reads } => self.bang(at, reads),
            _ => self.execute(at),
        };
        done.inspect_err(|e| self.failed = Some(e.clone()))
    }

    /// It hangs: takes, does and answers nothing more. Its lines stay as they are.
    pub fn hang(&mut self) {
        self.hung = true;
    }

    /// It has no power any more: nothing is driven.
    ///
    /// # Errors
    /// The bench failed.
    pub fn power_off(&mut self) -> Result<(), PortError> {
        self.hung = true;
        self.mode = Mode::Mpsse;
        self.out_fifo.clear();
        self.in_fifo.clear();
        self.set_pins(0xffff, 0, 0)
    }

    /// Lets the bench have all the time up to `at`.
    ///
    /// # Errors
    /// The bench failed.
    pub fn settle(&mut self, at: Ticks) -> Result<(), PortError> {
        self.run_until(at)?;
        self.pass_to(self.engine.at)
    }

    /// The next moment at which the chip will have done something that matters to USB; `None`
    /// while it waits for the host. `room` is how much room in the OUT FIFO is waited for.
    pub fn next_due(&self, room: usize) -> Option<Ticks> {
        match self.mode {
            _ if self.hung => None,
            Mode::Serial => None,
            Mode::Mpsse => self.due(room),
            Mode::BitBang { reads } => self.bang_due(room, reads),
        }
    }

    /// Whether the OUT FIFO takes a packet of so many bytes.
    pub fn has_room(&self, bytes: usize) -> bool {
        !self.hung && self.out_fifo.len() + bytes <= self.model.out_fifo
    }

    /// Takes an OUT packet.
    ///
    /// # Panics
    /// If there is no room for it: a host would have been turned away.
    pub fn take_packet(&mut self, packet: &[u8]) {
        assert!(
            self.hung || self.has_room(packet.len()),
            "no room in the OUT FIFO"
        );
        self.out_fifo.extend(packet);
    }

    /// The moment at which the latency timer makes an IN packet ready.
    pub fn latency_due(&self) -> Ticks {
        self.last_in + Ticks::from(self.latency_ms) * 1000 * TICKS_PER_US
    }

    /// Whether an IN packet is ready at `at`.
    pub fn has_packet(&self, at: Ticks) -> bool {
        !self.hung
            && (self.in_fifo.len() >= self.model.packet_bytes - 2
                || (self.flush && !self.in_fifo.is_empty())
                || at >= self.latency_due())
    }

    /// The IN packet that is ready, status bytes first. `at` is the moment at which it will
    /// have been sent.
    pub fn give_packet(&mut self, at: Ticks) -> Vec<u8> {
        let payload = self.in_fifo.len().min(self.model.packet_bytes - 2);
        let mut packet = STATUS.to_vec();
        packet.extend(self.in_fifo.drain(..payload));
        if self.in_fifo.is_empty() {
            self.flush = false;
        }
        self.last_in = at;
        packet
    }

    /// A vendor request to the chip (bmRequestType 40).
    ///
    /// # Errors
    /// [`UsbError::Stalled`] for a request that it does not know or another channel's.
    pub fn control_out(&mut self, request: u8, value: u16, index: u16) -> Result<(), UsbError> {
        self.own_channel(index)?;
        match (request, value) {
            (0x00, 0) => {
                self.out_fifo.clear();
                self.in_fifo.clear();
                self.flush = false;
                Ok(())
            }
            // Named as the chip sees them, so that 1 is what came from the host; CHECK.
            (0x00, 1) => {
                self.out_fifo.clear();
                Ok(())
            }
            (0x00, 2) => {
                self.in_fifo.clear();
                self.flush = false;
                Ok(())
            }
            (0x03, _) => {
                self.set_baud(value, index);
                Ok(())
            }
            (0x01 | 0x02 | 0x06 | 0x07, _) => Ok(()),
            (0x09, 1..=255) => {
                self.latency_ms = value as u8;
                Ok(())
            }
            (0x0b, _) => self.bit_mode(value),
            _ => Err(UsbError::Stalled),
        }
    }

    fn bit_mode(&mut self, value: u16) -> Result<(), UsbError> {
        let mode = match value >> 8 {
            0x00 => Mode::Serial,
            0x01 if self.model.bit_bang != BitBang::None => Mode::BitBang { reads: false },
            0x02 if self.channel < self.model.mpsse_channels => Mode::Mpsse,
            0x04 if self.model.bit_bang == BitBang::Both => Mode::BitBang { reads: true },
            _ => return Err(UsbError::Stalled),
        };
        if mode == self.mode {
            // A bit-bang mode asked for again takes new directions and keeps its levels.
            return match mode {
                Mode::BitBang { .. } => self.direct(value & 0xff),
                _ => Ok(()),
            };
        }
        self.mode = mode;
        self.engine = self.engine.restarted();
        self.out_fifo.clear();
        // The direction mask of the request counts for the low byte; values start low.
        let outputs = if mode == Mode::Serial {
            0
        } else {
            value & 0xff
        };
        self.pins.pull_only = 0;
        self.set_pins(0xffff, 0, outputs)
            .map_err(|e| UsbError::Other(e.to_string()))?;
        if self.bangs() {
            self.tell_rate();
        }
        Ok(())
    }

    /// New directions for the low byte.
    fn direct(&mut self, outputs: u16) -> Result<(), UsbError> {
        self.set_pins(0x00ff, self.pins.value, outputs)
            .map_err(|e| UsbError::Other(e.to_string()))
    }

    /// A vendor request that answers (bmRequestType C0).
    ///
    /// # Errors
    /// As [`EmulatedChip::control_out`].
    pub fn control_in(
        &mut self,
        request: u8,
        _value: u16,
        index: u16,
        length: u16,
    ) -> Result<Vec<u8>, UsbError> {
        let mut answer = match request {
            // Any word of an EEPROM that is blank.
            0x90 => vec![0xff, 0xff],
            _ => {
                self.own_channel(index)?;
                match request {
                    0x05 => STATUS.to_vec(),
                    0x0a => vec![self.latency_ms],
                    0x0c => {
                        let spares = self
                            .clocks
                            .sense()
                            .map_err(|e| UsbError::Other(e.to_string()))?;
                        vec![self.pins.read(spares).to_le_bytes()[0]]
                    }
                    _ => return Err(UsbError::Stalled),
                }
            }
        };
        answer.truncate(length.into());
        Ok(answer)
    }

    /// Requests name the channel, 1 for A, in the low byte of the index; chips with one channel
    /// also take 0.
    fn own_channel(&self, index: u16) -> Result<(), UsbError> {
        let named = index & 0xff;
        if named == u16::from(self.channel) + 1 || (named == 0 && self.channel == 0) {
            Ok(())
        } else {
            Err(UsbError::Stalled)
        }
    }
}
