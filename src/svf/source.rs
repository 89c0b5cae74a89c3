//! Bytes of the file, with their places, through one buffer.

use std::io::Read;

use super::error::{Place, SvfError};

const BUFFER: usize = 64 * 1024;

/// A buffered byte source that knows where it is.
pub(super) struct Source<R> {
    inner: R,
    buffer: Box<[u8]>,
    at: usize,
    end: usize,
    line: u64,
    /// Bytes of the file before the buffer's begin.
    before: u64,
    /// Bytes of the file before the present line.
    line_start: u64,
    done: bool,
}

impl<R: Read> Source<R> {
    pub(super) fn new(inner: R) -> Self {
        Source {
            inner,
            buffer: vec![0; BUFFER].into_boxed_slice(),
            at: 0,
            end: 0,
            line: 1,
            before: 0,
            line_start: 0,
            done: false,
        }
    }

    /// The place of the next byte.
    pub(super) fn place(&self) -> Place {
        Place {
            line: self.line,
            column: self.offset() - self.line_start + 1,
        }
    }

    /// Bytes of the file before the next one.
    pub(super) fn offset(&self) -> u64 {
        self.before + self.at as u64
    }

    /// The bytes at hand, at least one unless the file has ended.
    pub(super) fn chunk(&mut self) -> Result<&[u8], SvfError> {
        while self.at == self.end && !self.done {
            self.before += self.end as u64;
            (self.at, self.end) = (0, 0);
            match self.inner.read(&mut self.buffer) {
                Ok(0) => self.done = true,
                Ok(n) => self.end = n,
                Err(e) if e.kind() == std::io::ErrorKind::Interrupted => {}
                Err(source) => {
                    return Err(SvfError::Read {
                        at: self.place(),
                        source,
                    });
                }
            }
        }
        Ok(&self.buffer[self.at..self.end])
    }

    /// The next byte, not taken.
    pub(super) fn peek(&mut self) -> Result<Option<u8>, SvfError> {
        Ok(self.chunk()?.first().copied())
    }

    /// Takes the byte that [`Source::peek`] showed.
    pub(super) fn bump(&mut self) {
        let byte = self.buffer[self.at];
        self.at += 1;
        if byte == b'\n' {
            self.line += 1;
            self.line_start = self.offset();
        }
    }

    /// Takes `n` bytes of the chunk, none of which is a line feed.
    pub(super) fn skip(&mut self, n: usize) {
        self.at += n;
    }

    /// Takes the rest of the line, without its line feed.
    pub(super) fn skip_line(&mut self) -> Result<(), SvfError> {
        loop {
            let chunk = self.chunk()?;
            if chunk.is_empty() {
                return Ok(());
            }
            match chunk.iter().position(|&b| b == b'\n') {
                Some(n) => {
                    self.skip(n);
                    return Ok(());
                }
                None => {
                    let n = chunk.len();
                    self.skip(n);
                }
            }
        }
    }

    /// Length of the present line so far.
    pub(super) fn line_length(&self) -> u64 {
        self.offset() - self.line_start
    }
}
