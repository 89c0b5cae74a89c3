//! Jobs on pins: levels held for a time, levels read, tables of vectors.

use std::io::BufRead;

use crate::board::{Board, DeviceIndex};
use crate::boundary::drive::{
    Column, DriveError, DriveRun, LevelPlan, Levels, Sensed, TableError, TableRun, look,
    play_table, sample,
};
use crate::boundary::{Clamp, Conditions, Guard, PinIndex, Pins};
use crate::chain::Chain;
use crate::tap::{Answers, PieceLimits, Port, PortError, ScanProgram, run};

use super::Session;

/// What was read of one name.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Read {
    /// The name.
    pub name: String,
    /// The pin that told.
    pub pin: String,
    /// The last level; `None` if the pin could not tell.
    pub level: Option<bool>,
    /// Looks that read low.
    pub low: u64,
    /// Looks that read high.
    pub high: u64,
}

impl Read {
    /// Nothing read yet.
    pub fn of(sensed: &Sensed, pins: &Pins) -> Self {
        Read {
            name: sensed.name.clone(),
            pin: pins.get(sensed.pin).pin.to_string(),
            level: None,
            low: 0,
            high: 0,
        }
    }

    /// Takes one more look.
    pub fn take(&mut self, level: Option<bool>) {
        self.level = level;
        match level {
            Some(true) => self.high += 1,
            Some(false) => self.low += 1,
            None => {}
        }
    }
}

/// How levels are held.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HoldTime {
    /// Nanoseconds until release.
    pub ns: u64,
    /// Nanoseconds of one level of a blink; also the time between two looks.
    pub half_period_ns: u64,
}

impl Session {
    /// What holds the other devices by CLAMP while `device` is loaded, after a look by SAMPLE; `None` if none can be held.
    ///
    /// # Errors
    /// [`DriveError`]: the guard refused, something moved, or the adapter failed.
    pub fn clamp(
        &mut self,
        board: &Board,
        chain: &Chain,
        device: DeviceIndex,
        conditions: Conditions,
    ) -> Result<Option<Clamp>, DriveError> {
        // It runs its own design, if any: what it drives is live.
        let pins = Pins::beside(board, chain.devices(), &[device])?;
        let guard = Guard::new(board, &pins, conditions)?;
        let mut run = self.runner(board)?;
        let still = look(board, &guard, &mut run)?;
        Ok(Clamp::of(board, &guard, &still))
    }

    /// Sets the board's TCK rate and gives what runs a scan program at it.
    ///
    /// # Errors
    /// The adapter cannot make a rate as slow as that, or failed.
    pub fn runner(
        &mut self,
        board: &Board,
    ) -> Result<impl FnMut(ScanProgram) -> Result<Answers, PortError> + '_, PortError> {
        let tck_hz = self.set_tck_hz(board.tck_limit_hz(true))?;
        let limits = PieceLimits::at(tck_hz);
        Ok(move |program| run(self, program, limits))
    }

    /// Holds the planned levels for a time, blinks what blinks, and reads at every half period; then releases all.
    /// `told` hears the nanoseconds that are left.
    ///
    /// # Errors
    /// [`DriveError`]; the board has been taken out of EXTEST.
    pub fn hold_levels(
        &mut self,
        board: &Board,
        guard: &Guard<'_>,
        plan: &LevelPlan,
        time: HoldTime,
        told: &mut dyn FnMut(u64),
    ) -> Result<Vec<Read>, DriveError> {
        let mut run = self.runner(board)?;
        let mut reads: Vec<Read> = (plan.sensed.iter())
            .map(|s| Read::of(s, guard.pins()))
            .collect();
        let mut look = |levels: &Levels<'_>| {
            for (read, sensed) in reads.iter_mut().zip(&plan.sensed) {
                read.take(levels.of(sensed.pin));
            }
        };
        let mut drive = DriveRun::begin(board, guard, &mut run)?;
        let mut phase = true;
        let mut left = time.ns;
        loop {
            look(&drive.put(guard, &plan.wanted(phase), &mut run)?);
            told(left);
            if left == 0 {
                break;
            }
            let step = time.half_period_ns.max(1).min(left);
            drive.wait_ns(guard, step, &mut run)?;
            left -= step;
            if left > 0 && plan.blinks() {
                phase = !phase;
            }
        }
        drive.end(guard, &mut run)?;
        Ok(reads)
    }

    /// Reads levels by SAMPLE: nothing is driven.
    ///
    /// # Errors
    /// [`DriveError`]: the answers are not to be believed, or the adapter failed.
    pub fn read_levels(
        &mut self,
        board: &Board,
        pins: &Pins,
        sensed: &[Sensed],
    ) -> Result<Vec<Read>, DriveError> {
        let mut run = self.runner(board)?;
        let wanted: Vec<PinIndex> = sensed.iter().map(|s| s.pin).collect();
        let levels = sample(pins, &wanted, &mut run)?;
        let read = |(s, level)| {
            let mut read = Read::of(s, pins);
            read.take(level);
            read
        };
        Ok(sensed.iter().zip(levels).map(read).collect())
    }

    /// Plays a table of vectors whose columns a rehearsal has resolved.
    ///
    /// # Errors
    /// [`TableError`]; the board has been taken out of EXTEST.
    pub fn play_table(
        &mut self,
        board: &Board,
        guard: &Guard<'_>,
        levels: &[(PinIndex, bool)],
        columns: &[Column],
        table: impl BufRead,
        told: &mut dyn FnMut(u64),
    ) -> Result<TableRun, TableError> {
        let mut run = self.runner(board).map_err(|e| TableError::Drive {
            line: None,
            error: e.into(),
        })?;
        play_table(board, guard, levels, columns, table, &mut run, told)
    }
}
