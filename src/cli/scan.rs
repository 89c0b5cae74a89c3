//! `taploom scan [BOARD]`.

use std::path::Path;

use crate::chain::Found;
use crate::report;

use super::work::{self, Opened};
use super::{Context, Exit, Failed, Outcome};

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
                report::rate(crate::session::UNKNOWN_TCK_HZ)
            ),
        };
        return Ok(Outcome {
            exit: Exit::Good,
            fields: serde_json::json!({ "dry": true }),
            text,
        });
    }
    let mut opened = Opened::open(context)?;
    let scanned = opened.job(|session| session.scan(board.as_ref()))?;
    let exit = match &scanned.comparison {
        Some(comparison) if comparison.is_as_declared() => Exit::Good,
        Some(_) => Exit::Finding,
        None => without_board(&scanned.found),
    };
    let fields = report::scan_fields(&scanned, board.as_ref());
    let text = report::scan_text(&scanned, board.as_ref());
    opened.finish_with(exit, fields, text, board.as_ref(), &|_| Ok(()))
}

/// Without a board nothing is declared: a sick chain is a finding, one that nobody answers on
/// could not be worked with.
fn without_board(found: &Found) -> Exit {
    if found.is_whole() && found.findings().iter().all(|f| !f.fault) {
        Exit::Good
    } else if found.devices.is_empty() {
        Exit::Port
    } else {
        Exit::Finding
    }
}
