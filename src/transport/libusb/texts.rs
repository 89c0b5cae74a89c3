//! What a device says of itself, as the system has read it: for devices that may not be opened.

use std::path::Path;

use rusb::{Context, Device};

/// Maker, product and serial number.
#[derive(Debug, Default)]
pub(super) struct Texts {
    pub(super) maker: Option<String>,
    pub(super) product: Option<String>,
    pub(super) serial: Option<String>,
}

/// The texts that Linux keeps in sysfs; none elsewhere.
pub(super) fn of(device: &Device<Context>) -> Texts {
    let place = (device.bus_number(), device.address());
    found_in(Path::new("/sys/bus/usb/devices"), place).unwrap_or_default()
}

fn found_in(folder: &Path, place: (u8, u8)) -> Option<Texts> {
    for entry in std::fs::read_dir(folder).ok()?.flatten() {
        let text = |name: &str| -> Option<String> {
            let text = std::fs::read_to_string(entry.path().join(name)).ok()?;
            Some(text.trim().to_owned()).filter(|t| !t.is_empty())
        };
        let number = |name: &str| text(name).and_then(|t| t.parse::<u8>().ok());
        if (number("busnum"), number("devnum")) == (Some(place.0), Some(place.1)) {
            return Some(Texts {
                maker: text("manufacturer"),
                product: text("product"),
                serial: text("serial"),
            });
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn texts_are_found_by_bus_and_address() {
        let folder = std::env::temp_dir().join(format!("taploom-texts-{}", std::process::id()));
        for (name, address, product) in [("1-1", "4\n", "loom cable\n"), ("1-2", "5\n", "\n")] {
            let device = folder.join(name);
            std::fs::create_dir_all(&device).unwrap();
            std::fs::write(device.join("busnum"), "1\n").unwrap();
            std::fs::write(device.join("devnum"), address).unwrap();
            std::fs::write(device.join("product"), product).unwrap();
        }
        let product = |place| found_in(&folder, place).map(|t| t.product);
        assert_eq!(product((1, 4)), Some(Some("loom cable".to_owned())));
        assert_eq!(product((1, 5)), Some(None));
        assert_eq!(product((2, 4)), None);
        std::fs::remove_dir_all(&folder).unwrap();
        assert!(found_in(&folder, (1, 4)).is_none());
    }
}
