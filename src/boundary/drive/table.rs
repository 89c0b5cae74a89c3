//! Tables of test vectors as text: one row a vector, read one at a time.
//!
//! ```text
//! # eight flip-flops: what stands on D goes to Q with the rising edge of CLK
//! CLK, /OE, D1, Q1, repeat, comment
//! 0,   0,   1,  X,  ,       set up
//! 1,   ,    ,   H,  ,       the edge
//! 0,   ,    ,   H,  10,     it stays
//! ```
//!
//! The first row names the columns: wires, signals or pins, and the two of our own, `repeat` and `comment`. Cells: `0` and
//! `1` drive, `Z` releases; `H` and `L` release and expect that level, `X` releases and expects nothing; an empty cell
//! drives as before and expects nothing. Commas, semicolons or tabs; quotes around what holds them; `#` begins a comment
//! row; blank rows count for nothing.

use std::io::{BufRead, Read};

/// Longest row that is read, in bytes.
const LONGEST_ROW: u64 = 256 * 1024;
/// Most columns.
const MOST_COLUMNS: usize = 4096;
/// Highest repeat count.
const MOST_REPEATS: u32 = 1_000_000;

/// What a cell asks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Cell {
    /// Drive as before, expect nothing.
    Keep,
    /// Drive this level.
    Drive(bool),
    /// Release.
    Release,
    /// Release, and expect this level.
    Expect(bool),
    /// Release, and expect nothing.
    Ignore,
}

/// A row of the table.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Row {
    /// Its line in the file, from 1.
    pub line: u64,
    /// How often it is put on the pins; at least 1.
    pub repeat: u32,
    /// One cell a column.
    pub cells: Vec<Cell>,
    /// What its `comment` column says; empty without.
    pub comment: String,
}

/// What is wrong with a table, and where.
#[derive(Debug, thiserror::Error)]
#[error("line {line}{}: {fault}", .column.as_ref().map(|c| format!(", column {c}")).unwrap_or_default())]
pub struct RowError {
    /// The line, from 1.
    pub line: u64,
    /// The column's name or number, where there is one.
    pub column: Option<String>,
    /// What.
    pub fault: TableFault,
}

/// What is wrong with a table.
#[derive(Debug, thiserror::Error)]
pub enum TableFault {
    /// The file cannot be read.
    #[error("cannot be read: {0}")]
    Read(#[from] std::io::Error),
    /// Not text.
    #[error("byte {0} of the line is no text (UTF-8)")]
    NotText(usize),
    /// A row without an end.
    #[error("the row is longer than {LONGEST_ROW} bytes")]
    LongRow,
    /// No header row.
    #[error("the table has no header row")]
    NoHeader,
    /// No row below the header.
    #[error("the table has no rows below its header")]
    NoRows,
    /// Only columns of our own.
    #[error("the header names no pin, wire or signal")]
    NoColumns,
    /// Too many columns.
    #[error("the header has {0} columns, at most {MOST_COLUMNS} are read")]
    ManyColumns(usize),
    /// A column without a name.
    #[error("the column has no name")]
    Unnamed,
    /// A name that stands twice in the header.
    #[error("the name stands twice in the header")]
    Twice,
    /// A row with another number of cells than the header.
    #[error("the row has {found} cells, the header has {expected}")]
    Cells {
        /// Cells of the row.
        found: usize,
        /// Columns of the header.
        expected: usize,
    },
    /// A cell that is none.
    #[error("{0:?} is no cell")]
    Cell(String),
    /// A repeat count that is none.
    #[error("{0:?} is no repeat count")]
    Repeat(String),
    /// A quote that does not end.
    #[error("a quote has no end in its row")]
    Quote,
}

impl RowError {
    /// What to do about it: one line, lower case, no full stop.
    pub fn help(&self) -> &'static str {
        match &self.fault {
            TableFault::Read(_) => "name a plain file that this user may read",
            TableFault::NotText(_) => "save the table as CSV in UTF-8",
            TableFault::LongRow => "is it a table of vectors? its rows end with a line feed",
            TableFault::NoHeader | TableFault::NoColumns | TableFault::Unnamed => {
                "the first row names pins, wires or signals, as U1.12, W07 or A3"
            }
            TableFault::NoRows => "give it rows of 0, 1, Z, H, L, X",
            TableFault::ManyColumns(_) => "leave out columns that stay empty",
            TableFault::Twice => "give every column a name of its own",
            TableFault::Cells { .. } => "give the row one cell a column; empty cells count",
            TableFault::Cell(_) => "cells are 0, 1 and Z to drive, H, L and X to expect, or empty",
            TableFault::Repeat(_) => "repeat counts are 1 to 1000000, or empty for 1",
            TableFault::Quote => "close the quote, or write it twice where it is meant",
        }
    }
}

/// A table that is read row by row; never more than one row is held.
#[derive(Debug)]
pub struct VectorTable<R> {
    reader: R,
    line: u64,
    separator: char,
    columns: Vec<String>,
    /// What each cell of a row is for.
    uses: Vec<Use>,
    rows: u64,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Use {
    Column,
    Repeat,
    Comment,
}

impl<R: BufRead> VectorTable<R> {
    /// Reads the header.
    ///
    /// # Errors
    /// [`RowError`].
    pub fn new(reader: R) -> Result<Self, RowError> {
        let mut table = VectorTable {
            reader,
            line: 0,
            separator: ',',
            columns: Vec::new(),
            uses: Vec::new(),
            rows: 0,
        };
        let Some(header) = table.text()? else {
            return Err(table.fault(None, TableFault::NoHeader));
        };
        table.separator = separator_of(&header);
        let names = table.split(&header)?;
        if names.len() > MOST_COLUMNS {
            return Err(table.fault(None, TableFault::ManyColumns(names.len())));
        }
        for (i, name) in names.into_iter().enumerate() {
            let what = match name.to_ascii_lowercase().as_str() {
                "repeat" => Use::Repeat,
                "comment" => Use::Comment,
                _ => Use::Column,
            };
            if name.is_empty() {
                return Err(table.fault(Some((i + 1).to_string()), TableFault::Unnamed));
            }
            let again = match what {
                Use::Column => table.columns.contains(&name),
                other => table.uses.contains(&other),
            };
            if again {
                return Err(table.fault(Some(name), TableFault::Twice));
            }
            if what == Use::Column {
                table.columns.push(name);
            }
            table.uses.push(what);
        }
        if table.columns.is_empty() {
            return Err(table.fault(None, TableFault::NoColumns));
        }
        Ok(table)
    }

    /// The names of the columns, without `repeat` and `comment`.
    pub fn columns(&self) -> &[String] {
        &self.columns
    }

    /// The next row; `None` at the end.
    ///
    /// # Errors
    /// [`RowError`]; a table without any row is one.
    pub fn row(&mut self) -> Result<Option<Row>, RowError> {
        let Some(text) = self.text()? else {
            return match self.rows {
                0 => Err(self.fault(None, TableFault::NoRows)),
                _ => Ok(None),
            };
        };
        let fields = self.split(&text)?;
        if fields.len() != self.uses.len() {
            let fault = TableFault::Cells {
                found: fields.len(),
                expected: self.uses.len(),
            };
            return Err(self.fault(None, fault));
        }
        let mut row = Row {
            line: self.line,
            repeat: 1,
            cells: Vec::with_capacity(self.columns.len()),
            comment: String::new(),
        };
        for (field, what) in fields.into_iter().zip(&self.uses) {
            match what {
                Use::Comment => row.comment = field,
                Use::Repeat if field.is_empty() => {}
                Use::Repeat => match field.parse() {
                    Ok(n @ 1..=MOST_REPEATS) => row.repeat = n,
                    _ => {
                        let fault = TableFault::Repeat(short(&field));
                        return Err(self.fault(Some("repeat".into()), fault));
                    }
                },
                Use::Column => match cell(&field) {
                    Some(cell) => row.cells.push(cell),
                    None => {
                        let column = self.columns[row.cells.len()].clone();
                        return Err(self.fault(Some(column), TableFault::Cell(short(&field))));
                    }
                },
            }
        }
        self.rows += 1;
        Ok(Some(row))
    }

    fn fault(&self, column: Option<String>, fault: TableFault) -> RowError {
        RowError {
            line: self.line.max(1),
            column: column.map(|c| short(&c)),
            fault,
        }
    }

    /// The next line that is neither blank nor a comment.
    fn text(&mut self) -> Result<Option<String>, RowError> {
        loop {
            let mut bytes = Vec::new();
            self.line += 1;
            let read = (&mut self.reader)
                .take(LONGEST_ROW + 1)
                .read_until(b'\n', &mut bytes);
            match read {
                Err(error) => return Err(self.fault(None, error.into())),
                Ok(0) => return Ok(None),
                Ok(n) if n as u64 > LONGEST_ROW => {
                    return Err(self.fault(None, TableFault::LongRow));
                }
                Ok(_) => {}
            }
            let text = match std::str::from_utf8(&bytes) {
                Ok(text) => text,
                Err(e) => return Err(self.fault(None, TableFault::NotText(e.valid_up_to() + 1))),
            };
            let text = match self.line {
                1 => text.trim_start_matches('\u{feff}'),
                _ => text,
            };
            let text = text.trim_end_matches(['\n', '\r']);
            let blank = text.chars().all(|c| c.is_whitespace() || ",;".contains(c));
            if !blank && !text.trim_start().starts_with('#') {
                return Ok(Some(text.to_owned()));
            }
            // A row of empty cells below the header changes nothing and expects nothing: it counts as blank.
        }
    }

    fn split(&self, text: &str) -> Result<Vec<String>, RowError> {
        let mut fields = Vec::new();
        let mut rest = text;
        loop {
            let start = rest.trim_start_matches(' ');
            if let Some(mut quoted) = start.strip_prefix('"') {
                let mut field = String::new();
                loop {
                    let Some((part, after)) = quoted.split_once('"') else {
                        return Err(self.fault(None, TableFault::Quote));
                    };
                    field.push_str(part);
                    quoted = match after.strip_prefix('"') {
                        Some(more) => {
                            field.push('"');
                            more
                        }
                        None => {
                            rest = after;
                            break;
                        }
                    };
                }
                let (behind, more) = cut(rest, self.separator);
                if !behind.trim().is_empty() {
                    return Err(self.fault(None, TableFault::Quote));
                }
                fields.push(field.trim().to_owned());
                match more {
                    Some(more) => rest = more,
                    None => return Ok(fields),
                }
            } else {
                let (field, more) = cut(rest, self.separator);
                fields.push(field.trim().to_owned());
                match more {
                    Some(more) => rest = more,
                    None => return Ok(fields),
                }
            }
        }
    }
}

fn cut(text: &str, separator: char) -> (&str, Option<&str>) {
    match text.split_once(separator) {
        Some((field, rest)) => (field, Some(rest)),
        None => (text, None),
    }
}

/// What separates the cells: whichever of the three the header has most of outside quotes.
fn separator_of(header: &str) -> char {
    let plain: String = header.split('"').step_by(2).collect();
    let count = |c: char| plain.matches(c).count();
    [';', '\t', ',']
        .into_iter()
        .max_by_key(|c| count(*c))
        .unwrap_or(',')
}

fn cell(text: &str) -> Option<Cell> {
    Some(match text {
        "" => Cell::Keep,
        "0" => Cell::Drive(false),
        "1" => Cell::Drive(true),
        "Z" | "z" => Cell::Release,
        "H" | "h" => Cell::Expect(true),
        "L" | "l" => Cell::Expect(false),
        "X" | "x" => Cell::Ignore,
        _ => return None,
    })
}

/// At most forty characters of what a file holds.
fn short(text: &str) -> String {
    match text.char_indices().nth(40) {
        Some((at, _)) => format!("{}…", &text[..at]),
        None => text.to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rows(text: &str) -> Result<Vec<Row>, RowError> {
        let mut table = VectorTable::new(text.as_bytes())?;
        let mut rows = Vec::new();
        while let Some(row) = table.row()? {
            rows.push(row);
        }
        Ok(rows)
    }

    #[test]
    fn rows_comments_repeats_and_spreadsheet_habits() {
        let table = "\u{feff}# a table\r\n\r\nCLK;\"D;1\";repeat;comment\r\n0;h;;\"he said \"\"now\"\"\"\r\n;;;\r\n1;X;12;\r\n ;z;;end\r\n";
        let all = rows(table).unwrap();
        assert_eq!(
            VectorTable::new(table.as_bytes()).unwrap().columns(),
            ["CLK", "D;1"]
        );
        let seen: Vec<_> = (all.iter())
            .map(|r| (r.line, r.repeat, r.cells.clone(), r.comment.as_str()))
            .collect();
        use Cell::{Drive, Expect, Ignore, Keep, Release};
        assert_eq!(
            seen,
            [
                (4, 1, vec![Drive(false), Expect(true)], "he said \"now\""),
                (6, 12, vec![Drive(true), Ignore], ""),
                (7, 1, vec![Keep, Release], "end"),
            ]
        );
    }

    #[test]
    fn hostile_tables_are_refused_with_their_place() {
        let long = format!("A,B\n{}\n", "0".repeat(300_000));
        let wide = (0..5000)
            .map(|i| format!("P{i}"))
            .collect::<Vec<_>>()
            .join(",");
        for (text, said) in [
            ("", "line 1: the table has no header row"),
            ("# only this\n", "line 2: the table has no header row"),
            ("A,B\n", "line 2: the table has no rows below its header"),
            (
                "repeat,comment\n1,x\n",
                "line 1: the header names no pin, wire or signal",
            ),
            ("A,,B\n0,0,0\n", "line 1, column 2: the column has no name"),
            (
                "A,B,A\n0,0,0\n",
                "line 1, column A: the name stands twice in the header",
            ),
            (
                "A,repeat,Repeat\n0,0,0\n",
                "line 1, column Repeat: the name stands twice in the header",
            ),
            (
                "A,B\n0,1\n0\n",
                "line 3: the row has 1 cells, the header has 2",
            ),
            (
                "A,B\n0,1,1\n",
                "line 2: the row has 3 cells, the header has 2",
            ),
            ("A,B\n0,2\n", "line 2, column B: \"2\" is no cell"),
            (
                "A,repeat\n0,0\n",
                "line 2, column repeat: \"0\" is no repeat count",
            ),
            (
                "A,repeat\n0,1000001\n",
                "line 2, column repeat: \"1000001\" is no repeat count",
            ),
            (
                "A,repeat\n0,-1\n",
                "line 2, column repeat: \"-1\" is no repeat count",
            ),
            ("A,B\n\"0,1\n", "line 2: a quote has no end in its row"),
            ("A,B\n\"0\"x,1\n", "line 2: a quote has no end in its row"),
            (&long, "line 2: the row is longer than 262144 bytes"),
            (
                &wide,
                "line 1: the header has 5000 columns, at most 4096 are read",
            ),
        ] {
            let error = rows(text).unwrap_err();
            assert_eq!(error.to_string(), said);
            assert!(!error.help().is_empty());
        }
        let error = VectorTable::new(&b"A,\xff\n"[..]).unwrap_err();
        assert_eq!(
            error.to_string(),
            "line 1: byte 3 of the line is no text (UTF-8)"
        );
    }
}
