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
            mpsse_channels: 2,
            fast: false,
            open_drain: false,
            high_lines: 4,
        }
    }

    /// The model of this name, in any case.
    pub fn named(name: &str) -> Option<Model> {
        Model::all()
            .into_iter()
            .find(|model| model.name.eq_ignore_ascii_case(name))
    }

    /// All models.
    pub fn all() -> Vec<Model> {
        vec![
            Model::ft2232h(),
            Model::ft232h(),
            Model::ft4232h(),
            Model::ft2232c(),
        ]
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

/// Which side line of the bench each line of the chip goes to. Lines 0 to 3 are TCK, TDI, TDO
/// and TMS; 4 to 7 are the rest of the low byte, 8 to 15 the high byte.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Wiring {
    /// Line of the chip, line of the bench.
    pub lines: Vec<(u8, Line)>,
}

impl Default for Wiring {
    /// A plain module: spare 0 to 3 on the low byte from line 4, spare 4 to 7 on the high byte
    /// from line 8, TRST* on line 12 and system reset on line 13.
    fn default() -> Wiring {
        let spares = (0..8).map(|k| (4 + k, Line::Spare(k)));
        Wiring {
            lines: spares
                .chain([(12, Line::Trst), (13, Line::SystemReset)])
                .collect(),
        }
    }
}

impl Wiring {
    /// Without the lines that the chip does not have.
    pub(super) fn on(mut self, model: &Model) -> Wiring {
        let lines = 8 + model.high_lines;
        self.lines.retain(|&(pin, _)| pin >= 4 && pin < lines);
        self
    }
}
