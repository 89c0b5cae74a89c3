//! Descriptors of a device with one configuration, and the standard requests that only need them.
//!
//! Layouts: USB 2.0 chapter 9 (device 18 bytes, configuration 9, interface 9, endpoint 7, strings UTF-16), from memory.

use super::{Reply, Setup};

/// How fast a device talks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Speed {
    /// 12 Mbit/s, bulk packets of 64 bytes.
    Full,
    /// 480 Mbit/s, bulk packets of 512 bytes.
    High,
}

impl Speed {
    /// Megabits a second, as the system writes it.
    pub fn megabits(self) -> u16 {
        match self {
            Speed::Full => 12,
            Speed::High => 480,
        }
    }

    /// The largest bulk packet.
    pub fn packet_bytes(self) -> usize {
        match self {
            Speed::Full => 64,
            Speed::High => 512,
        }
    }
}

/// What a device says of itself: one configuration; each interface has one bulk endpoint each way, IN 81 + 2k and
/// OUT 02 + 2k for interface k.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Descriptors {
    /// How fast it is.
    pub speed: Speed,
    /// idVendor.
    pub vendor: u16,
    /// idProduct.
    pub product: u16,
    /// bcdDevice.
    pub release: u16,
    /// Interfaces, all of the vendor's own class.
    pub interfaces: u8,
    /// Who made it.
    pub maker: String,
    /// What it is.
    pub text: String,
    /// Its serial number.
    pub serial: String,
}

const VALUE: u8 = 1;
const BULK: u8 = 2;
const OWN_CLASS: u8 = 0xff;

impl Descriptors {
    /// The IN endpoint of an interface.
    pub fn endpoint_in(interface: u8) -> u8 {
        0x81 + 2 * interface
    }

    /// The OUT endpoint of an interface.
    pub fn endpoint_out(interface: u8) -> u8 {
        0x02 + 2 * interface
    }

    /// The interface of an endpoint, if the device has it.
    pub fn interface_of(&self, endpoint: u8) -> Option<u8> {
        (0..self.interfaces)
            .find(|&k| endpoint == Self::endpoint_in(k) || endpoint == Self::endpoint_out(k))
    }

    /// The device descriptor.
    pub fn device(&self) -> Vec<u8> {
        let mut d = vec![18, 1, 0x00, 0x02, 0, 0, 0, 64];
        for word in [self.vendor, self.product, self.release] {
            d.extend(word.to_le_bytes());
        }
        d.extend([1, 2, 3, 1]);
        d
    }

    /// The configuration with its interfaces and endpoints.
    pub fn configuration(&self) -> Vec<u8> {
        let mut d = vec![9, 2, 0, 0, self.interfaces, VALUE, 0, 0x80, 250];
        for k in 0..self.interfaces {
            d.extend([9, 4, k, 0, 2, OWN_CLASS, OWN_CLASS, OWN_CLASS, 2]);
            for address in [Self::endpoint_in(k), Self::endpoint_out(k)] {
                let packet = self.speed.packet_bytes() as u16;
                d.extend([7, 5, address, BULK]);
                d.extend(packet.to_le_bytes());
                d.push(0);
            }
        }
        let total = (d.len() as u16).to_le_bytes();
        d[2..4].copy_from_slice(&total);
        d
    }

    /// Device descriptor and configuration, as the system keeps them.
    pub fn all(&self) -> Vec<u8> {
        [self.device(), self.configuration()].concat()
    }

    fn string(&self, number: u8) -> Option<Vec<u8>> {
        let text = match number {
            // The languages: English (United States) alone.
            0 => return Some(vec![4, 3, 0x09, 0x04]),
            1 => &self.maker,
            2 => &self.text,
            3 => &self.serial,
            _ => return None,
        };
        let mut d = vec![0, 3];
        d.extend(text.encode_utf16().take(126).flat_map(u16::to_le_bytes));
        d[0] = d.len() as u8;
        Some(d)
    }

    /// The answer to a standard request.
    pub fn standard(&self, setup: Setup) -> Reply<Vec<u8>> {
        let mut answer = match (setup.kind, setup.request) {
            // Status of device, interface, endpoint: nothing special.
            (0x80..=0x82, 0x00) => vec![0, 0],
            // Clear or set a feature, address, configuration, interface: taken.
            (0x00..=0x02, 0x01 | 0x03) | (0x00, 0x05 | 0x09) | (0x01, 0x0b) => vec![],
            (0x80, 0x06) => {
                let found = match setup.value >> 8 {
                    1 => Some(self.device()),
                    2 if setup.value & 0xff == 0 => Some(self.configuration()),
                    3 => self.string(setup.value as u8),
                    _ => None,
                };
                match found {
                    Some(d) => d,
                    None => return Reply::Stalled,
                }
            }
            (0x80, 0x08) => vec![VALUE],
            (0x81, 0x0a) => vec![0],
            _ => return Reply::Stalled,
        };
        answer.truncate(setup.length.into());
        Reply::Done(answer)
    }
}
