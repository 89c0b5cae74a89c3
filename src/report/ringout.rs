//! A ring-out as JSON and as text.

use serde_json::{Value, json};

use crate::board::{Board, Place, Wire};
use crate::ringout::{Evidence, Method, Rehearsal, RingOut, Untested, Verdict, WireVerdict};

use super::{Table, plural};

/// The fields of the document `taploom.ringout.v1`.
pub fn ringout_fields(result: &RingOut, board: &Board) -> Value {
    json!({
        "board": board.name,
        "method": result.method.as_str(),
        "wires": result.wires.iter().map(|w| wire_value(w, board)).collect::<Vec<_>>(),
        "findings": result.findings.iter().map(|f| json!({
            "wires": f.wires.iter().map(|w| board.wires[w.0].label.clone()).collect::<Vec<_>>(),
            "what": f.says,
            "mend": f.mend,
        })).collect::<Vec<_>>(),
        "notes": result.notes,
        "vectors": result.vectors,
        "looks": result.looks,
        "repeated": result.repeated,
        "counts": result.counts(),
        "good_means": {
            "looks": result.assurance.looks,
            "failing_share": result.assurance.failing_share(),
            "early_wires": result.assurance.early,
            "early_ns": result.assurance.early_ns,
            "settle_ns": result.assurance.settle_ns,
            "ohms": result.assurance.ohms(),
        },
    })
}

fn wire_value(w: &WireVerdict, board: &Board) -> Value {
    let wire = &board.wires[w.wire.0];
    json!({
        "label": wire.label,
        "colour": wire.colour,
        "from": wire.from.to_string(),
        "to": wire.to.to_string(),
        "signal": wire.signal,
        "verdict": w.verdict.as_str(),
        "with": w.with,
        "alternatives": w.alternatives.iter().map(|a| json!({
            "verdict": a.verdict.as_str(), "with": a.with, "decide": a.decide,
        })).collect::<Vec<_>>(),
        "why_untested": w.untested.as_ref().map(ToString::to_string),
        "how_to_test": w.untested.as_ref().map(Untested::how),
        "what": w.says,
        "mend": w.mend,
        "contact": { "looks": w.looks, "misses": w.misses, "early": w.early },
        "evidence": w.evidence.iter().map(evidence_value).collect::<Vec<_>>(),
    })
}

fn evidence_value(e: &Evidence) -> Value {
    json!({
        "driven": e.driven.iter().map(|(pin, level)| json!({
            "pin": pin.to_string(), "level": u8::from(level.bit()),
        })).collect::<Vec<_>>(),
        "heard": e.heard.iter().map(|h| json!({
            "pin": h.pin.to_string(),
            "expected": h.expected.map(|l| u8::from(l.bit())),
            "read": u8::from(h.read.bit()),
        })).collect::<Vec<_>>(),
    })
}

/// Whether the wire is a supply or ground wire: never proven by scan, never a fault of it.
fn is_supply(w: &WireVerdict) -> bool {
    matches!(w.untested, Some(Untested::Supply | Untested::Ground))
}

/// Whether the wire was asked for.
fn is_asked(w: &WireVerdict) -> bool {
    !matches!(w.untested, Some(Untested::NotAskedFor))
}

/// "22 good, 2 swapped, 1 open; 3 supply and ground wires not proven by scan".
pub fn ringout_counts(result: &RingOut) -> String {
    let mut parts: Vec<String> = Vec::new();
    for (verdict, word) in Verdict::ALL {
        let n = result
            .wires
            .iter()
            .filter(|w| w.verdict == verdict && !is_supply(w) && is_asked(w))
            .count();
        if n > 0 {
            parts.push(format!("{n} {word}"));
        }
    }
    let supply = result.wires.iter().filter(|w| is_supply(w)).count();
    let mut text = if parts.is_empty() {
        "no wires".to_owned()
    } else {
        parts.join(", ")
    };
    if supply > 0 {
        text.push_str(&format!(
            "; {} not proven by scan",
            plural(supply, "supply or ground wire")
        ));
    }
    text
}

/// The ring-out as text: every wire, what is wrong and how to mend it, what was not proven.
pub fn ringout_text(result: &RingOut, board: &Board, last_good: Option<&str>) -> String {
    let all = plural(result.wires.len(), "wire");
    let wires = match result.wires.iter().filter(|w| is_asked(w)).count() {
        asked if asked == result.wires.len() => all,
        asked => format!("{asked} of {all}"),
    };
    let mut lines = vec![
        format!("{}: {wires} rung out, {}", board.name, result.method),
        format!("  {}", ringout_counts(result)),
        String::new(),
    ];
    let mut table = Table::new(&["wire", "colour", "from", "to", "signal", "verdict"]);
    for w in result.wires.iter().filter(|w| is_asked(w)) {
        let wire = &board.wires[w.wire.0];
        table.row([
            wire.label.clone(),
            wire.colour.clone(),
            place_text(&wire.from),
            place_text(&wire.to),
            wire.signal.clone(),
            verdict_text(w),
        ]);
    }
    lines.extend(table.lines());
    lines.extend(what_is_wrong(result, board));
    lines.extend(good_means(result));
    let asked = result.wires.iter().filter(|w| is_asked(w));
    lines.extend(not_proven(asked.filter_map(|w| {
        let wire = &board.wires[w.wire.0];
        Some((wire, w.untested.as_ref()?))
    })));
    if let Some(last_good) = last_good {
        lines.push(String::new());
        lines.push(last_good.to_owned());
    }
    lines.join("\n") + "\n"
}

/// How far the word good reaches: how many looks, and how much resistance.
fn good_means(result: &RingOut) -> Vec<String> {
    let good = result.counts().get("good").copied().unwrap_or(0);
    let assurance = &result.assurance;
    let Some(share) = assurance.failing_share().filter(|_| good > 0) else {
        return Vec::new();
    };
    let mut lines = vec![
        String::new(),
        format!(
            "Good means: contact at every look, {} or more a wire; a joint that fails at fewer than {:.0} in 100 may pass (95 % sure): \
             `--repeat` looks more often",
            assurance.looks,
            100.0 * share
        ),
    ];
    if let Some(ohms) = assurance.ohms() {
        let looked = match assurance.early {
            0 if assurance.settle_ns > 0 => format!(
                "looked at {} µs after a change: `--resistance` looks at once",
                assurance.settle_ns / 1000
            ),
            n if n > 0 && n < good => format!(
                "looked at {} ns after a change, {} apart",
                assurance.early_ns.unwrap_or_default(),
                plural(good - n, "wire")
            ),
            _ => format!(
                "looked at {} ns after a change",
                assurance.early_ns.unwrap_or_default()
            ),
        };
        lines.push(format!(
            "and less than about {} kOhm in series into 50 pF ({looked})",
            ohms.div_ceil(1000)
        ));
    }
    lines
}

/// What was not proven and how it could be: wires that want the same are told together.
fn not_proven<'a>(wires: impl Iterator<Item = (&'a Wire, &'a Untested)>) -> Vec<String> {
    let mut groups: Vec<(&Untested, Vec<String>)> = Vec::new();
    for (wire, why) in wires {
        let name = format!("{} {}", wire.label, bracketed(wire));
        let same = |u: &Untested| {
            std::mem::discriminant(u) == std::mem::discriminant(why) && u.how() == why.how()
        };
        match groups.iter_mut().find(|(u, _)| same(u)) {
            Some((_, names)) => names.push(name),
            None => groups.push((why, vec![name])),
        }
    }
    let mut lines = Vec::new();
    if !groups.is_empty() {
        lines.extend([String::new(), "Not proven".to_owned()]);
    }
    for (why, names) in groups {
        let plain = matches!(
            why,
            Untested::Supply | Untested::Ground | Untested::NotAskedFor | Untested::Bridged
        );
        let others = if names.len() > 1 && !plain {
            " (the first of them)"
        } else {
            ""
        };
        lines.extend(names.chunks(6).map(|c| format!("  {}", c.join(", "))));
        lines.push(format!("     why   {why}{others}"));
        lines.push(format!("     mend  {}", why.how()));
    }
    lines
}

fn bracketed(wire: &Wire) -> String {
    let parts: Vec<&str> = [wire.colour.as_str(), wire.signal.as_str()]
        .into_iter()
        .filter(|p| !p.is_empty())
        .collect();
    format!("({})", parts.join(", "))
}

/// A place, with the name that a socket pin has.
fn place_text(place: &Place) -> String {
    match place {
        Place::SocketPin(pin) => format!("{pin} ({})", pin.signal),
        other => other.to_string(),
    }
}

/// The verdict with whom, as in the table: `swapped with W08`.
fn verdict_text(w: &WireVerdict) -> String {
    if w.with.is_empty() {
        return w.verdict.to_string();
    }
    let link = if w.verdict == Verdict::Misplaced {
        "on"
    } else {
        "with"
    };
    format!("{} {link} {}", w.verdict, w.with.join(", "))
}

/// One numbered paragraph a fault: findings about several wires first, then single wires that
/// none of them explains.
fn what_is_wrong(result: &RingOut, board: &Board) -> Vec<String> {
    let mut paragraphs: Vec<(String, String, Vec<String>)> = Vec::new();
    for finding in &result.findings {
        paragraphs.push((finding.says.clone(), finding.mend.clone(), vec![]));
    }
    for w in &result.wires {
        let explained = result.findings.iter().any(|f| f.wires.contains(&w.wire));
        let label = |v: &WireVerdict| &board.wires[v.wire.0].label;
        // Partners say the same of each other: the first one says it.
        let told = result
            .wires
            .iter()
            .take_while(|v| v.wire != w.wire)
            .any(|v| {
                v.verdict == w.verdict
                    && matches!(w.verdict, Verdict::Swapped | Verdict::Short)
                    && v.with.contains(label(w))
                    && w.with.contains(label(v))
            });
        if w.says.is_empty() || explained || told || w.untested.is_some() {
            continue;
        }
        let other = w
            .alternatives
            .iter()
            .map(|a| {
                let with = if a.with.is_empty() {
                    String::new()
                } else {
                    format!(" {}", a.with.join(", "))
                };
                format!("or {}{with}: {}", a.verdict, a.decide)
            })
            .collect();
        paragraphs.push((w.says.clone(), w.mend.clone(), other));
    }
    let mut lines = Vec::new();
    if !paragraphs.is_empty() {
        lines.push(String::new());
        lines.push("What is wrong".to_owned());
    }
    for (i, (says, mend, other)) in paragraphs.into_iter().enumerate() {
        lines.push(format!("  {}. {says}", i + 1));
        if !mend.is_empty() {
            lines.push(format!("     mend  {mend}"));
        }
        lines.extend(other.into_iter().map(|o| format!("     {o}")));
    }
    lines
}

/// What is wrong with the wires, fault by fault with the mend, then what was not tested though it should be: supply and
/// ground wires are left out.
pub(crate) fn faults_of(result: &RingOut, board: &Board) -> Vec<String> {
    let mut lines = what_is_wrong(result, board);
    let untested = result.wires.iter().filter_map(|w| {
        let why = w.untested.as_ref()?;
        let wanted = !matches!(
            why,
            Untested::Supply | Untested::Ground | Untested::NotAskedFor
        );
        wanted.then_some((&board.wires[w.wire.0], why))
    });
    lines.extend(not_proven(untested));
    lines
}

/// What a ring-out would do, as fields and as text.
pub fn ringout_plan(plan: &Rehearsal, board: &Board, method: Method) -> (Value, String) {
    let untested: Vec<(&Wire, &Untested)> = board
        .wires
        .iter()
        .zip(&plan.untested)
        .filter_map(|(w, u)| Some((w, u.as_ref()?)))
        .collect();
    let fields = json!({
        "dry": true,
        "method": method.as_str(),
        "drivers": plan.drivers.iter().map(ToString::to_string).collect::<Vec<_>>(),
        "held": plan.held.iter().map(|(pin, level)| json!({ "pin": pin.to_string(), "level": u8::from(*level) }))
            .collect::<Vec<_>>(),
        "listeners": plan.listeners,
        "vectors": plan.vectors,
        "untested": untested.iter().map(|(w, u)| json!({
            "label": w.label, "why": u.to_string(), "how": u.how(),
        })).collect::<Vec<_>>(),
    });
    let mut lines = vec![
        format!(
            "{}: would ring out {} of {} by {method}",
            board.name,
            board.wires.len() - untested.len(),
            plural(board.wires.len(), "wire")
        ),
        format!(
            "  {} would drive one after the other, both levels, all others released; {} would listen; {} and more where something is suspect",
            plural(plan.drivers.len(), "pin"),
            plural(plan.listeners, "pin"),
            plural(plan.vectors, "vector"),
        ),
    ];
    for (pin, level) in &plan.held {
        lines.push(format!(
            "  {pin} would be held {}",
            if *level { "high" } else { "low" }
        ));
    }
    if !plan.drivers.is_empty() {
        let names: Vec<String> = plan.drivers.iter().map(ToString::to_string).collect();
        lines.push(String::new());
        lines.push("Drivers, in order".to_owned());
        lines.extend(names.chunks(12).map(|c| format!("  {}", c.join(" "))));
    }
    lines.extend(not_proven(untested.into_iter()));
    (fields, lines.join("\n") + "\n")
}
