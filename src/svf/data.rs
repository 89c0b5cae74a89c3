//! Scan statements and their values.

use std::io::Read;

use crate::bits::Bits;

use super::error::{Place, SvfError, SvfWarning};
use super::reader::Reader;
use super::statement::{Data, ScanText};
use super::tokens::{Token, expected, shown, whole};

impl<R: Read> Reader<R> {
    pub(super) fn scan(&mut self) -> Result<ScanText, SvfError> {
        let (place, text) = self.word("a length in bits")?;
        let length = whole(place, &text, "length in bits")?;
        let mut scan = ScanText {
            length,
            ..ScanText::default()
        };
        loop {
            let at = self.source_place()?;
            let which = match self.token()? {
                Token::End => return Ok(scan),
                Token::Word(w) => match w.to_ascii_uppercase().as_str() {
                    "TDI" => Data::Tdi,
                    "TDO" => Data::Tdo,
                    "MASK" => Data::Mask,
                    "SMASK" => Data::Smask,
                    _ => {
                        return Err(expected(
                            at,
                            "TDI, TDO, MASK, SMASK or ';'",
                            &Token::Word(w),
                        ));
                    }
                },
                other => return Err(expected(at, "TDI, TDO, MASK, SMASK or ';'", &other)),
            };
            let bits = self.hex(length)?;
            let slot = match which {
                Data::Tdi => &mut scan.tdi,
                Data::Tdo => &mut scan.tdo,
                Data::Mask => &mut scan.mask,
                Data::Smask => &mut scan.smask,
            };
            if slot.replace(bits).is_some() {
                return Err(SvfError::Expected {
                    at,
                    expected: "each of TDI, TDO, MASK and SMASK once at most",
                    found: "a second one".into(),
                });
            }
        }
    }

    /// A value in parentheses, as `length` bits.
    pub(super) fn hex(&mut self, length: u64) -> Result<Bits, SvfError> {
        let at = self.source_place()?;
        match self.token()? {
            Token::Open => {}
            other => return Err(expected(at, "a value in parentheses", &other)),
        }
        self.blanks()?;
        let at = self.source.place();
        // Two digits a byte, most significant first; `half` holds an odd one.
        let mut bytes: Vec<u8> = Vec::new();
        let mut half: Option<u8> = None;
        loop {
            let room = self.limits.statement_bytes.saturating_sub(self.data_bytes);
            let chunk = self.source.chunk()?;
            let mut n = 0;
            if let (Some(high), Some(&first)) = (half, chunk.first())
                && let Some(low) = digit(first)
            {
                bytes.push(high << 4 | low);
                half = None;
                n = 1;
            }
            if half.is_none() {
                let pairs = chunk[n..].chunks_exact(2);
                for pair in pairs {
                    let (high, low) = (DIGITS[pair[0] as usize], DIGITS[pair[1] as usize]);
                    if (high | low) & 0x80 != 0 {
                        break;
                    }
                    bytes.push(high << 4 | low);
                    n += 2;
                }
                if let Some(high) = chunk.get(n).and_then(|&b| digit(b)) {
                    half = Some(high);
                    n += 1;
                }
            }
            if bytes.len() > room {
                return Err(SvfError::TooMuch {
                    at,
                    limit: self.limits.statement_bytes,
                });
            }
            self.source.skip(n);
            match self.source.peek()? {
                Some(b')') => {
                    self.source.bump();
                    break;
                }
                Some(b) if digit(b).is_some() => {}
                Some(b) if b.is_ascii_whitespace() || b == b'!' || b == b'/' => self.blanks()?,
                Some(b) => {
                    return Err(SvfError::Expected {
                        at: self.source.place(),
                        expected: "a hexadecimal digit or ')'",
                        found: shown(b),
                    });
                }
                None => return Err(self.cut_off()),
            }
        }
        if bytes.is_empty() && half.is_none() {
            return Err(SvfError::Expected {
                at,
                expected: "a hexadecimal digit",
                found: "')'".into(),
            });
        }
        self.data_bytes += bytes.len() + 1;
        self.value(at, bytes, half, length)
    }

    /// Digits to bits: the last digit holds bits 3 to 0.
    pub(super) fn value(
        &mut self,
        at: Place,
        mut bytes: Vec<u8>,
        half: Option<u8>,
        length: u64,
    ) -> Result<Bits, SvfError> {
        let digits = bytes.len() as u64 * 2 + u64::from(half.is_some());
        bytes.reverse();
        if let Some(last) = half {
            // An odd number of digits: everything moves up by one.
            let mut carry = last;
            for byte in &mut bytes {
                (*byte, carry) = (*byte << 4 | carry, *byte >> 4);
            }
            bytes.push(carry);
        }
        let have = digits * 4;
        if have > length {
            let top = (length..have)
                .rev()
                .find(|&i| bytes[(i / 8) as usize] >> (i % 8) & 1 == 1);
            if let Some(bit) = top {
                if self.limits.strict {
                    return Err(SvfError::TooLong { at, bit, length });
                }
                self.warn(at, SvfWarning::ExcessBits)?;
            }
        } else {
            let need = length.div_ceil(8);
            if need > self.limits.statement_bytes as u64 {
                return Err(SvfError::TooMuch {
                    at,
                    limit: self.limits.statement_bytes,
                });
            }
            bytes.resize(need as usize, 0);
        }
        Ok(Bits::from_bytes(&bytes, length as usize))
    }
}

/// Values of hexadecimal digits by byte; 0x80 for all others.
const DIGITS: [u8; 256] = {
    let mut table = [0x80; 256];
    let mut i = 0;
    while i < 10 {
        table[b'0' as usize + i] = i as u8;
        i += 1;
    }
    let mut i = 0;
    while i < 6 {
        table[b'a' as usize + i] = 10 + i as u8;
        table[b'A' as usize + i] = 10 + i as u8;
        i += 1;
    }
    table
};

fn digit(byte: u8) -> Option<u8> {
    let value = DIGITS[byte as usize];
    (value < 16).then_some(value)
}
