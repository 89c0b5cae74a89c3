//! JACQUARD_256: an FPGA in a ball grid of 16 rows (A to T without I, O, Q, S) and 16 columns. It has TRST*.
//!
//! I/O balls are vectors, one a quadrant. In the north-east the first eight are BC_7; in the south-west the first
//! sixteen share one control cell.

use taploom_bsdl::Device;
use taploom_bsdl::model::{
    CellFunction::{Clock, Input},
    CellKind::{Bc1, Bc2, Bc4},
    Edition, PortBit,
    PortMode::{In, InOut, Linkage},
};

use super::draft::{Access, Draft, Pad};

const WARNING: &str = "The first sixteen pins of IO_SW share one control cell: enabling one of them enables all. \
    DONE is an open collector output.";

const ROWS: &str = "ABCDEFGHJKLMNPRT";

const GROUND: &str = "A1 A16 T1 T16 G7 G8 G9 G10 H7 H8 H9 H10 J7 J8 J9 J10 K7 K8 K9 K10";
const CORE: &str = "F7 F10 L7 L10 G6 K6 G11 K11";
const BANK: &str = "F8 F9 L8 L9 H6 J6 H11 J11 D4 D13 N4 N13 C3 C14 P3 P14";
const NO_CONNECTION: &str = "A2 A15 B1 B16 F6 F11 L6 L11";
const CLOCKS: &str = "A8 A9 H1 H16 T8 T9";
const STRAPS: [(&str, &str); 3] = [("MODE0", "R15"), ("MODE1", "R16"), ("PROG_N", "P15")];
const DONE: &str = "P16";
const TAP: [&str; 5] = ["N1", "P2", "P1", "N2", "R1"];

/// The device.
pub(super) fn device() -> Device {
    let mut d = Draft::new("JACQUARD_256", Edition::Y2001, Edition::Y2001, &["BG256"]);
    let balls: Vec<String> = ROWS
        .chars()
        .flat_map(|row| (1..=16).map(move |col| format!("{row}{col}")))
        .collect();
    let special: Vec<&str> = [GROUND, CORE, BANK, NO_CONNECTION, CLOCKS, DONE]
        .iter()
        .flat_map(|list| list.split(' '))
        .chain(STRAPS.iter().map(|(_, ball)| *ball))
        .chain(TAP)
        .collect();
    let quadrant = |wanted: usize| -> Vec<Vec<&str>> {
        let io = balls
            .iter()
            .enumerate()
            .filter(|(_, ball)| !special.contains(&ball.as_str()));
        let here = io.filter(|(i, _)| (i / 128) * 2 + (i % 16) / 8 == wanted);
        here.map(|(_, ball)| vec![ball.as_str()]).collect()
    };

    let io: Vec<Vec<PortBit>> = ["IO_NW", "IO_NE", "IO_SW", "IO_SE"]
        .iter()
        .enumerate()
        .map(|(n, name)| d.bus(name, InOut, 0, &quadrant(n)))
        .collect();
    let list = |text: &'static str| text.split(' ').map(|ball| vec![ball]).collect::<Vec<_>>();
    let clocks = d.bus("GCLK", In, 0, &list(CLOCKS));
    let straps = STRAPS.map(|(name, ball)| d.port(name, In, &[ball]));
    let done = d.port("DONE", InOut, &[DONE]);
    d.tap(
        [&[TAP[0]], &[TAP[1]], &[TAP[2]], &[TAP[3]]],
        Some(&[TAP[4]]),
        30.0e6,
    );
    for (name, balls) in [
        ("GND", GROUND),
        ("VCCINT", CORE),
        ("VCCIO", BANK),
        ("NC", NO_CONNECTION),
    ] {
        d.bus(name, Linkage, 1, &list(balls));
    }

    let pad = Pad {
        input: Bc4,
        output: Bc1,
        control: Bc2,
        off: true,
    };
    let (shared, alone) = io[2].split_at(16);
    for (n, bits) in io.iter().enumerate() {
        match n {
            1 => {
                bits[..8].iter().for_each(|bit| d.bidir(*bit, Bc2, true));
                bits[8..].iter().for_each(|bit| d.pad(*bit, pad));
            }
            2 => {
                d.shared(shared, pad);
                alone.iter().for_each(|bit| d.pad(*bit, pad));
            }
            _ => bits.iter().for_each(|bit| d.pad(*bit, pad)),
        }
        d.unbonded(60);
    }
    clocks.iter().for_each(|bit| d.watch(Bc4, Clock, *bit));
    straps.iter().for_each(|bit| d.watch(Bc1, Input, *bit));
    d.open_collector(done);
    d.watch(Bc4, Input, done);

    d.instructions(
        "00XX0001",
        &[
            ("BYPASS", &["11111111"], Access::Standard),
            ("EXTEST", &["00000000"], Access::Standard),
            ("SAMPLE", &["00000001"], Access::Standard),
            ("PRELOAD", &["00000010"], Access::Standard),
            ("IDCODE", &["00000100"], Access::Standard),
            ("USERCODE", &["00000101"], Access::Standard),
            ("HIGHZ", &["00001000"], Access::Standard),
            ("CLAMP", &["00001001"], Access::Standard),
            ("CFG_OPEN", &["01100001"], Access::Bypass),
            (
                "CFG_SHIFT",
                &["01100010"],
                Access::Own("CFG_DATA", 16, None),
            ),
            (
                "CFG_STATUS",
                &["01100011"],
                Access::Own("CFG_STAT", 16, Some("0101XXXXXXXXXXXX")),
            ),
            ("CFG_START", &["01100100"], Access::Bypass),
            ("CFG_CLOSE", &["01100111"], Access::Bypass),
            ("FACTORY_A", &["11010101"], Access::Private),
        ],
    );
    d.identity(
        "0001 0100110100010110 01010000000 1",
        "11111111111111111111111111111111",
    );
    d.finish(WARNING)
}
