//! What a cell takes in at Capture-DR.

use super::{CellFunction as F, CellKind as K};

/// The instruction that is in force at Capture-DR.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum CaptureMode {
    /// EXTEST.
    Extest,
    /// SAMPLE (and PRELOAD where it captures).
    Sample,
    /// INTEST.
    Intest,
}

/// Where a captured bit comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum CaptureSource {
    /// The cell's parallel input: the pin for an input cell, the core's side for an output or control cell.
    Pi,
    /// The pin side of the driver: the level on the pin.
    Po,
    /// The cell's own update latch.
    Upd,
    /// The cell's own shift stage.
    Cap,
    /// Constant 0.
    Zero,
    /// Constant 1.
    One,
    /// Nobody knows, or the cell does not support the instruction.
    Unknown,
}

/// What a standard cell captures. A BIDIR cell is asked with `driving`: true while its driver is on (BIDIR_OUT in
/// the packages), false while it is off (BIDIR_IN); other functions ignore it.
///
/// The table is that of the standard package's body (1149.1-2001; from memory, clauses not checked). AC cells answer
/// as their BC counterparts. Combinations that the table does not have answer [`CaptureSource::Unknown`].
pub fn capture_source(kind: K, function: F, driving: bool, mode: CaptureMode) -> CaptureSource {
    use CaptureMode::{Extest, Intest, Sample};
    use CaptureSource::{Pi, Po, Unknown, Upd};
    let output = matches!(function, F::Output2 | F::Output3);
    let control = function.is_control();
    let inward = matches!(function, F::Input | F::Internal);
    match kind.dc() {
        K::Bc0 => match (mode, function) {
            (Extest, F::Input) => Pi,
            (Extest | Sample, F::Bidir) if !driving => Pi,
            (Sample, F::Input) => Pi,
            (Sample | Intest, F::Bidir) if driving => Pi,
            (Sample | Intest, _) if output || control => Pi,
            _ => Unknown,
        },
        K::Bc1 if inward || output || control || function == F::Clock => Pi,
        K::Bc2 => match mode {
            _ if !(inward || output || control) => Unknown,
            Sample => Pi,
            Extest if inward => Pi,
            Extest => Upd,
            Intest if inward => Upd,
            Intest => Pi,
        },
        K::Bc3 if inward => Pi,
        K::Bc4 => match (mode, function) {
            (Intest, F::Input | F::ObserveOnly) => Unknown,
            (_, F::Input | F::Clock | F::Internal | F::ObserveOnly) => Pi,
            _ => Unknown,
        },
        K::Bc5 if function == F::Input || control => match mode {
            Extest | Sample => Pi,
            Intest => Upd,
        },
        K::Bc6 | K::Bc7 | K::Bc8 if function == F::Bidir => match (mode, driving, kind.dc()) {
            (Extest, false, _) => Pi,
            (Extest, true, K::Bc6) => Upd,
            (Extest, true, _) => Po,
            (Sample, false, _) => Pi,
            (Sample, true, K::Bc8) => Po,
            (Sample, true, _) => Pi,
            (Intest, _, K::Bc8) => Unknown,
            (Intest, false, _) => Upd,
            (Intest, true, _) => Pi,
        },
        K::Bc9 if output => match mode {
            Extest => Po,
            Sample | Intest => Pi,
        },
        K::Bc10 if output => match mode {
            Extest | Sample => Po,
            Intest => Unknown,
        },
        _ => Unknown,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Rows of the package body STD_1149_1_2001, from memory: cell, function, driving, EXTEST, SAMPLE, INTEST.
    #[test]
    fn table_of_the_standard_package() {
        use CaptureSource::{Pi, Po, Unknown as X, Upd};
        let rows = [
            (K::Bc0, F::Input, false, [Pi, Pi, X]),
            (K::Bc0, F::Output3, true, [X, Pi, Pi]),
            (K::Bc0, F::Internal, false, [X, X, X]),
            (K::Bc0, F::Bidir, false, [Pi, Pi, X]),
            (K::Bc0, F::Bidir, true, [X, Pi, Pi]),
            (K::Bc1, F::Input, false, [Pi, Pi, Pi]),
            (K::Bc1, F::Clock, false, [Pi, Pi, Pi]),
            (K::Bc1, F::Output3, false, [Pi, Pi, Pi]),
            (K::Bc1, F::Control, false, [Pi, Pi, Pi]),
            (K::Bc1, F::Bidir, false, [X, X, X]),
            (K::Bc2, F::Input, false, [Pi, Pi, Upd]),
            (K::Bc2, F::Output2, false, [Upd, Pi, Pi]),
            (K::Bc2, F::ControlR, false, [Upd, Pi, Pi]),
            (K::Bc2, F::Clock, false, [X, X, X]),
            (K::Bc3, F::Input, false, [Pi, Pi, Pi]),
            (K::Bc4, F::Input, false, [Pi, Pi, X]),
            (K::Bc4, F::Clock, false, [Pi, Pi, Pi]),
            (K::Bc4, F::ObserveOnly, false, [Pi, Pi, X]),
            (K::Bc4, F::Output3, false, [X, X, X]),
            (K::Bc5, F::Input, false, [Pi, Pi, Upd]),
            (K::Bc6, F::Bidir, false, [Pi, Pi, Upd]),
            (K::Bc6, F::Bidir, true, [Upd, Pi, Pi]),
            (K::Bc7, F::Bidir, false, [Pi, Pi, Upd]),
            (K::Bc7, F::Bidir, true, [Po, Pi, Pi]),
            (K::Bc8, F::Bidir, false, [Pi, Pi, X]),
            (K::Bc8, F::Bidir, true, [Po, Po, X]),
            (K::Bc9, F::Output3, true, [Po, Pi, Pi]),
            (K::Bc10, F::Output2, true, [Po, Po, X]),
            (K::Ac7, F::Bidir, true, [Po, Pi, Pi]),
            (K::Other(0), F::Input, false, [X, X, X]),
        ];
        for (kind, function, driving, expected) in rows {
            let seen = [
                CaptureMode::Extest,
                CaptureMode::Sample,
                CaptureMode::Intest,
            ]
            .map(|mode| capture_source(kind, function, driving, mode));
            assert_eq!(seen, expected, "{kind:?} {function:?} driving {driving}");
        }
    }
}
