//! A package in characters: seen from above, a mark for the kind of each pin.

use super::super::Table;
use super::package::{Package, PackagePin};
use super::shape::{Corner, Place, Shape, Side};

/// Names beside the pins are cut to this many characters.
const NAME: usize = 14;
/// The mark of a place where the file names no pin.
const ABSENT: char = '.';

/// The picture, line by line; a list where the shape is not known.
pub fn package_text(package: &Package) -> Vec<String> {
    match &package.shape {
        Shape::Edges { sides, .. } if sides[1] == 0 => two_rows(package, sides[0]),
        Shape::Edges { sides, corner, .. } => quad(package, *sides, *corner),
        Shape::Grid { rows, columns } => grid(package, rows, *columns),
        Shape::Unknown => list(package),
    }
}

fn at(package: &Package, place: Place) -> Option<&PackagePin> {
    package.pins.iter().find(|p| p.place == place)
}

fn mark(pin: Option<&PackagePin>) -> char {
    pin.map_or(ABSENT, |p| p.kind.mark())
}

fn cut(name: &str, width: usize) -> String {
    if name.chars().count() <= width {
        return name.to_owned();
    }
    let kept: String = name.chars().take(width - 1).collect();
    format!("{kept}~")
}

/// Name, number and mark of a pin on the left edge, in columns.
fn left(pin: Option<&PackagePin>, name: usize) -> String {
    let (signal, number) = pin.map_or(("", ""), |p| (&*p.signal, &*p.number));
    format!("{:>name$} {number:>4} {}", cut(signal, name), mark(pin))
}

/// Mark, number and name of a pin on the right edge.
fn right(pin: Option<&PackagePin>) -> String {
    let (signal, number) = pin.map_or(("", ""), |p| (&*p.signal, &*p.number));
    format!("{} {number:<4} {}", mark(pin), cut(signal, NAME))
}

/// The widest name on the left edge, as it is shown.
fn name_width(package: &Package) -> usize {
    let on_left = |p: &&PackagePin| matches!(p.place, Place::Edge(Side::Left, _));
    let widths = package
        .pins
        .iter()
        .filter(on_left)
        .map(|p| p.signal.chars().count());
    widths.max().unwrap_or(0).min(NAME)
}

/// A line of text in the middle of a width.
fn centred(text: &str, width: usize) -> String {
    format!("{:^width$}", cut(text, width))
}

fn two_rows(package: &Package, side: u32) -> Vec<String> {
    let (name, width) = (name_width(package), 13);
    let indent = " ".repeat(name + 7);
    let mut lines = vec![format!("{indent}+-----\\_/-----+")];
    for i in 0..side {
        let mut body = " ".repeat(width);
        if i == 0 {
            body.replace_range(1..2, "o");
        }
        lines.push(format!(
            "{}|{body}|{}",
            left(at(package, Place::Edge(Side::Left, i)), name),
            right(at(package, Place::Edge(Side::Right, side - 1 - i)))
        ));
    }
    lines.push(format!("{indent}+{}+", "-".repeat(width)));
    finish(lines)
}

fn quad(package: &Package, [rows, columns, ..]: [u32; 4], corner: Corner) -> Vec<String> {
    let name = name_width(package);
    let step = if columns <= 26 { 2 } else { 1 };
    let width = columns as usize * step + 1;
    let indent = " ".repeat(name + 7);
    let top: Vec<_> = (0..columns)
        .map(|i| at(package, Place::Edge(Side::Top, columns - 1 - i)))
        .collect();
    let bottom: Vec<_> = (0..columns)
        .map(|i| at(package, Place::Edge(Side::Bottom, i)))
        .collect();
    let spread = |cells: Vec<char>| {
        let mut line = vec![' '; width];
        cells
            .into_iter()
            .enumerate()
            .for_each(|(i, c)| line[i * step + step / 2] = c);
        line.into_iter().collect::<String>()
    };
    // Numbers along the top and the bottom read downwards.
    let numbers = |pins: &[Option<&PackagePin>], up: bool| {
        let digits = pins
            .iter()
            .flatten()
            .map(|p| p.number.chars().count())
            .max()
            .unwrap_or(0);
        (0..digits)
            .map(|d| {
                let digit = |pin: &Option<&PackagePin>| {
                    let number: Vec<char> = pin.map_or(Vec::new(), |p| p.number.chars().collect());
                    let lead = if up { digits - number.len() } else { 0 };
                    d.checked_sub(lead)
                        .and_then(|d| number.get(d))
                        .copied()
                        .unwrap_or(' ')
                };
                format!("{indent} {}", spread(pins.iter().map(digit).collect()))
            })
            .collect::<Vec<_>>()
    };
    let marks = |pins: &[Option<&PackagePin>]| {
        format!(
            "{indent} {}",
            spread(pins.iter().map(|p| mark(*p)).collect())
        )
    };

    let mut lines = numbers(&top, true);
    lines.push(marks(&top));
    let first = if corner == Corner::Cut { '/' } else { '+' };
    lines.push(format!("{indent}{first}{}+", "-".repeat(width)));
    let middle = rows as usize / 2;
    let ahead = top.iter().position(|p| {
        p.is_some_and(|p| p.number.trim_start_matches(|c: char| !c.is_ascii_digit()) == "1")
    });
    for i in 0..rows {
        let mut body: Vec<char> = match (i as usize + 2).checked_sub(middle) {
            Some(1) => centred(&package.entity, width),
            Some(2) => centred(&package.name, width),
            Some(3) => centred("from above", width),
            _ => " ".repeat(width),
        }
        .chars()
        .collect();
        if i == 0 {
            let column = match (corner, ahead) {
                (Corner::Cut, Some(column)) => column * step + step / 2,
                _ => 1,
            };
            body[column] = 'o';
        }
        let body: String = body.into_iter().collect();
        lines.push(format!(
            "{}|{body}|{}",
            left(at(package, Place::Edge(Side::Left, i)), name),
            right(at(package, Place::Edge(Side::Right, rows - 1 - i)))
        ));
    }
    lines.push(format!("{indent}+{}+", "-".repeat(width)));
    lines.push(marks(&bottom));
    lines.extend(numbers(&bottom, false));
    let pads: Vec<String> = package
        .pins
        .iter()
        .filter(|p| p.place == Place::Middle)
        .map(|p| format!("{} {} {}", p.number, p.signal, p.kind.mark()))
        .collect();
    if !pads.is_empty() {
        lines.push(format!("{indent}  under the body: {}", pads.join(", ")));
    }
    finish(lines)
}

fn grid(package: &Package, rows: &[String], columns: u32) -> Vec<String> {
    let step = if columns <= 40 { 2 } else { 1 };
    let tens: String = (1..=columns)
        .map(|c| {
            format!(
                "{:>step$}",
                if c >= 10 {
                    (c / 10).to_string()
                } else {
                    String::new()
                }
            )
        })
        .collect();
    let ones: String = (1..=columns)
        .map(|c| format!("{:>step$}", c % 10))
        .collect();
    let mut lines = Vec::new();
    if columns >= 10 {
        lines.push(format!("     {tens}"));
    }
    lines.push(format!("     {ones}"));
    lines.push(format!("    o{}-+", "-".repeat(step * columns as usize)));
    // One pass over the pins: a grid may have thousands.
    let mut marks = vec![vec![ABSENT; columns as usize]; rows.len()];
    for pin in &package.pins {
        if let Place::Ball(r, c) = pin.place {
            marks[r as usize][c as usize] = pin.kind.mark();
        }
    }
    for (row, marks) in rows.iter().zip(marks) {
        let marks: String = marks.into_iter().map(|m| format!("{m:>step$}")).collect();
        lines.push(format!("  {row:>2}|{marks} |"));
    }
    lines.push(format!("    +{}-+", "-".repeat(step * columns as usize)));
    finish(lines)
}

fn list(package: &Package) -> Vec<String> {
    let mut table = Table::new(&["pin", "mark", "kind", "port"]);
    for p in &package.pins {
        table.row([
            p.number.clone(),
            p.kind.mark().to_string(),
            p.kind.words().to_owned(),
            p.signal.clone(),
        ]);
    }
    table.lines()
}

fn finish(lines: Vec<String>) -> Vec<String> {
    lines
        .into_iter()
        .map(|l| format!("  {}", l.trim_end()))
        .collect()
}
