//! Faults of the chain itself, by the symptoms that benches show (common practice).

use super::*;

/// What a blind interrogation reads: words of 32 bits, nearest TDO first; ones go in at TDI.
fn words(bench: &mut Bench, count: usize) -> Vec<u32> {
    clock(bench, "11111 0100", "11111 0000");
    let n = 32 * count;
    let out = clock(bench, &"0".repeat(n), &"01".repeat(n / 2));
    let word = |w: usize| {
        (0..32).fold(0, |v, i| {
            v | u32::from(out.as_bytes()[32 * w + i] == b'1') << i
        })
    };
    (0..count).map(word).collect()
}

const TDI: u32 = 0xAAAA_AAAA;
/// IDCODE of the part in the rig's BSDL: version 1, part 0x2345, maker 01010000000.
const ID: u32 = 0x1234_5501;

#[test]
fn a_whole_chain() {
    let mut rig = Rig::new(1, "");
    assert_eq!(words(&mut rig.bench, 3), [ID, ID, TDI]);
}

#[test]
fn a_cut_line_reads_its_level_for_ever() {
    for (reads, level) in [("high", u32::MAX), ("low", 0)] {
        let mut rig = Rig::new(
            1,
            &format!("[[chain_fault]]\nkind = \"broken\"\nafter = \"U1\"\nreads = \"{reads}\""),
        );
        assert_eq!(words(&mut rig.bench, 4), [ID, level, level, level]);
        let mut rig = Rig::new(
            1,
            &format!("[[chain_fault]]\nkind = \"broken\"\nreads = \"{reads}\""),
        );
        assert_eq!(words(&mut rig.bench, 4), [ID, ID, level, level]);
        let mut rig = Rig::new(
            1,
            &format!("[[chain_fault]]\nkind = \"broken\"\nafter = \"U2\"\nreads = \"{reads}\""),
        );
        assert_eq!(words(&mut rig.bench, 2), [level, level]);
    }
}

#[test]
fn a_stuck_tdo_is_stuck_in_every_state() {
    let mut rig = Rig::new(1, "[[chain_fault]]\nkind = \"stuck-tdo\"\nlevel = \"low\"");
    assert_eq!(
        clock(&mut rig.bench, "11111 00 1100 000", "00000000000000")
            .matches('1')
            .count(),
        0
    );
}

#[test]
fn wrong_missing_and_extra_devices() {
    let mut rig = Rig::new(
        1,
        "[[chain_fault]]\nkind = \"wrong-device\"\ndevice = \"U1\"\nidcode = \"0x2BADC0DF\"",
    );
    assert_eq!(words(&mut rig.bench, 3), [ID, 0x2BAD_C0DF, TDI]);
    let mut rig = Rig::new(1, "[[chain_fault]]\nkind = \"missing\"\ndevice = \"U1\"");
    assert_eq!(words(&mut rig.bench, 2), [ID, TDI]);
    let mut rig = Rig::new(
        1,
        "[[chain_fault]]\nkind = \"extra\"\nbsdl = \"loom.bsd\"\nafter = \"U1\"",
    );
    assert_eq!(words(&mut rig.bench, 4), [ID, ID, ID, TDI]);
    assert_eq!(seen(&rig.bench).devices[1].name, "extra LOOM");
    let mut bench = scenario_bench("wrong-device.toml");
    assert_eq!(
        words(&mut bench, 5),
        [0x32C5_2A01, 0x32C5_2A01, 0x14D1_6501, 0x24D0_8501, TDI]
    );
    let mut bench = scenario_bench("broken-chain.toml");
    let seen = words(&mut bench, 4);
    assert_eq!(
        (seen[0], seen[2], seen[3]),
        (0x32C5_2A01, u32::MAX, u32::MAX)
    );
}

#[test]
fn bit_errors_come_at_their_rate_and_above_their_clock() {
    let mut rig = Rig::new(
        1,
        "seed = 9\n[[chain_fault]]\nkind = \"bit-errors\"\nrate = 0.01\nabove_hz = 2_000_000",
    );
    scan_ir(&mut rig.bench, "1111 1111");
    let mut wrong = |hz| {
        rig.bench.tck_hz(hz);
        scan_dr(&mut rig.bench, &"0".repeat(20_000))
            .matches('1')
            .count()
    };
    assert_eq!(wrong(2_000_000), 0);
    // Four standard deviations around 200: 14.07 each.
    assert!((143..257).contains(&wrong(2_000_001)));
}

#[test]
fn a_clock_seen_twice_loses_bits() {
    let fault =
        "seed = 2\n[[chain_fault]]\nkind = \"double-clock\"\nrate = 0.02\nabove_hz = 5_000_000";
    for device in ["", "\ndevice = \"U1\""] {
        let mut rig = Rig::new(8, &format!("{fault}{device}"));
        rig.bench.tck_hz(5_000_000);
        assert_eq!(words(&mut rig.bench, 3), [ID, ID, TDI]);
        rig.bench.tck_hz(5_000_001);
        let read: Vec<Vec<u32>> = (0..20).map(|_| words(&mut rig.bench, 3)).collect();
        assert!(read.iter().any(|w| w[..] != [ID, ID, TDI]));
        if !device.is_empty() {
            // U2, nearest TDO, sees each clock once, so its own code is always right while it is in step.
            rig.bench.tck_hz(5_000_000);
            assert_eq!(words(&mut rig.bench, 3), [ID, ID, TDI]);
        }
    }
}
