//! The fields of an identity code that may have digits of no concern.

use serde_json::{Value, json};
use taploom_bsdl::model::{Pattern, Trit};

use crate::chain::IdCode;

/// Bits `low` to `low + width - 1` as a number; `None` if one of them is X or missing.
fn field(pattern: &Pattern, low: usize, width: usize) -> Option<u32> {
    pattern
        .bits()
        .get(low..low + width)?
        .iter()
        .rev()
        .try_fold(0, |value, t| Some(value << 1 | u32::from(t.value()?)))
}

/// The pattern as hexadecimal, `x` for a digit with a bit of no concern.
pub(in crate::report) fn hex(pattern: &Pattern) -> String {
    let digits = pattern.bits().chunks(4).rev().map(|four| {
        let digit = four.iter().rev().try_fold(0, |value, t: &Trit| {
            Some(value << 1 | u32::from(t.value()?))
        });
        digit
            .and_then(|d| char::from_digit(d, 16))
            .map_or('x', |c| c.to_ascii_uppercase())
    });
    format!("0x{}", digits.collect::<String>())
}

fn maker(pattern: &Pattern) -> Option<&'static str> {
    IdCode(field(pattern, 1, 11)? << 1 | 1).manufacturer()
}

/// An identity code in words: `0xx2C44A01: version any, part 0x2C44, maker 0x500 (...)`.
pub(super) fn words(pattern: &Pattern) -> String {
    let part = |low, width, digits: usize| {
        field(pattern, low, width).map_or_else(|| "any".to_owned(), |v| format!("0x{v:0digits$X}"))
    };
    let version = field(pattern, 28, 4).map_or_else(|| "any".to_owned(), |v| v.to_string());
    let made = match (field(pattern, 1, 11), maker(pattern)) {
        (None, _) => "maker not fixed".to_owned(),
        (Some(code), Some(name)) => format!("maker {name} (0x{code:03X})"),
        (Some(code), None) => format!("maker 0x{code:03X}, a code that is not assigned"),
    };
    format!(
        "{}: version {version}, part {}, {made}",
        hex(pattern),
        part(12, 16, 4)
    )
}

/// The same for programs.
pub(super) fn value(pattern: &Pattern) -> Value {
    json!({
        "idcode": hex(pattern),
        "version": field(pattern, 28, 4),
        "part": field(pattern, 12, 16).map(|v| format!("0x{v:04X}")),
        "manufacturer_code": field(pattern, 1, 11).map(|v| format!("0x{v:03X}")),
        "manufacturer": maker(pattern),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// XC95144: vendor BSDL, version any; the fields also in the maker's answer record 8265.
    #[test]
    fn fields_of_a_published_pattern() {
        let pattern: Pattern = format!("XXXX{:028b}", 0x0950_8093).parse().unwrap();
        let text = words(&pattern);
        assert!(
            text.starts_with("0xx9508093: version any, part 0x9508, maker Xilinx"),
            "{text}"
        );
        assert_eq!(value(&pattern)["part"], "0x9508");
        let open: Pattern = "X".repeat(32).parse().unwrap();
        assert_eq!(
            words(&open),
            "0xxxxxxxxx: version any, part any, maker not fixed"
        );
        assert_eq!(
            words(&"01".parse().unwrap()),
            "0x1: version any, part any, maker not fixed"
        );
    }
}
