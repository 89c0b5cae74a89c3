//! Look-up of names without regard to ASCII case.

use std::collections::HashMap;
use std::hash::{Hash, Hasher};

use crate::model::Port;

/// A name as a key: bytes, ASCII case ignored.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Name<'a>(pub(crate) &'a [u8]);

impl PartialEq for Name<'_> {
    fn eq(&self, other: &Self) -> bool {
        self.0.eq_ignore_ascii_case(other.0)
    }
}

impl Eq for Name<'_> {}

impl Hash for Name<'_> {
    fn hash<H: Hasher>(&self, state: &mut H) {
        let mut folded = [0; 32];
        for chunk in self.0.chunks(folded.len()) {
            let folded = &mut folded[..chunk.len()];
            folded.copy_from_slice(chunk);
            folded.make_ascii_lowercase();
            state.write(folded);
        }
        state.write_u8(0xff);
    }
}

/// Names to positions.
pub(crate) type NameTable<'a> = HashMap<Name<'a>, u32>;

/// Finds ports by name. Lists name ports in the order of their declaration more often than not, so the neighbours of
/// the last find are tried before the table.
pub(crate) struct Finder<'t, 'a> {
    table: &'t NameTable<'a>,
    ports: &'t [Port],
    last: usize,
}

impl<'t, 'a> Finder<'t, 'a> {
    /// `table` holds the positions in `ports`.
    pub(crate) fn new(table: &'t NameTable<'a>, ports: &'t [Port]) -> Self {
        Self {
            table,
            ports,
            last: 0,
        }
    }

    /// Position and port of this name.
    pub(crate) fn find(&mut self, name: &[u8]) -> Option<(u32, &'t Port)> {
        let near = [self.last, self.last + 1, self.last.wrapping_sub(1)];
        let is = |i: &usize| {
            self.ports
                .get(*i)
                .is_some_and(|p| p.name.as_bytes().eq_ignore_ascii_case(name))
        };
        self.last = match near.into_iter().find(is) {
            Some(i) => i,
            None => *self.table.get(&Name(name))? as usize,
        };
        Some((self.last as u32, &self.ports[self.last]))
    }
}

/// The closest of `known` to a name, for "did you mean": at most a third of the letters may differ.
pub(crate) fn closest<'a>(name: &str, known: impl Iterator<Item = &'a str>) -> Option<&'a str> {
    if name.len() > 64 {
        return None;
    }
    let limit = name.len() / 3;
    known
        .filter(|k| k.len().abs_diff(name.len()) <= limit)
        .take(20_000)
        .map(|k| (distance(name.as_bytes(), k.as_bytes()), k))
        .filter(|(d, _)| (1..=limit).contains(d))
        .min_by_key(|(d, _)| *d)
        .map(|(_, k)| k)
}

/// Number of letters to change, add or take away.
fn distance(a: &[u8], b: &[u8]) -> usize {
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, x) in a.iter().enumerate() {
        let mut diagonal = row[0];
        row[0] = i + 1;
        for (j, y) in b.iter().enumerate() {
            let change = diagonal + usize::from(!x.eq_ignore_ascii_case(y));
            diagonal = row[j + 1];
            row[j + 1] = change.min(row[j] + 1).min(diagonal + 1);
        }
    }
    row[b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn case_does_not_matter() {
        let mut table = NameTable::new();
        table.insert(Name(b"Tap_Scan_In"), 7);
        assert_eq!(table.get(&Name(b"TAP_SCAN_IN")), Some(&7));
        assert_eq!(table.get(&Name(b"TAP_SCAN_INN")), None);
    }

    #[test]
    fn near_misses_are_suggested() {
        let known = [
            "INSTRUCTION_LENGTH",
            "INSTRUCTION_OPCODE",
            "BOUNDARY_LENGTH",
        ];
        assert_eq!(
            closest("INSTRUCTION_LENTGH", known.iter().copied()),
            Some("INSTRUCTION_LENGTH")
        );
        assert_eq!(closest("XYZ", known.iter().copied()), None);
    }
}
