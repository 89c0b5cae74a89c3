//! Diagnostics of a BSDL file shown on its text: headline, the place itself underlined, further places, help, clause.

use annotate_snippets::{AnnotationKind, Level, Origin, Renderer, Snippet};
use taploom_bsdl::{Diagnostic, LineIndex, Severity, Span};

/// Places further apart than this many lines are shown in pieces of their own.
const APART: u32 = 12;
/// A line longer than this, in bytes, is named but not shown.
const WIDEST: usize = 4_096;

/// One text and the way from its bytes to what can be shown.
///
/// BSDL text is Latin-1 (VHDL's own character set); bytes that are no UTF-8 are shown as such.
pub struct SourceText<'a> {
    path: &'a str,
    bytes: &'a [u8],
    lines: LineIndex,
    utf8: Option<&'a str>,
}

impl<'a> SourceText<'a> {
    /// The bytes that were read, and how the file is named.
    pub fn new(path: &'a str, bytes: &'a [u8]) -> Self {
        SourceText {
            path,
            bytes,
            lines: LineIndex::new(bytes),
            utf8: std::str::from_utf8(bytes).ok(),
        }
    }

    /// Line and byte column of a place, both counted from 1.
    pub fn place(&self, span: Span) -> taploom_bsdl::Place {
        let end = u32::try_from(self.bytes.len()).unwrap_or(u32::MAX - 1);
        self.lines.place(span.start.min(end))
    }

    /// One diagnostic, many lines of text, without a line end behind the last.
    pub fn render(&self, diagnostic: &Diagnostic) -> String {
        let level = match diagnostic.severity {
            Severity::Error => Level::ERROR,
            Severity::Warning => Level::WARNING,
            Severity::Note => Level::NOTE,
        };
        let title = level
            .primary_title(diagnostic.message.as_str())
            .id(diagnostic.code);
        let mut marks = vec![(diagnostic.primary, AnnotationKind::Primary, None)];
        for (span, what) in &diagnostic.secondary {
            marks.push((*span, AnnotationKind::Context, Some(what.as_str())));
        }
        let mut pieces = self.pieces(marks);
        // The piece that holds the place itself comes first, whatever the order in the text.
        let first = pieces
            .iter()
            .position(|p| p.iter().any(|m| m.2.is_none()))
            .unwrap_or(0);
        pieces[..=first].rotate_right(1);
        let mut group = annotate_snippets::Group::with_title(title);
        for piece in &pieces {
            group = match self.snippet(piece) {
                Some(snippet) => group.element(snippet),
                None => {
                    let place = self.place(piece[0].0);
                    group.element(
                        Origin::path(self.path)
                            .line(place.line as usize)
                            .char_column(place.column as usize),
                    )
                }
            };
        }
        if let Some(help) = &diagnostic.help {
            group = group.element(Level::HELP.message(help.as_str()));
        }
        if !diagnostic.clause.is_empty() {
            group = group.element(Level::NOTE.with_name("rests on").message(diagnostic.clause));
        }
        Renderer::styled().render(&[group])
    }

    /// The marks in order of the text, those near each other together.
    fn pieces<'m>(&self, mut marks: Vec<Mark<'m>>) -> Vec<Vec<Mark<'m>>> {
        marks.sort_by_key(|(span, ..)| (span.start, span.end));
        let mut pieces: Vec<Vec<Mark<'m>>> = Vec::new();
        let mut last = 0;
        for mark in marks {
            let line = self.place(mark.0).line;
            match pieces.last_mut() {
                Some(piece) if line.saturating_sub(last) <= APART => piece.push(mark),
                _ => pieces.push(vec![mark]),
            }
            let end = mark.0.end.saturating_sub(1);
            last = last.max(self.place(Span::new(end, end)).line);
        }
        pieces
    }

    /// The lines around some marks; `None` where one of them is too long to be shown.
    fn snippet<'m>(
        &'m self,
        marks: &[Mark<'m>],
    ) -> Option<Snippet<'m, annotate_snippets::Annotation<'m>>> {
        let len = self.bytes.len();
        let start = marks.iter().map(|m| m.0.start as usize).min()?.min(len);
        let end = marks
            .iter()
            .map(|m| m.0.end as usize)
            .max()?
            .clamp(start, len);
        let from = self.bytes[..start]
            .iter()
            .rposition(|b| *b == b'\n')
            .map_or(0, |i| i + 1);
        // A mark on the line end itself, or on nothing, still wants its line.
        let to = self.bytes[end..]
            .iter()
            .position(|b| *b == b'\n')
            .map_or(len, |i| end + i);
        let window = &self.bytes[from..to];
        if window.split(|b| *b == b'\n').any(|l| l.len() > WIDEST) {
            return None;
        }
        let (text, at): (String, Box<dyn Fn(usize) -> usize>) = match self.utf8 {
            Some(whole) if whole.is_char_boundary(from) && whole.is_char_boundary(to) => {
                let text = whole[from..to].to_owned();
                let within = text.clone();
                // A place inside a character of several bytes counts as its beginning.
                let at = move |o: usize| {
                    (0..=o.min(within.len()))
                        .rev()
                        .find(|o| within.is_char_boundary(*o))
                        .unwrap_or(0)
                };
                (text, Box::new(at))
            }
            _ => {
                let text = window.iter().map(|b| char::from(*b)).collect();
                let high: Vec<usize> = (0..window.len())
                    .filter(|i| !window[*i].is_ascii())
                    .collect();
                (
                    text,
                    Box::new(move |o| o + high.partition_point(|h| *h < o)),
                )
            }
        };
        let line = self.lines.place(from as u32).line as usize;
        let mut snippet = Snippet::source(text.clone())
            .line_start(line)
            .path(self.path);
        for (span, kind, label) in marks {
            let inside = |o: u32| (o as usize).clamp(from, to) - from;
            let start = at(inside(span.start));
            let end = at(inside(span.end)).max(start);
            snippet = snippet.annotation(kind.span(start..end).label(*label));
        }
        Some(snippet)
    }
}

/// A place, its part in the diagnostic, and what is there.
type Mark<'a> = (Span, AnnotationKind, Option<&'a str>);

#[cfg(test)]
mod tests {
    use super::*;

    fn diagnostic(primary: (u32, u32), secondary: &[(u32, u32)]) -> Diagnostic {
        Diagnostic {
            code: "B999",
            severity: Severity::Warning,
            message: "something is amiss".into(),
            primary: Span::new(primary.0, primary.1),
            secondary: secondary
                .iter()
                .map(|s| (Span::new(s.0, s.1), "also here".into()))
                .collect(),
            help: Some("mend it".into()),
            clause: "rule of the test",
        }
    }

    fn shown(bytes: &[u8], diagnostic: &Diagnostic) -> String {
        let styled = SourceText::new("a.bsd", bytes).render(diagnostic);
        anstream::adapter::strip_str(&styled).to_string()
    }

    #[test]
    fn the_place_itself_is_underlined() {
        let text = shown(b"one two\nthree\n", &diagnostic((4, 7), &[(8, 13)]));
        let expected = "\
warning[B999]: something is amiss
 --> a.bsd:1:5
  |
1 | one two
  |     ^^^
2 | three
  | ----- also here
  |
  = help: mend it
  = rests on: rule of the test";
        assert_eq!(text, expected);
    }

    #[test]
    fn bytes_of_any_kind_are_shown_or_named() {
        // Latin-1: the place is counted in characters that are shown.
        let text = shown(b"caf\xe9 two", &diagnostic((5, 8), &[]));
        assert!(text.contains("1 | caf\u{e9} two\n  |      ^^^"), "{text}");
        // Inside a UTF-8 character, past the end, empty, reversed: no panic.
        for (start, end) in [(4, 5), (900, 901), (3, 3), (6, 2), (u32::MAX, u32::MAX)] {
            shown(
                "caf\u{e9} two\n".as_bytes(),
                &diagnostic((start, end), &[(0, 1)]),
            );
            shown(
                b"caf\xe9\0two\x1b[31m\r\n",
                &diagnostic((start, end), &[(0, 1)]),
            );
            shown(b"", &diagnostic((start, end), &[]));
        }
        let long = vec![b'x'; 10_000];
        let text = shown(&long, &diagnostic((9_000, 9_001), &[]));
        assert!(
            text.contains("--> a.bsd:1:9001\n") && text.len() < 300,
            "{text}"
        );
    }

    #[test]
    fn distant_places_stand_apart_and_the_first_is_the_place_itself() {
        let mut bytes = b"early\n".to_vec();
        bytes.extend(std::iter::repeat_n(b'\n', 5_000));
        bytes.extend(b"late\n");
        let text = shown(&bytes, &diagnostic((5_006, 5_010), &[(0, 5)]));
        assert!(
            text.contains("--> a.bsd:5002:1") && text.contains("1 | early"),
            "{text}"
        );
        assert!(text.find("late") < text.find("early"), "{text}");
        assert!(text.lines().count() < 16, "{text}");
    }
}
