//! How fast BSDL becomes a checked model: `cargo bench -p taploom-bsdl`. Prints figures beside their limits, and ends
//! with status 1 if one is missed.
//!
//! Times are time on a core, so that a busy machine does not decide. With `TAPLOOM_CORPUS` set, the real
//! files are read as well.
#![allow(clippy::print_stdout, reason = "a benchmark prints")]

use std::fmt::Write;
use std::hint::black_box;
use std::path::Path;
use std::process::{Command, ExitCode};
use std::sync::OnceLock;
use std::time::{Duration, Instant};

use taploom_bsdl::{Options, parse, standard_package};

/// Megabytes a second, text to checked model, that one core must reach.
const GOAL: f64 = 100.0;

fn main() -> ExitCode {
    let mut good = true;
    println!("text to checked model (goal {GOAL} MB/s)");
    for cells in [300, 3_000, 30_000] {
        let text = part(cells);
        let outcome = parse(
            &text,
            &Options {
                strict: true,
                ..Options::default()
            },
        );
        assert!(
            outcome.diagnostics.is_empty(),
            "{:?}",
            outcome.diagnostics[0]
        );
        good &= measure(&format!("made-up part, {cells} cells"), &[text]);
    }
    if let Some(folder) = std::env::var_os("TAPLOOM_CORPUS") {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR"))
            .join("..")
            .join(folder)
            .join("bsdl");
        let files = std::fs::read_dir(folder).map(|entries| {
            entries
                .flatten()
                .filter_map(|e| std::fs::read(e.path()).ok())
        });
        let files: Vec<_> = files.into_iter().flatten().collect();
        good &= measure(&format!("{} real files", files.len()), &files);
    }
    good &= against_ghdl();
    println!("growth: time a megabyte must not double while the size grows tenfold");
    let mut last: Option<f64> = None;
    for cells in [15_000, 150_000, 1_500_000] {
        let text = part(cells);
        let megabytes = text.len() as f64 / 1e6;
        let rate = time(|| parse(black_box(&text), &Options::default())).as_secs_f64() / megabytes;
        println!("  {megabytes:7.2} MB: {:6.2} ms a megabyte", rate * 1e3);
        good &= last.is_none_or(|before| rate < before * 2.0);
        last = Some(rate);
        // Everything that this process holds, the text included.
        if let Some(peak) = peak_bytes() {
            let times = peak / text.len() as f64;
            println!("              peak memory {times:.1} times the file (goal 12)");
            good &= cells < 1_000_000 || times <= 12.0;
        }
    }
    println!(
        "{}",
        if good {
            "all limits kept"
        } else {
            "A LIMIT IS MISSED"
        }
    );
    ExitCode::from(u8::from(!good))
}

/// The same file through GHDL's analysis in the same run; the start of the program, measured on an empty package, is
/// taken off its time. True if we are ten times as fast, or if it is not installed.
fn against_ghdl() -> bool {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("bench-ghdl");
    let analyse = |file: &str| {
        let run = Command::new("ghdl-mcode")
            .args(["-a", "--std=93c", file])
            .current_dir(&folder)
            .output();
        run.is_ok_and(|out| out.status.success())
    };
    let write = |file: &str, text: &[u8]| std::fs::write(folder.join(file), text).is_ok();
    let package = standard_package("STD_1149_1_2001").unwrap_or_default();
    let text = part(3_000);
    let ours = String::from_utf8_lossy(&text).replace("use STD_", "use work.STD_");
    let ready = std::fs::create_dir_all(&folder).is_ok()
        && write("package.vhd", package.as_bytes())
        && write("empty.vhd", b"package EMPTY is end EMPTY;")
        && write("part.vhd", ours.as_bytes())
        && analyse("package.vhd");
    if !ready {
        println!("  GHDL is not installed: nothing to compare with");
        return true;
    }
    assert!(analyse("part.vhd"), "GHDL rejects the made-up part");
    // The shortest of several runs on the wall: another process's time on a core is not ours to read.
    let shortest = |file: &str| {
        let time = |_| {
            let start = Instant::now();
            black_box(analyse(file));
            start.elapsed()
        };
        (0..15).map(time).min().unwrap_or_default()
    };
    let theirs = shortest("part.vhd").saturating_sub(shortest("empty.vhd"));
    let own = time(|| parse(black_box(&text), &Options::default()));
    let ratio = theirs.as_secs_f64() / own.as_secs_f64();
    println!(
        "  GHDL analyses the 3000 cells in {theirs:?}, we read and check them in {own:?}: {ratio:.0} times as fast (goal 10)"
    );
    ratio >= 10.0
}

/// Reads the texts one after another; true if the goal is kept.
fn measure(what: &str, texts: &[Vec<u8>]) -> bool {
    let bytes: usize = texts.iter().map(Vec::len).sum();
    assert!(
        texts.iter().all(|t| parse(t, &Options::default())
            .device
            .is_some_and(|d| !d.cells.is_empty())),
        "{what}"
    );
    let reading = time(|| {
        texts
            .iter()
            .map(|t| parse(black_box(t), &Options::default()).diagnostics.len())
            .sum::<usize>()
    });
    let counting = time(|| {
        texts
            .iter()
            .map(|t| memchr::memchr_iter(b'\n', black_box(t)).count())
            .sum::<usize>()
    });
    let rate = bytes as f64 / 1e6 / reading.as_secs_f64();
    let ratio = reading.as_secs_f64() / counting.as_secs_f64();
    println!(
        "  {what}: {bytes} bytes in {reading:?} = {rate:.0} MB/s, {ratio:.0} times a count of its lines"
    );
    rate >= GOAL
}

/// The most memory that this process has held, where the system tells (Linux).
fn peak_bytes() -> Option<f64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|l| l.starts_with("VmHWM:"))?;
    line.split_whitespace()
        .nth(1)?
        .parse::<f64>()
        .ok()
        .map(|kilobytes| kilobytes * 1024.0)
}

/// Time of one run: the mean over as many as take 0.4 seconds, because the system counts in coarse steps.
fn time<T>(mut job: impl FnMut() -> T) -> Duration {
    let mut runs = 1;
    loop {
        let start = now();
        for _ in 0..runs {
            black_box(job());
        }
        let spent = now() - start;
        if spent > Duration::from_millis(400) {
            return spent / runs;
        }
        runs *= 2;
    }
}

/// Time that this thread has spent on a core, where the system tells (Linux), else time on the wall.
fn now() -> Duration {
    static START: OnceLock<Instant> = OnceLock::new();
    let spent = std::fs::read_to_string("/proc/thread-self/schedstat").ok();
    let nanos = spent.and_then(|line| line.split(' ').next()?.parse().ok());
    nanos.map_or_else(
        || START.get_or_init(Instant::now).elapsed(),
        Duration::from_nanos,
    )
}

/// A part with three cells a pin, in the layout that makers' files have.
fn part(cells: usize) -> Vec<u8> {
    let pins = cells / 3;
    let mut t = String::from(
        "-- a made-up part\nentity LOOM is\n\ngeneric (PHYSICAL_PIN_MAP : string := \"BGA\");\n\nport (\n",
    );
    for pin in 0..pins {
        let _ = writeln!(
            t,
            "    IO_{pin}: inout bit; -- {}",
            if pin % 2 == 0 { "warp" } else { "weft" }
        );
    }
    t.push_str("    TDI, TMS, TCK: in bit;\n    TDO: out bit\n);\n\nuse STD_1149_1_2001.all;\n");
    t.push_str("attribute COMPONENT_CONFORMANCE of LOOM : entity is \"STD_1149_1_2001\";\n");
    t.push_str("attribute PIN_MAP of LOOM : entity is PHYSICAL_PIN_MAP;\nconstant BGA : PIN_MAP_STRING :=\n");
    for pin in 0..pins {
        let _ = writeln!(t, "    \"IO_{pin} : A{pin}, \" &");
    }
    t.push_str("    \"TDI : B1, TMS : B2, TCK : B3, TDO : B4\";\n");
    for (name, port) in [("IN", "TDI"), ("OUT", "TDO"), ("MODE", "TMS")] {
        let _ = writeln!(t, "attribute TAP_SCAN_{name} of {port} : signal is true;");
    }
    t.push_str("attribute TAP_SCAN_CLOCK of TCK : signal is (10.0e6, BOTH);\n");
    t.push_str("attribute INSTRUCTION_LENGTH of LOOM : entity is 4;\n");
    t.push_str("attribute INSTRUCTION_OPCODE of LOOM : entity is\n");
    t.push_str("    \"BYPASS (1111), EXTEST (0000), SAMPLE (0001), PRELOAD (0001)\";\n");
    t.push_str("attribute INSTRUCTION_CAPTURE of LOOM : entity is \"XX01\";\n");
    let _ = writeln!(
        t,
        "attribute BOUNDARY_LENGTH of LOOM : entity is {};",
        pins * 3
    );
    t.push_str("attribute BOUNDARY_REGISTER of LOOM : entity is\n--  num  cell  port  function  safe  ccell disval rslt\n");
    for pin in 0..pins {
        let base = pin * 3;
        let _ = writeln!(
            t,
            "  \"{base:4} (BC_1, *, controlr, 1),                   \" &"
        );
        let _ = writeln!(
            t,
            "  \"{:4} (BC_1, IO_{pin}, output3, X, {base:3}, 1, Z),  \" &",
            base + 1
        );
        let end = if pin + 1 == pins { ");\"" } else { "),\"&" };
        let _ = writeln!(
            t,
            "  \"{:4} (BC_4, IO_{pin}, input, X{}",
            base + 2,
            end.replace(";\"", "\";")
        );
    }
    t.push_str("end LOOM;\n");
    t.into_bytes()
}
