//! What is wrong with a chain that was looked at blindly, as data and in words.

use crate::bits::Bits;

use super::Finding;

/// A symptom of a chain and the cause that it points to. Devices are counted **from TDO**, because that is the end that
/// answers: 1 is the device nearest TDO.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Diagnosis {
    /// Nothing but ones from the first bit: TDO is not driven and pulled up, or stuck high.
    TdoHigh,
    /// Nothing but zeros from the first bit: TDO is stuck low, or nothing is clocked, or a reset is held.
    TdoLow,
    /// The end marker came back at once: TDI is joined to TDO with no device in between.
    NoDevice,
    /// Good devices, then ones for ever: the TDI of the last good one is open and floats to 1.
    OpenBehind {
        /// How many devices answered.
        good: usize,
    },
    /// Good devices, then zeros for ever: the TDI of the last good one is held low (or the device before drives 0).
    LowBehind {
        /// How many devices answered; parts in BYPASS just before the break cannot be told from it and are not counted.
        good: usize,
    },
    /// Devices, and more devices than can be: the end marker had not come after this many bits.
    TooLong {
        /// Bits looked at.
        bits: usize,
    },
    /// The end marker came back, but not where the devices end: bits were lost or doubled.
    Slipped {
        /// Where the marker begins.
        marker_at: usize,
        /// What a ten times slower look gave.
        slower: Slower,
    },
    /// Levels change, but neither devices nor the end marker can be read.
    Garbled {
        /// The bit where it stops making sense.
        at: usize,
        /// What a ten times slower look gave.
        slower: Slower,
    },
    /// Two looks at the same thing differ.
    Unsteady {
        /// The first bit that differs.
        bit: usize,
        /// How many bits differ.
        differing: usize,
        /// Of how many.
        of: usize,
        /// What a ten times slower look gave.
        slower: Slower,
    },
    /// The data registers are fine, the captured instruction bits are all the same.
    IrStuck {
        /// Their level.
        level: bool,
    },
    /// The data registers are fine, the measuring 0 was shifted through the instruction registers and never came out.
    IrNoReturn {
        /// Bits shifted.
        bits: usize,
    },
    /// The captured instruction bits do not begin with 1, then 0, as the device nearest TDO must answer.
    IrStart {
        /// The first two bits, first one in bit 0.
        seen: u8,
    },
    /// Fewer than two instruction bits a device.
    IrTooShort {
        /// Total length.
        total: usize,
        /// Devices.
        devices: usize,
    },
    /// The number of BYPASS bits is not the number of devices that answered after reset.
    BypassCount {
        /// Devices that answered after reset.
        devices: usize,
        /// BYPASS bits; `None` if the measuring 1 never came out.
        bypass: Option<usize>,
    },
    /// At a lower rate other devices answer.
    OtherWhenSlower {
        /// How many devices answered at the rate asked for.
        devices: usize,
        /// How many do at the lower rate.
        slower: usize,
        /// The lower rate in hertz.
        hz: u32,
    },
    /// A BYPASS register captured 1. It works all the same: a departure of the part, not a fault of the chain.
    BypassCapture {
        /// Which devices, counted from TDO.
        from_tdo: Vec<usize>,
    },
}

/// What a look at a lower rate gave.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Slower {
    /// The adapter could not go slower.
    NotTried,
    /// It was no better.
    Same {
        /// The rate in hertz.
        hz: u32,
    },
    /// It was clean.
    Clean {
        /// The rate in hertz.
        hz: u32,
        /// How many devices it showed.
        devices: usize,
    },
}

impl Diagnosis {
    /// Whether the chain cannot be worked with (true for all but departures of single parts).
    pub fn is_break(&self) -> bool {
        !matches!(self, Diagnosis::BypassCapture { .. })
    }

    /// The finding in words. `name` gives the name of a device counted from TDO (1 is nearest), if it has one; the device
    /// before the last good one is asked for by the next number, and 0 is never asked for.
    pub fn finding(&self, name: &dyn Fn(usize) -> Option<String>) -> Finding {
        let device = |from_tdo: usize| name(from_tdo).unwrap_or_else(|| nth(from_tdo));
        let stretch = |good: usize| match name(good + 1) {
            Some(before) => format!("between TDO of {before} and TDI of {}", device(good)),
            None => format!("on the TDI side of {}", device(good)),
        };
        let answered = |good: usize| format!("{} {}", good, plural(good, "device", "devices"));
        let whole = "the end marker behind the last device".to_string();
        let (kind, what, place, expected, seen, mend) = match self {
            Diagnosis::TdoHigh => (
                "tdo high",
                "nothing drives TDO, or it is stuck high".into(),
                "TDO of the chain".into(),
                "a device or the end marker".into(),
                "ones from the first bit on".into(),
                "check the board's power, the plug and its pin order, and the TDO line".into(),
            ),
            Diagnosis::TdoLow => (
                "tdo low",
                "TDO is stuck low, or nothing is clocked, or a reset is held".into(),
                "TDO of the chain".into(),
                "a device or the end marker".into(),
                "zeros from the first bit on".into(),
                "check TDO against ground, then TCK and TMS, then TRST and the board's reset".into(),
            ),
            Diagnosis::NoDevice => (
                "no device",
                "TDI is joined to TDO with no device in between".into(),
                "the whole chain".into(),
                "at least one device".into(),
                "the end marker from the first bit on".into(),
                "check for a loop-back plug, a bypass link or devices that are not powered".into(),
            ),
            Diagnosis::OpenBehind { good } => (
                "open chain",
                "the chain is open here: a TDI that nothing drives reads 1".into(),
                stretch(*good),
                whole,
                format!("{} from TDO, then ones", answered(*good)),
                match name(good + 1) {
                    Some(before) => format!(
                        "check the track, joint or plug of this stretch, and whether {before} is fitted and powered"
                    ),
                    None => "check the track, joint or plug there, and whether the device before it is fitted and powered".into(),
                },
            ),
            Diagnosis::LowBehind { good } => (
                "low chain",
                "the line is held low here, or the device before it answers with zeros only".into(),
                stretch(*good),
                whole,
                format!("{} from TDO, then zeros", answered(*good)),
                "check this stretch for a short to ground, then the device before it: power, reset, compliance pins".into(),
            ),
            Diagnosis::TooLong { bits } => (
                "too long",
                "the chain is longer than can be scanned".into(),
                "the whole chain".into(),
                format!("at most {} devices", super::MOST_DEVICES),
                format!("no end marker within {bits} bits"),
                "check TDO for a signal that is not a scan output".into(),
            ),
            Diagnosis::Slipped { marker_at, slower } => (
                "slipped",
                "bits are lost or doubled on the way".into(),
                "TCK and TDO of the chain".into(),
                whole,
                format!("the end marker at bit {marker_at}, where no device ends{}", slower.seen()),
                slower.mend(),
            ),
            Diagnosis::Garbled { at, slower } => (
                "garbled",
                "what comes from TDO is neither a device nor the end marker".into(),
                "TCK, TMS and TDO of the chain".into(),
                "identity codes or BYPASS bits, then the end marker".into(),
                format!("nonsense from bit {at} on{}", slower.seen()),
                slower.mend(),
            ),
            Diagnosis::Unsteady { bit, differing, of, slower } => (
                "unsteady",
                "the chain does not answer twice the same".into(),
                "TCK, TMS, TDI and TDO of the chain".into(),
                format!("two equal looks of {of} bits"),
                format!(
                    "{differing} {} from bit {bit} on{}",
                    plural(*differing, "bit that differs", "bits that differ"),
                    slower.seen()
                ),
                slower.mend(),
            ),
            Diagnosis::IrStuck { level } => (
                "instruction path stuck",
                "the instruction registers do not answer although the data registers do".into(),
                "the instruction path".into(),
                "1, then 0 from each device".into(),
                format!("{} only", if *level { "ones" } else { "zeros" }),
                "check TMS at every device: one of them may follow another path".into(),
            ),
            Diagnosis::IrNoReturn { bits } => (
                "instruction path open",
                "what goes into the instruction registers does not come out".into(),
                "the instruction path".into(),
                "the measuring 0".into(),
                format!("none within {bits} bits"),
                "check TMS at every device: one of them may follow another path".into(),
            ),
            Diagnosis::IrStart { seen } => (
                "instruction capture",
                "the captured instruction bits do not begin as the standard demands".into(),
                device(1),
                "1, then 0".into(),
                format!("{}, then {}", seen & 1, seen >> 1 & 1),
                "compare at a lower TCK rate; a part that departs here needs its BSDL in the board file".into(),
            ),
            Diagnosis::IrTooShort { total, devices } => (
                "instruction length",
                "there are fewer instruction bits than the devices must have".into(),
                "the instruction path".into(),
                format!("at least {} bits for {devices} {}", 2 * devices, plural(*devices, "device", "devices")),
                format!("{total}"),
                "check TCK and TMS at every device".into(),
            ),
            Diagnosis::BypassCount { devices, bypass } => (
                "bypass count",
                "the number of BYPASS bits is not the number of devices that answered after reset".into(),
                "the whole chain".into(),
                format!("{devices} BYPASS {}", plural(*devices, "bit", "bits")),
                bypass.map_or("none that came out".into(), |n| format!("{n}")),
                "look for a part with a second TAP behind its first, or one whose register after reset is not IDCODE or BYPASS".into(),
            ),
            Diagnosis::OtherWhenSlower { devices, slower, hz } => (
                "other when slower",
                "other devices answer when TCK is slower: bits are lost or doubled on the way".into(),
                "TCK and TDO of the chain".into(),
                format!("the {} of the look at {}", answered(*slower), rate(*hz)),
                format!("{} that differ from those", answered(*devices)),
                Slower::Clean { hz: *hz, devices: *slower }.mend(),
            ),
            Diagnosis::BypassCapture { from_tdo } => (
                "bypass capture",
                "BYPASS captures 1 here, which the standard does not allow; it works all the same".into(),
                from_tdo.iter().map(|&n| device(n)).collect::<Vec<_>>().join(", "),
                "0".into(),
                "1".into(),
                "nothing: take it as a habit of the part".into(),
            ),
        };
        Finding {
            kind,
            what,
            place,
            expected,
            seen,
            mend,
            fault: self.is_break(),
        }
    }
}

impl Slower {
    fn seen(self) -> String {
        match self {
            Slower::NotTried => String::new(),
            Slower::Same { hz } => format!(", and no better at {}", rate(hz)),
            Slower::Clean { hz, devices } => {
                format!(
                    ", but {devices} good {} at {}",
                    plural(devices, "device", "devices"),
                    rate(hz)
                )
            }
        }
    }

    fn mend(self) -> String {
        match self {
            Slower::Clean { hz, .. } => format!(
                "scan at {} or less; for more, shorten the cable, give TCK its own ground and a series resistor at the adapter",
                rate(hz)
            ),
            _ => "check the ground of the adapter, the length of the cable, and TCK for ringing"
                .into(),
        }
    }
}

/// `device 2 from TDO`.
pub(super) fn nth(from_tdo: usize) -> String {
    format!("device {from_tdo} from TDO")
}

pub(super) fn plural(n: usize, one: &'static str, more: &'static str) -> &'static str {
    if n == 1 { one } else { more }
}

/// `600 kHz`, `6 MHz`, `1.5 MHz`.
pub(super) fn rate(hz: u32) -> String {
    let (value, unit) = match hz {
        0..1_000 => return format!("{hz} Hz"),
        1_000..1_000_000 => (f64::from(hz) / 1e3, "kHz"),
        _ => (f64::from(hz) / 1e6, "MHz"),
    };
    let text = format!("{value:.2}");
    format!(
        "{} {unit}",
        text.trim_end_matches('0').trim_end_matches('.')
    )
}

/// The two looks at one thing, where they differ.
pub(super) fn unsteady(first: &Bits, second: &Bits) -> Option<(usize, usize)> {
    let differing = first.differing(second, &Bits::ones(first.len()));
    differing.first().map(|&bit| (bit, differing.len()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_break_is_told_with_names_where_there_are_some() {
        let named = |n: usize| ["U4", "U3", "U2", "U1"].get(n - 1).map(|s| s.to_string());
        assert_eq!(
            Diagnosis::OpenBehind { good: 2 }
                .finding(&named)
                .to_string(),
            "between TDO of U2 and TDI of U3: the chain is open here: a TDI that nothing drives reads 1; expected the end \
             marker behind the last device, seen 2 devices from TDO, then ones; check the track, joint or plug of this \
             stretch, and whether U2 is fitted and powered"
        );
        assert_eq!(
            Diagnosis::LowBehind { good: 4 }.finding(&named).place,
            "on the TDI side of U1"
        );
        assert_eq!(
            Diagnosis::LowBehind { good: 1 }
                .finding(&|_| None)
                .to_string(),
            "on the TDI side of device 1 from TDO: the line is held low here, or the device before it answers with zeros \
             only; expected the end marker behind the last device, seen 1 device from TDO, then zeros; check this stretch \
             for a short to ground, then the device before it: power, reset, compliance pins"
        );
    }

    #[test]
    fn a_slower_look_gives_the_mend() {
        let clean = Slower::Clean {
            hz: 600_000,
            devices: 4,
        };
        let finding = Diagnosis::Slipped {
            marker_at: 65,
            slower: clean,
        }
        .finding(&|_| None);
        assert_eq!(
            finding.seen,
            "the end marker at bit 65, where no device ends, but 4 good devices at 600 kHz"
        );
        assert!(finding.mend.starts_with("scan at 600 kHz or less; "));
        let finding = Diagnosis::Garbled {
            at: 3,
            slower: Slower::Same { hz: 1_500_000 },
        }
        .finding(&|_| None);
        assert_eq!(
            finding.seen,
            "nonsense from bit 3 on, and no better at 1.5 MHz"
        );
        assert_eq!(
            finding.mend,
            "check the ground of the adapter, the length of the cable, and TCK for ringing"
        );
    }

    #[test]
    fn rates_read_well() {
        for (hz, text) in [
            (0, "0 Hz"),
            (91, "91 Hz"),
            (1_000, "1 kHz"),
            (600_000, "600 kHz"),
            (6_000_000, "6 MHz"),
            (30_000_000, "30 MHz"),
        ] {
            assert_eq!(rate(hz), text);
        }
    }
}
