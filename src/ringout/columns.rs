//! Readings turned round: not what every ear read in a vector, but what an ear read in every vector.

use super::observe::{Reading, Response};
use super::plan::Plan;
use super::subject::Subject;

/// By ear: the vectors in which it read 0 and those in which it read 1, as sets of bits. Vectors in which an ear cannot
/// speak for its terminal are in neither.
#[derive(Debug, Default)]
pub(super) struct Columns {
    /// Words of one ear's set.
    words: usize,
    /// The sets for 0 and for 1, ear after ear.
    at: [Vec<u64>; 2],
}

impl Columns {
    /// Turns all readings round.
    pub(super) fn new(subject: &Subject<'_>, plan: &Plan, response: &Response) -> Self {
        let ears = plan.ears.len();
        let mask = |speaks: &dyn Fn(usize) -> bool| -> Vec<u64> {
            let mut mask = vec![0; ears.div_ceil(64)];
            (0..ears)
                .filter(|e| speaks(*e))
                .for_each(|e| mask[e / 64] |= 1 << (e % 64));
            mask
        };
        // A pin behind a part may lag behind what floats in front of it: it counts where its line is driven for certain.
        let direct = mask(&|ear| is_direct(subject, plan, ear));
        let all = mask(&|_| true);
        // What the steps' own needs switch off.
        let listening: Vec<Option<Vec<u64>>> = (plan.steps.iter())
            .map(|step| {
                let deaf = !step.needs.is_empty();
                deaf.then(|| {
                    mask(&|ear| is_direct(subject, plan, ear) && plan.listens(subject, ear, step))
                })
            })
            .collect();
        let mut rows: Vec<(&Reading, &[u64])> = vec![(&response.rest, &direct)];
        for reading in &response.steps {
            let heard = listening[reading.step].as_ref().unwrap_or(&direct);
            rows.extend(reading.at.iter().map(|r| (r, &heard[..])));
            rows.push((&reading.after, &direct));
        }
        rows.extend(response.opposed.iter().map(|(_, r)| (r, &all[..])));
        let words = rows.len().div_ceil(64);
        let mut columns = Columns {
            words,
            at: [vec![0; ears * words], vec![0; ears * words]],
        };
        for (w, block) in rows.chunks(64).enumerate() {
            for level in [false, true] {
                let lines: Vec<Vec<u64>> = (block.iter())
                    .map(|(r, mask)| r.at(level).zip(*mask).map(|(r, m)| r & m).collect())
                    .collect();
                let out = &mut columns.at[usize::from(level)];
                for e in 0..ears.div_ceil(64) {
                    let mut square = [0u64; 64];
                    for (row, line) in square.iter_mut().zip(&lines) {
                        *row = line.get(e).copied().unwrap_or(0);
                    }
                    transpose(&mut square);
                    for (k, word) in square.iter().enumerate().take(ears - 64 * e) {
                        out[(64 * e + k) * words + w] = *word;
                    }
                }
            }
        }
        columns
    }

    /// Whether two ears were ever heard at different levels in one vector.
    pub(super) fn differ(&self, a: usize, b: usize) -> bool {
        let set = |ear: usize, level: usize| &self.at[level][ear * self.words..][..self.words];
        let both = |p: &[u64], q: &[u64]| p.iter().zip(q).any(|(p, q)| p & q != 0);
        both(set(a, 0), set(b, 1)) || both(set(a, 1), set(b, 0))
    }
}

/// Whether nothing sits between an ear's pin and the terminal that it hears.
pub(super) fn is_direct(subject: &Subject<'_>, plan: &Plan, ear: usize) -> bool {
    let (pin, terminal) = plan.ears[ear];
    let mut stations = subject.terminals[terminal].stations.iter();
    stations.any(|s| s.pin == pin && s.through.is_empty())
}

/// Turns a square of bits round: bit c of row r becomes bit r of row c. Halves are exchanged, then quarters, and so on.
fn transpose(square: &mut [u64; 64]) {
    let (mut size, mut low) = (32, u64::MAX >> 32);
    while size > 0 {
        for r in (0..64).filter(|r| r & size == 0) {
            let moved = (square[r] >> size ^ square[r + size]) & low;
            square[r] ^= moved << size;
            square[r + size] ^= moved;
        }
        size /= 2;
        low ^= low << size;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_square_is_turned_round_bit_by_bit() {
        let mut state = 1u64;
        let square: [u64; 64] = std::array::from_fn(|_| {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1);
            state ^ state >> 29
        });
        let mut turned = square;
        transpose(&mut turned);
        for (r, row) in square.iter().enumerate() {
            for (c, column) in turned.iter().enumerate() {
                assert_eq!(column >> r & 1, row >> c & 1, "{r} {c}");
            }
        }
    }
}
