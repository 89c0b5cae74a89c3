//! `taploom adapters`: which USB adapters are plugged in, and may we open them; their profiles.

use std::time::Duration;

use serde_json::{Value, json};

use crate::report::{Table, WiringLine, plural, wiring_drawing};
use crate::tap::PortError;
use crate::transport::libusb::{Adapter, Other, Plugged, adapters, has_usb, others, wait_for_plug};
use crate::transport::profiles::{
    Pin, Profile, ProfileError, ProfileFile, Wire, built_in, fitting,
};
use crate::transport::{Chip, UsbError};

use super::{Context, Exit, Failed, Failure, Outcome, args};

/// Gives the user at the seat access to adapters of this vendor; then the rules are read again.
const UDEV_LINE: &str = "echo 'SUBSYSTEM==\"usb\", ATTR{idVendor}==\"0403\", TAG+=\"uaccess\"' | \
sudo tee /etc/udev/rules.d/70-taploom.rules && sudo udevadm control --reload && sudo udevadm trigger";

pub(super) fn run(context: &Context, arguments: &args::Adapters) -> Result<Outcome, Failed> {
    if let Some(name) = &arguments.check {
        return check(name);
    }
    if let Some(name) = &arguments.wiring {
        return wiring(name.as_deref());
    }
    match arguments.wait {
        Some(seconds) => wait(context, seconds),
        None => Ok(outcome(&Seen::look()?)),
    }
}

/// What is plugged in.
struct Seen {
    usb: bool,
    adapters: Vec<Adapter>,
    others: Vec<Other>,
}

impl Seen {
    fn look() -> Result<Seen, Failure> {
        let failed = |e: UsbError| Failure {
            exit: Exit::Port,
            kind: "adapter",
            message: format!("the list of USB devices cannot be read: {e}"),
            help: None,
        };
        Ok(Seen {
            usb: has_usb(),
            adapters: adapters().map_err(failed)?,
            others: others().map_err(failed)?,
        })
    }

    /// The line to paste, if an adapter may not be opened.
    fn paste(&self) -> Option<&'static str> {
        self.adapters.iter().find_map(|a| state(a).1)
    }

    fn fields(&self) -> Value {
        json!({
            "usb": self.usb,
            "adapters": self.adapters.iter().map(value).collect::<Vec<_>>(),
            "others": self.others.iter().map(other_value).collect::<Vec<_>>(),
        })
    }
}

fn outcome(seen: &Seen) -> Outcome {
    Outcome {
        exit: Exit::Good,
        fields: seen.fields(),
        text: text(seen),
    }
}

/// Waits until there is an adapter that can be opened.
fn wait(context: &Context, seconds: u32) -> Result<Outcome, Failed> {
    let first = Seen::look()?;
    if !first.usb || first.adapters.iter().any(is_ready) {
        return Ok(outcome(&first));
    }
    if let Some(paste) = first.paste() {
        context.note(&format!("Paste this line to be allowed:\n  {paste}"));
    }
    let what = if first.adapters.is_empty() {
        "plug the adapter in"
    } else {
        "replug the adapter"
    };
    context.note(&format!("{what}; waiting for {seconds} s, Ctrl-C ends"));
    let (how, _) = wait_for_plug(
        Duration::from_secs(seconds.into()),
        || context.cancel.asked().is_some(),
        || {
            let ready = adapters()?.iter().any(is_ready);
            Ok(ready.then_some(()))
        },
    )
    .map_err(|e| Failure::port(&e.of("USB", "waiting", 0, Duration::ZERO), None))?;
    let seen = Seen::look()?;
    let failure = match how {
        Plugged::Changed | Plugged::NoUsb => return Ok(outcome(&seen)),
        Plugged::Stopped => Failure::port(&PortError::Interrupted, context.cancel.asked()),
        Plugged::TimedOut => Failure {
            exit: Exit::Port,
            kind: "adapter",
            message: format!("no adapter that can be opened was plugged in within {seconds} s"),
            help: Some("run `taploom adapters` to see what is plugged in".to_owned()),
        },
    };
    Err(Failed {
        failure: Box::new(failure),
        fields: seen.fields(),
    })
}

/// Whether this program can drive it, and if not, why; and the line to paste.
fn state(adapter: &Adapter) -> (String, Option<&'static str>) {
    let said = match (&adapter.refused, adapter.chip) {
        (_, None) => "seen, cannot drive: unknown chip".to_owned(),
        (_, Some(chip)) if !chip.can_be_driven() => {
            "seen, cannot drive: it has neither an MPSSE nor synchronous bit-bang".to_owned()
        }
        (Some(UsbError::NotAllowed), _) => {
            return ("not allowed for this user".to_owned(), Some(UDEV_LINE));
        }
        (Some(UsbError::Busy), _) => "busy: another program or driver holds it".to_owned(),
        (Some(e), _) => format!("cannot be opened: {e}"),
        (None, _) if !adapter.driver_on.is_empty() => format!(
            "ready; the system's serial driver is detached from channel {} while it is used",
            letters(&adapter.driver_on)
        ),
        (None, _) => "ready".to_owned(),
    };
    (said, None)
}

fn is_ready(adapter: &Adapter) -> bool {
    adapter.refused.is_none() && adapter.chip.is_some_and(Chip::can_be_driven)
}

/// `A B` for channels 0 and 1.
fn letters(channels: &[u8]) -> String {
    let letters: Vec<String> = channels
        .iter()
        .map(|c| char::from(b'A' + (*c).min(25)).to_string())
        .collect();
    letters.join(" ")
}

/// The channels that can be driven.
fn driven(chip: &Chip) -> Vec<u8> {
    (0..chip.channels)
        .filter(|&c| chip.way(c).is_some())
        .collect()
}

/// The names of the built-in profiles that fit, each once.
fn profile_names(chip: &Chip) -> Vec<&'static str> {
    let mut names: Vec<&str> = driven(chip)
        .into_iter()
        .filter_map(|channel| Some(fitting(chip, channel)?.0))
        .collect();
    names.dedup();
    names
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
        "channels": a.chip.map_or(0, |c| driven(c).len()),
        "top_tck_hz": a.chip.map(Chip::tck_hz_max).filter(|&hz| hz > 0),
        "profiles": a.chip.map_or(Vec::new(), profile_names),
        "driver_on": a.driver_on.iter().map(|&c| letters(&[c])).collect::<Vec<_>>(),
        "ready": is_ready(a),
        "state": state,
        "paste": paste,
    })
}

fn other_value(o: &Other) -> Value {
    json!({
        "usb_vendor": format!("0x{:04X}", o.vendor),
        "usb_product": format!("0x{:04X}", o.product),
        "bus": o.bus,
        "address": o.address,
        "maker": o.maker,
        "product": o.product_text,
        "state": "seen, cannot drive",
        "because": o.because,
    })
}

/// The speed of the connection.
fn speed(bits_per_second: u64) -> String {
    match bits_per_second {
        0 => "-".to_owned(),
        1_500_000 => "1.5 Mb/s".to_owned(),
        n if n % 1_000_000_000 == 0 => format!("{} Gb/s", n / 1_000_000_000),
        n => format!("{} Mb/s", n / 1_000_000),
    }
}

fn text(seen: &Seen) -> String {
    let mut lines = Vec::new();
    if !seen.usb {
        return "this host has no USB that this program may see, so there is no adapter\n"
            .to_owned();
    }
    if seen.adapters.is_empty() {
        lines.push("no USB adapter is plugged in".to_owned());
    } else {
        let heading = [
            "chip", "serial", "product", "at", "speed", "channels", "top TCK", "profile", "state",
        ];
        let mut table = Table::new(&heading);
        for a in &seen.adapters {
            let or_dash = |text: &Option<String>| text.clone().unwrap_or_else(|| "-".into());
            let dash_if_none = |text: String| if text.is_empty() { "-".into() } else { text };
            table.row([
                a.chip.map_or("unknown".into(), |c| c.name.to_owned()),
                or_dash(&a.serial),
                or_dash(&a.product_text),
                format!("{}:{}", a.bus, a.address),
                speed(a.speed),
                dash_if_none(a.chip.map_or(String::new(), |c| letters(&driven(c)))),
                a.chip
                    .map(Chip::tck_hz_max)
                    .filter(|&hz| hz > 0)
                    .map_or("-".into(), crate::report::rate),
                dash_if_none(
                    a.chip
                        .map_or(String::new(), |c| profile_names(c).join(", ")),
                ),
                state(a).0,
            ]);
        }
        lines.extend([plural(seen.adapters.len(), "adapter"), String::new()]);
        lines.extend(table.lines());
    }
    if let Some(paste) = seen.paste() {
        lines.extend([
            String::new(),
            "Paste this line to be allowed, then replug (`taploom adapters --wait` notices):"
                .to_owned(),
            format!("  {paste}"),
        ]);
    }
    if !seen.others.is_empty() {
        lines.extend([String::new(), "Seen, cannot drive:".to_owned()]);
        for o in &seen.others {
            lines.push(format!(
                "  {:04X}:{:04X} at {}:{}: {}",
                o.vendor, o.product, o.bus, o.address, o.because
            ));
        }
    }
    lines.join("\n") + "\n"
}

/// `--check PROFILE`.
fn check(name: &str) -> Result<Outcome, Failed> {
    let file = ProfileFile::find(name).map_err(bad_profile)?;
    let chips: Vec<&str> = file.chips.iter().map(|c| c.name).collect();
    let spare = plural(file.profile.spare.len(), "spare line");
    Ok(Outcome {
        exit: Exit::Good,
        fields: json!({ "profile": profile_value(&file) }),
        text: format!(
            "{name}: good: \"{}\" for {}, channel {}, {spare}\n",
            file.profile.name,
            chips.join(", "),
            letters(&file.channels)
        ),
    })
}

fn bad_profile(error: ProfileError) -> Failed {
    let problems: Vec<Value> = error
        .problems
        .iter()
        .map(|p| {
            json!({
                "line": p.at.line,
                "column": p.at.column,
                "message": p.cause.to_string(),
                "help": p.help(),
            })
        })
        .collect();
    Failed {
        failure: Box::new(Failure::input("profile", error.to_string())),
        fields: json!({ "problems": problems }),
    }
}

/// `--wiring [PROFILE]`.
fn wiring(name: Option<&str>) -> Result<Outcome, Failed> {
    let files: Vec<(String, ProfileFile)> = match name {
        Some(name) => vec![(
            name.to_owned(),
            ProfileFile::find(name).map_err(bad_profile)?,
        )],
        None => built_in().map(|(n, f)| (n.to_owned(), f)).collect(),
    };
    let drawings: Vec<String> = files.iter().map(|(name, f)| drawing(name, f)).collect();
    let values: Vec<Value> = files
        .iter()
        .map(|(name, f)| {
            let mut value = profile_value(f);
            super::work::add_fields(&mut value, json!({ "asked_by": name }));
            value
        })
        .collect();
    Ok(Outcome {
        exit: Exit::Good,
        fields: json!({ "profiles": values }),
        text: drawings.join("\n"),
    })
}

/// The lines of a profile: line of the chip, way of the signal, task, how it is wired.
fn lines_of(file: &ProfileFile) -> Vec<WiringLine> {
    let profile = file.on(file.channels.first().copied().unwrap_or(0));
    let line = |pin: Pin, to_board: bool, from_board: bool, task: &str, how: String| WiringLine {
        adapter: profile.line_name(pin),
        to_board,
        from_board,
        board: task.to_owned(),
        how,
    };
    let tap = profile.tap;
    let mut lines = vec![
        line(tap.tck, true, false, "TCK", String::new()),
        line(tap.tdi, true, false, "TDI", String::new()),
        line(tap.tdo, false, true, "TDO", String::new()),
        line(tap.tms, true, false, "TMS", String::new()),
    ];
    if profile.return_clock {
        let pin = Profile::RETURN_CLOCK;
        lines.push(line(pin, false, true, "return clock", String::new()));
    }
    let side = |task: &str, wire: Wire, reads: bool| {
        let mut how = Vec::new();
        if wire.open_drain {
            how.push("only pulled low");
        }
        if wire.inverted {
            how.push("through an inverter");
        }
        line(wire.pin, true, reads, task, how.join(", "))
    };
    lines.extend(profile.trst.map(|w| side("TRST*", w, false)));
    lines.extend(profile.system_reset.map(|w| side("system reset", w, false)));
    for (k, &wire) in profile.spare.iter().enumerate() {
        lines.push(side(&format!("spare {k}"), wire, true));
    }
    for (&(pin, on), what) in profile.fixed.iter().zip(&file.enables) {
        let level = if on { "high" } else { "low" };
        lines.push(line(
            pin,
            true,
            false,
            what,
            format!("{level} switches it on"),
        ));
    }
    lines
}

fn drawing(name: &str, file: &ProfileFile) -> String {
    let chips: Vec<&str> = file.chips.iter().map(|c| c.name).collect();
    let mut head = vec![
        format!("{name}: {}", file.profile.name),
        format!(
            "for {}, channel {}",
            chips.join(", "),
            letters(&file.channels)
        ),
    ];
    head.extend(file.note.clone());
    wiring_drawing(&head, &lines_of(file))
}

fn profile_value(file: &ProfileFile) -> Value {
    let lines: Vec<Value> = lines_of(file)
        .iter()
        .map(|l| {
            json!({
                "adapter": l.adapter,
                "board": l.board,
                "to_board": l.to_board,
                "from_board": l.from_board,
                "how": l.how,
            })
        })
        .collect();
    json!({
        "name": file.profile.name,
        "chips": file.chips.iter().map(|c| c.name).collect::<Vec<_>>(),
        "channels": file.channels.iter().map(|&c| letters(&[c])).collect::<Vec<_>>(),
        "note": file.note,
        "lines": lines,
    })
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
            driver_on: Vec::new(),
        }
    }

    fn seen(adapters: Vec<Adapter>) -> Seen {
        Seen {
            usb: true,
            adapters,
            others: Vec::new(),
        }
    }

    #[test]
    fn each_state_says_what_can_be_done() {
        assert_eq!(
            text(&seen(vec![adapter(0x0700, None)])),
            "1 adapter\n\n  chip     serial  product  at   speed     channels  top TCK  profile        state\n  \
             FT2232H  A1      bench    1:5  480 Mb/s  A B       30 MHz   plain-ft2232h  ready\n"
        );
        let refused = text(&seen(vec![adapter(0x0700, Some(UsbError::NotAllowed))]));
        assert!(
            refused.contains("not allowed for this user") && refused.contains("udevadm"),
            "{refused}"
        );
        let of = |release| text(&seen(vec![adapter(release, None)]));
        assert!(of(0x0400).contains("seen, cannot drive: it has neither an MPSSE nor"));
        assert!(of(0x9999).contains("seen, cannot drive: unknown chip"));
        let c = of(0x0500);
        assert!(
            c.contains("plain-ft2232c, plain-ft2232c-b") && c.contains("  A B  "),
            "{c}"
        );
        let r = of(0x0600);
        assert!(r.contains("300 kHz") && r.contains("plain-ft232r"), "{r}");
        let held = Adapter {
            driver_on: vec![0],
            ..adapter(0x0600, None)
        };
        let held = text(&seen(vec![held]));
        assert!(held.contains("ready; the system's serial driver is detached from channel A"));
        assert!(text(&seen(Vec::new())).contains("no USB adapter is plugged in"));
        let none = Seen {
            usb: false,
            ..seen(Vec::new())
        };
        assert!(text(&none).contains("this host has no USB"));
        let others = Seen {
            others: vec![Other {
                vendor: 0x1234,
                product: 0x0a07,
                bus: 2,
                address: 9,
                maker: None,
                product_text: None,
                because: "it calls itself \"weft JTAG pod\"".to_owned(),
            }],
            ..seen(Vec::new())
        };
        assert!(text(&others).ends_with(
            "Seen, cannot drive:\n  1234:0A07 at 2:9: it calls itself \"weft JTAG pod\"\n"
        ));
    }

    #[test]
    fn the_drawing_shows_every_line_of_the_bit_bang_module() {
        let drawn = wiring(Some("plain-ft232r")).ok().unwrap();
        assert_eq!(
            drawn.text,
            "\
plain-ft232r: plain FT232R module, by bit-bang
for FT232R, FT-X, channel A

  adapter          board
      TXD -------> TCK
      DTR -------> TDI
      RXD <------- TDO
      RTS -------> TMS
      CTS -------> TRST*         only pulled low
      DSR -------> system reset  only pulled low
      DCD <------> spare 0
       RI <------> spare 1
      GND -------- ground
"
        );
        let all = wiring(None).ok().unwrap();
        assert_eq!(all.fields["profiles"].as_array().unwrap().len(), 6);
    }
}
