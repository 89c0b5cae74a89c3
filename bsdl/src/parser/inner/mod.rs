//! The small languages inside the joined strings: nom parsers over the joined text, list by list, item by item; a
//! fault in one item is reported at its character and the next item is read.

pub(super) mod assembly;
pub(super) mod beside;
pub(super) mod boundary;
pub(super) mod description;
pub(super) mod execution;
pub(super) mod flow;
pub(super) mod lists;
pub(super) mod pins;
pub(super) mod ports;
mod tokens;

use nom::{IResult, Offset};

use super::joined::Joined;
use crate::report::Report;
use crate::rules;
use crate::span::Span;
use tokens::{ident_len, skip_blank};

/// Joined text still to be read.
type In<'a> = &'a [u8];
type Res<'a, O> = IResult<In<'a>, O, Fault<'a>>;

/// Where reading stopped and what should have stood there.
#[derive(Debug, PartialEq)]
pub(super) struct Fault<'a> {
    at: In<'a>,
    expected: &'static str,
}

impl<'a> nom::error::ParseError<In<'a>> for Fault<'a> {
    fn from_error_kind(at: In<'a>, _: nom::error::ErrorKind) -> Self {
        Self {
            at,
            expected: "something else",
        }
    }

    fn append(_: In<'a>, _: nom::error::ErrorKind, other: Self) -> Self {
        other
    }

    /// The alternative that got further knows better.
    fn or(self, other: Self) -> Self {
        if other.at.len() < self.at.len() {
            other
        } else {
            self
        }
    }
}

/// One attribute's joined text, and what it is called in messages.
#[derive(Clone, Copy)]
pub(super) struct Frame<'a> {
    pub(super) joined: &'a Joined,
    pub(super) place: &'static str,
    /// The rule under which faults are told.
    pub(super) rule: &'static rules::Rule,
}

impl<'a> Frame<'a> {
    pub(super) fn text(&self) -> In<'a> {
        &self.joined.text
    }

    /// The file span of a piece of the joined text.
    pub(super) fn span(&self, piece: In<'a>) -> Span {
        let from = self.joined.text.offset(piece);
        self.joined.span_of(from, from + piece.len())
    }

    fn report(&self, report: &mut Report<'_>, fault: &Fault<'a>) {
        let at = skip_blank(fault.at);
        let len = ident_len(at).max(usize::from(!at.is_empty()));
        let found = match at {
            [] => "the end of the text".to_owned(),
            _ => format!("`{}`", super::cursor::latin(&at[..len.min(40)])),
        };
        let mut span = self.span(&at[..len]);
        if at.is_empty() {
            span = Span::new(span.start.saturating_sub(1), span.start);
        }
        let message = format!(
            "expected {} in {}, found {found}",
            fault.expected, self.place
        );
        report.add(self.rule, span, message);
    }

    /// Tells of names and numbers that run on from one string into the next.
    pub(super) fn whole_tokens(&self, report: &mut Report<'_>) {
        for span in self.joined.splits() {
            let message = format!(
                "a name or number of {} runs on from the string before",
                self.place
            );
            report.add(&rules::SPLIT_TOKEN, span, message);
        }
    }

    /// Reads items that end themselves, one after another, up to the first fault.
    pub(super) fn runs<T>(
        &self,
        report: &mut Report<'_>,
        mut item: impl FnMut(In<'a>) -> Res<'a, T>,
        mut sink: impl FnMut(T),
    ) {
        let mut rest = skip_blank(self.text());
        while !rest.is_empty() {
            match item(rest) {
                Ok((after, value)) if after.len() < rest.len() => {
                    sink(value);
                    rest = skip_blank(after);
                }
                Err(nom::Err::Error(fault) | nom::Err::Failure(fault)) => {
                    self.report(report, &fault);
                    return;
                }
                _ => return,
            }
        }
    }

    /// Reads items separated by commas. `starts` tells where, after a fault, the next item may begin; `sink` takes
    /// each item with its text. Every turn of the loop takes at least one byte.
    pub(super) fn items<T>(
        &self,
        report: &mut Report<'_>,
        mut item: impl FnMut(In<'a>) -> Res<'a, T>,
        starts: impl Fn(In<'a>) -> bool,
        mut sink: impl FnMut(&mut Report<'_>, T, In<'a>),
        mut broken: impl FnMut(In<'a>),
    ) {
        let mut rest = skip_blank(self.text());
        let mut comma = None;
        while !rest.is_empty() {
            if rest[0] == b',' {
                report.add(
                    &rules::EXTRA,
                    self.span(&rest[..1]),
                    format!("a comma too many in {}", self.place),
                );
                rest = skip_blank(&rest[1..]);
                continue;
            }
            let start = rest;
            match item(rest) {
                Ok((after, value)) if after.len() < start.len() => {
                    sink(report, value, &start[..start.len() - after.len()]);
                    rest = skip_blank(after);
                    comma = None;
                    match rest.first() {
                        Some(b',') => {
                            comma = Some(&rest[..1]);
                            rest = skip_blank(&rest[1..]);
                        }
                        Some(_) if starts(rest) => {
                            let span = self.span(&start[start.len() - after.len() - 1..][..1]);
                            report.add(
                                &rules::NO_COMMA,
                                span,
                                format!("no comma between two items of {}", self.place),
                            );
                        }
                        Some(_) => {
                            self.report(
                                report,
                                &Fault {
                                    at: rest,
                                    expected: "a comma",
                                },
                            );
                            rest = resume(rest, &starts);
                        }
                        None => {}
                    }
                }
                Ok(_) => rest = resume(start, &starts),
                Err(nom::Err::Error(fault) | nom::Err::Failure(fault)) => {
                    self.report(report, &fault);
                    broken(start);
                    comma = None;
                    rest = resume(start, &starts);
                }
                Err(nom::Err::Incomplete(_)) => break,
            }
        }
        if let Some(comma) = comma {
            report.add(
                &rules::EXTRA,
                self.span(comma),
                format!("a comma after the last item of {}", self.place),
            );
        }
    }
}

/// The next place behind the first byte where an item may begin, else the end.
fn resume<'a>(from: In<'a>, starts: &impl Fn(In<'a>) -> bool) -> In<'a> {
    let mut in_word = true;
    for (i, &b) in from.iter().enumerate() {
        let word = b.is_ascii_alphanumeric() || b == b'_';
        if i > 0 && word && !in_word && starts(&from[i..]) {
            return &from[i..];
        }
        in_word = word;
    }
    &from[from.len()..]
}
