//! Blind discovery: who is on a chain of which nothing is known.
//!
//! 1. Reset, then straight to Shift-DR without touching an instruction register; twice, and both looks must agree. The end
//!    marker that is shifted in comes back behind the last device: it proves that TDI reaches TDO.
//! 2. Only then the instruction registers: ones, one 0, ones. The scan stays in Shift-IR until the 0 has come out again, so
//!    that nothing but all ones, BYPASS, ever passes Update-IR.
//! 3. One data scan through the BYPASS registers, whose number must be that of the devices; then reset.
//!
//! Leaving Shift-DR always passes Update-DR. Right after reset the data register is IDCODE or BYPASS, neither of which has an
//! output that an update could change, so the first step may end wherever the stream ends. Three round trips for up to
//! [`FIRST_DEVICES`] devices with up to 32 instruction bits each; one more for longer chains.
//!
//! Standard: IEEE Std 1149.1-2001 clauses 7, 8 and 12 (from memory); steps 2 and 3 are textbook practice.

use crate::bits::Bits;
use crate::tap::{
    Answers, Op, PieceLimits, Port, PortError, Register, ScanProgram, Shift, Slot, TapState, run,
};

use super::diagnosis::{Diagnosis, Slower, unsteady};
use super::stream::{self, Ending, Reading};
use super::{Finding, IdCode};

/// Longest chain that is looked at.
pub const MOST_DEVICES: usize = 256;
/// Longest total of instruction bits that is looked for.
pub const MOST_IR_BITS: usize = 8192;
/// Devices that the first look has room for.
pub const FIRST_DEVICES: usize = 16;

/// Ones before the measuring 0: more than any run of ones that instruction registers can have captured, since each must
/// capture a 0 next to its lowest bit.
const IR_LEAD: usize = 160;
/// Ones that go into an instruction path whose end was not found, before it is left.
const IR_FLUSH: usize = 1 << 16;
/// Instruction bits a device that the first measurement has room for.
const IR_ROOM: usize = 32;

/// A chain as it was found.
#[derive(Debug, Clone, PartialEq)]
pub struct Found {
    /// The devices that answered, TDI to TDO. On a broken chain those between the break and TDO.
    pub devices: Vec<FoundDevice>,
    /// Total length of the instruction registers in bits, if it could be measured.
    pub ir_total: Option<usize>,
    /// What the instruction registers captured, bit 0 nearest TDO, `ir_total` bits.
    pub ir_capture: Option<Bits>,
    /// Number of BYPASS bits, if it could be measured.
    pub bypass_count: Option<usize>,
    /// What is wrong, in the order in which it was seen; empty for a healthy chain.
    pub health: Vec<Diagnosis>,
    /// The rate of TCK in hertz.
    pub tck_hz: u32,
    /// What came out of TDO in the first look, as evidence; bit 0 came first.
    pub stream: Bits,
}

/// A device that answered.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct FoundDevice {
    /// Its position, 1 first after TDI. On a broken chain 1 is the first one behind the break.
    pub position: usize,
    /// Its identity code; `None` if it answered as BYPASS.
    pub idcode: Option<IdCode>,
}

impl Found {
    /// Whether the chain can be worked with: the end marker came back and the instruction registers answer.
    pub fn is_whole(&self) -> bool {
        self.ir_total.is_some() && !self.health.iter().any(Diagnosis::is_break)
    }

    /// Whether the end marker came back, so that the list of devices is complete.
    pub fn is_complete(&self) -> bool {
        !self.health.iter().any(|d| {
            matches!(
                d,
                Diagnosis::TdoHigh
                    | Diagnosis::TdoLow
                    | Diagnosis::OpenBehind { .. }
                    | Diagnosis::LowBehind { .. }
                    | Diagnosis::TooLong { .. }
                    | Diagnosis::Slipped { .. }
                    | Diagnosis::Garbled { .. }
                    | Diagnosis::Unsteady { .. }
                    | Diagnosis::OtherWhenSlower { .. }
            )
        })
    }

    /// What is wrong, in words that know no names: devices are counted from TDI where the chain is whole, else from TDO.
    pub fn findings(&self) -> Vec<Finding> {
        let count = self.devices.len();
        let name = |from_tdo: usize| {
            (self.is_complete() && from_tdo <= count)
                .then(|| format!("device {}", count + 1 - from_tdo))
        };
        self.health.iter().map(|d| d.finding(&name)).collect()
    }
}

/// Looks at a chain of which nothing is known, at no more than `tck_hz`, and leaves it in Test-Logic-Reset.
///
/// A sick chain is no error but a [`Found`] whose [`health`](Found::health) says what is wrong; no instruction register is
/// touched then.
///
/// # Errors
/// [`PortError`] if the adapter or the process behind it failed; the TAP's state is unknown then.
pub fn discover(port: &mut dyn Port, tck_hz: u32) -> Result<Found, PortError> {
    let tck_hz = port.set_tck_hz(tck_hz)?;
    let mut found = Found {
        devices: vec![],
        ir_total: None,
        ir_capture: None,
        bypass_count: None,
        health: vec![],
        tck_hz,
        stream: Bits::new(),
    };
    let mut look = look(port, tck_hz, FIRST_DEVICES)?;
    if look.differing.is_none()
        && matches!(look.reading.ending, Ending::Longer | Ending::Garbled { .. })
    {
        look = self::look(port, tck_hz, MOST_DEVICES)?;
    }
    let Look {
        stream,
        reading,
        differing,
    } = look;
    found.stream = stream;
    found.devices = numbered(&reading);
    let good = found.devices.len();
    if let Some((bit, number)) = differing {
        let slower = slower(port, tck_hz)?;
        let of = found.stream.len();
        found.devices.clear();
        found.health.push(Diagnosis::Unsteady {
            bit,
            differing: number,
            of,
            slower,
        });
        return Ok(found);
    }
    found.health.extend(match reading.ending {
        Ending::Marker if good == 0 => Some(Diagnosis::NoDevice),
        Ending::Marker if good > MOST_DEVICES => Some(Diagnosis::TooLong {
            bits: found.stream.len(),
        }),
        Ending::Marker => None,
        Ending::Ones if good == 0 => Some(Diagnosis::TdoHigh),
        Ending::Ones => Some(Diagnosis::OpenBehind { good }),
        Ending::Zeros if good == 0 => Some(Diagnosis::TdoLow),
        Ending::Zeros => Some(Diagnosis::LowBehind { good }),
        Ending::Longer => Some(Diagnosis::TooLong {
            bits: found.stream.len(),
        }),
        Ending::Slipped { at } => Some(Diagnosis::Slipped {
            marker_at: at,
            slower: slower(port, tck_hz)?,
        }),
        Ending::Garbled { at } => Some(Diagnosis::Garbled {
            at,
            slower: slower(port, tck_hz)?,
        }),
    });
    if !found.health.is_empty() {
        if !matches!(
            found.health[0],
            Diagnosis::OpenBehind { .. } | Diagnosis::LowBehind { .. }
        ) {
            found.devices.clear();
        }
        return Ok(found);
    }
    if let Err(error) = instructions(port, &mut found) {
        if error == PortError::Interrupted {
            // The measuring 0 may still be inside, and the next reset passes Update-IR: fill it all with ones first.
            let mut program = ScanProgram::new();
            program
                .scan(
                    Register::Ir,
                    Bits::ones(MOST_IR_BITS + 1024),
                    TapState::RunTestIdle,
                )
                .reset();
            run(port, program, PieceLimits::at(tck_hz))?;
        }
        return Err(error);
    }
    if found.health.iter().any(Diagnosis::is_break) {
        // A slip by one bit can look like devices (a stray bit is a BYPASS bit); a slower look tells.
        if let Some((hz, look)) = slower_look(port, tck_hz)?
            && look.is_clean()
            && numbered(&look.reading) != found.devices
        {
            let (devices, slower) = (good, look.reading.devices.len());
            found.health.insert(
                0,
                Diagnosis::OtherWhenSlower {
                    devices,
                    slower,
                    hz,
                },
            );
        }
    }
    Ok(found)
}

/// One look at the data registers after reset.
struct Look {
    stream: Bits,
    reading: Reading,
    /// First differing bit and number of differing bits of two looks.
    differing: Option<(usize, usize)>,
}

impl Look {
    /// Both scans agree, and the marker stands behind at least one device.
    fn is_clean(&self) -> bool {
        self.differing.is_none()
            && self.reading.ending == Ending::Marker
            && !self.reading.devices.is_empty()
    }
}

/// Two scans after reset with room for `devices` devices; ends in Test-Logic-Reset.
fn look(port: &mut dyn Port, tck_hz: u32, devices: usize) -> Result<Look, PortError> {
    let out = stream::markers(devices * 32 + 64);
    let mut program = ScanProgram::new();
    let mut slots = Vec::new();
    for _ in 0..2 {
        // Straight from reset to Shift-DR: TMS 0, 1, 0, 0. The path through Update-DR is harmless here (see above).
        program.reset().go(TapState::RunTestIdle);
        slots.push(program.scan_captured(Register::Dr, out.clone(), TapState::RunTestIdle));
    }
    program.reset();
    let answers = run(port, program, PieceLimits::at(tck_hz))?;
    let (first, second) = (answers.bits(slots[0]), answers.bits(slots[1]));
    Ok(Look {
        reading: stream::read(first),
        differing: unsteady(first, second),
        stream: first.clone(),
    })
}

/// TDI to TDO, numbered.
fn numbered(reading: &Reading) -> Vec<FoundDevice> {
    let tdi_first = reading.devices.iter().rev().enumerate();
    tdi_first
        .map(|(i, &idcode)| FoundDevice {
            position: i + 1,
            idcode,
        })
        .collect()
}

/// The same look at a tenth of the rate, which is then set back; `None` if the adapter goes no slower.
fn slower_look(port: &mut dyn Port, tck_hz: u32) -> Result<Option<(u32, Look)>, PortError> {
    let hz = match port.set_tck_hz((tck_hz / 10).max(1)) {
        Ok(hz) if hz < tck_hz => hz,
        Ok(_) | Err(PortError::Unsupported { .. }) => return Ok(None),
        Err(error) => return Err(error),
    };
    let look = look(port, hz, FIRST_DEVICES)?;
    port.set_tck_hz(tck_hz)?;
    Ok(Some((hz, look)))
}

/// What a slower look says about a look that made no sense.
fn slower(port: &mut dyn Port, tck_hz: u32) -> Result<Slower, PortError> {
    Ok(match slower_look(port, tck_hz)? {
        None => Slower::NotTried,
        Some((hz, look)) if look.is_clean() => Slower::Clean {
            hz,
            devices: look.reading.devices.len(),
        },
        Some((hz, _)) => Slower::Same { hz },
    })
}

/// Total instruction length, captured bits and BYPASS count of a chain whose marker came back.
fn instructions(port: &mut dyn Port, found: &mut Found) -> Result<(), PortError> {
    let devices = found.devices.len();
    let limits = PieceLimits::at(found.tck_hz);
    let mut out = Bits::ones(IR_LEAD);
    out.push(false);
    out.push_run(true, devices * IR_ROOM + 64);
    let mut captured = open_ir(port, out, true, limits)?;
    let mut length = stream::passed_through(&captured, IR_LEAD, false);
    if length.is_none() {
        captured.append(&open_ir(port, Bits::ones(MOST_IR_BITS), false, limits)?);
        length = stream::passed_through(&captured, IR_LEAD, false);
        if length.is_none() {
            // There is no way out of Shift-IR but through Update-IR: fill whatever this is with ones first.
            open_ir(port, Bits::ones(IR_FLUSH), false, limits)?;
        }
    }
    // The 0 has come out, or never will: all that is inside is ones. One more 1 leaves Shift-IR.
    let mut program = ScanProgram::new();
    program.scan(Register::Ir, Bits::ones(1), TapState::RunTestIdle);
    let lead = devices + 32;
    let mut out = Bits::zeros(lead);
    out.push(true);
    out.push_run(false, lead);
    let bypass = program.scan_captured(Register::Dr, out, TapState::RunTestIdle);
    program.reset();
    let answers: Answers = run(port, program, limits)?;

    let Some(total) = length else {
        found
            .health
            .push(match (captured.all(true), captured.all(false)) {
                (true, _) => Diagnosis::IrStuck { level: true },
                (_, true) => Diagnosis::IrStuck { level: false },
                _ => Diagnosis::IrNoReturn {
                    bits: captured.len(),
                },
            });
        return Ok(());
    };
    let capture = captured.slice(0, total);
    if total < 2 * devices {
        found.health.push(Diagnosis::IrTooShort { total, devices });
        return Ok(());
    }
    let start = capture.get_u64(0, 2) as u8;
    if capture.all(true) || capture.all(false) {
        found.health.push(Diagnosis::IrStuck {
            level: capture.get(0),
        });
    } else if start != 0b01 {
        found.health.push(Diagnosis::IrStart { seen: start });
    }
    found.ir_total = Some(total);
    found.ir_capture = Some(capture);

    let bypass = answers.bits(bypass);
    found.bypass_count = stream::passed_through(bypass, lead, true);
    if found.bypass_count != Some(devices) {
        found.health.push(Diagnosis::BypassCount {
            devices,
            bypass: found.bypass_count,
        });
    } else {
        let from_tdo: Vec<usize> = (0..devices)
            .filter(|&i| bypass.get(i))
            .map(|i| i + 1)
            .collect();
        if !from_tdo.is_empty() {
            found.health.push(Diagnosis::BypassCapture { from_tdo });
        }
    }
    Ok(())
}

/// Shifts through the instruction registers and stays in Shift-IR; `fresh` if the scan begins here.
fn open_ir(
    port: &mut dyn Port,
    out: Bits,
    fresh: bool,
    limits: PieceLimits,
) -> Result<Bits, PortError> {
    let mut program = ScanProgram::new();
    if fresh {
        program.go(TapState::RunTestIdle);
    }
    let slot: Slot = program.slot();
    program.push(Op::Shift(Shift {
        register: Register::Ir,
        out,
        capture: Some(slot),
        compare: None,
        end: None,
    }));
    Ok(run(port, program, limits)?.bits(slot).clone())
}

#[cfg(test)]
mod tests {
    use super::super::testing::{Faults, TestChain, TestDevice};
    use super::super::{KnownParts, Split, split_found};
    use super::*;
    use proptest::prelude::*;

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
        let part = super::super::KnownPart {
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
            assert_eq!(found.health, [expected]);
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
        assert!(told && !found.is_whole(), "{:?}", found.health);
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
        impl super::super::testing::Core for Opens {
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
}
