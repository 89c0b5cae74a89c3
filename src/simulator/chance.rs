//! Numbers that follow from a seed.

/// A small generator (splitmix64: public domain, S. Vigna). The same seed gives the same run.
#[derive(Debug, Clone)]
pub(super) struct Chance(u64);

impl Chance {
    pub(super) fn new(seed: u64) -> Self {
        Self(seed)
    }

    pub(super) fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        mix(self.0)
    }

    pub(super) fn bit(&mut self) -> bool {
        self.next() >> 63 == 1
    }

    /// True with a chance of `ppb` in a thousand million.
    pub(super) fn hits(&mut self, ppb: u32) -> bool {
        ppb > 0 && self.next() % 1_000_000_000 < u64::from(ppb)
    }
}

/// Scrambles a number.
pub(super) fn mix(mut z: u64) -> u64 {
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}
