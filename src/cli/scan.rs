//! `taploom scan [BOARD]`.

use std::path::Path;
use std::time::SystemTime;

use crate::chain::{Found, KnownParts};
use crate::report;
use crate::session;

use super::work::{self, Opened};
use super::{Context, Exit, Failed, Failure, Outcome};

pub(super) fn run(context: &Context, board: Option<&Path>) -> Result<Outcome, Failed> {
    let board = board.map(work::load_board).transpose()?;
    if context.common.dry {
        let text = match &board {
            Some(b) => format!(
                "would scan the chain of {}, TCK at most {}\n",
                b.name,
                report::rate(b.tck_limit_hz(true))
            ),
            None => format!(
                "would scan an unknown chain, TCK {}\n",
                report::rate(session::UNKNOWN_TCK_HZ)
            ),
        };
        return Ok(Outcome {
            exit: Exit::Good,
            fields: serde_json::json!({ "dry": true }),
            text,
        });
    }
    context.outputs_ready(board.as_ref(), &[])?;
    let mut opened = Opened::open(context)?;
    // Without a board the index of BSDL files knows the parts by their identity codes.
    let known = match &board {
        Some(_) => KnownParts::none(),
        None => session::known_parts(SystemTime::now()),
    };
    let scanned = opened.job(|session| session.scan_knowing(board.as_ref(), known))?;
    let fields = report::scan_fields(&scanned, board.as_ref());
    if scanned.found.devices.is_empty() {
        // Nobody answers: that is not a difference from the board but a chain that cannot be worked with.
        let mut lines = vec!["nobody answers on this chain".to_owned()];
        lines.extend(report::findings_lines(&scanned.found.findings()));
        let mut failed = opened.fail(Failure::chain(lines.join("\n")));
        work::add_fields(&mut failed.fields, fields);
        return Err(failed);
    }
    let exit = match &scanned.comparison {
        Some(comparison) if comparison.is_as_declared() => Exit::Good,
        Some(_) => Exit::Finding,
        None if healthy(&scanned.found) => Exit::Good,
        None => Exit::Finding,
    };
    let text = report::scan_text(&scanned, board.as_ref());
    opened.finish_with(exit, fields, text, board.as_ref(), &|_| Ok(()))
}

/// Whether nothing is wrong with a chain of which nothing is declared.
fn healthy(found: &Found) -> bool {
    found.is_whole() && found.findings().iter().all(|f| !f.fault)
}
