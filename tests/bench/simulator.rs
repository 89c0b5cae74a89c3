//! How fast the simulated bench takes cycles of TCK: four devices of 1,500 cells together, whole boundary scans under
//! EXTEST with data that changes, and long shifts through BYPASS. Prints counts; goal 30 million cycles a second.

#![allow(clippy::print_stdout, reason = "a benchmark prints its counts")]

use std::fmt::Write;
use std::path::Path;
use std::time::Instant;

use taploom::bits::Bits;
use taploom::simulator::Bench;
use taploom::tap::Clocks;

const CELLS: usize = 375;
const GOAL: f64 = 30e6;

/// A part of 125 pins with control, output and input cell each.
fn part() -> String {
    let mut cells = String::new();
    for pin in 1..=CELLS / 3 {
        let at = 3 * (pin - 1);
        let end = if pin == CELLS / 3 { "" } else { "," };
        let _ = write!(
            cells,
            "\"{at} (BC_2, *, controlr, 0),{} (BC_1, P({pin}), output3, X, {at}, 0, Z),{} (BC_4, P({pin}), input, X){end}\" & ",
            at + 1,
            at + 2,
        );
    }
    let pins: Vec<String> = (1..=CELLS / 3).map(|p| p.to_string()).collect();
    format!(
        "entity WARP is generic (PHYSICAL_PIN_MAP : string := \"PK\");
port (TDI, TMS, TCK : in bit; TDO : out bit; P : inout bit_vector(1 to {}));
use STD_1149_1_2001.all;
attribute COMPONENT_CONFORMANCE of WARP : entity is \"STD_1149_1_2001\";
attribute PIN_MAP of WARP : entity is PHYSICAL_PIN_MAP;
constant PK : PIN_MAP_STRING := \"TDI:T1, TMS:T2, TCK:T3, TDO:T4, P:({})\";
attribute TAP_SCAN_IN of TDI : signal is true;
attribute TAP_SCAN_MODE of TMS : signal is true;
attribute TAP_SCAN_OUT of TDO : signal is true;
attribute TAP_SCAN_CLOCK of TCK : signal is (30.0e6, BOTH);
attribute INSTRUCTION_LENGTH of WARP : entity is 4;
attribute INSTRUCTION_OPCODE of WARP : entity is \"BYPASS (1111), EXTEST (0000), SAMPLE (0001), PRELOAD (0001)\";
attribute INSTRUCTION_CAPTURE of WARP : entity is \"0001\";
attribute BOUNDARY_LENGTH of WARP : entity is {CELLS};
attribute BOUNDARY_REGISTER of WARP : entity is {};
end WARP;",
        CELLS / 3,
        pins.join(","),
        cells.trim_end_matches(" & "),
    )
}

fn bench(folder: &Path) -> Bench {
    std::fs::create_dir_all(folder).expect("a scratch folder");
    let write =
        |name: &str, text: String| std::fs::write(folder.join(name), text).expect("written");
    write("warp.bsd", part());
    let mut board = String::from("[board]\nformat = 1\nname = \"rate\"\nbsdl = [\".\"]\n");
    for device in 1..=4 {
        let _ = write!(
            board,
            "[[device]]\nname = \"U{device}\"\nentity = \"WARP\"\n"
        );
    }
    for pin in 1..=CELLS / 3 {
        let _ = write!(
            board,
            "[[wire]]\nlabel = \"A{pin}\"\nfrom = \"U1.{pin}\"\nto = \"U2.{pin}\"\n"
        );
        let _ = write!(
            board,
            "[[wire]]\nlabel = \"B{pin}\"\nfrom = \"U3.{pin}\"\nto = \"U4.{pin}\"\n"
        );
    }
    write("board.toml", board);
    write(
        "bench.toml",
        "[bench]\nformat = 1\nboard = \"board.toml\"\n".into(),
    );
    Bench::open(folder.join("bench.toml")).expect("the bench opens")
}

/// TMS and TDI of a scan from Run-Test/Idle and back.
fn scan(to_shift: &[bool], data: &Bits) -> (Bits, Bits) {
    let mut tms: Bits = to_shift.iter().copied().collect();
    tms.push_run(false, data.len() - 1);
    tms.push_u64(0b011, 3);
    let mut tdi = Bits::zeros(to_shift.len());
    tdi.append(data);
    tdi.push_run(false, 2);
    (tms, tdi)
}

fn main() {
    let folder = std::env::temp_dir().join(format!("taploom-rate-{}", std::process::id()));
    let mut bench = bench(&folder);
    let _ = std::fs::remove_dir_all(&folder);
    let clock =
        |bench: &mut Bench, scan: &(Bits, Bits)| bench.clock(&scan.0, &scan.1).expect("clocked");
    bench
        .clock(&Bits::from_u64(0x1f, 6), &Bits::ones(6))
        .expect("reset");
    let ir = |code: u64| {
        scan(
            &[true, true, false, false],
            &Bits::from_u64(code * 0x1111, 16),
        )
    };
    clock(&mut bench, &ir(0b0001));
    // U1 and U3 drive, everything else listens; two images, half of the outputs change between them.
    let image = |flip: usize| {
        let cell = |i: usize| match (i / CELLS, i % CELLS % 3) {
            (1 | 3, 0) => true,
            (1 | 3, 1) => (i / 3 + flip).is_multiple_of(2) == (i / 6).is_multiple_of(2),
            _ => false,
        };
        scan(&[true, false, false], &(0..4 * CELLS).map(cell).collect())
    };
    let images = [image(0), image(1)];
    clock(&mut bench, &images[0]);
    clock(&mut bench, &ir(0));
    let report = |what: &str, cycles: u64, seconds: f64| {
        let rate = cycles as f64 / seconds;
        println!(
            "{what}: {cycles} TCK, {:.1} M TCK/s, {:.2} of the goal",
            rate / 1e6,
            rate / GOAL
        );
    };

    let scans = 20_000u64;
    let (start, first) = (Instant::now(), bench.witness().seen().tck_cycles);
    for i in 0..scans {
        clock(&mut bench, &images[i as usize % 2]);
    }
    let seen = bench.witness().seen();
    report(
        "boundary scans under EXTEST, 4 × 375 cells",
        seen.tck_cycles - first,
        start.elapsed().as_secs_f64(),
    );
    assert_eq!(seen.extest_updates, scans + 1, "every scan updated");
    assert_eq!(seen.fight_count, 0);

    clock(&mut bench, &ir(0b1111));
    let long = scan(&[true, false, false], &Bits::ones(1 << 20));
    let (start, first) = (Instant::now(), bench.witness().seen().tck_cycles);
    for _ in 0..20 {
        clock(&mut bench, &long);
    }
    let cycles = bench.witness().seen().tck_cycles - first;
    report(
        "long shifts through BYPASS",
        cycles,
        start.elapsed().as_secs_f64(),
    );
}
