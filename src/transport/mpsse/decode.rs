//! From answer bytes to the bits of each reading op.

use crate::bits::Bits;

use super::super::Profile;
use super::encode::Part;
use super::op;

/// The raw answers of the given lengths. The bytes are exactly those that `parts` tell.
///
/// # Errors
/// What was expected and what came instead, if a mark is not where it should be.
pub(super) fn decode(
    parts: &[Part],
    bytes: &[u8],
    lengths: impl Iterator<Item = usize>,
    profile: &Profile,
) -> Result<Vec<Bits>, (String, String)> {
    // The marks first: without them the rest means nothing.
    let mut at = 0;
    for part in parts {
        let here = &bytes[at..at + part.bytes()];
        if let Part::Mark(mark) = *part
            && here != [op::BAD_COMMAND, mark]
        {
            return Err((
                format!("the mark fa {mark:02x} at byte {at} of the answer"),
                format!("{:02x} {:02x}", here[0], here[1]),
            ));
        }
        at += part.bytes();
    }
    let mut at = 0;
    let mut parts = parts.iter();
    let mut answers = Vec::new();
    for len in lengths {
        let mut bits = Bits::with_capacity(len);
        while bits.len() < len {
            let part = parts.next().expect("parts for every answer");
            let here = &bytes[at..at + part.bytes()];
            at += part.bytes();
            match *part {
                Part::Bytes(n) => {
                    let whole = Bits::from_bytes(here, n * 8);
                    if bits.is_empty() {
                        bits = whole;
                    } else {
                        bits.append(&whole);
                    }
                }
                // Bits enter at the top and move down: the first of n is bit 8 - n.
                Part::Bits(n) => bits.push_u64(u64::from(here[0] >> (8 - n)), n.into()),
                Part::Tms { len, index } => bits.push(here[0] >> (8 - len + index) & 1 == 1),
                Part::Lines { low, high } => {
                    let low_pins = if low { u16::from(here[0]) } else { 0 };
                    let high_pins = if high {
                        u16::from(here[here.len() - 1])
                    } else {
                        0
                    };
                    bits.push_u64(profile.spare_levels(low_pins | high_pins << 8), 8);
                }
                Part::Mark(_) => {}
            }
        }
        answers.push(bits);
    }
    Ok(answers)
}
