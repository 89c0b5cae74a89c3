//! RUNBIST_EXECUTION and INTEST_EXECUTION: wait, what the pins do, what is expected.

use nom::Parser;
use nom::sequence::{delimited, preceded};

use super::tokens::{fault, ident_len, list, mark, name, pattern, skip_blank, word};
use super::{In, Res};
use crate::model::{Observing, Pattern, Wait};

/// One clause of the value.
#[derive(Debug)]
pub(crate) enum Clause<'a> {
    /// `Wait_Duration (10.0e-3, TCK 100)`: each with its text.
    Wait(Vec<(Wait, In<'a>)>),
    /// `Observing HIGHZ At_Pins`.
    Observing(Observing),
    /// `Expect_Data 0101`, with its text.
    Expect(Pattern, In<'a>),
}

pub(crate) fn clause(text: In<'_>) -> Res<'_, Clause<'_>> {
    const EXPECTED: &str = "Wait_Duration, Observing or Expect_Data";
    let at = skip_blank(text);
    let (text, key) = name(EXPECTED)(text)?;
    if key.eq_ignore_ascii_case(b"WAIT_DURATION") {
        let list = list(wait);
        delimited(
            mark(b'(', "`(` before the durations"),
            list,
            mark(b')', "`)` or a comma after a duration"),
        )
        .map(Clause::Wait)
        .parse(text)
    } else if key.eq_ignore_ascii_case(b"OBSERVING") {
        let high_z = word("HIGHZ", "HIGHZ or BOUNDARY").map(|()| Observing::HighZ);
        let boundary = word("BOUNDARY", "HIGHZ or BOUNDARY").map(|()| Observing::Boundary);
        let (text, what) = nom::branch::alt((high_z, boundary)).parse(text)?;
        let (text, ()) = word("AT_PINS", "At_Pins")(text)?;
        Ok((text, Clause::Observing(what)))
    } else if key.eq_ignore_ascii_case(b"EXPECT_DATA") {
        let text = skip_blank(text);
        let (rest, expect) = pattern("a pattern of 0, 1 and X")(text)?;
        Ok((
            rest,
            Clause::Expect(expect, &text[..text.len() - rest.len()]),
        ))
    } else {
        fault(at, EXPECTED)
    }
}

/// Seconds, or a clock port and a count.
pub(super) fn wait(text: In<'_>) -> Res<'_, (Wait, In<'_>)> {
    let text = skip_blank(text);
    if text.first().is_some_and(u8::is_ascii_digit) {
        let (rest, seconds) = real(text)?;
        return Ok((
            rest,
            (Wait::Seconds(seconds), &text[..text.len() - rest.len()]),
        ));
    }
    let (rest, port) = name("seconds, or a clock port and a count")(text)?;
    let (rest, count) = preceded(|t| Ok((skip_blank(t), ())), count).parse(rest)?;
    let port = String::from_utf8_lossy(port).into_owned();
    Ok((
        rest,
        (
            Wait::Cycles { port, count },
            &text[..text.len() - rest.len()],
        ),
    ))
}

fn count(text: In<'_>) -> Res<'_, u64> {
    let len = ident_len(text);
    match std::str::from_utf8(&text[..len])
        .ok()
        .and_then(|digits| digits.parse().ok())
    {
        Some(count) => Ok((&text[len..], count)),
        None => fault(text, "a number of clocks"),
    }
}

/// `10`, `0.5`, `10.0e-3`.
pub(super) fn real(text: In<'_>) -> Res<'_, f64> {
    let mut len = 0;
    while let Some(&b) = text.get(len) {
        let sign = matches!(b, b'+' | b'-') && len > 0 && matches!(text[len - 1], b'e' | b'E');
        if !(b.is_ascii_digit() || matches!(b, b'.' | b'e' | b'E') || sign) {
            break;
        }
        len += 1;
    }
    let value = std::str::from_utf8(&text[..len])
        .ok()
        .and_then(|t| t.parse::<f64>().ok());
    match value.filter(|v| v.is_finite()) {
        Some(value) => Ok((&text[len..], value)),
        None => fault(text, "a time in seconds"),
    }
}

/// True where a clause may begin.
pub(crate) fn starts(text: In<'_>) -> bool {
    let word = &text[..ident_len(text)];
    ["WAIT_DURATION", "OBSERVING", "EXPECT_DATA"]
        .iter()
        .any(|k| k.as_bytes().eq_ignore_ascii_case(word))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn clauses() {
        let (rest, c) = clause(b"Wait_Duration (10.0e-3, TCK 100), Observing").unwrap();
        let Clause::Wait(waits) = c else {
            panic!("{c:?}")
        };
        assert_eq!(waits[0].0, Wait::Seconds(0.01));
        assert_eq!(
            waits[1].0,
            Wait::Cycles {
                port: "TCK".into(),
                count: 100
            }
        );
        assert_eq!(rest, b", Observing");
        assert!(matches!(
            clause(b"Observing Boundary At_Pins").unwrap().1,
            Clause::Observing(Observing::Boundary)
        ));
        assert!(
            matches!(clause(b"Expect_Data 0X1").unwrap().1, Clause::Expect(p, _) if p.to_string() == "0X1")
        );
        assert!(clause(b"Wait_Duration (1e999)").is_err());
    }
}
