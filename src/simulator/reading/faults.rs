//! The fault tables of a bench file.

use std::path::{Path, PathBuf};

use super::{code, level, named, need, optional, real, signed};
use crate::board::Reader;
use crate::simulator::bench_file::{
    ChainFaultKind, End, Entity, FaultKind, Move, Named, ShortBehaviour, Spot,
};
use crate::tables::{Fault as FileFault, Table};

const ENDS: [(&str, End); 2] = [("from", End::From), ("to", End::To)];
pub(super) const FAULT_KEYS: [&str; 14] = [
    "kind",
    "wire",
    "wires",
    "pin",
    "pins",
    "end",
    "level",
    "ohms",
    "behaviour",
    "probability",
    "at",
    "by",
    "part",
    "note",
];
pub(super) const CHAIN_KEYS: [&str; 11] = [
    "kind", "device", "after", "entity", "bsdl", "idcode", "level", "reads", "rate", "above_hz",
    "note",
];

/// Reports the keys that a fault of this kind does not have.
fn only<'a>(r: &mut Reader<'a>, table: &Table<'a>, all: &[&'static str], mine: &[&'static str]) {
    for key in all {
        let common = ["kind", "note"];
        if table.has(key) && !mine.contains(key) && !common.contains(key) {
            let what = format!("a fault of this kind has no `{key}`");
            let help = format!("it has {}; leave the others out", mine.join(", "));
            let span = table.key_span(key).unwrap_or(table.span.clone());
            r.report(span, FileFault::Conflict { what, help });
        }
    }
}

fn spot<'a>(r: &mut Reader<'a>, table: &Table<'a>) -> Option<Spot> {
    if table.has("pin") && !table.has("wire") {
        return need(r, table, "pin", "pin = \"U1.12\"").map(Spot::Place);
    }
    need(r, table, "wire", "wire = \"W07\"").map(Spot::Wire)
}

pub(super) fn fault<'a>(r: &mut Reader<'a>, table: &Table<'a>) -> Option<FaultKind> {
    let kind = r.need(table, "kind", "kind = \"open\"")?;
    let keys: [(&str, &[&'static str]); 12] = [
        ("open", &["wire", "end"]),
        ("short", &["wires", "pins", "behaviour"]),
        ("swap", &["wires", "end"]),
        ("misplaced", &["wire", "pin", "end"]),
        ("stuck", &["wire", "pin", "level"]),
        ("held", &["wire", "pin", "level", "ohms"]),
        ("intermittent", &["wire", "probability", "end"]),
        ("resistive", &["wire", "ohms", "end"]),
        ("shifted", &["at", "by", "wires"]),
        ("turned", &["at", "wires"]),
        ("mirrored", &["at", "wires"]),
        ("dead", &["part"]),
    ];
    let words: Vec<(&'static str, usize)> =
        keys.iter().enumerate().map(|(i, (w, _))| (*w, i)).collect();
    let number = r.word("kind", &kind, &words)?;
    let (name, mine) = keys[number];
    only(r, table, &FAULT_KEYS, mine);
    let end = r
        .text(table, "end", "end = \"to\"")
        .and_then(|t| r.word("end", &t, &ENDS))
        .unwrap_or_default();
    let wire = |r: &mut Reader<'a>| need(r, table, "wire", "wire = \"W07\"");
    let ohms = |r: &mut Reader<'a>, usual| {
        r.whole(table, "ohms", 1..=10_000_000, "ohms = 10_000")
            .unwrap_or(usual)
    };
    let list = |r: &mut Reader<'a>, key: &'static str, example: &'static str| -> Vec<Named> {
        let texts = r.texts(table, key, example);
        texts.iter().map(|t| named(r, t)).collect()
    };
    Some(match name {
        "open" => FaultKind::Open {
            wire: wire(r)?,
            end,
        },
        "short" => {
            let mut on: Vec<Spot> = list(r, "wires", "wires = [\"W07\", \"W08\"]")
                .into_iter()
                .map(Spot::Wire)
                .collect();
            on.extend(
                list(r, "pins", "pins = [\"J3.4\", \"ground\"]")
                    .into_iter()
                    .map(Spot::Place),
            );
            if on.len() < 2 {
                two(r, table, "a short joins two wires or more");
                return None;
            }
            let behaviour = r.text(table, "behaviour", "behaviour = \"wired-and\"");
            let words = [
                ("wired-and", ShortBehaviour::WiredAnd),
                ("wired-or", ShortBehaviour::WiredOr),
                ("strong", ShortBehaviour::Strong),
            ];
            FaultKind::Short {
                on,
                behaviour: behaviour
                    .and_then(|t| r.word("behaviour", &t, &words))
                    .unwrap_or_default(),
            }
        }
        "swap" => {
            let wires = list(r, "wires", "wires = [\"W07\", \"W08\"]");
            let Ok(wires) = <[Named; 2]>::try_from(wires) else {
                two(r, table, "a swap is of two wires");
                return None;
            };
            FaultKind::Swap { wires, end }
        }
        "misplaced" => FaultKind::Misplaced {
            wire: wire(r)?,
            end,
            pin: need(r, table, "pin", "pin = \"J3.29\"")?,
        },
        "stuck" => FaultKind::Stuck {
            on: spot(r, table)?,
            level: level(r, table, "level")?,
        },
        "held" => FaultKind::Held {
            on: spot(r, table)?,
            level: level(r, table, "level")?,
            ohms: ohms(r, 1_000),
        },
        "intermittent" => FaultKind::Intermittent {
            wire: wire(r)?,
            end,
            ppm: (real(r, table, "probability", 0.0..=1.0).unwrap_or(0.05) * 1e6) as u32,
        },
        "resistive" => FaultKind::Resistive {
            wire: wire(r)?,
            end,
            ohms: ohms(r, 10_000),
        },
        "dead" => FaultKind::Dead {
            part: need(r, table, "part", "part = \"IC7\"")?,
        },
        moved => {
            let rule = match moved {
                "shifted" => {
                    if !table.has("by") {
                        r.missing(table, "by", "by = -1");
                    }
                    Move::Shifted(signed(r, table, "by", -100..=100)?)
                }
                "turned" => Move::Turned,
                _ => Move::Mirrored,
            };
            FaultKind::Moved {
                at: need(r, table, "at", "at = \"J3\"")?,
                rule,
                wires: list(r, "wires", "wires = [\"W07\", \"W08\"]"),
            }
        }
    })
}

fn two<'a>(r: &mut Reader<'a>, table: &Table<'a>, what: &str) {
    let span = table
        .key_span("wires")
        .or(table.key_span("pins"))
        .unwrap_or(table.span.clone());
    r.report(
        span,
        FileFault::Conflict {
            what: what.into(),
            help: "write wires = [\"W07\", \"W08\"]".into(),
        },
    );
}

pub(super) fn chain_fault<'a>(
    r: &mut Reader<'a>,
    table: &Table<'a>,
    folder: &Path,
) -> Option<ChainFaultKind> {
    let kind = r.need(table, "kind", "kind = \"broken\"")?;
    let keys: [(&str, &[&'static str]); 7] = [
        ("wrong-device", &["device", "entity", "bsdl", "idcode"]),
        ("missing", &["device"]),
        ("extra", &["entity", "bsdl", "after"]),
        ("stuck-tdo", &["device", "level"]),
        ("broken", &["after", "reads"]),
        ("bit-errors", &["after", "rate", "above_hz"]),
        ("double-clock", &["device", "rate", "above_hz"]),
    ];
    let words: Vec<(&'static str, usize)> =
        keys.iter().enumerate().map(|(i, (w, _))| (*w, i)).collect();
    let number = r.word("kind", &kind, &words)?;
    let (name, mine) = keys[number];
    only(r, table, &CHAIN_KEYS, mine);
    let device = |r: &mut Reader<'a>| need(r, table, "device", "device = \"U3\"");
    let after = |r: &mut Reader<'a>| optional(r, table, "after", "after = \"U2\"");
    let ppb = |r: &mut Reader<'a>| {
        if !table.has("rate") {
            r.missing(table, "rate", "rate = 0.001");
        }
        real(r, table, "rate", 0.0..=1.0).map(|p| (p * 1e9) as u32)
    };
    let above = |r: &mut Reader<'a>| {
        r.whole(table, "above_hz", 0..=1_000_000_000, "above_hz = 4_000_000")
            .unwrap_or(0)
    };
    Some(match name {
        "wrong-device" => {
            let idcode = code(r, table, "idcode");
            let entity = entity(r, table, folder);
            if entity.is_none() && idcode.is_none() {
                r.missing(table, "entity", "entity = \"SHUTTLE_44\"");
            }
            ChainFaultKind::WrongDevice {
                device: device(r)?,
                entity,
                idcode,
            }
        }
        "missing" => ChainFaultKind::Missing { device: device(r)? },
        "extra" => {
            let entity = entity(r, table, folder);
            if entity.is_none() {
                r.missing(table, "entity", "entity = \"SHUTTLE_44\"");
            }
            ChainFaultKind::Extra {
                entity: entity?,
                after: after(r),
            }
        }
        "stuck-tdo" => ChainFaultKind::StuckTdo {
            device: optional(r, table, "device", "device = \"U4\""),
            level: level(r, table, "level")?,
        },
        "broken" => ChainFaultKind::Broken {
            after: after(r),
            reads: if table.has("reads") {
                level(r, table, "reads")?
            } else {
                true
            },
        },
        "bit-errors" => ChainFaultKind::BitErrors {
            after: after(r),
            ppb: ppb(r)?,
            above_hz: above(r),
        },
        _ => ChainFaultKind::DoubleClock {
            device: optional(r, table, "device", "device = \"U2\""),
            ppb: ppb(r)?,
            above_hz: above(r),
        },
    })
}

fn entity<'a>(r: &mut Reader<'a>, table: &Table<'a>, folder: &Path) -> Option<Entity> {
    if let Some(text) = r.text(table, "bsdl", "bsdl = \"devices/shuttle_44.bsd\"") {
        let at = r.locate(text.span.clone());
        let path: PathBuf = folder.join(text.text);
        return Some(Entity::File(path, at));
    }
    optional(r, table, "entity", "entity = \"SHUTTLE_44\"").map(Entity::Name)
}
