//! From ops to clocks: the one place that follows the TAP state through a program.
//!
//! Every [`Port`](super::Port) and every wrapper walks its pieces through a [`Walker`] and
//! gets flat [`Step`]s, so no encoder needs to know the state diagram.

use crate::bits::Bits;

use super::{Level, Line, Op, ProgramError, Register, Slot, TapState, TmsPath};

/// A flat thing to clock or to do.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Step<'a> {
    /// TMS bits. TDI does not matter, except where one of them is clocked in Shift (a reset out
    /// of an open shift, a way from Exit2 to Exit1): TDI is high then.
    Tms(TmsPath),
    /// Bits through Shift with TMS low; with `last` the final bit goes with TMS high and leaves
    /// for Exit1. `read`: the bits from TDO are wanted.
    Shift {
        /// The bits for TDI, bit 0 first.
        bits: &'a Bits,
        /// Whether the final bit leaves Shift.
        last: bool,
        /// Whether the bits from TDO are wanted.
        read: bool,
    },
    /// Clocks with TMS held and TDI high.
    Hold {
        /// The level of TMS.
        tms: bool,
        /// How many clocks.
        cycles: u64,
    },
    /// At least so many nanoseconds: see [`Op::Wait`].
    Wait(u64),
    /// A side line's level.
    Line(Line, Level),
    /// Read the spare lines.
    Sense(Slot),
}

/// Follows the TAP state.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Walker {
    state: TapState,
    open: bool,
}

impl Default for Walker {
    fn default() -> Self {
        Self::new()
    }
}

impl Walker {
    /// A TAP of which nothing is known is taken to be in Test-Logic-Reset; every program for
    /// an unknown chain begins with [`Op::Reset`].
    pub fn new() -> Self {
        Walker {
            state: TapState::TestLogicReset,
            open: false,
        }
    }

    /// The present state.
    pub fn state(&self) -> TapState {
        self.state
    }

    /// Whether a scan is open: its last shift said that more bits follow.
    pub fn is_open(&self) -> bool {
        self.open
    }

    /// Walks one op and hands its steps to `sink`. On an error nothing was handed over and the
    /// state is as before.
    ///
    /// # Errors
    /// [`ProgramError`] if the op cannot follow the present state.
    pub fn walk<'a>(
        &mut self,
        op: &'a Op,
        sink: &mut dyn FnMut(Step<'a>),
    ) -> Result<(), ProgramError> {
        match op {
            Op::Reset => {
                sink(Step::Tms(TmsPath { bits: 0x1f, len: 5 }));
                *self = Walker::new();
            }
            Op::Go(target) => {
                self.closed()?;
                self.path(self.state.path(*target), sink);
            }
            Op::Along(states) => {
                self.closed()?;
                let mut path = TmsPath::default();
                let mut at = self.state;
                let mut paths = Vec::new();
                for &to in states {
                    let tms = [false, true]
                        .into_iter()
                        .find(|&tms| at.next(tms) == to)
                        .ok_or(ProgramError::NoSuchStep { from: at, to })?;
                    if path.len == 16 {
                        paths.push(std::mem::take(&mut path));
                    }
                    path = path.with(tms);
                    at = to;
                }
                paths.push(path);
                for path in paths {
                    self.path(path, sink);
                }
            }
            Op::Shift(shift) => {
                let target = match shift.register() {
                    Register::Ir => TapState::ShiftIr,
                    Register::Dr => TapState::ShiftDr,
                };
                if shift.out().is_empty() {
                    return Err(ProgramError::EmptyShift);
                }
                if let Some(c) = shift.compare()
                    && (c.expected.len() != shift.out().len() || c.mask.len() != shift.out().len())
                {
                    return Err(ProgramError::CompareLength {
                        shift: shift.out().len(),
                        expected: c.expected.len(),
                        mask: c.mask.len(),
                    });
                }
                if self.state != target {
                    self.closed()?;
                    self.path(self.state.path(target), sink);
                }
                let last = shift.end().is_some();
                sink(Step::Shift {
                    bits: shift.out(),
                    last,
                    read: shift.reads(),
                });
                self.open = !last;
                if let Some(end) = shift.end() {
                    self.state = self.state.next(true);
                    self.path(self.state.path(end), sink);
                }
            }
            Op::Clocks(cycles) => {
                self.closed()?;
                let tms = self.state.hold().ok_or(ProgramError::NotHeld(self.state))?;
                if *cycles > 0 {
                    sink(Step::Hold {
                        tms,
                        cycles: *cycles,
                    });
                }
            }
            Op::Wait(ns) => sink(Step::Wait(*ns)),
            Op::Line(line, level) => sink(Step::Line(*line, *level)),
            Op::Sense(slot) => sink(Step::Sense(*slot)),
        }
        Ok(())
    }

    fn closed(&self) -> Result<(), ProgramError> {
        if self.open {
            Err(ProgramError::OpenShift(self.state))
        } else {
            Ok(())
        }
    }

    fn path<'a>(&mut self, path: TmsPath, sink: &mut dyn FnMut(Step<'a>)) {
        if path.len > 0 {
            sink(Step::Tms(path));
            self.state = self.state.after(path);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::{Instructions, ScanProgram, Shift};
    use super::*;

    /// The TMS bits of a program, first bit left; waits and lines leave none.
    fn tms_of(program: &ScanProgram) -> (String, TapState) {
        let mut walker = Walker::new();
        let mut text = String::new();
        for op in program.ops() {
            walker
                .walk(op, &mut |step| match step {
                    Step::Tms(path) => text.extend(path.iter().map(|t| if t { '1' } else { '0' })),
                    Step::Shift { bits, last, .. } => {
                        text.extend(std::iter::repeat_n('0', bits.len() - usize::from(last)));
                        text.push_str(if last { "1" } else { "" });
                    }
                    Step::Hold { tms, cycles } => {
                        text.extend(std::iter::repeat_n(
                            if tms { '1' } else { '0' },
                            cycles as usize,
                        ));
                    }
                    _ => {}
                })
                .unwrap();
        }
        (text, walker.state())
    }

    #[test]
    fn a_scan_of_n_bits_takes_n_and_5_clocks_from_idle_to_idle() {
        let mut program = ScanProgram::new();
        program.go(TapState::RunTestIdle);
        program.scan_dr(Bits::zeros(18), TapState::RunTestIdle);
        let (tms, state) = tms_of(&program);
        // 18 bits and 5 clocks: the octal scan device's boundary scan (computed value).
        assert_eq!(tms, format!("0{}{}{}", "100", "0".repeat(17), "110"));
        assert_eq!(tms.len() - 1, 18 + 5);
        assert_eq!(state, TapState::RunTestIdle);
    }

    #[test]
    fn eight_bits_have_tms_high_on_the_eighth_clock_only() {
        // Gowin UG290: shifting 0x11, TMS is 1 only on the eighth clock.
        let mut program = ScanProgram::new();
        program.go(TapState::ShiftIr);
        let instruction = Instructions::of(Bits::from_u64(0x11, 8));
        program.scan_ir(instruction, TapState::Exit1Ir);
        assert_eq!(tms_of(&program).0, "0110000000001");
    }

    #[test]
    fn an_open_scan_refuses_anything_but_its_continuation() {
        let part = Op::Shift(Shift::dr(Bits::ones(3)));
        let mut walker = Walker::new();
        let mut steps = 0;
        walker.walk(&part, &mut |_| steps += 1).unwrap();
        assert!(walker.is_open() && steps == 2);
        let before = walker;
        for op in [
            Op::Go(TapState::RunTestIdle),
            Op::Clocks(1),
            Op::Along(vec![TapState::Exit1Dr]),
            Op::Shift(Shift::ir(Instructions::bypass(1))),
        ] {
            assert_eq!(
                walker.walk(&op, &mut |_| panic!("nothing is to be clocked")),
                Err(ProgramError::OpenShift(TapState::ShiftDr))
            );
            assert_eq!(walker, before);
        }
        walker.walk(&Op::Reset, &mut |_| {}).unwrap();
        assert!(!walker.is_open());
    }

    #[test]
    fn states_that_cannot_be_held_take_no_clocks() {
        let mut walker = Walker::new();
        walker
            .walk(&Op::Go(TapState::UpdateDr), &mut |_| {})
            .unwrap();
        assert_eq!(
            walker.walk(&Op::Clocks(3), &mut |_| {}),
            Err(ProgramError::NotHeld(TapState::UpdateDr))
        );
        assert_eq!(
            walker.walk(&Op::Along(vec![TapState::PauseDr]), &mut |_| {}),
            Err(ProgramError::NoSuchStep {
                from: TapState::UpdateDr,
                to: TapState::PauseDr
            })
        );
    }
}
