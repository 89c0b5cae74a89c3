//! How much memory the program takes for large files, as the system counts it for the whole process: a raw image of 100 MB
//! loaded through the emulated adapter, plain and packed, and serial vectors of 1 GB (of 100 MB unless `TAPLOOM_TESTS=full`)
//! and of one statement as large as the reader allows. Prints figures beside their limits.

#![allow(clippy::print_stdout, reason = "a benchmark prints its counts")]

use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};
use std::process::{Command, ExitCode, Stdio};
use std::time::{Duration, Instant};

const BOARD: &str = "fixtures/benchmark/board.toml";
const BENCH: &str = "fixtures/benchmark/as-drawn.toml";

/// A recipe without rules about the image: any bytes into the boundary register by PRELOAD, which drives nothing.
const RECIPE: &str = r#"
[recipe]
format = 1
name = "any bytes"
entities = ["SHUTTLE_44"]
source = "this benchmark"
[image]
bits = "lsb first"
[[load]]
instruction = "PRELOAD"
image = "send"
"#;

/// Bytes that do not pack well, another sequence in each block.
fn fill(out: &mut dyn Write, bytes: u64) -> std::io::Result<()> {
    let mut state = 0x5EED_u64;
    let mut block = [0; 8192];
    let mut left = bytes;
    while left > 0 {
        for word in block.chunks_mut(8) {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            word.copy_from_slice(&(state ^ state >> 29).to_le_bytes());
        }
        let n = left.min(block.len() as u64) as usize;
        out.write_all(&block[..n])?;
        left -= n as u64;
    }
    Ok(())
}

fn file(path: &Path) -> BufWriter<File> {
    BufWriter::new(File::create(path).expect("the build folder can be written"))
}

/// The most memory that a run of the program had, in MiB, and how long it took.
fn measured(arguments: &[&str]) -> (Option<f64>, Duration) {
    let began = Instant::now();
    let mut child = Command::new(env!("CARGO_BIN_EXE_taploom"))
        .args(arguments)
        .arg("--json")
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .stdout(Stdio::null())
        .stderr(Stdio::inherit())
        .spawn()
        .expect("the program starts");
    let mut most = None;
    let status = loop {
        // The high-water mark only rises: the last look before the end is the figure.
        if let Ok(text) = std::fs::read_to_string(format!("/proc/{}/status", child.id()))
            && let Some(line) = text.lines().find(|l| l.starts_with("VmHWM:"))
            && let Some(kib) = line
                .split_whitespace()
                .nth(1)
                .and_then(|n| n.parse::<f64>().ok())
        {
            most = Some(kib / 1024.0);
        }
        if let Some(status) = child.try_wait().expect("our own child") {
            break status;
        }
        std::thread::sleep(Duration::from_millis(2));
    };
    assert!(status.success(), "{arguments:?}: {status}");
    (most, began.elapsed())
}

fn main() -> ExitCode {
    let full = std::env::var("TAPLOOM_TESTS").is_ok_and(|v| v == "full");
    let folder: PathBuf =
        Path::new(env!("CARGO_TARGET_TMPDIR")).join(format!("memory-{}", std::process::id()));
    std::fs::create_dir_all(&folder).expect("the build folder can be written");
    let path = |name: &str| folder.join(name);
    let text = |name: &str| path(name).display().to_string();
    let mut beyond = 0;
    let mut row = |what: &str, arguments: &[&str], limit: f64| match measured(arguments) {
        (Some(mib), time) => {
            let good = mib <= limit;
            beyond += u32::from(!good);
            println!(
                "{what:<64} {mib:>7.1} MiB   at most {limit}   ({:.1} s){}",
                time.as_secs_f64(),
                if good { "" } else { "   BEYOND" }
            );
        }
        (None, _) => println!("{what}: this system does not tell the memory of a process"),
    };

    let image_bytes: u64 = 100_000_000;
    std::fs::write(path("any.toml"), RECIPE).expect("a file of our own");
    fill(&mut file(&path("image.bin")), image_bytes).expect("room for the image");
    let mut packer =
        flate2::write::GzEncoder::new(file(&path("image.gz")), flate2::Compression::fast());
    fill(&mut packer, image_bytes)
        .and_then(|()| packer.finish().map(drop))
        .expect("room for the image");
    for (what, name) in [("raw", "image.bin"), ("packed", "image.gz")] {
        let (image, recipe) = (text(name), text("any.toml"));
        let load = [
            "load",
            BOARD,
            "U3",
            &image,
            "--recipe",
            &recipe,
            "--simulate",
            BENCH,
            "--machine",
            "off",
            "--yes",
        ];
        row(
            &format!(
                "{what} image of {} MB, loaded on the simulated bench",
                image_bytes / 1_000_000
            ),
            &load,
            32.0,
        );
    }

    // Long scans on many lines, as design tools write them.
    let vectors_bytes: u64 = if full { 1_000_000_000 } else { 100_000_000 };
    let mut out = file(&path("long.svf"));
    let line = "5A0F".repeat(60);
    let scan = format!(
        "SDR {} TDI (\n{});\n",
        960 * 1000,
        format!("{line}\n").repeat(1000)
    );
    for _ in 0..vectors_bytes / scan.len() as u64 {
        out.write_all(scan.as_bytes())
            .expect("room for the vectors");
    }
    out.flush().expect("room for the vectors");
    let vectors = text("long.svf");
    row(
        &format!(
            "serial vectors of {} MB, rehearsed",
            vectors_bytes / 1_000_000
        ),
        &["play", BOARD, &vectors, "--dry"],
        64.0,
    );
    // One statement with as much data as the reader takes: 16 MiB of values.
    let bytes = (16 << 20) - 64;
    let digits = "A5".repeat(bytes);
    std::fs::write(
        path("one.svf"),
        format!("SDR {} TDI ({digits});\n", bytes * 8),
    )
    .expect("room for the vectors");
    let one = text("one.svf");
    row(
        "one statement with 16 MiB of data, rehearsed",
        &["play", BOARD, &one, "--dry"],
        64.0,
    );
    let play = [
        "play",
        BOARD,
        &one,
        "--device",
        "U3",
        "--simulate",
        BENCH,
        "--machine",
        "off",
        "--yes",
    ];
    row("the same, played on the simulated bench", &play, 64.0);
    std::fs::remove_dir_all(&folder).expect("our own folder");
    if beyond == 0 {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    }
}
