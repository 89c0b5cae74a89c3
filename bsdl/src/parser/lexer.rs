//! Bytes to tokens. Rules: IEEE 1149.1-2001 B.5, from memory; the first ones as in the appendix of a published handbook. BSDL is written in
//! VHDL's letters.

use memchr::{memchr2, memchr3};

use crate::span::Span;

/// What a token is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Kind {
    /// A name or keyword.
    Word,
    /// Digits, perhaps with a fraction and an exponent.
    Number,
    /// A string with its quotes. `closed` is false if the line ended first, `doubled` true if it holds `""`.
    Text { closed: bool, doubled: bool },
    /// One of the special characters.
    Mark(u8),
    /// `:=`
    Assign,
    /// `<>`
    Box,
    /// Bytes that have no place in BSDL outside comments and strings.
    Stray,
    /// No more text.
    End,
}

/// A token and its place.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Token {
    pub(crate) kind: Kind,
    pub(crate) span: Span,
}

/// Reads tokens one after another.
#[derive(Debug, Clone)]
pub(crate) struct Lexer<'a> {
    bytes: &'a [u8],
    at: usize,
}

impl<'a> Lexer<'a> {
    pub(crate) fn new(bytes: &'a [u8]) -> Self {
        Self { bytes, at: 0 }
    }

    /// Goes on at another place.
    pub(crate) fn resume(&mut self, at: usize) {
        self.at = at.min(self.bytes.len());
    }

    /// The next token. Every call but the one at the end of the text moves forward.
    pub(crate) fn next_token(&mut self) -> Token {
        self.skip_blank();
        let start = self.at;
        let Some(&first) = self.bytes.get(start) else {
            return self.token(Kind::End, start);
        };
        let kind = match CLASS[first as usize] {
            Class::Letter => {
                self.at += run(&self.bytes[start..], |b| {
                    matches!(CLASS[b as usize], Class::Letter | Class::Digit) || b == b'_'
                });
                Kind::Word
            }
            Class::Digit => self.number(),
            Class::Quote => self.text(),
            Class::Mark => {
                self.at += 1;
                match (first, self.bytes.get(self.at)) {
                    (b':', Some(b'=')) => {
                        self.at += 1;
                        Kind::Assign
                    }
                    (b'<', Some(b'>')) => {
                        self.at += 1;
                        Kind::Box
                    }
                    _ => Kind::Mark(first),
                }
            }
            Class::Blank | Class::Other => {
                self.at += run(&self.bytes[start..], |b| CLASS[b as usize] == Class::Other).max(1);
                Kind::Stray
            }
        };
        self.token(kind, start)
    }

    fn token(&self, kind: Kind, start: usize) -> Token {
        Token {
            kind,
            span: Span::new(start as u32, self.at as u32),
        }
    }

    fn skip_blank(&mut self) {
        loop {
            self.at += run(&self.bytes[self.at..], |b| {
                CLASS[b as usize] == Class::Blank
            });
            if !self.bytes[self.at..].starts_with(b"--") {
                return;
            }
            let rest = &self.bytes[self.at..];
            self.at += memchr2(b'\n', b'\r', rest).unwrap_or(rest.len());
        }
    }

    fn number(&mut self) -> Kind {
        let digits = |lexer: &mut Self| {
            lexer.at += run(&lexer.bytes[lexer.at..], |b| {
                b.is_ascii_digit() || b == b'_'
            });
        };
        let digit_at = |lexer: &Self, i: usize| lexer.bytes.get(i).is_some_and(u8::is_ascii_digit);
        digits(self);
        if self.bytes.get(self.at) == Some(&b'.') && digit_at(self, self.at + 1) {
            self.at += 1;
            digits(self);
        }
        if matches!(self.bytes.get(self.at), Some(b'e' | b'E')) {
            let sign = usize::from(matches!(self.bytes.get(self.at + 1), Some(b'+' | b'-')));
            if digit_at(self, self.at + 1 + sign) {
                self.at += 1 + sign;
                digits(self);
            }
        }
        Kind::Number
    }

    fn text(&mut self) -> Kind {
        self.at += 1;
        let mut doubled = false;
        loop {
            let rest = &self.bytes[self.at..];
            match memchr3(b'"', b'\n', b'\r', rest) {
                Some(i) if rest[i] == b'"' => {
                    self.at += i + 1;
                    if self.bytes.get(self.at) != Some(&b'"') {
                        return Kind::Text {
                            closed: true,
                            doubled,
                        };
                    }
                    self.at += 1;
                    doubled = true;
                }
                end => {
                    self.at += end.unwrap_or(rest.len());
                    return Kind::Text {
                        closed: false,
                        doubled,
                    };
                }
            }
        }
    }
}

fn run(bytes: &[u8], good: impl Fn(u8) -> bool) -> usize {
    bytes.iter().position(|&b| !good(b)).unwrap_or(bytes.len())
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Class {
    Letter,
    Digit,
    Quote,
    Mark,
    Blank,
    Other,
}

const CLASS: [Class; 256] = {
    let mut table = [Class::Other; 256];
    let mut i = 0;
    while i < 256 {
        table[i] = match i as u8 {
            b'a'..=b'z' | b'A'..=b'Z' => Class::Letter,
            b'0'..=b'9' => Class::Digit,
            b'"' => Class::Quote,
            b'&' | b'\'' | b'(' | b')' | b'*' | b',' | b'-' | b'.' | b':' | b';' | b'<' | b'='
            | b'>' => Class::Mark,
            b' ' | b'\t' | b'\n' | b'\r' | 0x0b | 0x0c => Class::Blank,
            _ => Class::Other,
        };
        i += 1;
    }
    table
};

#[cfg(test)]
mod tests {
    use super::*;

    fn kinds(text: &str) -> Vec<(Kind, String)> {
        let mut lexer = Lexer::new(text.as_bytes());
        let mut all = Vec::new();
        loop {
            let t = lexer.next_token();
            if t.kind == Kind::End {
                return all;
            }
            all.push((t.kind, text[t.span.range()].to_owned()));
        }
    }

    #[test]
    fn statements_become_tokens() {
        let seen = kinds("use A_1.all; -- \"note\"\n:= (10.0e6, 1.00e+07) <> 3e");
        let text: Vec<_> = seen.iter().map(|(_, t)| t.as_str()).collect();
        let expected = [
            "use", "A_1", ".", "all", ";", ":=", "(", "10.0e6", ",", "1.00e+07", ")", "<>", "3",
            "e",
        ];
        assert_eq!(text, expected);
    }

    #[test]
    fn strings_end_with_their_line() {
        let closed = |closed, doubled| Kind::Text { closed, doubled };
        assert_eq!(
            kinds("\"a -- b\" \"say \"\"x\"\"\"\n\"open\n\"\" \"end"),
            [
                (closed(true, false), "\"a -- b\"".into()),
                (closed(true, true), "\"say \"\"x\"\"\"".into()),
                (closed(false, false), "\"open".into()),
                (closed(true, false), "\"\"".into()),
                (closed(false, false), "\"end".into()),
            ]
        );
    }

    #[test]
    fn stray_bytes_come_in_one_piece() {
        let bytes = b"a \xe9\xe9#$ b\0";
        let mut lexer = Lexer::new(bytes);
        let spans: Vec<_> =
            std::iter::from_fn(|| Some(lexer.next_token()).filter(|t| t.kind != Kind::End))
                .map(|t| (t.kind, t.span.start, t.span.end))
                .collect();
        assert_eq!(
            spans,
            [
                (Kind::Word, 0, 1),
                (Kind::Stray, 2, 6),
                (Kind::Word, 7, 8),
                (Kind::Stray, 8, 9)
            ]
        );
    }
}
