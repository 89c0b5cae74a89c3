//! The reader: one statement after another, in bounded memory.

use std::io::Read;

use crate::bits::Bits;
use crate::tap::TapState;

use super::error::{Place, SvfError, SvfWarning, Warned};
use super::source::Source;
use super::statement::{
    Data, Edge, Located, Pad, PioLevel, RunTest, ScanText, Statement, TrstMode, stable_state,
    state_named, state_word,
};

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

/// The longest word, number or name.
const WORD: usize = 256;
/// The longest list of states or of parallel pins.
const LIST: usize = 4096;
/// The longest line by the specification.
const LINE: u64 = 256;

/// Reads statements from a stream. After an error nothing more is read.
pub struct Reader<R> {
    source: Source<R>,
    limits: Limits,
    warned: Vec<Warned>,
    /// Where the present statement began.
    began: Place,
    /// Bytes of scan data in the present statement.
    data_bytes: usize,
}

/// A piece of a statement.
#[derive(Debug, Clone, PartialEq, Eq)]
enum Token {
    Word(String),
    Open,
    Close,
    End,
}

impl Token {
    fn shown(&self) -> String {
        match self {
            Token::Word(w) => format!("'{w}'"),
            Token::Open => "'('".into(),
            Token::Close => "')'".into(),
            Token::End => "';'".into(),
        }
    }
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

    fn scan(&mut self) -> Result<ScanText, SvfError> {
        let (place, text) = self.word("a length in bits")?;
        let length = whole(place, &text, "length in bits")?;
        let mut scan = ScanText {
            length,
            ..ScanText::default()
        };
        loop {
            let at = self.source_place()?;
            let which = match self.token()? {
                Token::End => return Ok(scan),
                Token::Word(w) => match w.to_ascii_uppercase().as_str() {
                    "TDI" => Data::Tdi,
                    "TDO" => Data::Tdo,
                    "MASK" => Data::Mask,
                    "SMASK" => Data::Smask,
                    _ => {
                        return Err(expected(
                            at,
                            "TDI, TDO, MASK, SMASK or ';'",
                            &Token::Word(w),
                        ));
                    }
                },
                other => return Err(expected(at, "TDI, TDO, MASK, SMASK or ';'", &other)),
            };
            let bits = self.hex(length)?;
            let slot = match which {
                Data::Tdi => &mut scan.tdi,
                Data::Tdo => &mut scan.tdo,
                Data::Mask => &mut scan.mask,
                Data::Smask => &mut scan.smask,
            };
            if slot.replace(bits).is_some() {
                return Err(SvfError::Expected {
                    at,
                    expected: "each of TDI, TDO, MASK and SMASK once at most",
                    found: "a second one".into(),
                });
            }
        }
    }

    /// A value in parentheses, as `length` bits.
    fn hex(&mut self, length: u64) -> Result<Bits, SvfError> {
        let at = self.source_place()?;
        match self.token()? {
            Token::Open => {}
            other => return Err(expected(at, "a value in parentheses", &other)),
        }
        self.blanks()?;
        let at = self.source.place();
        // Two digits a byte, most significant first; `half` holds an odd one.
        let mut bytes: Vec<u8> = Vec::new();
        let mut half: Option<u8> = None;
        loop {
            let room = self.limits.statement_bytes.saturating_sub(self.data_bytes);
            let chunk = self.source.chunk()?;
            let mut n = 0;
            if let (Some(high), Some(&first)) = (half, chunk.first())
                && let Some(low) = digit(first)
            {
                bytes.push(high << 4 | low);
                half = None;
                n = 1;
            }
            if half.is_none() {
                let pairs = chunk[n..].chunks_exact(2);
                for pair in pairs {
                    let (high, low) = (DIGITS[pair[0] as usize], DIGITS[pair[1] as usize]);
                    if (high | low) & 0x80 != 0 {
                        break;
                    }
                    bytes.push(high << 4 | low);
                    n += 2;
                }
                if let Some(high) = chunk.get(n).and_then(|&b| digit(b)) {
                    half = Some(high);
                    n += 1;
                }
            }
            if bytes.len() > room {
                return Err(SvfError::TooMuch {
                    at,
                    limit: self.limits.statement_bytes,
                });
            }
            self.source.skip(n);
            match self.source.peek()? {
                Some(b')') => {
                    self.source.bump();
                    break;
                }
                Some(b) if digit(b).is_some() => {}
                Some(b) if b.is_ascii_whitespace() || b == b'!' || b == b'/' => self.blanks()?,
                Some(b) => {
                    return Err(SvfError::Expected {
                        at: self.source.place(),
                        expected: "a hexadecimal digit or ')'",
                        found: shown(b),
                    });
                }
                None => return Err(self.cut_off()),
            }
        }
        if bytes.is_empty() && half.is_none() {
            return Err(SvfError::Expected {
                at,
                expected: "a hexadecimal digit",
                found: "')'".into(),
            });
        }
        self.data_bytes += bytes.len() + 1;
        self.value(at, bytes, half, length)
    }

    /// Digits to bits: the last digit holds bits 3 to 0.
    fn value(
        &mut self,
        at: Place,
        mut bytes: Vec<u8>,
        half: Option<u8>,
        length: u64,
    ) -> Result<Bits, SvfError> {
        let digits = bytes.len() as u64 * 2 + u64::from(half.is_some());
        bytes.reverse();
        if let Some(last) = half {
            // An odd number of digits: everything moves up by one.
            let mut carry = last;
            for byte in &mut bytes {
                (*byte, carry) = (*byte << 4 | carry, *byte >> 4);
            }
            bytes.push(carry);
        }
        let have = digits * 4;
        if have > length {
            let top = (length..have)
                .rev()
                .find(|&i| bytes[(i / 8) as usize] >> (i % 8) & 1 == 1);
            if let Some(bit) = top {
                if self.limits.strict {
                    return Err(SvfError::TooLong { at, bit, length });
                }
                self.warn(at, SvfWarning::ExcessBits)?;
            }
        } else {
            let need = length.div_ceil(8);
            if need > self.limits.statement_bytes as u64 {
                return Err(SvfError::TooMuch {
                    at,
                    limit: self.limits.statement_bytes,
                });
            }
            bytes.resize(need as usize, 0);
        }
        Ok(Bits::from_bytes(&bytes, length as usize))
    }

    fn run_test(&mut self) -> Result<RunTest, SvfError> {
        let mut run = RunTest::default();
        let (mut place, mut text) = self.word("a state, a number of clocks or a time")?;
        if let Some(state) = state_named(&text) {
            run.run_state = Some(stable(place, state, &text)?);
            (place, text) = self.word("a number of clocks or a time")?;
        }
        let (unit_place, unit) = self.word("TCK, SCK or SEC")?;
        match unit.to_ascii_uppercase().as_str() {
            "TCK" => run.clocks = Some((self.clocks(place, &text)?, true)),
            "SCK" => run.clocks = Some((self.clocks(place, &text)?, false)),
            "SEC" => run.min_seconds = Some(self.seconds(place, &text)?),
            _ => return Err(expected(unit_place, "TCK, SCK or SEC", &Token::Word(unit))),
        }
        loop {
            let at = self.source_place()?;
            let word = match self.token()? {
                Token::End => break,
                Token::Word(w) => w,
                other => return Err(expected(at, "a time, MAXIMUM, ENDSTATE or ';'", &other)),
            };
            let upper = word.to_ascii_uppercase();
            if upper == "MAXIMUM" && run.max_seconds.is_none() && run.end_state.is_none() {
                let (place, text) = self.word("a time in seconds")?;
                run.max_seconds = Some(self.seconds(place, &text)?);
                self.keyword("SEC")?;
            } else if upper == "ENDSTATE" && run.end_state.is_none() {
                let (place, text) = self.word("a stable state")?;
                let state = state_named(&text)
                    .ok_or_else(|| expected(place, "a stable state", &Token::Word(text.clone())))?;
                run.end_state = Some(stable(place, state, &text)?);
            } else if run.min_seconds.is_none()
                && run.max_seconds.is_none()
                && run.end_state.is_none()
            {
                run.min_seconds = Some(self.seconds(at, &word)?);
                self.keyword("SEC")?;
            } else {
                return Err(expected(at, "MAXIMUM, ENDSTATE or ';'", &Token::Word(word)));
            }
        }
        if let (Some(min), Some(max)) = (run.min_seconds, run.max_seconds)
            && max < min
        {
            return Err(SvfError::Number {
                at: self.began,
                what: "MAXIMUM that is not below the least time",
                found: format!("{max}"),
            });
        }
        Ok(run)
    }

    fn clocks(&mut self, at: Place, text: &str) -> Result<u64, SvfError> {
        if let Ok(n) = text.parse::<u64>() {
            return Ok(n);
        }
        let value = self.real(at, text, "number of clocks")?;
        // Some files write clocks as 1E6.
        if value.fract() == 0.0 && value < 9e15 {
            Ok(value as u64)
        } else {
            Err(SvfError::Number {
                at,
                what: "number of clocks",
                found: text.into(),
            })
        }
    }

    fn seconds(&mut self, at: Place, text: &str) -> Result<f64, SvfError> {
        self.real(at, text, "time in seconds")
    }

    fn real(&mut self, at: Place, text: &str, what: &'static str) -> Result<f64, SvfError> {
        let mut point = text.to_owned();
        if text.matches(',').count() == 1 && !text.contains('.') {
            self.warn(at, SvfWarning::DecimalComma)?;
            point = text.replace(',', ".");
        }
        let plain = point
            .bytes()
            .all(|b| b.is_ascii_digit() || b".+-eE".contains(&b));
        match point.parse::<f64>() {
            Ok(value) if plain && value.is_finite() && value >= 0.0 => Ok(value),
            _ => Err(SvfError::Number {
                at,
                what,
                found: format!("'{text}'"),
            }),
        }
    }

    fn frequency(&mut self) -> Result<Statement, SvfError> {
        let at = self.source_place()?;
        match self.token()? {
            Token::End => Ok(Statement::Frequency(None)),
            Token::Word(text) => {
                let hz = self.real(at, &text, "rate in hertz")?;
                if hz == 0.0 {
                    return Err(SvfError::Number {
                        at,
                        what: "rate above 0",
                        found: text,
                    });
                }
                self.keyword("HZ")?;
                self.end()?;
                Ok(Statement::Frequency(Some(hz)))
            }
            other => Err(expected(at, "a rate in hertz or ';'", &other)),
        }
    }

    fn trst(&mut self) -> Result<TrstMode, SvfError> {
        let (at, word) = self.word("ON, OFF, Z or ABSENT")?;
        let mode = match word.to_ascii_uppercase().as_str() {
            "ON" => TrstMode::On,
            "OFF" => TrstMode::Off,
            "Z" => TrstMode::Z,
            "ABSENT" => TrstMode::Absent,
            _ => return Err(expected(at, "ON, OFF, Z or ABSENT", &Token::Word(word))),
        };
        self.end()?;
        Ok(mode)
    }

    fn path(&mut self) -> Result<Vec<TapState>, SvfError> {
        let mut path: Vec<TapState> = Vec::new();
        loop {
            let at = self.source_place()?;
            match self.token()? {
                Token::Word(w) => {
                    let state = state_named(&w)
                        .ok_or_else(|| expected(at, "a TAP state", &Token::Word(w.clone())))?;
                    if let Some(&from) = path.last()
                        && from.next(false) != state
                        && from.next(true) != state
                    {
                        return Err(SvfError::Path {
                            at,
                            from: state_word(from),
                            to: state_word(state),
                        });
                    }
                    if path.len() == LIST {
                        return Err(expected(at, "';' after so many states", &Token::Word(w)));
                    }
                    path.push(state);
                }
                Token::End => match path.last() {
                    Some(&last) if stable_state(last) => return Ok(path),
                    Some(&last) => {
                        return Err(SvfError::NotStable {
                            at,
                            found: state_word(last).into(),
                        });
                    }
                    None => return Err(expected(at, "a TAP state", &Token::End)),
                },
                other => return Err(expected(at, "a TAP state or ';'", &other)),
            }
        }
    }

    fn one_stable(&mut self) -> Result<TapState, SvfError> {
        let (at, word) = self.word("a stable state")?;
        let state = state_named(&word)
            .ok_or_else(|| expected(at, "a stable state", &Token::Word(word.clone())))?;
        let state = stable(at, state, &word)?;
        self.end()?;
        Ok(state)
    }

    fn pio_map(&mut self) -> Result<Vec<(String, String)>, SvfError> {
        self.open()?;
        let mut words = Vec::new();
        loop {
            let at = self.source_place()?;
            match self.token()? {
                Token::Word(w) if words.len() < LIST => words.push((at, w)),
                Token::Close => break,
                other => return Err(expected(at, "a direction, a name or ')'", &other)),
            }
        }
        self.end()?;
        let mut map = Vec::new();
        for pair in words.chunks(2) {
            let [(at, direction), name] = pair else {
                return Err(expected(
                    pair[0].0,
                    "a name after the direction",
                    &Token::Close,
                ));
            };
            let direction = direction.to_ascii_uppercase();
            if !["IN", "OUT", "INOUT"].contains(&direction.as_str()) {
                return Err(expected(*at, "IN, OUT or INOUT", &Token::Word(direction)));
            }
            map.push((direction, name.1.clone()));
        }
        Ok(map)
    }

    fn pio(&mut self) -> Result<Vec<PioLevel>, SvfError> {
        self.open()?;
        let mut levels = Vec::new();
        loop {
            let at = self.source_place()?;
            match self.token()? {
                Token::Close => break,
                Token::Word(w) if levels.len() + w.len() <= LIST => {
                    for c in w.chars() {
                        levels.push(match c.to_ascii_uppercase() {
                            'H' => PioLevel::High,
                            'L' => PioLevel::Low,
                            'Z' => PioLevel::Off,
                            'U' => PioLevel::Up,
                            'D' => PioLevel::Down,
                            'X' => PioLevel::Any,
                            _ => {
                                return Err(expected(
                                    at,
                                    "H, L, Z, U, D or X",
                                    &Token::Word(w.clone()),
                                ));
                            }
                        });
                    }
                }
                other => return Err(expected(at, "H, L, Z, U, D, X or ')'", &other)),
            }
        }
        self.end()?;
        Ok(levels)
    }

    fn open(&mut self) -> Result<(), SvfError> {
        let at = self.source_place()?;
        match self.token()? {
            Token::Open => Ok(()),
            other => Err(expected(at, "'('", &other)),
        }
    }

    fn end(&mut self) -> Result<(), SvfError> {
        let at = self.source_place()?;
        match self.token()? {
            Token::End => Ok(()),
            other => Err(expected(at, "';'", &other)),
        }
    }

    fn keyword(&mut self, keyword: &'static str) -> Result<(), SvfError> {
        let (at, word) = self.word(keyword)?;
        if word.eq_ignore_ascii_case(keyword) {
            Ok(())
        } else {
            Err(expected(at, keyword, &Token::Word(word)))
        }
    }

    fn word(&mut self, what: &'static str) -> Result<(Place, String), SvfError> {
        let at = self.source_place()?;
        match self.token()? {
            Token::Word(word) => Ok((at, word)),
            other => Err(expected(at, what, &other)),
        }
    }

    /// The place of the next token.
    fn source_place(&mut self) -> Result<Place, SvfError> {
        self.blanks()?;
        Ok(self.source.place())
    }

    fn token(&mut self) -> Result<Token, SvfError> {
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
    fn blanks(&mut self) -> Result<(), SvfError> {
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

    fn cut_off(&self) -> SvfError {
        SvfError::CutOff {
            at: self.source.place(),
            began: self.began,
        }
    }

    fn warn(&mut self, at: Place, warning: SvfWarning) -> Result<(), SvfError> {
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

/// Values of hexadecimal digits by byte; 0x80 for all others.
const DIGITS: [u8; 256] = {
    let mut table = [0x80; 256];
    let mut i = 0;
    while i < 10 {
        table[b'0' as usize + i] = i as u8;
        i += 1;
    }
    let mut i = 0;
    while i < 6 {
        table[b'a' as usize + i] = 10 + i as u8;
        table[b'A' as usize + i] = 10 + i as u8;
        i += 1;
    }
    table
};

fn digit(byte: u8) -> Option<u8> {
    let value = DIGITS[byte as usize];
    (value < 16).then_some(value)
}

fn shown(byte: u8) -> String {
    if byte.is_ascii_graphic() {
        format!("'{}'", char::from(byte))
    } else {
        format!("the byte {byte:02X}")
    }
}

fn expected(at: Place, expected: &'static str, found: &Token) -> SvfError {
    SvfError::Expected {
        at,
        expected,
        found: found.shown(),
    }
}

fn stable(at: Place, state: TapState, word: &str) -> Result<TapState, SvfError> {
    if stable_state(state) {
        Ok(state)
    } else {
        Err(SvfError::NotStable {
            at,
            found: word.to_ascii_uppercase(),
        })
    }
}

fn whole(at: Place, text: &str, what: &'static str) -> Result<u64, SvfError> {
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

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str, strict: bool) -> Result<(Vec<Statement>, Vec<Warned>), SvfError> {
        let mut reader = Reader::new(
            text.as_bytes(),
            Limits {
                strict,
                ..Limits::default()
            },
        );
        let mut all = Vec::new();
        while let Some(located) = reader.next_statement()? {
            all.push(located.statement);
        }
        Ok((all, reader.warnings().to_vec()))
    }

    fn scan(text: &str) -> ScanText {
        match read(text, true).unwrap().0.remove(0) {
            Statement::Scan(_, scan) | Statement::Pad(_, _, scan) => scan,
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn the_worked_file_of_the_specification() {
        // Serial Vector Format Specification, revision E, worked file: the statements.
        let text = "TRST OFF; ENDIR IDLE; ENDDR IDLE; HIR 8 TDI (00); HDR 16 TDI (FFFF) TDO (FFFF) MASK (FFFF); \
            TIR 16 TDI (0000); TDR 8 TDI (12); SIR 8 TDI (41); SDR 32 TDI (ABCD1234) TDO (11112222); \
            STATE DRPAUSE; RUNTEST 100 TCK ENDSTATE IRPAUSE;";
        let (all, warned) = read(text, true).unwrap();
        assert!(warned.is_empty());
        let commands: Vec<&str> = all.iter().map(Statement::command).collect();
        assert_eq!(
            commands.join(" "),
            "TRST ENDIR ENDDR HIR HDR TIR TDR SIR SDR STATE RUNTEST"
        );
        let Statement::Scan(Edge::Dr, sdr) = &all[8] else {
            panic!()
        };
        assert_eq!(sdr.tdi.as_ref().unwrap().get_u64(0, 32), 0xABCD_1234);
        assert_eq!(sdr.tdo.as_ref().unwrap().get_u64(0, 32), 0x1111_2222);
        assert_eq!(
            all[10],
            Statement::RunTest(RunTest {
                clocks: Some((100, true)),
                end_state: Some(TapState::PauseIr),
                ..RunTest::default()
            })
        );
    }

    #[test]
    fn values_of_every_digit_count_and_across_buffers() {
        assert_eq!(scan("SDR 12 TDI (abc);").tdi.unwrap().get_u64(0, 12), 0xabc);
        assert_eq!(
            scan("sdr 13 tdi (0 a\n b c) ;").tdi.unwrap().get_u64(0, 13),
            0xabc
        );
        assert_eq!(scan("SDR 5 TDI (1F);").tdi.unwrap(), Bits::ones(5));
        assert_eq!(
            scan("SDR 9 TDI (! why\n 00000001FF // end\n);")
                .tdi
                .unwrap(),
            Bits::ones(9)
        );
        // Longer than the buffer, odd number of digits, blanks at odd places.
        let digits: String = (0..200_001u32)
            .map(|i| char::from_digit(i * 7 % 16, 16).unwrap())
            .collect();
        let spaced: String = digits
            .char_indices()
            .flat_map(|(i, c)| {
                [c, if i % 97 == 3 { '\n' } else { c }]
                    .into_iter()
                    .take(1 + usize::from(i % 97 == 3))
            })
            .collect();
        let bits = scan(&format!("SDR {} TDI ({spaced});", digits.len() * 4))
            .tdi
            .unwrap();
        assert_eq!(bits.to_hex().to_ascii_lowercase(), digits);
    }

    #[test]
    fn departures_are_warned_of_or_refused() {
        let (all, warned) =
            read("RUNTEST IDLE 5 TCK 1,5E-02 SEC; RUNTEST 2,0 SEC;", false).unwrap();
        assert_eq!(
            all[0],
            Statement::RunTest(RunTest {
                run_state: Some(TapState::RunTestIdle),
                clocks: Some((5, true)),
                min_seconds: Some(0.015),
                ..RunTest::default()
            })
        );
        assert_eq!(
            (warned[0].warning, warned[0].times),
            (SvfWarning::DecimalComma, 2)
        );
        let (all, warned) = read("SDR 3 TDI (F); LOOP 2; ENDLOOP;", false).unwrap();
        assert_eq!(warned.len(), 2);
        assert!(matches!(&all[0], Statement::Scan(_, s) if s.tdi == Some(Bits::ones(3))));
        for text in ["RUNTEST 1,5 SEC;", "SDR 3 TDI (F);", "LOOP 2;"] {
            read(text, true).unwrap_err();
        }
    }

    #[test]
    fn errors_name_place_cause_and_what_was_expected() {
        for (text, message) in [
            (
                "SDR 8 TDI (FF)",
                "line 1, column 15: the file ends inside a statement that began at line 1, column 1: is it cut off?",
            ),
            (
                "\n  SDX 8;",
                "line 2, column 3: 'SDX' is no command of the Serial Vector Format",
            ),
            (
                "SDR 8 TDI FF;",
                "line 1, column 11: expected a value in parentheses, found 'FF'",
            ),
            (
                "SDR 8 TDI (FG);",
                "line 1, column 13: expected a hexadecimal digit or ')', found 'G'",
            ),
            (
                "SDR 8 TDI ();",
                "line 1, column 12: expected a hexadecimal digit, found ')'",
            ),
            ("SDR -1;", "line 1, column 5: '-1' is no length in bits"),
            (
                "SDR 4294967296 TDI (0);",
                "line 1, column 5: '4294967296' is no length in bits",
            ),
            (
                "SDR 4294967295 TDI (0);",
                "line 1, column 21: a statement with more than 16777216 bytes of scan data is not read",
            ),
            (
                "STATE DRPAUSE IDLE;",
                "line 1, column 15: IDLE does not follow DRPAUSE in the state diagram",
            ),
            (
                "ENDDR DRSHIFT;",
                "line 1, column 7: DRSHIFT is not stable: RESET, IDLE, DRPAUSE and IRPAUSE are",
            ),
            (
                "RUNTEST IDLE TCK;",
                "line 1, column 17: expected TCK, SCK or SEC, found ';'",
            ),
            (
                "RUNTEST 1E400 SEC;",
                "line 1, column 9: '1E400' is no time in seconds",
            ),
            ("FREQUENCY 0 HZ;", "line 1, column 11: 0 is no rate above 0"),
            (
                "SDR 4 TDI (0) TDI (1);",
                "line 1, column 15: expected each of TDI, TDO, MASK and SMASK once at most, found a second one",
            ),
            (
                "TRST MAYBE;",
                "line 1, column 6: expected ON, OFF, Z or ABSENT, found 'MAYBE'",
            ),
            (
                "PIO (HQ);",
                "line 1, column 6: expected H, L, Z, U, D or X, found 'HQ'",
            ),
            (
                "/ STATE IDLE;",
                "line 1, column 1: expected '//' for a comment, found '/' and the byte 20",
            ),
            (
                "SDR 4 \u{e4};",
                "line 1, column 7: expected a word or a number, found the byte C3",
            ),
        ] {
            assert_eq!(
                read(text, false).unwrap_err().to_string(),
                message,
                "{text}"
            );
        }
    }

    #[test]
    fn every_other_form_is_read() {
        let (all, _) = read(
            "FREQUENCY; FREQUENCY 1E6 HZ; TRST ABSENT; ;; PIOMAP (IN a OUT b INOUT c); PIO (HL ZUDX);
             STATE DREXIT2 DRUPDATE DRSELECT IRSELECT IRCAPTURE IREXIT1 IRPAUSE;
             RUNTEST DRPAUSE 10 SCK 1.0 SEC MAXIMUM 2.0 SEC ENDSTATE IDLE; RUNTEST 1E-3 SEC; RUNTEST 1E3 TCK;",
            true,
        )
        .unwrap();
        assert_eq!(all[1], Statement::Frequency(Some(1e6)));
        assert!(
            matches!(&all[3], Statement::PioMap(m) if m.len() == 3 && m[2] == ("INOUT".into(), "c".into()))
        );
        assert!(matches!(&all[4], Statement::Pio(l) if l.len() == 6 && l[5] == PioLevel::Any));
        assert!(matches!(&all[5], Statement::State(p) if p.len() == 7));
        assert_eq!(
            all[6],
            Statement::RunTest(RunTest {
                run_state: Some(TapState::PauseDr),
                clocks: Some((10, false)),
                min_seconds: Some(1.0),
                max_seconds: Some(2.0),
                end_state: Some(TapState::RunTestIdle),
            })
        );
        assert!(matches!(&all[8], Statement::RunTest(r) if r.clocks == Some((1000, true))));
    }
}
