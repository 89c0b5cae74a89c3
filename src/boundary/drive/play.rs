//! The rows of a vector table on the pins, what was expected held against what was seen.

use std::io::{BufRead, Seek};

use crate::board::{Board, Level};

use super::super::{Guard, GuardedImage, PinIndex, Pins, Refusal, VectorId};
use super::DriveError;
use super::run::{DriveRun, Runner};
use super::spot::{Spot, SpotError, SpotPin, along};
use super::table::{Cell, Row, RowError, VectorTable};

/// Mismatches that are kept; all are counted.
const KEPT: usize = 100;
/// Rows in one scan program.
const PART_ROWS: usize = 1024;
/// Scan bits in one program: what a run holds in memory at a time.
const PART_BITS: usize = 1 << 21;

/// A column of a table on this chain.
#[derive(Debug, Clone)]
pub struct Column {
    /// What stands behind its name.
    pub spot: Spot,
    /// Some row drives it.
    pub drives: bool,
    /// Some row expects something of it.
    pub expects: bool,
}

/// A cell that was not as expected.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Mismatch {
    /// Line of the row in the file.
    pub line: u64,
    /// Which of the row's repeats, from 1.
    pub repeat: u32,
    /// The column.
    pub column: String,
    /// The pin that was looked at.
    pub pin: String,
    /// The level that the row expects.
    pub expected: Level,
    /// The level that was seen.
    pub seen: Level,
    /// The row's comment; empty without.
    pub comment: String,
}

/// What came of a table.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct TableRun {
    /// Rows read.
    pub rows: u64,
    /// Vectors put on the pins, repeats counted.
    pub vectors: u64,
    /// Levels held against what was expected.
    pub compares: u64,
    /// How many differed.
    pub mismatches: u64,
    /// The first hundred that differed.
    pub first: Vec<Mismatch>,
}

/// Why a table is not played, or not to its end. The board has been taken out of EXTEST.
#[derive(Debug, thiserror::Error)]
pub enum TableError {
    /// Something is wrong with the text.
    #[error(transparent)]
    Row(#[from] RowError),
    /// A column's name stands for nothing.
    #[error("column {column}: {error}")]
    Column {
        /// The column.
        column: String,
        /// Why.
        error: SpotError,
    },
    /// Two columns are one pin.
    #[error("columns {first} and {second} both drive {pin}")]
    SamePin {
        /// One.
        first: String,
        /// The other.
        second: String,
        /// The pin.
        pin: String,
    },
    /// A column that is driven and cannot be, or is listened to and cannot be.
    #[error("column {column}: {why}")]
    Deaf {
        /// The column.
        column: String,
        /// Why.
        why: String,
    },
    /// The guard refuses a row.
    #[error("line {line}: {refusal}")]
    Refused {
        /// Line of the row.
        line: u64,
        /// Why.
        refusal: Box<Refusal>,
    },
    /// The run failed.
    #[error("{}{error}", .line.map(|l| format!("line {l}: ")).unwrap_or_default())]
    Drive {
        /// Line of the last row that was put on the pins, where there was one.
        line: Option<u64>,
        /// Why.
        error: DriveError,
    },
}

impl TableError {
    /// What to do about it: one line, lower case, no full stop; empty where the adapter's own words say it.
    pub fn help(&self) -> String {
        match self {
            Self::Row(error) => error.help().into(),
            Self::Column { error, .. } => error.help(),
            Self::SamePin { .. } => "leave one of them out".into(),
            Self::Deaf { .. } => "leave the column out, or name another pin of the same net".into(),
            Self::Refused { refusal, .. } => refusal.mend(),
            Self::Drive { error, .. } => error.help(),
        }
    }
}

/// Reads a table to its end, resolves its columns, and asks the guard for every row, so that nothing moves before all
/// is known to be right. `levels` are driven beside the table.
///
/// # Errors
/// [`TableError`]; nothing was driven.
pub fn rehearse_table<R: BufRead + Seek>(
    board: &Board,
    guard: &Guard<'_>,
    levels: &[(PinIndex, bool)],
    mut reader: R,
) -> Result<(Vec<Column>, TableRun), TableError> {
    let pins = guard.pins();
    let (columns, run) = read_through(board, pins, &mut reader)?;
    check(pins, &columns)?;
    let at_start = |error: std::io::Error| RowError {
        line: 1,
        column: None,
        fault: error.into(),
    };
    reader.rewind().map_err(at_start)?;
    let base = base(pins, &columns, levels);
    let mut table = VectorTable::new(reader)?;
    let mut state = State::new(columns.len());
    let mut last: Option<Vec<(PinIndex, bool)>> = None;
    while let Some(row) = table.row()? {
        state.take(&row);
        let wanted = state.wanted(&columns, &base);
        if last.as_ref() != Some(&wanted) {
            guard
                .image(&wanted)
                .map_err(|refusal| TableError::Refused {
                    line: row.line,
                    refusal: Box::new(refusal),
                })?;
            last = Some(wanted);
        }
    }
    Ok((columns, run))
}

/// Resolves the columns, finds out what each is for, and counts.
fn read_through<R: BufRead>(
    board: &Board,
    pins: &Pins,
    reader: R,
) -> Result<(Vec<Column>, TableRun), TableError> {
    let mut table = VectorTable::new(reader)?;
    let mut columns: Vec<Column> = Vec::with_capacity(table.columns().len());
    for name in table.columns() {
        let spot = Spot::find(board, pins, name).map_err(|error| TableError::Column {
            column: name.clone(),
            error,
        })?;
        columns.push(Column {
            spot,
            drives: false,
            expects: false,
        });
    }
    let mut run = TableRun::default();
    while let Some(row) = table.row()? {
        for (column, cell) in columns.iter_mut().zip(&row.cells) {
            column.drives |= matches!(cell, Cell::Drive(_));
            column.expects |= matches!(cell, Cell::Expect(_));
        }
        run.rows += 1;
        run.vectors += u64::from(row.repeat);
        let expected = row.cells.iter().filter(|c| matches!(c, Cell::Expect(_)));
        run.compares += expected.count() as u64 * u64::from(row.repeat);
    }
    Ok((columns, run))
}

/// What only the whole table shows: two columns that drive one pin, and columns that nobody can hear.
fn check(pins: &Pins, columns: &[Column]) -> Result<(), TableError> {
    let driver = |c: &Column| c.spot.driver.as_ref().filter(|_| c.drives).map(|d| d.pin);
    for (i, column) in columns.iter().enumerate() {
        let same = columns[..i]
            .iter()
            .find(|c| driver(c).is_some() && driver(c) == driver(column));
        if let (Some(other), Some(pin)) = (same, driver(column)) {
            return Err(TableError::SamePin {
                first: other.spot.name.clone(),
                second: column.spot.name.clone(),
                pin: pins.get(pin).pin.to_string(),
            });
        }
        if let (true, None, Some((why, _))) =
            (column.drives, &column.spot.driver, &column.spot.undrivable)
        {
            return Err(TableError::Deaf {
                column: column.spot.name.clone(),
                why: format!("it cannot be driven: {why}"),
            });
        }
        if column.expects && column.spot.ear(pins, false).is_none() {
            return Err(TableError::Deaf {
                column: column.spot.name.clone(),
                why: "no boundary cell on the chain sees its level".into(),
            });
        }
    }
    Ok(())
}

/// Puts the rows on the pins, one vector after another, and compares. The pins keep their levels between the rows; at
/// the end all are released. Memory is bounded whatever the table's length; `told` hears how many vectors are done.
///
/// # Errors
/// [`TableError`].
pub fn play_table<R: BufRead>(
    board: &Board,
    guard: &Guard<'_>,
    levels: &[(PinIndex, bool)],
    columns: &[Column],
    reader: R,
    run: &mut Runner<'_>,
    told: &mut dyn FnMut(u64),
) -> Result<TableRun, TableError> {
    let failed = |line| move |error| TableError::Drive { line, error };
    let mut player = Player {
        guard,
        columns,
        base: base(guard.pins(), columns, levels),
        state: State::new(columns.len()),
        result: TableRun::default(),
    };
    let mut table = VectorTable::new(reader)?;
    let mut drive = DriveRun::begin(board, guard, run).map_err(failed(None))?;
    let bits = guard.pins().length().max(1);
    let most = (PART_BITS / bits).clamp(1, PART_ROWS);
    let played = player.play(&mut table, &mut drive, most, run, told);
    // After a failed part the board is out of EXTEST already; leaving once more does no harm and covers the rest.
    let ended = drive.end(guard, run);
    played?;
    ended.map_err(failed(None))?;
    Ok(player.result)
}

struct Player<'p, 'g> {
    guard: &'p Guard<'g>,
    columns: &'p [Column],
    base: Vec<(PinIndex, bool)>,
    state: State,
    result: TableRun,
}

impl Player<'_, '_> {
    fn play<R: BufRead>(
        &mut self,
        table: &mut VectorTable<R>,
        drive: &mut DriveRun,
        most: usize,
        run: &mut Runner<'_>,
        told: &mut dyn FnMut(u64),
    ) -> Result<(), TableError> {
        let mut images: Vec<GuardedImage> = Vec::with_capacity(most);
        let mut rows: Vec<(Row, u32)> = Vec::with_capacity(most);
        while let Some(row) = table.row()? {
            self.state.take(&row);
            let wanted = self.state.wanted(self.columns, &self.base);
            let image = (self.guard.image(&wanted)).map_err(|refusal| TableError::Refused {
                line: row.line,
                refusal: Box::new(refusal),
            })?;
            self.result.rows += 1;
            for repeat in 1..=row.repeat {
                images.push(image.clone());
                rows.push((row.clone(), repeat));
                if images.len() == most {
                    self.part(&mut images, &mut rows, drive, run)?;
                    told(self.result.vectors);
                }
            }
        }
        self.part(&mut images, &mut rows, drive, run)?;
        told(self.result.vectors);
        Ok(())
    }

    fn part(
        &mut self,
        images: &mut Vec<GuardedImage>,
        rows: &mut Vec<(Row, u32)>,
        drive: &mut DriveRun,
        run: &mut Runner<'_>,
    ) -> Result<(), TableError> {
        if images.is_empty() {
            return Ok(());
        }
        let captures =
            (drive.images(self.guard, images, run)).map_err(|error| TableError::Drive {
                line: rows.first().map(|(r, _)| r.line),
                error,
            })?;
        let pins = self.guard.pins();
        let ears: Vec<Option<&SpotPin>> = (self.columns.iter())
            .map(|c| c.spot.ear(pins, false).filter(|_| c.expects))
            .collect();
        for (i, (row, repeat)) in rows.iter().enumerate() {
            for (column, cell) in row.cells.iter().enumerate() {
                let (Cell::Expect(expected), Some(ear)) = (cell, ears[column]) else {
                    continue;
                };
                let Some(seen) = captures.level(VectorId(i), ear.pin) else {
                    continue;
                };
                self.result.compares += 1;
                if seen != *expected {
                    self.result.mismatches += 1;
                    if self.result.first.len() < KEPT {
                        self.result.first.push(Mismatch {
                            line: row.line,
                            repeat: *repeat,
                            column: self.columns[column].spot.name.clone(),
                            pin: pins.get(ear.pin).pin.to_string(),
                            expected: Level::from(*expected),
                            seen: Level::from(seen),
                            comment: row.comment.clone(),
                        });
                    }
                }
            }
        }
        self.result.vectors += images.len() as u64;
        images.clear();
        rows.clear();
        Ok(())
    }
}

/// What is driven beside the columns in every row: given levels, and what the ways of the columns need.
fn base(pins: &Pins, columns: &[Column], levels: &[(PinIndex, bool)]) -> Vec<(PinIndex, bool)> {
    let drivers = (columns.iter()).filter_map(|c| c.spot.driver.as_ref().filter(|_| c.drives));
    let ears = (columns.iter()).filter_map(|c| c.spot.ear(pins, false).filter(|_| c.expects));
    let mut all = levels.to_vec();
    all.extend(along(levels, drivers.chain(ears)));
    all
}

/// What each column drives now.
struct State(Vec<Option<bool>>);

impl State {
    fn new(columns: usize) -> Self {
        State(vec![None; columns])
    }

    fn take(&mut self, row: &Row) {
        for (state, cell) in self.0.iter_mut().zip(&row.cells) {
            match cell {
                Cell::Keep => {}
                Cell::Drive(level) => *state = Some(*level),
                Cell::Release | Cell::Expect(_) | Cell::Ignore => *state = None,
            }
        }
    }

    /// The driven columns, and of `base` whatever no column drives.
    fn wanted(&self, columns: &[Column], base: &[(PinIndex, bool)]) -> Vec<(PinIndex, bool)> {
        let mut wanted: Vec<(PinIndex, bool)> = (columns.iter().zip(&self.0))
            .filter_map(|(c, level)| Some((c.spot.driver.as_ref()?.pin, (*level)?)))
            .collect();
        let others = base
            .iter()
            .filter(|(p, _)| !wanted.iter().any(|(w, _)| w == p));
        let others: Vec<_> = others.copied().collect();
        wanted.extend(others);
        wanted
    }
}
