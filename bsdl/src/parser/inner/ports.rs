//! PORT_GROUPING and COMPLIANCE_PATTERNS.

use nom::Parser;
use nom::combinator::opt;
use nom::sequence::delimited;

use super::tokens::{fault, list, mark, name, number, pattern, skip_blank};
use super::{In, Res};
use crate::model::{DifferentialKind, Pattern};

/// A port with an index if one is written, and its text.
pub(crate) type Named<'a> = (In<'a>, Option<u32>, In<'a>);

pub(super) fn named(text: In<'_>) -> Res<'_, Named<'_>> {
    let text = skip_blank(text);
    let index = delimited(
        mark(b'(', "`(`"),
        number("an index"),
        mark(b')', "`)` after the index"),
    );
    let (rest, (port, index)) = (name("a port name"), opt(index)).parse(text)?;
    Ok((rest, (port, index, &text[..text.len() - rest.len()])))
}

/// Pairs under one kind: `DIFFERENTIAL_VOLTAGE ((P, N), …)`.
pub(crate) fn group(text: In<'_>) -> Res<'_, (DifferentialKind, Vec<(Named<'_>, Named<'_>)>)> {
    const EXPECTED: &str = "DIFFERENTIAL_VOLTAGE or DIFFERENTIAL_CURRENT";
    let at = skip_blank(text);
    let (text, word) = name(EXPECTED)(text)?;
    let kind = if word.eq_ignore_ascii_case(b"DIFFERENTIAL_VOLTAGE") {
        DifferentialKind::Voltage
    } else if word.eq_ignore_ascii_case(b"DIFFERENTIAL_CURRENT") {
        DifferentialKind::Current
    } else {
        return fault(at, EXPECTED);
    };
    let pair = |text| -> Res<'_, (Named<'_>, Named<'_>)> {
        let (text, ()) = mark(b'(', "`(` before a pair")(text)?;
        let (text, first) = named(text)?;
        let (text, ()) = mark(b',', "a comma inside the pair")(text)?;
        let (text, second) = named(text)?;
        let (text, ()) = mark(b')', "`)` after a pair")(text)?;
        Ok((text, (first, second)))
    };
    let (text, pairs) = delimited(
        mark(b'(', "`(`"),
        list(pair),
        mark(b')', "`)` or a comma after a pair"),
    )
    .parse(text)?;
    Ok((text, (kind, pairs)))
}

/// Ports and patterns: `(PORT, …) (PATTERN, …)`.
pub(crate) fn compliance(text: In<'_>) -> Res<'_, (Vec<Named<'_>>, Vec<Pattern>)> {
    let ports = delimited(
        mark(b'(', "`(` before the ports"),
        list(named),
        mark(b')', "`)` or a comma after a port"),
    );
    let patterns = delimited(
        mark(b'(', "`(` before the patterns"),
        list(pattern("a pattern of 0, 1 and X")),
        mark(b')', "`)` or a comma after a pattern"),
    );
    (ports, patterns).parse(text)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pairs_and_patterns() {
        let (_, (kind, pairs)) =
            group(b"Differential_Voltage ((CKP, CKN), (D(0), DN(0)))").unwrap();
        assert_eq!(
            (kind, pairs.len(), pairs[1].0.1),
            (DifferentialKind::Voltage, 2, Some(0))
        );
        let (_, (ports, patterns)) = compliance(b"(RST, MODE(1)) (10, 0X)").unwrap();
        assert_eq!(
            (ports[1].0, ports[1].1, patterns.len()),
            (&b"MODE"[..], Some(1), 2)
        );
        assert!(compliance(b"(RST) 1").is_err());
    }
}
