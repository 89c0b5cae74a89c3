//! What the encoder makes of the wire: share of TCK in virtual time, USB bytes, round trips, on each emulated chip;
//! and how fast it encodes and decodes on one core. Prints counts beside their goals.

#![allow(clippy::print_stdout, reason = "a benchmark prints its counts")]

use std::collections::VecDeque;
use std::path::Path;
use std::time::{Duration, Instant};

use taploom::bits::Bits;
use taploom::chain::discover;
use taploom::simulator::Bench;
use taploom::simulator::adapter::{EmulatedAdapter, Model};
use taploom::tap::{PieceLimits, Port, ScanProgram, TapState};
use taploom::transport::{BitBang, Mpsse, Profile, Usb, UsbCounts, UsbError};

#[path = "../support/ports.rs"]
#[allow(dead_code, reason = "some of it is for tests alone")]
mod ports;

use ports::{Watched, Wire, blind_shift, captured_vectors, moved, mpsse, random_bits};

/// A device that gives the answers of an earlier run at once, so that only the encoder works.
struct Canned {
    reads: VecDeque<Vec<u8>>,
    packet: usize,
    release: u16,
    counts: UsbCounts,
}

impl Usb for Canned {
    fn control_out(&mut self, _: u8, _: u16, _: u16) -> Result<(), UsbError> {
        Ok(())
    }
    fn control_in(&mut self, _: u8, _: u16, _: u16, _: u16) -> Result<Vec<u8>, UsbError> {
        Ok(Vec::new())
    }
    fn listen(&mut self, _: usize, _: usize) -> Result<(), UsbError> {
        Ok(())
    }
    fn write(&mut self, data: Vec<u8>, _: Duration) -> Result<(), UsbError> {
        self.counts.out_bytes += data.len() as u64;
        Ok(())
    }
    fn read(&mut self, _: Duration) -> Result<Vec<u8>, UsbError> {
        self.reads.pop_front().ok_or(UsbError::TimedOut { done: 0 })
    }
    fn pause(&mut self, _: Duration) {}
    fn packet_bytes(&self) -> usize {
        self.packet
    }
    fn product(&self) -> u16 {
        0x6010
    }
    fn release(&self) -> u16 {
        self.release
    }
    fn name(&self) -> String {
        "canned answers".to_owned()
    }
    fn counts(&self) -> UsbCounts {
        self.counts
    }
    fn now(&self) -> Duration {
        Duration::ZERO
    }
}

fn open<U: Usb>(usb: U, high_lines: u8, hz: u32) -> Mpsse<U> {
    let mut port = mpsse(usb, high_lines).expect("the emulated chip opens");
    port.set_tck_hz(hz).expect("the chip makes that rate");
    port
}

/// A yardstick of this machine just now, in MB/s: a byte-wise checksum of as much data as the encoder is given.
fn copy_rate() -> f64 {
    let data: Vec<u8> = (0..8u32 << 20)
        .map(|i| (i.wrapping_mul(2_654_435_761) >> 13) as u8)
        .collect();
    let began = Instant::now();
    let sum = data
        .iter()
        .fold(0u32, |sum, &byte| sum.rotate_left(1) ^ u32::from(byte));
    std::hint::black_box(sum);
    data.len() as f64 / 1e6 / began.elapsed().as_secs_f64()
}

fn main() {
    let (h, c) = (30_000_000, 6_000_000);
    let chips = [
        (Model::ft2232h(), h),
        (Model::ft232h(), h),
        (Model::ft4232h(), h),
        (Model::ft2232c(), c),
    ];
    println!("1 MiB of payload through one of four devices, three BYPASS bits beside it:");
    for (model, hz) in chips.clone() {
        let (out, trips, share) = blind_shift(&model, hz, 1 << 20);
        let name = model.name;
        println!(
            "  {name:8} {share:6.2} % of TCK at {} MHz (goal 99)   {out:.5} bytes out a payload byte (goal 1.001)   {trips} round trips (goal 4)",
            hz / 1_000_000,
        );
        assert!(share >= 99.0 && out <= 1.001 && trips <= 4, "{name}");
    }

    println!("cold adapter to a discovered chain of five, knitting-machine board as drawn, 6 MHz:");
    let bench =
        Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/knitting-machine/as-drawn.toml");
    for (model, _) in chips.clone() {
        let bench = Bench::open(&bench).expect("the fixture opens");
        let (name, lines) = (model.name.clone(), model.high_lines);
        let mut port = open(EmulatedAdapter::new(model, bench), lines, c);
        let found = discover(&mut port, c).expect("the chain answers");
        let traffic = port.traffic();
        let goal = if name == "FT2232C" { 20 } else { 5 };
        println!(
            "  {name:8} {:6.2} ms (goal {goal})   {} round trips (goal 4)   {} devices   {} bytes out, {} in",
            traffic.elapsed.as_secs_f64() * 1000.0,
            traffic.round_trips,
            found.devices.len(),
            traffic.usb_out,
            traffic.usb_in,
        );
        let ms = traffic.elapsed.as_secs_f64() * 1000.0;
        assert!(ms <= f64::from(goal) && traffic.round_trips <= 4, "{name}");
    }

    println!("vectors over 1,500 cells, all captured:");
    for (model, hz) in chips {
        let (trips, share) = captured_vectors(&model, hz);
        let goal = if model.fast { 95.0 } else { 75.0 };
        let name = model.name;
        println!(
            "  {name:8} {share:6.2} % of cells / TCK at {} MHz (goal {goal})   {trips} round trips",
            hz / 1_000_000,
        );
        assert!(share >= goal, "{name}: {share}");
    }

    println!(
        "bit-bang against what USB at full speed carries, both ways in 19 packets a millisecond:"
    );
    for model in [Model::ft232r(), Model::ft_x()] {
        // 64 bytes a packet out, 62 back, two bytes a cycle each way.
        let ceiling = 19.0 * (64.0 * 62.0) / (64.0 + 62.0) / 2.0 * 1000.0;
        let name = model.name.clone();
        let profile = Profile::plain_bit_bang("plain module", 0);
        let mut port = BitBang::open(EmulatedAdapter::new(model, Wire), profile).expect("opens");
        let hz = port.set_tck_hz(u32::MAX).expect("a rate");
        for (what, captured) in [("out only", false), ("out and in", true)] {
            let bits = 1 << 20;
            let mut program = ScanProgram::new();
            if captured {
                program.scan_dr_captured(random_bits(1, bits), TapState::RunTestIdle);
            } else {
                program.scan_dr(random_bits(1, bits), TapState::RunTestIdle);
            }
            // Its answer comes behind everything.
            program.sense();
            let traffic = moved(&mut port, program, hz);
            let rate = bits as f64 / traffic.elapsed.as_secs_f64();
            let share = rate / ceiling * 100.0;
            println!(
                "  {name:8} {what:10} {share:6.2} % of {:.0} TCK a second (goal 95)   {} round trips (goal 4)",
                ceiling, traffic.round_trips,
            );
            assert!(share >= 95.0, "{name}: {share}");
        }
    }

    println!("encoding and decoding, one core:");
    let copied = copy_rate();
    for (what, read) in [("out only", false), ("out and in", true)] {
        let bytes = 8 << 20;
        let program = || {
            let mut program = ScanProgram::new();
            program.reset();
            if read {
                program.scan_dr_captured(random_bits(1, bytes * 8), TapState::RunTestIdle);
            } else {
                program.scan_dr(random_bits(1, bytes * 8), TapState::RunTestIdle);
            }
            program
        };
        let keeping = Watched::new(EmulatedAdapter::new(Model::ft2232h(), Wire));
        let mut port = open(keeping, 8, h);
        moved(&mut port, program(), h);
        let canned = Canned {
            reads: port.usb().reads.clone().into(),
            packet: 512,
            release: 0x0700,
            counts: UsbCounts::default(),
        };
        let mut port = open(canned, 8, h);
        let pieces = program().pieces(PieceLimits::at(h));
        let began = Instant::now();
        let mut answers = 0;
        let mut before = None;
        for piece in pieces {
            let ticket = port.submit(piece).expect("runs");
            if let Some(before) = before.replace(ticket) {
                let answer = port.collect(before).expect("runs");
                answers += answer.get(taploom::tap::Slot(0)).map_or(0, Bits::len);
            }
        }
        let answer = port
            .collect(before.expect("there are pieces"))
            .expect("runs");
        answers += answer.get(taploom::tap::Slot(0)).map_or(0, Bits::len);
        let took = began.elapsed().as_secs_f64();
        assert_eq!(answers, if read { bytes * 8 } else { 0 });
        let rate = bytes as f64 / 1e6 / took;
        println!(
            "  {what:10} {rate:6.0} MB/s of scan data (goal 200); a fold over as many bytes, one by one: {copied:.0} MB/s, \
             so {:.2} of it",
            rate / copied
        );
        assert!(rate >= 200.0, "{what}: {rate}");
    }
}
