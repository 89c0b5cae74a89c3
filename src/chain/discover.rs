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
    Answers, Instructions, Op, PieceLimits, Port, PortError, ScanProgram, Shift, TapState, run,
};

use super::diagnosis::{Diagnosis, Slower, nth, unsteady};
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
            let device = self.devices.get(count.checked_sub(from_tdo)?)?;
            if self.is_complete() {
                return Some(format!("device {}", device.position));
            }
            let code = device
                .idcode
                .map_or("BYPASS".into(), |id| format!("IDCODE {id}"));
            Some(format!("{} ({code})", nth(from_tdo)))
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
                .scan_ir(
                    Instructions::bypass(MOST_IR_BITS + 1024),
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
            // Then nothing of what was read can be relied on.
            let (devices, slower) = (good, look.reading.devices.len());
            found.health = vec![Diagnosis::OtherWhenSlower {
                devices,
                slower,
                hz,
            }];
            found.devices.clear();
            (found.ir_total, found.ir_capture, found.bypass_count) = (None, None, None);
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
        slots.push(program.scan_dr_captured(out.clone(), TapState::RunTestIdle));
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
    let mut program = ScanProgram::new();
    program.go(TapState::RunTestIdle);
    let slot = program.measure_ir(IR_LEAD, devices * IR_ROOM + 64);
    let mut captured = run(port, program, limits)?.bits(slot).clone();
    let mut length = stream::passed_through(&captured, IR_LEAD, false);
    if length.is_none() {
        captured.append(&more_ones(port, MOST_IR_BITS, limits)?);
        length = stream::passed_through(&captured, IR_LEAD, false);
        if length.is_none() {
            // There is no way out of Shift-IR but through Update-IR: fill whatever this is with ones first.
            more_ones(port, IR_FLUSH, limits)?;
        }
    }
    // The 0 has come out, or never will: all that is inside is ones. One more 1 leaves Shift-IR.
    let mut program = ScanProgram::new();
    program.scan_ir(Instructions::bypass(1), TapState::RunTestIdle);
    let lead = devices + 32;
    let mut out = Bits::zeros(lead);
    out.push(true);
    out.push_run(false, lead);
    let bypass = program.scan_dr_captured(out, TapState::RunTestIdle);
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

/// Goes on with ones in an instruction scan and stays in Shift-IR.
fn more_ones(port: &mut dyn Port, bits: usize, limits: PieceLimits) -> Result<Bits, PortError> {
    let mut program = ScanProgram::new();
    let slot = program.slot();
    program.push(Op::Shift(
        Shift::ir(Instructions::bypass(bits)).captured(slot),
    ));
    Ok(run(port, program, limits)?.bits(slot).clone())
}
