//! The harness as a table in a text file, with the habits of spreadsheets forgiven: comma, semicolon or tab between
//! cells, blank rows and columns, a byte order mark, UTF-16 or Latin-1 text, columns in any order and case.

use std::ops::Range;
use std::path::PathBuf;

use super::error::{Cause, Problem};
use crate::tables::{Fault, Location, Source, hidden, nearest};

/// The columns, as the header row names them.
pub(super) const COLUMNS: [&str; 6] = ["label", "colour", "from", "to", "signal", "kind"];
/// Those that have to be there.
const NEEDED: [&str; 3] = ["label", "from", "to"];
/// How the header row is written.
const HEADER: &str = "a first row with label,colour,from,to,signal,kind";

/// A wire as written.
pub(super) struct Row {
    /// By position in [`COLUMNS`]; blank cells are empty.
    pub(super) cells: [Cell; 6],
    /// The whole row, or the title of the table.
    pub(super) at: Location,
}

/// What stands in one column.
#[derive(Clone)]
pub(super) struct Cell {
    pub(super) text: String,
    pub(super) at: Location,
    /// True if what stands here is no text, which has been reported.
    pub(super) wrong: bool,
}

/// Text of a harness file from its bytes.
pub(super) fn decode(bytes: &[u8]) -> String {
    let utf16 = |bytes: &[u8], of: fn([u8; 2]) -> u16| {
        let units: Vec<u16> = bytes.chunks_exact(2).map(|c| of([c[0], c[1]])).collect();
        String::from_utf16_lossy(&units)
    };
    match bytes {
        [0xEF, 0xBB, 0xBF, rest @ ..] => decode(rest),
        [0xFF, 0xFE, rest @ ..] => utf16(rest, u16::from_le_bytes),
        [0xFE, 0xFF, rest @ ..] => utf16(rest, u16::from_be_bytes),
        // Text that is not UTF-8 is taken as Latin-1, where every byte is a character.
        _ => String::from_utf8(bytes.to_vec())
            .unwrap_or_else(|_| bytes.iter().map(|b| char::from(*b)).collect()),
    }
}

/// The rows of a harness file; what is wrong with its form is added to `problems`.
pub(super) fn read(path: PathBuf, bytes: &[u8], problems: &mut Vec<Problem>) -> Vec<Row> {
    let source = Source::new(path, decode(bytes));
    let text = source.text.as_str();
    let mut report = |span: Range<usize>, cause: Cause| {
        let at = source.locate(span);
        problems.push(Problem { at, cause });
    };
    let separator = separator(text);
    let mut reader = csv::ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .delimiter(separator)
        .from_reader(text.as_bytes());

    let mut columns: Option<Vec<Option<usize>>> = None;
    let mut rows = Vec::new();
    let mut record = csv::StringRecord::new();
    loop {
        let start = reader.position().byte() as usize;
        match reader.read_record(&mut record) {
            Ok(true) => {}
            Ok(false) => break,
            Err(e) => {
                report(
                    start..start,
                    Cause::Row {
                        message: e.to_string(),
                    },
                );
                break;
            }
        }
        if record.iter().all(|cell| cell.trim().is_empty()) {
            continue;
        }
        let (line, cells) = cells_of(text, start, separator);
        let span = |i: usize| cells.get(i).cloned().unwrap_or(line.end..line.end);
        if let Some(i) = record.iter().position(|cell| cell.trim().contains('\n')) {
            let message = "a cell runs over several lines; is a quote left open?".into();
            report(span(i), Cause::Row { message });
            continue;
        }
        let Some(columns) = &columns else {
            columns = Some(header(&record, &mut |i, cause| report(span(i), cause)));
            if let Some(columns) = &columns {
                let missing = NEEDED
                    .iter()
                    .filter(|n| !columns.iter().flatten().any(|&c| COLUMNS[c] == **n));
                let missing: Vec<_> = missing.collect();
                // Without any of them it is no header at all, and one message is enough.
                for key in missing.iter().take(if missing.len() == 3 { 1 } else { 3 }) {
                    let table = "the harness".to_string();
                    report(
                        line.clone(),
                        Fault::MissingKey {
                            table,
                            key,
                            example: HEADER,
                        }
                        .into(),
                    );
                }
                if !missing.is_empty() {
                    return vec![];
                }
            }
            continue;
        };
        let blank = |i: usize| Cell {
            text: String::new(),
            at: source.locate(span(i)),
            wrong: false,
        };
        let mut row: [Option<Cell>; 6] = Default::default();
        for (i, cell) in record.iter().enumerate() {
            if let Some(character) = hidden(cell) {
                let key = columns
                    .get(i)
                    .copied()
                    .flatten()
                    .map_or("a cell", |c| COLUMNS[c]);
                let key = key.to_owned();
                report(span(i), Fault::Hidden { key, character }.into());
            }
            match columns.get(i) {
                Some(Some(column)) => {
                    row[*column] = Some(Cell {
                        text: cell.trim().to_string(),
                        ..blank(i)
                    })
                }
                Some(None) => {}
                None if cell.trim().is_empty() => {}
                None => {
                    let (found, wanted) = (record.len(), columns.len());
                    let message = format!("it has {found} cells where the first row has {wanted}");
                    report(span(i), Cause::Row { message });
                    break;
                }
            }
        }
        rows.push(Row {
            cells: row.map(|cell| cell.unwrap_or_else(|| blank(usize::MAX))),
            at: source.locate(line),
        });
    }
    if columns.is_none() {
        let cause = Fault::MissingKey {
            table: "the harness".into(),
            key: "label",
            example: HEADER,
        };
        problems.push(Problem {
            at: source.whole(),
            cause: cause.into(),
        });
    }
    rows
}

/// Which of [`COLUMNS`] each cell of the first row names; blank ones none.
fn header(record: &csv::StringRecord, report: &mut dyn FnMut(usize, Cause)) -> Vec<Option<usize>> {
    let mut columns = Vec::new();
    let named = record
        .iter()
        .filter(|c| COLUMNS.iter().any(|n| n.eq_ignore_ascii_case(c.trim())))
        .count();
    for (i, cell) in record.iter().enumerate() {
        let column = COLUMNS
            .iter()
            .position(|n| n.eq_ignore_ascii_case(cell.trim()));
        let mut meant = None;
        if let Some(column) = column.filter(|c| columns.contains(&Some(*c))) {
            let what = format!("the harness has two columns `{}`", COLUMNS[column]);
            report(
                i,
                Fault::Conflict {
                    what,
                    help: "keep one of them".into(),
                }
                .into(),
            );
        }
        // A first row without any known name is data; it is reported as a missing header, once.
        if column.is_none() && !cell.trim().is_empty() && named > 0 {
            // A misspelt column is taken for the one that was meant, so that one slip is one message.
            let near = nearest(cell, COLUMNS);
            let spelt = |n: &str| record.iter().any(|c| n.eq_ignore_ascii_case(c.trim()));
            meant = (near.filter(|n| !spelt(n))).and_then(|n| COLUMNS.iter().position(|c| *c == n));
            report(
                i,
                Fault::UnknownKey {
                    what: "column",
                    table: "the harness".into(),
                    key: cell.trim().into(),
                    near: near.map(str::to_string),
                    known: COLUMNS.to_vec(),
                }
                .into(),
            );
        }
        columns.push(column.or(meant));
    }
    columns
}

/// What stands between cells: whichever of comma, semicolon and tab is most frequent in the first row that is not
/// blank.
fn separator(text: &str) -> u8 {
    let first = text
        .lines()
        .find(|l| !l.trim_matches([',', ';', '\t', ' ']).is_empty())
        .unwrap_or_default();
    let count = |c: u8| first.bytes().filter(|b| *b == c).count();
    // `max_by_key` keeps the last of equals: the comma.
    *[b'\t', b';', b',']
        .iter()
        .max_by_key(|c| count(**c))
        .unwrap_or(&b',')
}

/// Byte ranges of the row that starts at or after `start`, and of the text of its cells.
fn cells_of(text: &str, start: usize, separator: u8) -> (Range<usize>, Vec<Range<usize>>) {
    let bytes = text.as_bytes();
    let mut i = start + text[start..].len() - text[start..].trim_start_matches(['\r', '\n']).len();
    let (begin, mut cell, mut quoted, mut cells) = (i, i, false, Vec::new());
    let trim = |r: Range<usize>| {
        let inner = text[r.clone()].trim_matches(|c: char| c.is_whitespace() || c == '"');
        let from = r.start + text[r].find(inner).unwrap_or(0);
        from..from + inner.len()
    };
    while i < bytes.len() && (quoted || !matches!(bytes[i], b'\r' | b'\n')) {
        if bytes[i] == b'"' {
            quoted = !quoted;
        } else if bytes[i] == separator && !quoted {
            cells.push(trim(cell..i));
            cell = i + 1;
        }
        i += 1;
    }
    cells.push(trim(cell..i));
    (begin..i, cells)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rows(text: &[u8]) -> (Vec<String>, Vec<String>) {
        let mut problems = Vec::new();
        let rows = read("h.csv".into(), text, &mut problems);
        let shown = |r: &Row| {
            let cells: Vec<_> = r
                .cells
                .iter()
                .map(|c| format!("{}@{}", c.text, c.at.column))
                .collect();
            format!("{}: {}", r.at.line, cells.join(" "))
        };
        (
            rows.iter().map(shown).collect(),
            problems.iter().map(ToString::to_string).collect(),
        )
    }

    #[test]
    fn every_separator_and_order_gives_the_same_rows() {
        let expected = [
            "3: W1@1 red@4 J3.1@8 U1.2@13 A0@18 @21",
            "5: W2@1 red@4 J3.2@8 nothing@13 @21 button@22",
        ];
        for sep in [",", ";", "\t"] {
            let text = "label,Colour, FROM,to,signal,kind\n\nW1,red,J3.1,U1.2,A0,\n,,,,,\nW2,red,J3.2,nothing,,button\n";
            let text = text.replace(',', sep);
            for bytes in [
                text.clone().into_bytes(),
                format!("\u{feff}{}", text.replace('\n', "\r\n")).into_bytes(),
            ] {
                assert_eq!(
                    rows(&bytes),
                    (expected.map(String::from).to_vec(), vec![]),
                    "{text}"
                );
            }
        }
        let (turned, none) = rows(b"\n;;;\nto;from;label\nU1.2;\"J3.1\"; W1;;\n");
        assert_eq!(
            (turned, none),
            (
                vec!["4: W1@14 @18 J3.1@7 U1.2@1 @18 @18".to_string()],
                vec![]
            )
        );
    }

    #[test]
    fn other_encodings_are_read() {
        let text = "label,colour,from,to\nW1,gr\u{fc}n,J3.1,U1.2\n";
        let latin: Vec<u8> = text.chars().map(|c| c as u8).collect();
        let mut utf16 = vec![0xFF, 0xFE];
        utf16.extend(text.encode_utf16().flat_map(u16::to_le_bytes));
        for bytes in [text.as_bytes(), &latin, &utf16] {
            assert_eq!(
                rows(bytes).0,
                ["2: W1@1 gr\u{fc}n@4 J3.1@9 U1.2@14 @18 @18"]
            );
        }
    }

    #[test]
    fn a_misspelt_column_is_shown() {
        let (_, problems) = rows(b"label,color,from,to\nW1,red,J3.1,U1.2\n");
        let expected = "h.csv:1:7: unknown column `color` in the harness
  1 | label,color,from,to
    |       ^^^^^
  help: did you mean `colour`? columns of the harness: label, colour, from, to, signal and kind";
        assert_eq!(problems, [expected]);
    }

    #[test]
    fn a_missing_header_is_one_problem() {
        let expected = "h.csv:1:1: the harness has no `label`
  1 | W1,red,J3.1,U1.2
    | ^^^^^^^^^^^^^^^^
  help: add a first row with label,colour,from,to,signal,kind";
        assert_eq!(
            rows(b"W1,red,J3.1,U1.2\nW2,red,J3.2,U1.3\n"),
            (vec![], vec![expected.to_string()])
        );
        let expected = "h.csv: the harness has no `label`\n  help: add a first row with label,colour,from,to,signal,kind";
        assert_eq!(rows(b"\n\n"), (vec![], vec![expected.to_string()]));
        assert_eq!(rows(b""), (vec![], vec![expected.to_string()]));
    }

    #[test]
    fn open_quotes_and_long_rows_are_shown() {
        let (read, problems) =
            rows(b"label,from,to\nW1,J3.1,U1.2,x\nW2,\"J3.2,U1.3\nW3,J3.3,U1.4\n");
        assert_eq!(read, ["2: W1@1 @15 J3.1@4 U1.2@9 @15 @15"]);
        let expected = [
            "h.csv:2:14: this row cannot be read: it has 4 cells where the first row has 3
  2 | W1,J3.1,U1.2,x
    |              ^
  help: check the quotes and separators of the row",
            "h.csv:3:5: this row cannot be read: a cell runs over several lines; is a quote left open?
  3 | W2,\"J3.2,U1.3
    |     ^^^^^^^^^
  help: check the quotes and separators of the row",
        ];
        assert_eq!(problems, expected);
    }
}
