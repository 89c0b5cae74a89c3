//! Words, signs and what lies between them.

use std::io::Read;

use super::error::{Place, SvfError, SvfWarning};
use super::reader::Reader;

/// The longest word, number or name.
const WORD: usize = 256;
/// The longest line by the specification.
const LINE: u64 = 256;

/// A piece of a statement.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Token {
    Word(String),
    Open,
    Close,
    End,
}

impl Token {
    pub(super) fn shown(&self) -> String {
        match self {
            Token::Word(w) => format!("'{w}'"),
            Token::Open => "'('".into(),
            Token::Close => "')'".into(),
            Token::End => "';'".into(),
        }
    }
}

impl<R: Read> Reader<R> {
    pub(super) fn open(&mut self) -> Result<(), SvfError> {
        let at = self.source_place()?;
        match self.token()? {
            Token::Open => Ok(()),
            other => Err(expected(at, "'('", &other)),
        }
    }

    pub(super) fn end(&mut self) -> Result<(), SvfError> {
        let at = self.source_place()?;
        match self.token()? {
            Token::End => Ok(()),
            other => Err(expected(at, "';'", &other)),
        }
    }

    pub(super) fn keyword(&mut self, keyword: &'static str) -> Result<(), SvfError> {
        let (at, word) = self.word(keyword)?;
        if word.eq_ignore_ascii_case(keyword) {
            Ok(())
        } else {
            Err(expected(at, keyword, &Token::Word(word)))
        }
    }

    pub(super) fn word(&mut self, what: &'static str) -> Result<(Place, String), SvfError> {
        let at = self.source_place()?;
        match self.token()? {
            Token::Word(word) => Ok((at, word)),
            other => Err(expected(at, what, &other)),
        }
    }

    /// The place of the next token.
    pub(super) fn source_place(&mut self) -> Result<Place, SvfError> {
        self.blanks()?;
        Ok(self.source.place())
    }

    pub(super) fn token(&mut self) -> Result<Token, SvfError> {
        self.blanks()?;
        let at = self.source.place();
        let Some(first) = self.source.peek()? else {
            return Err(self.cut_off());
        };
        let single = match first {
            b'(' => Some(Token::Open),
            b')' => Some(Token::Close),
            b';' => Some(Token::End),
            _ => None,
        };
        if let Some(token) = single {
            self.source.bump();
            return Ok(token);
        }
        let mut word = String::new();
        while let Some(byte) = self.source.peek()? {
            if byte.is_ascii_whitespace()
                || b"();!".contains(&byte)
                || (byte == b'/' && !word.is_empty())
            {
                break;
            }
            if !byte.is_ascii_graphic() || word.len() == WORD {
                return Err(SvfError::Expected {
                    at,
                    expected: "a word or a number",
                    found: shown(byte),
                });
            }
            word.push(char::from(byte));
            self.source.bump();
        }
        Ok(Token::Word(word))
    }

    /// Skips white space and comments.
    pub(super) fn blanks(&mut self) -> Result<(), SvfError> {
        loop {
            match self.source.peek()? {
                Some(b'\n') => {
                    if self.source.line_length() > LINE + 1 {
                        let at = self.source.place();
                        self.warn(at, SvfWarning::LongLine)?;
                    }
                    self.source.bump();
                }
                Some(b' ' | b'\t' | b'\r' | 0x0b | 0x0c) => self.source.bump(),
                Some(b'!') => self.source.skip_line()?,
                Some(b'/') => {
                    let at = self.source.place();
                    self.source.bump();
                    match self.source.peek()? {
                        Some(b'/') => self.source.skip_line()?,
                        other => {
                            return Err(SvfError::Expected {
                                at,
                                expected: "'//' for a comment",
                                found: other.map_or("the end of the file".into(), |b| {
                                    format!("'/' and {}", shown(b))
                                }),
                            });
                        }
                    }
                }
                _ => return Ok(()),
            }
        }
    }
}

pub(super) fn shown(byte: u8) -> String {
    if byte.is_ascii_graphic() {
        format!("'{}'", char::from(byte))
    } else {
        format!("the byte {byte:02X}")
    }
}

pub(super) fn expected(at: Place, expected: &'static str, found: &Token) -> SvfError {
    SvfError::Expected {
        at,
        expected,
        found: found.shown(),
    }
}

/// A whole number.
pub(super) fn whole(at: Place, text: &str, what: &'static str) -> Result<u64, SvfError> {
    let number = text
        .bytes()
        .all(|b| b.is_ascii_digit())
        .then(|| text.parse::<u64>().ok())
        .flatten();
    number
        .filter(|&n| n <= u64::from(u32::MAX))
        .ok_or_else(|| SvfError::Number {
            at,
            what,
            found: format!("'{text}'"),
        })
}
