//! Parallel pins of a file on spare lines of the adapter.

use crate::bits::Bits;
use crate::svf::{PioLevel, Place};
use crate::tap::{Level, Line, Op};

use super::error::PlayError;

/// Which spare line of the adapter stands for a parallel pin, by the name that the file's PIOMAP gives it.
pub type Spares<'a> = &'a [(String, u8)];

/// The columns of the last PIOMAP.
#[derive(Debug, Default)]
pub(super) struct Columns(Option<Vec<Column>>);

#[derive(Debug, Clone)]
struct Column {
    name: String,
    /// `OUT`: the board drives it.
    out: bool,
    line: u8,
}

/// What a PIO statement asks.
#[derive(Debug, Default)]
pub(super) struct Vector {
    /// Lines to set, in the order of the columns.
    pub(super) drive: Vec<Op>,
    /// Expected level and whether it counts, one a column.
    pub(super) expected: Bits,
    pub(super) mask: Bits,
    /// The spare line of each column.
    pub(super) lines: Vec<u8>,
}

impl Columns {
    /// Takes a PIOMAP: every name must have a spare line.
    pub(super) fn map(
        &mut self,
        at: Place,
        map: &[(String, String)],
        spares: Spares<'_>,
    ) -> Result<(), PlayError> {
        let line = |name: &str| {
            let found = spares.iter().find(|(n, _)| n.eq_ignore_ascii_case(name));
            found.map(|(_, line)| *line)
        };
        let missing: Vec<&str> = (map.iter().map(|(_, name)| &**name))
            .filter(|name| line(name).is_none())
            .collect();
        if !missing.is_empty() {
            return Err(PlayError::Parallel {
                at,
                command: "PIOMAP",
                pins: missing.join(", "),
            });
        }
        let columns = map.iter().filter_map(|(direction, name)| {
            Some(Column {
                name: name.clone(),
                out: direction == "OUT",
                line: line(name)?,
            })
        });
        self.0 = Some(columns.collect());
        Ok(())
    }

    /// Takes a PIO: one level a column.
    pub(super) fn vector(&self, at: Place, levels: &[PioLevel]) -> Result<Vector, PlayError> {
        let Some(columns) = &self.0 else {
            return Err(PlayError::Columns {
                at,
                what: "PIO before any PIOMAP".into(),
            });
        };
        if columns.len() != levels.len() {
            return Err(PlayError::Columns {
                at,
                what: format!(
                    "PIO has {} levels, and PIOMAP {} columns",
                    levels.len(),
                    columns.len()
                ),
            });
        }
        let mut vector = Vector::default();
        for (column, level) in columns.iter().zip(levels) {
            let drive = match level {
                PioLevel::High => Some(Level::High),
                PioLevel::Low => Some(Level::Low),
                PioLevel::Off => Some(Level::Released),
                PioLevel::Up | PioLevel::Down | PioLevel::Any => None,
            };
            if column.out && matches!(drive, Some(Level::High | Level::Low)) {
                return Err(PlayError::Columns {
                    at,
                    what: format!("PIO drives {}, which PIOMAP calls OUT", column.name),
                });
            }
            let line = Line::Spare(column.line);
            vector.drive.extend(drive.map(|l| Op::Line(line, l)));
            // What is expected is not driven by us.
            if matches!(level, PioLevel::Up | PioLevel::Down) {
                vector.drive.push(Op::Line(line, Level::Released));
            }
            vector.expected.push(*level == PioLevel::Up);
            vector
                .mask
                .push(matches!(level, PioLevel::Up | PioLevel::Down));
            vector.lines.push(column.line);
        }
        Ok(vector)
    }
}
