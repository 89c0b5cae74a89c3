//! Reads BSDL files and prints what stands out: `cargo run -p taploom-bsdl --example read -- FILES`.
#![allow(clippy::print_stdout, reason = "an example prints")]

use std::process::ExitCode;

use taploom_bsdl::{LineIndex, Options, parse};

fn main() -> ExitCode {
    let mut failed = false;
    for path in std::env::args().skip(1) {
        let bytes = match std::fs::read(&path) {
            Ok(bytes) => bytes,
            Err(cause) => {
                println!("{path}: cannot read it: {cause}");
                failed = true;
                continue;
            }
        };
        let outcome = parse(&bytes, &Options::default());
        let lines = LineIndex::new(&bytes);
        for d in &outcome.diagnostics {
            let at = lines.place(d.primary.start);
            println!(
                "{path}:{}:{}: {} [{}] {}",
                at.line, at.column, d.severity, d.code, d.message
            );
        }
        if let Some(d) = &outcome.device {
            println!(
                "{path}: {}: IR {} bits, {} instructions, boundary {} bits in {} lines, {} ports, {} packages",
                d.entity,
                d.instruction_length,
                d.instructions.len(),
                d.boundary_length,
                d.cells.len(),
                d.ports.len(),
                d.pin_maps.len()
            );
        }
        failed |= outcome.has_errors();
    }
    ExitCode::from(u8::from(failed))
}
