//! The program as its user meets it: help, manual, completions, the README's commands, screens.

#![allow(clippy::print_stdout, reason = "tests say how much ran")]

mod contract;
mod papers;
mod readme;
mod screens;
mod terminal;

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

const PROGRAM: &str = env!("CARGO_BIN_EXE_taploom");

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// A folder of its own, gone at the end.
struct Scratch(PathBuf);

impl Scratch {
    fn new(name: &str) -> Self {
        let folder = Path::new(env!("CARGO_TARGET_TMPDIR"))
            .join(format!("program-{name}-{}", std::process::id()));
        let _ = std::fs::remove_dir_all(&folder);
        std::fs::create_dir_all(&folder).expect("the build folder can be written");
        Scratch(folder)
    }
}

impl Drop for Scratch {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

/// Runs a program to its end; `None` if this machine does not have it. With TAPLOOM_TESTS=full it must be there.
fn tool(name: &str, arguments: &[&str]) -> Option<Output> {
    match Command::new(name).args(arguments).output() {
        Ok(out) => Some(out),
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => {
            println!("left out: there is no {name} here");
            None
        }
        Err(e) => panic!("{name}: {e}"),
    }
}

fn full() -> bool {
    std::env::var("TAPLOOM_TESTS").as_deref() == Ok("full")
}

fn taploom(arguments: &[&str]) -> (i32, String, String) {
    let out = Command::new(PROGRAM)
        .args(arguments)
        .current_dir(root())
        .env(
            "TAPLOOM_STATE",
            Path::new(env!("CARGO_TARGET_TMPDIR")).join("program-state"),
        )
        .output()
        .expect("the program starts");
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    (
        out.status.code().expect("an exit status"),
        text(&out.stdout),
        text(&out.stderr),
    )
}
