//! Inside: the first process of the virtual machine.

use std::ffi::CString;
use std::fs::{self, File, OpenOptions};
use std::io::Write;
use std::os::fd::AsRawFd;

use crate::steps;

use super::Bus;
use super::boot::MODULES;

/// How many of the modules are loaded at the start.
const AT_START: usize = 4;

/// Runs the probe, tells each step's facts on the second serial line, and switches the machine off.
pub fn guest() -> ! {
    if let Err(e) = work() {
        // To the console, which the outside shows.
        println!("the guest failed: {e}");
    }
    // SAFETY: nothing is left to be kept; the machine ends with a reset.
    unsafe {
        libc::sync();
        libc::reboot(libc::RB_AUTOBOOT);
    }
    // Only for a process that is not the first one.
    std::process::exit(1)
}

fn work() -> Result<(), String> {
    for (kind, at) in [("proc", "/proc"), ("sysfs", "/sys"), ("devtmpfs", "/dev")] {
        mount(kind, at)?;
    }
    for module in &MODULES[..AT_START] {
        load_module(module)?;
    }
    let mut line = OpenOptions::new()
        .write(true)
        .open("/dev/ttyS1")
        .map_err(|e| format!("/dev/ttyS1: {e}"))?;
    steps::run(&mut Bus::default(), "/".as_ref(), &mut |facts| {
        writeln!(line, "{facts}").expect("the second serial line is there");
    })?;
    writeln!(line, "end").map_err(|e| e.to_string())?;
    // SAFETY: a descriptor that is open; waits until everything has gone out.
    unsafe { libc::tcdrain(line.as_raw_fd()) };
    Ok(())
}

fn mount(kind: &str, at: &str) -> Result<(), String> {
    let text = |s: &str| CString::new(s).expect("no zero byte in our own words");
    let (kind_text, at_text) = (text(kind), text(at));
    // SAFETY: every pointer is null or a text that ends with a zero byte.
    let result = unsafe {
        libc::mount(
            kind_text.as_ptr(),
            at_text.as_ptr(),
            kind_text.as_ptr(),
            0,
            std::ptr::null(),
        )
    };
    let error = std::io::Error::last_os_error();
    // The kernel may have mounted it by itself.
    if result < 0 && error.raw_os_error() != Some(libc::EBUSY) {
        return Err(format!("mounting {at}: {error}"));
    }
    Ok(())
}

/// Loads a module; fine if it is loaded already.
pub(super) fn load_module(name: &str) -> Result<(), String> {
    if fs::metadata(format!("/sys/module/{}", name.replace('-', "_"))).is_ok() {
        return Ok(());
    }
    let path = format!("/modules/{name}.ko");
    let file = File::open(&path).map_err(|e| format!("{path}: {e}"))?;
    // SAFETY: an open descriptor and an empty text that ends with a zero byte.
    let result =
        unsafe { libc::syscall(libc::SYS_finit_module, file.as_raw_fd(), c"".as_ptr(), 0) };
    if result < 0 {
        let error = std::io::Error::last_os_error();
        return Err(format!("module {name}: {error}"));
    }
    Ok(())
}
