//! An emulated adapter chip as a USB device, all its channels.

use std::time::Duration;

use taploom::bits::Bits;
use taploom::simulator::adapter::{EmulatedChip, Model, TICKS_PER_US, Ticks, Timing, Wiring};
use taploom::tap::{Clocks, Level, Line, PortError};
use taploom::transport::{Chip, UsbError};

use super::{Descriptors, Device, Reply, Setup, Speed, Standing};

/// An emulated adapter chip: one channel with a bench, the others with nothing on their lines.
pub struct Adapter {
    descriptors: Descriptors,
    channels: Vec<EmulatedChip<Box<dyn Clocks + Send>>>,
    plugged: bool,
    taken: u64,
    failed: Option<PortError>,
}

/// Lines that go nowhere: TDO reads 1.
pub struct Nothing;

impl Clocks for Nothing {
    fn clock(&mut self, tms: &Bits, _tdi: &Bits) -> Result<Bits, PortError> {
        Ok(Bits::ones(tms.len()))
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

impl Adapter {
    /// A chip just plugged in, with `clocks` on channel `channel` (0 is A).
    ///
    /// # Panics
    /// If the chip is not known, or has no such channel.
    pub fn new(model: &Model, channel: u8, clocks: Box<dyn Clocks + Send>) -> Adapter {
        let chip = Chip::of_release(model.release).expect("a chip that the driver knows");
        assert!(channel < chip.channels, "the chip has no such channel");
        let mut clocks = Some(clocks);
        let channels = (0..chip.channels)
            .map(|k| {
                let clocks: Box<dyn Clocks + Send> = if k == channel {
                    clocks.take().expect("one channel has the bench")
                } else {
                    Box::new(Nothing)
                };
                EmulatedChip::new(
                    model.clone(),
                    k,
                    Wiring::plain(model, k),
                    Timing::default(),
                    clocks,
                )
            })
            .collect();
        Adapter {
            descriptors: Descriptors {
                speed: if model.packet_bytes > 64 {
                    Speed::High
                } else {
                    Speed::Full
                },
                vendor: Chip::VENDOR,
                product: model.product,
                release: model.release,
                interfaces: chip.channels,
                maker: "Taploom laboratory".to_owned(),
                text: format!("emulated {}", model.name),
                serial: model.serial.clone(),
            },
            channels,
            plugged: true,
            taken: 0,
            failed: None,
        }
    }

    /// The chip's supply drops for a moment: every channel is as after power-on.
    pub fn glitch(&mut self) {
        for (k, chip) in self.channels.iter_mut().enumerate() {
            let index = k as u16 + 1;
            // Mode off, everything reset, latency timer as after power-on.
            for (request, value) in [(0x0b, 0), (0x00, 0), (0x09, 16)] {
                if let Err(e) = chip.control_out(request, value, index) {
                    panic!("the chip refuses its own reset: {e}");
                }
            }
        }
    }

    /// Brings the channel behind an endpoint up to `now`.
    fn at(
        &mut self,
        now: Duration,
        endpoint: u8,
    ) -> Option<(&mut EmulatedChip<Box<dyn Clocks + Send>>, Ticks)> {
        let k = self.descriptors.interface_of(endpoint)?;
        let ticks = ticks(now);
        let chip = &mut self.channels[usize::from(k)];
        if let Err(e) = chip.run_until(ticks) {
            self.failed.get_or_insert(e);
        }
        Some((chip, ticks))
    }
}

/// Time since the plug went in, on the chip's clock.
fn ticks(now: Duration) -> Ticks {
    (now.as_nanos() * u128::from(TICKS_PER_US) / 1000) as Ticks
}

fn duration(ticks: Ticks) -> Duration {
    // Rounded up, so that what is due is due.
    Duration::from_nanos((u128::from(ticks) * 1000).div_ceil(u128::from(TICKS_PER_US)) as u64)
}

impl Device for Adapter {
    fn descriptors(&self) -> &Descriptors {
        &self.descriptors
    }

    fn control(&mut self, now: Duration, setup: Setup, _data: &[u8]) -> Reply<Vec<u8>> {
        if !self.plugged {
            return Reply::Silent;
        }
        if !setup.is_vendor() {
            return self.descriptors.standard(setup);
        }
        // The low byte of the index names the channel, 1 for A; a word of the EEPROM belongs to none.
        let named = usize::from(setup.index & 0xff).max(1) - 1;
        let k = if setup.request == 0x90 { 0 } else { named };
        if k >= self.channels.len() {
            return Reply::Stalled;
        }
        let Some((chip, _)) = self.at(now, Descriptors::endpoint_in(k as u8)) else {
            return Reply::Stalled;
        };
        let answer = if setup.to_host() {
            chip.control_in(setup.request, setup.value, setup.index, setup.length)
        } else {
            chip.control_out(setup.request, setup.value, setup.index)
                .map(|()| Vec::new())
        };
        match answer {
            Ok(data) => Reply::Done(data),
            Err(UsbError::Stalled) => Reply::Stalled,
            Err(_) => Reply::Silent,
        }
    }

    fn take(&mut self, now: Duration, endpoint: u8, packet: &[u8]) -> Reply<()> {
        if !self.plugged {
            return Reply::Silent;
        }
        let Some((chip, ticks)) = self.at(now, endpoint) else {
            return Reply::Stalled;
        };
        if !chip.has_room(packet.len()) {
            return Reply::Later;
        }
        chip.take_packet(packet);
        let done = chip.run_until(ticks);
        self.taken += packet.len() as u64;
        if let Err(e) = done {
            self.failed.get_or_insert(e);
        }
        Reply::Done(())
    }

    fn give(&mut self, now: Duration, endpoint: u8) -> Reply<Vec<u8>> {
        if !self.plugged {
            return Reply::Silent;
        }
        let Some((chip, ticks)) = self.at(now, endpoint) else {
            return Reply::Stalled;
        };
        if chip.has_packet(ticks) {
            Reply::Done(chip.give_packet(ticks))
        } else {
            Reply::Later
        }
    }

    fn due(&self, endpoint: u8, bytes: usize) -> Option<Duration> {
        let k = self.descriptors.interface_of(endpoint)?;
        let chip = &self.channels[usize::from(k)];
        let latency = (endpoint & 0x80 != 0).then(|| chip.latency_due());
        let due = [chip.next_due(bytes), latency].into_iter().flatten().min();
        due.map(duration)
    }

    fn standing(&mut self, now: Duration) -> Standing {
        for k in 0..self.descriptors.interfaces {
            self.at(now, Descriptors::endpoint_in(k));
        }
        Standing {
            driven: self
                .channels
                .iter()
                .map(EmulatedChip::driven_lines)
                .collect(),
            taken: self.taken,
            fault_pending: false,
            failed: self.failed.as_ref().map(ToString::to_string),
        }
    }

    fn unplug(&mut self, now: Duration) {
        self.plugged = false;
        let ticks = ticks(now);
        for chip in &mut self.channels {
            let off = chip.run_until(ticks).and_then(|()| chip.power_off());
            if let Err(e) = off {
                self.failed.get_or_insert(e);
            }
        }
    }

    fn is_plugged(&self) -> bool {
        self.plugged
    }
}
