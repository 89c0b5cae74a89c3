//! The index of BSDL files as text and as JSON.

use std::collections::BTreeMap;
use std::path::Path;

use serde_json::{Value, json};

use crate::library::{Index, Indexed, Refreshed};

use super::describe::hex;
use super::{Table, plural};

/// As text, at most this many parts are listed.
const LISTED: usize = 40;

/// The fields of the document `taploom.index.v1`; `cache` is where the index is kept.
pub fn index_fields(index: &Index, done: &Refreshed, cache: Option<&Path>) -> Value {
    let part = |(path, part): (&Path, &Indexed)| {
        json!({
            "path": path.to_string_lossy(),
            "entity": part.entity,
            "packages": part.packages,
            "idcodes": part.idcodes,
            "ir_length": part.ir_length,
            "ir_capture": part.ir_capture,
            "errors": part.errors,
        })
    };
    json!({
        "cache": cache.map(Path::to_string_lossy),
        "folders": index.folders().map(Path::to_string_lossy).collect::<Vec<_>>(),
        "files": done.files,
        "opened": done.opened,
        "bytes_read": done.bytes_read,
        "gone": done.gone,
        "parts": index.parts().map(part).collect::<Vec<_>>(),
        "shared_idcodes": shared(index),
        "problems": done.problems.iter().map(ToString::to_string).collect::<Vec<_>>(),
    })
}

/// Identity codes that belong to several entities: a scan cannot tell these apart.
fn shared(index: &Index) -> BTreeMap<String, Vec<&str>> {
    let mut by_code: BTreeMap<String, Vec<&str>> = BTreeMap::new();
    for (_, part) in index.parts() {
        for pattern in part.patterns() {
            let entities = by_code.entry(hex(&pattern)).or_default();
            if !entities
                .iter()
                .any(|e| e.eq_ignore_ascii_case(&part.entity))
            {
                entities.push(&part.entity);
            }
        }
    }
    by_code.retain(|_, entities| entities.len() > 1);
    by_code
}

/// What the index knows, and what bringing it up to date took.
pub fn index_text(index: &Index, done: &Refreshed) -> String {
    let folders = index.folders().count();
    let mut lines = Vec::new();
    if folders == 0 {
        lines.push("The index is empty: name the folders that hold your BSDL files.".to_owned());
    } else {
        let fresh = match done.opened {
            0 => "none had to be opened".to_owned(),
            n => format!("{n} read anew ({} KiB)", done.bytes_read.div_ceil(1024)),
        };
        let gone = match done.gone {
            0 => String::new(),
            n => format!(", {n} gone"),
        };
        lines.push(format!(
            "{} in {}: {fresh}{gone}.",
            plural(done.files, "BSDL file"),
            plural(folders, "place")
        ));
    }
    let mut table = Table::new(&["identity", "entity", "IR", "captures", "packages", "file"]);
    for (path, part) in index.parts().take(LISTED) {
        let codes: Vec<String> = part.patterns().map(|p| hex(&p)).collect();
        let mut file = path
            .file_name()
            .unwrap_or_default()
            .to_string_lossy()
            .into_owned();
        if part.errors > 0 {
            file.push_str(&format!(
                "  ({}: not relied on)",
                plural(part.errors, "error")
            ));
        }
        table.row([
            if codes.is_empty() {
                "no IDCODE".to_owned()
            } else {
                codes.join(" ")
            },
            part.entity.clone(),
            plural(part.ir_length as usize, "bit"),
            part.ir_capture.clone().unwrap_or_else(|| "-".into()),
            part.packages.join(" "),
            file,
        ]);
    }
    let parts = index.parts().count();
    if parts > 0 {
        lines.push(String::new());
        lines.extend(table.lines());
    }
    if let Some(more @ 1..) = parts.checked_sub(LISTED) {
        lines.push(format!("  and {more} more; --json lists all"));
    }
    let shared = shared(index);
    if !shared.is_empty() {
        lines.push(String::new());
        for (code, entities) in shared.iter().take(LISTED) {
            lines.push(format!(
                "  {code} is the identity of {}: a scan cannot tell them apart",
                entities.join(" and ")
            ));
        }
    }
    lines.join("\n") + "\n"
}
