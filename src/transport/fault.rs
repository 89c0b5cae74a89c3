//! A USB device that misbehaves on purpose, for tests of everything above it.

use std::time::Duration;

use super::{Usb, UsbCounts, UsbError};

/// What goes wrong, once.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fault {
    /// The plug is pulled when the device has taken so many bytes of bulk data.
    Unplug {
        /// Bytes taken before.
        after: u64,
    },
    /// The device takes no byte after so many.
    Stall {
        /// Bytes taken before.
        after: u64,
    },
    /// The IN packet of this number is lost, counting from 0 those that carry data.
    Lose {
        /// Its number.
        packet: u64,
    },
    /// The IN packet of this number comes twice.
    Double {
        /// Its number.
        packet: u64,
    },
    /// Every bit of this answer byte is wrong, counting from 0, status bytes apart.
    Corrupt {
        /// Its number.
        byte: u64,
    },
    /// The host reads nothing while it writes, only when it waits for an answer.
    Deaf,
}

/// A [`Usb`] with a fault on it.
#[derive(Debug)]
pub struct Faulty<U> {
    usb: U,
    fault: Option<Fault>,
    written: u64,
    packets: u64,
    bytes: u64,
    gone: bool,
    listening: Option<(usize, usize)>,
}

impl<U: Usb> Faulty<U> {
    /// `usb` with `fault`; with none it behaves.
    pub fn new(usb: U, fault: Option<Fault>) -> Faulty<U> {
        Faulty {
            usb,
            fault,
            written: 0,
            packets: 0,
            bytes: 0,
            gone: false,
            listening: None,
        }
    }

    /// The device below.
    pub fn usb(&self) -> &U {
        &self.usb
    }

    fn alive(&self) -> Result<(), UsbError> {
        if self.gone {
            Err(UsbError::Gone)
        } else {
            Ok(())
        }
    }

    /// The packets of one finished request after the fault.
    fn tamper(&mut self, request: &[u8]) -> Vec<u8> {
        let mut out = Vec::with_capacity(request.len());
        for packet in request.chunks(self.usb.packet_bytes()) {
            let data = packet.len().saturating_sub(2) as u64;
            if data == 0 {
                out.extend_from_slice(packet);
                continue;
            }
            let (number, first) = (self.packets, self.bytes);
            self.packets += 1;
            self.bytes += data;
            match self.fault {
                // Its status bytes alone would end a packet early, so it is gone altogether.
                Some(Fault::Lose { packet }) if packet == number => {}
                Some(Fault::Double { packet: which }) if which == number => {
                    out.extend_from_slice(packet);
                    out.extend_from_slice(packet);
                }
                Some(Fault::Corrupt { byte }) if (first..first + data).contains(&byte) => {
                    let mut packet = packet.to_vec();
                    packet[2 + (byte - first) as usize] ^= 0xff;
                    out.extend(packet);
                }
                _ => out.extend_from_slice(packet),
            }
        }
        out
    }
}

impl<U: Usb> Usb for Faulty<U> {
    fn control_out(&mut self, request: u8, value: u16, index: u16) -> Result<(), UsbError> {
        self.alive()?;
        self.usb.control_out(request, value, index)
    }

    fn control_in(
        &mut self,
        request: u8,
        value: u16,
        index: u16,
        length: u16,
    ) -> Result<Vec<u8>, UsbError> {
        self.alive()?;
        self.usb.control_in(request, value, index, length)
    }

    fn listen(&mut self, request_bytes: usize, depth: usize) -> Result<(), UsbError> {
        self.alive()?;
        self.listening = Some((request_bytes, depth));
        self.usb.listen(request_bytes, depth)
    }

    fn write(&mut self, mut data: Vec<u8>, timeout: Duration) -> Result<(), UsbError> {
        self.alive()?;
        let before = self.written;
        self.written += data.len() as u64;
        let cut = match self.fault {
            Some(Fault::Unplug { after } | Fault::Stall { after }) if self.written > after => {
                after.saturating_sub(before) as usize
            }
            Some(Fault::Deaf) => {
                let (bytes, _) = self.listening.unwrap_or((self.usb.packet_bytes(), 0));
                self.usb.listen(bytes, 0)?;
                return self.usb.write(data, timeout);
            }
            _ => return self.usb.write(data, timeout),
        };
        data.truncate(cut);
        self.usb.write(data, timeout)?;
        // What was taken before runs on for a moment.
        self.usb.pause(Duration::from_millis(10).min(timeout));
        if let Some(Fault::Unplug { .. }) = self.fault {
            self.gone = true;
            return Err(UsbError::Gone);
        }
        self.usb.pause(timeout);
        Err(UsbError::TimedOut { done: cut })
    }

    fn read(&mut self, timeout: Duration) -> Result<Vec<u8>, UsbError> {
        self.alive()?;
        if let (Some(Fault::Deaf), Some((bytes, depth))) = (self.fault, self.listening) {
            self.usb.listen(bytes, depth)?;
        }
        let request = self.usb.read(timeout)?;
        Ok(self.tamper(&request))
    }

    fn restart(&mut self) -> Result<(), UsbError> {
        self.alive()?;
        self.usb.restart()
    }

    fn pause(&mut self, time: Duration) {
        self.usb.pause(time);
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
