//! The bit-bang modes: each byte from the OUT FIFO goes to the pins of the low byte.

use crate::bits::Bits;
use crate::tap::{Clocks, PortError};

use super::chip::{EmulatedChip, Mode};
use super::time::{TICKS_PER_US, Ticks};

/// The baud generator's clock in MHz times eight: divisors count in eighths.
const EIGHTHS_MHZ: u64 = 48 * 8;
/// What the three bits of the divisor's fraction mean, in eighths (from memory of the Linux
/// kernel's serial driver).
const FRACTIONS: [u32; 8] = [0, 4, 2, 1, 3, 5, 6, 7];

impl<C: Clocks> EmulatedChip<C> {
    /// Whether the channel is in a bit-bang mode.
    pub(super) fn bangs(&self) -> bool {
        matches!(self.mode, Mode::BitBang { .. })
    }

    /// Ticks from one byte to the next: 16 times the baud rate, which is 3 MHz over the divisor.
    pub(super) fn byte_ticks(&self) -> Ticks {
        (Ticks::from(self.baud_eighths) * TICKS_PER_US).div_ceil(EIGHTHS_MHZ)
    }

    /// The baud request: 14 bits of the divisor and two of its fraction in the value, the third
    /// one in the index (its high byte where the low one names the channel).
    pub(super) fn set_baud(&mut self, value: u16, index: u16) {
        let whole = u32::from(value & 0x3fff);
        let third = if self.model.mpsse_channels > 0 {
            index >> 8
        } else {
            index
        };
        let code = usize::from(value >> 14 | (third & 1) << 2);
        self.baud_eighths = match (whole, code) {
            // 3 MBaud and 2 MBaud have codes of their own.
            (0, 0) => 8,
            (1, 0) => 12,
            _ => (whole * 8 + FRACTIONS[code]).max(8),
        };
        if self.bangs() {
            self.tell_rate();
        }
    }

    /// Bytes that can go to the pins before the host must do something.
    fn bangable(&self, reads: bool) -> usize {
        let room = self.model.in_fifo - self.in_fifo.len();
        if reads {
            self.out_fifo.len().min(room)
        } else {
            self.out_fifo.len()
        }
    }

    /// Puts out all bytes whose time is over by `until`.
    pub(super) fn bang(&mut self, until: Ticks, reads: bool) -> Result<(), PortError> {
        let unit = self.byte_ticks();
        loop {
            let there = self.bangable(reads) as u64;
            if there == 0 {
                self.engine.at = self.engine.at.max(until);
                return Ok(());
            }
            let units = there.min(until.saturating_sub(self.engine.at) / unit);
            if units == 0 {
                return Ok(());
            }
            let mut bytes: Vec<u8> = self.out_fifo.drain(..units as usize).collect();
            let mut rest = &mut bytes[..];
            while !rest.is_empty() {
                let n = self.stretch(rest, reads, unit)?;
                self.engine.at += unit * n as u64;
                rest = &mut rest[n..];
            }
        }
    }

    /// The moment at which an IN packet will be full, or `room` in the OUT FIFO.
    pub(super) fn bang_due(&self, room: usize, reads: bool) -> Option<Ticks> {
        let mut units = self.bangable(reads);
        if units == 0 {
            return None;
        }
        let payload = self.model.packet_bytes - 2;
        if reads && self.in_fifo.len() < payload {
            units = units.min(payload - self.in_fifo.len());
        }
        let free = self.model.out_fifo - self.out_fifo.len();
        if free < room {
            units = units.min(room - free);
        }
        Some(self.engine.at + self.byte_ticks() * units as u64)
    }

    /// Puts out bytes up to one after which the levels of the bench may be others: a clock with
    /// TMS high, or a change of a side line. Returns how many. Between two of those the spare
    /// lines are read once.
    fn stretch(&mut self, bytes: &[u8], reads: bool, unit: Ticks) -> Result<usize, PortError> {
        let tap = self.pins.tap;
        let sides = self.pins.side_lines() & self.pins.outputs;
        self.pass_to(self.engine.at + unit)?;
        let inputs = self.pins.read(self.clocks.sense()?) & !self.pins.outputs;
        let tdo_before = self.pins.tdo;
        let (mut tms, mut tdi) = (Bits::new(), Bits::new());
        // The reading for each byte, and whether it came with a rising edge.
        let mut readings = Vec::with_capacity(bytes.len());
        let mut tells = false;
        for &byte in bytes {
            let (before, after) = (self.pins.value, u16::from(byte));
            let rises = self.pins.drives(tap.tck) && after & !before & tap.tck != 0;
            let own = before & self.pins.outputs;
            readings.push(((own | inputs) as u8, rises));
            let clock_with_tms = rises && self.pins.level(tap.tms);
            if rises {
                tms.push(self.pins.level(tap.tms));
                tdi.push(self.pins.level(tap.tdi));
            }
            self.pins.value = before & 0xff00 | after;
            tells = (before ^ after) & sides != 0;
            if clock_with_tms || tells {
                break;
            }
        }
        let clocked = if tms.is_empty() {
            Bits::new()
        } else {
            self.cycles(tms, tdi)?
        };
        let mut clocked = clocked.iter();
        let mut tdo = tdo_before;
        if reads {
            let tdo_line = (tap.tdo & !self.pins.outputs) as u8;
            for &(reading, rises) in &readings {
                if rises && let Some(level) = clocked.next() {
                    tdo = level;
                }
                let reading = reading & !tdo_line | if tdo { tdo_line } else { 0 };
                self.in_fifo.push_back(reading);
            }
        }
        if tells {
            self.pins.tell(&mut self.clocks)?;
        }
        Ok(readings.len())
    }
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use super::super::tests::{Probe, answers};
    use super::super::{BitBang, EmulatedAdapter, Model, Timing, Wiring};
    use super::*;
    use crate::tap::{Level, Line};
    use crate::transport::{Usb, UsbError};

    const LONG: Duration = Duration::from_secs(1);
    const SYNCHRONOUS: u16 = 0x0400;
    /// TCK on line 0, TDI 4, TDO 1, TMS 2.
    const TCK: u8 = 1;
    const TDO: u8 = 1 << 1;
    const TMS: u8 = 1 << 2;
    const TDI: u8 = 1 << 4;

    /// In the given mode with these outputs, baud divisor 80: 600,000 bytes a second.
    fn adapter(model: Model, mode: u16) -> EmulatedAdapter<Probe> {
        let probe = Probe {
            spares: 0xff,
            ..Probe::default()
        };
        let timing = Timing {
            gap_ns: 0,
            turnaround_ns: 0,
        };
        let wiring = Wiring::plain(&Model::ft232r(), 0);
        let mut usb = EmulatedAdapter::with(model, 0, wiring, timing, probe);
        usb.control_out(0x09, 1, 0).unwrap();
        usb.control_out(0x03, 80, 0).unwrap();
        usb.control_out(0x0b, mode, 0).unwrap();
        usb.listen(64, 2).unwrap();
        usb
    }

    #[test]
    fn readings_are_one_byte_behind() {
        // The maker's page on synchronous bit-bang: lines at FF, 55 AA sent, FF 55 read; and
        // 55 AA AA sent, FF 55 AA read.
        for model in [Model::ft232r(), Model::ft_x(), Model::ft2232c()] {
            for (sent, read) in [
                (vec![0x55, 0xaa], vec![0xff, 0x55]),
                (vec![0x55, 0xaa, 0xaa], vec![0xff, 0x55, 0xaa]),
            ] {
                let mut usb = adapter(model.clone(), SYNCHRONOUS | 0xff);
                usb.write(vec![0xff], LONG).unwrap();
                answers(&mut usb, 1);
                usb.write(sent.clone(), LONG).unwrap();
                assert_eq!(answers(&mut usb, sent.len()), read, "{}", model.name);
            }
        }
    }

    #[test]
    fn two_bytes_are_a_cycle_and_its_second_reading_has_tdo() {
        let mut usb = adapter(Model::ft232r(), SYNCHRONOUS | u16::from(TCK | TMS | TDI));
        // Three cycles: TMS 0 0 1, TDI 1 0 0; the bench answers with TDI inverted.
        let bytes = [TDI, TDI | TCK, 0, TCK, TMS, TMS | TCK, TMS];
        usb.write(bytes.to_vec(), LONG).unwrap();
        let read = answers(&mut usb, 7);
        let bench = usb.clocks();
        assert_eq!(bench.tms, [false, false, true]);
        assert_eq!(bench.tdi, [true, false, false]);
        assert_eq!(bench.hz, 300_000);
        let tdo: Vec<bool> = read.iter().map(|r| r & TDO != 0).collect();
        assert_eq!([tdo[1], tdo[3], tdo[5]], [false, true, true]);
        // The outputs, one byte behind.
        let own: Vec<u8> = read.iter().map(|r| r & (TCK | TMS | TDI)).collect();
        assert_eq!(own[1..], bytes[..6]);
    }

    #[test]
    fn the_byte_rate_is_sixteen_times_the_baud_rate() {
        // 3 MHz over 80 are 37,500 baud, so 600,000 bytes a second: 1.667 µs each. 60 bytes from
        // the end of their packet's slot (1 ms / 19) take 100 µs.
        let mut usb = adapter(Model::ft232r(), SYNCHRONOUS);
        assert_eq!(usb.chip().byte_ticks(), TICKS_PER_US * 5 / 3);
        // A fraction of 1/8 is code 3: 80.125.
        let chip = usb.chip_mut();
        chip.set_baud(80 | 3 << 14, 0);
        assert_eq!(chip.baud_eighths, 641);
        chip.set_baud(80, 1);
        assert_eq!(chip.baud_eighths, 643, "3/8 is code 4");
        chip.set_baud(0, 0);
        assert_eq!(chip.baud_eighths, 8, "3 MBaud");
        chip.set_baud(80, 0);
        // No empty packet is to come between.
        usb.control_out(0x09, 255, 0).unwrap();
        usb.write(vec![0; 60], LONG).unwrap();
        let joined = usb.ticks().next_multiple_of(1000 * TICKS_PER_US);
        let end = joined + 1000 * TICKS_PER_US / 19 + 100 * TICKS_PER_US;
        while usb.chip().in_fifo.len() < 60 {
            assert!(usb.ticks() <= end, "late");
            usb.pause(Duration::from_nanos(500));
        }
        assert!(usb.ticks() + TICKS_PER_US >= end, "early");
    }

    #[test]
    fn a_host_that_does_not_read_stops_the_bytes() {
        let mut usb = adapter(Model::ft232r(), SYNCHRONOUS | u16::from(TCK));
        usb.listen(64, 0).unwrap();
        let bytes: Vec<u8> = [0, TCK].repeat(500);
        for _ in 0..2 {
            usb.write(bytes.clone(), LONG).unwrap();
        }
        let error = usb.write(bytes, Duration::from_millis(50)).unwrap_err();
        // 256 readings wait, 128 bytes behind them.
        assert_eq!(error, UsbError::TimedOut { done: 384 });
        assert_eq!(usb.clocks().cycles, 128);
    }

    #[test]
    fn directions_come_with_the_mode_and_levels_stay() {
        let mut usb = adapter(Model::ft232r(), SYNCHRONOUS);
        assert_eq!(usb.chip().driven_lines(), 0);
        // TRST* is line 3: low, then an output, then high.
        usb.write(vec![0], LONG).unwrap();
        answers(&mut usb, 1);
        assert!(usb.clocks().lines.is_empty());
        usb.control_out(0x0b, SYNCHRONOUS | 8, 0).unwrap();
        usb.write(vec![8, 8], LONG).unwrap();
        answers(&mut usb, 2);
        usb.control_out(0x0b, SYNCHRONOUS, 0).unwrap();
        let lines = [Level::Low, Level::High, Level::Released].map(|l| (Line::Trst, l));
        assert_eq!(usb.clocks().lines, lines);
    }

    #[test]
    fn spare_lines_are_read_with_the_bytes() {
        let mut usb = adapter(Model::ft232r(), SYNCHRONOUS);
        // Spare 0 is line 6, spare 1 line 7.
        for (spares, high) in [(0b01, 0x40), (0b10, 0x80)] {
            usb.chip_mut().clocks_mut().spares = spares;
            usb.write(vec![0], LONG).unwrap();
            assert_eq!(answers(&mut usb, 1)[0] & 0xc0, high);
        }
    }

    #[test]
    fn the_asynchronous_mode_only_puts_out() {
        let mut usb = adapter(Model::ft232bm(), 0x0100 | u16::from(TCK));
        usb.write([0, TCK].repeat(300), LONG).unwrap();
        usb.pause(Duration::from_millis(20));
        assert_eq!(usb.clocks().cycles, 300);
        assert!(usb.chip().in_fifo.is_empty());
        assert_eq!(
            usb.control_out(0x0b, SYNCHRONOUS, 0),
            Err(UsbError::Stalled)
        );
        assert_eq!(Model::ft232bm().bit_bang, BitBang::Asynchronous);
    }
}
