//! INSTRUCTION_OPCODE, INSTRUCTION_PRIVATE, BOUNDARY_CELLS, identity codes, REGISTER_ACCESS.

use nom::Parser;
use nom::combinator::opt;
use nom::sequence::{delimited, preceded};

use super::tokens::{
    fault, ident_len, is_name_byte, list, mark, name, number, pattern, peek, skip_blank, word,
};
use super::{In, Res};
use crate::model::{Pattern, Trit};

/// `NAME (code {, code})`.
pub(crate) fn opcode(text: In<'_>) -> Res<'_, (In<'_>, Vec<(Pattern, In<'_>)>)> {
    let codes = delimited(
        mark(b'(', "`(` after the instruction"),
        list(located(pattern("an opcode of 0, 1 and X"))),
        mark(b')', "`)` or a comma after an opcode"),
    );
    (name("an instruction name"), codes).parse(text)
}

/// A name alone.
pub(crate) fn only_name(text: In<'_>) -> Res<'_, In<'_>> {
    name("a name")(text)
}

/// A pattern alone, with its text; blanks inside it are passed over, because long ones come in pieces.
pub(crate) fn only_pattern(text: In<'_>) -> Res<'_, (Pattern, In<'_>)> {
    let text = skip_blank(text);
    let len = text
        .iter()
        .position(|b| !b"01Xx \t".contains(b))
        .unwrap_or(text.len());
    let piece = text[..len].trim_ascii_end();
    let bits = piece.iter().rev().filter_map(|b| Trit::from_char(*b));
    if piece.is_empty() || text.get(len).is_some_and(|b| is_name_byte(*b)) {
        return fault(&text[len..], "a pattern of 0, 1 and X");
    }
    Ok((&text[piece.len()..], (Pattern::from_bits(bits), piece)))
}

/// `(number, number)`, or one number for both.
pub(crate) fn pair(text: In<'_>) -> Res<'_, (u32, u32)> {
    if !peek(text, b'(') {
        return number("a number of bits").map(|n| (n, n)).parse(text);
    }
    let (text, ()) = mark(b'(', "`(`")(text)?;
    let (text, first) = number("a number of bits")(text)?;
    let (text, ()) = mark(b',', "a comma between the two numbers")(text)?;
    let (text, second) = number("a number of bits")(text)?;
    let (text, ()) = mark(b')', "`)` after the second number")(text)?;
    Ok((text, (first, second)))
}

/// One register and the instructions that select it.
#[derive(Debug)]
pub(crate) struct Access<'a> {
    pub(crate) register: In<'a>,
    pub(crate) length: Option<u32>,
    /// Instruction, and what the register captures under it.
    pub(crate) instructions: Vec<(In<'a>, Option<(Pattern, In<'a>)>)>,
}

/// `REGISTER [length] (INSTRUCTION [CAPTURES pattern] {, …})`.
pub(crate) fn access(text: In<'_>) -> Res<'_, Access<'_>> {
    let (text, register) = name("a register name")(text)?;
    let length = delimited(
        mark(b'[', "`[`"),
        number("the register's length in bits"),
        mark(b']', "`]` after the length"),
    );
    let (text, length) = if peek(text, b'[') {
        length.map(Some).parse(text)?
    } else {
        (text, None)
    };
    let captures = preceded(
        word("CAPTURES", "CAPTURES"),
        located(pattern("a pattern of 0, 1 and X")),
    );
    let (text, instructions) = delimited(
        mark(b'(', "`(` or `[` after the register"),
        list((name("an instruction name"), opt(captures))),
        mark(b')', "`)` or a comma after an instruction"),
    )
    .parse(text)?;
    Ok((
        text,
        Access {
            register,
            length,
            instructions,
        },
    ))
}

/// Gives a parser's text along with its value.
fn located<'a, T>(
    parser: impl Fn(In<'a>) -> Res<'a, T>,
) -> impl Fn(In<'a>) -> Res<'a, (T, In<'a>)> {
    move |text| {
        let text = skip_blank(text);
        let (rest, value) = parser(text)?;
        Ok((rest, (value, &text[..text.len() - rest.len()])))
    }
}

/// True where a name and an opening bracket of either kind stand: an opcode or access item.
pub(crate) fn starts(text: In<'_>) -> bool {
    let len = ident_len(text);
    len > 0
        && text[0].is_ascii_alphabetic()
        && (peek(&text[len..], b'(') || peek(&text[len..], b'['))
}

/// True at any name or number.
pub(crate) fn starts_name(text: In<'_>) -> bool {
    ident_len(text) > 0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn opcodes_and_access() {
        assert!(
            opcode(b"BYPASS (1111, 10 X0)").is_err(),
            "blanks do not split an opcode"
        );
        let (_, (name, codes)) = opcode(b"BYPASS(1111 ,10X0)").unwrap();
        assert_eq!(
            (name, codes.len(), codes[1].0.to_string()),
            (&b"BYPASS"[..], 2, "10X0".into())
        );
        // The form that a published tutorial gives.
        let (_, a) = access(b"MY_REG[8] (MY_INSTRUCTION CAPTURES 01010101, OTHER)").unwrap();
        assert_eq!(
            (a.register, a.length, a.instructions.len()),
            (&b"MY_REG"[..], Some(8), 2)
        );
        assert_eq!(
            a.instructions[0].1.as_ref().unwrap().0.to_string(),
            "01010101"
        );
        assert_eq!(a.instructions[1].1, None);
        let (rest, (id, _)) = only_pattern(b"XX00 1 ,").unwrap();
        assert_eq!((id.to_string(), rest), ("XX001".into(), &b" ,"[..]));
        assert!(only_pattern(b"0012").is_err() && only_pattern(b" ").is_err());
        let (_, a) = access(b"BOUNDARY(EXTEST, SAMPLE)").unwrap();
        assert_eq!((a.length, a.instructions.len()), (None, 2));
    }
}
