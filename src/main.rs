//! The program `taploom`.

use std::process::ExitCode;

fn main() -> ExitCode {
    taploom::cli::main()
}
