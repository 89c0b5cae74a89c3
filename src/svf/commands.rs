//! Statements beside scans.

use std::io::Read;

use crate::tap::TapState;

use super::error::{Place, SvfError, SvfWarning};
use super::reader::Reader;
use super::statement::{
    PioLevel, RunTest, Statement, TrstMode, stable_state, state_named, state_word,
};
use super::tokens::{Token, expected};

/// The longest list of states or of parallel pins.
const LIST: usize = 4096;

impl<R: Read> Reader<R> {
    pub(super) fn run_test(&mut self) -> Result<RunTest, SvfError> {
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

    pub(super) fn clocks(&mut self, at: Place, text: &str) -> Result<u64, SvfError> {
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

    pub(super) fn seconds(&mut self, at: Place, text: &str) -> Result<f64, SvfError> {
        self.real(at, text, "time in seconds")
    }

    pub(super) fn real(
        &mut self,
        at: Place,
        text: &str,
        what: &'static str,
    ) -> Result<f64, SvfError> {
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

    pub(super) fn frequency(&mut self) -> Result<Statement, SvfError> {
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

    pub(super) fn trst(&mut self) -> Result<TrstMode, SvfError> {
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

    pub(super) fn path(&mut self) -> Result<Vec<TapState>, SvfError> {
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

    pub(super) fn one_stable(&mut self) -> Result<TapState, SvfError> {
        let (at, word) = self.word("a stable state")?;
        let state = state_named(&word)
            .ok_or_else(|| expected(at, "a stable state", &Token::Word(word.clone())))?;
        let state = stable(at, state, &word)?;
        self.end()?;
        Ok(state)
    }

    pub(super) fn pio_map(&mut self) -> Result<Vec<(String, String)>, SvfError> {
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

    pub(super) fn pio(&mut self) -> Result<Vec<PioLevel>, SvfError> {
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
