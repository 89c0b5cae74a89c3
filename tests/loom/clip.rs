//! SELVEDGE_CLIP: one BC_7 with its own control cell for each of 28 lines, so that each can be driven and heard alone.

use taploom_bsdl::Device;
use taploom_bsdl::model::{
    CellKind::Bc2,
    Edition,
    PortMode::{InOut, Linkage},
};

use super::draft::{Access, Draft};

const GROUND: [u32; 4] = [6, 17, 28, 40];
const SUPPLY: [u32; 2] = [12, 34];
const TAP: [u32; 4] = [1, 2, 43, 44];
const NO_CONNECTION: [u32; 6] = [7, 18, 22, 23, 29, 39];

/// The device, in a chip carrier (PL44) and in a flat pack (QF44) whose pin 1 is where the carrier has pin 7.
pub(super) fn device() -> Device {
    let mut d = Draft::new(
        "SELVEDGE_CLIP",
        Edition::Y2001,
        Edition::Y2001,
        &["PL44", "QF44"],
    );
    let names: Vec<[String; 2]> = (1..=44u32)
        .map(|pin| [pin.to_string(), ((pin + 44 - 7) % 44 + 1).to_string()])
        .collect();
    let pair = |pin: u32| names[pin as usize - 1].each_ref().map(String::as_str);
    let special = [GROUND.as_slice(), &SUPPLY, &TAP, &NO_CONNECTION].concat();

    let lines: Vec<_> = (1..=44)
        .filter(|pin| !special.contains(pin))
        .map(|pin| pair(pin).to_vec())
        .collect();
    let lines = d.bus("LINE", InOut, 1, &lines);
    let [tdi, tms, tck, tdo] = TAP.map(pair);
    d.tap([&tdi, &tms, &tck, &tdo], None, 30.0e6);
    d.bus("GND", Linkage, 1, &GROUND.map(|pin| pair(pin).to_vec()));
    d.bus("VCC", Linkage, 1, &SUPPLY.map(|pin| pair(pin).to_vec()));
    d.bus(
        "NC",
        Linkage,
        1,
        &NO_CONNECTION.map(|pin| pair(pin).to_vec()),
    );

    lines.iter().for_each(|bit| d.bidir(*bit, Bc2, false));

    d.instructions(
        "000001",
        &[
            ("BYPASS", &["111111"], Access::Standard),
            ("EXTEST", &["000000", "100000"], Access::Standard),
            ("SAMPLE", &["000001"], Access::Standard),
            ("PRELOAD", &["000010"], Access::Standard),
            ("IDCODE", &["000100"], Access::Standard),
            ("USERCODE", &["000101"], Access::Standard),
            ("HIGHZ", &["001000"], Access::Standard),
            ("CLAMP", &["001001"], Access::Standard),
        ],
    );
    d.identity(
        "0000 0000110000101000 01010000000 1",
        "01000011011011000110100101110000",
    );
    d.finish("The lines have 5 V tolerant inputs and drive 3.3 V: enough for TTL inputs, not for 5 V CMOS inputs.")
}
