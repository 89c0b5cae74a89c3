//! Driven pins and bring-up scripts through the program: what is refused, what is found, what hostile files meet, and how
//! the board is left when a run is killed at any moment.

#![allow(clippy::print_stdout, reason = "tests say how much ran")]

mod drive;
mod functions;
mod hostile;
mod killed;
mod run;

use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;

const FOLDER: &str = "fixtures/knitting-machine";
const BOARD: &str = "fixtures/knitting-machine/board.toml";
const AS_DRAWN: &str = "fixtures/knitting-machine/as-drawn.toml";

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// The program, from the workspace root, its records out of the user's way.
fn program(arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_taploom"));
    command
        .args(arguments)
        .current_dir(root())
        .env(
            "XDG_STATE_HOME",
            Path::new(env!("CARGO_TARGET_TMPDIR")).join("state"),
        )
        .env("NO_COLOR", "1");
    command
}

/// Exit status and the one JSON document.
fn taploom(arguments: &[&str]) -> (i32, Value) {
    let out = program(arguments)
        .arg("--json")
        .output()
        .expect("the program starts");
    let (text, said) = (
        String::from_utf8_lossy(&out.stdout),
        String::from_utf8_lossy(&out.stderr),
    );
    let exit = out
        .status
        .code()
        .unwrap_or_else(|| panic!("{arguments:?}: no exit status\n{said}"));
    let document = serde_json::from_str(&text)
        .unwrap_or_else(|e| panic!("{arguments:?}: {e}\n{text}\n{said}"));
    (exit, document)
}

/// As [`taploom`] on a simulated bench, with the machine off and consent.
fn on_bench(arguments: &[&str], bench: &str) -> (i32, Value) {
    let more = ["--machine", "off", "--yes", "--simulate", bench];
    taploom(&[arguments, &more].concat())
}

/// No fights, and the board left safe.
fn unharmed(document: &Value, what: &str) {
    assert_eq!(document["simulated"]["fights"], 0, "{what}: {document:#}");
    assert_eq!(
        document["simulated"]["left_safe"], true,
        "{what}: {document:#}"
    );
}

/// A folder of its own, gone at the end.
struct Scratch(PathBuf);

impl Scratch {
    fn new(name: &str) -> Self {
        let folder = Path::new(env!("CARGO_TARGET_TMPDIR"))
            .join(format!("script-{name}-{}", std::process::id()));
        let _ = std::fs::remove_dir_all(&folder);
        std::fs::create_dir_all(&folder).expect("the build folder can be written");
        Scratch(folder)
    }

    fn write(&self, name: &str, text: impl AsRef<[u8]>) -> String {
        let path = self.0.join(name);
        std::fs::write(&path, text).expect("written");
        path.display().to_string()
    }
}

impl Drop for Scratch {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}
