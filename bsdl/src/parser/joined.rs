//! Strings joined by `&`, with the way back from each joined character to the file.

use std::cell::Cell;

use crate::span::Span;

/// The joined text of several literals.
#[derive(Debug, Clone, Default)]
pub(crate) struct Joined {
    /// The text, quotes removed.
    pub(crate) text: Vec<u8>,
    /// (offset in `text`, offset in the file) of each piece, in order.
    pieces: Vec<(u32, u32)>,
    /// The piece of the last question.
    last: Cell<usize>,
    /// The whole expression in the file.
    pub(crate) span: Span,
}

impl Joined {
    /// Nothing joined yet; the expression begins at `span`.
    pub(crate) fn at(span: Span) -> Self {
        Self {
            span,
            ..Self::default()
        }
    }

    /// Adds a literal's contents: `inside` are the bytes between the quotes, which start at `at` in the file.
    pub(crate) fn push(&mut self, inside: &[u8], at: u32, doubled: bool) {
        if !doubled {
            return self.piece(inside, at);
        }
        let mut from = 0;
        while let Some(i) = memchr::memchr(b'"', &inside[from..]) {
            let keep = from + i + 1;
            self.piece(&inside[from..keep], at + from as u32);
            from = (keep + 1).min(inside.len());
        }
        self.piece(&inside[from..], at + from as u32);
    }

    fn piece(&mut self, bytes: &[u8], at: u32) {
        if !bytes.is_empty() {
            self.pieces.push((self.text.len() as u32, at));
            self.text.extend_from_slice(bytes);
        }
    }

    /// Places where a name or number runs on from one piece into the next.
    pub(crate) fn splits(&self) -> impl Iterator<Item = Span> {
        let is_name = |b: Option<&u8>| b.is_some_and(|b| b.is_ascii_alphanumeric() || *b == b'_');
        self.pieces
            .iter()
            .skip(1)
            .filter_map(move |&(joined, file)| {
                let split = is_name(self.text.get(joined as usize - 1))
                    && is_name(self.text.get(joined as usize));
                split.then_some(Span::new(file, file + 1))
            })
    }

    /// The file offset of a joined character; just past the last one for the end of the text.
    pub(crate) fn offset(&self, joined: usize) -> u32 {
        let joined = (joined as u32).min(self.text.len() as u32);
        // Reading goes forward: most often the piece is the one of the last question, or the next.
        let last = self.last.get();
        let holds = |i: &usize| {
            self.pieces.get(*i).is_some_and(|p| p.0 <= joined)
                && self.pieces.get(i + 1).is_none_or(|next| joined < next.0)
        };
        let piece = [last, last + 1].into_iter().find(holds).or_else(|| {
            self.pieces
                .partition_point(|(j, _)| *j <= joined)
                .checked_sub(1)
        });
        let Some(piece) = piece else {
            return self.span.start;
        };
        self.last.set(piece);
        self.pieces[piece].1 + (joined - self.pieces[piece].0)
    }

    /// The file span of `from..to` in the joined text: from its first character to its last one.
    pub(crate) fn span_of(&self, from: usize, to: usize) -> Span {
        let start = self.offset(from);
        if to <= from {
            return Span::new(start, start);
        }
        let last = to as u32 - 1;
        Span::new(start, self.offset(last as usize) + 1)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_character_finds_its_way_back() {
        let file = br#"  "ab" & "" &  "c""d" "#;
        let mut joined = Joined::at(Span::new(2, 21));
        joined.push(b"ab", 3, false);
        joined.push(b"", 9, false);
        joined.push(b"c\"\"d", 16, true);
        assert_eq!(joined.text, b"abc\"d");
        for (i, &b) in joined.text.iter().enumerate() {
            assert_eq!(file[joined.offset(i) as usize], b, "character {i}");
        }
        for (i, &b) in joined.text.iter().enumerate().rev() {
            assert_eq!(
                file[joined.offset(i) as usize],
                b,
                "character {i}, backwards"
            );
        }
        assert_eq!(joined.span_of(1, 3), Span::new(4, 17));
        assert_eq!(joined.offset(5), 20);
    }
}
