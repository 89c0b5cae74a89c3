//! How the total of the instruction bits divides among the devices.
//!
//! Each instruction register captures 01 in its two lowest bits, so each device's field begins with 1, then 0 in the stream
//! from TDO. Where such pairs are as many as devices the division is unique; otherwise what is known of a part (by its
//! identity code) may decide. Standard: IEEE Std 1149.1-2001 clause 7.1 (from memory).

use taploom_bsdl::model::Pattern;

use crate::bits::Bits;

use super::{Found, IdCode};

/// What is known of one part: a line of [`KnownParts`].
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct KnownPart {
    /// Its name, usually the BSDL entity.
    pub name: String,
    /// Its identity code, 32 bits, X where it varies.
    pub idcode: Pattern,
    /// Length of its instruction register in bits.
    pub ir_length: usize,
    /// What that captures, if known; X where it varies.
    pub ir_capture: Option<Pattern>,
}

/// Parts whose identity codes are known: from BSDL files or an index of them.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct KnownParts {
    parts: Vec<KnownPart>,
}

impl KnownParts {
    /// No part at all.
    pub fn none() -> Self {
        Self::default()
    }

    /// From a list.
    pub fn new(parts: Vec<KnownPart>) -> Self {
        KnownParts { parts }
    }

    /// Adds what a BSDL file says: one line for each identity code.
    pub fn add(&mut self, device: &taploom_bsdl::Device) {
        for idcode in device.idcodes.iter().filter(|p| p.len() == 32) {
            self.parts.push(KnownPart {
                name: device.entity.clone(),
                idcode: idcode.clone(),
                ir_length: device.instruction_length as usize,
                ir_capture: device.instruction_capture.clone(),
            });
        }
    }

    /// All parts.
    pub fn parts(&self) -> &[KnownPart] {
        &self.parts
    }

    /// The parts that a code fits.
    pub fn with(&self, idcode: IdCode) -> impl Iterator<Item = &KnownPart> {
        self.parts
            .iter()
            .filter(move |p| p.idcode.matches_u64(idcode.0.into()))
    }

    /// What is known of a device with this code: `None` if nothing, or if parts with different instruction registers fit.
    pub fn hint(&self, idcode: Option<IdCode>) -> IrHint {
        let mut fitting = idcode.into_iter().flat_map(|id| self.with(id));
        let Some(first) = fitting.next() else {
            return IrHint::default();
        };
        let mut hint = IrHint {
            length: Some(first.ir_length),
            capture: first.ir_capture.clone(),
        };
        for other in fitting {
            if hint.length != Some(other.ir_length) {
                return IrHint::default();
            }
            if hint.capture != other.ir_capture {
                hint.capture = None;
            }
        }
        hint
    }
}

/// What is known of one device's instruction register.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct IrHint {
    /// Its length in bits.
    pub length: Option<usize>,
    /// What it captures, X where that varies. Used only where its length is that of the field.
    pub capture: Option<Pattern>,
}

/// A division of the instruction bits.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Split {
    /// There is one: lengths TDI to TDO.
    Unique(Vec<usize>),
    /// There are several.
    Ambiguous {
        /// Some of them, at most [`Split::SHOWN`], lengths TDI to TDO.
        some: Vec<Vec<usize>>,
        /// How many there are (`u64::MAX`: that or more).
        count: u64,
    },
    /// There is none: what is known of the parts does not fit what they captured.
    Impossible,
}

impl Split {
    /// Most divisions that are listed.
    pub const SHOWN: usize = 16;

    /// The lengths, TDI to TDO, if there is only one way.
    pub fn lengths(&self) -> Option<&[usize]> {
        match self {
            Split::Unique(lengths) => Some(lengths),
            _ => None,
        }
    }
}

/// Divides what a chain captured, with what is known of its devices.
pub fn split_found(found: &Found, known: &KnownParts) -> Split {
    let Some(capture) = &found.ir_capture else {
        return Split::Impossible;
    };
    let hints: Vec<IrHint> = found.devices.iter().map(|d| known.hint(d.idcode)).collect();
    split(capture, &hints)
}

/// Divides captured instruction bits (bit 0 nearest TDO) among as many devices as there are hints, TDI to TDO.
pub fn split(capture: &Bits, hints: &[IrHint]) -> Split {
    let total = capture.len();
    let devices = hints.len();
    if devices == 0 || total < 2 * devices {
        return Split::Impossible;
    }
    // ways[k][at]: in how many ways the first k devices from TDO fill the bits below `at`.
    let mut ways = vec![vec![0u64; total + 1]; devices + 1];
    ways[0][0] = 1;
    for k in 0..devices {
        let hint = &hints[devices - 1 - k];
        for at in 0..total {
            if ways[k][at] == 0 {
                continue;
            }
            for end in ends(capture, at, hint) {
                ways[k + 1][end] = ways[k + 1][end].saturating_add(ways[k][at]);
            }
        }
    }
    let count = ways[devices][total];
    if count == 0 {
        return Split::Impossible;
    }
    let mut some = Vec::new();
    trace(
        capture,
        hints,
        &ways,
        devices,
        total,
        &mut Vec::new(),
        &mut some,
    );
    if count == 1 {
        Split::Unique(some.swap_remove(0))
    } else {
        Split::Ambiguous { some, count }
    }
}

/// Where a field that begins at `at` may end: in front of another pair or at the end, and as its hint wants.
fn ends<'a>(capture: &'a Bits, at: usize, hint: &'a IrHint) -> impl Iterator<Item = usize> + 'a {
    let total = capture.len();
    let pair = move |i: usize| i + 2 <= total && capture.get_u64(i, 2) == 0b01;
    let begins = pair(at);
    let (least, most) = match hint.length {
        Some(length) => (at + length.max(2), at + length),
        None => (at + 2, total),
    };
    (least..=most.min(total))
        .filter(move |&end| begins && (end == total || pair(end)) && fits(capture, at, end, hint))
}

fn fits(capture: &Bits, at: usize, end: usize, hint: &IrHint) -> bool {
    match &hint.capture {
        Some(pattern) if pattern.len() == end - at => {
            let bits: Vec<bool> = (at..end).map(|i| capture.get(i)).collect();
            pattern.matches(&bits)
        }
        _ => true,
    }
}

/// Collects divisions backwards: `lengths` is filled from TDI on.
fn trace(
    capture: &Bits,
    hints: &[IrHint],
    ways: &[Vec<u64>],
    k: usize,
    end: usize,
    lengths: &mut Vec<usize>,
    some: &mut Vec<Vec<usize>>,
) {
    if some.len() == Split::SHOWN {
        return;
    }
    if k == 0 {
        some.push(lengths.clone());
        return;
    }
    let hint = &hints[hints.len() - k];
    for at in (0..end).rev() {
        if ways[k - 1][at] > 0 && ends(capture, at, hint).any(|e| e == end) {
            lengths.push(end - at);
            trace(capture, hints, ways, k - 1, at, lengths, some);
            lengths.pop();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn unknown(n: usize) -> Vec<IrHint> {
        vec![IrHint::default(); n]
    }

    #[test]
    fn the_worked_examples() {
        // Computed by hand: a 4-bit part capturing 0001 nearest TDO, then a 5-bit part capturing 00001.
        let capture = Bits::from_binary("000010001").unwrap();
        assert_eq!(split(&capture, &unknown(2)), Split::Unique(vec![5, 4]));
        // An 8-bit part whose capture is 000XXX01 (XC95144 BSDL) with XXX = 001.
        let capture = Bits::from_binary("00000101").unwrap();
        assert_eq!(split(&capture, &unknown(1)), Split::Unique(vec![8]));
        assert_eq!(split(&capture, &unknown(2)), Split::Unique(vec![6, 2]));
    }

    #[test]
    fn what_is_known_decides() {
        // Pairs at 0, 2, 4: two devices can be 2+6 or 4+4 bits.
        let capture = Bits::from_binary("00010101").unwrap();
        let Split::Ambiguous { some, count } = split(&capture, &unknown(2)) else {
            panic!()
        };
        assert_eq!(count, 2);
        assert_eq!(some, [vec![4, 4], vec![6, 2]]);
        let length = |n| IrHint {
            length: Some(n),
            capture: None,
        };
        assert_eq!(
            split(&capture, &[length(6), IrHint::default()]),
            Split::Unique(vec![6, 2])
        );
        assert_eq!(
            split(&capture, &[IrHint::default(), length(4)]),
            Split::Unique(vec![4, 4])
        );
        assert_eq!(
            split(&capture, &[length(5), IrHint::default()]),
            Split::Impossible
        );
        let pattern = IrHint {
            length: Some(4),
            capture: Some("0101".parse().unwrap()),
        };
        assert_eq!(
            split(&capture, &[IrHint::default(), pattern]),
            Split::Unique(vec![4, 4])
        );
        let pattern = IrHint {
            length: Some(4),
            capture: Some("0001".parse().unwrap()),
        };
        assert_eq!(
            split(&capture, &[IrHint::default(), pattern]),
            Split::Impossible
        );
    }

    #[test]
    fn captures_without_a_pair_at_the_start_divide_nowhere() {
        for (bits, devices) in [("0010", 1), ("1111", 1), ("01", 2), ("0000", 2), ("", 0)] {
            assert_eq!(
                split(&Bits::from_binary(bits).unwrap(), &unknown(devices)),
                Split::Impossible,
                "{bits}"
            );
        }
    }

    #[test]
    fn divisions_are_counted_like_binomials() {
        // 01 forty times: each pair but the first may begin a field; 8 devices: C(39, 7).
        let capture: Bits = (0..80).map(|i| i % 2 == 0).collect();
        let Split::Ambiguous { some, count } = split(&capture, &unknown(8)) else {
            panic!()
        };
        assert_eq!(count, 15_380_937);
        assert_eq!(some.len(), Split::SHOWN);
        assert!(
            some.iter()
                .all(|s| s.iter().sum::<usize>() == 80 && s.len() == 8)
        );
        assert_eq!(split(&capture, &unknown(40)), Split::Unique(vec![2; 40]));
    }

    #[test]
    fn parts_that_disagree_give_no_hint() {
        let part = |name: &str, ir_length, capture: &str| KnownPart {
            name: name.into(),
            idcode: "XXXX0000000000000001000010000011".parse().unwrap(),
            ir_length,
            ir_capture: capture.parse().ok(),
        };
        let id = Some(IdCode(0x1000_1083));
        let known = KnownParts::new(vec![part("A", 4, "0001"), part("B", 4, "0101")]);
        assert_eq!(
            known.hint(id),
            IrHint {
                length: Some(4),
                capture: None
            }
        );
        let known = KnownParts::new(vec![part("A", 4, "0001"), part("B", 5, "00001")]);
        assert_eq!(known.hint(id), IrHint::default());
        assert_eq!(known.hint(None), IrHint::default());
        assert_eq!(known.with(IdCode(0x1000_1083)).count(), 2);
    }
}
