//! A shift register as a queue of packed bits.

use crate::bits::Bits;

/// The stage between TDI and TDO: bits leave at the front (bit 0, nearest TDO) and enter at the back, so a block of
/// shifts moves whole words.
#[derive(Debug, Clone, Default)]
pub(super) struct ShiftStage {
    bits: Bits,
    head: usize,
}

/// Bits that have left are dropped when they are more than this and more than what is still there.
const SLACK: usize = 1 << 16;

impl ShiftStage {
    /// The captured value.
    pub(super) fn load(&mut self, bits: Bits) {
        self.bits = bits;
        self.head = 0;
    }

    /// What is in it now.
    pub(super) fn contents(&self) -> Bits {
        self.bits.slice(self.head, self.bits.len() - self.head)
    }

    /// The bit at TDO; `None` if there is no stage at all.
    pub(super) fn front(&self) -> Option<bool> {
        (self.head < self.bits.len()).then(|| self.bits.get(self.head))
    }

    /// Shifts all of `input` in and gives what comes out, bit by bit in order.
    pub(super) fn exchange(&mut self, input: &Bits) -> Bits {
        let n = input.len();
        self.bits.append(input);
        let out = self.bits.slice(self.head, n);
        self.head += n;
        if self.head > SLACK && self.head > self.bits.len() / 2 {
            self.bits = self.contents();
            self.head = 0;
        }
        out
    }

    /// Shifts one bit.
    pub(super) fn exchange_one(&mut self, input: bool) -> bool {
        self.bits.push(input);
        let out = self.bits.get(self.head);
        self.head += 1;
        if self.head > SLACK && self.head > self.bits.len() / 2 {
            self.bits = self.contents();
            self.head = 0;
        }
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bits_come_out_in_the_order_they_went_in() {
        let mut stage = ShiftStage::default();
        stage.load(Bits::from_u64(0b0110, 4));
        assert_eq!(stage.front(), Some(false));
        assert_eq!(
            stage.exchange(&Bits::from_u64(0b11, 2)),
            Bits::from_u64(0b10, 2)
        );
        assert_eq!(stage.contents(), Bits::from_u64(0b1101, 4));
        assert!(stage.exchange_one(false));
        assert_eq!(stage.contents(), Bits::from_u64(0b0110, 4));
    }

    #[test]
    fn a_long_run_is_a_delay_by_the_length() {
        let mut stage = ShiftStage::default();
        stage.load(Bits::ones(1000));
        let mut sent = Bits::new();
        let mut seen = Bits::new();
        for i in 0..400u64 {
            let block = Bits::from_u64(i.wrapping_mul(0x9e37_79b9_7f4a_7c15), 61);
            seen.append(&stage.exchange(&block));
            sent.append(&block);
        }
        assert_eq!(seen.slice(0, 1000), Bits::ones(1000));
        assert_eq!(
            seen.slice(1000, seen.len() - 1000),
            sent.slice(0, sent.len() - 1000)
        );
    }
}
