//! The reader: one statement after another, in bounded memory.

use std::io::Read;

use super::error::{Place, SvfError, SvfWarning, Warned};
use super::source::Source;
use super::statement::{Edge, Located, Pad, Statement};
use super::tokens::{Token, whole};

/// What the reader accepts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Limits {
    /// Departures from the specification are errors.
    pub strict: bool,
    /// Bytes of scan data in one statement.
    pub statement_bytes: usize,
}

impl Default for Limits {
    fn default() -> Self {
        Limits {
            strict: false,
            statement_bytes: 16 << 20,
        }
    }
}

/// Reads statements from a stream. After an error nothing more is read.
pub struct Reader<R> {
    pub(super) source: Source<R>,
    pub(super) limits: Limits,
    warned: Vec<Warned>,
    /// Where the present statement began.
    pub(super) began: Place,
    /// Bytes of scan data in the present statement.
    pub(super) data_bytes: usize,
}

impl<R: Read> Reader<R> {
    /// A reader at the begin of a file.
    pub fn new(inner: R, limits: Limits) -> Self {
        let source = Source::new(inner);
        let began = source.place();
        Reader {
            source,
            limits,
            warned: Vec::new(),
            began,
            data_bytes: 0,
        }
    }

    /// The departures seen so far, each kind once.
    pub fn warnings(&self) -> &[Warned] {
        &self.warned
    }

    /// Bytes of the file read so far.
    pub fn offset(&self) -> u64 {
        self.source.offset()
    }

    /// The next statement; `None` at the end of the file.
    ///
    /// # Errors
    /// [`SvfError`], with the place.
    pub fn next_statement(&mut self) -> Result<Option<Located>, SvfError> {
        loop {
            self.blanks()?;
            self.began = self.source.place();
            self.data_bytes = 0;
            match self.source.peek()? {
                None => return Ok(None),
                // An empty statement does nothing.
                Some(b';') => self.source.bump(),
                Some(_) => break,
            }
        }
        let at = self.began;
        let statement = match self.token()? {
            Token::Word(word) => self.statement(&word)?,
            other => {
                return Err(SvfError::NoSuchCommand {
                    at,
                    found: other.shown(),
                });
            }
        };
        Ok(Some(Located { at, statement }))
    }

    fn statement(&mut self, word: &str) -> Result<Statement, SvfError> {
        let at = self.began;
        let upper = word.to_ascii_uppercase();
        Ok(match upper.as_str() {
            "SDR" => Statement::Scan(Edge::Dr, self.scan()?),
            "SIR" => Statement::Scan(Edge::Ir, self.scan()?),
            "HDR" => Statement::Pad(Edge::Dr, Pad::Header, self.scan()?),
            "HIR" => Statement::Pad(Edge::Ir, Pad::Header, self.scan()?),
            "TDR" => Statement::Pad(Edge::Dr, Pad::Trailer, self.scan()?),
            "TIR" => Statement::Pad(Edge::Ir, Pad::Trailer, self.scan()?),
            "RUNTEST" => Statement::RunTest(self.run_test()?),
            "STATE" => Statement::State(self.path()?),
            "ENDDR" => Statement::End(Edge::Dr, self.one_stable()?),
            "ENDIR" => Statement::End(Edge::Ir, self.one_stable()?),
            "FREQUENCY" => self.frequency()?,
            "TRST" => Statement::Trst(self.trst()?),
            "PIOMAP" => Statement::PioMap(self.pio_map()?),
            "PIO" => Statement::Pio(self.pio()?),
            "LOOP" => {
                self.warn(at, SvfWarning::Loop)?;
                let (place, text) = self.word("a number of times")?;
                let times = whole(place, &text, "number of times")?;
                self.end()?;
                Statement::Loop(times)
            }
            "ENDLOOP" => {
                self.end()?;
                Statement::EndLoop
            }
            _ => {
                return Err(SvfError::NoSuchCommand {
                    at,
                    found: format!("'{word}'"),
                });
            }
        })
    }

    pub(super) fn cut_off(&self) -> SvfError {
        SvfError::CutOff {
            at: self.source.place(),
            began: self.began,
        }
    }

    pub(super) fn warn(&mut self, at: Place, warning: SvfWarning) -> Result<(), SvfError> {
        if self.limits.strict {
            return Err(SvfError::Strict { at, warning });
        }
        match self.warned.iter_mut().find(|w| w.warning == warning) {
            Some(w) => w.times += 1,
            None => self.warned.push(Warned {
                warning,
                first: at,
                times: 1,
            }),
        }
        Ok(())
    }
}
