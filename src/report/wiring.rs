//! Which line of an adapter goes to which line of the board, drawn with plain characters.

/// One line from the adapter to the board.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WiringLine {
    /// The adapter's name of it.
    pub adapter: String,
    /// The adapter drives it.
    pub to_board: bool,
    /// The adapter reads it.
    pub from_board: bool,
    /// What it is on the board.
    pub board: String,
    /// How it is wired, if that is worth a word.
    pub how: String,
}

/// The head's lines, then the wires one below the other, the common ground last.
pub fn wiring_drawing(head: &[String], lines: &[WiringLine]) -> String {
    let width =
        |texts: &mut dyn Iterator<Item = &str>| texts.map(|t| t.chars().count()).max().unwrap_or(0);
    let left = width(&mut lines.iter().map(|l| l.adapter.as_str())).max("adapter".len());
    let right = width(&mut lines.iter().map(|l| l.board.as_str()));
    let mut text = head.join("\n");
    text.push_str(&format!("\n\n  {:<left$}          board\n", "adapter"));
    for line in lines {
        let arrow = match (line.to_board, line.from_board) {
            (true, true) => "<------>",
            (true, false) => "------->",
            (false, true) => "<-------",
            (false, false) => "--------",
        };
        let row = format!(
            "  {:>left$} {arrow} {:<right$}  {}",
            line.adapter, line.board, line.how
        );
        text.push_str(row.trim_end());
        text.push('\n');
    }
    text.push_str(&format!("  {:>left$} -------- ground\n", "GND"));
    text
}
