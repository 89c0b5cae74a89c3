//! Runs a command before one emulated chip of each kind, the first of them on the knitting machine's board.
//!
//! `cargo run -p taploom-lab --example enter -- target/debug/taploom adapters`

use std::time::Duration;

use taploom::simulator::Bench;
use taploom::simulator::adapter::Model;
use taploom_lab::fuse::{Access, Lab};
use taploom_lab::personality::Adapter;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut words = std::env::args().skip(1);
    let program = words.next().ok_or("which command is to run?")?;
    let mut lab = Lab::open()?;
    for model in Model::all() {
        let bench = Bench::open("fixtures/knitting-machine/as-drawn.toml")?;
        lab.plug(
            Box::new(Adapter::new(&model, 0, Box::new(bench))),
            Access::Free,
        );
    }
    let mut command = lab.program(std::path::absolute(program)?);
    command.args(words).current_dir(std::env::current_dir()?);
    let run = lab.start(command)?.wait(Duration::from_secs(600));
    print!("{}", run.stdout);
    eprint!("{}", run.stderr);
    eprintln!("exit {:?} after {:.3} s", run.exit, run.took.as_secs_f64());
    Ok(())
}
