//! Places in the text: byte offsets, turned into lines and columns only when printed.

/// A piece of the source text, as byte offsets: `start` included, `end` not.
///
/// Offsets are `u32`, so a file may have at most 4 GiB less one byte; the reader refuses longer ones by name.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, PartialOrd, Ord)]
pub struct Span {
    /// Offset of the first byte.
    pub start: u32,
    /// Offset just after the last byte.
    pub end: u32,
}

impl Span {
    /// The bytes from `start` up to, not including, `end`.
    pub const fn new(start: u32, end: u32) -> Self {
        Self { start, end }
    }

    /// The smallest span that holds both.
    pub fn to(self, other: Self) -> Self {
        Self {
            start: self.start.min(other.start),
            end: self.end.max(other.end),
        }
    }

    /// As a range for slicing the bytes that were parsed.
    pub fn range(self) -> std::ops::Range<usize> {
        self.start as usize..self.end as usize
    }
}

/// Line and column of a place, both counted from 1; the column counts bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Place {
    /// Line, first line is 1.
    pub line: u32,
    /// Byte column, first column is 1.
    pub column: u32,
}

/// Where the lines of one text start; built once, only when something is to be printed.
///
/// A line ends at LF; a CR before it belongs to the line.
#[derive(Debug, Clone)]
pub struct LineIndex {
    starts: Vec<u32>,
}

impl LineIndex {
    /// Finds the line starts of `bytes`.
    pub fn new(bytes: &[u8]) -> Self {
        let mut starts = vec![0];
        starts.extend(memchr::memchr_iter(b'\n', bytes).map(|i| i as u32 + 1));
        Self { starts }
    }

    /// Line and column of a byte offset; an offset past the end counts on the last line.
    pub fn place(&self, offset: u32) -> Place {
        let line = self.starts.partition_point(|&s| s <= offset) - 1;
        Place {
            line: line as u32 + 1,
            column: offset - self.starts[line] + 1,
        }
    }

    /// Number of lines.
    pub fn lines(&self) -> usize {
        self.starts.len()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_count_from_one() {
        let index = LineIndex::new(b"ab\r\nc\n");
        let at = |o| (index.place(o).line, index.place(o).column);
        assert_eq!(
            [at(0), at(2), at(4), at(5), at(6), at(99)],
            [(1, 1), (1, 3), (2, 1), (2, 2), (3, 1), (3, 94)]
        );
    }
}
