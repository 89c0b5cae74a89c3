//! Outside: a virtual machine that runs the probe once.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use serde_json::Value;

use super::archive::Archive;

/// The modules, in the order in which they are loaded: usb-common first, which the others need; the last two are the
/// system's serial driver for these chips, loaded when the probe wants it.
pub(super) const MODULES: [&str; 6] = [
    "usb-common",
    "usbcore",
    "usbip-core",
    "vhci-hcd",
    "usbserial",
    "ftdi_sio",
];

/// Where `tests/run --full` puts the kernel and its modules.
pub fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../target/guest")
}

/// What is needed for a run.
pub struct Boot {
    /// The kernel and the modules, see [`folder`].
    pub kernel: PathBuf,
    /// The program under test.
    pub program: PathBuf,
    /// The first process inside: `examples/guest.rs`.
    pub guest: PathBuf,
    /// The root of the workspace, for its fixtures.
    pub root: PathBuf,
}

impl Boot {
    /// What is missing on this machine, if anything.
    pub fn missing(&self) -> Option<String> {
        let files = MODULES.map(|m| format!("{m}.ko"));
        let files = files.iter().map(String::as_str).chain(["vmlinuz"]);
        let mut paths = files.map(|f| self.kernel.join(f));
        if let Some(path) = paths.find(|p| !p.is_file()) {
            return Some(format!("{} is missing", path.display()));
        }
        if !self.guest.is_file() {
            let guest = self.guest.display();
            return Some(format!(
                "{guest} is missing (`cargo build -p taploom-lab --examples`)"
            ));
        }
        let found = Command::new("qemu-system-x86_64").arg("--version").output();
        match found {
            Ok(told) if told.status.success() => None,
            _ => Some("qemu-system-x86_64 is missing".to_owned()),
        }
    }

    fn archive(&self) -> io::Result<Vec<u8>> {
        let mut archive = Archive::default();
        for folder in ["dev", "proc", "sys", "tmp", "state"] {
            archive.folder(folder);
        }
        archive.file("init", &self.guest, true)?;
        archive.file("taploom", &self.program, true)?;
        for library in libraries(&self.guest)?
            .union(&libraries(&self.program)?)
            .collect::<Vec<_>>()
        {
            archive.file(library.trim_start_matches('/'), Path::new(library), true)?;
        }
        for module in MODULES {
            let file = format!("{module}.ko");
            archive.file(&format!("modules/{file}"), &self.kernel.join(&file), false)?;
        }
        archive.tree("fixtures", &self.root.join("fixtures"))?;
        Ok(archive.finish())
    }

    /// Boots, runs the probe, and gives the facts that it told; at most until `limit` is over.
    ///
    /// # Errors
    /// The machine could not be started, did not end in time, or did not come to the end of the probe: with the last
    /// lines of its console.
    pub fn run(&self, limit: Duration) -> io::Result<Vec<Value>> {
        let name = format!("taploom-guest-{}", std::process::id());
        let folder = std::env::temp_dir().join(name);
        fs::create_dir_all(&folder)?;
        let told = self.run_in(&folder, limit);
        let _ = fs::remove_dir_all(&folder);
        told
    }

    fn run_in(&self, folder: &Path, limit: Duration) -> io::Result<Vec<Value>> {
        let place = |name: &str| folder.join(name);
        fs::write(place("archive"), self.archive()?)?;
        let mut machine = Command::new("qemu-system-x86_64");
        machine
            .args(["-accel", "tcg", "-M", "q35", "-m", "1024", "-smp", "1"])
            .args(["-nodefaults", "-no-reboot", "-display", "none"])
            .arg("-kernel")
            .arg(self.kernel.join("vmlinuz"))
            .arg("-initrd")
            .arg(place("archive"))
            .args(["-append", "console=ttyS0 quiet panic=-1"]);
        for line in ["console", "facts"] {
            machine
                .arg("-serial")
                .arg(format!("file:{}", place(line).display()));
        }
        let errors = fs::File::create(place("errors"))?;
        let mut running = machine
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(errors)
            .spawn()?;
        let began = Instant::now();
        let late = loop {
            if running.try_wait()?.is_some() {
                break false;
            }
            if began.elapsed() > limit {
                running.kill()?;
                running.wait()?;
                break true;
            }
            std::thread::sleep(Duration::from_millis(20));
        };
        let read = |name| fs::read(place(name)).unwrap_or_default();
        let facts = read("facts");
        let facts = String::from_utf8_lossy(&facts);
        let lines: Vec<&str> = facts.lines().collect();
        let failed = |why: String| {
            let rest = [read("errors"), read("console")].concat();
            let rest = String::from_utf8_lossy(&rest);
            let rest: Vec<&str> = rest.lines().collect();
            let end = rest[rest.len().saturating_sub(40)..].join("\n");
            io::Error::other(format!(
                "{why}, after {} lines of facts; the console:\n{end}",
                lines.len()
            ))
        };
        if late {
            let seconds = limit.as_secs();
            return Err(failed(format!("it did not end within {seconds} s")));
        }
        let [all @ .., "end"] = &lines[..] else {
            return Err(failed("it ended before the probe did".to_owned()));
        };
        all.iter()
            .map(|line| serde_json::from_str(line).map_err(|e| failed(format!("{e}: {line}"))))
            .collect()
    }
}

/// The shared libraries of a program, and what loads them.
fn libraries(program: &Path) -> io::Result<std::collections::BTreeSet<String>> {
    let told = Command::new("ldd").arg(program).output()?;
    let text = String::from_utf8_lossy(&told.stdout);
    let mut found = std::collections::BTreeSet::new();
    for line in text.lines() {
        // `NAME => PATH (ADDRESS)`, or the path alone for the loader; the kernel's own has none.
        let path = line.split_whitespace().find(|word| word.starts_with('/'));
        if let Some(path) = path {
            found.insert(path.to_owned());
        } else if line.contains("not found") {
            return Err(io::Error::other(format!("{}: {line}", program.display())));
        }
    }
    Ok(found)
}
