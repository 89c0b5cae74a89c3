//! The small languages of the 2013 edition (from memory; every fault in them is a warning).

use nom::Parser;
use nom::combinator::opt;
use nom::sequence::{delimited, preceded, terminated};

use super::execution::real;
use super::ports::{Named, named};
use super::tokens::{fault, ident_len, list, mark, name, number, peek, skip_blank, word};
use super::{In, Res};
use crate::model::Range;

/// `POWER : (PORT, …)`.
pub(crate) fn power(text: In<'_>) -> Res<'_, (Named<'_>, Vec<Named<'_>>)> {
    let ports = delimited(
        mark(b'(', "`(` before the ports"),
        list(named),
        mark(b')', "`)` or a comma after a port"),
    );
    (terminated(named, mark(b':', "`:` after the supply")), ports).parse(text)
}

/// Port, lowest and highest rate, instructions.
pub(crate) type Clock<'a> = (Named<'a>, f64, f64, Vec<In<'a>>);

/// `(PORT, lowest, highest, INSTRUCTION, …)`.
pub(crate) fn clock(text: In<'_>) -> Res<'_, Clock<'_>> {
    let comma = || mark(b',', "a comma");
    let rate = |text| real(skip_blank(text));
    let (text, ()) = mark(b'(', "`(` before the clock")(text)?;
    let (text, port) = terminated(named, comma()).parse(text)?;
    let (text, min) = terminated(rate, comma()).parse(text)?;
    let (text, max) = rate(text)?;
    let (text, instructions) = opt(preceded(comma(), list(name("an instruction")))).parse(text)?;
    let (text, ()) = mark(b')', "`)` after the clock")(text)?;
    Ok((text, (port, min, max, instructions.unwrap_or_default())))
}

/// Name, value, information.
pub(crate) type Value<'a> = (In<'a>, In<'a>, Option<In<'a>>);

/// `GROUP (NAME (value) <information>, …)`.
pub(crate) fn mnemonics(text: In<'_>) -> Res<'_, (In<'_>, Vec<Value<'_>>)> {
    let value = |text| (name("a name for a value"), bracketed, opt(tag)).parse(text);
    let values = delimited(
        mark(b'(', "`(` before the names"),
        list(value),
        mark(b')', "`)` or a comma after a value"),
    );
    (name("the name of a group"), values).parse(text)
}

/// One field.
#[derive(Debug)]
pub(crate) struct Field<'a> {
    pub(crate) name: In<'a>,
    pub(crate) width: u32,
    pub(crate) bits: Vec<Range>,
    pub(crate) properties: Vec<(In<'a>, Option<In<'a>>)>,
}

/// `REGISTER [length] ((FIELD [width] IS (bits) PROPERTY (…) …), …)`.
pub(crate) fn fields(text: In<'_>) -> Res<'_, (In<'_>, u32, Vec<Field<'_>>)> {
    let fields = delimited(
        mark(b'(', "`(` before the fields"),
        list(field),
        mark(b')', "`)` or a comma after a field"),
    );
    let (text, (name, length, fields)) = (name("a register name"), length, fields).parse(text)?;
    Ok((text, (name, length, fields)))
}

pub(super) fn length(text: In<'_>) -> Res<'_, u32> {
    delimited(
        mark(b'[', "`[`"),
        number("a number of bits"),
        mark(b']', "`]` after the length"),
    )
    .parse(text)
}

fn field(text: In<'_>) -> Res<'_, Field<'_>> {
    let (text, ()) = mark(b'(', "`(` before a field")(text)?;
    let (text, (name, width)) = (name("a field name"), length).parse(text)?;
    let (text, ()) = word("IS", "`is` after the field")(text)?;
    let (mut text, bits) = delimited(
        mark(b'(', "`(` before the bits"),
        list(range),
        mark(b')', "`)` or a comma after a bit"),
    )
    .parse(text)?;
    let mut properties = Vec::new();
    while !peek(text, b')') {
        let (rest, property) =
            (super::tokens::name("a property or `)`"), opt(bracketed)).parse(text)?;
        properties.push(property);
        text = rest;
    }
    Ok((
        &skip_blank(text)[1..],
        Field {
            name,
            width,
            bits,
            properties,
        },
    ))
}

/// `7 downto 4`, `0 to 3` or a single bit.
fn range(text: In<'_>) -> Res<'_, Range> {
    let (text, left) = number("a bit number")(text)?;
    let towards = nom::branch::alt((word("DOWNTO", "downto"), word("TO", "to")));
    let (text, right) = opt(preceded(towards, number("a bit number"))).parse(text)?;
    Ok((
        text,
        Range {
            left,
            right: right.unwrap_or(left),
        },
    ))
}

/// `(0 to 3)`.
pub(super) fn range_in_brackets(text: In<'_>) -> Res<'_, Range> {
    delimited(mark(b'(', "`(`"), range, mark(b')', "`)`")).parse(text)
}

/// The longest text in brackets or tags of the 2013 edition that is read: without a limit, brackets that nobody closes
/// would be looked for again and again up to the end.
const LONGEST: usize = 8_192;

/// Text between brackets that match, the outer ones taken off.
pub(super) fn bracketed(text: In<'_>) -> Res<'_, In<'_>> {
    let (inside, ()) = mark(b'(', "`(`")(text)?;
    let mut depth = 1u32;
    for (i, b) in inside.iter().enumerate().take(LONGEST) {
        depth = match b {
            b'(' => depth + 1,
            b')' => depth - 1,
            _ => depth,
        };
        if depth == 0 {
            return Ok((&inside[i + 1..], inside[..i].trim_ascii()));
        }
    }
    fault(&inside[inside.len()..], "`)`")
}

/// `<information>`.
pub(super) fn tag(text: In<'_>) -> Res<'_, In<'_>> {
    let (inside, ()) = mark(b'<', "`<`")(text)?;
    match memchr::memchr(b'>', &inside[..inside.len().min(LONGEST)]) {
        Some(end) => Ok((&inside[end + 1..], inside[..end].trim_ascii())),
        None => fault(&inside[inside.len()..], "`>`"),
    }
}

/// True at a name and a colon.
pub(crate) fn starts_power(text: In<'_>) -> bool {
    let len = ident_len(text);
    len > 0 && peek(&text[len..], b':')
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The shapes of IEEE 1149.1-2013, from memory, clause not checked.
    #[test]
    fn shapes_of_2013() {
        let (_, (supply, ports)) = power(b"VCCIO1 : (P1, P2(3))").unwrap();
        assert_eq!(
            (supply.0, ports.len(), ports[1].1),
            (&b"VCCIO1"[..], 2, Some(3))
        );
        let (_, (port, min, max, instructions)) =
            clock(b"(CLK, 1.0e6, 50.0e6, RUNBIST, INTEST)").unwrap();
        assert_eq!(
            (port.0, min, max, instructions.len()),
            (&b"CLK"[..], 1.0e6, 50.0e6, 2)
        );
        let (_, (group, values)) =
            mnemonics(b"Speed (SLOW (0b00) <for long wires>, FAST (0x3), REST (OTHERS))").unwrap();
        assert_eq!((group, values.len()), (&b"Speed"[..], 3));
        assert_eq!(
            values[0],
            (&b"SLOW"[..], &b"0b00"[..], Some(&b"for long wires"[..]))
        );
        let (rest, (register, length, all)) =
            fields(b"INIT_DATA [8] ((DRIVE [3] IS (7 downto 6, 0) DEFAULT(Speed(FAST)) NOPI), (REST[5] IS (1 TO 5)))").unwrap();
        assert_eq!(
            (rest, register, length, all.len()),
            (&b""[..], &b"INIT_DATA"[..], 8, 2)
        );
        assert_eq!(
            all[0].bits,
            [Range { left: 7, right: 6 }, Range { left: 0, right: 0 }]
        );
        assert_eq!(
            all[0].properties,
            [
                (&b"DEFAULT"[..], Some(&b"Speed(FAST)"[..])),
                (&b"NOPI"[..], None)
            ]
        );
        assert!(
            fields(b"R [2] ((A [1] IS (0) DEFAULT(").is_err() && mnemonics(b"G (A (1) <x").is_err()
        );
    }
}
