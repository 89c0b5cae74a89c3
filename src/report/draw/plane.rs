//! A package as SVG: seen from above, each pin with its number, its name, and the mark and colour of its kind.
//!
//! Kinds differ by mark and word first; the colours stay apart for colour-blind eyes and in grey.

use svg::Document;
use svg::node::element::{Circle, Group, Line, Path, Rectangle, Text, Title};

use super::super::pins::PinKind;
use super::super::plural;
use super::package::{Package, PackagePin};
use super::shape::{Corner, Place, Shape, Side};

/// Distance between neighbouring pins on an edge, in units of the drawing.
const PITCH: f64 = 16.0;
/// Length of a pin's box, outward.
const LONG: f64 = 18.0;
/// Free length at both ends of an edge, so that numbers of neighbouring edges do not meet in the corner.
const CORNER: f64 = 30.0;
/// Distance between balls.
const BALL: f64 = 26.0;
/// Width of a character of the names, roughly.
const LETTER: f64 = 6.2;
/// Names are cut to this many characters.
const NAME: usize = 20;

const INK: &str = "#1a1a1a";
const FAINT: &str = "#666666";
const BODY: &str = "#f2f0eb";

/// Fill and ink of a kind.
fn colours(kind: PinKind) -> (&'static str, &'static str) {
    match kind {
        PinKind::Tap => ("#5b2a86", "#ffffff"),
        PinKind::Held => ("#8a5a00", "#ffffff"),
        PinKind::Clock => ("#f0e442", INK),
        PinKind::Input => ("#9fd3f2", INK),
        PinKind::Output => ("#f5b26b", INK),
        PinKind::Both => ("#ffffff", INK),
        PinKind::Power => ("#b3261e", "#ffffff"),
        PinKind::Ground => ("#1a1a1a", "#ffffff"),
        PinKind::Other => ("#c4c4c4", INK),
        PinKind::Unconnected => ("#ffffff", FAINT),
    }
}

/// The package as an SVG document; `None` where its shape is not known.
pub fn package_svg(package: &Package) -> Option<String> {
    let canvas = match &package.shape {
        Shape::Edges { sides, corner, .. } => edges(package, *sides, *corner),
        Shape::Grid { rows, columns } => grid(package, rows, *columns),
        Shape::Unknown => return None,
    };
    Some(canvas.finish(package))
}

/// What is drawn so far and how large it is, the drawing's own corner at the upper left.
struct Canvas {
    group: Group,
    width: f64,
    height: f64,
}

impl Canvas {
    fn new(width: f64, height: f64) -> Self {
        Canvas {
            group: Group::new(),
            width,
            height,
        }
    }

    fn add(&mut self, node: impl svg::node::Node) {
        self.group = std::mem::replace(&mut self.group, Group::new()).add(node);
    }

    /// Heading above, legend below.
    fn finish(self, package: &Package) -> String {
        const MARGIN: f64 = 24.0;
        let (head, entry, column) = (84.0, 22.0, 250.0);
        let width = (self.width + 2.0 * MARGIN).max(column * 2.0 + 2.0 * MARGIN);
        let columns = ((width - 2.0 * MARGIN) / column).floor().max(1.0) as usize;
        let kinds: Vec<PinKind> = PinKind::ALL
            .into_iter()
            .filter(|k| package.count(*k) > 0)
            .collect();
        let lines = kinds.len().div_ceil(columns);
        let height = head + self.height + 30.0 + lines as f64 * entry + MARGIN;
        let title = format!(
            "{}, package {}",
            clean(&package.entity),
            clean(&package.name)
        );
        let counted = match package.shape {
            Shape::Grid { .. } => "seen from above, row A at the top, column 1 at the left",
            _ => "seen from above; the numbers run counter-clockwise",
        };
        let under = format!(
            "{}, {}, {}",
            plural(package.pins.len(), "pin"),
            package.shape.words(),
            package.basis.words()
        );
        let shift = (width - self.width) / 2.0;
        let mut document = Document::new()
            .set("viewBox", (0, 0, width.ceil() as i64, height.ceil() as i64))
            .set("width", width.ceil())
            .set("height", height.ceil())
            .set("font-family", "DejaVu Sans, Verdana, Arial, sans-serif")
            .add(Title::new(title.clone()))
            .add(
                Rectangle::new()
                    .set("width", "100%")
                    .set("height", "100%")
                    .set("fill", "#ffffff"),
            )
            .add(text(MARGIN, 32.0, 20.0, &title).set("font-weight", "bold"))
            .add(text(MARGIN, 51.0, 12.0, &under).set("fill", FAINT))
            .add(text(MARGIN, 67.0, 12.0, counted).set("fill", FAINT))
            .add(
                self.group
                    .set("transform", format!("translate({shift:.1} {head})")),
            );
        for (i, kind) in kinds.into_iter().enumerate() {
            let x = MARGIN + (i % columns) as f64 * column;
            let y = head + self.height + 30.0 + (i / columns) as f64 * entry;
            let by_name = package
                .pins
                .iter()
                .filter(|p| p.kind == kind && p.by_name)
                .count();
            let count = package.count(kind);
            let hedge = match by_name {
                0 => "",
                n if n == count => ", by name only",
                _ => ", some by name only",
            };
            document = document
                .add(pin_box(x, y, 16.0, 16.0, kind))
                .add(mark(x + 8.0, y + 8.0, kind))
                .add(text(
                    x + 24.0,
                    y + 12.5,
                    12.0,
                    &format!("{}: {count}{hedge}", kind.words()),
                ));
        }
        format!("{document}\n")
    }
}

/// Text without characters that XML does not take.
fn clean(text: &str) -> String {
    text.chars()
        .map(|c| if c.is_control() { '?' } else { c })
        .collect()
}

fn cut(text: &str) -> String {
    let text = clean(text);
    if text.chars().count() <= NAME {
        return text;
    }
    text.chars().take(NAME - 1).chain(['\u{2026}']).collect()
}

fn text(x: f64, y: f64, size: f64, content: &str) -> Text {
    Text::new(clean(content))
        .set("x", round(x))
        .set("y", round(y))
        .set("font-size", size)
        .set("fill", INK)
}

/// Text in the middle of a point.
fn middle(x: f64, y: f64, size: f64, content: &str) -> Text {
    text(x, y + size * 0.36, size, content).set("text-anchor", "middle")
}

fn round(value: f64) -> f64 {
    (value * 10.0).round() / 10.0
}

fn pin_box(x: f64, y: f64, width: f64, height: f64, kind: PinKind) -> Rectangle {
    let (fill, _) = colours(kind);
    let shape = Rectangle::new()
        .set("x", round(x))
        .set("y", round(y))
        .set("width", width)
        .set("height", height)
        .set("fill", fill)
        .set("stroke", INK)
        .set("stroke-width", if kind == PinKind::Tap { 1.8 } else { 0.8 });
    if kind == PinKind::Unconnected {
        shape.set("stroke-dasharray", "2 2")
    } else {
        shape
    }
}

fn mark(x: f64, y: f64, kind: PinKind) -> Text {
    middle(x, y, 10.0, &kind.mark().to_string())
        .set("fill", colours(kind).1)
        .set("font-weight", "bold")
}

/// What a pointer that rests on the pin shows.
fn story(pin: &PackagePin) -> Title {
    let mut story = format!("{}: {}, {}", pin.number, pin.signal, pin.kind.words());
    if pin.by_name {
        story.push_str(" by its name");
    }
    if !pin.cells.is_empty() {
        let cells: Vec<String> = pin.cells.iter().map(u32::to_string).collect();
        story.push_str(&format!("; boundary cell {}", cells.join(", ")));
    }
    Title::new(clean(&story))
}

fn edges(package: &Package, [rows, columns, ..]: [u32; 4], corner: Corner) -> Canvas {
    let two_rows = columns == 0;
    let longest = |sides: [Side; 2]| {
        let on = |p: &&PackagePin| matches!(p.place, Place::Edge(side, _) if sides.contains(&side));
        let names = package
            .pins
            .iter()
            .filter(on)
            .map(|p| p.signal.chars().count().min(NAME));
        LONG + 10.0 + LETTER * names.max().unwrap_or(0) as f64
    };
    let (beside, above) = (
        longest([Side::Left, Side::Right]),
        if two_rows {
            8.0
        } else {
            longest([Side::Top, Side::Bottom])
        },
    );
    let body_width = if two_rows {
        150.0
    } else {
        f64::from(columns) * PITCH + 2.0 * CORNER
    };
    let body_height = f64::from(rows) * PITCH + 2.0 * if two_rows { 12.0 } else { CORNER };
    let first_row = (body_height - f64::from(rows) * PITCH) / 2.0;
    let (left, top) = (beside, above);
    let (right, bottom) = (left + body_width, top + body_height);
    let mut canvas = Canvas::new(body_width + 2.0 * beside, body_height + 2.0 * above);

    let cut_off = if corner == Corner::Cut { 14.0 } else { 0.0 };
    canvas.add(
        Path::new()
            .set(
                "d",
                format!(
                    "M {:.1} {top:.1} H {right:.1} V {bottom:.1} H {left:.1} V {:.1} Z",
                    left + cut_off,
                    top + cut_off
                ),
            )
            .set("fill", BODY)
            .set("stroke", INK)
            .set("stroke-width", 1.5),
    );
    if corner == Corner::Notch {
        let x = (left + right) / 2.0;
        canvas.add(
            Path::new()
                .set(
                    "d",
                    format!(
                        "M {:.1} {top:.1} A 10 10 0 0 0 {:.1} {top:.1}",
                        x - 10.0,
                        x + 10.0
                    ),
                )
                .set("fill", "#ffffff")
                .set("stroke", INK)
                .set("stroke-width", 1.5),
        );
    }
    for pin in &package.pins {
        let Place::Edge(side, along) = pin.place else {
            continue;
        };
        let step = (f64::from(along) + 0.5) * PITCH;
        // The point where the pin leaves the body, and the direction outward.
        let (x, y, dx, dy) = match side {
            Side::Left => (left, top + first_row + step, -1.0, 0.0),
            Side::Bottom => (left + CORNER + step, bottom, 0.0, 1.0),
            Side::Right => (right, bottom - first_row - step, 1.0, 0.0),
            Side::Top => (right - CORNER - step, top, 0.0, -1.0),
        };
        canvas.add(edge_pin(pin, x, y, dx, dy));
        if pin.number.trim_start_matches(|c: char| !c.is_ascii_digit()) == "1" {
            let inward = if two_rows { 28.0 } else { 31.0 };
            let dot = Circle::new()
                .set("cx", round(x - dx * inward))
                .set("cy", round(y - dy * inward))
                .set("r", 5.5)
                .set("fill", INK)
                .add(Title::new("pin 1"));
            canvas.add(dot);
        }
    }
    let (x, y) = ((left + right) / 2.0, (top + bottom) / 2.0);
    if !two_rows {
        let pads: Vec<_> = package
            .pins
            .iter()
            .filter(|p| p.place == Place::Middle)
            .collect();
        for (i, pad) in pads.iter().enumerate() {
            let at = y + 34.0 + 22.0 * i as f64;
            let pad_mark = Group::new()
                .add(story(pad))
                .add(pin_box(x - 9.0, at - 9.0, 18.0, 18.0, pad.kind))
                .add(mark(x, at, pad.kind))
                .add(text(
                    x + 14.0,
                    at + 3.5,
                    10.0,
                    &cut(&format!("{} {}", pad.number, pad.signal)),
                ));
            canvas.add(pad_mark);
        }
        let size = (body_width - 90.0) / package.entity.chars().count().max(6) as f64 / 0.7;
        canvas.add(
            middle(x, y - 10.0, size.clamp(6.0, 22.0), &package.entity).set("font-weight", "bold"),
        );
        canvas.add(middle(x, y + 10.0, size.clamp(6.0, 13.0), &package.name).set("fill", FAINT));
    }
    canvas
}

/// A pin on an edge: its box outside the body, its number inside, its name beyond the box.
fn edge_pin(pin: &PackagePin, x: f64, y: f64, dx: f64, dy: f64) -> Group {
    let upright = dx == 0.0;
    let (w, h) = if upright {
        (PITCH - 3.0, LONG)
    } else {
        (LONG, PITCH - 3.0)
    };
    let (cx, cy) = (x + dx * LONG / 2.0, y + dy * LONG / 2.0);
    let (nx, ny) = (x + dx * (LONG + 5.0), y + dy * (LONG + 5.0));
    let (ix, iy) = (x - dx * 4.0, y - dy * 4.0);
    let along = |x: f64, y: f64, outward: bool, content: &str, size: f64| {
        // Text on the upper and lower edges reads upwards; it begins at the body or ends there.
        let at_start = match (dx, dy) {
            (1.0, _) | (_, -1.0) => outward,
            _ => !outward,
        };
        let anchor = if at_start { "start" } else { "end" };
        if upright {
            text(x + size * 0.36, y, size, content)
                .set(
                    "transform",
                    format!("rotate(-90 {:.1} {:.1})", x + size * 0.36, y),
                )
                .set("text-anchor", anchor)
        } else {
            text(x, y + size * 0.36, size, content).set("text-anchor", anchor)
        }
    };
    Group::new()
        .add(story(pin))
        .add(pin_box(cx - w / 2.0, cy - h / 2.0, w, h, pin.kind))
        .add(mark(cx, cy, pin.kind))
        .add(along(ix, iy, false, &pin.number, 10.0))
        .add(along(nx, ny, true, &cut(&pin.signal), 10.0).set("class", "name"))
}

fn grid(package: &Package, rows: &[String], columns: u32) -> Canvas {
    let edge = 34.0;
    let (width, height) = (f64::from(columns) * BALL, rows.len() as f64 * BALL);
    let mut canvas = Canvas::new(width + 2.0 * edge, height + 2.0 * edge);
    let (left, top) = (edge - 6.0, edge - 6.0);
    canvas.add(
        Path::new()
            .set(
                "d",
                format!(
                    "M {:.1} {top:.1} H {:.1} V {:.1} H {left:.1} V {:.1} Z",
                    left + 12.0,
                    edge + width + 6.0,
                    edge + height + 6.0,
                    top + 12.0
                ),
            )
            .set("fill", BODY)
            .set("stroke", INK)
            .set("stroke-width", 1.5),
    );
    let first = Circle::new()
        .set("cx", edge - 14.0)
        .set("cy", edge - 14.0)
        .set("r", 4.5)
        .set("fill", INK);
    canvas.add(first.add(Title::new("corner of A1")));
    for c in 0..columns {
        let x = edge + (f64::from(c) + 0.5) * BALL;
        for y in [edge - 15.0, edge + height + 15.0] {
            canvas.add(middle(x, y, 10.0, &(c + 1).to_string()).set("fill", FAINT));
        }
    }
    for (r, row) in rows.iter().enumerate() {
        let y = edge + (r as f64 + 0.5) * BALL;
        for x in [edge - 17.0, edge + width + 17.0] {
            canvas.add(middle(x, y, 10.0, row).set("fill", FAINT));
        }
        // A faint rule every fifth row leads the eye.
        if r % 5 == 4 && r + 1 < rows.len() {
            let y = edge + (r + 1) as f64 * BALL;
            canvas.add(
                Line::new()
                    .set("x1", edge)
                    .set("x2", round(edge + width))
                    .set("y1", y)
                    .set("y2", y)
                    .set("stroke", "#d8d4cb"),
            );
        }
    }
    for pin in &package.pins {
        let Place::Ball(row, column) = pin.place else {
            continue;
        };
        let (x, y) = (
            edge + (f64::from(column) + 0.5) * BALL,
            edge + (f64::from(row) + 0.5) * BALL,
        );
        let (fill, _) = colours(pin.kind);
        let ball = Circle::new()
            .set("cx", round(x))
            .set("cy", round(y))
            .set("r", 9.5)
            .set("fill", fill)
            .set("stroke", INK)
            .set(
                "stroke-width",
                if pin.kind == PinKind::Tap { 2.2 } else { 0.8 },
            );
        let ball = if pin.kind == PinKind::Unconnected {
            ball.set("stroke-dasharray", "2 2")
        } else {
            ball
        };
        canvas.add(
            Group::new()
                .add(story(pin))
                .add(ball)
                .add(mark(x, y, pin.kind)),
        );
    }
    canvas
}

#[cfg(test)]
mod tests {
    use super::super::package_of;
    use super::*;

    fn fixture(path: &str) -> Package {
        let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR"))
            .join("fixtures")
            .join(path);
        let device = taploom_bsdl::parse(&std::fs::read(path).unwrap(), &Default::default())
            .device
            .unwrap();
        package_of(&device, device.default_package().unwrap())
    }

    /// The number at `attribute="` behind `from`.
    fn number(text: &str, from: usize, attribute: &str) -> f64 {
        let at =
            from + text[from..].find(&format!(" {attribute}=\"")).unwrap() + attribute.len() + 3;
        text[at..].split('"').next().unwrap().parse().unwrap()
    }

    /// Middle of the box of a pin, found by the words that a pointer shows.
    fn pin(svg: &str, number_of_pin: &str) -> (f64, f64) {
        let at = svg.find(&format!("{number_of_pin}: ")).unwrap();
        let at = at + svg[at..].find("<rect").unwrap();
        (
            number(svg, at, "x") + number(svg, at, "width") / 2.0,
            number(svg, at, "y") + number(svg, at, "height") / 2.0,
        )
    }

    /// The places of the pins in the finished drawing: 52 a side, 1 at the upper left, counter-clockwise.
    #[test]
    fn a_quad_flat_package_counts_counter_clockwise_from_the_dot() {
        let svg = package_svg(&fixture("knitting-machine/devices/heddle_208.bsd")).unwrap();
        let at: Vec<(f64, f64)> = (1..=208)
            .map(|n| pin(&svg, &format!("<title>{n}")))
            .collect();
        let side = |pins: &[(f64, f64)],
                    fixed: fn(&(f64, f64)) -> f64,
                    moving: fn(&(f64, f64)) -> f64,
                    sign: f64| {
            assert!(
                pins.windows(2)
                    .all(|w| (fixed(&w[0]) - fixed(&w[1])).abs() < 0.2)
            );
            assert!(
                pins.windows(2)
                    .all(|w| ((moving(&w[1]) - moving(&w[0])) * sign - PITCH).abs() < 0.2),
                "{pins:?}"
            );
            fixed(&pins[0])
        };
        let left = side(&at[..52], |p| p.0, |p| p.1, 1.0);
        let bottom = side(&at[52..104], |p| p.1, |p| p.0, 1.0);
        let right = side(&at[104..156], |p| p.0, |p| p.1, -1.0);
        let top = side(&at[156..], |p| p.1, |p| p.0, -1.0);
        assert!(left < right && top < bottom);
        // Twice the area inside a closed path, by its corners: negative is counter-clockwise where y grows downwards.
        let area: f64 = at
            .iter()
            .zip(at.iter().cycle().skip(1))
            .map(|(a, b)| a.0 * b.1 - b.0 * a.1)
            .sum();
        assert!(area < 0.0);
        let dot = svg.find("<circle").unwrap();
        let (x, y) = (number(&svg, dot, "cx"), number(&svg, dot, "cy"));
        let near = |p: &(f64, f64)| (p.0 - x).hypot(p.1 - y);
        let nearest = (0..208)
            .min_by(|a, b| near(&at[*a]).total_cmp(&near(&at[*b])))
            .unwrap();
        assert!(
            [0, 207].contains(&nearest) && (y - at[0].1).abs() < 0.2,
            "the dot is at pin {}",
            nearest + 1
        );
    }

    #[test]
    fn every_kind_has_its_mark_and_its_word() {
        for path in [
            "bsdl/octal_8374.bsd",
            "knitting-machine/devices/bobbin_44.bsd",
            "knitting-machine/devices/jacquard_256.bsd",
        ] {
            let package = fixture(path);
            let svg = package_svg(&package).unwrap();
            for kind in PinKind::ALL.into_iter().filter(|k| package.count(*k) > 0) {
                assert!(
                    svg.contains(&format!("{}: {}", kind.words(), package.count(kind))),
                    "{path} {kind:?}"
                );
                let marks = svg.matches(&format!(">\n{}\n<", kind.mark())).count();
                assert!(marks > package.count(kind), "{path} {kind:?}: {marks}");
            }
            assert_eq!(svg.matches("<svg").count(), 1);
        }
    }

    #[test]
    fn names_cannot_break_the_document() {
        let mut package = fixture("bsdl/octal_8374.bsd");
        package.entity = "A<b>&\"\u{0}c".into();
        package.pins[3].signal = "</text><script>".repeat(40);
        let svg = package_svg(&package).unwrap();
        assert!(!svg.contains("<script") && !svg.contains('\0') && svg.contains("A&lt;b&gt;&amp;"));
    }
}
