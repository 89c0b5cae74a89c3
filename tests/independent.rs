//! The outside check: the program against a chain, nets and boards that share nothing with it.
//!
//! `tests/independent/` is a model in Python behind the TAP socket. `check.py` writes boards with faults, runs the program
//! on them, and compares what it says with the truth, and what it did with what the model saw. `TAPLOOM_TESTS=full` plays
//! 50 random boards, 100 kills and every position and size of a load; else a few of each.

use std::path::Path;
use std::process::Command;

#[test]
#[allow(clippy::print_stdout, reason = "the check's own account")]
fn the_program_agrees_with_an_independent_model() {
    let check = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/independent/check.py");
    let mut python = Command::new("python3");
    python
        .arg("-B")
        .arg(&check)
        .arg(env!("CARGO_BIN_EXE_taploom"));
    if std::env::var("TAPLOOM_TESTS").as_deref() == Ok("full") {
        python.arg("--full");
    }
    let out = python.output().expect("python3 runs");
    let said = String::from_utf8_lossy(&out.stdout);
    print!("{said}{}", String::from_utf8_lossy(&out.stderr));
    let last = said.lines().last().unwrap_or_default();
    println!("independent: {last}");
    assert!(
        out.status.success() && last.ends_with(" passed, 0 failed"),
        "the program and the independent model disagree: {last}"
    );
}
