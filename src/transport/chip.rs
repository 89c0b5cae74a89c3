//! The USB chips that this program knows, told by product and release number.

/// What the driver must know of a chip.
///
/// Sources: facts of AN_108 / AN2232C and the Linux kernel's serial driver headers (release
/// numbers, FIFO sizes); the TCK ceilings of the H types and the FIFO orientation are from
/// memory, as seen from the host.
#[derive(Debug, PartialEq, Eq)]
pub struct Chip {
    /// The chip's name.
    pub name: &'static str,
    /// idProduct, if the maker's own number is kept.
    pub product: u16,
    /// bcdDevice.
    pub release: u16,
    /// Bytes of the FIFO from the host (OUT), where known.
    pub out_fifo: Option<usize>,
    /// Bytes of the FIFO to the host (IN), where known.
    pub in_fifo: Option<usize>,
    /// Channels in all.
    pub channels: u8,
    /// The first so many of them have an MPSSE.
    pub mpsse_channels: u8,
    /// An H type: 60 MHz base clock, clock-only commands, adaptive and three-phase clocking.
    pub fast: bool,
    /// Lines of the high byte (ACBUS) that the MPSSE sets and reads.
    pub high_lines: u8,
    /// Whether it has synchronous bit-bang that this program uses: full-speed chips from the
    /// FT2232C on (from memory: the BM has the asynchronous mode only, the AM none).
    pub bit_bang: bool,
}

/// How a channel is driven.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Way {
    /// By the serial engine.
    Mpsse,
    /// By synchronous bit-bang.
    BitBang,
}

const KIB: usize = 1024;

/// TCK by bit-bang is this over the divisor.
const BANG_HZ: u32 = 24_000_000;
/// The most that USB at full speed carries, two bytes each way a cycle.
const BANG_HZ_MAX: u32 = 300_000;

/// The base clock of the divisor on an H type with divide-by-5 off.
const FAST_HZ: u32 = 60_000_000;
/// The base clock of the divisor elsewhere.
const SLOW_HZ: u32 = 12_000_000;

#[rustfmt::skip]
const CHIPS: &[Chip] = &[
    old("FT8U232AM", 0x6001, 0x0200, 128, 128, 1, 0),
    old("FT232BM", 0x6001, 0x0400, 128, 384, 1, 0),
    old("FT2232C", 0x6010, 0x0500, 128, 384, 2, 1),
    old("FT232R", 0x6001, 0x0600, 128, 256, 1, 0),
    fast("FT2232H", 0x6010, 0x0700, Some((4 * KIB, 4 * KIB)), 2, 2, 8),
    fast("FT4232H", 0x6011, 0x0800, Some((2 * KIB, 2 * KIB)), 4, 2, 0),
    fast("FT232H", 0x6014, 0x0900, Some((KIB, KIB)), 1, 1, 8),
    old("FT-X", 0x6015, 0x1000, 512, 512, 1, 0),
    fast("FT2233HP", 0x6040, 0x2800, None, 2, 2, 8),
    fast("FT4233HP", 0x6041, 0x2900, None, 4, 2, 0),
    fast("FT2232HP", 0x6042, 0x3000, None, 2, 2, 8),
    fast("FT4232HP", 0x6043, 0x3100, None, 4, 2, 0),
    fast("FT233HP", 0x6044, 0x3200, None, 1, 1, 8),
    fast("FT232HP", 0x6045, 0x3300, None, 1, 1, 8),
    fast("FT4232HA", 0x6048, 0x3600, None, 4, 2, 0),
];

const fn old(
    name: &'static str,
    product: u16,
    release: u16,
    out_fifo: usize,
    in_fifo: usize,
    channels: u8,
    mpsse_channels: u8,
) -> Chip {
    Chip {
        name,
        product,
        release,
        out_fifo: Some(out_fifo),
        in_fifo: Some(in_fifo),
        channels,
        mpsse_channels,
        fast: false,
        high_lines: if mpsse_channels > 0 { 4 } else { 0 },
        bit_bang: release >= 0x0500,
    }
}

const fn fast(
    name: &'static str,
    product: u16,
    release: u16,
    fifos: Option<(usize, usize)>,
    channels: u8,
    mpsse_channels: u8,
    high_lines: u8,
) -> Chip {
    let (out_fifo, in_fifo) = match fifos {
        Some((out, into)) => (Some(out), Some(into)),
        None => (None, None),
    };
    Chip {
        name,
        product,
        release,
        out_fifo,
        in_fifo,
        channels,
        mpsse_channels,
        fast: true,
        high_lines,
        bit_bang: false,
    }
}

impl Chip {
    /// The vendor number of all of them.
    pub const VENDOR: u16 = 0x0403;

    /// All chips, by release number.
    pub const ALL: &'static [Chip] = CHIPS;

    /// The chip with this release number (bcdDevice). Boards may carry their own product
    /// number, so that one does not decide.
    pub fn of_release(release: u16) -> Option<&'static Chip> {
        CHIPS.iter().find(|chip| chip.release == release)
    }

    /// The highest rate of TCK in Hz, on the channel that makes it highest; 0 if this program
    /// cannot drive the chip.
    pub const fn tck_hz_max(&self) -> u32 {
        match (self.mpsse_channels, self.fast) {
            (0, _) if self.bit_bang => BANG_HZ_MAX,
            (0, _) => 0,
            (_, true) => FAST_HZ / 2,
            (_, false) => SLOW_HZ / 2,
        }
    }

    /// Whether this program can drive one of its channels.
    pub const fn can_be_driven(&self) -> bool {
        self.mpsse_channels > 0 || self.bit_bang
    }

    /// How this program drives a channel, 0 for A; `None` if it cannot.
    pub const fn way(&self, channel: u8) -> Option<Way> {
        if channel < self.mpsse_channels {
            Some(Way::Mpsse)
        } else if channel < self.channels && self.bit_bang {
            Some(Way::BitBang)
        } else {
            None
        }
    }

    /// The baud generator's divisor that makes TCK by bit-bang at the highest rate that is not
    /// above `hz`, and that rate in Hz, rounded down; `None` if even the slowest one is above it.
    ///
    /// A byte goes to the pins at 16 times the baud rate (AN232B-01, from memory), the baud rate
    /// is 3 MHz over the divisor, and a cycle of TCK takes two bytes: TCK = 24 MHz / divisor. At
    /// most 300 kHz: USB at full speed carries no more (19 packets a millisecond for both ways
    /// together).
    pub const fn bang_rate(hz: u32) -> Option<(u16, u32)> {
        let wish = if hz > BANG_HZ_MAX { BANG_HZ_MAX } else { hz };
        if wish == 0 {
            return None;
        }
        let divisor = BANG_HZ.div_ceil(wish);
        if divisor > 0x3fff {
            return None;
        }
        Some((divisor as u16, BANG_HZ / divisor))
    }

    /// How TCK is made at the highest possible rate that is not above `hz`; `None` if even the
    /// slowest one is above it.
    pub fn rate(&self, hz: u32) -> Option<Rate> {
        if self.fast
            && let Some(rate) = Rate::below(hz, FAST_HZ)
        {
            return Some(rate);
        }
        Rate::below(hz, SLOW_HZ)
    }
}

/// A divisor of the chip's base clock: TCK = base / (2 * (1 + divisor)).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Rate {
    /// The base clock in Hz: 60 MHz with divide-by-5 off (H types), else 12 MHz.
    pub base_hz: u32,
    /// The value of the divisor command.
    pub divisor: u16,
}

impl Rate {
    fn below(hz: u32, base_hz: u32) -> Option<Rate> {
        let divisor = (base_hz / 2).div_ceil(hz.max(1)) - 1;
        Some(Rate {
            base_hz,
            divisor: u16::try_from(divisor).ok()?,
        })
    }

    /// The rate of TCK in Hz, rounded down.
    pub fn tck_hz(self) -> u32 {
        self.base_hz / 2 / (1 + u32::from(self.divisor))
    }

    /// Whether the base clock is the undivided one of the H types.
    pub fn is_fast(self) -> bool {
        self.base_hz == FAST_HZ
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn divisors_of_the_12_mhz_base_as_published() {
        // The maker's knowledge base, page on the divisor command: 0 = 6 MHz, 1 = 3, 2 = 2,
        // 3 = 1.5, 4 = 1.2 MHz, FFFF = 91.553 Hz.
        let chip = Chip::of_release(0x0500).unwrap();
        for (divisor, hz) in [
            (0, 6_000_000),
            (1, 3_000_000),
            (2, 2_000_000),
            (3, 1_500_000),
            (4, 1_200_000),
            (0xffff, 91),
        ] {
            let rate = Rate {
                base_hz: SLOW_HZ,
                divisor,
            };
            assert_eq!(rate.tck_hz(), hz);
            if divisor < 0xffff {
                assert_eq!(chip.rate(hz), Some(rate));
                assert_eq!(chip.rate(hz + 1), Some(rate));
                assert_eq!(chip.rate(hz - 1).unwrap().divisor, divisor + 1);
            }
        }
        assert_eq!(chip.rate(92).unwrap().divisor, 65218 - 1);
        assert_eq!(chip.rate(91), None, "91.553 Hz is above 91 Hz");
        assert_eq!(chip.rate(100_000_000).unwrap().tck_hz(), 6_000_000);
    }

    #[test]
    fn divisors_of_the_60_mhz_base() {
        // Computed: 0 = 30 MHz, 1 = 15, 2 = 10, 3 = 7.5, 4 = 6, 5 = 5, 9 = 3, 14 = 2, 29 = 1 MHz,
        // 59 = 500 kHz, FFFF = 457.8 Hz.
        let chip = Chip::of_release(0x0700).unwrap();
        for (divisor, hz) in [
            (0, 30_000_000),
            (1, 15_000_000),
            (2, 10_000_000),
            (3, 7_500_000),
            (4, 6_000_000),
            (5, 5_000_000),
            (9, 3_000_000),
            (14, 2_000_000),
            (29, 1_000_000),
            (59, 500_000),
        ] {
            let rate = chip.rate(hz).unwrap();
            assert!(rate.is_fast());
            assert_eq!((rate.divisor, rate.tck_hz()), (divisor, hz));
        }
        // Below 457.8 Hz the divided clock takes over.
        let slow = chip.rate(400).unwrap();
        assert_eq!((slow.is_fast(), slow.divisor), (false, 14999));
        assert_eq!(chip.rate(0), None);
    }

    #[test]
    fn bit_bang_rates_come_from_the_baud_generator() {
        // Computed from byte rate = 16 x baud (AN232B-01) and two bytes a cycle.
        assert_eq!(Chip::bang_rate(300_000), Some((80, 300_000)));
        assert_eq!(Chip::bang_rate(30_000_000), Some((80, 300_000)));
        assert_eq!(Chip::bang_rate(299_999), Some((81, 296_296)));
        assert_eq!(Chip::bang_rate(76_800), Some((313, 76_677)));
        assert_eq!(Chip::bang_rate(1_465), Some((16_383, 1_464)));
        assert_eq!(Chip::bang_rate(1_464), None, "1464.9 Hz is above it");
        assert_eq!(Chip::bang_rate(0), None);
        let way = |release, channel| Chip::of_release(release).unwrap().way(channel);
        assert_eq!(way(0x0600, 0), Some(Way::BitBang));
        assert_eq!(way(0x0600, 1), None);
        assert_eq!(way(0x0500, 0), Some(Way::Mpsse));
        assert_eq!(way(0x0500, 1), Some(Way::BitBang));
        assert_eq!(way(0x0400, 0), None);
        assert_eq!(way(0x0800, 2), None);
    }

    #[test]
    fn no_rate_is_above_the_wish() {
        for chip in CHIPS.iter().filter(|c| c.mpsse_channels > 0) {
            for hz in (100..2000).chain((0..3000).map(|i| 1000 + i * 11_117)) {
                let rate = chip.rate(hz).unwrap();
                let divided = 2 * (1 + u64::from(rate.divisor));
                assert!(u64::from(rate.base_hz) <= u64::from(hz) * divided, "{hz}");
            }
        }
    }
}
