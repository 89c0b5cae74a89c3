//! What is plugged in, and which of it is meant.

use std::time::Duration;

use rusb::UsbContext;

use super::super::{Chip, UsbError};
use super::device::LibUsb;
use super::{context, error_of, texts};
use crate::tap::PortError;

/// How long reading a text of a device may take.
const TEXT_TIME: Duration = Duration::from_millis(100);

/// A USB device of the maker of these chips.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Adapter {
    /// idProduct.
    pub product: u16,
    /// bcdDevice, which tells the chip.
    pub release: u16,
    /// The chip, if it is known.
    pub chip: Option<&'static Chip>,
    /// Number of the bus.
    pub bus: u8,
    /// Address on the bus.
    pub address: u8,
    /// Bits a second of the connection, 0 if unknown: 12 000 000 is full speed, 480 000 000
    /// high speed.
    pub speed: u64,
    /// What the device says of its maker, its product and its serial number; nothing if it
    /// cannot be opened, or says nothing.
    pub maker: Option<String>,
    /// See [`Adapter::maker`].
    pub product_text: Option<String>,
    /// See [`Adapter::maker`].
    pub serial: Option<String>,
    /// Why it cannot be opened, if so; busy if another program has one of its channels.
    pub refused: Option<UsbError>,
    /// The channels, 0 for A, that a driver of the system holds: it is detached when the channel
    /// is claimed.
    pub driver_on: Vec<u8>,
}

impl Adapter {
    /// How it is called in messages.
    pub fn name(&self) -> String {
        let chip = self.chip.map_or("unknown chip", |c| c.name);
        match &self.serial {
            Some(serial) => format!("{chip} {serial}"),
            None => format!("{chip} at {}:{}", self.bus, self.address),
        }
    }
}

/// Whether this host has USB that this program may see.
pub fn has_usb() -> bool {
    context().is_some()
}

/// The adapters that are plugged in, in the order of bus and address; none on a host without
/// USB.
///
/// # Errors
/// The list of devices cannot be read though there is USB.
pub fn adapters() -> Result<Vec<Adapter>, UsbError> {
    list(true)
}

/// As [`adapters`]; with `claims`, whether another program holds an adapter is found out by
/// claiming its channels for a moment.
fn list(claims: bool) -> Result<Vec<Adapter>, UsbError> {
    let Some(context) = context() else {
        return Ok(Vec::new());
    };
    let mut adapters: Vec<Adapter> = context
        .devices()
        .map_err(error_of)?
        .iter()
        .filter_map(|device| look(&device, claims))
        .collect();
    adapters.sort_by_key(|a| (a.bus, a.address));
    Ok(adapters)
}

/// The adapter that a device is, if it is one.
fn look(device: &rusb::Device<rusb::Context>, claims: bool) -> Option<Adapter> {
    let descriptor = device.device_descriptor().ok()?;
    if descriptor.vendor_id() != Chip::VENDOR {
        return None;
    }
    let release = release_of(descriptor.device_version());
    let mut adapter = Adapter {
        product: descriptor.product_id(),
        release,
        chip: Chip::of_release(release),
        bus: device.bus_number(),
        address: device.address(),
        speed: match device.speed() {
            rusb::Speed::Low => 1_500_000,
            rusb::Speed::Full => 12_000_000,
            rusb::Speed::High => 480_000_000,
            rusb::Speed::Super => 5_000_000_000,
            rusb::Speed::SuperPlus => 10_000_000_000,
            _ => 0,
        },
        maker: None,
        product_text: None,
        serial: None,
        refused: None,
        driver_on: Vec::new(),
    };
    match device.open() {
        Ok(handle) => {
            let language = handle
                .read_languages(TEXT_TIME)
                .ok()
                .and_then(|all| all.first().copied());
            if let Some(language) = language {
                adapter.maker = handle
                    .read_manufacturer_string(language, &descriptor, TEXT_TIME)
                    .ok();
                adapter.product_text = handle
                    .read_product_string(language, &descriptor, TEXT_TIME)
                    .ok();
                adapter.serial = handle
                    .read_serial_number_string(language, &descriptor, TEXT_TIME)
                    .ok();
            }
            let channels = 0..adapter.chip.map_or(0, |c| c.channels);
            let (driven, others): (Vec<u8>, Vec<u8>) =
                channels.partition(|&k| handle.kernel_driver_active(k).unwrap_or(false));
            adapter.driver_on = driven;
            if claims && !others.is_empty() && others.iter().all(|&k| is_claimed(&handle, k)) {
                adapter.refused = Some(UsbError::Busy);
            }
        }
        Err(e) => {
            adapter.refused = Some(error_of(e));
            let texts = texts::of(device);
            adapter.maker = texts.maker;
            adapter.product_text = texts.product;
            adapter.serial = texts.serial;
        }
    }
    Some(adapter)
}

/// Whether another program holds a channel that no kernel's driver is on.
fn is_claimed(handle: &rusb::DeviceHandle<rusb::Context>, channel: u8) -> bool {
    let claimed = handle.claim_interface(channel);
    if claimed.is_ok() {
        // The handle is closed next, which lets go as well.
        let _ = handle.release_interface(channel);
    }
    claimed == Err(rusb::Error::Busy)
}

/// bcdDevice from its decimal digits.
fn release_of(version: rusb::Version) -> u16 {
    let major = u16::from(version.major());
    ((major / 10) << 12)
        | ((major % 10) << 8)
        | (u16::from(version.minor()) << 4)
        | u16::from(version.sub_minor())
}

/// Which adapter and which of its channels: `SERIAL` or `BUS:ADDRESS`, each with `/A` to `/D`
/// behind it where the channel is not A; or `/B` alone.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Selector {
    which: Which,
    channel: Option<u8>,
}

#[derive(Debug, Clone, PartialEq, Eq, Default)]
enum Which {
    #[default]
    Any,
    Serial(String),
    Place(u8, u8),
}

impl Selector {
    /// Reads what the user gave.
    pub fn new(text: &str) -> Selector {
        let (which, channel) = match text.rsplit_once('/') {
            Some((which, letter)) if matches!(letter, "A" | "B" | "C" | "D") => {
                (which, Some(letter.as_bytes()[0] - b'A'))
            }
            _ => (text, None),
        };
        let place = which
            .split_once(':')
            .and_then(|(bus, address)| Some((bus.parse().ok()?, address.parse().ok()?)));
        let which = match place {
            Some((bus, address)) => Which::Place(bus, address),
            None if which.is_empty() => Which::Any,
            None => Which::Serial(which.to_owned()),
        };
        Selector { which, channel }
    }

    /// The channel, 0 for A, if one is named.
    pub fn channel(&self) -> Option<u8> {
        self.channel
    }

    fn fits(&self, adapter: &Adapter) -> bool {
        match &self.which {
            // A chip that nothing can be done with is not meant unless it is named.
            Which::Any => adapter.chip.is_some_and(Chip::can_be_driven),
            Which::Serial(serial) => adapter.serial.as_ref() == Some(serial),
            Which::Place(bus, address) => (*bus, *address) == (adapter.bus, adapter.address),
        }
    }

    /// The one adapter that is meant.
    fn choose<'a>(&self, adapters: &'a [Adapter]) -> Result<&'a Adapter, PortError> {
        let fitting: Vec<&Adapter> = adapters.iter().filter(|a| self.fits(a)).collect();
        match fitting[..] {
            [one] => Ok(one),
            [] => Err(PortError::NotFound { what: self.named() }),
            [..] => Err(PortError::Other {
                what: self.named(),
                said: format!(
                    "{} fit: {}; name one by its serial number or by BUS:ADDRESS",
                    fitting.len(),
                    fitting
                        .iter()
                        .map(|a| format!("{} ({}:{})", a.name(), a.bus, a.address))
                        .collect::<Vec<_>>()
                        .join(", ")
                ),
            }),
        }
    }

    fn named(&self) -> String {
        match &self.which {
            Which::Any => "a USB adapter that can be driven".to_owned(),
            Which::Serial(serial) => format!("a USB adapter with serial number {serial}"),
            Which::Place(bus, address) => format!("a USB adapter at {bus}:{address}"),
        }
    }
}

/// Opens the adapter that is meant and claims one of its channels, 0 for A. With `reattach`, a
/// driver of the system that had it gets it back when it is dropped.
///
/// # Errors
/// [`PortError::NotFound`]: nothing fits, as on a host without USB; [`PortError::NotAllowed`],
/// [`PortError::Busy`]: it is there and cannot be had; [`PortError::Other`]: several fit.
pub fn open(selector: &Selector, channel: u8, reattach: bool) -> Result<LibUsb, PortError> {
    let failed = |e: UsbError, what: &str| e.of(what, "open", 0, TEXT_TIME);
    let all = list(false).map_err(|e| failed(e, "the list of USB devices"))?;
    let adapter = selector.choose(&all)?;
    let name = adapter.name();
    let context = context().ok_or_else(|| failed(UsbError::Gone, &name))?;
    let devices = context.devices().map_err(|e| failed(error_of(e), &name))?;
    let device = devices
        .iter()
        .find(|d| (d.bus_number(), d.address()) == (adapter.bus, adapter.address))
        .ok_or_else(|| failed(UsbError::Gone, &name))?;
    LibUsb::claim(&device, adapter, channel, reattach).map_err(|e| failed(e, &name))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn adapter(release: u16, address: u8, serial: Option<&str>) -> Adapter {
        Adapter {
            product: 0x6010,
            release,
            chip: Chip::of_release(release),
            bus: 1,
            address,
            speed: 480_000_000,
            maker: None,
            product_text: None,
            serial: serial.map(str::to_owned),
            refused: None,
            driver_on: Vec::new(),
        }
    }

    #[test]
    fn listing_works_on_any_host() {
        // On a host without USB: an empty list, no error.
        let all = adapters().unwrap();
        if all.is_empty() {
            assert!(matches!(
                open(&Selector::default(), 0, false),
                Err(PortError::NotFound { .. })
            ));
        }
    }

    #[test]
    fn selectors_choose() {
        let all = [
            adapter(0x0700, 4, Some("W7")),
            adapter(0x0500, 5, Some("W8")),
            adapter(0x0400, 6, None),
        ];
        let address = |text: &str| {
            Selector::new(text)
                .choose(&all)
                .map(|a| a.address)
                .map_err(|e| e.to_string())
        };
        assert_eq!(address("W8"), Ok(5));
        assert_eq!(address("1:4"), Ok(4));
        assert_eq!(
            address("1:6"),
            Ok(6),
            "by its place even one that cannot be driven"
        );
        assert!(
            address("W9")
                .unwrap_err()
                .contains("serial number W9 was not found")
        );
        let many = address("").unwrap_err();
        assert!(
            many.contains("2 fit: FT2232H W7 (1:4), FT2232C W8 (1:5)"),
            "{many}"
        );
        assert_eq!(
            Selector::default().choose(&all[1..]).unwrap().address,
            5,
            "the only one that can be driven"
        );
        assert_eq!(Selector::new("W8/B").channel(), Some(1));
        assert_eq!(Selector::new("/D").channel(), Some(3));
        assert_eq!(Selector::new("W/8").channel(), None);
    }

    #[test]
    fn release_numbers_come_back_from_their_digits() {
        for release in [0x0200, 0x0500, 0x0700, 0x1000, 0x2800, 0x3600] {
            let version = rusb::Version::from_bcd(release);
            assert_eq!(release_of(version), release);
        }
    }
}
