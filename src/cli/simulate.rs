//! `taploom simulate`: serves a simulated bench as a TAP socket.

use std::path::Path;

use serde_json::json;

use crate::report;
use crate::session::write_whole;
use crate::simulator::{Bench, Witness};
use crate::tap::PortError;
use crate::transport::tap_socket::{Address, Server};

use super::args::Simulate;
use super::{Context, Exit, Failed, Failure, Outcome, out};

pub(super) fn run(context: &Context, arguments: &Simulate) -> Result<Outcome, Failed> {
    let path = arguments
        .bench
        .as_ref()
        .or(context.common.simulate.as_ref())
        .ok_or_else(|| {
            Failure::input("usage", "which bench is to be simulated")
                .help("name a bench file: taploom simulate BENCH --serve ADDRESS")
        })?;
    let mut bench = Bench::open(path).map_err(|e| Failure::input("bench", e.to_string()))?;
    let witness = bench.witness();
    let address: Address = arguments
        .serve
        .parse()
        .map_err(|e| Failure::input("usage", format!("{e}")))?;
    if context.common.dry {
        return Ok(Outcome {
            exit: Exit::Good,
            fields: json!({ "dry": true, "bench": path.display().to_string(), "address": address.to_string() }),
            text: format!("would serve {} at {address}\n", path.display()),
        });
    }
    let server = Server::bind(&address, context.common.allow_remote).map_err(|e| match e {
        PortError::Unsupported { .. } => Failure::refused(e.to_string()),
        e => Failure::port(&e, None),
    })?;
    // Whoever starts this from a script reads the address from here, also with --quiet.
    out::note(&format!(
        "serving {} at {}",
        path.display(),
        server.address()
    ));
    let stop = || context.cancel.asked().is_some();
    let mut connections = 0;
    let exit = loop {
        let served = server.serve(&mut bench, &stop);
        connections += 1;
        let ended = match served {
            Ok(served) if served.stopped => context.cancel.asked().map(Exit::from),
            Ok(served) => {
                context.note(&format!(
                    "connection {connections} closed after {} cycles of TCK",
                    served.cycles
                ));
                None
            }
            Err(error) => {
                context.note(&format!("connection {connections} failed: {error}"));
                None
            }
        };
        keep(arguments.witness.as_deref(), &witness, connections)?;
        match ended {
            Some(exit) => break exit,
            // As any simulated run: drivers that fought are a finding.
            None if arguments.once && witness.seen().fight_count > 0 => break Exit::Finding,
            None if arguments.once => break Exit::Good,
            None => {}
        }
    };
    let fields = report::witness_document(&witness.seen(), connections);
    Ok(Outcome {
        exit,
        fields,
        text: String::new(),
    })
}

/// Writes what the board saw, whole or not at all.
fn keep(path: Option<&Path>, witness: &Witness, connections: u64) -> Result<(), Failed> {
    let Some(path) = path else { return Ok(()) };
    let text = super::pretty(&report::witness_document(&witness.seen(), connections)) + "\n";
    write_whole(path, text.as_bytes()).map_err(|e| Failure::input("file", e.to_string()).into())
}
