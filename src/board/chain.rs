//! The chain as declared.

use taploom_bsdl::model::Pattern;

use super::declared::Board;
use super::place::DeviceIndex;

/// The TCK rate for parts that say nothing of theirs.
const UNKNOWN_TCK_HZ: u32 = 1_000_000;

/// A device of the declared chain.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DeclaredDevice {
    /// Which.
    pub device: DeviceIndex,
    /// Its name on the board.
    pub name: String,
    /// Its BSDL entity; `None` without BSDL.
    pub entity: Option<String>,
    /// Length of its instruction register in bits.
    pub ir_length: u32,
    /// What Capture-IR loads, if its BSDL says so.
    pub ir_capture: Option<Pattern>,
    /// IDCODEs it may answer with; empty if none are known, or if it has none.
    pub idcodes: Vec<Pattern>,
    /// True if its BSDL is known and has no IDCODE: it answers as BYPASS.
    pub no_idcode: bool,
    /// The highest TCK rate it allows; 1 MHz if it does not say.
    pub tck_max_hz: u32,
    /// True if it is on the chain only at times.
    pub optional: bool,
}

impl Board {
    /// The declared chain, TDI to TDO, with or without the optional devices.
    pub fn chain_declared(&self, with_optional: bool) -> Vec<DeclaredDevice> {
        (self.devices.iter().enumerate())
            .filter(|(_, d)| with_optional || !d.optional)
            .map(|(i, d)| DeclaredDevice {
                device: DeviceIndex(i),
                name: d.name.to_string(),
                entity: d.entity.clone(),
                ir_length: d.ir_length,
                ir_capture: d.bsdl.as_ref().and_then(|b| b.instruction_capture.clone()),
                idcodes: d.idcodes.clone(),
                no_idcode: d.bsdl.is_some() && d.idcodes.is_empty(),
                tck_max_hz: d
                    .bsdl
                    .as_ref()
                    .and_then(|b| b.tap.max_hz)
                    .map_or(UNKNOWN_TCK_HZ, hertz),
                optional: d.optional,
            })
            .collect()
    }

    /// The highest TCK rate in hertz that may be used: never above `[tck] max_hz`, nor above the slowest
    /// TAP_SCAN_CLOCK of the chain, where parts that say nothing count as 1 MHz.
    pub fn tck_limit_hz(&self, with_optional: bool) -> u32 {
        let slowest = self
            .chain_declared(with_optional)
            .iter()
            .map(|d| d.tck_max_hz)
            .min();
        [self.tck_max_hz, slowest]
            .into_iter()
            .flatten()
            .min()
            .unwrap_or(UNKNOWN_TCK_HZ)
    }
}

/// Whole hertz, rounded down; nonsense rates count as unknown.
fn hertz(rate: f64) -> u32 {
    if rate.is_finite() && rate >= 1.0 {
        rate.min(f64::from(u32::MAX)) as u32
    } else {
        UNKNOWN_TCK_HZ
    }
}
