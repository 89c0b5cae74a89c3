//! Sockets whose pin names are known.
//!
//! Source: the public pinouts of the byte-wide 28-pin family. 27C512 and 28C256 in full and the 27C256's pins 1 and 27
//! were checked against published tables; 27C64, 27C128 and 62256 are from memory.

/// A socket shape: its pins, numbered from 1 as seen from above, down one side from the notch and up the other.
#[derive(Debug, PartialEq, Eq)]
pub struct Shape {
    /// The name in board files.
    pub name: &'static str,
    /// Pin names, pin 1 first.
    pub pins: [&'static str; 28],
}

/// All known shapes.
pub static SHAPES: [Shape; 6] = [
    shape("27C64", ["VPP", "/CE", "/OE", "NC", "/PGM"]),
    shape("27C128", ["VPP", "/CE", "/OE", "A13", "/PGM"]),
    shape("27C256", ["VPP", "/CE", "/OE", "A13", "A14"]),
    shape("27C512", ["A15", "/CE", "/OE/VPP", "A13", "A14"]),
    shape("62256", ["A14", "/CS", "/OE", "A13", "/WE"]),
    shape("28C256", ["A14", "/CE", "/OE", "A13", "/WE"]),
];

/// The family's common pins with the five that differ: 1, 20, 22, 26, 27.
#[rustfmt::skip]
const fn shape(name: &'static str, [p1, p20, p22, p26, p27]: [&'static str; 5]) -> Shape {
    Shape { name, pins: [
        p1, "A12", "A7", "A6", "A5", "A4", "A3", "A2", "A1", "A0", "D0", "D1", "D2", "GND",
        "D3", "D4", "D5", "D6", "D7", p20, "A10", p22, "A11", "A9", "A8", p26, p27, "VCC",
    ] }
}

impl Shape {
    /// The shape of this name, case ignored.
    pub fn named(name: &str) -> Option<&'static Shape> {
        SHAPES.iter().find(|s| s.name.eq_ignore_ascii_case(name))
    }

    /// The name of a pin, numbered from 1; `None` outside the shape.
    pub fn signal(&self, pin: u16) -> Option<&'static str> {
        self.pins.get(usize::from(pin.checked_sub(1)?)).copied()
    }

    /// The number of the pin of this name, case ignored.
    pub fn pin_named(&self, signal: &str) -> Option<u16> {
        (1..)
            .zip(self.pins)
            .find(|(_, s)| s.eq_ignore_ascii_case(signal))
            .map(|(pin, _)| pin)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The corners of the published table (27C256: pins 1 and 27; 27C512 and 28C256: 1, 22, 27).
    #[test]
    fn pins_stand_where_the_tables_have_them() {
        for (name, pin, signal) in [
            ("27C256", 1, "VPP"),
            ("27C256", 27, "A14"),
            ("27C512", 1, "A15"),
            ("27C512", 22, "/OE/VPP"),
            ("28C256", 1, "A14"),
            ("28C256", 27, "/WE"),
            ("27c64", 26, "NC"),
            ("62256", 20, "/CS"),
            ("27C256", 2, "A12"),
            ("27C256", 10, "A0"),
            ("27C256", 14, "GND"),
            ("27C256", 15, "D3"),
            ("27C256", 19, "D7"),
            ("27C256", 21, "A10"),
            ("27C256", 25, "A8"),
            ("27C256", 28, "VCC"),
        ] {
            let shape = Shape::named(name).unwrap();
            assert_eq!(shape.signal(pin), Some(signal), "{name} pin {pin}");
            assert_eq!(
                shape.pin_named(&signal.to_lowercase()),
                Some(pin),
                "{name} {signal}"
            );
        }
        assert_eq!(SHAPES[0].signal(0), None);
        assert_eq!(SHAPES[0].signal(29), None);
    }

    #[test]
    fn every_shape_has_each_name_once() {
        for shape in &SHAPES {
            let mut names = shape.pins.to_vec();
            names.sort_unstable();
            names.dedup();
            assert_eq!(names.len(), 28, "{}", shape.name);
        }
    }
}
