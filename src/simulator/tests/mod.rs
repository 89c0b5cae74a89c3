//! The bench held to worked cases, by TMS and TDI strings written by hand. **First bit left** in all of them.

mod blocks;
mod chain;
mod chain_faults;
mod corpus;
mod faults;
mod files;
mod images;
mod octal;
mod parts;

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU32, Ordering};

use super::{Bench, BenchError, Seen};
use crate::bits::Bits;
use crate::tap::Clocks;

/// The scenario's folder.
fn scenario() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/knitting-machine")
}

fn scenario_bench(name: &str) -> Bench {
    Bench::open(scenario().join(name)).unwrap_or_else(|e| panic!("{e}"))
}

/// Bits from text, first bit left; blanks do not count.
fn bits(text: &str) -> Bits {
    let digits = text.bytes().filter(|b| !b.is_ascii_whitespace());
    digits.map(|b| b == b'1').collect()
}

fn text(bits: &Bits) -> String {
    bits.iter().map(|b| if b { '1' } else { '0' }).collect()
}

/// Clocks TMS and TDI and gives TDO.
fn clock(bench: &mut Bench, tms: &str, tdi: &str) -> String {
    let (tms, tdi) = (bits(tms), bits(tdi));
    assert_eq!(tms.len(), tdi.len(), "as many TMS as TDI bits");
    text(&bench.clock(&tms, &tdi).unwrap())
}

/// Test-Logic-Reset, then Run-Test/Idle.
fn reset(bench: &mut Bench) {
    clock(bench, "11111 0", "11111 0");
}

/// From Run-Test/Idle through a whole scan and back.
fn scan(bench: &mut Bench, to_shift: &str, tdi: &str) -> String {
    let tdi = text(&bits(tdi));
    let pad = "0".repeat(to_shift.len());
    let tms = format!("{to_shift}{}1 10", "0".repeat(tdi.len() - 1));
    let out = clock(bench, &tms, &format!("{pad}{tdi}00"));
    out[to_shift.len()..to_shift.len() + tdi.len()].to_string()
}

fn scan_ir(bench: &mut Bench, tdi: &str) -> String {
    scan(bench, "1100", tdi)
}

fn scan_dr(bench: &mut Bench, tdi: &str) -> String {
    scan(bench, "100", tdi)
}

fn seen(bench: &Bench) -> Seen {
    bench.witness().seen()
}

/// A folder of its own for one test, removed when done.
struct Scratch(PathBuf);

impl Scratch {
    fn new() -> Self {
        static COUNT: AtomicU32 = AtomicU32::new(0);
        let number = COUNT.fetch_add(1, Ordering::Relaxed);
        let name = format!("taploom-bench-{}-{number}", std::process::id());
        let path = std::env::temp_dir().join(name);
        std::fs::create_dir_all(&path).unwrap();
        Self(path)
    }

    fn write(&self, name: &str, text: &str) -> PathBuf {
        let path = self.0.join(name);
        std::fs::write(&path, text).unwrap();
        path
    }

    /// A bench from the texts of its files.
    fn open(&self, board: &str, bench: &str) -> Result<Bench, BenchError> {
        self.write("board.toml", board);
        let bench = format!("[bench]\nformat = 1\nboard = \"board.toml\"\n{bench}");
        Bench::open(self.write("bench.toml", &bench))
    }
}

impl Drop for Scratch {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

/// BSDL of a part with `pins` bidirectional pins, 1 to `pins`: cell 2i controls pin i + 1, cell 2i + 1 is its BC_7.
/// IR 4 bits: EXTEST 0000, SAMPLE 0001, IDCODE 0010, HIGHZ 0011, CLAMP 0100, SECRET 0101 (private), BYPASS 1111.
fn loom(entity: &str, pins: usize, disable_result: &str) -> String {
    let cell = |i: usize| {
        format!(
            "\"{} (BC_1, *, controlr, 0), {} (BC_7, P({}), bidir, X, {}, 0, {disable_result})",
            2 * i,
            2 * i + 1,
            i + 1,
            2 * i
        )
    };
    let cells: Vec<String> = (0..pins).map(cell).collect();
    let numbers: Vec<String> = (1..=pins).map(|i| i.to_string()).collect();
    format!(
        "entity {entity} is
  generic (PHYSICAL_PIN_MAP : string := \"PK\");
  port (TDI, TMS, TCK : in bit; TDO : out bit; P : inout bit_vector(1 to {pins}));
  use STD_1149_1_2001.all;
  attribute COMPONENT_CONFORMANCE of {entity} : entity is \"STD_1149_1_2001\";
  attribute PIN_MAP of {entity} : entity is PHYSICAL_PIN_MAP;
  constant PK : PIN_MAP_STRING := \"TDI:T1, TMS:T2, TCK:T3, TDO:T4, P:({})\";
  attribute TAP_SCAN_IN of TDI : signal is true;
  attribute TAP_SCAN_MODE of TMS : signal is true;
  attribute TAP_SCAN_OUT of TDO : signal is true;
  attribute TAP_SCAN_CLOCK of TCK : signal is (10.0e6, BOTH);
  attribute INSTRUCTION_LENGTH of {entity} : entity is 4;
  attribute INSTRUCTION_OPCODE of {entity} : entity is \"BYPASS (1111), EXTEST (0000), SAMPLE (0001),\"
    & \"PRELOAD (0001), IDCODE (0010), HIGHZ (0011), CLAMP (0100), SECRET (0101)\";
  attribute INSTRUCTION_CAPTURE of {entity} : entity is \"0001\";
  attribute INSTRUCTION_PRIVATE of {entity} : entity is \"SECRET\";
  attribute IDCODE_REGISTER of {entity} : entity is \"0001\" & \"0010001101000101\" & \"01010000000\" & \"1\";
  attribute BOUNDARY_LENGTH of {entity} : entity is {};
  attribute BOUNDARY_REGISTER of {entity} : entity is {}\";
end {entity};
",
        numbers.join(", "),
        2 * pins,
        cells.join(",\" & "),
    )
}

/// Two of these parts, U1 and U2, pin n of the one wired to pin n of the other by wire Wn, and their bench.
struct Rig {
    bench: Bench,
    pins: usize,
}

impl Rig {
    fn new(pins: usize, bench: &str) -> Self {
        Self::with(pins, "", bench)
    }

    fn with(pins: usize, more_board: &str, bench: &str) -> Self {
        let scratch = Scratch::new();
        scratch.write("loom.bsd", &loom("LOOM", pins, "Z"));
        let board = rig_board(pins, more_board);
        let bench = scratch
            .open(&board, bench)
            .unwrap_or_else(|e| panic!("{e}"));
        let mut rig = Self { bench, pins };
        reset(&mut rig.bench);
        rig
    }

    /// A data scan with these pins enabled (device 1 or 2, pin, level), all others off; gives the levels on the pins
    /// as captured before it took effect.
    fn exchange(&mut self, driven: &[(usize, usize, bool)]) -> [Vec<bool>; 2] {
        // The device nearest TDO goes first.
        let mut image = vec![b'0'; 4 * self.pins];
        for &(device, pin, level) in driven {
            let base = if device == 2 { 0 } else { 2 * self.pins };
            image[base + 2 * (pin - 1)] = b'1';
            image[base + 2 * (pin - 1) + 1] = if level { b'1' } else { b'0' };
        }
        let out = scan_dr(&mut self.bench, std::str::from_utf8(&image).unwrap());
        let level = |base: usize, pin: usize| out.as_bytes()[base + 2 * pin + 1] == b'1';
        [2 * self.pins, 0].map(|base| (0..self.pins).map(|p| level(base, p)).collect())
    }

    /// Selects EXTEST with all drivers off.
    fn extest(&mut self) {
        scan_ir(&mut self.bench, "1000 1000");
        self.exchange(&[]);
        scan_ir(&mut self.bench, "0000 0000");
    }

    /// Drives, then looks: the levels on the pins of both devices.
    fn drive(&mut self, driven: &[(usize, usize, bool)]) -> [Vec<bool>; 2] {
        self.exchange(driven);
        self.exchange(driven)
    }

    /// What the pin of device 2 hears while the pin of device 1 drives each level in turn.
    fn hears(&mut self, from: usize, to: usize) -> [bool; 2] {
        [false, true].map(|level| self.drive(&[(1, from, level)])[1][to - 1])
    }
}

fn rig_board(pins: usize, more: &str) -> String {
    let wire =
        |i: usize| format!("[[wire]]\nlabel = \"W{i}\"\nfrom = \"U1.{i}\"\nto = \"U2.{i}\"\n");
    let wires: String = (1..=pins).map(wire).collect();
    format!(
        "[board]\nformat = 1\nname = \"rig\"\nbsdl = [\".\"]\n\
         [[device]]\nname = \"U1\"\nentity = \"LOOM\"\n[[device]]\nname = \"U2\"\nentity = \"LOOM\"\n{wires}{more}"
    )
}
