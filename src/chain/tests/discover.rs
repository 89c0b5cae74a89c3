//! Discovery on chains with every symptom, and on random ones.

use proptest::prelude::*;

use super::super::testing::{Core, Faults, TestChain, TestDevice};
use super::super::*;
use crate::tap::{PortError, TapState};

/// Four published codes (sources in `idcode`): LFE5U-25F, XC95144, STM32F1, GW1N-1; TDI to TDO.
fn four() -> TestChain {
    TestChain::new(vec![
        TestDevice::new("00000001", Some(0x4111_1043)),
        TestDevice::new("00000101", Some(0x2950_8093)),
        TestDevice::new("00001", Some(0x1641_0041)),
        TestDevice::new("00000001", Some(0x0900_281B)),
    ])
}

fn with(faults: Faults) -> TestChain {
    let mut chain = four();
    chain.faults = faults;
    chain
}

fn codes(found: &Found) -> Vec<Option<u32>> {
    found
        .devices
        .iter()
        .map(|d| d.idcode.map(|id| id.0))
        .collect()
}

/// Discovers at 6 MHz; whatever was wrong, only all ones may have passed Update-IR and the end is Test-Logic-Reset.
fn look_at(mut chain: TestChain) -> (Found, TestChain) {
    let found = discover(&mut chain, 6_000_000).unwrap();
    assert_eq!(chain.state(), TapState::TestLogicReset);
    assert!(
        chain.updates.iter().all(|u| u.all(true)),
        "{:?}",
        chain.updates
    );
    assert_eq!(chain.tck_hz, 6_000_000);
    (found, chain)
}

#[test]
fn four_devices_in_three_round_trips() {
    let (found, chain) = look_at(four());
    let ids = [0x4111_1043, 0x2950_8093, 0x1641_0041, 0x0900_281B].map(Some);
    assert_eq!(codes(&found), ids);
    assert_eq!(
        found.devices.iter().map(|d| d.position).collect::<Vec<_>>(),
        [1, 2, 3, 4]
    );
    assert_eq!((found.ir_total, found.bypass_count), (Some(29), Some(4)));
    assert_eq!(
        found.ir_capture.as_ref().unwrap().to_binary(),
        "00000001000001010000100000001"
    );
    assert!(found.health.is_empty() && found.is_whole() && found.is_complete());
    assert!(
        chain.traffic.round_trips <= 3,
        "{}",
        chain.traffic.round_trips
    );
    // Two clocks a bit leave room for USB in the 5 ms that a cold scan may take at 6 MHz.
    assert!(
        chain.traffic.tck_cycles < 6_000,
        "{}",
        chain.traffic.tck_cycles
    );
    // The pair inside the second device makes the division ambiguous; what is known of it decides.
    let Split::Ambiguous { count, .. } = split_found(&found, &KnownParts::none()) else {
        panic!()
    };
    assert_eq!(count, 4);
    let part = KnownPart {
        name: "XC95144".into(),
        idcode: "00101001010100001000000010010011".parse().unwrap(),
        ir_length: 8,
        ir_capture: "000XXX01".parse().ok(),
    };
    assert_eq!(
        split_found(&found, &KnownParts::new(vec![part])),
        Split::Unique(vec![8, 8, 5, 8])
    );
}

#[test]
fn parts_without_code_count_too() {
    let (found, _) = look_at(TestChain::new(vec![
        TestDevice::new("01", None),
        TestDevice::new("0001", Some(0x4111_1043)),
        TestDevice::new("000001", None),
        TestDevice::new("01", None),
    ]));
    assert_eq!(codes(&found), [None, Some(0x4111_1043), None, None]);
    assert_eq!((found.ir_total, found.bypass_count), (Some(14), Some(4)));
    assert!(found.is_whole());
}

#[test]
fn long_chains_take_a_second_look() {
    for n in [16, 17, 100, MOST_DEVICES] {
        let devices = (0..n)
            .map(|i| TestDevice::new("00001", Some((i as u32) << 12 | 0x0A1)))
            .collect();
        let (found, _) = look_at(TestChain::new(devices));
        assert_eq!(found.devices.len(), n);
        assert_eq!(found.ir_total, Some(5 * n));
        assert!(found.is_whole(), "{n}: {:?}", found.health);
    }
    let devices = (0..=MOST_DEVICES)
        .map(|i| TestDevice::new("01", Some((i as u32) << 12 | 0x0A1)))
        .collect();
    let (found, chain) = look_at(TestChain::new(devices));
    assert_eq!(found.health, [Diagnosis::TooLong { bits: 8256 }]);
    assert!(chain.updates.is_empty());
}

#[test]
fn long_instruction_registers_are_measured_too() {
    let wide = format!("{}01", "0".repeat(998));
    let (found, chain) = look_at(TestChain::new(vec![
        TestDevice::new(&wide, None),
        TestDevice::new(&wide, None),
    ]));
    assert_eq!(found.ir_total, Some(2000));
    assert!(chain.traffic.round_trips <= 4);
    let endless = format!("{}01", "0".repeat(9000));
    let (found, _) = look_at(TestChain::new(vec![TestDevice::new(&endless, None)]));
    assert!(
        matches!(found.health[..], [Diagnosis::IrNoReturn { bits: 8449 }]),
        "{:?}",
        found.health
    );
    assert!(!found.is_whole() && found.is_complete());
}

#[test]
fn every_symptom_has_its_name_and_no_instruction_is_touched() {
    let cut = |cut| Faults {
        cut: Some(cut),
        ..Faults::default()
    };
    for (faults, expected, good) in [
        (
            Faults {
                tdo: Some(true),
                ..Faults::default()
            },
            Diagnosis::TdoHigh,
            0,
        ),
        (
            Faults {
                tdo: Some(false),
                ..Faults::default()
            },
            Diagnosis::TdoLow,
            0,
        ),
        (cut((3, true)), Diagnosis::OpenBehind { good: 1 }, 1),
        (cut((2, true)), Diagnosis::OpenBehind { good: 2 }, 2),
        (cut((0, true)), Diagnosis::OpenBehind { good: 4 }, 4),
        (cut((2, false)), Diagnosis::LowBehind { good: 2 }, 2),
        (cut((0, false)), Diagnosis::LowBehind { good: 4 }, 4),
    ] {
        let (found, chain) = look_at(with(faults));
        assert_eq!(found.health, std::slice::from_ref(&expected));
        if expected == (Diagnosis::OpenBehind { good: 2 }) {
            let place = &found.findings()[0].place;
            assert_eq!(
                place,
                "on the TDI side of device 2 from TDO (IDCODE 0x16410041)"
            );
        }
        assert_eq!(found.devices.len(), good);
        assert!(!found.is_whole() && !found.is_complete());
        assert!(
            chain.updates.is_empty(),
            "an instruction scan on a sick chain"
        );
    }
    let (found, chain) = look_at(TestChain::new(vec![]));
    assert_eq!(found.health, [Diagnosis::NoDevice]);
    assert!(found.is_complete() && chain.updates.is_empty());
    assert_eq!(
        found.findings()[0].to_string(),
        "the whole chain: TDI is joined to TDO with no device in between; expected at least one device, seen the end \
         marker from the first bit on; check for a loop-back plug, a bypass link or devices that are not powered"
    );
}

#[test]
fn a_fast_clock_that_rings_is_found_out() {
    // Double clocks and bit errors at rates that do not divide the length of a look: two looks differ.
    for faults in [
        Faults {
            double_clock: Some((211, 1_000_000)),
            ..Faults::default()
        },
        Faults {
            bit_errors: Some((97, 1_000_000)),
            ..Faults::default()
        },
    ] {
        let (found, chain) = look_at(with(faults));
        let [Diagnosis::Unsteady { slower, of, .. }] = found.health[..] else {
            panic!("{:?}", found.health)
        };
        assert_eq!(
            (slower, of),
            (
                Slower::Clean {
                    hz: 600_000,
                    devices: 4
                },
                576
            )
        );
        assert!(found.devices.is_empty() && chain.updates.is_empty());
    }
    // Also bad at a tenth of the rate.
    let (found, _) = look_at(with(Faults {
        bit_errors: Some((97, 1000)),
        ..Faults::default()
    }));
    assert!(matches!(
        found.health[..],
        [Diagnosis::Unsteady {
            slower: Slower::Same { hz: 600_000 },
            ..
        }]
    ));
}

#[test]
fn late_sampling_is_found_out_by_the_slower_look() {
    // A stray bit in front of everything: with these codes it reads as devices, and the rest gives it away.
    let (found, _) = look_at(with(Faults {
        late: Some(1_000_000),
        ..Faults::default()
    }));
    let told = found.health.iter().any(|d| {
        matches!(
            d,
            Diagnosis::OtherWhenSlower {
                slower: 4,
                hz: 600_000,
                ..
            } | Diagnosis::Slipped {
                slower: Slower::Clean {
                    hz: 600_000,
                    devices: 4
                },
                ..
            } | Diagnosis::Garbled {
                slower: Slower::Clean {
                    hz: 600_000,
                    devices: 4
                },
                ..
            }
        )
    });
    assert!(
        told && !found.is_whole() && found.devices.is_empty(),
        "{:?}",
        found.health
    );
}

#[test]
fn a_dead_instruction_path_is_told_from_a_dead_chain() {
    for level in [true, false] {
        let (found, _) = look_at(with(Faults {
            ir_tdo: Some(level),
            ..Faults::default()
        }));
        assert_eq!(found.health, [Diagnosis::IrStuck { level }]);
        assert_eq!(found.devices.len(), 4);
    }
    // Cut in the middle with the open input at 1: nothing but ones comes in, so nothing else is updated.
    let (found, _) = look_at(with(Faults {
        ir_cut: Some((2, true)),
        ..Faults::default()
    }));
    assert_eq!(found.health, [Diagnosis::IrNoReturn { bits: 8545 }]);
}

#[test]
fn a_capture_against_the_standard_is_said() {
    let (found, _) = look_at(TestChain::new(vec![
        TestDevice::new("0001", Some(0x4111_1043)),
        TestDevice::new("0010", Some(0x1641_0041)),
    ]));
    assert_eq!(found.health, [Diagnosis::IrStart { seen: 0b10 }]);
    assert_eq!(found.findings()[0].place, "device 2");
    assert_eq!(found.findings()[0].seen, "0, then 1");
}

#[test]
fn a_bypass_register_that_captures_1_is_a_habit_not_a_fault() {
    let mut chain = four();
    chain.devices[1].bypass_captures = true;
    let (found, _) = look_at(chain);
    assert_eq!(
        found.health,
        [Diagnosis::BypassCapture { from_tdo: vec![3] }]
    );
    assert!(found.is_whole() && found.bypass_count == Some(4));
    assert_eq!(found.findings()[0].place, "device 2");
    assert!(!found.findings()[0].fault);
}

#[test]
fn a_second_tap_behind_the_first_is_noticed() {
    struct Opens;
    impl Core for Opens {
        fn register(&self, _ir: u64) -> Option<usize> {
            Some(2)
        }
        fn capture(&mut self, _ir: u64) -> Vec<bool> {
            vec![false, false]
        }
    }
    let mut chain = four();
    chain.devices[0] = TestDevice::new("00000001", Some(0x4111_1043)).with_core(Opens);
    let (found, _) = look_at(chain);
    assert_eq!(
        found.health,
        [Diagnosis::BypassCount {
            devices: 4,
            bypass: Some(5)
        }]
    );
}

#[test]
fn a_lost_adapter_is_an_error() {
    for at in [0, 500, 1100, 1400] {
        let mut chain = with(Faults {
            dies_at: Some(at),
            ..Faults::default()
        });
        let error = discover(&mut chain, 6_000_000).unwrap_err();
        assert_eq!(error.to_string(), "the test chain is gone", "{at}");
    }
}

#[test]
fn an_interrupted_measurement_leaves_only_ones_behind() {
    let wide = format!("{}01", "0".repeat(998));
    for at in 1..=4 {
        let mut chain = TestChain::new(vec![
            TestDevice::new(&wide, None),
            TestDevice::new(&wide, None),
        ]);
        chain.faults.interrupt_at = Some(at);
        // At this rate a piece has 4096 bits, so the long measurement is cut in the middle.
        assert_eq!(
            discover(&mut chain, 100_000),
            Err(PortError::Interrupted),
            "{at}"
        );
        assert_eq!(chain.state(), TapState::TestLogicReset);
        assert!(
            !chain.updates.is_empty() && chain.updates.iter().all(|u| u.all(true)),
            "{at}"
        );
    }
}

fn device() -> impl Strategy<Value = (u32, bool, usize, u64)> {
    (
        any::<u32>(),
        prop::bool::weighted(0.8),
        2usize..20,
        any::<u64>(),
    )
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]
    #[test]
    fn random_chains_are_discovered_right(parts in prop::collection::vec(device(), 1..14)) {
        let mut ids = Vec::new();
        let mut devices = Vec::new();
        let mut capture = String::new();
        for (word, has_code, ir, upper) in &parts {
            let id = Some(word | 1).filter(|&w| *has_code && IdCode(w).is_possible());
            let bits: String = (2..*ir).rev().map(|i| if upper >> i & 1 == 1 { '1' } else { '0' }).chain("01".chars()).collect();
            devices.push(TestDevice::new(&bits, id));
            capture.push_str(&bits);
            ids.push(id);
        }
        let lengths: Vec<usize> = parts.iter().map(|p| p.2).collect();
        let (found, _) = look_at(TestChain::new(devices));
        prop_assert_eq!(codes(&found), ids);
        prop_assert_eq!(found.ir_total, Some(lengths.iter().sum()));
        prop_assert_eq!(found.ir_capture.clone().unwrap().to_binary(), capture);
        prop_assert_eq!(found.bypass_count, Some(parts.len()));
        prop_assert!(found.is_whole());
        let right = match split_found(&found, &KnownParts::none()) {
            Split::Unique(seen) => seen == lengths,
            Split::Ambiguous { some, count } => count > Split::SHOWN as u64 || some.contains(&lengths),
            Split::Impossible => false,
        };
        prop_assert!(right);
    }

    #[test]
    fn a_cut_anywhere_is_placed_right(parts in prop::collection::vec(any::<u32>(), 1..12), at in any::<prop::sample::Index>(), level: bool) {
        let devices: Vec<TestDevice> = parts.iter().map(|w| TestDevice::new("0001", Some((w & 0xFFFF_F000) | 0x0A1))).collect();
        let at = at.index(devices.len());
        let good = devices.len() - at;
        let mut chain = TestChain::new(devices);
        chain.faults.cut = Some((at, level));
        let (found, _) = look_at(chain);
        let expected = if level { Diagnosis::OpenBehind { good } } else { Diagnosis::LowBehind { good } };
        prop_assert_eq!(found.health, vec![expected]);
    }
}
