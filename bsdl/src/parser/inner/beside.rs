//! The small languages of 1149.6 and 1532 (from memory; every fault in them is a warning).

use nom::Parser;
use nom::combinator::opt;
use nom::sequence::delimited;

use super::execution::{real, wait};
use super::ports::{Named, named};
use super::tokens::{fault, ident_len, list, mark, name, number, peek, skip_blank, word};
use super::{In, Res};
use crate::model::{AcTrain, Wait};

/// `Wait_Duration TCK 15`, brackets allowed.
pub(crate) fn pulse(text: In<'_>) -> Res<'_, Vec<(Wait, In<'_>)>> {
    let (text, ()) = word("WAIT_DURATION", "Wait_Duration")(text)?;
    if peek(text, b'(') {
        return delimited(
            mark(b'(', "`(`"),
            list(wait),
            mark(b')', "`)` or a comma after a duration"),
        )
        .parse(text);
    }
    list(wait)(text)
}

/// `train 30, maximum_time 120.0e-6`.
pub(crate) fn train(text: In<'_>) -> Res<'_, AcTrain> {
    let (text, ()) = word("TRAIN", "train")(text)?;
    let (text, pulses) = number("the number of pulses")(text)?;
    if !peek(text, b',') {
        return Ok((
            text,
            AcTrain {
                pulses,
                max_seconds: None,
            },
        ));
    }
    let (text, ()) = word("MAXIMUM_TIME", "maximum_time")(&skip_blank(text)[1..])?;
    let (text, seconds) = real(skip_blank(text))?;
    Ok((
        text,
        AcTrain {
            pulses,
            max_seconds: Some(seconds),
        },
    ))
}

/// One property of an AC pin.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Property {
    HighPass(f64),
    LowPass(f64),
    OnChip,
    AcSelect(u32),
}

/// Ports with cells, and what holds of them.
pub(crate) type Behaviour<'a> = (Vec<(Named<'a>, Option<u32>)>, Vec<Property>);

/// `PORT [cell] {, PORT [cell]} : property {, property}`; the next one follows after a semicolon.
pub(crate) fn behaviour(text: In<'_>) -> Res<'_, Behaviour<'_>> {
    let cell = delimited(
        mark(b'[', "`[`"),
        number("a cell number"),
        mark(b']', "`]` after the cell number"),
    );
    let (text, ports) = list((named, opt(cell)))(text)?;
    let (mut text, ()) = mark(b':', "`:` after the ports")(text)?;
    let mut properties = Vec::new();
    loop {
        let at = skip_blank(text);
        match at.first() {
            None => break,
            Some(b';') => {
                text = &at[1..];
                break;
            }
            Some(b',') => text = &at[1..],
            Some(_) => {
                let (rest, property) = property(at)?;
                properties.push(property);
                text = rest;
            }
        }
    }
    Ok((skip_blank(text), (ports, properties)))
}

fn property(text: In<'_>) -> Res<'_, Property> {
    const EXPECTED: &str = "HP_time, LP_time, On_Chip or AC_Select";
    let (rest, key) = name(EXPECTED)(text)?;
    let is = |word: &str| key.eq_ignore_ascii_case(word.as_bytes());
    let equals = mark(b'=', "`=` after the property");
    if is("ON_CHIP") {
        Ok((rest, Property::OnChip))
    } else if is("AC_SELECT") {
        (equals, number("a cell number"))
            .map(|(_, cell)| Property::AcSelect(cell))
            .parse(rest)
    } else if is("HP_TIME") || is("LP_TIME") {
        let (rest, ()) = equals(rest)?;
        let (rest, seconds) = real(skip_blank(rest))?;
        Ok((
            rest,
            if is("HP_TIME") {
                Property::HighPass(seconds)
            } else {
                Property::LowPass(seconds)
            },
        ))
    } else {
        fault(text, EXPECTED)
    }
}

/// `DISABLE_READ 4`: a name and a bit number.
pub(crate) fn security(text: In<'_>) -> Res<'_, (In<'_>, u32)> {
    (name("a word such as DISABLE_READ"), number("a bit number")).parse(text)
}

/// True where such a pair may begin.
pub(crate) fn starts_security(text: In<'_>) -> bool {
    starts(text)
        && skip_blank(&text[ident_len(text)..])
            .first()
            .is_some_and(u8::is_ascii_digit)
}

/// A port alone.
pub(crate) fn port(text: In<'_>) -> Res<'_, Named<'_>> {
    named(text)
}

/// True at any name.
pub(crate) fn starts(text: In<'_>) -> bool {
    ident_len(text) > 0 && text[0].is_ascii_alphabetic()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The forms of IEEE 1149.6, from memory, clause not checked.
    #[test]
    fn ac_attributes() {
        let (_, waits) = pulse(b"Wait_Duration TCK 15").unwrap();
        assert_eq!(
            waits[0].0,
            Wait::Cycles {
                port: "TCK".into(),
                count: 15
            }
        );
        let (_, t) = train(b"train 30, maximum_time 120.0e-6").unwrap();
        assert_eq!(
            t,
            AcTrain {
                pulses: 30,
                max_seconds: Some(120.0e-6)
            }
        );
        let (rest, (ports, properties)) =
            behaviour(b"RX [5], RY(1) : HP_time=1.0e-9, On_Chip, AC_Select=7; RZ : LP_time=2.0e-9")
                .unwrap();
        assert_eq!(
            (ports.len(), ports[0].1, ports[1].0.1),
            (2, Some(5), Some(1))
        );
        assert_eq!(
            properties,
            [
                Property::HighPass(1.0e-9),
                Property::OnChip,
                Property::AcSelect(7)
            ]
        );
        let (rest, (_, properties)) = behaviour(rest).unwrap();
        assert_eq!(
            (rest, &properties[..]),
            (&b""[..], &[Property::LowPass(2.0e-9)][..])
        );
        assert!(behaviour(b"RX : LOUD").is_err());
    }
}
