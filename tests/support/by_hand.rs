//! A TAP worked by hand: TMS strings as the published tables print them, no scan program, no encoder.

use taploom::bits::Bits;
use taploom::tap::Clocks;

/// Something that takes clocks, left in Run-Test/Idle between the calls.
pub(crate) struct ByHand<C: Clocks>(pub(crate) C);

impl<C: Clocks> ByHand<C> {
    /// Five clocks with TMS 1, then Run-Test/Idle.
    pub(crate) fn reset(clocks: C) -> Self {
        let mut tap = Self(clocks);
        tap.moves("111110");
        tap
    }

    /// Clocks in Run-Test/Idle.
    pub(crate) fn idle(&mut self, cycles: usize) {
        self.run(Bits::zeros(cycles), Bits::ones(cycles));
    }

    /// An IR scan; bit 0 goes first and comes first.
    pub(crate) fn ir(&mut self, bits: &[bool]) -> Vec<bool> {
        self.scan("1100", bits)
    }

    /// A DR scan.
    pub(crate) fn dr(&mut self, bits: &[bool]) -> Vec<bool> {
        self.scan("100", bits)
    }

    fn scan(&mut self, way: &str, bits: &[bool]) -> Vec<bool> {
        self.moves(way);
        let mut tms = Bits::zeros(bits.len());
        tms.set(bits.len() - 1, true);
        let mut tdi = Bits::zeros(bits.len());
        bits.iter()
            .enumerate()
            .for_each(|(i, bit)| tdi.set(i, *bit));
        let tdo = self.run(tms, tdi);
        self.moves("10");
        tdo.iter().collect()
    }

    /// Moves: TMS as written, first cycle left; TDI 1.
    fn moves(&mut self, tms: &str) {
        let mut bits = Bits::zeros(tms.len());
        tms.bytes()
            .enumerate()
            .for_each(|(i, c)| bits.set(i, c == b'1'));
        self.run(bits, Bits::ones(tms.len()));
    }

    fn run(&mut self, tms: Bits, tdi: Bits) -> Bits {
        self.0
            .clock(&tms, &tdi)
            .expect("a bench in this process does not go away")
    }
}

/// A number as bits, bit 0 first.
pub(crate) fn bits(value: u64, len: usize) -> Vec<bool> {
    (0..len).map(|i| value >> i & 1 == 1).collect()
}

/// Bits as a number, bit 0 first.
pub(crate) fn number(bits: &[bool]) -> u64 {
    bits.iter().rev().fold(0, |n, bit| n << 1 | u64::from(*bit))
}
