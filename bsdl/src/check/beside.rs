//! What standards beside 1149.1-2001 say: registers, values, clocks and supplies of 2013, flows of 1532. All from
//! memory, so all are warnings. Names of attributes are joined: instructions, registers, fields, flows.

use std::collections::{HashMap, HashSet};

use super::Subject;
use crate::model::{
    AssemblyPart, BoundarySegment, Description, FieldValue, FieldedRegister, Pattern, PortMode,
    Range, RegisterAssembly, SystemConfiguration, Trit,
};
use crate::report::Report;
use crate::rules;
use crate::span::Span;

/// Names and what they stand for are compared in capitals.
fn key(name: &str) -> String {
    name.to_ascii_uppercase()
}

pub(super) fn check(s: Subject<'_>, report: &mut Report<'_>) {
    if let Some(description) = &s.device.description {
        let names = Names::new(s, description);
        fields(s, description, report);
        values(s, description, report);
        clocks(s, description, report);
        power(s, description, report);
        assemblies(s, description, &names, report);
        references(description, &names, report);
        segments(s, description, report);
    }
    if let Some(isc) = &s.device.system_configuration {
        flows(s, isc, report);
    }
}

/// A name that nothing bears.
fn stranger(message: String, name: &str, known: &[&str], span: Span, report: &mut Report<'_>) {
    let help = report.suggest(name, known.iter().copied(), rules::BESIDE_NAME.help);
    report.add(&rules::BESIDE_NAME, span, message).help(help);
}

/// Lengths that REGISTER_ACCESS gives, and where.
fn access(s: Subject<'_>) -> HashMap<String, (u32, Span)> {
    let all = s.device.registers.iter();
    all.filter_map(|r| Some((key(&r.name), (r.length?, r.span))))
        .collect()
}

/// Instructions by name, for what names them.
fn instructions(s: Subject<'_>) -> HashSet<String> {
    s.device.instructions.iter().map(|i| key(&i.name)).collect()
}

fn fields(s: Subject<'_>, d: &Description, report: &mut Report<'_>) {
    let access = access(s);
    for register in &d.registers {
        let mut taken: Vec<(u32, u32, usize)> = Vec::new();
        for (i, field) in register.fields.iter().enumerate() {
            let bits: u64 = field.bits.iter().map(|r| r.width()).sum();
            let tops = field.bits.iter().map(|r| r.left.max(r.right));
            let highest = tops.max().unwrap_or(0);
            let name = &field.name;
            if bits != u64::from(field.width) {
                let message = format!("field {name} has {} bits and names {bits}", field.width);
                report.add(&rules::FIELD_BITS, field.span, message);
            } else if highest >= register.length {
                let message = format!(
                    "field {name} names bit {highest} of a register of {} bits",
                    register.length
                );
                report.add(&rules::FIELD_BITS, field.span, message);
            }
            let low_high = |r: &Range| (r.left.min(r.right), r.left.max(r.right), i);
            taken.extend(field.bits.iter().map(low_high));
        }
        taken.sort_unstable();
        if let Some(pair) = taken.windows(2).find(|p| p[1].0 <= p[0].1) {
            let (one, other) = (pair[0].2.min(pair[1].2), pair[0].2.max(pair[1].2));
            let (one, other) = (&register.fields[one], &register.fields[other]);
            let message = format!(
                "bit {} belongs to {} and {}",
                pair[1].0, one.name, other.name
            );
            report
                .add(&rules::FIELD_BITS, other.span, message)
                .also(one.span, "the other field");
        }
        // REGISTER_ACCESS may give the length as well.
        let length = access.get(&key(&register.name)).copied();
        if let Some((length, span)) = length
            && length != register.length
        {
            let message = format!(
                "{} has {length} bits in REGISTER_ACCESS and {} in REGISTER_FIELDS",
                register.name, register.length
            );
            report.add(&rules::BESIDE_LENGTH, span, message);
        }
    }
}

/// DEFAULT, SAFE and the like fit their field.
fn values(s: Subject<'_>, d: &Description, report: &mut Report<'_>) {
    let own = d.mnemonics.iter();
    let all = own.chain(&s.places.package_mnemonics);
    let mut groups: HashMap<String, HashMap<String, Option<Pattern>>> = HashMap::new();
    for group in all {
        let values = group.values.iter();
        let values = values.map(|m| (key(&m.name), m.bits()));
        groups.entry(key(&group.name)).or_default().extend(values);
    }
    let known: Vec<&str> = d.mnemonics.iter().map(|g| g.name.as_str()).collect();
    for field in d.registers.iter().flat_map(|r| &r.fields) {
        for word in ["DEFAULT", "SAFE", "CAPTURES", "RESETVAL"] {
            let bits = match field.value(word) {
                Some(FieldValue::Bits(bits)) => Some(bits),
                Some(FieldValue::Named(group, name)) => match groups.get(&key(&group)) {
                    None if s.places.absent.is_empty() => {
                        let message = format!(
                            "{word} of {} names the group {group}, which is not there",
                            field.name
                        );
                        stranger(message, &group, &known, field.span, report);
                        continue;
                    }
                    None => continue,
                    Some(values) => match values.get(&key(&name)) {
                        None => {
                            let message = format!(
                                "{word} of {} names {name}, which {group} has not",
                                field.name
                            );
                            report.add(&rules::BESIDE_NAME, field.span, message);
                            continue;
                        }
                        Some(bits) => bits.clone(),
                    },
                },
                _ => None,
            };
            if let Some(bits) = bits.filter(|b| !fits(b, field.width)) {
                let message = format!(
                    "{word} of {} has {} bits, the field has {}",
                    field.name,
                    bits.len(),
                    field.width
                );
                report.add(&rules::FIELD_VALUE, field.span, message);
            }
        }
    }
}

/// As many bits as the field, or as hexadecimal digits give, the bits too many being 0.
fn fits(bits: &Pattern, width: u32) -> bool {
    let (len, width) = (bits.len(), width as usize);
    let padded = len.is_multiple_of(4) && len > width && len - width < 4;
    len == width || padded && bits.bits()[width..].iter().all(|b| *b == Trit::Zero)
}

fn clocks(s: Subject<'_>, d: &Description, report: &mut Report<'_>) {
    let known = instructions(s);
    for clock in &d.clocks {
        let name = s.device.bit_name(clock.port);
        if clock.min_hz > clock.max_hz || clock.max_hz <= 0.0 {
            let message = format!(
                "{name} must run at {} Hz at least and {} Hz at most",
                clock.min_hz, clock.max_hz
            );
            report.add(&rules::CLOCK_RATES, clock.span, message);
        }
        let mode = s.device.port_of(clock.port).map(|p| p.mode);
        if mode.is_some_and(|m| !matches!(m, PortMode::In | PortMode::InOut)) {
            let message = format!("{name} cannot be clocked: it is no input");
            report.add(&rules::CLOCK_RATES, clock.span, message);
        }
        for instruction in &clock.instructions {
            no_instruction(
                s,
                &known,
                instruction,
                clock.span,
                "SYSCLOCK_REQUIREMENTS",
                report,
            );
        }
    }
}

fn no_instruction(
    s: Subject<'_>,
    known: &HashSet<String>,
    name: &str,
    span: Span,
    place: &str,
    report: &mut Report<'_>,
) {
    if known.is_empty() || known.contains(&key(name)) {
        return;
    }
    let message = format!("{place} names {name}, which has no opcode");
    let known = s.device.instructions.iter().map(|i| i.name.as_str());
    let help = report.suggest(name, known, rules::BESIDE_NAME.help);
    report.add(&rules::BESIDE_NAME, span, message).help(help);
}

fn power(s: Subject<'_>, d: &Description, report: &mut Report<'_>) {
    for one in &d.power {
        let name = s.device.bit_name(one.power);
        let mode = |bit| s.device.port_of(bit).map(|p| p.mode);
        let Some(supply) = mode(one.power) else {
            continue;
        };
        if supply.is_digital() {
            let message = format!("{name} feeds others, but is {}", supply.as_str());
            report.add(&rules::POWER_MODE, one.span, message);
        }
        let is_power = |m: PortMode| {
            matches!(
                m,
                PortMode::PowerPos | PortMode::Power0 | PortMode::PowerNeg
            )
        };
        let fed = one.ports.iter().find(|b| mode(**b).is_some_and(is_power));
        if let Some(fed) = fed {
            let message = format!(
                "{name} feeds {}, which is a supply itself",
                s.device.bit_name(*fed)
            );
            report.add(&rules::POWER_MODE, one.span, message);
        }
    }
}

/// Lengths of registers and kinds of segments, by name; `None` where it is not known.
struct Names<'a> {
    lengths: HashMap<String, Option<u64>>,
    registers: HashMap<String, &'a FieldedRegister>,
    assemblies: HashMap<String, &'a RegisterAssembly>,
    /// For suggestions.
    shown: Vec<&'a str>,
    /// A package that may hold more is not at hand.
    open: bool,
}

impl<'a> Names<'a> {
    fn new(s: Subject<'a>, d: &'a Description) -> Self {
        let mut lengths: HashMap<String, Option<u64>> = s.places.package_registers.clone();
        lengths.extend(
            d.assemblies
                .iter()
                .map(|a| (key(&a.name), a.length.map(u64::from))),
        );
        lengths.extend(
            d.segments
                .iter()
                .map(|b| (key(&b.name), Some(u64::from(b.length)))),
        );
        lengths.extend(
            d.registers
                .iter()
                .map(|r| (key(&r.name), Some(u64::from(r.length)))),
        );
        let shown = d.registers.iter().map(|r| r.name.as_str());
        let shown = shown.chain(d.segments.iter().map(|b| b.name.as_str()));
        Self {
            lengths,
            registers: d.registers.iter().map(|r| (key(&r.name), r)).collect(),
            assemblies: d.assemblies.iter().map(|a| (key(&a.name), a)).collect(),
            shown: shown
                .chain(d.assemblies.iter().map(|a| a.name.as_str()))
                .collect(),
            open: !s.places.absent.is_empty(),
        }
    }

    /// The length of a kind, whose name may have its package's before a dot.
    fn kind(&self, kind: &str) -> Option<&Option<u64>> {
        let last = kind.rsplit('.').next().unwrap_or(kind);
        self.lengths.get(&key(last))
    }

    /// Bits of an assembled register, if all its parts are known and none can be left out.
    fn sum(&self, assembly: &RegisterAssembly) -> Option<u64> {
        let mut sum = 0u64;
        for part in &assembly.parts {
            match part {
                AssemblyPart::Using { .. } => {}
                AssemblyPart::Choice { .. } => return None,
                AssemblyPart::Segment(segment) => {
                    let one = match (&segment.width, &segment.kind) {
                        (Some(width), _) => u64::from(*width),
                        (None, Some(kind)) => (*self.kind(kind)?)?,
                        (None, None) => return None,
                    };
                    let count = segment.range.map_or(1, Range::width);
                    sum = sum.checked_add(one.checked_mul(count)?)?;
                }
            }
        }
        Some(sum)
    }
}

fn assemblies(s: Subject<'_>, d: &Description, names: &Names<'_>, report: &mut Report<'_>) {
    let access = access(s);
    for assembly in &d.assemblies {
        let packages = assembly.parts.iter().any(|p| {
            let AssemblyPart::Using { package } = p else {
                return false;
            };
            !s.places.package_names.contains(&key(package))
        });
        for part in &assembly.parts {
            let AssemblyPart::Segment(segment) = part else {
                continue;
            };
            if let Some(kind) = &segment.kind
                && names.kind(kind).is_none()
                && !names.open
                && !packages
                && !kind.contains('.')
            {
                let message = format!("{} is a {kind}, which nobody describes", segment.name);
                stranger(message, kind, &names.shown, segment.span, report);
            }
        }
        let own = access.get(&key(&assembly.name)).map(|(length, _)| *length);
        let written = assembly.length.or(own).map(u64::from);
        if let (Some(sum), Some(written)) = (names.sum(assembly), written)
            && sum != written
        {
            let message = format!("{} has {written} bits, its parts have {sum}", assembly.name);
            report.add(&rules::BESIDE_LENGTH, assembly.span, message);
        }
    }
}

/// Registers and fields that constraints and associations name.
fn references(d: &Description, names: &Names<'_>, report: &mut Report<'_>) {
    if names.open {
        return;
    }
    // Of each register, the names of its fields and segments.
    let mut inside: HashMap<&str, HashSet<String>> = HashMap::new();
    for (name, register) in &names.registers {
        let all = register.fields.iter().map(|f| key(&f.name));
        inside.entry(name).or_default().extend(all);
    }
    for (name, assembly) in &names.assemblies {
        let segments = assembly.parts.iter().filter_map(|p| match p {
            AssemblyPart::Segment(segment) => Some(key(&segment.name)),
            _ => None,
        });
        inside.entry(name).or_default().extend(segments);
    }
    let first = |path: &str| key(path.split(['.', '(']).next().unwrap_or(path).trim());
    for constraint in &d.constraints {
        let register = key(&constraint.register);
        let Some(fields) = inside.get(register.as_str()) else {
            if !names.lengths.contains_key(&register) {
                let message = format!(
                    "REGISTER_CONSTRAINTS names {}, which nobody describes",
                    constraint.register
                );
                stranger(
                    message,
                    &constraint.register,
                    &names.shown,
                    constraint.span,
                    report,
                );
            }
            continue;
        };
        let own = |path: &&String| {
            let first = first(path);
            !fields.contains(&first) && first != register
        };
        if let Some(field) = constraint.fields.iter().find(own) {
            let message = format!("{} has no field {field}", constraint.register);
            report.add(&rules::BESIDE_NAME, constraint.span, message);
        }
    }
    let everything: HashSet<&String> = inside.values().flatten().collect();
    for association in &d.associations {
        let head = first(&association.path);
        if !names.lengths.contains_key(&head) && !everything.contains(&head) {
            let message = format!(
                "REGISTER_ASSOCIATION names {}, which nobody describes",
                association.path
            );
            stranger(
                message,
                &association.path,
                &names.shown,
                association.span,
                report,
            );
        }
    }
}

fn segments(s: Subject<'_>, d: &Description, report: &mut Report<'_>) {
    for segment in &d.segments {
        numbers(segment, report);
    }
    let boundary = d
        .assemblies
        .iter()
        .find(|a| a.name.eq_ignore_ascii_case("BOUNDARY"));
    if let Some(length) = d.assembled_length {
        if length.after_reset > length.all {
            let message = format!(
                "the boundary register has {} bits after reset and {} with all segments",
                length.after_reset, length.all
            );
            report.add(&rules::BESIDE_LENGTH, length.span, message);
        }
        let names = Names::new(s, d);
        if let Some(sum) = boundary.and_then(|b| names.sum(b))
            && sum != u64::from(length.all)
        {
            let message = format!(
                "the segments of the boundary register have {sum} bits, not {}",
                length.all
            );
            report.add(&rules::BESIDE_LENGTH, length.span, message);
        }
    }
    let place = d.assembled_length.map(|l| l.span);
    let place = place.or(boundary.map(|b| b.span));
    let place = place.or(d.segments.first().map(|b| b.span));
    if let Some(place) = place.filter(|_| s.device.cells.is_empty()) {
        let message = "the boundary register is put together from segments, and there is no table of the whole";
        report.add(&rules::SEGMENTS_ONLY, place, message);
    }
}

/// A segment has a line for each of its bits, and its drivers are switched inside it.
fn numbers(segment: &BoundarySegment, report: &mut Report<'_>) {
    let mut known: Vec<u32> = segment.cells.iter().map(|c| c.number).collect();
    known.sort_unstable();
    known.dedup();
    if let Some(cell) = segment.cells.iter().find(|c| c.number >= segment.length) {
        let message = format!(
            "cell {} does not fit segment {} of {} bits",
            cell.number, segment.name, segment.length
        );
        report.add(&rules::BESIDE_LENGTH, cell.span, message);
    } else if (known.len() as u64) < u64::from(segment.length) {
        let message = format!(
            "segment {} has {} bits and cells for {}",
            segment.name,
            segment.length,
            known.len()
        );
        report.add(&rules::BESIDE_LENGTH, segment.span, message);
    }
    for cell in &segment.cells {
        let lost = |c: &crate::model::Disable| known.binary_search(&c.cell).is_err();
        if let Some(control) = cell.control.filter(lost) {
            let message = format!(
                "cell {} of segment {} is controlled by cell {}, which the segment has not",
                cell.number, segment.name, control.cell
            );
            report.add(&rules::BESIDE_NAME, cell.span, message);
        }
    }
}

fn flows(s: Subject<'_>, isc: &SystemConfiguration, report: &mut Report<'_>) {
    let known = instructions(s);
    for flow in &isc.flows {
        for step in flow.blocks.iter().flat_map(|b| &b.steps) {
            no_instruction(s, &known, &step.instruction, step.span, "ISC_FLOW", report);
        }
    }
    let flows: Vec<&str> = isc.flows.iter().map(|f| f.name.name.as_str()).collect();
    let known: HashSet<String> = flows.iter().map(|f| key(f)).collect();
    for procedure in isc.procedures.iter().filter(|_| !flows.is_empty()) {
        let lost = |f: &&crate::model::DataName| !known.contains(&key(&f.name));
        if let Some(flow) = procedure.flows.iter().find(lost) {
            let message = format!(
                "{} runs {}, which is no flow",
                procedure.name.name, flow.name
            );
            stranger(message, &flow.name, &flows, procedure.span, report);
        }
    }
    let procedures: Vec<&str> = isc
        .procedures
        .iter()
        .map(|p| p.name.name.as_str())
        .collect();
    let known: HashSet<String> = procedures.iter().map(|p| key(p)).collect();
    for action in isc.actions.iter().filter(|_| !procedures.is_empty()) {
        let lost = |p: &&crate::model::ActionStep| !known.contains(&key(&p.procedure.name));
        if let Some(step) = action.procedures.iter().find(lost) {
            let name = &step.procedure.name;
            let message = format!("{} runs {name}, which is no procedure", action.name.name);
            stranger(message, name, &procedures, action.span, report);
        }
    }
}
