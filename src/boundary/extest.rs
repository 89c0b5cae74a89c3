//! Scan programs under EXTEST: entry, vectors, exit, and the reading of what came back.

use crate::bits::Bits;
use crate::tap::{Answers, Instructions, ScanProgram, Slot, TapState};

use super::{BatchError, Guard, Guarded, GuardedImage, OpenScan, PinIndex, Pins, Stillness};

/// Bits that follow every image through the chain, to show that none was lost or gained.
const MARKER_BITS: usize = 16;
const MARKER: u64 = 0xA5C3;

/// A vector of a [`Batch`], by its number.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct VectorId(pub usize);

/// A scan program under EXTEST in the making. It begins and ends in Test-Logic-Reset and is whole in itself: between
/// two batches nothing is driven by boundary scan. Where levels are to stay on the pins between two programs, a batch
/// is run in parts: [`Batch::part`] and [`Batch::resume`].
///
/// Entry: PRELOAD of the image at rest, Update, EXTEST. Every vector is captured `settle_us` after its update, by
/// the scan that brings in the next one: L + 4 clocks a vector without settling, beside the marker. No update changes
/// more than `max_switching` outputs, unless one control cell switches more. Exit: the image at rest, Update,
/// Test-Logic-Reset.
#[derive(Debug)]
pub struct Batch<'g, 'a> {
    guard: &'g Guard<'a>,
    program: ScanProgram,
    now: GuardedImage,
    settle_ns: u64,
    ir: Vec<Slot>,
    scans: Vec<Slot>,
    /// Data scans of the parts before this one: the marker's turn goes on.
    before: usize,
    vectors: Vec<Pending>,
}

/// What the pins of a chain in EXTEST are driven to between two parts of a batch. Only [`Batch::part`] makes one, and
/// only [`Batch::resume`] takes it.
#[derive(Debug, Clone)]
pub struct Held {
    now: GuardedImage,
    scans: usize,
}

impl Held {
    /// Every pin that is driven, and its level.
    pub fn driven(&self) -> &[(PinIndex, bool)] {
        self.now.driven()
    }
}

/// A vector, and the data scan whose answer is its capture.
#[derive(Debug)]
struct Pending {
    driven: Vec<(PinIndex, bool)>,
    scan: usize,
}

impl<'g, 'a> Batch<'g, 'a> {
    /// Begins a batch: the program so far enters EXTEST with the image at rest.
    ///
    /// `_still` is the proof that the pins were looked at before.
    pub fn new(guard: &'g Guard<'a>, _still: &Stillness) -> Self {
        let pins = guard.pins();
        let mut batch = Batch {
            guard,
            program: ScanProgram::new(),
            now: guard.rest().clone(),
            settle_ns: u64::from(guard.rules().settle_us) * 1000,
            ir: Vec::new(),
            scans: Vec::new(),
            before: 0,
            vectors: Vec::new(),
        };
        batch.program.reset().go(TapState::RunTestIdle);
        let codes: Vec<_> = pins.seats().iter().map(|s| s.opcodes.as_ref()).collect();
        let preload: Vec<_> = codes.iter().map(|c| c.map(|c| &c.preload)).collect();
        let extest: Vec<_> = codes.iter().map(|c| c.map(|c| &c.extest)).collect();
        batch.instruction(pins.layout().ir_scan(&preload));
        batch.scan(&guard.rest().bits().clone(), TapState::RunTestIdle);
        batch.instruction(pins.layout().ir_scan(&extest));
        batch.settle(TapState::RunTestIdle);
        batch
    }

    /// Goes on under EXTEST where a part ended.
    ///
    /// # Panics
    /// If `held` is of another chain: a defect of the caller.
    pub fn resume(guard: &'g Guard<'a>, held: Held) -> Self {
        assert_eq!(
            held.now.bits().len(),
            guard.pins().length(),
            "the parts of a batch are of one chain"
        );
        Batch {
            guard,
            program: ScanProgram::new(),
            now: held.now,
            settle_ns: u64::from(guard.rules().settle_us) * 1000,
            ir: Vec::new(),
            scans: Vec::new(),
            before: held.scans,
            vectors: Vec::new(),
        }
    }

    /// Ends a part: the last capture, with the pins left as they are, in EXTEST and Run-Test/Idle. Whoever takes it
    /// resumes and finishes, or runs [`leaving`].
    pub fn part(mut self) -> (ScanProgram, BatchReader<'a>, Held) {
        let now = self.now.bits().clone();
        self.scan(&now, TapState::RunTestIdle);
        let held = Held {
            now: self.now,
            scans: self.before + self.scans.len(),
        };
        let reader = BatchReader {
            pins: self.guard.pins(),
            ir: self.ir,
            scans: self.scans,
            before: self.before,
            vectors: self.vectors,
        };
        (self.program, reader, held)
    }

    fn instruction(&mut self, bits: Bits) {
        let bits = Instructions::permitted(bits, Guarded::new());
        let slot = self.program.scan_ir_captured(bits, TapState::RunTestIdle);
        self.ir.push(slot);
    }

    fn scan(&mut self, image: &Bits, end: TapState) {
        let bits = marked(image, self.before + self.scans.len());
        self.scans.push(self.program.scan_dr_captured(bits, end));
    }

    fn settle(&mut self, state: TapState) {
        if self.settle_ns > 0 && state == TapState::RunTestIdle {
            self.program.wait_ns(self.settle_ns);
        }
    }

    /// Another settling time for the vectors that follow, in nanoseconds.
    pub fn settle_ns(&mut self, ns: u64) {
        self.settle_ns = ns;
    }

    /// Puts an image on the pins, lets it settle, and captures.
    pub fn vector(&mut self, image: &GuardedImage) -> VectorId {
        for step in self.steps(image) {
            self.put(&step);
        }
        self.put(image.bits());
        self.now = image.clone();
        self.vectors.push(Pending {
            driven: image.driven().to_vec(),
            scan: self.scans.len(),
        });
        VectorId(self.vectors.len() - 1)
    }

    /// How many vectors there are so far.
    pub fn len(&self) -> usize {
        self.vectors.len()
    }

    /// True before the first vector.
    pub fn is_empty(&self) -> bool {
        self.vectors.is_empty()
    }

    fn put(&mut self, bits: &Bits) {
        let end = match self.settle_ns {
            0 => TapState::UpdateDr,
            _ => TapState::RunTestIdle,
        };
        self.scan(&bits.clone(), end);
        self.settle(end);
    }

    /// Images between the present one and the next, so that no update changes more than `max_switching` outputs: first
    /// what goes off, then enables and directions of parts, then the rest in groups; pins under one control cell stay
    /// together. Where a part is switched that is done at any number of outputs: it must have let go of a net before a
    /// pin drives there, and a pin before the part does.
    fn steps(&self, next: &GuardedImage) -> Vec<Bits> {
        let pins = self.guard.pins();
        let limit = self.guard.rules().max_switching.max(1) as usize;
        let mut changing: Vec<PinIndex> = (next.driven().iter())
            .filter(|(p, l)| self.now.level_of(*p) != Some(*l))
            .map(|(p, _)| *p)
            .collect();
        let ends: Vec<PinIndex> = (self.now.driven().iter())
            .map(|(p, _)| *p)
            .filter(|p| next.level_of(*p).is_none())
            .collect();
        let switches =
            |p: &PinIndex| (pins.group(*p).iter()).any(|member| self.guard.switches_part(*member));
        let turns = changing.iter().any(switches);
        if changing.len() <= limit && !turns && !ends.iter().any(switches) {
            return Vec::new();
        }
        let mut bits = self.now.bits().clone();
        let mut steps = Vec::new();
        if !ends.is_empty() {
            for pin in ends {
                copy_cells(pins, pin, next.bits(), &mut bits);
            }
            steps.push(bits.clone());
        }
        changing.sort_by_key(|p| !switches(p));
        let mut done: Vec<PinIndex> = Vec::new();
        let (mut count, mut turning) = (0, turns);
        for pin in changing {
            if done.contains(&pin) {
                continue;
            }
            let group = pins.group(pin);
            let turned = turning && !switches(&pin);
            if count > 0 && (count + group.len() > limit || turned) {
                steps.push(bits.clone());
                count = 0;
            }
            turning &= !turned;
            for &member in group {
                copy_cells(pins, member, next.bits(), &mut bits);
            }
            count += group.len();
            done.extend(group);
        }
        steps
    }

    /// Ends the batch: the last capture, the image at rest, Test-Logic-Reset.
    pub fn finish(mut self) -> (ScanProgram, BatchReader<'a>) {
        let rest = self.guard.rest().bits().clone();
        self.scan(&rest, TapState::RunTestIdle);
        self.program.reset();
        let reader = BatchReader {
            pins: self.guard.pins(),
            ir: self.ir,
            scans: self.scans,
            before: self.before,
            vectors: self.vectors,
        };
        (self.program, reader)
    }
}

/// Copies a pin's control and drive cells.
fn copy_cells(pins: &Pins, pin: PinIndex, from: &Bits, to: &mut Bits) {
    if let Some(drive) = pins.get(pin).drive {
        to.set(drive.cell, from.get(drive.cell));
        if let Some(enable) = drive.enable {
            to.set(enable.cell, from.get(enable.cell));
        }
    }
}

/// Reads the answers of a batch.
#[derive(Debug)]
pub struct BatchReader<'a> {
    pins: &'a Pins,
    ir: Vec<Slot>,
    scans: Vec<Slot>,
    before: usize,
    vectors: Vec<Pending>,
}

impl<'a> BatchReader<'a> {
    /// The captures, after the batch's own checks: what the instruction registers captured at entry, and the marker
    /// behind every image.
    ///
    /// # Errors
    /// [`BatchError`] if the answers are not to be believed; the batch may be run again.
    pub fn read(self, answers: &Answers) -> Result<Captures<'a>, BatchError> {
        for slot in &self.ir {
            check_ir_capture(self.pins, answers.get(*slot))?;
        }
        let mut scans = Vec::with_capacity(self.scans.len());
        for (i, slot) in self.scans.iter().enumerate() {
            let bits = answers.get(*slot).ok_or(BatchError::Unanswered)?;
            check_marker(self.pins, bits, self.before + i)?;
            scans.push(bits);
        }
        let vectors = (self.vectors.into_iter())
            .map(|v| (v.driven, scans[v.scan].clone()))
            .collect();
        Ok(Captures {
            pins: self.pins,
            vectors,
        })
    }
}

/// What a batch's vectors captured.
#[derive(Debug, Clone)]
pub struct Captures<'a> {
    pins: &'a Pins,
    vectors: Vec<(Vec<(PinIndex, bool)>, Bits)>,
}

impl Captures<'_> {
    /// How many vectors.
    pub fn len(&self) -> usize {
        self.vectors.len()
    }

    /// True without vectors.
    pub fn is_empty(&self) -> bool {
        self.vectors.is_empty()
    }

    /// Every pin that the vector drove, and its level.
    pub fn driven(&self, vector: VectorId) -> &[(PinIndex, bool)] {
        &self.vectors[vector.0].0
    }

    /// The level on a pin in a vector; `None` where no cell sees the pin.
    pub fn level(&self, vector: VectorId, pin: PinIndex) -> Option<bool> {
        let (driven, bits) = &self.vectors[vector.0];
        let driving = driven.binary_search_by_key(&pin, |(p, _)| *p).is_ok();
        self.pins.level(pin, bits, driving)
    }
}

/// The program that takes the board out of EXTEST after a batch was broken off: finishes the shift (data: the image
/// at rest; instruction: all ones), goes through Update, puts the image at rest, then Test-Logic-Reset.
pub fn leaving(guard: &Guard<'_>, open: OpenScan) -> ScanProgram {
    let mut program = ScanProgram::new();
    if open == OpenScan::Ir {
        let bypass = Instructions::bypass(guard.pins().layout().ir_total());
        program.scan_ir(bypass, TapState::RunTestIdle);
    }
    // An open data scan goes on with it: the last bits shifted are the ones that stay.
    program.scan_dr(guard.rest().bits().clone(), TapState::RunTestIdle);
    program.reset();
    program
}

/// An image with the marker shifted in ahead of it, which comes out behind the capture. Every other marker is
/// inverted, so that a chain that stands still is found.
pub(super) fn marked(image: &Bits, scan: usize) -> Bits {
    let mut bits = Bits::from_u64(marker(scan), MARKER_BITS);
    bits.append(image);
    bits
}

fn marker(scan: usize) -> u64 {
    if scan.is_multiple_of(2) {
        MARKER
    } else {
        !MARKER & 0xFFFF
    }
}

pub(super) fn check_marker(pins: &Pins, captured: &Bits, scan: usize) -> Result<(), BatchError> {
    let seen = captured.slice(pins.length(), MARKER_BITS);
    let expected = Bits::from_u64(marker(scan), MARKER_BITS);
    if seen == expected {
        return Ok(());
    }
    Err(BatchError::Marker {
        vector: scan as u64,
        seen: seen.to_binary(),
        expected: expected.to_binary(),
    })
}

/// Bits 1 and 0 of every instruction register capture 01; higher bits may carry status and are not looked at.
pub(super) fn check_ir_capture(pins: &Pins, captured: Option<&Bits>) -> Result<(), BatchError> {
    let captured = captured.ok_or(BatchError::Unanswered)?;
    let layout = pins.layout();
    let good = (0..layout.len()).all(|i| {
        let field = layout.ir_field(i);
        field.len() < 2 || captured.get_u64(field.start, 2) == 0b01
    });
    if good {
        return Ok(());
    }
    let mut expected = vec!['X'; layout.ir_total()];
    for i in 0..layout.len() {
        let field = layout.ir_field(i);
        if field.len() >= 2 {
            expected[field.start] = '1';
            expected[field.start + 1] = '0';
        }
    }
    Err(BatchError::InstructionCapture {
        seen: captured.to_binary(),
        expected: expected.iter().rev().collect(),
    })
}
