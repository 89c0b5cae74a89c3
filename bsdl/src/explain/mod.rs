//! What each code means, why it matters, and a small file that breaks the rule.

mod samples;
mod whys;

use crate::diagnostic::Severity;
use crate::rules;

/// One rule in full.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Explanation {
    /// The code.
    pub code: &'static str,
    /// Severity when reading is not strict.
    pub severity: Severity,
    /// The rule in one line.
    pub rule: &'static str,
    /// Why it matters at the bench.
    pub why: &'static str,
    /// Severity when reading is strict.
    pub severity_strict: Severity,
    /// How to mend it.
    pub help: &'static str,
    /// Edition and clause.
    pub clause: &'static str,
    /// A small file that breaks this rule.
    pub sample: String,
}

/// Explains a code, case ignored; `None` for codes that the reader does not use.
///
/// ```
/// let e = taploom_bsdl::explain("b601").unwrap();
/// assert_eq!(e.rule, "every number from 0 to BOUNDARY_LENGTH - 1 has a cell");
/// ```
pub fn explain(code: &str) -> Option<Explanation> {
    let rule = rules::all().find(|r| r.code.eq_ignore_ascii_case(code))?;
    Some(Explanation {
        code: rule.code,
        severity: rule.severity,
        severity_strict: if rule.letter {
            Severity::Error
        } else {
            rule.severity
        },
        rule: rule.title,
        why: whys::why(rule.code),
        help: rule.help,
        clause: rule.clause,
        sample: samples::sample(rule.code),
    })
}

/// All codes, in order.
pub fn codes() -> impl Iterator<Item = &'static str> {
    rules::all().map(|r| r.code)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Options, parse, print};

    #[test]
    fn the_good_file_has_no_diagnostic() {
        let strict = Options {
            strict: true,
            ..Options::default()
        };
        let outcome = parse(samples::GOOD.as_bytes(), &strict);
        assert_eq!(outcome.diagnostics, []);
        let device = outcome.device.unwrap();
        assert_eq!(
            (
                device.ports.len(),
                device.cells.len(),
                device.instructions.len()
            ),
            (8, 4, 7)
        );
    }

    /// Each sample brings out its code, reads without panic, and prints and reads again as the same model.
    #[test]
    fn every_sample_breaks_its_rule() {
        for code in codes() {
            let e = explain(code).unwrap();
            assert!(
                !e.why.is_empty() && !e.help.is_empty(),
                "{code}: nobody says why, or how to mend it"
            );
            let outcome = parse(e.sample.as_bytes(), &Options::default());
            let found: Vec<_> = outcome
                .diagnostics
                .iter()
                .map(|d| (d.code, &d.message))
                .collect();
            assert!(
                found.iter().any(|(c, _)| *c == code),
                "{code}: found {found:?} in\n{}",
                e.sample
            );
            assert!(
                found.len() <= 4,
                "{code}: one fault, many complaints: {found:#?}"
            );
            let severity = outcome
                .diagnostics
                .iter()
                .find(|d| d.code == code)
                .unwrap()
                .severity;
            assert_eq!(severity, e.severity, "{code}");
            if let Some(device) = outcome.device {
                let again = parse(print(&device).as_bytes(), &Options::default())
                    .device
                    .unwrap();
                assert!(
                    device.same_model(&again),
                    "{code}: printed\n{}",
                    print(&device)
                );
            }
        }
    }

    #[test]
    fn strict_reading_makes_errors_of_departures() {
        let strict = Options {
            strict: true,
            ..Options::default()
        };
        for rule in rules::all() {
            let outcome = parse(explain(rule.code).unwrap().sample.as_bytes(), &strict);
            let severity = outcome
                .diagnostics
                .iter()
                .find(|d| d.code == rule.code)
                .unwrap()
                .severity;
            assert_eq!(severity == Severity::Error, rule.letter, "{}", rule.code);
        }
    }

    #[test]
    fn severities_can_be_set_by_code() {
        let relaxed = Options {
            severities: vec![("B413".into(), Severity::Note)],
            ..Options::default()
        };
        let outcome = parse(explain("B413").unwrap().sample.as_bytes(), &relaxed);
        assert!(!outcome.has_errors() && outcome.count(Severity::Note) == 1);
    }
}
