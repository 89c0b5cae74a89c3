//! The rules that diagnostics rest on: code, severity, help and clause of each. What a rule means, with the smallest
//! file that breaks it, is in `explain`.
//!
//! Codes are stable: B0 text and syntax, B1 names and structure, B2 ports and pins, B3 test access port, groups,
//! compliance, B4 instructions, B5 identity and register access, B6 boundary register, B7 tests inside the part,
//! extensions and packages.

mod boundary;
mod instructions;
mod registers;
mod structure;
mod syntax;

pub(crate) use boundary::*;
pub(crate) use instructions::*;
pub(crate) use registers::*;
pub(crate) use structure::*;
pub(crate) use syntax::*;

use crate::diagnostic::Severity;

/// One rule.
#[derive(Debug)]
pub(crate) struct Rule {
    pub(crate) code: &'static str,
    pub(crate) severity: Severity,
    /// True if strict reading makes it an error: the letter of the standard, known well enough.
    pub(crate) letter: bool,
    /// The rule itself, in one line.
    pub(crate) title: &'static str,
    /// How to mend it.
    pub(crate) help: &'static str,
    pub(crate) clause: &'static str,
}

/// Annex B, from memory: the clause number was not checked.
const ANNEX_B: &str = "IEEE 1149.1-2001 Annex B, clause not checked";
/// The lexical rules.
const LEXICAL: &str = "IEEE 1149.1-2001 B.5, from memory";
/// Order and form of the statements.
const STATEMENTS: &str = "IEEE 1149.1-2001 B.8, from memory";
/// Rules of the instruction register.
const INSTRUCTIONS: &str = "IEEE 1149.1-2001 clauses 7 and 8, from memory";
/// Rules of the identity register.
const IDENTITY: &str = "IEEE 1149.1-2001 clause 12, from memory";
/// Standards beside 1149.1-2001.
const BESIDE: &str = "IEEE 1149.6, IEEE 1532 or IEEE 1149.1-2013, from memory, clause not checked";
/// A limit or habit of this reader.
const OURS: &str = "rule of this reader, not of the standard";

/// A fault that loses meaning.
const fn error(
    code: &'static str,
    title: &'static str,
    help: &'static str,
    clause: &'static str,
) -> Rule {
    Rule {
        code,
        severity: Severity::Error,
        letter: true,
        title,
        help,
        clause,
    }
}

/// A departure that leaves the meaning clear; an error in strict reading.
const fn lax(
    code: &'static str,
    title: &'static str,
    help: &'static str,
    clause: &'static str,
) -> Rule {
    Rule {
        code,
        severity: Severity::Warning,
        letter: true,
        title,
        help,
        clause,
    }
}

/// A rule that is known by hearsay or a matter of judgement: a warning always.
const fn doubt(
    code: &'static str,
    title: &'static str,
    help: &'static str,
    clause: &'static str,
) -> Rule {
    Rule {
        code,
        severity: Severity::Warning,
        letter: false,
        title,
        help,
        clause,
    }
}

/// Worth knowing.
const fn note(
    code: &'static str,
    title: &'static str,
    help: &'static str,
    clause: &'static str,
) -> Rule {
    Rule {
        code,
        severity: Severity::Note,
        letter: false,
        title,
        help,
        clause,
    }
}

/// All rules, by code.
pub(crate) fn all() -> impl Iterator<Item = &'static Rule> {
    [
        syntax::ALL,
        structure::ALL,
        instructions::ALL,
        registers::ALL,
        boundary::ALL,
    ]
    .into_iter()
    .flatten()
    .copied()
}

#[cfg(test)]
mod tests {
    #[test]
    fn codes_are_unique_and_ascend() {
        let codes: Vec<_> = super::all().map(|r| r.code).collect();
        assert!(codes.is_sorted_by(|a, b| a < b), "{codes:?}");
        assert!(codes.len() > 60);
    }
}
