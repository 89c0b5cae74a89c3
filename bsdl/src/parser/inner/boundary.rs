//! BOUNDARY_REGISTER: `number (cell, port, function, safe [, control cell, disable value, result])`.

use nom::combinator::opt;
use nom::{Parser, sequence::preceded};

use super::tokens::{fault, mark, name, number, peek, skip_blank};
use super::{In, Res};
use crate::model::{CellFunction, Disable, DisableResult, Trit};

/// One line of the table, names not yet looked up.
#[derive(Debug)]
pub(crate) struct Line<'a> {
    pub(crate) number: u32,
    pub(crate) kind: In<'a>,
    /// Port and index; `None` for `*`.
    pub(crate) port: Option<(In<'a>, Option<u32>)>,
    pub(crate) function: CellFunction,
    pub(crate) safe: Trit,
    pub(crate) control: Option<Disable>,
    /// The fifth field where it is a word (2013: what an open input reads).
    pub(crate) word: Option<In<'a>>,
}

pub(crate) fn line(text: In<'_>) -> Res<'_, Line<'_>> {
    let (text, number) = number("a cell number")(text)?;
    let (text, ()) = mark(b'(', "`(` after the cell number")(text)?;
    let (text, kind) = name("a cell type such as BC_1")(text)?;
    let (text, ()) = mark(b',', "a comma after the cell type")(text)?;
    let (text, port) = port(text)?;
    let (text, ()) = mark(b',', "a comma after the port")(text)?;
    let (text, function) = function(text)?;
    let (text, ()) = mark(b',', "a comma after the function")(text)?;
    let (text, safe) = safe(text)?;
    let mut line = Line {
        number,
        kind,
        port,
        function,
        safe,
        control: None,
        word: None,
    };
    if !peek(text, b',') {
        let (text, ()) = mark(b')', "`)` or a comma after the safe value")(text)?;
        return Ok((text, line));
    }
    let text = &skip_blank(text)[1..];
    if skip_blank(text)
        .first()
        .is_some_and(u8::is_ascii_alphabetic)
    {
        let (text, word) = name("a word")(text)?;
        line.word = Some(word);
        let (text, ()) = mark(b')', "`)` after the word")(text)?;
        return Ok((text, line));
    }
    let (text, cell) = super::tokens::number("the number of a control cell")(text)?;
    let (text, ()) = mark(b',', "a comma after the control cell")(text)?;
    let (text, disable_value) = level(text)?;
    let (text, ()) = mark(b',', "a comma after the disable value")(text)?;
    let (text, result) = result(text)?;
    let (text, ()) = mark(b')', "`)` after the disable result")(text)?;
    line.control = Some(Disable {
        cell,
        disable_value,
        result,
    });
    Ok((text, line))
}

/// `*`, `NAME` or `NAME(index)`.
fn port(text: In<'_>) -> Res<'_, Option<(In<'_>, Option<u32>)>> {
    if peek(text, b'*') {
        return Ok((&skip_blank(text)[1..], None));
    }
    let (text, port) = name("a port or `*`")(text)?;
    if !peek(text, b'(') {
        return Ok((text, Some((port, None))));
    }
    let (text, index) = preceded(mark(b'(', "`(`"), number("an index")).parse(text)?;
    let (text, ()) = mark(b')', "`)` after the index")(text)?;
    Ok((text, Some((port, Some(index)))))
}

fn function(text: In<'_>) -> Res<'_, CellFunction> {
    const EXPECTED: &str = "a function (input, clock, output2, output3, control, controlr, internal, bidir, observe_only)";
    let at = skip_blank(text);
    let (rest, word) = name(EXPECTED)(text)?;
    match CellFunction::ALL
        .iter()
        .find(|(_, s)| s.as_bytes().eq_ignore_ascii_case(word))
    {
        Some((function, _)) => Ok((rest, *function)),
        None => fault(at, EXPECTED),
    }
}

fn safe(text: In<'_>) -> Res<'_, Trit> {
    let at = skip_blank(text);
    match at {
        [b, rest @ ..]
            if !rest
                .first()
                .is_some_and(|b| super::tokens::is_name_byte(*b)) =>
        {
            match Trit::from_char(*b) {
                Some(trit) => Ok((rest, trit)),
                None => fault(at, "a safe value: 0, 1 or X"),
            }
        }
        _ => fault(at, "a safe value: 0, 1 or X"),
    }
}

fn level(text: In<'_>) -> Res<'_, bool> {
    let (rest, value) =
        safe(text).or_else(|_| fault(skip_blank(text), "a disable value: 0 or 1"))?;
    value.value().map_or_else(
        || fault(skip_blank(text), "a disable value: 0 or 1"),
        |level| Ok((rest, level)),
    )
}

fn result(text: In<'_>) -> Res<'_, DisableResult> {
    const EXPECTED: &str = "a disable result (Z, WEAK0, WEAK1, PULL0, PULL1, KEEPER)";
    let at = skip_blank(text);
    let (rest, word) = opt(name(EXPECTED)).parse(text)?;
    match DisableResult::ALL
        .iter()
        .find(|(_, s)| word.is_some_and(|w| s.as_bytes().eq_ignore_ascii_case(w)))
    {
        Some((result, _)) => Ok((rest, *result)),
        None => fault(at, EXPECTED),
    }
}

/// True where a line of the table may begin: a number and an opening bracket.
pub(crate) fn starts(text: In<'_>) -> bool {
    let digits = text
        .iter()
        .position(|b| !b.is_ascii_digit())
        .unwrap_or(text.len());
    digits > 0 && peek(&text[digits..], b'(')
}

/// The number of a line that could not be read to its end.
pub(crate) fn number_of(text: In<'_>) -> Option<u32> {
    number("a cell number")(text).ok().map(|(_, n)| n)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_of_real_files() {
        // The forms that published files have.
        let (rest, l) = line(b"4 (BC_1, PB07_16, output3, X, 3, 0, Z),").unwrap();
        assert_eq!(
            (rest, l.number, l.kind, l.port),
            (&b","[..], 4, &b"BC_1"[..], Some((&b"PB07_16"[..], None)))
        );
        assert_eq!((l.function, l.safe), (CellFunction::Output3, Trit::X));
        assert_eq!(
            l.control,
            Some(Disable {
                cell: 3,
                disable_value: false,
                result: DisableResult::Z
            })
        );
        let (_, l) = line(b"3(BC_1,*,controlr,0)").unwrap();
        assert_eq!(
            (l.port, l.function, l.safe, l.control),
            (None, CellFunction::ControlR, Trit::Zero, None)
        );
        let (_, l) = line(b"15 (BC_1, D ( 1 ), input, X)").unwrap();
        assert_eq!(l.port, Some((&b"D"[..], Some(1))));
    }

    #[test]
    fn faults_say_what_was_expected() {
        let stop = |text: &'static [u8]| match line(text) {
            Err(Err::Error(f)) => (f.expected, f.at.len()),
            other => panic!("{other:?}"),
        };
        use nom::Err;
        assert_eq!(
            stop(b"4 (BC_1, A, output3, X, 3, 2, Z)"),
            ("a disable value: 0 or 1", 5)
        );
        assert_eq!(stop(b"4 (BC_1, A, output3, X, 3, 0, FLOAT)").1, 6);
        assert_eq!(
            stop(b"4 (BC_1, A output3, X)"),
            ("a comma after the port", 11)
        );
        assert_eq!(stop(b"4 (BC_1, A, ouput3, X)").1, 10);
        assert_eq!(
            stop(b"4 (BC_1, A, input, U)"),
            ("a safe value: 0, 1 or X", 2)
        );
    }
}
