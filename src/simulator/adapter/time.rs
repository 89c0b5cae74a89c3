//! Virtual time in ticks that divide everything.

use std::time::Duration;

/// Moments and spans in 1/14.82 GHz.
pub type Ticks = u64;

/// Ticks in a microsecond: 60 (base clock) x 13 (packets in a microframe) x 19 (packets in a
/// frame).
pub const TICKS_PER_US: Ticks = 60 * 13 * 19;

/// Ticks in a period of the 60 MHz base clock.
pub(super) const BASE_60_MHZ: Ticks = TICKS_PER_US / 60;
/// Ticks in a period of the 12 MHz base clock.
pub(super) const BASE_12_MHZ: Ticks = TICKS_PER_US / 12;

/// A span of nanoseconds, rounded down to a tick.
pub(super) fn from_ns(ns: u64) -> Ticks {
    (u128::from(ns) * u128::from(TICKS_PER_US) / 1000) as u64
}

/// A span in whole nanoseconds, rounded down.
pub(super) fn to_ns(ticks: Ticks) -> u64 {
    (u128::from(ticks) * 1000 / u128::from(TICKS_PER_US)) as u64
}

/// A span of host time, rounded down to a tick.
pub(super) fn from_duration(time: Duration) -> Ticks {
    let ticks = time.as_nanos() * u128::from(TICKS_PER_US) / 1000;
    u64::try_from(ticks).unwrap_or(u64::MAX / 4)
}

/// `ticks` as host time, rounded down to a nanosecond.
pub(super) fn to_duration(ticks: Ticks) -> Duration {
    Duration::from_nanos(to_ns(ticks))
}
