//! The statement parser's hand on the tokens: one token of look-ahead, expectations, recovery.

use super::joined::Joined;
use super::lexer::{Kind, Lexer, Token};
use crate::report::Report;
use crate::rules;
use crate::span::Span;

/// Words that start or end a statement; reserved, so they cannot be names.
const STARTS: [&str; 8] = [
    "attribute",
    "constant",
    "end",
    "entity",
    "generic",
    "package",
    "port",
    "use",
];

pub(super) struct Cursor<'a, 'r, 'o> {
    pub(super) bytes: &'a [u8],
    pub(super) report: &'r mut Report<'o>,
    lexer: Lexer<'a>,
    /// The token under the hand.
    pub(super) token: Token,
    /// Where the token before it ended.
    pub(super) behind: u32,
    /// An unclosed string swallowed the statement's semicolon.
    semicolon_seen: bool,
}

impl<'a, 'r, 'o> Cursor<'a, 'r, 'o> {
    pub(super) fn new(bytes: &'a [u8], report: &'r mut Report<'o>) -> Self {
        let mut lexer = Lexer::new(bytes);
        let token = lexer.next_token();
        Self {
            bytes,
            report,
            lexer,
            token,
            behind: 0,
            semicolon_seen: false,
        }
    }

    /// The bytes of a span.
    pub(super) fn slice(&self, span: Span) -> &'a [u8] {
        &self.bytes[span.range()]
    }

    /// The text of a span; bytes that are no UTF-8 are read as Latin-1.
    pub(super) fn string(&self, span: Span) -> String {
        latin(self.slice(span))
    }

    pub(super) fn at_end(&self) -> bool {
        self.token.kind == Kind::End
    }

    pub(super) fn at_mark(&self, mark: u8) -> bool {
        self.token.kind == Kind::Mark(mark)
    }

    pub(super) fn at_word(&self, word: &str) -> bool {
        self.token.kind == Kind::Word
            && self
                .slice(self.token.span)
                .eq_ignore_ascii_case(word.as_bytes())
    }

    pub(super) fn at_text(&self) -> bool {
        matches!(self.token.kind, Kind::Text { .. })
    }

    /// True at a word that starts or ends a statement.
    pub(super) fn at_start(&self) -> bool {
        self.token.kind == Kind::Word && STARTS.iter().any(|w| self.at_word(w))
    }

    /// The token after the present one, without moving.
    pub(super) fn after(&self) -> Token {
        self.lexer.clone().next_token()
    }

    /// Moves on by one token without looking for stray bytes.
    pub(super) fn step(&mut self) -> Token {
        let token = self.token;
        self.behind = token.span.end;
        self.token = self.lexer.next_token();
        token
    }

    /// Moves on by one token; stray bytes on the way are reported and passed over.
    pub(super) fn bump(&mut self) -> Token {
        let token = self.step();
        while self.token.kind == Kind::Stray {
            let span = self.token.span;
            let shown = latin(&self.slice(span)[..span.range().len().min(16)]);
            self.report.add(
                &rules::STRAY,
                span,
                format!("{shown:?} has no place in a BSDL statement"),
            );
            self.token = self.lexer.next_token();
        }
        token
    }

    pub(super) fn eat_mark(&mut self, mark: u8) -> bool {
        let there = self.at_mark(mark);
        if there {
            self.bump();
        }
        there
    }

    pub(super) fn eat_word(&mut self, word: &str) -> bool {
        let there = self.at_word(word);
        if there {
            self.bump();
        }
        there
    }

    /// What stands under the hand, for messages.
    pub(super) fn found(&self) -> String {
        match self.token.kind {
            Kind::End => "the end of the file".into(),
            Kind::Text { .. } => "a string".into(),
            _ => {
                let span = self.token.span;
                let cut = Span::new(span.start, span.end.min(span.start + 40));
                format!("`{}`", self.string(cut))
            }
        }
    }

    /// Reports that something else was expected here.
    pub(super) fn unexpected(&mut self, expected: &str, place: &str) {
        let message = format!("expected {expected} {place}, found {}", self.found());
        // At the end of the file or of a line the fault lies behind the last token.
        let span = if self.at_end() {
            Span::new(self.behind, self.behind)
        } else {
            self.token.span
        };
        self.report.add(&rules::UNEXPECTED, span, message);
    }

    pub(super) fn expect_mark(&mut self, mark: u8, place: &str) -> bool {
        let there = self.eat_mark(mark);
        if !there {
            self.unexpected(&format!("`{}`", mark as char), place);
        }
        there
    }

    pub(super) fn expect_word(&mut self, word: &str, place: &str) -> bool {
        let there = self.eat_word(word);
        if !there {
            self.unexpected(&format!("`{word}`"), place);
        }
        there
    }

    /// A name; statement words do not count as names.
    pub(super) fn name(&mut self, what: &str, place: &str) -> Option<Span> {
        if self.token.kind == Kind::Word && !self.at_start() {
            return Some(self.bump().span);
        }
        self.unexpected(what, place);
        None
    }

    /// A number without fraction that fits `u32`.
    pub(super) fn integer(&mut self, place: &str) -> Option<u32> {
        if self.token.kind != Kind::Number {
            self.unexpected("a number", place);
            return None;
        }
        let span = self.bump().span;
        let digits: String = self.string(span).chars().filter(|c| *c != '_').collect();
        let value = digits.parse().ok();
        if value.is_none() {
            let message = format!("{digits} {place} is not a whole number below 4294967296");
            self.report.add(&rules::NUMBER, span, message);
        }
        value
    }

    /// The end of a statement. Says what is missing and goes on at the next statement.
    pub(super) fn finish(&mut self, what: &str) {
        if std::mem::take(&mut self.semicolon_seen) {
            self.eat_mark(b';');
        } else if self.eat_mark(b';') {
        } else if self.at_start() || self.at_end() {
            let span = Span::new(self.behind.saturating_sub(1), self.behind);
            self.report
                .add(&rules::NO_SEMICOLON, span, format!("no `;` after {what}"));
        } else {
            self.unexpected("`;`", &format!("after {what}"));
            self.recover();
        }
    }

    /// Skips to just behind the next semicolon, or to the next word that starts a statement.
    pub(super) fn recover(&mut self) {
        self.semicolon_seen = false;
        while !self.at_end() && !self.at_start() {
            let token = self.step();
            if token.kind == Kind::Mark(b';') {
                self.pass_stray();
                return;
            }
        }
    }

    fn pass_stray(&mut self) {
        while self.token.kind == Kind::Stray {
            self.step();
        }
    }

    /// Strings joined by `&`. The hand is at the first one.
    pub(super) fn joined(&mut self) -> Joined {
        let mut joined = Joined::at(self.token.span);
        let mut control = None;
        while let Kind::Text { closed, doubled } = self.token.kind {
            let span = self.token.span;
            let mut inside = Span::new(span.start + 1, span.end - u32::from(closed));
            let mut ampersand = false;
            if !closed {
                (inside, ampersand) = self.unclosed(inside);
            }
            let text = self.slice(inside);
            // All bytes are looked at, without a way out of the loop: that goes many at a time.
            if text.iter().fold(false, |any, b| any | (*b < b' ')) {
                control = control.or(text
                    .iter()
                    .position(|b| *b < b' ')
                    .map(|i| inside.start + i as u32));
            }
            joined.push(text, inside.start, doubled);
            joined.span.end = span.end;
            self.bump();
            if self.semicolon_seen {
                break;
            }
            if ampersand || self.eat_mark(b'&') {
                if !self.at_text() && !self.unopened(&mut joined) {
                    let span = Span::new(self.behind.saturating_sub(1), self.behind);
                    self.report
                        .add(&rules::EXTRA, span, "`&` with no string after it");
                    break;
                }
            } else if self.at_text() && closed {
                let span = Span::new(self.behind - 1, self.token.span.start + 1);
                self.report
                    .add(&rules::NO_AMPERSAND, span, "no `&` between two strings");
            }
        }
        if let Some(at) = control {
            let message = match self.bytes[at as usize] {
                b'\t' => "a tab inside a string".to_owned(),
                byte => format!("the control character {byte:#04x} inside a string"),
            };
            self.report
                .add(&rules::CONTROL_CHARACTER, Span::new(at, at + 1), message);
        }
        joined
    }

    /// Mends a string whose line ended before it closed: what follows its text on that line (`&`, `;`) is taken for
    /// what the writer meant. Answers the text and whether an ampersand was seen.
    fn unclosed(&mut self, inside: Span) -> (Span, bool) {
        self.report.add(
            &rules::OPEN_STRING,
            self.token.span,
            "the string does not close on its line",
        );
        let text = self.slice(inside).trim_ascii_end();
        let (kept, last) = match text.split_last() {
            Some((last @ (b'&' | b';'), kept)) => (kept.trim_ascii_end(), *last),
            _ => (text, 0),
        };
        self.semicolon_seen = last == b';';
        (
            Span::new(inside.start, inside.start + kept.len() as u32),
            last == b'&',
        )
    }

    /// After an ampersand: a string that lacks its opening quote. Its text runs to the quote on the same line.
    fn unopened(&mut self, joined: &mut Joined) -> bool {
        if self.at_mark(b';') || self.at_start() || self.at_end() {
            return false;
        }
        let start = self.token.span.start;
        let rest = &self.bytes[start as usize..];
        let Some(quote) = memchr::memchr3(b'"', b'\n', b'\r', rest).filter(|i| rest[*i] == b'"')
        else {
            return false;
        };
        let end = start + quote as u32;
        self.report.add(
            &rules::OPEN_STRING,
            Span::new(start, end + 1),
            "the string has no opening quote",
        );
        joined.push(&rest[..quote], start, false);
        joined.span.end = end + 1;
        self.lexer.resume(end as usize + 1);
        self.token = Token {
            kind: Kind::Mark(b'&'),
            span: Span::new(end, end + 1),
        };
        self.bump();
        self.eat_mark(b'&');
        self.at_text() || self.unopened_end()
    }

    /// True if the joined text simply ends after a mended string.
    fn unopened_end(&self) -> bool {
        self.at_mark(b';') || self.at_start() || self.at_end()
    }
}

/// Text from bytes: UTF-8 where they are, each other byte a Latin-1 letter. A part of a text thus reads as it does in
/// the whole.
pub(crate) fn latin(bytes: &[u8]) -> String {
    if let Ok(text) = std::str::from_utf8(bytes) {
        return text.to_owned();
    }
    let mut text = String::with_capacity(bytes.len() + 8);
    for chunk in bytes.utf8_chunks() {
        text.push_str(chunk.valid());
        text.extend(chunk.invalid().iter().map(|&b| b as char));
    }
    text
}
