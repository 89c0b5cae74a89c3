//! What came out of the data registers after reset, read as a list of devices: pure functions over captured bits.
//!
//! The device nearest TDO comes first. A 0 is a device with BYPASS selected, a 1 begins a 32-bit identity code, and the end
//! marker, which was sent in behind, ends the chain. Standard: IEEE Std 1149.1-2001 clause 12 (from memory); the rule of bit
//! 0 also in TI SLAU723A.

use crate::bits::Bits;

use super::IdCode;

/// The end marker: bit 0 is 1 and the manufacturer field is 0x7F, which no device can answer with. The upper 20 bits are
/// ours; no rotation of the word equals it.
pub(super) const MARKER: u32 = 0x6B3A_50FF;

/// How the stream goes on after the last device that could be read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Ending {
    /// The marker came back, whole and to the end of the stream.
    Marker,
    /// Ones to the end.
    Ones,
    /// Zeros to the end.
    Zeros,
    /// The marker is there, but not where the devices end.
    Slipped {
        /// The bit where it begins.
        at: usize,
    },
    /// Devices to the end: the stream was too short for the chain.
    Longer,
    /// None of these.
    Garbled {
        /// The bit at which nothing makes sense any more.
        at: usize,
    },
}

/// The stream, read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Reading {
    /// Devices, **nearest TDO first**; `None` for one that answered as BYPASS.
    pub(super) devices: Vec<Option<IdCode>>,
    /// How the stream goes on.
    pub(super) ending: Ending,
}

/// `len` bits of the repeating marker.
pub(super) fn markers(len: usize) -> Bits {
    (0..len).map(marker_bit).collect()
}

fn marker_bit(i: usize) -> bool {
    MARKER >> (i % 32) & 1 == 1
}

/// Whether the stream from `at` to its end, 32 bits at least, is the repeating marker.
fn marker_from(stream: &Bits, at: usize) -> bool {
    stream.len() >= at + 32 && (at..stream.len()).all(|i| stream.get(i) == marker_bit(i - at))
}

/// Reads a stream that was captured while markers were shifted in.
pub(super) fn read(stream: &Bits) -> Reading {
    let len = stream.len();
    // From this bit on all bits are the same.
    let constant = match len.checked_sub(1) {
        None => 0,
        Some(last) => (0..last)
            .rev()
            .find(|&i| stream.get(i) != stream.get(last))
            .map_or(0, |i| i + 1),
    };
    let mut devices = Vec::new();
    let mut at = 0;
    let ending = loop {
        if marker_from(stream, at) {
            break Ending::Marker;
        }
        // 32 equal bits at least: no identity code is all ones, and a marker never holds so many.
        if at >= constant && len >= at + 32 {
            break if stream.get(at) {
                Ending::Ones
            } else {
                Ending::Zeros
            };
        }
        if at == len {
            break Ending::Longer;
        }
        if !stream.get(at) {
            devices.push(None);
            at += 1;
            continue;
        }
        if at + 32 > len {
            break Ending::Longer;
        }
        let id = IdCode(stream.get_u64(at, 32) as u32);
        if !id.is_possible() {
            break Ending::Garbled { at };
        }
        devices.push(Some(id));
        at += 32;
    };
    let ending = match ending {
        Ending::Longer | Ending::Garbled { .. } => match (0..len).find(|&i| marker_from(stream, i))
        {
            Some(at) => Ending::Slipped { at },
            None => ending,
        },
        other => other,
    };
    if ending == Ending::Zeros {
        // Nobody can tell BYPASS bits from a line that is stuck at 0.
        while devices.last() == Some(&None) {
            devices.pop();
        }
    }
    Reading { devices, ending }
}

/// Where the one bit of `level` that was sent after `lead` bits of the other level came out again, counted as the number of
/// bits in between: the length of what it went through. `None` if it has not come out.
///
/// The bits that the registers had captured come first and may hold both levels; only a bit of `level` behind `lead` others
/// can be the sent one, provided that no captured run of the other level is that long.
pub(super) fn passed_through(stream: &Bits, lead: usize, level: bool) -> Option<usize> {
    let at = (0..stream.len()).rev().find(|&i| stream.get(i) == level)?;
    let length = at.checked_sub(lead)?;
    (length..at)
        .all(|i| stream.get(i) != level)
        .then_some(length)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What a chain answers: devices nearest TDO first, then the marker.
    fn answer(devices: &[Option<u32>], len: usize) -> Bits {
        let mut bits = Bits::new();
        for device in devices {
            match device {
                Some(id) => bits.push_u64((*id).into(), 32),
                None => bits.push(false),
            }
        }
        bits.append(&markers(len));
        bits
    }

    #[test]
    fn the_marker_is_no_rotation_of_itself_and_nobodys() {
        for n in 1..32 {
            assert_ne!(MARKER.rotate_left(n), MARKER);
        }
        assert_eq!(IdCode(MARKER).manufacturer_field(), IdCode::NOBODY);
        assert_eq!(MARKER & 0xFFF, 0x0FF);
    }

    #[test]
    fn devices_come_nearest_tdo_first() {
        let reading = read(&answer(&[Some(0x4111_1043), None, Some(0x2950_8093)], 64));
        let ids = [Some(IdCode(0x4111_1043)), None, Some(IdCode(0x2950_8093))];
        assert_eq!(
            reading,
            Reading {
                devices: ids.to_vec(),
                ending: Ending::Marker
            }
        );
        assert_eq!(
            read(&markers(64)),
            Reading {
                devices: vec![],
                ending: Ending::Marker
            }
        );
    }

    #[test]
    fn constant_ends_tell_where_the_chain_breaks() {
        for (level, ending) in [(true, Ending::Ones), (false, Ending::Zeros)] {
            let mut bits = answer(&[Some(0x4111_1043), Some(0x2950_8093)], 0);
            bits.push_run(level, 200);
            let reading = read(&bits);
            assert_eq!((reading.devices.len(), reading.ending), (2, ending));
            let reading = read(&Bits::from_iter(std::iter::repeat_n(level, 576)));
            assert_eq!((reading.devices.len(), reading.ending), (0, ending));
        }
        // An open input after a part in BYPASS: the part is seen. Shorted low, it cannot be told from the short.
        let mut bits = answer(&[Some(0x4111_1043), None], 0);
        bits.push_run(true, 100);
        assert_eq!(read(&bits).devices.len(), 2);
    }

    #[test]
    fn a_stream_that_slips_is_not_believed() {
        // Sampled one bit early: a stray 1 comes first.
        let mut early = Bits::ones(1);
        early.append(&answer(&[Some(0x9111_1043), Some(0xA950_8093)], 128));
        assert_eq!(read(&early).ending, Ending::Slipped { at: 65 });
        // One clock counted twice in the middle of the first code.
        let whole = answer(&[Some(0x4111_1043), Some(0x2950_8093)], 128);
        let lost: Bits = (0..whole.len())
            .filter(|i| *i != 10)
            .map(|i| whole.get(i))
            .collect();
        assert_eq!(read(&lost).ending, Ending::Slipped { at: 63 });
    }

    #[test]
    fn a_damaged_marker_is_garbled_and_a_short_stream_longer() {
        let mut bits = answer(&[Some(0x4111_1043)], 96);
        bits.set(32 + 70, !bits.get(32 + 70));
        assert_eq!(read(&bits).ending, Ending::Garbled { at: 32 });
        let bits = answer(&[Some(0x4111_1043), Some(0x2950_8093)], 0);
        assert_eq!(read(&bits.slice(0, 50)).ending, Ending::Longer);
        assert_eq!(read(&bits).ending, Ending::Longer);
        assert_eq!(read(&Bits::new()).ending, Ending::Longer);
    }

    #[test]
    fn the_measuring_bit_gives_the_length_whatever_was_captured() {
        for length in [0, 1, 2, 9, 31, 96, 97, 130] {
            for captured in [0x5555_5555_5555_5555u64, 0x1111_1111_1111_1111, 1] {
                let mut stream: Bits = (0..length).map(|i| captured >> (i % 64) & 1 == 1).collect();
                stream.push_run(true, 96);
                stream.push(false);
                stream.push_run(true, 200 - length);
                assert_eq!(passed_through(&stream, 96, false), Some(length), "{length}");
                // Not yet out: no captured bit is taken for it.
                let early = stream.slice(0, 96 + length);
                assert_eq!(passed_through(&early, 96, false), None, "{length}");
            }
        }
    }
}
