//! Which shape a package has, and where on it a pin stands: seen from above, numbers run counter-clockwise.
//!
//! BSDL names pins and says nothing of shapes. They are recognised by how the pins are named, by how many there are, and
//! by the letters in the package's name that makers commonly use (common practice; no standard says so).

/// The outline of a package.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Shape {
    /// Pins along the edges. Their number on the left, bottom, right and top edge; two rows where bottom and top have none.
    Edges {
        /// Left, bottom, right, top.
        sides: [u32; 4],
        /// How many of the pins of the top edge stand left of the corner that counting starts from: 0 where pin 1 stands at
        /// the upper left corner; in a chip carrier pin 1 stands in the middle of the top edge.
        ahead: u32,
        /// Where the body is marked.
        corner: Corner,
    },
    /// Balls or pins in a grid: the letters of the rows from the top, the number of columns.
    Grid {
        /// Row names, the top one first.
        rows: Vec<String>,
        /// Columns, counted from 1 at the left.
        columns: u32,
    },
    /// Nothing known: the pins can only be listed.
    Unknown,
}

/// How the body shows where counting starts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Corner {
    /// A dot at pin 1.
    Dot,
    /// A notch in the upper end, and a dot.
    Notch,
    /// The upper left corner is cut, and a dot at pin 1 in the middle of the top edge.
    Cut,
}

/// What told the shape.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Basis {
    /// The letters in the package's name.
    Name,
    /// The number of pins alone.
    Count,
    /// Letters and numbers in the pins' names.
    Rows,
    /// Nothing.
    Nothing,
}

impl Basis {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Basis::Name => "going by its name",
            Basis::Count => "going by the number of pins alone",
            Basis::Rows => "going by the names of its pins",
            Basis::Nothing => "of unknown shape",
        }
    }
}

/// An edge of the body, seen from above.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Side {
    /// Counted downwards.
    Left,
    /// Counted to the right.
    Bottom,
    /// Counted upwards.
    Right,
    /// Counted to the left.
    Top,
}

/// Where a pin stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Place {
    /// On an edge, counted from 0 in the sense of the pin numbers.
    Edge(Side, u32),
    /// In a grid: row from the top, column from the left, both from 0.
    Ball(u32, u32),
    /// Under the middle of the body: a thermal pad.
    Middle,
    /// Nobody knows.
    Nowhere,
}

impl Shape {
    /// In words.
    pub fn words(&self) -> String {
        match self {
            Shape::Edges {
                sides: [n, 0, ..], ..
            } => format!("two rows of {n}"),
            Shape::Edges {
                sides: [l, b, ..],
                corner,
                ..
            } => {
                let kind = if *corner == Corner::Cut {
                    "chip carrier"
                } else {
                    "quad flat"
                };
                if l == b {
                    format!("{kind}, {l} a side")
                } else {
                    format!("{kind}, {l} by {b}")
                }
            }
            Shape::Grid { rows, columns } => format!("grid of {} by {columns}", rows.len()),
            Shape::Unknown => "shape not known".to_owned(),
        }
    }

    /// How many pins the shape has room for.
    pub fn room(&self) -> u32 {
        match self {
            Shape::Edges { sides, .. } => sides.iter().sum(),
            Shape::Grid { rows, columns } => rows.len() as u32 * columns,
            Shape::Unknown => 0,
        }
    }

    /// Where the pin of this name stands.
    pub fn place(&self, pin: &str) -> Place {
        match self {
            Shape::Edges { sides, ahead, .. } => {
                let Some(number) = number_of(pin) else {
                    return Place::Middle;
                };
                let room = self.room();
                if number == 0 || number > room {
                    return Place::Middle;
                }
                let mut along = (number - 1 + room - ahead) % room;
                for (side, length) in [Side::Left, Side::Bottom, Side::Right, Side::Top]
                    .into_iter()
                    .zip(sides)
                {
                    if along < *length {
                        return Place::Edge(side, along);
                    }
                    along -= length;
                }
                Place::Nowhere
            }
            Shape::Grid { rows, columns } => match row_and_column(pin) {
                Some((row, column)) if (1..=*columns).contains(&column) => rows
                    .iter()
                    .position(|r| *r == row)
                    .map_or(Place::Nowhere, |r| Place::Ball(r as u32, column - 1)),
                _ => Place::Nowhere,
            },
            Shape::Unknown => Place::Nowhere,
        }
    }
}

/// The number of a pin that is named by a number, perhaps behind one `P` or the like: 12, P12, PIN12.
fn number_of(pin: &str) -> Option<u32> {
    let digits = pin.trim_start_matches(|c: char| c.is_ascii_alphabetic() || c == '_');
    let word = &pin[..pin.len() - digits.len()];
    let plain = ["", "P", "PIN", "PIN_", "P_"]
        .iter()
        .any(|w| w.eq_ignore_ascii_case(word));
    (plain && digits.len() <= 4)
        .then(|| digits.parse().ok())
        .flatten()
}

/// Row and column of a pin such as A1 or AB12.
fn row_and_column(pin: &str) -> Option<(String, u32)> {
    let letters = pin.bytes().take_while(u8::is_ascii_alphabetic).count();
    let column = pin[letters..].parse().ok()?;
    ((1..=2).contains(&letters) && column <= 99)
        .then(|| (pin[..letters].to_ascii_uppercase(), column))
}

/// The letters of the rows of grids; I, O, Q, S, X and Z are left out, because they are misread (JEDEC practice, from memory).
const ROWS: &str = "ABCDEFGHJKLMNPRTUVWY";

/// The rows of a grid down to the last that a pin names.
fn rows_of(named: &[String]) -> Option<Vec<String>> {
    let by = |letters: &str| -> Option<Vec<String>> {
        let single = letters.chars().map(String::from);
        let double = letters
            .chars()
            .take(4)
            .flat_map(|a| letters.chars().map(move |b| format!("{a}{b}")));
        let all: Vec<String> = single.chain(double).collect();
        let places: Option<Vec<usize>> = named
            .iter()
            .map(|n| all.iter().position(|r| r == n))
            .collect();
        let last = places?.into_iter().max()?;
        Some(all[..=last].to_vec())
    };
    by(ROWS).or_else(|| by("ABCDEFGHIJKLMNOPQRSTUVWXYZ"))
}

/// The letters in package names that tell a family.
fn family(name: &str) -> Option<Corner> {
    let letters: String = name
        .chars()
        .filter(char::is_ascii_alphabetic)
        .collect::<String>()
        .to_ascii_uppercase();
    let any = |words: &[&str]| words.iter().any(|w| letters.contains(w));
    let is = |words: &[&str]| words.iter().any(|w| letters == *w);
    if any(&["QFP", "QFN", "MLF"]) || is(&["PQ", "TQ", "VQ", "HQ", "FP", "QF", "QN", "LQ"]) {
        Some(Corner::Dot)
    } else if any(&["PLCC", "LCC"]) || is(&["PL", "PC", "LC", "FN", "JL", "FK"]) {
        Some(Corner::Cut)
    } else if any(&["DIP", "DIL", "SOIC", "SSOP", "TSOP", "SOP", "SOJ"])
        || is(&["DW", "DL", "DB", "SO", "PD", "NT", "JT", "PW", "DWPACKAGE"])
    {
        Some(Corner::Notch)
    } else {
        None
    }
}

/// Recognises the shape of a package by its name and the names of its pins.
pub(super) fn recognise(name: &str, pins: &[&str]) -> (Shape, Basis) {
    let count = pins.len() as u32;
    let numbers: Vec<u32> = pins.iter().filter_map(|p| number_of(p)).collect();
    // One or two pins without a number are pads under the body.
    if count > 0 && numbers.len() as u32 + 2 >= count && !numbers.is_empty() {
        return edges(name, &numbers);
    }
    let balls: Option<Vec<(String, u32)>> = pins.iter().map(|p| row_and_column(p)).collect();
    if let Some(balls) = balls.filter(|b| b.len() > 3) {
        let mut rows: Vec<String> = balls.iter().map(|b| b.0.clone()).collect();
        rows.sort_unstable();
        rows.dedup();
        let columns = balls.iter().map(|b| b.1).max().unwrap_or(0);
        let zero = balls.iter().any(|b| b.1 == 0);
        if let Some(rows) = rows_of(&rows).filter(|_| !zero) {
            // A grid that is nearly empty is a numbering of another kind.
            if rows.len() as u32 * columns <= count * 8 {
                return (Shape::Grid { rows, columns }, Basis::Rows);
            }
        }
    }
    (Shape::Unknown, Basis::Nothing)
}

/// Packages with more pins than this have them in a grid.
const LARGEST: u32 = 1_000;

fn edges(name: &str, numbers: &[u32]) -> (Shape, Basis) {
    let highest = numbers.iter().copied().max().unwrap_or(0);
    let unknown = (Shape::Unknown, Basis::Nothing);
    if numbers.contains(&0)
        || highest > 4 * numbers.len() as u32
        || !(4..=LARGEST).contains(&highest)
    {
        return unknown;
    }
    // A pin of number 4n + 1 is the pad under a body of 4n pins; the name may tell of pins that the file leaves out.
    let digits: String = name.chars().filter(char::is_ascii_digit).collect();
    let named: Option<u32> = digits
        .parse()
        .ok()
        .filter(|n| *n >= highest && *n <= highest + highest / 3);
    let family = family(name);
    let room = match (named, family) {
        (Some(n), _) => n,
        (None, Some(Corner::Notch)) => highest.next_multiple_of(2),
        _ if highest % 4 == 1 && highest > 16 => highest - 1,
        _ => highest.next_multiple_of(2),
    };
    let quad = |corner: Corner| {
        let side = room / 4;
        let sides = match (room, corner) {
            // The carrier for memories is not square (common practice).
            (32, Corner::Cut) => [9, 7, 9, 7],
            _ => [side; 4],
        };
        let ahead = if corner == Corner::Cut {
            sides[3].div_ceil(2)
        } else {
            0
        };
        Shape::Edges {
            sides,
            ahead,
            corner,
        }
    };
    let dual = || Shape::Edges {
        sides: [room / 2, 0, room / 2, 0],
        ahead: 0,
        corner: Corner::Notch,
    };
    match family {
        Some(Corner::Notch) if room % 2 == 0 => (dual(), Basis::Name),
        Some(corner) if room % 4 == 0 => (quad(corner), Basis::Name),
        _ if room >= 44 && room % 4 == 0 => (quad(Corner::Dot), Basis::Count),
        _ if room <= 42 && room % 2 == 0 => (dual(), Basis::Count),
        _ => unknown,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn numbered(name: &str, count: u32) -> (Shape, Basis) {
        let pins: Vec<String> = (1..=count).map(|n| n.to_string()).collect();
        recognise(name, &pins.iter().map(String::as_str).collect::<Vec<_>>())
    }

    /// Where pins stand, by the usual drawings of these packages (common practice).
    #[test]
    fn numbers_run_counter_clockwise_from_above() {
        use Side::{Bottom, Left, Right, Top};
        let at = |shape: &Shape, pin: u32| match shape.place(&pin.to_string()) {
            Place::Edge(side, n) => (side, n),
            other => panic!("{pin}: {other:?}"),
        };
        let (flat, basis) = numbered("PQ208", 208);
        assert_eq!(
            (flat.words().as_str(), basis),
            ("quad flat, 52 a side", Basis::Name)
        );
        for (pin, place) in [
            (1, (Left, 0)),
            (52, (Left, 51)),
            (53, (Bottom, 0)),
            (104, (Bottom, 51)),
            (105, (Right, 0)),
            (156, (Right, 51)),
            (157, (Top, 0)),
            (208, (Top, 51)),
        ] {
            assert_eq!(at(&flat, pin), place, "{pin}");
        }
        // A chip carrier of 44: pin 1 in the middle of the top edge, pin 7 first on the left.
        let (carrier, _) = numbered("PLCC44", 44);
        for (pin, place) in [
            (7, (Left, 0)),
            (17, (Left, 10)),
            (18, (Bottom, 0)),
            (39, (Right, 10)),
            (40, (Top, 0)),
            (1, (Top, 5)),
            (6, (Top, 10)),
        ] {
            assert_eq!(at(&carrier, pin), place, "{pin}");
        }
        let (carrier, _) = numbered("PC68", 68);
        assert_eq!((at(&carrier, 10), at(&carrier, 1)), ((Left, 0), (Top, 8)));
        let (carrier, _) = numbered("PLCC32", 32);
        assert_eq!(
            (at(&carrier, 5), at(&carrier, 14)),
            ((Left, 0), (Bottom, 0))
        );
        let (dual, _) = numbered("DW_PACKAGE", 24);
        assert_eq!(
            (at(&dual, 12), at(&dual, 13), at(&dual, 24)),
            ((Left, 11), (Right, 0), (Right, 11))
        );
    }

    #[test]
    fn every_pin_of_a_full_package_has_a_place_of_its_own() {
        for (name, count) in [
            ("PQ208", 208),
            ("TQFP44", 44),
            ("PLCC84", 84),
            ("PC20", 20),
            ("PLCC32", 32),
            ("DIP28", 28),
            ("my_package", 100),
        ] {
            let (shape, _) = numbered(name, count);
            let mut places: Vec<String> = (1..=count)
                .map(|n| format!("{:?}", shape.place(&n.to_string())))
                .collect();
            places.sort();
            places.dedup();
            assert_eq!(places.len(), count as usize, "{name}");
            assert!(places.iter().all(|p| p.starts_with("Edge")), "{name}");
        }
    }

    #[test]
    fn grids_pads_and_what_is_not_known() {
        let pins = ["A1", "A2", "B1", "T16", "R3", "AA2"];
        let more = ["C3", "C4", "D5"].repeat(16);
        let (shape, basis) = recognise("bg256", &[&pins[..5], &more[..]].concat());
        assert_eq!(basis, Basis::Rows);
        let Shape::Grid { rows, columns } = &shape else {
            panic!("{shape:?}")
        };
        assert_eq!(
            (rows.len(), *columns, rows.last().unwrap().as_str()),
            (16, 16, "T")
        );
        assert_eq!(shape.place("T16"), Place::Ball(15, 15));
        assert_eq!(shape.place("AA2"), Place::Nowhere);

        let (shape, basis) = numbered("QFN32", 33);
        assert_eq!(
            (shape.room(), shape.place("33"), basis),
            (32, Place::Middle, Basis::Name)
        );
        // The name knows of pins that the file leaves out.
        assert_eq!(numbered("TQ144", 141).0.room(), 144);
        assert_eq!(numbered("strange", 46).0, Shape::Unknown);
        assert_eq!(recognise("x", &["TOP", "LEFT"]).0, Shape::Unknown);
        assert_eq!(recognise("x", &[]).0, Shape::Unknown);
        assert_eq!(recognise("x", &["4000000000", "1", "0"]).0, Shape::Unknown);
        assert_eq!(
            recognise("DIE_BOND", &["PAD1", "PAD2", "PAD3", "PAD4"]).0,
            Shape::Unknown
        );
    }
}
