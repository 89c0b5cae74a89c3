//! Strings of 0, 1 and X: opcodes, captures, identity codes.

use std::fmt;

/// One character of a pattern.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Trit {
    /// `0`.
    Zero,
    /// `1`.
    One,
    /// `X`: unknown or of no concern.
    X,
}

impl Trit {
    /// From the character as written; `x` counts as `X`.
    pub fn from_char(c: u8) -> Option<Self> {
        match c {
            b'0' => Some(Self::Zero),
            b'1' => Some(Self::One),
            b'X' | b'x' => Some(Self::X),
            _ => None,
        }
    }

    /// `Some(level)` for 0 and 1, `None` for X.
    pub fn value(self) -> Option<bool> {
        match self {
            Self::Zero => Some(false),
            Self::One => Some(true),
            Self::X => None,
        }
    }

    /// True if `bit` is possible here: equal, or X.
    pub fn admits(self, bit: bool) -> bool {
        self.value().is_none_or(|v| v == bit)
    }

    /// `0`, `1` or `X`.
    pub fn to_char(self) -> char {
        match self {
            Self::Zero => '0',
            Self::One => '1',
            Self::X => 'X',
        }
    }
}

impl From<bool> for Trit {
    fn from(bit: bool) -> Self {
        if bit { Self::One } else { Self::Zero }
    }
}

impl fmt::Display for Trit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Write::write_char(f, self.to_char())
    }
}

/// Bits of 0, 1 and X. Bit 0 is the rightmost character, nearest TDO, shifted first; `Display` writes bit 0 last.
#[derive(Clone, PartialEq, Eq, Hash, Default)]
pub struct Pattern {
    /// Bit 0 first.
    bits: Box<[Trit]>,
}

/// Why a text is no pattern.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum PatternError {
    /// A character other than 0, 1, X.
    #[error("character {} of the pattern is {:?}, expected 0, 1 or X", index + 1, *found as char)]
    Character {
        /// Byte index from the left.
        index: usize,
        /// What stands there.
        found: u8,
    },
    /// No character at all.
    #[error("the pattern is empty")]
    Empty,
}

impl Pattern {
    /// From bits, bit 0 first.
    pub fn from_bits(bits: impl IntoIterator<Item = Trit>) -> Self {
        Self {
            bits: bits.into_iter().collect(),
        }
    }

    /// `len` bits, all 1 (the BYPASS opcode of that length).
    pub fn ones(len: usize) -> Self {
        Self {
            bits: vec![Trit::One; len].into(),
        }
    }

    /// The low `len` bits (at most 64) of `value`, none of them X.
    pub fn from_u64(value: u64, len: usize) -> Self {
        Self::from_bits((0..len.min(64)).map(|i| Trit::from(value >> i & 1 == 1)))
    }

    /// Number of bits.
    pub fn len(&self) -> usize {
        self.bits.len()
    }

    /// True if there is no bit.
    pub fn is_empty(&self) -> bool {
        self.bits.is_empty()
    }

    /// Bit `i`; bit 0 is nearest TDO.
    ///
    /// # Panics
    /// If `i` is not below [`len`](Self::len), as for any slice.
    pub fn bit(&self, i: usize) -> Trit {
        self.bits[i]
    }

    /// The bits, bit 0 first.
    pub fn bits(&self) -> &[Trit] {
        &self.bits
    }

    /// True if no bit is X.
    pub fn is_fixed(&self) -> bool {
        !self.bits.contains(&Trit::X)
    }

    /// True if `bits` (bit 0 first) has the same length and agrees wherever the pattern is not X.
    pub fn matches(&self, bits: &[bool]) -> bool {
        bits.len() == self.len() && self.bits.iter().zip(bits).all(|(t, &b)| t.admits(b))
    }

    /// As [`matches`](Self::matches), against the low bits of a number; false for patterns of more than 64 bits and
    /// for numbers with a 1 above the pattern.
    pub fn matches_u64(&self, value: u64) -> bool {
        let len = self.len();
        len <= 64
            && (len == 64 || value >> len == 0)
            && self
                .bits
                .iter()
                .enumerate()
                .all(|(i, t)| t.admits(value >> i & 1 == 1))
    }

    /// True if some sequence of bits fits both patterns.
    pub fn overlaps(&self, other: &Self) -> bool {
        self.len() == other.len()
            && self
                .bits
                .iter()
                .zip(&other.bits)
                .all(|(a, b)| a == b || *a == Trit::X || *b == Trit::X)
    }

    /// The bits with every X taken as `x`, bit 0 first.
    pub fn bits_with_x_as(&self, x: bool) -> Vec<bool> {
        self.bits.iter().map(|t| t.value().unwrap_or(x)).collect()
    }

    /// As a number with every X taken as `x`; `None` for more than 64 bits.
    pub fn value_with_x_as(&self, x: bool) -> Option<u64> {
        (self.len() <= 64).then(|| {
            self.bits
                .iter()
                .enumerate()
                .fold(0, |v, (i, t)| v | u64::from(t.value().unwrap_or(x)) << i)
        })
    }

    /// Ones where the pattern is not X; `None` for more than 64 bits.
    pub fn care_mask(&self) -> Option<u64> {
        (self.len() <= 64).then(|| {
            self.bits
                .iter()
                .enumerate()
                .fold(0, |v, (i, t)| v | u64::from(*t != Trit::X) << i)
        })
    }

    /// From text without spaces, leftmost character the highest bit.
    ///
    /// # Errors
    /// [`PatternError`] names the first wrong character, or says that the text is empty.
    pub fn parse(text: &[u8]) -> Result<Self, PatternError> {
        if text.is_empty() {
            return Err(PatternError::Empty);
        }
        let mut bits = Vec::with_capacity(text.len());
        for (index, &found) in text.iter().enumerate() {
            bits.push(Trit::from_char(found).ok_or(PatternError::Character { index, found })?);
        }
        bits.reverse();
        Ok(Self { bits: bits.into() })
    }
}

impl std::str::FromStr for Pattern {
    type Err = PatternError;
    fn from_str(s: &str) -> Result<Self, PatternError> {
        Self::parse(s.as_bytes())
    }
}

impl fmt::Display for Pattern {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.bits.iter().rev().try_for_each(|t| t.fmt(f))
    }
}

impl fmt::Debug for Pattern {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Pattern({self})")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bit_zero_is_the_rightmost_character() {
        let p: Pattern = "000XXX01".parse().unwrap();
        assert_eq!(
            (p.bit(0), p.bit(1), p.bit(2), p.bit(7)),
            (Trit::One, Trit::Zero, Trit::X, Trit::Zero)
        );
        assert_eq!(p.to_string(), "000XXX01");
        assert_eq!(p.value_with_x_as(false), Some(0b0000_0001));
        assert_eq!(p.value_with_x_as(true), Some(0b0001_1101));
        assert_eq!(p.care_mask(), Some(0b1110_0011));
        assert!(p.matches_u64(0b0001_0101) && !p.matches_u64(0b0001_0111) && !p.matches_u64(0x101));
        assert!(p.matches(&[true, false, true, false, true, false, false, false]));
        assert!(!p.matches(&[true, false]));
    }

    #[test]
    fn wrong_characters_are_named() {
        assert_eq!(
            Pattern::parse(b"01Z"),
            Err(PatternError::Character {
                index: 2,
                found: b'Z'
            })
        );
        assert_eq!(Pattern::parse(b""), Err(PatternError::Empty));
    }

    #[test]
    fn sixty_four_bits_do_not_overflow() {
        let p = Pattern::ones(64);
        assert_eq!(p.value_with_x_as(false), Some(u64::MAX));
        assert!(p.matches_u64(u64::MAX));
        assert_eq!(Pattern::ones(65).value_with_x_as(false), None);
    }
}
