//! What scan commands remember from one to the next.
//!
//! Rules (specification revision E, from memory): TDI is reused while the length stays; MASK and
//! SMASK too, and after a change of length all bits count; TDO is never remembered. Each of the
//! six commands has its own memory.

use crate::bits::Bits;
use crate::svf::{Place, ScanText};

use super::error::PlayError;

/// A scan with everything filled in.
#[derive(Debug, Clone, Default)]
pub(super) struct Scan {
    pub(super) tdi: Bits,
    /// Expected bits and mask, if there is a compare.
    pub(super) expect: Option<(Bits, Bits)>,
}

/// The memory of one command.
#[derive(Debug, Clone, Default)]
pub(super) struct Sticky {
    length: Option<u64>,
    tdi: Bits,
    mask: Option<Bits>,
}

impl Sticky {
    /// The scan that a statement means. The big values move, they are not copied, unless they
    /// must be remembered.
    pub(super) fn fill(
        &mut self,
        at: Place,
        command: &'static str,
        text: ScanText,
    ) -> Result<Scan, PlayError> {
        let length = text.length;
        if self.length != Some(length) {
            self.length = Some(length);
            self.mask = None;
            if text.tdi.is_none() && length > 0 {
                self.length = None;
                return Err(PlayError::NoTdi {
                    at,
                    command,
                    length,
                });
            }
        }
        if let Some(tdi) = text.tdi {
            self.tdi = tdi;
        } else if length == 0 {
            self.tdi = Bits::new();
        }
        if text.mask.is_some() {
            self.mask = text.mask;
        }
        let expect = text.tdo.map(|tdo| {
            let mask = self
                .mask
                .clone()
                .unwrap_or_else(|| Bits::ones(length as usize));
            (tdo, mask)
        });
        Ok(Scan {
            tdi: self.tdi.clone(),
            expect,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const AT: Place = Place { line: 1, column: 1 };

    fn text(length: u64, tdi: Option<u64>, tdo: Option<u64>, mask: Option<u64>) -> ScanText {
        let bits = |v: Option<u64>| v.map(|v| Bits::from_u64(v, length as usize));
        ScanText {
            length,
            tdi: bits(tdi),
            tdo: bits(tdo),
            mask: bits(mask),
            smask: None,
        }
    }

    #[test]
    fn tdi_and_mask_stay_while_the_length_stays() {
        let mut sticky = Sticky::default();
        let first = sticky
            .fill(AT, "SDR", text(8, Some(0x5a), Some(1), Some(0x0f)))
            .unwrap();
        assert_eq!(first.expect.unwrap().1, Bits::from_u64(0x0f, 8));
        let again = sticky.fill(AT, "SDR", text(8, None, None, None)).unwrap();
        assert_eq!(again.tdi, Bits::from_u64(0x5a, 8));
        assert!(again.expect.is_none(), "TDO is never remembered");
        let masked = sticky
            .fill(AT, "SDR", text(8, None, Some(2), None))
            .unwrap();
        assert_eq!(masked.expect.unwrap().1, Bits::from_u64(0x0f, 8));
        let error = sticky
            .fill(AT, "SDR", text(9, None, None, None))
            .unwrap_err();
        assert_eq!(
            error.to_string(),
            "line 1, column 1: SDR of 9 bits has no TDI, and the one before had another length"
        );
        let wide = sticky
            .fill(AT, "SDR", text(9, Some(0), Some(0), None))
            .unwrap();
        assert_eq!(
            wide.expect.unwrap().1,
            Bits::ones(9),
            "after a change all bits count"
        );
    }
}
