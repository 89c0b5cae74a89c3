//! Bits as text: hexadecimal as in SVF files and binary, most significant digit first.

use std::fmt;

use super::Bits;

/// Why a text is not scan data.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum BitsTextError {
    /// A character that is no digit of the base.
    #[error("'{found}' at character {at} is not a {base} digit", at = at + 1)]
    NotADigit {
        /// The character.
        found: char,
        /// Its index in the text, from 0.
        at: usize,
        /// "binary" or "hexadecimal".
        base: &'static str,
    },
    /// The value has a one above the stated length.
    #[error("the value does not fit into {len} bits: bit {bit} is 1")]
    TooLong {
        /// The stated length.
        len: usize,
        /// The highest one found.
        bit: usize,
    },
}

impl Bits {
    /// Reads binary digits, most significant first; the length is the number of digits.
    ///
    /// # Errors
    /// [`BitsTextError::NotADigit`].
    pub fn from_binary(text: &str) -> Result<Bits, BitsTextError> {
        let mut bits = Bits::with_capacity(text.len());
        let chars: Vec<char> = text.chars().collect();
        for (at, &found) in chars.iter().enumerate().rev() {
            match found {
                '0' => bits.push(false),
                '1' => bits.push(true),
                _ => {
                    return Err(BitsTextError::NotADigit {
                        found,
                        at,
                        base: "binary",
                    });
                }
            }
        }
        Ok(bits)
    }

    /// Reads hexadecimal digits, most significant first, into `len` bits. White space is
    /// skipped; leading zeros may be missing or in excess.
    ///
    /// # Errors
    /// [`BitsTextError::NotADigit`]; [`BitsTextError::TooLong`] if a one lies above `len`.
    pub fn from_hex(text: &str, len: usize) -> Result<Bits, BitsTextError> {
        let mut bits = Bits::with_capacity(len + 4);
        let chars: Vec<char> = text.chars().collect();
        for (at, &found) in chars.iter().enumerate().rev() {
            if found.is_ascii_whitespace() {
                continue;
            }
            let Some(digit) = found.to_digit(16) else {
                return Err(BitsTextError::NotADigit {
                    found,
                    at,
                    base: "hexadecimal",
                });
            };
            bits.push_u64(u64::from(digit), 4);
        }
        if bits.len() < len {
            bits.push_run(false, len - bits.len());
        } else if let Some(bit) = (len..bits.len()).rev().find(|&i| bits.get(i)) {
            return Err(BitsTextError::TooLong { len, bit });
        }
        Ok(bits.slice(0, len))
    }

    /// The bits as hexadecimal digits, most significant first, one digit for each four bits
    /// begun; at least one digit.
    pub fn to_hex(&self) -> String {
        let digits = self.len().div_ceil(4).max(1);
        (0..digits)
            .rev()
            .map(|d| {
                let start = d * 4;
                let n = self.len().saturating_sub(start).min(4);
                let value = self.get_u64(start.min(self.len()), n) as u32;
                char::from_digit(value, 16)
                    .expect("four bits")
                    .to_ascii_uppercase()
            })
            .collect()
    }

    /// The bits as binary digits, most significant first.
    pub fn to_binary(&self) -> String {
        (0..self.len())
            .rev()
            .map(|i| if self.get(i) { '1' } else { '0' })
            .collect()
    }
}

impl fmt::Debug for Bits {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.len() <= 64 {
            write!(f, "{}'b{}", self.len(), self.to_binary())
        } else {
            write!(f, "{}'h{}", self.len(), self.to_hex())
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hex_pads_trims_and_refuses() {
        assert_eq!(Bits::from_hex("12 34", 16).unwrap().get_u64(0, 16), 0x1234);
        assert_eq!(Bits::from_hex("1", 9).unwrap(), Bits::from_u64(1, 9));
        assert_eq!(Bits::from_hex("0001", 2).unwrap(), Bits::from_u64(1, 2));
        assert_eq!(
            Bits::from_hex("4", 2),
            Err(BitsTextError::TooLong { len: 2, bit: 2 })
        );
        assert_eq!(
            Bits::from_hex("1G", 8).unwrap_err().to_string(),
            "'G' at character 2 is not a hexadecimal digit"
        );
    }

    #[test]
    fn text_round_trips() {
        let bits = Bits::from_binary("1010000101").unwrap();
        assert_eq!(bits.to_binary(), "1010000101");
        assert_eq!(bits.to_hex(), "285");
        assert!(bits.get(0) && !bits.get(1));
        assert_eq!(Bits::new().to_hex(), "0");
    }
}
