//! `taploom adapters`: which USB adapters are plugged in, and may we open them.

use serde_json::{Value, json};

use crate::report::{Table, plural};
use crate::transport::libusb::{Adapter, adapters};
use crate::transport::{Chip, UsbError};

use super::{Context, Exit, Failed, Failure, Outcome};

/// Gives the user at the seat access to adapters of this vendor; then the rules are read again.
const UDEV_LINE: &str = "echo 'SUBSYSTEM==\"usb\", ATTR{idVendor}==\"0403\", TAG+=\"uaccess\"' | \
sudo tee /etc/udev/rules.d/70-taploom.rules && sudo udevadm control --reload && sudo udevadm trigger";

pub(super) fn run(_context: &Context) -> Result<Outcome, Failed> {
    let list = adapters().map_err(|e| Failure {
        exit: Exit::Port,
        kind: "adapter",
        message: format!("the list of USB devices cannot be read: {e}"),
        help: None,
    })?;
    let fields = json!({ "adapters": list.iter().map(value).collect::<Vec<_>>() });
    Ok(Outcome {
        exit: Exit::Good,
        fields,
        text: text(&list),
    })
}

/// Whether this program can drive it, and if not, why.
fn state(adapter: &Adapter) -> (&'static str, Option<&'static str>) {
    match (&adapter.refused, adapter.chip) {
        (_, None) => ("seen, cannot drive: unknown chip", None),
        (_, Some(chip)) if chip.mpsse_channels == 0 => {
            ("seen, cannot drive: it has no MPSSE", None)
        }
        (Some(UsbError::NotAllowed), _) => ("not allowed for this user", Some(UDEV_LINE)),
        (Some(UsbError::Busy), _) => ("busy: another program or driver holds it", None),
        (Some(_), _) => ("cannot be opened", None),
        (None, _) => ("ready", None),
    }
}

fn value(a: &Adapter) -> Value {
    let (state, paste) = state(a);
    json!({
        "chip": a.chip.map(|c| c.name),
        "serial": a.serial,
        "product": a.product_text,
        "maker": a.maker,
        "usb_product": format!("0x{:04X}", a.product),
        "bus": a.bus,
        "address": a.address,
        "speed_bits_per_second": a.speed,
        "channels": a.chip.map_or(0, |c| c.mpsse_channels),
        "top_tck_hz": a.chip.and_then(top_tck_hz),
        "state": state,
        "paste": paste,
    })
}

/// The highest TCK rate of the chip.
fn top_tck_hz(chip: &Chip) -> Option<u32> {
    chip.rate(u32::MAX)
        .filter(|_| chip.mpsse_channels > 0)
        .map(|r| r.tck_hz())
}

fn text(list: &[Adapter]) -> String {
    if list.is_empty() {
        return "no USB adapter is plugged in, or this host has no USB\n".to_owned();
    }
    let mut table = Table::new(&[
        "chip", "serial", "product", "at", "channels", "top TCK", "state",
    ]);
    for a in list {
        let or_dash = |text: &Option<String>| text.clone().unwrap_or_else(|| "-".into());
        table.row([
            a.chip.map_or("unknown".into(), |c| c.name.to_owned()),
            or_dash(&a.serial),
            or_dash(&a.product_text),
            format!("{}:{}", a.bus, a.address),
            a.chip.map_or(0, |c| c.mpsse_channels).to_string(),
            a.chip
                .and_then(top_tck_hz)
                .map_or("-".into(), crate::report::rate),
            state(a).0.to_owned(),
        ]);
    }
    let mut lines = vec![plural(list.len(), "adapter"), String::new()];
    lines.extend(table.lines());
    if let Some(paste) = list.iter().find_map(|a| state(a).1) {
        lines.extend([
            String::new(),
            "Paste this line to be allowed, then replug:".to_owned(),
            format!("  {paste}"),
        ]);
    }
    lines.join("\n") + "\n"
}

#[cfg(test)]
mod tests {
    use super::*;

    fn adapter(release: u16, refused: Option<UsbError>) -> Adapter {
        Adapter {
            product: 0x6010,
            release,
            chip: Chip::of_release(release),
            bus: 1,
            address: 5,
            speed: 480_000_000,
            maker: None,
            product_text: Some("bench".into()),
            serial: Some("A1".into()),
            refused,
        }
    }

    #[test]
    fn each_state_says_what_can_be_done() {
        assert_eq!(
            text(&[adapter(0x0700, None)]),
            "1 adapter\n\n  chip     serial  product  at   channels  top TCK  state\n  \
             FT2232H  A1      bench    1:5  2         30 MHz   ready\n"
        );
        let refused = text(&[adapter(0x0700, Some(UsbError::NotAllowed))]);
        assert!(
            refused.contains("not allowed for this user") && refused.contains("udevadm"),
            "{refused}"
        );
        assert!(text(&[adapter(0x0600, None)]).contains("seen, cannot drive: it has no MPSSE"));
        assert!(text(&[]).contains("no USB"));
    }
}
