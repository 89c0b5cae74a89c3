//! Devices that look like JTAG cables and are none that this program can drive: told by what
//! their descriptors say, by their texts and their class alone.

use std::time::Duration;

use rusb::{Context, Device, UsbContext};

use super::super::{Chip, UsbError};
use super::{context, error_of, texts};

/// How long reading a text of a device may take.
const TEXT_TIME: Duration = Duration::from_millis(100);
/// The class of diagnostic devices (USB-IF class codes, from memory).
const DIAGNOSTIC: u8 = 0xdc;
/// What such a device says of itself.
const WORDS: [&str; 4] = ["jtag", "boundary scan", "boundary-scan", "debug probe"];

/// A device that is seen and cannot be driven.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Other {
    /// idVendor.
    pub vendor: u16,
    /// idProduct.
    pub product: u16,
    /// Number of the bus.
    pub bus: u8,
    /// Address on the bus.
    pub address: u8,
    /// What it says of its maker.
    pub maker: Option<String>,
    /// What it says of itself.
    pub product_text: Option<String>,
    /// Why it is listed.
    pub because: String,
}

/// The devices that look like JTAG cables without being adapters known here, by bus and address;
/// none on a host without USB.
///
/// # Errors
/// The list of devices cannot be read though there is USB.
pub fn others() -> Result<Vec<Other>, UsbError> {
    let Some(context) = context() else {
        return Ok(Vec::new());
    };
    let devices = context.devices().map_err(error_of)?;
    let mut others: Vec<Other> = devices.iter().filter_map(|d| look(&d)).collect();
    others.sort_by_key(|o| (o.bus, o.address));
    Ok(others)
}

fn look(device: &Device<Context>) -> Option<Other> {
    let descriptor = device.device_descriptor().ok()?;
    if descriptor.vendor_id() == Chip::VENDOR {
        return None;
    }
    let mut interface_texts = Vec::new();
    let mut classes = vec![descriptor.class_code()];
    let (mut maker, mut product_text) = (None, None);
    let handle = device.open().ok();
    let language = handle
        .as_ref()
        .and_then(|h| h.read_languages(TEXT_TIME).ok()?.first().copied());
    if let Ok(config) = device.active_config_descriptor() {
        for interface in config.interfaces().flat_map(|i| i.descriptors()) {
            classes.push(interface.class_code());
            if let (Some(handle), Some(language)) = (&handle, language) {
                let text = handle.read_interface_string(language, &interface, TEXT_TIME);
                interface_texts.extend(text);
            }
        }
    }
    match (&handle, language) {
        (Some(handle), Some(language)) => {
            maker = handle
                .read_manufacturer_string(language, &descriptor, TEXT_TIME)
                .ok();
            product_text = handle
                .read_product_string(language, &descriptor, TEXT_TIME)
                .ok();
        }
        _ => {
            let texts = texts::of(device);
            (maker, product_text) = (maker.or(texts.maker), product_text.or(texts.product));
        }
    }
    let said = maker.iter().chain(&product_text).chain(&interface_texts);
    let because = why(said.map(String::as_str), &classes)?;
    Some(Other {
        vendor: descriptor.vendor_id(),
        product: descriptor.product_id(),
        bus: device.bus_number(),
        address: device.address(),
        maker,
        product_text,
        because,
    })
}

/// Why a device with these texts and classes looks like a JTAG cable, if it does.
fn why<'a>(texts: impl Iterator<Item = &'a str>, classes: &[u8]) -> Option<String> {
    for text in texts {
        let lower = text.to_lowercase();
        if WORDS.iter().any(|word| lower.contains(word)) {
            return Some(format!("it calls itself \"{text}\""));
        }
    }
    classes
        .contains(&DIAGNOSTIC)
        .then(|| "it is of the class of diagnostic devices".to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cables_are_told_by_text_or_class_alone() {
        let why = |texts: &[&str], classes: &[u8]| why(texts.iter().copied(), classes);
        assert_eq!(
            why(&["Weft Works", "Weft JTAG cable"], &[0xff]),
            Some("it calls itself \"Weft JTAG cable\"".to_owned())
        );
        assert!(why(&["mouse"], &[0x03]).is_none());
        assert!(why(&[], &[0xff]).is_none(), "vendor's class says nothing");
        assert!(why(&["Boundary-Scan Pod"], &[0]).is_some());
        assert!(
            why(&["pod"], &[0, DIAGNOSTIC])
                .unwrap()
                .contains("diagnostic")
        );
    }

    #[test]
    fn listing_works_on_any_host() {
        assert!(others().is_ok());
    }
}
