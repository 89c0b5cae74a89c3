//! Looks by SAMPLE, which disturbs nothing, and the look that must find everything still before EXTEST.

use crate::bits::Bits;
use crate::board::{Board, DevicePin};
use crate::tap::{Answers, Instructions, ScanProgram, Slot, TapState};

use super::extest::{check_ir_capture, check_marker, marked};
use super::guard::{Live, nets};
use super::{BatchError, Guarded, PinIndex, Pins};

/// Looks before EXTEST.
const LOOKS_BEFORE_EXTEST: usize = 1000;

/// A number of looks by SAMPLE as one scan program, and what reads its answers.
#[derive(Debug)]
pub struct SampleLook<'a> {
    pins: &'a Pins,
    ir: Slot,
    looks: Vec<Slot>,
}

impl<'a> SampleLook<'a> {
    /// `looks` looks at all pins. The program starts and ends in Test-Logic-Reset. What is shifted in is the image
    /// that drives nothing, so the update latches are ready for EXTEST; no pin notices.
    pub fn new(pins: &'a Pins, looks: usize) -> (Self, ScanProgram) {
        let mut program = ScanProgram::new();
        let opcodes: Vec<Option<&Bits>> = (pins.seats().iter())
            .map(|s| {
                s.opcodes
                    .as_ref()
                    .map(|o| o.sample.as_ref().unwrap_or(&o.preload))
            })
            .collect();
        program.reset().go(TapState::RunTestIdle);
        let scan = pins.layout().ir_scan(&opcodes);
        let scan = Instructions::permitted(scan, Guarded::new());
        let ir = program.scan_ir_captured(scan, TapState::RunTestIdle);
        let quiet = pins.quiet_image();
        let looks = (0..looks)
            .map(|i| program.scan_dr_captured(marked(&quiet, i), TapState::UpdateDr))
            .collect();
        program.reset();
        (SampleLook { pins, ir, looks }, program)
    }

    /// The look before EXTEST: a thousand samples.
    pub fn before_extest(pins: &'a Pins) -> (Self, ScanProgram) {
        Self::new(pins, LOOKS_BEFORE_EXTEST)
    }

    /// The captured images, in the order of time.
    ///
    /// # Errors
    /// [`BatchError`] if the answers are not to be believed.
    pub fn images<'b>(&self, answers: &'b Answers) -> Result<Vec<&'b Bits>, BatchError> {
        check_ir_capture(self.pins, answers.get(self.ir))?;
        (self.looks.iter().enumerate())
            .map(|(i, slot)| {
                let bits = answers.get(*slot).ok_or(BatchError::Unanswered)?;
                check_marker(self.pins, bits, i)?;
                Ok(bits)
            })
            .collect()
    }

    /// Judges the look: still, or which pins moved.
    ///
    /// Only nets that the harness may reach count, and only movement that nothing on the chain or in the board file
    /// explains: a pin whose own device drives it at that time, or a net with a `[[driver]]` that is always live,
    /// may move.
    ///
    /// # Errors
    /// [`StillnessError::Moved`] with the pins that moved; [`StillnessError::Batch`] if the answers are not to be
    /// believed.
    pub fn judge(&self, board: &Board, answers: &Answers) -> Result<Stillness, StillnessError> {
        let images = self.images(answers)?;
        let (nets, net_of) = nets(board, self.pins);
        let mut moved = Vec::new();
        let changes: Vec<usize> = (self.pins.iter())
            .map(|(index, _)| {
                let level = |image: &Bits| self.pins.sampled(index, image);
                images
                    .windows(2)
                    .filter(|w| level(w[0]) != level(w[1]))
                    .count()
            })
            .collect();
        for (index, pin) in self.pins.iter() {
            let net = &nets[net_of[index.0]];
            if !net.outside || pin.fixed.is_some() {
                continue;
            }
            let explained = (net.live.iter()).any(|l| {
                matches!(
                    l,
                    Live::Declared(_) | Live::Part(..) | Live::Bypassed(_) | Live::Undescribed(_)
                )
            }) || (net.pins.iter()).any(|p| self.drives_itself(*p, &images));
            if explained {
                continue;
            }
            if changes[index.0] > 0 {
                moved.push(Moved {
                    pin: pin.pin.clone(),
                    changes: changes[index.0],
                });
            }
        }
        if !moved.is_empty() {
            return Err(StillnessError::Moved {
                looks: images.len(),
                moved,
            });
        }
        let levels = (self.pins.iter())
            .map(|(index, _)| self.pins.sampled(index, images.last()?))
            .collect();
        Ok(Stillness {
            looks: images.len(),
            levels,
            still: changes.iter().map(|n| *n == 0).collect(),
        })
    }

    /// Whether the pin's own device drove it in any of the looks.
    fn drives_itself(&self, pin: PinIndex, images: &[&Bits]) -> bool {
        match self.pins.get(pin).drive {
            None => false,
            Some(drive) if drive.enable.is_none() => true,
            Some(_) => (images.iter()).any(|i| self.pins.sampled_driving(pin, i) == Some(true)),
        }
    }
}

/// Proof that the pins were looked at and nothing moved that should not. EXTEST needs it.
#[derive(Debug, Clone)]
pub struct Stillness {
    looks: usize,
    levels: Vec<Option<bool>>,
    still: Vec<bool>,
}

impl Stillness {
    /// How many looks it rests on.
    pub fn looks(&self) -> usize {
        self.looks
    }

    /// The level of a pin in the last look; `None` where no cell sees it in SAMPLE.
    pub fn level(&self, pin: PinIndex) -> Option<bool> {
        self.levels[pin.0]
    }

    /// Whether this pin kept its level in all looks: some may move, for good reason.
    pub fn kept(&self, pin: PinIndex) -> bool {
        self.still[pin.0]
    }
}

/// A pin that moved while everything should have been still.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Moved {
    /// The pin.
    pub pin: DevicePin,
    /// How often two looks in a row differed; a fast signal changes more often than that.
    pub changes: usize,
}

/// Why EXTEST is not entered after the look by SAMPLE.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum StillnessError {
    /// Pins moved.
    #[error("EXTEST is refused: {} in {looks} looks by SAMPLE, though the machine was said to be off", list(.moved))]
    Moved {
        /// How many looks there were.
        looks: usize,
        /// Which pins.
        moved: Vec<Moved>,
    },
    /// The answers are not to be believed.
    #[error(transparent)]
    Batch(#[from] BatchError),
}

impl StillnessError {
    /// What to do about it: one line, lower case, no full stop.
    pub fn help(&self) -> &'static str {
        match self {
            Self::Moved { .. } => {
                "switch the machine off and let it discharge; if another part drives these lines, declare it as [[driver]]"
            }
            Self::Batch(error) => error.help(),
        }
    }
}

fn list(moved: &[Moved]) -> String {
    let names: Vec<String> = moved.iter().take(6).map(|m| m.pin.to_string()).collect();
    let more = moved.len() - names.len();
    let more = if more > 0 {
        format!(" and {more} more")
    } else {
        String::new()
    };
    format!("{}{more} moved", names.join(", "))
}
