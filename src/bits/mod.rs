//! Scan data: packed bit strings and their text.
//!
//! **Bit 0 is the bit nearest TDO**: the first one that leaves a register and the first one
//! shifted in. Hexadecimal and binary text is written most significant bit first, as numbers
//! are, so bit 0 is the rightmost digit's lowest bit.
//!
//! This room knows nothing of TAPs, devices or USB.

mod text;

pub use text::BitsTextError;

/// A string of bits, packed in 64-bit words, bit 0 nearest TDO.
///
/// Unused bits of the last word are always zero, so equality and hashing are by value.
#[derive(Clone, Default, PartialEq, Eq, Hash)]
pub struct Bits {
    len: usize,
    words: Vec<u64>,
}

/// Words needed for `len` bits.
const fn words_for(len: usize) -> usize {
    len.div_ceil(64)
}

/// The lowest `n` bits set; `n` at most 64.
const fn low_mask(n: usize) -> u64 {
    if n >= 64 { u64::MAX } else { (1 << n) - 1 }
}

impl Bits {
    /// An empty string.
    pub const fn new() -> Self {
        Bits {
            len: 0,
            words: Vec::new(),
        }
    }

    /// An empty string with room for `bits` bits.
    pub fn with_capacity(bits: usize) -> Self {
        Bits {
            len: 0,
            words: Vec::with_capacity(words_for(bits)),
        }
    }

    /// `len` zeros.
    pub fn zeros(len: usize) -> Self {
        Bits {
            len,
            words: vec![0; words_for(len)],
        }
    }

    /// `len` ones.
    pub fn ones(len: usize) -> Self {
        let mut bits = Bits {
            len,
            words: vec![u64::MAX; words_for(len)],
        };
        bits.trim();
        bits
    }

    /// The lowest `len` bits of `value`.
    ///
    /// # Panics
    /// If `len` is above 64.
    pub fn from_u64(value: u64, len: usize) -> Self {
        assert!(len <= 64, "at most 64 bits fit a u64, not {len}");
        let mut bits = Bits {
            len,
            words: vec![value; words_for(len)],
        };
        bits.trim();
        bits
    }

    /// Bits from bytes, bit 0 of byte 0 first; `len` bits of them.
    ///
    /// # Panics
    /// If the bytes hold fewer than `len` bits.
    pub fn from_bytes(bytes: &[u8], len: usize) -> Self {
        assert!(bytes.len() * 8 >= len, "{len} bits need more bytes");
        let mut words = Vec::with_capacity(words_for(len));
        for chunk in bytes[..len.div_ceil(8)].chunks(8) {
            let mut word = [0; 8];
            word[..chunk.len()].copy_from_slice(chunk);
            words.push(u64::from_le_bytes(word));
        }
        let mut bits = Bits { len, words };
        bits.trim();
        bits
    }

    /// The bits as bytes, bit 0 in the lowest bit of byte 0; unused bits are zero.
    pub fn to_bytes(&self) -> Vec<u8> {
        let mut bytes: Vec<u8> = self.words.iter().flat_map(|w| w.to_le_bytes()).collect();
        bytes.truncate(self.len.div_ceil(8));
        bytes
    }

    /// Number of bits.
    pub const fn len(&self) -> usize {
        self.len
    }

    /// Whether there are no bits.
    pub const fn is_empty(&self) -> bool {
        self.len == 0
    }

    /// The packed words, bit 0 in the lowest bit of word 0.
    pub fn words(&self) -> &[u64] {
        &self.words
    }

    /// Bit `i`.
    ///
    /// # Panics
    /// If `i` is not below the length.
    pub fn get(&self, i: usize) -> bool {
        assert!(i < self.len, "bit {i} of {}", self.len);
        self.words[i / 64] >> (i % 64) & 1 == 1
    }

    /// Sets bit `i` to `value`.
    ///
    /// # Panics
    /// If `i` is not below the length.
    pub fn set(&mut self, i: usize, value: bool) {
        assert!(i < self.len, "bit {i} of {}", self.len);
        let bit = 1 << (i % 64);
        if value {
            self.words[i / 64] |= bit;
        } else {
            self.words[i / 64] &= !bit;
        }
    }

    /// Appends one bit at the far end (shifted last).
    pub fn push(&mut self, value: bool) {
        if self.len.is_multiple_of(64) {
            self.words.push(0);
        }
        self.len += 1;
        if value {
            self.set(self.len - 1, true);
        }
    }

    /// Appends the lowest `n` bits of `value`.
    ///
    /// # Panics
    /// If `n` is above 64.
    pub fn push_u64(&mut self, value: u64, n: usize) {
        assert!(n <= 64, "at most 64 bits fit a u64, not {n}");
        if n == 0 {
            return;
        }
        let value = value & low_mask(n);
        let at = self.len % 64;
        if at == 0 {
            self.words.push(value);
        } else {
            *self.words.last_mut().expect("a started word") |= value << at;
            if at + n > 64 {
                self.words.push(value >> (64 - at));
            }
        }
        self.len += n;
    }

    /// Appends `n` copies of `value`.
    pub fn push_run(&mut self, value: bool, n: usize) {
        let word = if value { u64::MAX } else { 0 };
        let mut left = n;
        while left > 0 {
            let take = left.min(64);
            self.push_u64(word, take);
            left -= take;
        }
    }

    /// Appends all bits of `other` (they are shifted after the present ones).
    pub fn append(&mut self, other: &Bits) {
        if self.len.is_multiple_of(64) {
            self.words.extend_from_slice(&other.words);
            self.len += other.len;
            return;
        }
        let mut left = other.len;
        for &word in &other.words {
            let take = left.min(64);
            self.push_u64(word, take);
            left -= take;
        }
    }

    /// `n` bits from bit `start`, as a number.
    ///
    /// # Panics
    /// If the range leaves the string or `n` is above 64.
    pub fn get_u64(&self, start: usize, n: usize) -> u64 {
        assert!(
            n <= 64 && start + n <= self.len,
            "bits {start}+{n} of {}",
            self.len
        );
        if n == 0 {
            return 0;
        }
        let (word, at) = (start / 64, start % 64);
        let mut value = self.words[word] >> at;
        if at + n > 64 {
            value |= self.words[word + 1] << (64 - at);
        }
        value & low_mask(n)
    }

    /// A copy of `n` bits from bit `start`.
    ///
    /// # Panics
    /// If the range leaves the string.
    pub fn slice(&self, start: usize, n: usize) -> Bits {
        assert!(start + n <= self.len, "bits {start}+{n} of {}", self.len);
        if start.is_multiple_of(64) {
            let first = start / 64;
            let mut out = Bits {
                len: n,
                words: self.words[first..first + words_for(n)].to_vec(),
            };
            out.trim();
            return out;
        }
        let mut out = Bits::with_capacity(n);
        let mut done = 0;
        while done < n {
            let take = (n - done).min(64);
            out.push_u64(self.get_u64(start + done, take), take);
            done += take;
        }
        out
    }

    /// Overwrites the bits from `start` with `other`.
    ///
    /// # Panics
    /// If the range leaves the string.
    pub fn write(&mut self, start: usize, other: &Bits) {
        assert!(
            start + other.len <= self.len,
            "bits {start}+{} of {}",
            other.len,
            self.len
        );
        for i in 0..other.len {
            self.set(start + i, other.get(i));
        }
    }

    /// Whether every bit has `value`; true for an empty string.
    pub fn all(&self, value: bool) -> bool {
        if value {
            self.count_ones() == self.len
        } else {
            self.words.iter().all(|&w| w == 0)
        }
    }

    /// Number of ones.
    pub fn count_ones(&self) -> usize {
        self.words.iter().map(|w| w.count_ones() as usize).sum()
    }

    /// The bits from first shifted to last.
    pub fn iter(&self) -> impl ExactSizeIterator<Item = bool> + '_ {
        (0..self.len).map(|i| self.get(i))
    }

    /// The places where `self` and `expected` differ and `mask` is one, lowest first.
    ///
    /// # Panics
    /// If the three lengths differ.
    pub fn differing(&self, expected: &Bits, mask: &Bits) -> Vec<usize> {
        assert!(
            self.len == expected.len && self.len == mask.len,
            "lengths differ"
        );
        let mut places = Vec::new();
        for (i, ((a, b), m)) in self
            .words
            .iter()
            .zip(&expected.words)
            .zip(&mask.words)
            .enumerate()
        {
            let mut diff = (a ^ b) & m;
            while diff != 0 {
                places.push(i * 64 + diff.trailing_zeros() as usize);
                diff &= diff - 1;
            }
        }
        places
    }

    /// Clears the unused bits of the last word.
    fn trim(&mut self) {
        self.words.truncate(words_for(self.len));
        let odd = self.len % 64;
        if odd != 0
            && let Some(last) = self.words.last_mut()
        {
            *last &= low_mask(odd);
        }
    }
}

impl FromIterator<bool> for Bits {
    fn from_iter<I: IntoIterator<Item = bool>>(iter: I) -> Self {
        let mut bits = Bits::new();
        for bit in iter {
            bits.push(bit);
        }
        bits
    }
}

impl Extend<bool> for Bits {
    fn extend<I: IntoIterator<Item = bool>>(&mut self, iter: I) {
        for bit in iter {
            self.push(bit);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pushes_cross_words() {
        let mut bits = Bits::new();
        bits.push_run(true, 60);
        bits.push_u64(0b1010_1010, 8);
        assert_eq!(bits.len(), 68);
        assert_eq!(bits.get_u64(60, 8), 0b1010_1010);
        assert_eq!(bits.slice(58, 10).get_u64(0, 10), 0b10_1010_1011);
        bits.push_run(false, 60);
        bits.push(true);
        assert_eq!(bits.len(), 129);
        assert!(bits.get(128) && !bits.get(127));
        assert_eq!(bits.count_ones(), 60 + 4 + 1);
    }

    #[test]
    fn a_full_word_appends_to_a_started_one() {
        let mut bits = Bits::from_u64(1, 1);
        bits.push_u64(u64::MAX, 64);
        assert_eq!(bits, Bits::ones(65));
        let mut twice = Bits::from_u64(0b01, 2);
        twice.append(&bits);
        assert_eq!(twice.slice(2, 65), bits);
    }

    #[test]
    fn bytes_go_and_come_back() {
        let bits = Bits::from_bytes(&[0x34, 0x12, 0xff], 20);
        assert_eq!(bits.get_u64(0, 16), 0x1234);
        assert_eq!(bits.to_bytes(), [0x34, 0x12, 0x0f]);
    }

    #[test]
    fn differences_are_seen_under_the_mask_only() {
        let seen = Bits::from_u64(0b1100, 4);
        let expected = Bits::from_u64(0b1010, 4);
        assert_eq!(seen.differing(&expected, &Bits::ones(4)), [1, 2]);
        assert_eq!(seen.differing(&expected, &Bits::from_u64(0b0100, 4)), [2]);
    }

    #[test]
    fn writing_over_a_part_leaves_the_rest() {
        let mut bits = Bits::ones(70);
        bits.write(62, &Bits::zeros(4));
        assert_eq!(bits.count_ones(), 66);
        assert!(bits.get(61) && !bits.get(62) && !bits.get(65) && bits.get(66));
        assert!(Bits::zeros(70).all(false) && Bits::ones(70).all(true));
        assert!(!bits.all(true) && !bits.all(false));
    }
}
