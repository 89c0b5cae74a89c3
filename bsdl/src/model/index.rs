//! Look-up tables behind the questions, built at the first one.

use std::collections::HashMap;
use std::sync::OnceLock;

use super::{Device, PortBit};

/// The tables of one device; a clone starts empty and equality does not look at them.
#[derive(Debug, Default)]
pub(super) struct Index {
    ports: OnceLock<HashMap<String, u32>>,
    cells: OnceLock<CellTables>,
}

/// Ways into the boundary table.
#[derive(Debug)]
pub(crate) struct CellTables {
    /// (number, position in `cells`), sorted.
    pub(crate) by_number: Vec<(u32, u32)>,
    /// (port bit, position in `cells`), sorted.
    pub(crate) by_bit: Vec<(PortBit, u32)>,
    /// (control cell's number, position of the driver in `cells`), sorted.
    pub(crate) by_control: Vec<(u32, u32)>,
}

impl Index {
    /// Upper-case port name to position in `ports`.
    pub(super) fn ports(&self, device: &Device) -> &HashMap<String, u32> {
        self.ports.get_or_init(|| {
            let mut ports = HashMap::with_capacity(device.ports.len());
            for (i, port) in device.ports.iter().enumerate() {
                ports
                    .entry(port.name.to_ascii_uppercase())
                    .or_insert(i as u32);
            }
            ports
        })
    }

    pub(super) fn cells(&self, device: &Device) -> &CellTables {
        self.cells.get_or_init(|| {
            let cells = || device.cells.iter().zip(0..);
            let mut tables = CellTables {
                by_number: cells().map(|(c, i)| (c.number, i)).collect(),
                by_bit: cells().filter_map(|(c, i)| Some((c.port?, i))).collect(),
                by_control: cells()
                    .filter_map(|(c, i)| Some((c.control?.cell, i)))
                    .collect(),
            };
            tables.by_number.sort_unstable();
            tables.by_bit.sort_unstable();
            tables.by_control.sort_unstable();
            tables
        })
    }
}

impl Clone for Index {
    fn clone(&self) -> Self {
        Self::default()
    }
}

impl PartialEq for Index {
    fn eq(&self, _: &Self) -> bool {
        true
    }
}

/// The entries of a sorted table under one key.
pub(crate) fn under<K: Ord + Copy>(table: &[(K, u32)], key: K) -> &[(K, u32)] {
    let from = table.partition_point(|(k, _)| *k < key);
    let len = table[from..].partition_point(|(k, _)| *k == key);
    &table[from..from + len]
}

/// As [`under`], for cell numbers: in a whole table without merged cells a number is its own position.
pub(super) fn numbered(table: &[(u32, u32)], number: u32) -> &[(u32, u32)] {
    let guess = number as usize;
    match table.get(guess..) {
        Some([(n, _), rest @ ..])
            if *n == number
                && rest.first().is_none_or(|(next, _)| *next != number)
                && guess
                    .checked_sub(1)
                    .is_none_or(|before| table[before].0 != number) =>
        {
            &table[guess..=guess]
        }
        _ => under(table, number),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_found_with_and_without_merged_cells() {
        let whole = [(0, 5), (1, 4), (2, 3)];
        let merged = [(0, 5), (1, 4), (1, 9), (2, 3), (3, 0)];
        let gaps = [(1, 4), (3, 0), (3, 1)];
        for table in [&whole[..], &merged, &gaps] {
            for number in 0..6 {
                assert_eq!(
                    numbered(table, number),
                    under(table, number),
                    "{number} in {table:?}"
                );
            }
        }
    }
}
