//! Aligned columns of plain text.

/// Rows of cells, each column as wide as its widest cell.
#[derive(Debug, Clone, Default)]
pub struct Table {
    rows: Vec<Vec<String>>,
}

impl Table {
    /// A table with a heading.
    pub fn new(heading: &[&str]) -> Self {
        Table {
            rows: vec![heading.iter().map(|s| (*s).to_owned()).collect()],
        }
    }

    /// Whether it has not even a heading.
    pub fn is_empty(&self) -> bool {
        self.rows.is_empty()
    }

    /// Adds a row.
    pub fn row<S: Into<String>>(&mut self, cells: impl IntoIterator<Item = S>) {
        self.rows.push(cells.into_iter().map(Into::into).collect());
    }

    /// The lines, indented by two blanks, two blanks between columns, nothing behind the last
    /// cell.
    pub fn lines(&self) -> Vec<String> {
        let columns = self.rows.iter().map(Vec::len).max().unwrap_or(0);
        let width = |c: usize| {
            self.rows
                .iter()
                .filter_map(|r| r.get(c))
                .map(|s| s.chars().count())
                .max()
                .unwrap_or(0)
        };
        let widths: Vec<usize> = (0..columns).map(width).collect();
        self.rows
            .iter()
            .map(|row| {
                let mut line = String::from(" ");
                for (cell, width) in row.iter().zip(&widths) {
                    line.push(' ');
                    line.push_str(cell);
                    line.extend(std::iter::repeat_n(' ', width + 1 - cell.chars().count()));
                }
                line.truncate(line.trim_end().len());
                line
            })
            .collect()
    }
}

/// A number and its noun: "1 wire", "3 wires".
pub fn plural(n: usize, noun: &str) -> String {
    format!("{n} {noun}{}", if n == 1 { "" } else { "s" })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_are_aligned_and_nothing_trails() {
        let mut table = Table::new(&["wire", "verdict"]);
        table.row(["W1", "good"]);
        table.row(["W100", ""]);
        assert_eq!(table.lines(), ["  wire  verdict", "  W1    good", "  W100"]);
        assert_eq!(
            plural(1, "wire") + ", " + plural(0, "short").as_str(),
            "1 wire, 0 shorts"
        );
    }
}
