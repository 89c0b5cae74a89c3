//! Reads BSDL files and prints what stands out: `cargo run -p taploom-bsdl --example read -- FILES`.
#![allow(clippy::print_stdout, reason = "an example prints")]

use std::process::ExitCode;

use taploom_bsdl::{Diagnostic, LineIndex, Options, parse};

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
        for diagnostic in &outcome.diagnostics {
            show(&path, &bytes, &lines, diagnostic);
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

/// Code and message, the line with the place underlined, further places, help.
fn show(path: &str, bytes: &[u8], lines: &LineIndex, d: &Diagnostic) {
    let at = lines.place(d.primary.start);
    println!(
        "{path}:{}:{}: {} [{}] {}",
        at.line, at.column, d.severity, d.code, d.message
    );
    let start = (d.primary.start + 1 - at.column) as usize;
    let rest = &bytes[start..];
    let line = &rest[..rest
        .iter()
        .position(|b| matches!(b, b'\n' | b'\r'))
        .unwrap_or(rest.len())];
    let before: String = line
        .iter()
        .take(at.column as usize - 1)
        .map(|b| if *b == b'\t' { '\t' } else { ' ' })
        .collect();
    let room = line.len().saturating_sub(before.len()).max(1);
    let marks = "^".repeat((d.primary.end - d.primary.start).clamp(1, room as u32) as usize);
    println!(
        "    | {}\n    | {before}{marks}",
        line.iter().map(|&b| b as char).collect::<String>()
    );
    for (span, what) in &d.secondary {
        println!("    = line {}: {what}", lines.place(span.start).line);
    }
    if let Some(help) = &d.help {
        println!("    = help: {help}");
    }
}
