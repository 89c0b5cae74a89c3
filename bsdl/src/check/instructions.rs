//! Instruction register (IEEE 1149.1-2001 clauses 7 and 8, from memory).

use std::collections::HashMap;

use super::Subject;
use crate::model::{Instruction, Pattern, Trit};
use crate::report::Report;
use crate::rules;
use crate::span::Span;

/// More codes than this are compared for equality only, not for overlap by X.
const COMPARED: usize = 512;

pub(super) fn check(s: Subject<'_>, report: &mut Report<'_>) {
    let length = s.device.instruction_length;
    let too_long = length == 0 && s.places.instruction_too_long;
    if length < 2 && !too_long && s.places.instruction_length != Span::default() {
        let message = format!("INSTRUCTION_LENGTH is {length}, expected 2 or more");
        report.add(&rules::IR_LENGTH, s.places.instruction_length, message);
    }
    widths(s, report);
    capture(s, report);
    if !s.device.instructions.is_empty() {
        mandatory(s, report);
        taken(s, report);
        shared(s, report);
    }
    for instruction in s.device.instructions.iter().filter(|i| i.private) {
        if is(instruction, &["EXTEST", "BYPASS", "SAMPLE", "PRELOAD"]) {
            let message = format!("{} is private", instruction.name);
            report
                .add(&rules::PRIVATE_PUBLIC, s.places.private, message)
                .also(instruction.span, "its codes");
        } else if is(
            instruction,
            &["CLAMP", "HIGHZ", "IDCODE", "USERCODE", "INTEST", "RUNBIST"],
        ) {
            let message = format!(
                "{} is private, and the standard gives its name a meaning",
                instruction.name
            );
            report
                .add(&rules::PRIVATE_STANDARD, s.places.private, message)
                .also(instruction.span, "its codes");
        }
    }
}

fn is(instruction: &Instruction, names: &[&str]) -> bool {
    names
        .iter()
        .any(|n| n.eq_ignore_ascii_case(&instruction.name))
}

/// All codes with their instruction and place.
fn codes<'a>(s: Subject<'a>) -> impl Iterator<Item = (&'a Instruction, &'a Pattern, Span)> {
    let places = &s.places.opcodes;
    s.device
        .instructions
        .iter()
        .zip(places)
        .flat_map(|(instruction, spans)| {
            instruction
                .opcodes
                .iter()
                .zip(spans)
                .map(move |(code, span)| (instruction, code, *span))
        })
}

fn widths(s: Subject<'_>, report: &mut Report<'_>) {
    let length = s.device.instruction_length as usize;
    if length == 0 {
        return;
    }
    let all: Vec<usize> = codes(s).map(|(_, code, _)| code.len()).collect();
    if let [width, .., last] = all[..]
        && width != length
        && last == width
        && all.iter().all(|w| *w == width)
    {
        // All codes agree among themselves: the length is the likelier fault.
        let message = format!("INSTRUCTION_LENGTH is {length}, all opcodes have {width} bits");
        let place = codes(s).next().map_or(Span::default(), |(_, _, span)| span);
        report
            .add(&rules::OPCODE_WIDTH, s.places.instruction_length, message)
            .also(place, "the first opcode")
            .help("a wrong length breaks every scan of the chain: check the data sheet");
        return;
    }
    for (instruction, code, span) in codes(s) {
        if code.len() != length {
            let message = format!(
                "opcode {code} of {} has {} bits, expected {length}",
                instruction.name,
                code.len()
            );
            report
                .add(&rules::OPCODE_WIDTH, span, message)
                .also(s.places.instruction_length, "INSTRUCTION_LENGTH");
        } else if !code.is_fixed() && !instruction.private {
            let message = format!("opcode {code} of {} has an X", instruction.name);
            report.add(&rules::OPCODE_X, span, message);
        }
    }
}

fn capture(s: Subject<'_>, report: &mut Report<'_>) {
    let Some(capture) = &s.device.instruction_capture else {
        return;
    };
    let (place, length) = (s.places.capture, s.device.instruction_length as usize);
    if length > 0 && capture.len() != length {
        let message = format!(
            "INSTRUCTION_CAPTURE has {} bits, expected {length}",
            capture.len()
        );
        report
            .add(&rules::CAPTURE_WIDTH, place, message)
            .also(s.places.instruction_length, "INSTRUCTION_LENGTH");
    }
    if !(capture.len() >= 2 && capture.bit(0) == Trit::One && capture.bit(1) == Trit::Zero) {
        report.add(
            &rules::CAPTURE_01,
            place,
            format!("INSTRUCTION_CAPTURE is {capture}, expected it to end in 01"),
        );
    }
}

fn mandatory(s: Subject<'_>, report: &mut Report<'_>) {
    let device = s.device;
    let list = device.instructions[0].span;
    let ones = vec![true; device.instruction_length as usize];
    let zeros = vec![false; device.instruction_length as usize];
    let has = |instruction: &Instruction, bits: &[bool]| {
        instruction.opcodes.iter().any(|o| o.matches(bits))
    };
    if let Some(bypass) = device.instruction("BYPASS")
        && !ones.is_empty()
        && !has(bypass, &ones)
    {
        let message = format!("BYPASS lacks the code of {} ones", ones.len());
        report.add(&rules::BYPASS_CODE, bypass.span, message);
    }
    match device.instruction("EXTEST") {
        None => {
            report.add(&rules::NO_EXTEST, list, "EXTEST is not listed");
        }
        Some(extest) if s.is_before_2001() && !zeros.is_empty() && !has(extest, &zeros) => {
            let message = format!("EXTEST lacks the code of {} zeros", zeros.len());
            let help = "the edition that the part claims demands it; from 2001 on any code will do";
            report
                .add(&rules::EXTEST_ZEROS, extest.span, message)
                .help(help);
        }
        Some(_) => {}
    }
    match (device.instruction("SAMPLE"), device.instruction("PRELOAD")) {
        (None, _) => {
            report.add(&rules::NO_SAMPLE, list, "SAMPLE is not listed");
        }
        (Some(sample), None) if s.rules_of().is_some() && !s.is_before_2001() => {
            report.add(&rules::NO_PRELOAD, sample.span, "PRELOAD is not listed");
        }
        _ => {}
    }
}

/// All ones and all zeros in the wrong hands.
fn taken(s: Subject<'_>, report: &mut Report<'_>) {
    for (instruction, code, span) in codes(s) {
        if code.len() != s.device.instruction_length as usize {
            continue;
        }
        let all = |trit| code.bits().iter().all(|t| *t == trit);
        if all(Trit::One) && !is(instruction, &["BYPASS"]) {
            report.add(
                &rules::ONES_TAKEN,
                span,
                format!("{} has the code of all ones", instruction.name),
            );
        } else if all(Trit::Zero) && s.is_before_2001() && !is(instruction, &["EXTEST"]) {
            let message = format!("{} has the code of all zeros", instruction.name);
            let help = "the edition that the part claims keeps it for EXTEST";
            report.add(&rules::ZEROS_TAKEN, span, message).help(help);
        }
    }
}

fn shared(s: Subject<'_>, report: &mut Report<'_>) {
    let all: Vec<_> = codes(s).collect();
    let mut tell = |one: &(&Instruction, &Pattern, Span),
                    other: &(&Instruction, &Pattern, Span)| {
        let equivalent = is(one.0, &["SAMPLE", "PRELOAD"]) && is(other.0, &["SAMPLE", "PRELOAD"]);
        let told = |code: &Pattern| code.bits().iter().all(|t| *t == Trit::One);
        if std::ptr::eq(one.0, other.0)
            || equivalent
            || (one.0.private && other.0.private)
            || told(one.1)
        {
            return;
        }
        let message = format!(
            "{} and {} share the code {}",
            one.0.name, other.0.name, other.1
        );
        report
            .add(&rules::SHARED_CODE, other.2, message)
            .also(one.2, format!("{} has it here", one.0.name));
    };
    if all.len() <= COMPARED {
        for (i, other) in all.iter().enumerate() {
            if let Some(one) = all[..i].iter().find(|one| one.1.overlaps(other.1)) {
                tell(one, other);
            }
        }
        return;
    }
    let mut first: HashMap<&Pattern, usize> = HashMap::new();
    for (i, other) in all.iter().enumerate() {
        let before = *first.entry(other.1).or_insert(i);
        if before != i {
            tell(&all[before], other);
        }
    }
}
