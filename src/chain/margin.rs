//! How fast TCK may go before bits fail.
//!
//! At each rate a pattern goes through the data registers that are selected after reset (IDCODE or BYPASS) and must come out
//! unchanged behind them. No instruction register is touched: at a rate at which bits fail, an instruction scan could load
//! anything. Each rate is entered from Test-Logic-Reset and left for it at the lowest rate.

use crate::bits::Bits;
use crate::tap::{PieceLimits, Port, PortError, ScanProgram, TapState, run};

use super::Found;

/// What came of one rate.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct RateTried {
    /// The rate that the adapter made, in hertz.
    pub hz: u32,
    /// Bits of the pattern.
    pub bits: u64,
    /// How many of them came back wrong.
    pub wrong: u64,
}

/// What came of all rates.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Margin {
    /// The rates, lowest first.
    pub tried: Vec<RateTried>,
}

impl Margin {
    /// The highest rate that was clean and below which no rate failed; `None` if even the lowest failed.
    pub fn clean_hz(&self) -> Option<u32> {
        self.tried
            .iter()
            .take_while(|t| t.wrong == 0)
            .last()
            .map(|t| t.hz)
    }

    /// The lowest rate at which bits failed; `None` if none did.
    pub fn failing_hz(&self) -> Option<u32> {
        self.tried.iter().find(|t| t.wrong > 0).map(|t| t.hz)
    }

    /// A rate to work at: the highest tried if none failed; else at most half the lowest failing one, since cable, supply and
    /// temperature take their share (common practice). `None` if even the lowest failed.
    pub fn advised_hz(&self) -> Option<u32> {
        let clean = self.clean_hz()?;
        Some(
            self.failing_hz()
                .map_or(clean, |failing| clean.min(failing / 2)),
        )
    }
}

/// Rates to try, lowest first: from 100 kHz up to `most_hz`, each half as fast again as the one before.
pub fn rates_up_to(most_hz: u32) -> Vec<u32> {
    let steps = std::iter::successors(Some(100_000u32), |hz| hz.checked_add(hz / 2));
    let mut rates: Vec<u32> = steps.take_while(|hz| *hz < most_hz).collect();
    rates.push(most_hz);
    rates
}

/// Sends `bits` bits at each rate through a chain that was found whole, and leaves it in Test-Logic-Reset at the lowest rate.
/// Rates that the adapter makes alike are tried once; it stops after three failing rates in a row.
///
/// # Errors
/// [`PortError`] if the adapter failed.
pub fn margin(
    port: &mut dyn Port,
    found: &Found,
    rates: &[u32],
    bits: usize,
) -> Result<Margin, PortError> {
    let mut rates = rates.to_vec();
    rates.sort_unstable();
    let mut tried: Vec<RateTried> = Vec::new();
    let Some(&lowest) = rates.first() else {
        return Ok(Margin { tried });
    };
    let behind: usize = found
        .devices
        .iter()
        .map(|d| if d.idcode.is_some() { 32 } else { 1 })
        .sum();
    let pattern = pattern(bits);
    for wanted in rates {
        let slow = port.set_tck_hz(lowest)?;
        let mut program = ScanProgram::new();
        program.reset().go(TapState::RunTestIdle);
        run(port, program, PieceLimits::at(slow))?;
        let hz = port.set_tck_hz(wanted)?;
        if tried.last().is_some_and(|t| t.hz == hz) {
            continue;
        }
        let mut out = pattern.clone();
        out.push_run(false, behind);
        let mut program = ScanProgram::new();
        let slot = program.scan_dr_captured(out, TapState::RunTestIdle);
        let seen = run(port, program, PieceLimits::at(hz))?
            .bits(slot)
            .slice(behind, bits);
        let wrong = seen.differing(&pattern, &Bits::ones(bits)).len() as u64;
        tried.push(RateTried {
            hz,
            bits: bits as u64,
            wrong,
        });
        if tried.iter().rev().take_while(|t| t.wrong > 0).count() == 3 {
            break;
        }
    }
    let slow = port.set_tck_hz(lowest)?;
    let mut program = ScanProgram::new();
    program.reset();
    run(port, program, PieceLimits::at(slow))?;
    Ok(Margin { tried })
}

/// Runs of both levels, single bits and noise: half alternating levels, half a pseudo-random sequence that is always the same.
fn pattern(bits: usize) -> Bits {
    let mut state = 0x2545_F491_4F6C_DD1Du64;
    (0..bits)
        .map(|i| {
            if i % 64 == 0 {
                state ^= state << 13;
                state ^= state >> 7;
                state ^= state << 17;
            }
            if i / 64 % 2 == 0 {
                i % 2 == 0
            } else {
                state >> (i % 64) & 1 == 1
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::super::discover;
    use super::super::testing::{TestChain, TestDevice};
    use super::*;

    fn found() -> (TestChain, Found) {
        let mut chain = TestChain::new(vec![
            TestDevice::new("0001", Some(0x4111_1043)),
            TestDevice::new("00001", None),
            TestDevice::new("0001", Some(0x2950_8093)),
        ]);
        let found = discover(&mut chain, 100_000).unwrap();
        chain.updates.clear();
        (chain, found)
    }

    #[test]
    fn rates_climb_to_the_limit() {
        assert_eq!(
            rates_up_to(400_000),
            [100_000, 150_000, 225_000, 337_500, 400_000]
        );
        assert_eq!(rates_up_to(50_000), [50_000]);
        assert!(rates_up_to(u32::MAX).len() < 40);
    }

    #[test]
    fn a_good_chain_is_clean_to_the_top_and_no_instruction_is_touched() {
        let (mut chain, found) = found();
        let margin = margin(&mut chain, &found, &rates_up_to(6_000_000), 5000).unwrap();
        assert_eq!(
            (margin.clean_hz(), margin.failing_hz(), margin.advised_hz()),
            (Some(6_000_000), None, Some(6_000_000))
        );
        assert!(margin.tried.iter().all(|t| t.bits == 5000));
        assert!(chain.updates.is_empty());
        assert_eq!(
            (chain.state(), chain.tck_hz),
            (TapState::TestLogicReset, 100_000)
        );
    }

    #[test]
    fn the_failing_rate_is_found_and_half_of_it_advised() {
        let (mut chain, found) = found();
        chain.faults.bit_errors = Some((777, 1_000_000));
        let rates = [
            400_000, 800_000, 1_600_000, 3_000_000, 6_000_000, 12_000_000, 24_000_000,
        ];
        let margin = margin(&mut chain, &found, &rates, 4000).unwrap();
        assert_eq!(
            (margin.clean_hz(), margin.failing_hz(), margin.advised_hz()),
            (Some(800_000), Some(1_600_000), Some(800_000))
        );
        // Three in a row are enough.
        assert_eq!(margin.tried.len(), 5);
        assert!(margin.tried[2].wrong >= 4000 / 777);
        // A late sample fails as a whole, and clean rates above a failing one do not count.
        chain.faults.bit_errors = None;
        chain.faults.late = Some(2_000_000);
        let late = super::margin(&mut chain, &found, &rates, 4000).unwrap();
        assert_eq!(
            (late.clean_hz(), late.advised_hz()),
            (Some(1_600_000), Some(1_500_000))
        );
        assert!(late.tried[3].wrong > 1000);
        chain.faults.late = Some(0);
        assert_eq!(
            super::margin(&mut chain, &found, &rates, 4000)
                .unwrap()
                .advised_hz(),
            None
        );
        assert_eq!(
            super::margin(&mut chain, &found, &[], 10).unwrap().tried,
            []
        );
    }

    #[test]
    fn the_pattern_holds_both_levels_in_equal_parts() {
        let ones = pattern(64_000).count_ones();
        assert!((31_000..33_000).contains(&ones), "{ones}");
    }
}
