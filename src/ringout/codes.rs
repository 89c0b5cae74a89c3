//! Codes for many nets at once: which net is at which level in which vector.
//!
//! A code gives every net a word of its own, one bit a vector; in vector v every net is driven to bit v of its word. The
//! numbers of vectors are the published ones: counting Kautz 1974, modified counting Goel and McMahon 1982,
//! true/complement Wagner 1987, walking Hassan et al. 1988, antichain Cheng, Lewandowski and Wu 1990 (all \[memory\]).
//!
//! Codes drive many nets to different levels. They come only after a screening has shown that no two of the nets are
//! joined.

use std::fmt;

use crate::bits::Bits;

/// A way to give nets their words.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Sequence {
    /// Net i (0 the first) has the number i + 1, in as few bits as leave out all zeros and all ones.
    ModifiedCounting,
    /// Words of one weight, half of the bits rounded down: none covers another. In rising order.
    Antichain,
    /// A number for each net, then the same inverted.
    TrueComplement,
    /// One net is 1, all others 0, one after the other.
    WalkingOnes,
    /// One net is 0, all others 1, one after the other.
    WalkingZeros,
}

impl Sequence {
    /// All of them with their names in documents; the ones that tell more faults apart come later (facts that a pair of
    /// joined nets may hide: counting aliases, true/complement never does, walking shows every pair).
    pub const ALL: [(Self, &'static str); 5] = [
        (Self::ModifiedCounting, "modified counting"),
        (Self::Antichain, "antichain"),
        (Self::TrueComplement, "true/complement"),
        (Self::WalkingOnes, "walking ones"),
        (Self::WalkingZeros, "walking zeros"),
    ];

    /// Its name in documents.
    pub fn as_str(self) -> &'static str {
        Self::ALL
            .iter()
            .find(|(s, _)| *s == self)
            .map_or("", |(_, name)| name)
    }

    /// How many vectors it takes for so many nets.
    pub fn vectors(self, nets: usize) -> usize {
        match self {
            Self::ModifiedCounting => log2_up(nets + 2),
            Self::TrueComplement => 2 * log2_up(nets),
            Self::WalkingOnes | Self::WalkingZeros => nets,
            Self::Antichain => (0..=64u32)
                .find(|p| choose(*p, p / 2) >= nets as u128)
                .unwrap_or(64) as usize,
        }
    }
}

impl fmt::Display for Sequence {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.as_str())
    }
}

/// The words of so many nets.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Codes {
    sequence: Sequence,
    nets: usize,
    vectors: usize,
    /// By net, for all but walking: bit v for vector v.
    words: Vec<u64>,
}

impl Codes {
    /// Gives so many nets their words.
    pub fn new(sequence: Sequence, nets: usize) -> Self {
        let vectors = sequence.vectors(nets);
        let words = match sequence {
            Sequence::WalkingOnes | Sequence::WalkingZeros => Vec::new(),
            Sequence::ModifiedCounting => (1..=nets as u64).collect(),
            Sequence::TrueComplement => {
                let half = vectors / 2;
                let mask = ones_below(half);
                // Where the numbers 1 to N fit they are taken, else the last net has 0.
                let numbers = (1..=nets as u64).map(|k| k & mask);
                numbers.map(|k| k | (!k & mask) << half).collect()
            }
            Sequence::Antichain => weighted(vectors as u32 / 2).take(nets).collect(),
        };
        Codes {
            sequence,
            nets,
            vectors,
            words,
        }
    }

    /// Which sequence it is.
    pub fn sequence(&self) -> Sequence {
        self.sequence
    }

    /// How many nets have words.
    pub fn nets(&self) -> usize {
        self.nets
    }

    /// How many vectors there are.
    pub fn vectors(&self) -> usize {
        self.vectors
    }

    /// The level of a net in a vector.
    ///
    /// # Panics
    /// If there is no such net or vector.
    pub fn level(&self, net: usize, vector: usize) -> bool {
        assert!(net < self.nets && vector < self.vectors, "no such place");
        match self.sequence {
            Sequence::WalkingOnes => net == vector,
            Sequence::WalkingZeros => net != vector,
            _ => self.words[net] >> vector & 1 == 1,
        }
    }

    /// The word of a net: bit v is its level in vector v.
    pub fn word(&self, net: usize) -> Bits {
        (0..self.vectors).map(|v| self.level(net, v)).collect()
    }

    /// How many nets change between a vector and the next: the Hamming distance of the two. Before the first vector
    /// all nets are off, so all of them switch.
    pub fn switching(&self) -> Vec<usize> {
        let change = |v: usize| match (v, self.sequence) {
            (0, _) => self.nets,
            (_, Sequence::WalkingOnes | Sequence::WalkingZeros) => 2,
            _ => (self.words.iter())
                .filter(|w| (*w >> v ^ *w >> (v - 1)) & 1 == 1)
                .count(),
        };
        (0..self.vectors).map(change).collect()
    }

    /// How many updates it takes when at most `max_switching` nets may change in one: the vectors and what has to be
    /// put between them.
    pub fn updates(&self, max_switching: usize) -> usize {
        let steps = |n: &usize| n.div_ceil(max_switching.max(1)).max(1);
        self.switching().iter().map(steps).sum()
    }
}

/// The least p with 2^p >= n.
fn log2_up(n: usize) -> usize {
    n.max(1).next_power_of_two().trailing_zeros() as usize
}

fn ones_below(bits: usize) -> u64 {
    if bits >= 64 { !0 } else { (1 << bits) - 1 }
}

fn choose(n: u32, k: u32) -> u128 {
    (0..u128::from(k)).fold(1, |c, i| c * (u128::from(n) - i) / (i + 1))
}

/// Numbers with so many ones, in rising order.
fn weighted(weight: u32) -> impl Iterator<Item = u64> {
    let first = ones_below(weight as usize);
    // The next number of the same weight: the lowest run of ones moves up by one, what is left of it goes to the
    // bottom.
    std::iter::successors(Some(first), |x| {
        let low = x & x.wrapping_neg();
        let up = x.checked_add(low).filter(|_| low != 0)?;
        Some(up | ((x ^ up) / low) >> 2)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Numbers of vectors: Goel and McMahon 1982, Wagner 1987, Cheng et al. 1990, Hassan et al. 1988 [memory]; the
    /// rows are computed by their formulas.
    #[test]
    fn vectors_are_as_published() {
        let rows = [
            (2, 2, 2, 2),
            (6, 3, 6, 4),
            (8, 4, 6, 5),
            (14, 4, 8, 6),
            (15, 5, 8, 6),
            (30, 5, 10, 7),
            (62, 6, 12, 8),
            (126, 7, 14, 9),
            (510, 9, 18, 12),
            (511, 10, 18, 12),
            (10_000, 14, 28, 16),
        ];
        for (nets, counting, complement, antichain) in rows {
            assert_eq!(Sequence::ModifiedCounting.vectors(nets), counting, "{nets}");
            assert_eq!(Sequence::TrueComplement.vectors(nets), complement, "{nets}");
            assert_eq!(Sequence::Antichain.vectors(nets), antichain, "{nets}");
            assert_eq!(Sequence::WalkingOnes.vectors(nets), nets);
        }
    }

    #[test]
    fn words_are_distinct_and_what_their_sequence_promises() {
        for nets in [1, 2, 3, 6, 8, 14, 30, 62, 100, 511] {
            for (sequence, name) in Sequence::ALL {
                let codes = Codes::new(sequence, nets);
                let mut words: Vec<String> = (0..nets).map(|n| codes.word(n).to_binary()).collect();
                for word in &words {
                    assert_eq!(word.len(), codes.vectors(), "{name} {nets}");
                    let ones = word.matches('1').count();
                    match sequence {
                        Sequence::ModifiedCounting => {
                            assert!(ones > 0 && ones < word.len(), "{name} {nets} {word}");
                        }
                        Sequence::TrueComplement => assert_eq!(2 * ones, word.len()),
                        Sequence::Antichain => assert_eq!(ones, word.len() / 2),
                        Sequence::WalkingOnes => assert_eq!(ones, 1),
                        Sequence::WalkingZeros => assert_eq!(ones, nets - 1),
                    }
                }
                words.sort();
                words.dedup();
                assert_eq!(words.len(), nets, "{name} {nets}: two nets have one word");
            }
        }
    }

    /// Hamming distances of successive vectors of counting, and the two that walking changes [computed].
    #[test]
    fn successive_vectors_change_as_many_nets_as_published() {
        let counting = |nets| Codes::new(Sequence::ModifiedCounting, nets).switching();
        assert_eq!(counting(14), [14, 8, 8, 8]);
        assert_eq!(counting(30)[1..], [16; 4]);
        assert_eq!(counting(254)[1..], [128; 7]);
        // About 500 to 512 are published; one is a little less.
        assert_eq!(
            counting(1000)[1..],
            [500, 500, 501, 497, 505, 512, 512, 512, 512]
        );
        assert!(
            Codes::new(Sequence::WalkingOnes, 20).switching()[1..]
                .iter()
                .all(|d| *d == 2)
        );
        // 14 nets by at most 8: two updates to switch them on, then one a vector.
        assert_eq!(Codes::new(Sequence::ModifiedCounting, 14).updates(8), 5);
        assert_eq!(
            Codes::new(Sequence::ModifiedCounting, 14).updates(4),
            4 + 3 * 2
        );
        assert_eq!(
            Codes::new(Sequence::WalkingOnes, 14).updates(1),
            14 + 13 * 2
        );
    }
}
