//! HEDDLE_208: an FPGA in PQ208, 52 pins a side, pin 1 at the top of the west side, counter-clockwise.
//!
//! Of a larger die 11 pads a side are not bonded. Pins 26 to 33 are BC_7; 64 to 71, 116 to 123, and 19 with 20 share a
//! control cell; all other I/O pins have control, output and input cell.

use taploom_bsdl::Device;
use taploom_bsdl::model::{
    CellFunction::{Clock, Input, Output2, Output3},
    CellKind::{Bc1, Bc2, Bc4},
    Edition, PortBit,
    PortMode::{In, InOut, Linkage, Out},
    Trit,
};

use super::draft::{Access, Draft, Pad};

const WARNING: &str = "Several pins share one control cell: pins 19 and 20, pins 64 to 71, pins 116 to 123. \
    Enabling one of them enables all of its group. DONE is an open collector output, BUSY cannot be switched off.";

/// What stands on pin 1 to 208.
#[derive(Clone, Copy, PartialEq)]
enum Kind {
    Ground,
    Core,
    Bank,
    Tap,
    NoConnection,
    Clock(u32),
    Strap(&'static str),
    Done,
    Busy,
    FlashOut(&'static str),
    FlashIn,
    Io,
}

fn kind(pin: u32) -> Kind {
    match ((pin - 1) % 52 + 1, pin) {
        (1 | 11 | 24 | 37 | 52, _) => Kind::Ground,
        (2 | 36, _) => Kind::Core,
        (10 | 25 | 38 | 51, _) => Kind::Bank,
        (_, 55) => Kind::Strap("MODE0"),
        (_, 56) => Kind::Strap("MODE1"),
        (_, 57) => Kind::Strap("MODE2"),
        (_, 58) => Kind::Strap("PROG_N"),
        (_, 59) => Kind::Done,
        (_, 60) => Kind::Busy,
        (_, 78 | 79) => Kind::Clock(pin - 78),
        (_, 182 | 183) => Kind::Clock(pin - 180),
        (_, 91) => Kind::FlashOut("FLASH_CS_N"),
        (_, 92) => Kind::FlashOut("FLASH_CLK"),
        (_, 93) => Kind::FlashOut("FLASH_D"),
        (_, 94) => Kind::FlashIn,
        (_, 107..=110) => Kind::Tap,
        (_, 148..=153 | 200..=205) => Kind::NoConnection,
        _ => Kind::Io,
    }
}

/// The device.
pub(super) fn device() -> Device {
    let mut d = Draft::new("HEDDLE_208", Edition::Y2001, Edition::Y2001, &["PQ208"]);
    let names: Vec<String> = (1..=208).map(|p: u32| p.to_string()).collect();
    let name = |pin: u32| names[pin as usize - 1].as_str();

    let mut bits: Vec<Option<PortBit>> = vec![None; 209];
    let mut on_side = [0; 4];
    for pin in 1..=208 {
        let side = (pin as usize - 1) / 52;
        bits[pin as usize] = match kind(pin) {
            Kind::Clock(n) => Some(d.port(&format!("GCLK{n}"), In, &[name(pin)])),
            Kind::Strap(strap) => Some(d.port(strap, In, &[name(pin)])),
            Kind::Done => Some(d.port("DONE", InOut, &[name(pin)])),
            Kind::Busy => Some(d.port("BUSY", Out, &[name(pin)])),
            Kind::FlashOut(line) => Some(d.port(line, Out, &[name(pin)])),
            Kind::FlashIn => Some(d.port("FLASH_Q", In, &[name(pin)])),
            Kind::Io => {
                on_side[side] += 1;
                let port = format!("IO_{}{}", ["W", "S", "E", "N"][side], on_side[side]);
                Some(d.port(&port, InOut, &[name(pin)]))
            }
            Kind::Ground | Kind::Core | Kind::Bank | Kind::Tap | Kind::NoConnection => None,
        };
    }
    d.tap([&["107"], &["108"], &["109"], &["110"]], None, 30.0e6);
    for (port, wanted) in [
        ("GND", Kind::Ground),
        ("VCCINT", Kind::Core),
        ("VCCIO", Kind::Bank),
        ("NC", Kind::NoConnection),
    ] {
        let pins: Vec<_> = (1..=208)
            .filter(|p| kind(*p) == wanted)
            .map(|p| vec![name(p)])
            .collect();
        d.bus(port, Linkage, 1, &pins);
    }

    let bit = |pin: u32| bits[pin as usize].expect("a pin with a port of its own");
    let group = |from: u32, to: u32| (from..=to).map(bit).collect::<Vec<_>>();
    let west = Pad {
        input: Bc4,
        output: Bc1,
        control: Bc1,
        off: true,
    };
    let south = Pad {
        input: Bc1,
        output: Bc2,
        control: Bc2,
        off: true,
    };
    for pin in 1..=208 {
        let pad = if (53..=156).contains(&pin) {
            south
        } else {
            west
        };
        match (kind(pin), pin) {
            (Kind::Io, 19) => d.shared(&group(19, 20), pad),
            (Kind::Io, 64) => d.shared(&group(64, 71), pad),
            (Kind::Io, 116) => d.shared(&group(116, 123), pad),
            (Kind::Io, 20 | 65..=71 | 117..=123) => {}
            (Kind::Io, 26..=33) => d.bidir(bit(pin), Bc2, true),
            (Kind::Io, _) => d.pad(bit(pin), pad),
            (Kind::Clock(_), _) => d.watch(Bc4, Clock, bit(pin)),
            (Kind::Strap(_) | Kind::FlashIn, _) => d.watch(Bc4, Input, bit(pin)),
            (Kind::Done, _) => {
                d.open_collector(bit(pin));
                d.watch(Bc4, Input, bit(pin));
            }
            (Kind::Busy, _) => {
                d.cell(Bc1, Some(bit(pin)), Output2, Trit::Zero, None);
            }
            (Kind::FlashOut(_), _) => {
                let off = d.control(Bc1, taploom_bsdl::model::CellFunction::ControlR, true);
                d.driver(Bc1, Output3, bit(pin), off);
            }
            (Kind::Ground | Kind::Core | Kind::Bank | Kind::Tap | Kind::NoConnection, _) => {}
        }
        if pin % 52 == 0 {
            d.unbonded(33);
        }
    }

    d.instructions(
        "0000XX0001",
        &[
            ("BYPASS", &["1111111111"], Access::Standard),
            ("EXTEST", &["0000000000"], Access::Standard),
            ("SAMPLE", &["0000000101"], Access::Standard),
            ("PRELOAD", &["0000000101"], Access::Standard),
            ("IDCODE", &["0000000110"], Access::Standard),
            ("USERCODE", &["0000000111"], Access::Standard),
            ("HIGHZ", &["0000001011"], Access::Standard),
            ("CLAMP", &["0000001100"], Access::Standard),
            ("CFG_OPEN", &["1000010001"], Access::Bypass),
            (
                "CFG_SHIFT",
                &["1000010010"],
                Access::Own("CFG_DATA", 16, None),
            ),
            (
                "CFG_STATUS",
                &["1000010011"],
                Access::Own("CFG_STAT", 16, Some("0101XXXXXXXXXXXX")),
            ),
            ("CFG_START", &["1000010100"], Access::Bypass),
            ("CFG_CLOSE", &["1000010111"], Access::Bypass),
            ("FACTORY_A", &["1011001101"], Access::Private),
            ("FACTORY_B", &["1011001110"], Access::Private),
        ],
    );
    d.identity(
        "0010 0100110100001000 01010000000 1",
        "11111111111111111111111111111111",
    );
    d.finish(WARNING)
}
