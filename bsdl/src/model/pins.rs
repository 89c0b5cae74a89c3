//! One package: which pin each port bit comes out on.

use std::collections::HashMap;
use std::sync::OnceLock;

use super::PortBit;
use crate::span::Span;

/// One PIN_MAP_STRING constant: a package, its pins and the port bits behind them.
///
/// Pins stand in the order of the file. A bit may have several pins (files do that with supplies); a pin belongs to
/// one bit, the first that names it.
#[doc(alias = "PIN_MAP_STRING")]
#[derive(Debug, Default)]
pub struct PinMap {
    /// The constant's name: the package.
    pub name: String,
    /// Where the name stands.
    pub span: Span,
    /// All pin names end to end, so that a package of thousands of pins is one allocation.
    text: String,
    pins: Vec<Entry>,
    lookup: OnceLock<Lookup>,
}

#[derive(Debug, Clone, PartialEq, Eq)]
struct Entry {
    start: u32,
    len: u32,
    bit: PortBit,
    span: Span,
}

#[derive(Debug)]
struct Lookup {
    by_name: HashMap<String, u32>,
    by_bit: Vec<(PortBit, u32)>,
}

/// One pin of a package.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Pin<'a> {
    /// Name as written: a number, or a ball such as `A12`.
    pub name: &'a str,
    /// The port bit behind it.
    pub bit: PortBit,
    /// Where it stands in the pin map string.
    pub span: Span,
}

impl PinMap {
    /// An empty package.
    pub fn new(name: impl Into<String>, span: Span) -> Self {
        Self {
            name: name.into(),
            span,
            ..Self::default()
        }
    }

    /// Adds a pin after the last one.
    pub fn push(&mut self, name: &str, bit: PortBit, span: Span) {
        let start = self.text.len() as u32;
        self.text.push_str(name);
        self.pins.push(Entry {
            start,
            len: name.len() as u32,
            bit,
            span,
        });
        self.lookup.take();
    }

    /// Number of pins.
    pub fn len(&self) -> usize {
        self.pins.len()
    }

    /// True without pins.
    pub fn is_empty(&self) -> bool {
        self.pins.is_empty()
    }

    /// Pin `i` in the order of the file.
    pub fn get(&self, i: usize) -> Option<Pin<'_>> {
        self.pins.get(i).map(|e| self.pin(e))
    }

    /// All pins in the order of the file.
    pub fn pins(&self) -> impl ExactSizeIterator<Item = Pin<'_>> {
        self.pins.iter().map(|e| self.pin(e))
    }

    /// The port bit behind a pin, case of the name ignored.
    pub fn bit_of(&self, pin: &str) -> Option<PortBit> {
        let i = *self.lookup().by_name.get(&pin.to_ascii_uppercase())?;
        Some(self.pins[i as usize].bit)
    }

    /// The pins of a port bit, in the order of the file; usually one.
    pub fn pins_of(&self, bit: PortBit) -> impl Iterator<Item = Pin<'_>> {
        let by_bit = &self.lookup().by_bit;
        let from = by_bit.partition_point(|(b, _)| *b < bit);
        by_bit[from..]
            .iter()
            .take_while(move |(b, _)| *b == bit)
            .map(|(_, i)| self.pin(&self.pins[*i as usize]))
    }

    /// The first pin of a port bit.
    pub fn pin_of(&self, bit: PortBit) -> Option<Pin<'_>> {
        self.pins_of(bit).next()
    }

    /// Sets every span to nothing, for comparing models.
    pub(super) fn clear_spans(&mut self) {
        self.span = Span::default();
        self.pins.iter_mut().for_each(|e| e.span = Span::default());
    }

    fn pin(&self, e: &Entry) -> Pin<'_> {
        Pin {
            name: &self.text[e.start as usize..(e.start + e.len) as usize],
            bit: e.bit,
            span: e.span,
        }
    }

    fn lookup(&self) -> &Lookup {
        self.lookup.get_or_init(|| {
            let mut by_name = HashMap::with_capacity(self.pins.len());
            for (i, pin) in self.pins().enumerate() {
                by_name
                    .entry(pin.name.to_ascii_uppercase())
                    .or_insert(i as u32);
            }
            let mut by_bit: Vec<_> = self
                .pins
                .iter()
                .enumerate()
                .map(|(i, e)| (e.bit, i as u32))
                .collect();
            by_bit.sort_unstable();
            Lookup { by_name, by_bit }
        })
    }
}

impl Clone for PinMap {
    fn clone(&self) -> Self {
        Self {
            name: self.name.clone(),
            span: self.span,
            text: self.text.clone(),
            pins: self.pins.clone(),
            lookup: OnceLock::new(),
        }
    }
}

impl PartialEq for PinMap {
    fn eq(&self, other: &Self) -> bool {
        (&self.name, self.span, &self.text, &self.pins)
            == (&other.name, other.span, &other.text, &other.pins)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pins_are_found_both_ways() {
        let bit = |port, index| PortBit { port, index };
        let mut map = PinMap::new("PQ", Span::default());
        map.push("A1", bit(0, None), Span::default());
        map.push("14", bit(1, Some(3)), Span::default());
        map.push("15", bit(1, Some(2)), Span::default());
        map.push("28", bit(0, None), Span::default());
        assert_eq!(map.bit_of("a1"), Some(bit(0, None)));
        assert_eq!(map.bit_of("99"), None);
        assert_eq!(map.pin_of(bit(1, Some(2))).unwrap().name, "15");
        assert_eq!(
            map.pins_of(bit(0, None))
                .map(|p| p.name)
                .collect::<Vec<_>>(),
            ["A1", "28"]
        );
        assert_eq!(map.pin_of(bit(1, None)), None);
    }
}
