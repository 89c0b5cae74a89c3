//! Places in files, for messages.

use std::ops::Range;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// A place in a file, with what is needed to show it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Location {
    /// The file.
    pub path: Arc<PathBuf>,
    /// Line, from 1; 0 for the file as a whole.
    pub line: usize,
    /// Column in characters, from 1; 0 for the file as a whole.
    pub column: usize,
    /// Number of characters to underline, at least 1, not past the end of the line.
    pub length: usize,
    /// The line, without its end.
    pub text: String,
}

impl Location {
    /// A file as a whole.
    pub(crate) fn whole(path: &Path) -> Self {
        Location {
            path: Arc::new(path.to_path_buf()),
            line: 0,
            column: 0,
            length: 1,
            text: String::new(),
        }
    }
}

/// A file that has been read, ready to turn byte offsets into places.
pub(crate) struct Source {
    pub(crate) path: Arc<PathBuf>,
    pub(crate) text: String,
    /// Byte offset of each line's start.
    lines: Vec<usize>,
}

impl Source {
    pub(crate) fn new(path: PathBuf, text: String) -> Self {
        let lines = std::iter::once(0)
            .chain(text.match_indices('\n').map(|(i, _)| i + 1))
            .collect();
        Self {
            path: Arc::new(path),
            text,
            lines,
        }
    }

    /// The place of a byte range; offsets past the end are brought back to it.
    pub(crate) fn locate(&self, span: Range<usize>) -> Location {
        let floor = |i: usize| {
            (0..=i.min(self.text.len()))
                .rev()
                .find(|&i| self.text.is_char_boundary(i))
                .unwrap_or(0)
        };
        let start = floor(span.start);
        let line = self.lines.partition_point(|&l| l <= start).max(1);
        let from = self.lines[line - 1];
        let to = self.lines.get(line).map_or(self.text.len(), |&l| l - 1);
        let text = self.text[from..to].trim_end_matches('\r');
        let end = floor(span.end).clamp(start, from + text.len().max(start - from));
        Location {
            path: self.path.clone(),
            line,
            column: self.text[from..start].chars().count() + 1,
            length: self.text[start..end].chars().count().max(1),
            text: text.to_string(),
        }
    }

    /// The file as a whole.
    pub(crate) fn whole(&self) -> Location {
        Location::whole(&self.path)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bytes_become_lines_and_characters() {
        let source = Source::new("x".into(), "a\r\nçb = 1\n\nlast".into());
        let at = |span| {
            let l = source.locate(span);
            (l.line, l.column, l.length, l.text)
        };
        assert_eq!(at(0..1), (1, 1, 1, "a".into()));
        assert_eq!(at(5..6), (2, 2, 1, "çb = 1".into()));
        assert_eq!(at(5..99), (2, 2, 5, "çb = 1".into()));
        assert_eq!(at(11..11), (3, 1, 1, String::new()));
        assert_eq!(at(12..16), (4, 1, 4, "last".into()));
        assert_eq!(at(99..100), (4, 5, 1, "last".into()));
    }
}
