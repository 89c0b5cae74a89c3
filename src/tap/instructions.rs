//! What may be shifted into instruction registers.

use crate::bits::Bits;
use crate::boundary::Guarded;
use crate::load::play::PastGuard;

/// The bits of one instruction scan. Bit 0 is nearest TDO.
///
/// Nothing else can be shifted into instruction registers, and only two rooms can make more of it than BYPASS: the guard,
/// which knows who drives what (`boundary`), and the player of serial vectors, which asks first (`load::play`). So no other
/// code can select EXTEST, whatever opcodes it knows:
///
/// ```compile_fail
/// use taploom::{bits::Bits, tap::Instructions};
/// let extest = Instructions(Bits::zeros(8));
/// ```
///
/// ```compile_fail
/// use taploom::{bits::Bits, boundary::Guarded, tap::Instructions};
/// let extest = Instructions::permitted(Bits::zeros(8), Guarded(()));
/// ```
///
/// ```compile_fail
/// use taploom::{bits::Bits, load::play::PastGuard, tap::Instructions};
/// let extest = Instructions::permitted(Bits::zeros(8), PastGuard(()));
/// ```
///
/// ```compile_fail
/// use taploom::{bits::Bits, tap::{Register, Shift}};
/// let extest = Shift { register: Register::Ir, out: Bits::zeros(8), capture: None, compare: None, end: None };
/// ```
///
/// ```
/// use taploom::tap::{Instructions, ScanProgram, TapState};
/// let mut program = ScanProgram::new();
/// program.scan_ir(Instructions::bypass(8), TapState::RunTestIdle);
/// ```
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Instructions(Bits);

impl Instructions {
    /// BYPASS in every device: so many ones. They are BYPASS whatever the device, and wherever in a scan they stand.
    pub fn bypass(bits: usize) -> Self {
        Instructions(Bits::ones(bits))
    }

    /// Whatever the holder of a permit answers for.
    pub fn permitted(bits: Bits, _permit: impl Into<Permit>) -> Self {
        Instructions(bits)
    }

    /// For unit tests, which have no board that could come to harm.
    #[cfg(test)]
    pub(crate) fn of(bits: Bits) -> Self {
        Instructions(bits)
    }

    /// The bits.
    pub fn bits(&self) -> &Bits {
        &self.0
    }

    pub(super) fn into_bits(self) -> Bits {
        self.0
    }
}

/// One of the two permits there are.
#[derive(Debug)]
pub struct Permit(());

impl From<Guarded> for Permit {
    fn from(_: Guarded) -> Self {
        Permit(())
    }
}

impl From<PastGuard> for Permit {
    fn from(_: PastGuard) -> Self {
        Permit(())
    }
}
