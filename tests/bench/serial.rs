//! How fast and in how little memory serial vectors are read: played into a port that takes everything, beside the `hex`
//! crate on the same digits; rehearsed; and one gigabyte as a stream. Prints counts and ratios beside their limits.

#![allow(clippy::print_stdout, reason = "a benchmark prints its counts")]

use std::fmt::Write;
use std::io::Read;
use std::process::ExitCode;
use std::time::{Duration, Instant};

use taploom::load::play::{ChainPads, PlayOptions, play, rehearse};
use taploom::svf::Limits;
use taploom::tap::{Answers, Piece, Port, PortError, Ticket, Traffic};

/// Takes every piece, answers nothing.
#[derive(Default)]
struct Null {
    bits: u64,
}

impl Port for Null {
    fn submit(&mut self, piece: Piece) -> Result<Ticket, PortError> {
        self.bits += piece.shift_bits() as u64;
        Ok(Ticket(0))
    }
    fn collect(&mut self, _: Ticket) -> Result<Answers, PortError> {
        Ok(Answers::default())
    }
    fn set_tck_hz(&mut self, hz: u32) -> Result<u32, PortError> {
        Ok(hz)
    }
    fn release(&mut self) -> Result<(), PortError> {
        Ok(())
    }
    fn traffic(&self) -> Traffic {
        Traffic::default()
    }
}

fn options() -> PlayOptions<'static> {
    PlayOptions {
        limits: Limits::default(),
        keep_going: false,
        compare: true,
        pads: ChainPads::default(),
        tck_hz: 30_000_000,
        inspect: None,
        locate: None,
        spares: &[],
    }
}

/// Scans of 64 KiB of data each, digits that change.
fn text(scans: usize) -> (String, usize) {
    const BYTES: usize = 64 * 1024;
    let mut text = String::from("SIR 8 TDI (0F);\n");
    for scan in 0..scans {
        let _ = write!(text, "SDR {} TDI (", BYTES * 8);
        for byte in 0..BYTES {
            let _ = write!(text, "{:02x}", (byte * 7 + scan) as u8);
        }
        text.push_str(");\n");
    }
    (text, scans * BYTES * 2)
}

/// The fastest of some runs.
fn fastest(mut run: impl FnMut()) -> Duration {
    (0..5)
        .map(|_| {
            let start = Instant::now();
            run();
            start.elapsed()
        })
        .min()
        .unwrap_or_default()
}

/// Gives the same text again and again.
struct Again<'a> {
    text: &'a [u8],
    at: usize,
    left: u64,
}

impl Read for Again<'_> {
    fn read(&mut self, into: &mut [u8]) -> std::io::Result<usize> {
        if self.left == 0 {
            return Ok(0);
        }
        let n = into.len().min(self.text.len() - self.at);
        into[..n].copy_from_slice(&self.text[self.at..self.at + n]);
        self.at = (self.at + n) % self.text.len();
        if self.at == 0 {
            self.left -= 1;
        }
        Ok(n)
    }
}

/// The most memory that this process ever had, in KiB, where the system tells.
fn peak_kib() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|l| l.starts_with("VmHWM:"))?;
    line.split_whitespace().nth(1)?.parse().ok()
}

fn main() -> ExitCode {
    let mut beyond = 0;
    let mut row = |what: &str, value: f64, limit: f64, below: bool| {
        let good = if below {
            value <= limit
        } else {
            value >= limit
        };
        beyond += u32::from(!good);
        let sign = if below { "at most" } else { "at least" };
        println!(
            "{what:<58} {value:>9.2}   {sign} {limit}{}",
            if good { "" } else { "   BEYOND" }
        );
    };

    // Memory first: what comes later holds whole texts.
    let (unit, _) = text(8);
    let rounds = (1 << 30) / unit.len() as u64;
    let stream = Again {
        text: unit.as_bytes(),
        at: 0,
        left: rounds,
    };
    let before = peak_kib();
    let mut port = Null::default();
    let (played, error) = play(stream, &mut port, &options());
    assert!(error.is_none() && played.complete);
    assert_eq!(port.bits, played.bits_shifted);
    println!(
        "{} statements, {} bits played from a stream of 1 GiB",
        played.commands.values().sum::<u64>(),
        port.bits
    );
    match (before, peak_kib()) {
        (Some(_), Some(kib)) => row(
            "peak memory of the process, MiB",
            kib as f64 / 1024.0,
            64.0,
            true,
        ),
        _ => println!("this system does not tell the peak memory"),
    }

    let (text, digits) = text(256);
    let playing = fastest(|| {
        let (played, error) = play(text.as_bytes(), &mut Null::default(), &options());
        assert!(error.is_none() && played.complete);
    });
    let clean: Vec<Vec<u8>> = text
        .split(['(', ')'])
        .filter(|part| part.len() > 2 && part.bytes().all(|b| b.is_ascii_hexdigit()))
        .map(|part| part.as_bytes().to_vec())
        .collect();
    let decoding = fastest(|| {
        for part in &clean {
            std::hint::black_box(hex::decode(part).expect("digits"));
        }
    });
    println!("{digits} digits");
    row(
        "playing into a null port, times the hex crate's time",
        playing.as_secs_f64() / decoding.as_secs_f64(),
        1.5,
        true,
    );
    let rehearsing = fastest(|| {
        let (played, error) = rehearse(text.as_bytes(), &options());
        assert!(error.is_none() && played.complete);
    });
    row(
        "rehearsing, MB/s of text",
        text.len() as f64 / rehearsing.as_secs_f64() / 1e6,
        50.0,
        false,
    );
    if beyond == 0 {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    }
}
