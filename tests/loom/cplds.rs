//! BOBBIN_44, SHUTTLE_44 and TREADLE_44: CPLDs in 44-pin chip carriers, unlike in pinout, cells and edition; the last one
//! keeps its image.

use taploom_bsdl::Device;
use taploom_bsdl::model::{
    CellFunction::{Clock, Input},
    CellKind::{Bc1, Bc4},
    Edition,
    PortMode::{In, InOut, Linkage},
};

use super::draft::{Access, Draft, Pad};

const BOBBIN_GROUND: [u32; 4] = [1, 12, 23, 34];
const BOBBIN_SUPPLY: [u32; 4] = [11, 22, 33, 44];
const SHUTTLE_GROUND: [u32; 4] = [10, 22, 30, 42];
const SHUTTLE_SUPPLY: [u32; 4] = [3, 15, 23, 35];
const TREADLE_GROUND: [u32; 4] = [6, 17, 28, 39];
const TREADLE_SUPPLY: [u32; 4] = [5, 16, 27, 38];

/// The CPLD in the language of 1994: BC_1 throughout, control cells that enable at 1, any version digit.
pub(super) fn bobbin() -> Device {
    let mut d = Draft::new("BOBBIN_44", Edition::Y1994, Edition::Y1993, &["PL44"]);
    let names = pin_names();
    let name = |pin: u32| names[pin as usize - 1].as_str();
    let special = [
        [13, 14, 24, 25].as_slice(),
        &[2, 43, 35],
        &BOBBIN_GROUND,
        &BOBBIN_SUPPLY,
    ]
    .concat();

    let clock = [
        d.port("GCK0", In, &[name(2)]),
        d.port("GCK1", In, &[name(43)]),
    ];
    let reset = d.port("GSR", In, &[name(35)]);
    let io: Vec<_> = (1..=44)
        .filter(|pin| !special.contains(pin))
        .enumerate()
        .map(|(n, pin)| {
            d.port(
                &format!("MC{}_{}", n / 8 + 1, n % 8 + 1),
                InOut,
                &[name(pin)],
            )
        })
        .collect();
    d.tap([&["13"], &["14"], &["24"], &["25"]], None, 10.0e6);
    d.bus("GND", Linkage, 1, &BOBBIN_GROUND.map(|pin| vec![name(pin)]));
    d.bus("VCC", Linkage, 1, &BOBBIN_SUPPLY.map(|pin| vec![name(pin)]));

    let pad = Pad {
        input: Bc1,
        output: Bc1,
        control: Bc1,
        off: false,
    };
    io.iter().for_each(|bit| d.pad(*bit, pad));
    d.watch(Bc1, Input, reset);
    clock.iter().for_each(|bit| d.watch(Bc1, Clock, *bit));

    d.instructions(
        "00000001",
        &[
            ("BYPASS", &["11111111"], Access::Standard),
            ("EXTEST", &["00000000"], Access::Standard),
            ("SAMPLE", &["00000001"], Access::Standard),
            ("IDCODE", &["11111110"], Access::Standard),
            ("USERCODE", &["11111101"], Access::Standard),
            ("HIGHZ", &["11111100"], Access::Standard),
            ("CLAMP", &["11111010"], Access::Standard),
            ("ROW_DATA", &["11100101"], Access::Own("ROW", 26, None)),
            ("ERASE_ALL", &["11101100"], Access::Private),
        ],
    );
    d.identity(
        "XXXX 0010110001000100 10100000000 1",
        "01000010011011110110001001101110",
    );
    d.finish("HIGHZ and EXTEST leave the macrocells as they are: after Test-Logic-Reset the pins go back to the design.")
}

/// The CPLD of 2001: BC_7 pins, EXTEST and BYPASS not at the customary opcodes.
pub(super) fn shuttle() -> Device {
    let mut d = Draft::new("SHUTTLE_44", Edition::Y2001, Edition::Y2001, &["PL44"]);
    let names = pin_names();
    let name = |pin: u32| names[pin as usize - 1].as_str();
    let special = [
        [7, 13, 32, 38].as_slice(),
        &[43, 1, 44, 2],
        &SHUTTLE_GROUND,
        &SHUTTLE_SUPPLY,
    ]
    .concat();

    let pins: Vec<_> = (1..=44)
        .filter(|pin| !special.contains(pin))
        .map(|pin| vec![name(pin)])
        .collect();
    let io = d.bus("IO", InOut, 0, &pins);
    let clock = d.bus("CLK", In, 0, &[vec![name(43)], vec![name(1)]]);
    let enable = d.bus("OE_N", In, 0, &[vec![name(44)], vec![name(2)]]);
    d.tap([&["7"], &["13"], &["32"], &["38"]], None, 30.0e6);
    d.bus(
        "GND",
        Linkage,
        1,
        &SHUTTLE_GROUND.map(|pin| vec![name(pin)]),
    );
    d.bus(
        "VCC",
        Linkage,
        1,
        &SHUTTLE_SUPPLY.map(|pin| vec![name(pin)]),
    );

    clock.iter().for_each(|bit| d.watch(Bc4, Clock, *bit));
    enable.iter().for_each(|bit| d.watch(Bc4, Input, *bit));
    io.iter().for_each(|bit| d.bidir(*bit, Bc1, true));
    d.unbonded(16);

    d.instructions(
        "00001",
        &[
            ("BYPASS", &["11111"], Access::Standard),
            ("EXTEST", &["01001"], Access::Standard),
            ("SAMPLE", &["00011"], Access::Standard),
            ("PRELOAD", &["00011"], Access::Standard),
            ("IDCODE", &["00110"], Access::Standard),
            ("USERCODE", &["10110"], Access::Standard),
            ("HIGHZ", &["01100"], Access::Standard),
            ("CLAMP", &["01101"], Access::Standard),
        ],
    );
    d.identity(
        "0011 0010110001010010 10100000000 1",
        "00000000000000000000000000000000",
    );
    d.finish("The opcode of all zeros does nothing in this device: it selects the bypass register.")
}

/// The CPLD that keeps its image: a flash memory that is erased and written through the chain.
pub(super) fn treadle() -> Device {
    let mut d = Draft::new("TREADLE_44", Edition::Y2001, Edition::Y2001, &["PL44"]);
    let names = pin_names();
    let name = |pin: u32| names[pin as usize - 1].as_str();
    let special = [
        [9, 20, 31, 42].as_slice(),
        &[1, 23],
        &TREADLE_GROUND,
        &TREADLE_SUPPLY,
    ]
    .concat();
    let pins: Vec<_> = (1..=44)
        .filter(|pin| !special.contains(pin))
        .map(|pin| vec![name(pin)])
        .collect();
    let io = d.bus("MC", InOut, 0, &pins);
    let clock = d.bus("CLK", In, 0, &[vec![name(1)], vec![name(23)]]);
    d.tap([&["9"], &["20"], &["31"], &["42"]], None, 20.0e6);
    for (port, pins) in [("GND", TREADLE_GROUND), ("VCC", TREADLE_SUPPLY)] {
        d.bus(port, Linkage, 1, &pins.map(|pin| vec![name(pin)]));
    }
    clock.iter().for_each(|bit| d.watch(Bc4, Clock, *bit));
    io.iter().for_each(|bit| d.bidir(*bit, Bc1, false));
    d.instructions(
        "0X0001",
        &[
            ("BYPASS", &["111111"], Access::Standard),
            ("EXTEST", &["000000"], Access::Standard),
            ("SAMPLE", &["000001"], Access::Standard),
            ("PRELOAD", &["000001"], Access::Standard),
            ("IDCODE", &["000010"], Access::Standard),
            ("HIGHZ", &["000011"], Access::Standard),
            ("CLAMP", &["000100"], Access::Standard),
            ("USERCODE", &["000101"], Access::Standard),
            ("PRG_OPEN", &["010000"], Access::Bypass),
            (
                "PRG_DATA",
                &["010001"],
                Access::Own("PRG_PAGE", 24, Some("000000000000000000000000")),
            ),
            (
                "PRG_STATUS",
                &["010010"],
                Access::Own("PRG_STAT", 16, Some("1001XXXXXXXXXXXX")),
            ),
            ("PRG_WRITE", &["010100"], Access::Bypass),
            ("PRG_CLOSE", &["010101"], Access::Bypass),
            ("PRG_READ", &["010110"], Access::Own("PRG_MEMORY", 24, None)),
        ],
    );
    d.identity(
        "0001 0010110001100111 10100000000 1",
        "11111111111111111111111111111111",
    );
    d.finish("PRG_OPEN erases the memory: the old design is gone from then on.")
}

fn pin_names() -> Vec<String> {
    (1..=44).map(|pin: u32| pin.to_string()).collect()
}
