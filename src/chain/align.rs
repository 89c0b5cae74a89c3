//! Which found device is which declared one, when some are missing, extra or other parts: an edit distance over how well
//! identity codes fit. Pure, and without a board.

use taploom_bsdl::model::Pattern;

use super::IdCode;

/// What is declared at one place of the chain, as far as this matters here.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Expected {
    /// Identity codes that it may answer with; empty if none are known or it has none.
    pub(super) idcodes: Vec<Pattern>,
    /// It has none: it answers as BYPASS.
    pub(super) no_idcode: bool,
    /// It may be absent.
    pub(super) optional: bool,
}

/// How well a found device fits a declared one.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Fit {
    /// It is the part.
    Same,
    /// Nothing is known that could contradict.
    Unknown,
    /// The part in another version.
    Version,
    /// Another part.
    Other,
}

/// One step of an alignment, TDI to TDO. Indices count from 0 at TDI.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Pair {
    /// Declared and found.
    Both {
        /// Index of the declared device.
        declared: usize,
        /// Index of the found device.
        found: usize,
        /// How well they fit.
        fit: Fit,
    },
    /// Declared, not found.
    Missing(usize),
    /// Declared, but the chain is broken behind it: nobody can see it.
    Hidden(usize),
    /// Found, not declared.
    Extra(usize),
}

/// How well a found device fits.
pub(super) fn fit(expected: &Expected, found: Option<IdCode>) -> Fit {
    match found {
        // A part without IDCODE answers as BYPASS, and one of which nothing is known may do so.
        None if expected.idcodes.is_empty() => {
            if expected.no_idcode {
                Fit::Same
            } else {
                Fit::Unknown
            }
        }
        None => Fit::Other,
        Some(_) if expected.no_idcode => Fit::Other,
        Some(_) if expected.idcodes.is_empty() => Fit::Unknown,
        Some(id) => {
            let low = |p: &Pattern| {
                p.bits()
                    .iter()
                    .take(28)
                    .enumerate()
                    .all(|(i, t)| t.admits(id.0 >> i & 1 == 1))
            };
            if expected.idcodes.iter().any(|p| p.matches_u64(id.0.into())) {
                Fit::Same
            } else if expected.idcodes.iter().any(|p| p.len() == 32 && low(p)) {
                Fit::Version
            } else {
                Fit::Other
            }
        }
    }
}

/// The cheapest alignment. `complete` is false when the chain is broken: then the found devices are those nearest TDO, and
/// declared ones before them cost nothing.
pub(super) fn align(expected: &[Expected], found: &[Option<IdCode>], complete: bool) -> Vec<Pair> {
    // Two other parts in a row cost less than one missing and one extra; a missing device costs less than two other parts.
    const LOST: u32 = 10;
    // An optional device that is not there costs a little, so that its very code in the chain is taken for it.
    const ABSENT: u32 = 2;
    let cost = |fit: Fit, optional: bool| match fit {
        Fit::Same => 0,
        Fit::Unknown => 1,
        Fit::Version => 2,
        // An optional device that does not fit is rather absent, with a stranger in its place.
        Fit::Other => {
            if optional {
                LOST + ABSENT + 1
            } else {
                LOST - 1
            }
        }
    };
    let absent = |d: usize| if expected[d].optional { ABSENT } else { LOST };
    let (n, m) = (expected.len(), found.len());
    // best[d][f]: cost of the first d declared against the first f found.
    let mut best = vec![vec![u32::MAX; m + 1]; n + 1];
    for d in 0..=n {
        for f in 0..=m {
            let mut least = if d == 0 && f == 0 { 0 } else { u32::MAX };
            if d > 0 {
                let step = if f == 0 && !complete {
                    0
                } else {
                    absent(d - 1)
                };
                least = least.min(best[d - 1][f].saturating_add(step));
            }
            if f > 0 {
                least = least.min(best[d][f - 1].saturating_add(LOST));
            }
            if d > 0 && f > 0 {
                let step = cost(
                    fit(&expected[d - 1], found[f - 1]),
                    expected[d - 1].optional,
                );
                least = least.min(best[d - 1][f - 1].saturating_add(step));
            }
            best[d][f] = least;
        }
    }
    let mut pairs = Vec::new();
    let (mut d, mut f) = (n, m);
    while d > 0 || f > 0 {
        if d > 0 && f > 0 {
            let fit = fit(&expected[d - 1], found[f - 1]);
            if best[d][f] == best[d - 1][f - 1].saturating_add(cost(fit, expected[d - 1].optional))
            {
                (d, f) = (d - 1, f - 1);
                pairs.push(Pair::Both {
                    declared: d,
                    found: f,
                    fit,
                });
                continue;
            }
        }
        let hidden = f == 0 && !complete;
        if d > 0
            && best[d][f] == best[d - 1][f].saturating_add(if hidden { 0 } else { absent(d - 1) })
        {
            d -= 1;
            pairs.push(if hidden {
                Pair::Hidden(d)
            } else {
                Pair::Missing(d)
            });
        } else {
            f -= 1;
            pairs.push(Pair::Extra(f));
        }
    }
    pairs.reverse();
    pairs
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Parts by a letter; lower case: optional; `-`: no IDCODE; `?`: nothing known.
    fn expected(text: &str) -> Vec<Expected> {
        text.chars()
            .map(|c| Expected {
                idcodes: match c {
                    '-' | '?' => vec![],
                    _ => vec![Pattern::from_u64(code(c, 0).0.into(), 32)],
                },
                no_idcode: c == '-',
                optional: c.is_ascii_lowercase(),
            })
            .collect()
    }

    fn code(part: char, version: u32) -> IdCode {
        IdCode(version << 28 | u32::from(part.to_ascii_uppercase()) << 12 | 0x0A1)
    }

    fn found(text: &str) -> Vec<Option<IdCode>> {
        let of = |c: char| match c {
            '-' => None,
            // A digit is part A in that version.
            '0'..='9' => Some(code('A', c as u32 - '0' as u32)),
            c => Some(code(c, 0)),
        };
        text.chars().map(of).collect()
    }

    /// As a word: a letter a pair in the order of the chain.
    fn told(declared: &str, seen: &str, complete: bool) -> String {
        let name = |i: usize| declared.chars().nth(i).unwrap();
        align(&expected(declared), &found(seen), complete)
            .iter()
            .map(|p| match *p {
                Pair::Both { declared, fit, .. } => {
                    format!("{}{}", name(declared), ["=", "~", "v", "!"][fit as usize])
                }
                Pair::Missing(d) => format!("{}?", name(d)),
                Pair::Hidden(d) => format!("{}.", name(d)),
                Pair::Extra(_) => "+".to_string(),
            })
            .collect::<Vec<_>>()
            .join(" ")
    }

    #[test]
    fn the_right_device_is_named() {
        for (declared, seen, story) in [
            ("ABCD", "ABCD", "A= B= C= D="),
            ("ABCD", "ABXD", "A= B= C! D="),
            ("ABCD", "ABDD", "A= B= C! D="),
            ("ABCD", "ABD", "A= B= C? D="),
            ("ABCD", "BCD", "A? B= C= D="),
            ("ABCD", "ABC", "A= B= C= D?"),
            ("ABCD", "XABCD", "+ A= B= C= D="),
            ("ABCD", "ABCXD", "A= B= C= + D="),
            ("ABCD", "BACD", "A! B! C= D="),
            ("ABCDe", "ABCD", "A= B= C= D= e?"),
            ("ABCDe", "ABCDE", "A= B= C= D= e="),
            ("ABCDe", "ABCE", "A= B= C= D? e="),
            ("aBcD", "BD", "a? B= c? D="),
            ("ABCDe", "ABCDX", "A= B= C= D= + e?"),
            ("A-?D", "A--D", "A= -= ?~ D="),
            ("A-?D", "AXYD", "A= -! ?~ D="),
            ("AB", "3B", "Av B="),
            ("AB", "-B", "A! B="),
            ("", "A", "+"),
            ("AB", "", "A? B?"),
        ] {
            assert_eq!(told(declared, seen, true), story, "{declared} {seen}");
        }
    }

    #[test]
    fn behind_a_break_devices_are_hidden_not_missing() {
        for (declared, seen, story) in [
            ("ABCD", "CD", "A. B. C= D="),
            ("ABCDe", "CD", "A. B. C= D= e?"),
            ("ABCDe", "CDE", "A. B. C= D= e="),
            ("ABCD", "", "A. B. C. D."),
            ("ABAB", "AB", "A. B. A= B="),
        ] {
            assert_eq!(told(declared, seen, false), story, "{declared} {seen}");
        }
    }

    proptest! {
        #[test]
        fn every_device_stands_in_the_alignment_once_and_in_order(declared in "[A-Da-d?-]{0,8}", seen in "[A-F0-9-]{0,8}", complete: bool) {
            let pairs = align(&expected(&declared), &found(&seen), complete);
            let d: Vec<usize> = pairs.iter().filter_map(|p| match *p {
                Pair::Both { declared, .. } | Pair::Missing(declared) | Pair::Hidden(declared) => Some(declared),
                Pair::Extra(_) => None,
            }).collect();
            let f: Vec<usize> = pairs.iter().filter_map(|p| match *p {
                Pair::Both { found, .. } | Pair::Extra(found) => Some(found),
                _ => None,
            }).collect();
            prop_assert_eq!(d, (0..declared.len()).collect::<Vec<_>>());
            prop_assert_eq!(f, (0..seen.len()).collect::<Vec<_>>());
        }
    }
}
