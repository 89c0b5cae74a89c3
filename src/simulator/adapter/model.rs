//! Which chip is emulated, how it is wired, and the numbers that the model of time leaves open.

use crate::tap::Line;

use super::time::{TICKS_PER_US, Ticks};

/// A chip, as data.
///
/// Sources: the Linux kernel's serial driver headers (numbers, FIFO sizes); the orientation of
/// the FIFOs and the widths of the high byte from memory.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Model {
    /// The chip's name.
    pub name: String,
    /// idProduct.
    pub product: u16,
    /// bcdDevice.
    pub release: u16,
    /// The serial number that it reports.
    pub serial: String,
    /// The largest bulk packet: 512 on high speed, 64 on full speed.
    pub packet_bytes: usize,
    /// Bytes of the FIFO from the host.
    pub out_fifo: usize,
    /// Bytes of the FIFO to the host.
    pub in_fifo: usize,
    /// The first so many channels have an MPSSE.
    pub mpsse_channels: u8,
    /// An H type: 60 MHz base clock and the commands from 8A on.
    pub fast: bool,
    /// Whether it has the command for lines that are only pulled low (9E).
    pub open_drain: bool,
    /// Lines of the high byte.
    pub high_lines: u8,
    /// Which bit-bang modes it has.
    pub bit_bang: BitBang,
}

/// The bit-bang modes of a chip (from memory: the AM has none, the BM only the asynchronous one).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BitBang {
    /// None.
    None,
    /// Bytes to the pins.
    Asynchronous,
    /// Also bytes to the pins with a reading for each.
    Both,
}

impl Model {
    /// An FT2232H.
    pub fn ft2232h() -> Model {
        Model {
            name: "FT2232H".to_owned(),
            product: 0x6010,
            release: 0x0700,
            serial: "EMU2232H".to_owned(),
            packet_bytes: 512,
            out_fifo: 4096,
            in_fifo: 4096,
            mpsse_channels: 2,
            fast: true,
            open_drain: false,
            high_lines: 8,
            bit_bang: BitBang::Both,
        }
    }

    /// An FT4232H: half the FIFOs, no high byte.
    pub fn ft4232h() -> Model {
        Model {
            name: "FT4232H".to_owned(),
            product: 0x6011,
            release: 0x0800,
            serial: "EMU4232H".to_owned(),
            out_fifo: 2048,
            in_fifo: 2048,
            high_lines: 0,
            ..Model::ft2232h()
        }
    }

    /// An FT232H: one channel, 1 KiB FIFOs.
    pub fn ft232h() -> Model {
        Model {
            name: "FT232H".to_owned(),
            product: 0x6014,
            release: 0x0900,
            serial: "EMU232H".to_owned(),
            out_fifo: 1024,
            in_fifo: 1024,
            mpsse_channels: 1,
            open_drain: true,
            ..Model::ft2232h()
        }
    }

    /// An FT2232C: full speed, 6 MHz, none of the H commands.
    pub fn ft2232c() -> Model {
        Model {
            name: "FT2232C".to_owned(),
            product: 0x6010,
            release: 0x0500,
            serial: "EMU2232C".to_owned(),
            packet_bytes: 64,
            out_fifo: 128,
            in_fifo: 384,
            mpsse_channels: 1,
            fast: false,
            open_drain: false,
            high_lines: 4,
            bit_bang: BitBang::Both,
        }
    }

    /// An FT232R, or the FT245R that differs in its pin names only: no MPSSE.
    pub fn ft232r() -> Model {
        Model {
            name: "FT232R".to_owned(),
            product: 0x6001,
            release: 0x0600,
            serial: "EMU232R".to_owned(),
            out_fifo: 128,
            in_fifo: 256,
            mpsse_channels: 0,
            high_lines: 0,
            ..Model::ft2232c()
        }
    }

    /// One of the FT-X family: an FT232R with larger FIFOs.
    pub fn ft_x() -> Model {
        Model {
            name: "FT-X".to_owned(),
            product: 0x6015,
            release: 0x1000,
            serial: "EMUX".to_owned(),
            out_fifo: 512,
            in_fifo: 512,
            ..Model::ft232r()
        }
    }

    /// An FT232BM: without the synchronous mode.
    pub fn ft232bm() -> Model {
        Model {
            name: "FT232BM".to_owned(),
            release: 0x0400,
            serial: "EMU232BM".to_owned(),
            in_fifo: 384,
            bit_bang: BitBang::Asynchronous,
            ..Model::ft232r()
        }
    }

    /// A successor of an H type. The FIFOs are not published: those of the H type are assumed.
    fn successor(name: &str, product: u16, release: u16, of: Model) -> Model {
        Model {
            name: name.to_owned(),
            product,
            release,
            serial: format!("EMU{}", &name[2..]),
            ..of
        }
    }

    /// The model of this name, in any case; an FT245R is the FT232R, an FT2232D the FT2232C.
    pub fn named(name: &str) -> Option<Model> {
        let name = match name.to_ascii_uppercase().as_str() {
            "FT245R" => "FT232R".to_owned(),
            "FT2232D" => "FT2232C".to_owned(),
            "FT245BM" => "FT232BM".to_owned(),
            other => other.to_owned(),
        };
        Model::all()
            .into_iter()
            .find(|model| model.name.eq_ignore_ascii_case(&name))
    }

    /// All models.
    pub fn all() -> Vec<Model> {
        vec![
            Model::ft2232h(),
            Model::ft232h(),
            Model::ft4232h(),
            Model::ft2232c(),
            Model::successor("FT2233HP", 0x6040, 0x2800, Model::ft2232h()),
            Model::successor("FT4233HP", 0x6041, 0x2900, Model::ft4232h()),
            Model::successor("FT2232HP", 0x6042, 0x3000, Model::ft2232h()),
            Model::successor("FT4232HP", 0x6043, 0x3100, Model::ft4232h()),
            Model::successor("FT233HP", 0x6044, 0x3200, Model::ft232h()),
            Model::successor("FT232HP", 0x6045, 0x3300, Model::ft232h()),
            Model::successor("FT4232HA", 0x6048, 0x3600, Model::ft4232h()),
            Model::ft232r(),
            Model::ft_x(),
            Model::ft232bm(),
        ]
    }

    /// Those with an MPSSE.
    pub fn with_mpsse() -> Vec<Model> {
        let mut all = Model::all();
        all.retain(|model| model.mpsse_channels > 0);
        all
    }

    /// Ticks of a frame and packet slots in it.
    pub(super) fn frame(&self) -> (Ticks, u64) {
        if self.packet_bytes > 64 {
            (125 * TICKS_PER_US, 13)
        } else {
            (1000 * TICKS_PER_US, 19)
        }
    }
}

/// The numbers that the model of time leaves open.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Timing {
    /// From the end of one command's clocks to the start of the next command.
    pub gap_ns: u64,
    /// From the end of a transfer to the moment that the host has queued the next one.
    pub turnaround_ns: u64,
}

impl Default for Timing {
    fn default() -> Timing {
        Timing {
            gap_ns: 100,
            turnaround_ns: 50_000,
        }
    }
}

/// What goes wrong with the adapter, counted in bytes of bulk data that it has taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Faults {
    /// The plug is pulled after so many bytes: the chip has no power and drives nothing.
    pub unplug_after: Option<u64>,
    /// The chip hangs after so many bytes: it takes, does and answers nothing more, and its
    /// lines stay as they are.
    pub hang_after: Option<u64>,
}

/// Which line of the bench each line of the chip goes to: 0 to 7 are the low byte, 8 to 15 the
/// high byte.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Wiring {
    /// The chip's lines that are TCK, TDI, TDO and TMS. An MPSSE has them on 0, 1, 2 and 3.
    pub tap: [u8; 4],
    /// Line of the chip, side line of the bench.
    pub lines: Vec<(u8, Line)>,
}

impl Default for Wiring {
    /// A plain module with an MPSSE: spare 0 to 3 on the low byte from line 4, spare 4 to 7 on
    /// the high byte from line 8, TRST* on line 12 and system reset on line 13.
    fn default() -> Wiring {
        let spares = (0..8).map(|k| (4 + k, Line::Spare(k)));
        Wiring {
            tap: [0, 1, 2, 3],
            lines: spares
                .chain([(12, Line::Trst), (13, Line::SystemReset)])
                .collect(),
        }
    }
}

impl Wiring {
    /// A plain module of a channel of this chip, 0 for A. Without an MPSSE: TCK on line 0 (TXD), TDO on 1 (RXD), TMS
    /// on 2 (RTS), TDI on 4 (DTR), TRST* on 3 (CTS), system reset on 5 (DSR), spare 0 on 6
    /// (DCD), spare 1 on 7 (RI): no line that the chip drives as a serial port meets an output
    /// of the board.
    pub fn plain(model: &Model, channel: u8) -> Wiring {
        if channel < model.mpsse_channels {
            return Wiring::default();
        }
        Wiring {
            tap: [0, 4, 1, 2],
            lines: vec![
                (3, Line::Trst),
                (5, Line::SystemReset),
                (6, Line::Spare(0)),
                (7, Line::Spare(1)),
            ],
        }
    }

    /// Without the lines that the chip does not have.
    pub(super) fn on(mut self, model: &Model) -> Wiring {
        let lines = 8 + model.high_lines;
        let tap = self.tap;
        self.lines
            .retain(|&(pin, _)| !tap.contains(&pin) && pin < lines);
        self
    }
}
