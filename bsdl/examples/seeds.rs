//! Writes small BSDL files, one for each rule of the reader: seeds for fuzzing, or something to look at.
//! `cargo run -p taploom-bsdl --example seeds -- FOLDER`
#![allow(clippy::print_stdout, reason = "an example prints")]

use std::path::PathBuf;

fn main() -> std::io::Result<()> {
    let Some(folder) = std::env::args_os().nth(1).map(PathBuf::from) else {
        println!("name a folder to write into");
        return Ok(());
    };
    std::fs::create_dir_all(&folder)?;
    for code in taploom_bsdl::codes() {
        if let Some(explanation) = taploom_bsdl::explain(code) {
            std::fs::write(folder.join(format!("{code}.bsd")), explanation.sample)?;
        }
    }
    Ok(())
}
