//! `taploom margin BOARD`.

use std::path::Path;

use serde_json::json;

use crate::report;

use super::work::{self, Opened};
use super::{Context, Exit, Failed, Outcome};

pub(super) fn run(context: &Context, board: &Path) -> Result<Outcome, Failed> {
    let board = work::load_board(board)?;
    context.outputs_ready(Some(&board), &[])?;
    let limit = board.tck_limit_hz(true);
    if context.common.dry {
        let text = format!(
            "would try {} at rates up to {}\n",
            board.name,
            report::rate(limit)
        );
        let fields = json!({ "dry": true, "limit_hz": limit });
        return Ok(Outcome {
            exit: Exit::Good,
            fields,
            text,
        });
    }
    let mut opened = Opened::open(context)?;
    let (chain, _) = opened.chain(&board)?;
    let margin = opened.job(|session| session.margin(limit))?;
    let exit = if margin.failing_hz().is_none() {
        Exit::Good
    } else {
        Exit::Finding
    };
    let devices = chain.devices().len();
    let (fields, text) = report::margin(&margin, &board.name, devices, limit);
    opened.finish_with(exit, fields, text, Some(&board), &|_| Ok(()))
}
