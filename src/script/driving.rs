//! Pins that a script drives from one of its lines to the next, and levels that it reads.

use std::rc::Rc;

use crate::board::{DeviceIndex, Level};
use crate::boundary::drive::{DriveError, DriveRun, LevelPlan, Toggle, rehearse_table};
use crate::boundary::{Guard, Pins};
use crate::session::Read;
use crate::tap::Port;

use super::End;
use super::state::{Done, State};
use super::steps::StepResult;

/// Pins under EXTEST between two lines of a script.
pub(super) struct Driving {
    pins: Rc<Pins>,
    run: DriveRun,
    /// What the script wants, by the names it used.
    levels: Vec<(String, bool)>,
}

/// Between two looks of `wait_for`.
const LOOK_NS: u64 = 5_000_000;

impl State {
    /// Puts levels on pins beside those that stand already.
    pub(super) fn drive(&mut self, wanted: Vec<(String, bool)>) -> Result<Done<()>, End> {
        let mut levels = self.levels();
        for (name, level) in &wanted {
            set(&mut levels, name, Some(*level));
        }
        self.consent_to_drive(&format!("it drives {}", told(&wanted)))?;
        self.hold(levels, &[])?;
        let driven = wanted
            .iter()
            .map(|(n, l)| (n.clone(), Level::from(*l).to_string()))
            .collect();
        Ok(Done::passed((), told(&wanted), StepResult::Driven(driven)))
    }

    /// Releases some names, or all.
    pub(super) fn release(&mut self, names: Option<&str>) -> Result<Done<()>, End> {
        let mut levels = self.levels();
        let released: Vec<(String, String)> = match names {
            None => levels.drain(..).map(|(n, _)| (n, String::new())).collect(),
            Some(name) => {
                set(&mut levels, name, None);
                vec![(name.to_owned(), String::new())]
            }
        };
        if levels.is_empty() {
            self.let_go()?;
        } else {
            self.hold(levels, &[])?;
        }
        let says = match names {
            None => "all released".to_owned(),
            Some(name) => format!("{name} released"),
        };
        Ok(Done::passed((), says, StepResult::Driven(released)))
    }

    /// Reads levels: under EXTEST while something is driven, else by SAMPLE.
    pub(super) fn sense(&mut self, names: &[String]) -> Result<Done<Vec<Read>>, End> {
        let reads = self.look(names)?;
        let says: Vec<String> = (reads.iter())
            .map(|r| format!("{} {}", r.name, level_word(r.level)))
            .collect();
        let result = StepResult::Read(reads.clone());
        Ok(Done::passed(reads, says.join(", "), result))
    }

    /// Looks until a level is there or the time is over.
    pub(super) fn wait_for(
        &mut self,
        name: &str,
        level: bool,
        seconds: f64,
    ) -> Result<Done<bool>, End> {
        let names = [name.to_owned()];
        let began = self.session()?.traffic().elapsed;
        loop {
            let reads = self.look(&names)?;
            let passed = (self.session()?.traffic().elapsed - began).as_secs_f64();
            let there = reads[0].level == Some(level);
            if there || passed >= seconds {
                let word = Level::from(level);
                let says = match there {
                    true => format!("{name} is {word} after {passed:.3} s"),
                    false => format!(
                        "{name} did not become {word} within {seconds} s: it is {}",
                        level_word(reads[0].level)
                    ),
                };
                return Ok(Done::judged(there, there, says, StepResult::Read(reads)));
            }
            let left = ((seconds - passed) * 1e9) as u64;
            self.pass_ns(LOOK_NS.min(left.max(1)))?;
        }
    }

    /// Lets time pass with the pins as they are, a second at a time.
    pub(super) fn pass_ns(&mut self, ns: u64) -> Result<(), End> {
        let mut left = ns;
        while left > 0 {
            let part = left.min(1_000_000_000);
            self.stop_asked()?;
            self.pass_a_while(part)?;
            left -= part;
        }
        Ok(())
    }

    fn pass_a_while(&mut self, ns: u64) -> Result<(), End> {
        let board = self.board()?;
        let stop = self.stop();
        if let Some(driving) = self.driving.take() {
            let pins = driving.pins.clone();
            let guard = Guard::new(&board, &pins, self.conditions()).map_err(|r| refused(&r))?;
            let mut run = (self.session()?.runner(&board)).map_err(|e| End::port(&e, stop))?;
            let waited = driving.run.wait_ns(&guard, ns, &mut run);
            drop(run);
            return match waited {
                Ok(()) => {
                    self.driving = Some(driving);
                    Ok(())
                }
                Err(error) => Err(End::drive(&error, self.stop())),
            };
        }
        let session = self.session()?;
        let mut run = session.runner(&board).map_err(|e| End::port(&e, stop))?;
        let waited = crate::boundary::drive::waits(ns).try_for_each(|p| run(p).map(|_| ()));
        drop(run);
        waited.map_err(|e| End::port(&e, self.stop()))
    }

    /// A table of vectors, beside the levels that stand.
    pub(super) fn vectors(
        &mut self,
        file: &str,
        mission: &[String],
    ) -> Result<Done<crate::boundary::drive::TableRun>, End> {
        let board = self.board()?;
        let mission: Vec<DeviceIndex> = (mission.iter())
            .map(|name| self.device(name))
            .collect::<Result<_, _>>()?;
        let path = self.file(file);
        let levels = self.levels();
        let chain = self.chain()?;
        self.let_go()?;
        let pins = Pins::beside(&board, chain.devices(), &mission)
            .map_err(|e| End::input(e.to_string(), "mend the board file"))?;
        let guard = Guard::new(&board, &pins, self.conditions()).map_err(|r| refused(&r))?;
        let plan = plan(&board, &guard, &levels, &[])?;
        let beside = plan.wanted(true);
        let stop = self.stop();
        let (columns, _) = rehearse_table(&board, &guard, &beside, super::state::open(&path)?)
            .map_err(|e| End::table(file, &e, stop))?;
        self.consent_to_drive(&format!("the rows of {file} go to the pins that it names"))?;
        let table = super::state::open(&path)?;
        let played =
            self.session()?
                .play_table(&board, &guard, &beside, &columns, table, &mut |_| {});
        let run = played.map_err(|e| End::table(file, &e, self.stop()))?;
        let says = match run.first.first() {
            None => format!(
                "{} vectors, {} levels compared, all as expected",
                run.vectors, run.compares
            ),
            Some(m) => format!(
                "{} of {} levels not as expected; row {}, column {}: expected {}, seen {} on {}",
                run.mismatches, run.compares, m.line, m.column, m.expected, m.seen, m.pin
            ),
        };
        let result = StepResult::Vectors {
            file: file.to_owned(),
            run: Box::new(run.clone()),
        };
        let good = run.first.is_empty();
        Ok(Done::judged(run, good, says, result))
    }

    /// Takes the board out of EXTEST if a script drives something.
    pub(super) fn let_go(&mut self) -> Result<(), End> {
        let Some(driving) = self.driving.take() else {
            return Ok(());
        };
        let board = self.board()?;
        let stop = self.stop();
        let guard =
            Guard::new(&board, &driving.pins, self.conditions()).map_err(|r| refused(&r))?;
        let mut run = (self.session()?.runner(&board)).map_err(|e| End::port(&e, stop))?;
        let ended = driving.run.end(&guard, &mut run);
        drop(run);
        ended.map_err(|e| End::drive(&e, self.stop()))
    }

    fn levels(&self) -> Vec<(String, bool)> {
        (self.driving.as_ref()).map_or_else(Vec::new, |d| d.levels.clone())
    }

    fn look(&mut self, names: &[String]) -> Result<Vec<Read>, End> {
        self.stop_asked()?;
        if self.driving.is_some() {
            return self.hold(self.levels(), names);
        }
        let board = self.board()?;
        let chain = self.chain()?;
        let pins = Pins::new(&board, chain.devices())
            .map_err(|e| End::input(e.to_string(), "mend the board file"))?;
        let sensed = LevelPlan::sampled(&board, &pins, names).map_err(|e| End::plan(&e))?;
        let reads = self.session()?.read_levels(&board, &pins, &sensed);
        reads.map_err(|e| End::drive(&e, self.stop()))
    }

    /// Puts levels on the pins, enters EXTEST first if need be, and reads names.
    fn hold(&mut self, levels: Vec<(String, bool)>, sense: &[String]) -> Result<Vec<Read>, End> {
        self.stop_asked()?;
        let board = self.board()?;
        let chain = self.chain()?;
        let pins = match &self.driving {
            Some(driving) => driving.pins.clone(),
            None => {
                let pins = Pins::new(&board, chain.devices())
                    .map_err(|e| End::input(e.to_string(), "mend the board file"))?;
                Rc::new(pins)
            }
        };
        let guard = Guard::new(&board, &pins, self.conditions()).map_err(|r| refused(&r))?;
        // Refused before anything changes; what stands is let go by the end of the script.
        let plan = plan(&board, &guard, &levels, sense)?;
        let stop = self.stop();
        let run = self.driving.take().map(|d| d.run);
        let mut runner = (self.session()?.runner(&board)).map_err(|e| End::port(&e, stop))?;
        let put = || -> Result<(DriveRun, Vec<Read>), DriveError> {
            let mut run = match run {
                Some(run) => run,
                None => DriveRun::begin(&board, &guard, &mut runner)?,
            };
            let seen = run.put(&guard, &plan.wanted(true), &mut runner)?;
            let read = |s: &crate::boundary::drive::Sensed| {
                let mut read = Read::of(s, &pins);
                read.take(seen.of(s.pin));
                read
            };
            Ok((run, plan.sensed.iter().map(read).collect()))
        };
        let held = put();
        drop(runner);
        let (run, reads) = held.map_err(|e| End::drive(&e, self.stop()))?;
        self.driving = Some(Driving { pins, run, levels });
        Ok(reads)
    }
}

fn plan(
    board: &crate::board::Board,
    guard: &Guard<'_>,
    levels: &[(String, bool)],
    sense: &[String],
) -> Result<LevelPlan, End> {
    let toggles: Vec<(String, Toggle)> = (levels.iter())
        .map(|(n, l)| (n.clone(), Toggle::Stay(*l)))
        .collect();
    LevelPlan::new(board, guard, &toggles, sense).map_err(|e| End::plan(&e))
}

fn refused(refusal: &crate::boundary::Refusal) -> End {
    End::new(super::EndKind::Refused, refusal.to_string(), refusal.mend())
}

/// Sets, changes or removes a name's level; names are one whatever their case and zero padding.
fn set(levels: &mut Vec<(String, bool)>, name: &str, level: Option<bool>) {
    let key = crate::board::natural_key(name);
    levels.retain(|(n, _)| crate::board::natural_key(n) != key);
    levels.extend(level.map(|l| (name.to_owned(), l)));
}

fn told(levels: &[(String, bool)]) -> String {
    let parts: Vec<String> = (levels.iter())
        .map(|(n, l)| format!("{n} {}", Level::from(*l)))
        .collect();
    parts.join(", ")
}

pub(super) fn level_word(level: Option<bool>) -> String {
    level.map_or_else(|| "not seen".to_owned(), |l| Level::from(l).to_string())
}
