//! Tokens of the small languages. Blanks before a token are skipped.

use nom::{Err, Parser};

use super::{Fault, In, Res};
use crate::model::Pattern;

pub(super) fn skip_blank(text: In<'_>) -> In<'_> {
    match text {
        // Most tokens follow each other directly or after one space.
        [b, ..] if *b > b' ' => text,
        _ => {
            &text[text
                .iter()
                .position(|b| !is_blank(*b))
                .unwrap_or(text.len())..]
        }
    }
}

fn is_blank(b: u8) -> bool {
    matches!(b, b' ' | b'\t' | 0x0b | 0x0c)
}

pub(super) fn is_name_byte(b: u8) -> bool {
    b.is_ascii_alphanumeric() || b == b'_'
}

/// Length of the run of letters, digits and underscores at the start.
pub(super) fn ident_len(text: In<'_>) -> usize {
    text.iter()
        .position(|b| !is_name_byte(*b))
        .unwrap_or(text.len())
}

pub(super) fn fault<'a, O>(at: In<'a>, expected: &'static str) -> Res<'a, O> {
    Err(Err::Error(Fault { at, expected }))
}

/// A single character.
pub(super) fn mark<'a>(mark: u8, expected: &'static str) -> impl Fn(In<'a>) -> Res<'a, ()> {
    move |text| {
        let text = skip_blank(text);
        match text.split_first() {
            Some((&b, rest)) if b == mark => Ok((rest, ())),
            _ => fault(text, expected),
        }
    }
}

/// A name: letters, digits, underscores, a letter first.
pub(super) fn name<'a>(expected: &'static str) -> impl Fn(In<'a>) -> Res<'a, In<'a>> {
    move |text| {
        let text = skip_blank(text);
        let len = ident_len(text);
        if len == 0 || !text[0].is_ascii_alphabetic() {
            return fault(text, expected);
        }
        Ok((&text[len..], &text[..len]))
    }
}

/// A whole number that fits `u32`.
pub(super) fn number<'a>(expected: &'static str) -> impl Fn(In<'a>) -> Res<'a, u32> {
    move |text| {
        let text = skip_blank(text);
        let len = text
            .iter()
            .position(|b| !b.is_ascii_digit())
            .unwrap_or(text.len());
        if len == 0 || text.get(len).is_some_and(|b| is_name_byte(*b)) {
            return fault(text, expected);
        }
        let value = text[..len].iter().try_fold(0u32, |v, d| {
            v.checked_mul(10)?.checked_add(u32::from(d - b'0'))
        });
        match value {
            Some(value) => Ok((&text[len..], value)),
            None => fault(text, "a number below 4294967296"),
        }
    }
}

/// A pattern of 0, 1 and X; blanks inside it are passed over, as they come from joining.
pub(super) fn pattern<'a>(expected: &'static str) -> impl Fn(In<'a>) -> Res<'a, Pattern> {
    move |text| {
        let text = skip_blank(text);
        let len = ident_len(text);
        match Pattern::parse(&text[..len]) {
            Ok(pattern) => Ok((&text[len..], pattern)),
            Err(_) => fault(text, expected),
        }
    }
}

/// The given word, case ignored.
pub(super) fn word<'a>(
    word: &'static str,
    expected: &'static str,
) -> impl Fn(In<'a>) -> Res<'a, ()> {
    move |text| {
        let text = skip_blank(text);
        let len = ident_len(text);
        if text[..len].eq_ignore_ascii_case(word.as_bytes()) {
            Ok((&text[len..], ()))
        } else {
            fault(text, expected)
        }
    }
}

/// True if the next token is this character.
pub(super) fn peek(text: In<'_>, mark: u8) -> bool {
    skip_blank(text).first() == Some(&mark)
}

/// One or more of `item`, separated by commas.
pub(super) fn list<'a, T>(
    mut item: impl Parser<In<'a>, Output = T, Error = Fault<'a>>,
) -> impl FnMut(In<'a>) -> Res<'a, Vec<T>> {
    move |text| {
        let (mut rest, first) = item.parse(text)?;
        let mut all = vec![first];
        while peek(rest, b',') {
            let (after, next) = item.parse(&skip_blank(rest)[1..])?;
            all.push(next);
            rest = after;
        }
        Ok((rest, all))
    }
}
