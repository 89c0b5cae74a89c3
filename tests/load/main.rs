//! Loads and plays through the program on simulated benches: every chip, every way to be refused, the plug pulled at any
//! byte, parts that keep their image, hostile files.

#![allow(clippy::print_stdout, reason = "tests say how much ran")]

mod chips;
mod clamp;
mod harness;
mod hostile;
#[allow(dead_code, reason = "the loom weaves more images than are needed here")]
#[path = "../loom/image.rs"]
mod image;
mod lines;
mod permanent;
mod unplugged;

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use serde_json::Value;

const BOARD: &str = "fixtures/knitting-machine/board.toml";
const IMAGE: &str = "fixtures/knitting-machine/pattern-tap.bin";

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// A folder of a test's own, with a state folder in it, so that nothing that other runs have proven matters.
struct Scratch(PathBuf);

impl Scratch {
    fn new(name: &str) -> Scratch {
        let folder = Path::new(env!("CARGO_TARGET_TMPDIR"))
            .join(format!("load-{name}-{}", std::process::id()));
        std::fs::create_dir_all(&folder).expect("the build folder can be written");
        Scratch(folder)
    }

    fn path(&self, name: &str) -> String {
        self.0.join(name).display().to_string()
    }

    fn write(&self, name: &str, content: impl AsRef<[u8]>) -> String {
        let path = self.path(name);
        std::fs::write(&path, content).expect("a file of the test's own");
        path
    }

    /// A bench of the knitting machine without the clip, with more tables.
    fn bench(&self, name: &str, more: &str) -> String {
        let board = root().join(BOARD);
        let text = format!(
            "[bench]\nformat = 1\nboard = \"{}\"\nseed = 1\n{more}\n",
            board.display()
        );
        self.write(name, text)
    }

    /// Exit status and the one JSON document of a run; a run that takes longer than a minute has hung.
    fn run(&self, arguments: &[&str]) -> (i32, Value) {
        let mut child = Command::new(env!("CARGO_BIN_EXE_taploom"))
            .args(arguments)
            .arg("--json")
            .current_dir(root())
            .env("TAPLOOM_STATE", self.path("state"))
            .env("NO_COLOR", "1")
            .stdin(Stdio::null())
            .stdout(Stdio::from(
                std::fs::File::create(self.path("out")).expect("a file of the test's own"),
            ))
            .stderr(Stdio::from(
                std::fs::File::create(self.path("err")).expect("a file of the test's own"),
            ))
            .spawn()
            .expect("the program starts");
        let began = Instant::now();
        let status = loop {
            if let Some(status) = child.try_wait().expect("our own child") {
                break status;
            }
            if began.elapsed() > Duration::from_secs(60) {
                child.kill().expect("our own child");
                panic!("{arguments:?}: hangs");
            }
            std::thread::sleep(Duration::from_millis(2));
        };
        let read = |name| std::fs::read_to_string(self.path(name)).unwrap_or_default();
        let (out, err) = (read("out"), read("err"));
        let exit = status
            .code()
            .unwrap_or_else(|| panic!("{arguments:?}: no exit status\n{err}"));
        let document = serde_json::from_str(&out)
            .unwrap_or_else(|e| panic!("{arguments:?}: {e}\n{out}\n{err}"));
        (exit, document)
    }
}

impl Drop for Scratch {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

/// What a failed run says.
fn message(document: &Value) -> &str {
    document["error"]["message"].as_str().unwrap_or_default()
}
