//! The same probe over both routes: the FUSE file system of the laboratory, and a real kernel's USB core. Each must give
//! the expected facts, and both the same.

use std::time::{Duration, Instant};

use serde_json::Value;
use taploom_lab::Running;
use taploom_lab::fuse::{Access, Lab};
use taploom_lab::kernel::{Boot, folder};
use taploom_lab::personality::{Device, Standing};
use taploom_lab::steps::{self, Route, STEPS};

use super::bench::{alone, full, lab, program, root};

/// A run of the virtual machine takes half a minute on a quiet processor.
const LIMIT: Duration = Duration::from_secs(420);

/// One socket of the laboratory.
struct Socket {
    lab: Lab,
    address: Option<u8>,
}

impl Route for Socket {
    fn plug(&mut self, device: Box<dyn Device>, driver: bool) -> Result<(), String> {
        let access = if driver { Access::Driver } else { Access::Free };
        self.address = Some(self.lab.plug(device, access));
        Ok(())
    }

    fn unplug(&mut self) -> Result<Standing, String> {
        let address = self.address.take().ok_or("nothing is plugged in")?;
        let standing = self.lab.standing(address);
        self.lab.unplug(address);
        Ok(standing)
    }

    fn standing(&mut self) -> Standing {
        self.address
            .map_or(Standing::default(), |address| self.lab.standing(address))
    }

    fn start(&mut self, arguments: &[&str]) -> Result<Running, String> {
        let mut command = self.lab.program(program());
        command.args(arguments);
        self.lab.start(command).map_err(|e| e.to_string())
    }

    fn driver_holds(&mut self, channel: u8) -> bool {
        self.address
            .is_some_and(|address| self.lab.driver_holds(address, channel))
    }
}

/// Holds each step's facts against what is expected.
fn judge(route: &str, all: &[Value]) {
    assert_eq!(all.len(), STEPS.len(), "{route}: a step for each");
    let mut wrong = Vec::new();
    for (step, facts) in STEPS.iter().zip(all) {
        assert_eq!(facts["step"], step.name);
        for what in steps::wrong(step, facts) {
            wrong.push(format!("{route}: {}: {what}\n{facts:#}", step.name));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

fn by_fuse() -> Option<Vec<Value>> {
    let mut socket = Socket {
        lab: lab()?,
        address: None,
    };
    let mut all = Vec::new();
    steps::run(&mut socket, &root(), &mut |facts| all.push(facts.clone()))
        .unwrap_or_else(|e| panic!("the FUSE route: {e}"));
    Some(all)
}

fn by_kernel() -> Option<Vec<Value>> {
    let program = program();
    let boot = Boot {
        kernel: folder(),
        guest: program.with_file_name("examples").join("guest"),
        program,
        root: root(),
    };
    if let Some(missing) = boot.missing() {
        let missing =
            format!("the route over a real kernel: {missing}; tests/run --full sees to it");
        assert!(!full(), "{missing}");
        println!("SKIPPED: {missing}");
        return None;
    }
    Some(
        boot.run(LIMIT)
            .unwrap_or_else(|e| panic!("the kernel's route: {e}")),
    )
}

#[test]
fn the_probe_gives_the_expected_facts_before_the_laboratorys_file_system() {
    if let Some(facts) = by_fuse() {
        judge("FUSE", &facts);
    }
}

#[test]
fn the_same_probe_on_a_real_kernels_usb_core_agrees() {
    let _alone = alone();
    let began = Instant::now();
    let Some(kernels) = by_kernel() else { return };
    println!(
        "the virtual machine ran for {:.1} s",
        began.elapsed().as_secs_f64()
    );
    judge("kernel", &kernels);
    let Some(ours) = by_fuse() else { return };
    for (step, (ours, kernels)) in STEPS.iter().zip(ours.iter().zip(&kernels)) {
        let (ours, kernels) = (steps::common(step, ours), steps::common(step, kernels));
        assert_eq!(ours, kernels, "{}: the routes differ", step.name);
        println!("{:36} exit {}: agrees", step.name, ours["exit"]);
    }
}
