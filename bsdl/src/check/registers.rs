//! Identity and register access (IEEE 1149.1-2001 clause 12 and Annex B, from memory, clauses not checked).

use super::Subject;
use crate::model::{Instruction, Pattern, RegisterRef, Trit};
use crate::report::Report;
use crate::rules;
use crate::span::Span;

pub(super) fn check(s: Subject<'_>, report: &mut Report<'_>) {
    identity(s, report);
    pairs(s, report);
    for (i, instruction) in s.device.instructions.iter().enumerate() {
        access(s, instruction, s.places.access[i], report);
        captures(
            s,
            instruction,
            s.places.captures[i].unwrap_or_default(),
            report,
        );
    }
    unsaid(s, report);
}

fn identity(s: Subject<'_>, report: &mut Report<'_>) {
    let codes = |codes: &'_ [Pattern], places: &'_ [Span]| -> Vec<(Pattern, Span)> {
        codes.iter().cloned().zip(places.iter().copied()).collect()
    };
    for (code, span) in codes(&s.device.usercodes, &s.places.usercodes) {
        if code.len() != 32 {
            report.add(
                &rules::ID_WIDTH,
                span,
                format!("USERCODE_REGISTER has {} bits, expected 32", code.len()),
            );
        }
    }
    for (code, span) in codes(&s.device.idcodes, &s.places.idcodes) {
        if code.len() != 32 {
            report.add(
                &rules::ID_WIDTH,
                span,
                format!("IDCODE_REGISTER has {} bits, expected 32", code.len()),
            );
            continue;
        }
        if code.bit(0) != Trit::One {
            let message = format!("bit 0 of IDCODE_REGISTER is {}, expected 1", code.bit(0));
            report.add(&rules::ID_BIT_0, span, message);
        }
        // Bits 11 to 1 of the word that marks a chain's end: 000 0111 1111.
        let marker = Pattern::from_u64(0x07f, 11);
        if code.bits()[1..12] == *marker.bits() {
            report.add(
                &rules::ID_MAKER,
                span,
                "the manufacturer field of IDCODE_REGISTER is 00001111111",
            );
        }
    }
}

fn pairs(s: Subject<'_>, report: &mut Report<'_>) {
    let device = s.device;
    let first = |places: &[Span]| places.first().copied().unwrap_or_default();
    match (device.instruction("IDCODE"), device.idcodes.is_empty()) {
        (Some(instruction), true) => {
            let message = "IDCODE is listed, but there is no IDCODE_REGISTER";
            report.add(&rules::IDCODE_PAIR, instruction.span, message);
        }
        (None, false) if !device.instructions.is_empty() => {
            let message = "IDCODE_REGISTER is given, but IDCODE is not listed";
            report.add(&rules::IDCODE_PAIR, first(&s.places.idcodes), message);
        }
        _ => {}
    }
    match (device.instruction("USERCODE"), device.usercodes.is_empty()) {
        (Some(instruction), true) => {
            let message = "USERCODE is listed, but there is no USERCODE_REGISTER";
            report.add(&rules::USERCODE_PAIR, instruction.span, message);
        }
        (None, false) if !device.instructions.is_empty() => {
            let message = "USERCODE_REGISTER is given, but USERCODE is not listed";
            report.add(&rules::USERCODE_PAIR, first(&s.places.usercodes), message);
        }
        (Some(instruction), false) if device.idcodes.is_empty() => {
            report.add(
                &rules::USERCODE_PAIR,
                instruction.span,
                "USERCODE is there without an identity code",
            );
        }
        _ => {}
    }
}

/// The register that the standard fixes for an instruction.
fn fixed(name: &str) -> Option<RegisterRef> {
    let is = |names: &[&str]| names.iter().any(|n| n.eq_ignore_ascii_case(name));
    if is(&["BYPASS", "CLAMP", "HIGHZ"]) {
        Some(RegisterRef::Bypass)
    } else if is(&["EXTEST", "SAMPLE", "PRELOAD", "INTEST"]) {
        Some(RegisterRef::Boundary)
    } else if is(&["IDCODE", "USERCODE"]) {
        Some(RegisterRef::DeviceId)
    } else {
        None
    }
}

fn access(s: Subject<'_>, instruction: &Instruction, place: Option<Span>, report: &mut Report<'_>) {
    let (Some(fixed), Some(named), Some(place)) =
        (fixed(&instruction.name), instruction.access, place)
    else {
        return;
    };
    if fixed != named {
        let message = format!(
            "{} selects {}, expected {}",
            instruction.name,
            s.device.register_name(named),
            s.device.register_name(fixed)
        );
        report.add(&rules::ACCESS_FIXED, place, message);
    }
}

fn captures(s: Subject<'_>, instruction: &Instruction, place: Span, report: &mut Report<'_>) {
    let (Some(captures), Some(register)) = (&instruction.captures, instruction.access) else {
        return;
    };
    let name = s.device.register_name(register);
    if register == RegisterRef::Boundary {
        let message = format!(
            "CAPTURES is given for {} on BOUNDARY, whose cells say it",
            instruction.name
        );
        report.add(&rules::CAPTURES_VALUE, place, message);
        return;
    }
    if let Some(length) = s.device.register_length(register)
        && captures.len() != length as usize
    {
        let message = format!(
            "CAPTURES of {} has {} bits, {name} has {length}",
            instruction.name,
            captures.len()
        );
        report.add(&rules::CAPTURES_WIDTH, place, message);
        return;
    }
    let ids = if instruction.name.eq_ignore_ascii_case("USERCODE") {
        &s.device.usercodes
    } else {
        &s.device.idcodes
    };
    let wrong = match register {
        RegisterRef::Bypass => captures.bits() != [Trit::Zero],
        RegisterRef::DeviceId => !ids.is_empty() && !ids.iter().any(|id| id.overlaps(captures)),
        _ => false,
    };
    if wrong {
        let expected = if register == RegisterRef::Bypass {
            "0"
        } else {
            "the identity code"
        };
        let message = format!(
            "{} captures {captures} into {name}, expected {expected}",
            instruction.name
        );
        report.add(&rules::CAPTURES_VALUE, place, message);
    }
}

/// Instructions of the part's own of which nobody says what they select.
fn unsaid(s: Subject<'_>, report: &mut Report<'_>) {
    let unsaid: Vec<_> = s
        .device
        .instructions
        .iter()
        .filter(|i| !i.private && s.device.register_for(i).is_none())
        .filter(|i| !i.name.eq_ignore_ascii_case("RUNBIST"))
        .collect();
    if let Some(first) = unsaid.first() {
        let names = super::some_of(unsaid.iter().map(|i| i.name.as_str()), 8);
        let message =
            format!("nobody says which register is selected by {names}: taken as private");
        report.add(&rules::ACCESS_UNSAID, first.span, message);
    }
}
