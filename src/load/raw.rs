//! Loads a raw image into one device of the chain, the others in BYPASS.

use std::fmt;

use crate::bits::Bits;
use crate::chain::IdCode;
use crate::tap::{Answers, Compare, Instructions, Op, Port, PortError, Shift, Slot, TapState};

use super::error::RecipeError;
use super::image::{Image, ImageError, ImageRefusal, Recognised};
use super::plan::{Plan, PlannedStep, Target};
use super::recipe::{
    ByteOrder, Condition, ImageAction, Recipe, StatusFrom, StatusKind, StepAction,
};
use super::runner::{Counts, Failed, Runner, Stopped};
use super::status::StatusReading;

/// A load that was prepared: recipe, device and image fit each other.
#[derive(Debug)]
pub struct Load<'a> {
    pub(super) recipe: &'a Recipe,
    pub(super) target: Target<'a>,
    image: &'a Image,
    what: Recognised,
    plan: Plan,
    /// Why the image was refused, if the caller went on all the same.
    forced: Option<ImageRefusal>,
}

/// How far a load got.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Far {
    /// The step it was in, 1 first; 0 before the first.
    pub step: usize,
    /// How many steps there are.
    pub steps: usize,
    /// What that step is for; empty if the recipe does not say.
    pub why: String,
    /// Bytes of the image sent; where the adapter failed: at most, for some may have been on their way.
    pub sent: u64,
    /// Bytes of the image that have gone into the device for certain: answers have come from behind them. Kept from the
    /// moment that the adapter fails; before, what is on its way is not asked for.
    pub proven: u64,
    /// Bytes to be sent.
    pub of: u64,
}

impl Far {
    fn step(&self) -> String {
        match (self.step, &*self.why) {
            (0, _) => "no step".to_owned(),
            (step, "") => format!("step {step} of {}", self.steps),
            (step, why) => format!("step {step} of {} ({why})", self.steps),
        }
    }
}

impl fmt::Display for Far {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.step())?;
        if self.step == 0 {
            return Ok(());
        }
        match self.sent {
            0 => write!(f, ", no byte of the image sent"),
            sent => write!(f, ", {sent} of {} bytes of the image sent", self.of),
        }
    }
}

/// What a caller is told and asked while a load runs.
pub struct Watch<'a> {
    /// Whether the user wishes to stop; looked at between pieces.
    pub cancelled: &'a dyn Fn() -> bool,
    /// Told at each step and each piece of the image.
    pub progress: &'a mut dyn FnMut(&Far),
}

/// How a load ended, when the adapter lived.
#[derive(Debug, Clone, PartialEq)]
pub struct Loaded {
    /// How it ended.
    pub end: LoadEnd,
    /// How far it got.
    pub far: Far,
    /// The last reading of each status word that was read, in the order of the recipe.
    pub readings: Vec<StatusReading>,
    /// Whether the image was read back and found equal; `None` if that was not asked for or not reached.
    pub verified: Option<bool>,
    /// What went over the wire.
    pub counts: Counts,
    /// True if it was a rehearsal: nothing was sent.
    pub rehearsal: bool,
}

/// The end of a load.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum LoadEnd {
    /// All steps ran and every check was as it must be.
    Done,
    /// The device or the chain did not do as it must.
    Failed(LoadFailure),
    /// The user stopped it.
    BrokenOff,
}

/// Why a load failed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum LoadFailure {
    /// Error flags of a status word are 1.
    ErrorFlags {
        /// The reading.
        reading: StatusReading,
    },
    /// A status word is not as wanted.
    NotAsWanted {
        /// The last reading.
        reading: StatusReading,
        /// Flags that differ, with the level that was wanted.
        unmet: Vec<(String, bool)>,
        /// How long it was tried, in nanoseconds; `None` for a check.
        waited_ns: Option<u64>,
    },
    /// What was read cannot be the status word.
    NoStatus {
        /// The reading.
        reading: StatusReading,
        /// What it must fit, most significant bit first.
        always: String,
    },
    /// The captured instruction bits of a device were not 01 in the two lowest: the chain is disturbed.
    ChainLost {
        /// The device's place, 0 first after TDI.
        place: usize,
        /// Its captured instruction bits.
        seen: Bits,
    },
    /// A register did not answer as the recipe expects.
    Answer {
        /// What came out.
        seen: Bits,
        /// What should have.
        expected: Bits,
        /// Where it mattered.
        mask: Bits,
    },
    /// The image read back differs.
    Verify {
        /// The first byte of the sent image that differs, from 0.
        byte: u64,
        /// How many bits differ.
        bits: u64,
    },
}

/// Why a load could not be run or not be run to its end.
#[derive(Debug, thiserror::Error)]
pub enum LoadError {
    /// The recipe does not fit the device.
    #[error(transparent)]
    Recipe(#[from] RecipeError),
    /// The image cannot be read; if the load had begun, the exit steps have run.
    #[error(transparent)]
    Image(#[from] ImageError),
    /// The adapter failed in the middle of the load.
    #[error("{source}; {}", half_way(device, far))]
    Port {
        /// What the adapter says.
        source: PortError,
        /// The device's name.
        device: String,
        /// How far it got.
        far: Box<Far>,
    },
}

impl<'a> Load<'a> {
    /// Prepares a load: holds the recipe against the device, and the image against the recipe. `code` is what the device
    /// answered with. With `force` an image that is refused is sent all the same, as a whole.
    ///
    /// # Errors
    /// [`LoadError::Recipe`], [`LoadError::Image`]. An image that is not for the device is no error: `Ok(Err(refusal))`.
    pub fn prepare(
        recipe: &'a Recipe,
        target: Target<'a>,
        image: &'a Image,
        code: Option<IdCode>,
        force: bool,
    ) -> Result<Result<Load<'a>, ImageRefusal>, LoadError> {
        let plan = Plan::new(recipe, &target)?;
        let (what, forced) = match image.recognise(&recipe.image, &target.device.entity, code)? {
            Ok(what) => (what, None),
            Err(refusal) if force && image.can_be_forced(&recipe.image) => {
                let start = recipe.image.skip;
                (
                    Recognised {
                        start,
                        bytes: image.bytes() - start,
                    },
                    Some(refusal),
                )
            }
            Err(refusal) => return Ok(Err(refusal)),
        };
        Ok(Ok(Load {
            recipe,
            target,
            image,
            what,
            plan,
            forced,
        }))
    }

    /// Why the image was refused, if the load goes on by force.
    pub fn forced(&self) -> Option<&ImageRefusal> {
        self.forced.as_ref()
    }

    /// Whether the device keeps the image without power.
    pub fn permanent(&self) -> bool {
        self.recipe.permanent
    }

    /// Bytes that will be sent.
    pub fn bytes(&self) -> u64 {
        self.what.bytes
    }

    /// Counts what a load would send, without a port: every poll is right the first time.
    ///
    /// # Errors
    /// [`LoadError::Image`] if the image cannot be read to its end.
    pub fn rehearse(&self, tck_hz: u32, verify: bool) -> Result<Loaded, LoadError> {
        self.run_through(Runner::new(None, None, tck_hz), verify, &mut |_| {})
    }

    /// Loads the image at the rate that the port is set to, `tck_hz`, and, with `verify`, reads it back by the recipe's verify
    /// steps. It begins with a reset and leaves the TAP in Run-Test/Idle with BYPASS everywhere. When
    /// the load fails or is stopped, the scan is finished and the recipe's exit steps run.
    ///
    /// # Errors
    /// [`LoadError::Port`] with how far it got: the TAP's state is unknown then. [`LoadError::Image`] if the image cannot be
    /// read to its end; the exit steps have run then.
    pub fn run(
        &self,
        port: &mut dyn Port,
        tck_hz: u32,
        verify: bool,
        watch: Watch<'_>,
    ) -> Result<Loaded, LoadError> {
        let Watch {
            cancelled,
            progress,
        } = watch;
        self.run_through(
            Runner::new(Some(port), Some(cancelled), tck_hz),
            verify,
            progress,
        )
    }

    fn run_through<'r>(
        &self,
        runner: Runner<'r>,
        verify: bool,
        progress: &'r mut dyn FnMut(&Far),
    ) -> Result<Loaded, LoadError> {
        let verify_steps = if verify { &self.plan.verify[..] } else { &[] };
        let steps = self.plan.load.len() + verify_steps.len();
        let mut run = Run {
            load: self,
            runner,
            progress,
            far: Far {
                steps,
                of: self.what.bytes,
                ..Far::default()
            },
            readings: vec![None; self.recipe.status.len()],
        };
        let mut verified = None;
        // From wherever the TAP is: no instruction but IDCODE or BYPASS is in force anywhere.
        let mut end = run
            .runner
            .push(Op::Reset)
            .and_then(|()| run.preload())
            .map_err(Halt::from)
            .and_then(|()| run.steps(&self.plan.load));
        if matches!(end, Ok(None)) && !verify_steps.is_empty() {
            end = run.steps(verify_steps);
            verified = match &end {
                Ok(failure) if !run.runner.is_rehearsal() => Some(failure.is_none()),
                _ => None,
            };
        }
        let end = match end {
            Ok(None) => match run.bypass() {
                Ok(()) => LoadEnd::Done,
                // Stopped when all was done: the device is loaded, and BYPASS still has to be put in.
                Err(Stopped::Cancelled) => {
                    let put = run.runner.close().and_then(|()| run.bypass());
                    put.map_err(|s| run.lost(s.into_port()))?;
                    LoadEnd::Done
                }
                Err(stopped) => run.stopped(stopped)?,
            },
            Ok(Some(failure)) => {
                run.leave()?;
                LoadEnd::Failed(failure)
            }
            Err(Halt::Stopped(stopped)) => run.stopped(stopped)?,
            Err(Halt::Image(error)) => {
                run.leave()?;
                return Err(error.into());
            }
        };
        Ok(Loaded {
            end,
            counts: run.runner.counts(),
            rehearsal: run.runner.is_rehearsal(),
            far: run.far,
            readings: run.readings.into_iter().flatten().collect(),
            verified,
        })
    }
}

/// Why the steps ended early, other than by what the device did.
enum Halt {
    Stopped(Stopped),
    Image(ImageError),
}

impl From<Stopped> for Halt {
    fn from(stopped: Stopped) -> Self {
        Halt::Stopped(stopped)
    }
}

/// A load that runs.
struct Run<'a, 'b> {
    load: &'a Load<'a>,
    runner: Runner<'b>,
    progress: &'b mut dyn FnMut(&Far),
    far: Far,
    readings: Vec<Option<StatusReading>>,
}

/// Slots of the two captures of a status look.
const STATUS: Slot = Slot(0);
const IR: Slot = Slot(1);

impl Run<'_, '_> {
    /// Runs steps until one fails.
    fn steps(&mut self, steps: &[PlannedStep]) -> Result<Option<LoadFailure>, Halt> {
        for planned in steps {
            self.far.step += 1;
            self.far.why.clone_from(&planned.step.why);
            (self.progress)(&self.far);
            if let Some(failure) = self.step(planned)? {
                return Ok(Some(failure));
            }
        }
        // A stop from here on finds all of the steps done.
        self.runner.submit()?;
        Ok(None)
    }

    fn step(&mut self, planned: &PlannedStep) -> Result<Option<LoadFailure>, Halt> {
        let step = &planned.step;
        if let Some(ir) = &planned.ir {
            self.runner.scan(Shift::ir(ir.clone()), None)?;
        }
        let failure = match &step.action {
            StepAction::None => None,
            StepAction::Reset => {
                self.runner.push(Op::Reset)?;
                self.runner.push(Op::Go(TapState::RunTestIdle))?;
                self.preload()?;
                None
            }
            StepAction::Data(data) => {
                let compare = self
                    .load
                    .plan
                    .expected(data)
                    .map(|(expected, mask)| Compare {
                        expected,
                        mask,
                        tag: 0,
                        offset: 0,
                    });
                let compared = compare.is_some();
                let (after, bits) = (self.load.plan.after, data.out.len());
                let out = self.load.plan.padded(&data.out);
                let shift = Shift::dr(out).to(TapState::RunTestIdle);
                self.runner.push(Op::Shift(match compare {
                    Some(compare) => shift.compared(compare),
                    None => shift,
                }))?;
                let failed = if compared { self.compared()? } else { None };
                failed.map(|f| LoadFailure::Answer {
                    seen: f.mismatch.seen.slice(after, bits),
                    expected: f.mismatch.expected.slice(after, bits),
                    mask: f.mismatch.mask.slice(after, bits),
                })
            }
            StepAction::Image(action) => self.image(*action)?,
            StepAction::Check(condition) => {
                let reading = self.look(condition, true)?;
                reading.and_then(|r| self.judge(condition, r, None))
            }
            StepAction::Poll {
                condition,
                timeout_ns,
                every_ns,
            } => self.poll(condition, *timeout_ns, *every_ns)?,
        };
        if failure.is_none() {
            self.runner.clocks(step.clocks)?;
            self.runner.wait(step.wait_ns)?;
        }
        Ok(failure)
    }

    /// Waits for a compare's answer.
    fn compared(&mut self) -> Result<Option<Failed>, Halt> {
        self.runner.count_compare();
        self.runner.finish()?;
        Ok(self.runner.compare_failed())
    }

    /// Looks at a status word again and again.
    fn poll(
        &mut self,
        condition: &Condition,
        timeout_ns: u64,
        every_ns: u64,
    ) -> Result<Option<LoadFailure>, Halt> {
        let mut waited = 0;
        loop {
            let Some(reading) = self.look(condition, waited == 0)? else {
                return Ok(None);
            };
            match self.judge(condition, reading, Some(waited)) {
                None => return Ok(None),
                Some(LoadFailure::NotAsWanted { .. }) if waited < timeout_ns => {}
                failure => return Ok(failure),
            }
            let now = every_ns.min(timeout_ns - waited);
            self.runner.wait(now)?;
            waited += now;
        }
    }

    /// One look at a status word; `None` in a rehearsal. The instruction scan, which a register needs only once, also brings
    /// the captured instruction bits, and with them the proof that the chain is still what it was.
    fn look(
        &mut self,
        condition: &Condition,
        first: bool,
    ) -> Result<Option<Result<StatusReading, LoadFailure>>, Halt> {
        let plan = &self.load.plan;
        let word = &self.load.recipe.status[condition.status];
        let planned = &plan.status[condition.status];
        let by_capture = word.from == StatusFrom::InstructionCapture;
        if first || by_capture {
            self.runner.scan(Shift::ir(planned.ir.clone()), Some(IR))?;
        }
        if !by_capture {
            let zeros = plan.padded(&Bits::zeros(planned.bits));
            self.runner.scan(Shift::dr(zeros), Some(STATUS))?;
        }
        let answers: Answers = self.runner.finish()?;
        if self.runner.is_rehearsal() {
            return Ok(None);
        }
        if let Some(all) = answers.get(IR) {
            for place in 0..plan.layout.len() {
                let field = plan.layout.ir_field(place);
                if all.get_u64(field.start, 2) != 0b01 {
                    let seen = all.slice(field.start, field.len());
                    return Ok(Some(Err(LoadFailure::ChainLost { place, seen })));
                }
            }
        }
        let bits = if by_capture {
            let field = plan.layout.ir_field(plan.place);
            answers.bits(IR).slice(field.start, field.len())
        } else {
            answers.bits(STATUS).slice(plan.after, planned.bits)
        };
        let reading = StatusReading::of(word, bits);
        self.readings[condition.status] = Some(reading.clone());
        Ok(Some(Ok(reading)))
    }

    /// What is wrong with a reading, if anything.
    fn judge(
        &self,
        condition: &Condition,
        reading: Result<StatusReading, LoadFailure>,
        waited_ns: Option<u64>,
    ) -> Option<LoadFailure> {
        let reading = match reading {
            Ok(reading) => reading,
            Err(failure) => return Some(failure),
        };
        let word = &self.load.recipe.status[condition.status];
        if !reading.plausible {
            let always = word
                .always
                .as_ref()
                .map_or(String::new(), |a| a.to_string());
            return Some(LoadFailure::NoStatus { reading, always });
        }
        if reading.flags(StatusKind::Error).next().is_some() {
            return Some(LoadFailure::ErrorFlags { reading });
        }
        let unmet = reading.unmet(word, condition).into_iter();
        let unmet: Vec<(String, bool)> = unmet
            .map(|(name, level)| (name.to_owned(), level))
            .collect();
        (!unmet.is_empty()).then_some(LoadFailure::NotAsWanted {
            reading,
            unmet,
            waited_ns,
        })
    }

    /// Streams the image: a zero for each device towards TDO, the image, a zero for each device towards TDI.
    fn image(&mut self, action: ImageAction) -> Result<Option<LoadFailure>, Halt> {
        let load = self.load;
        let (before, after) = (load.plan.before, load.plan.after);
        let send = action == ImageAction::Send;
        let part = |out: Bits, compare: Option<Compare>, end: bool| {
            let mut shift = Shift::dr(out);
            if let Some(compare) = compare {
                shift = shift.compared(compare);
            }
            Op::Shift(match end {
                true => shift.to(TapState::RunTestIdle),
                false => shift,
            })
        };
        let mut offset = 0;
        let mut pieces = load.image.pieces(load.what).map_err(Halt::Image)?;
        if send {
            self.far.sent = 0;
        }
        if after > 0 {
            self.runner.push(part(Bits::zeros(after), None, false))?;
        }
        while pieces.left() > 0 {
            let bytes = pieces
                .next((self.runner.room_bits() / 8).max(512))
                .map_err(Halt::Image)?;
            let last = pieces.left() == 0 && before == 0;
            let count = bytes.len() as u64;
            let bits = image_bits(bytes, load.recipe.image.bits);
            if send {
                self.runner.count_payload(bits.len() as u64);
                // Before it is pushed: what an adapter that fails had may be all of it.
                self.far.sent += count;
                self.runner.push(part(bits, None, last))?;
                (self.progress)(&self.far);
            } else {
                let len = bits.len();
                let (out, mask) = (Bits::zeros(len), Bits::ones(len));
                self.runner.push(part(
                    out,
                    Some(Compare {
                        expected: bits,
                        mask,
                        tag: 0,
                        offset,
                    }),
                    last,
                ))?;
                offset += len;
            }
        }
        if before > 0 {
            self.runner.push(part(Bits::zeros(before), None, true))?;
        }
        if send {
            return Ok(None);
        }
        Ok(self.compared()?.map(|f| LoadFailure::Verify {
            byte: f.first_bit / 8,
            bits: f.bits,
        }))
    }

    /// What CLAMP is to hold in the other devices, if anything.
    fn preload(&mut self) -> Result<(), Stopped> {
        if let Some((instructions, image)) = &self.load.plan.preload {
            self.runner.scan(Shift::ir(instructions.clone()), None)?;
            self.runner.scan(Shift::dr(image.clone()), None)?;
        }
        Ok(())
    }

    /// BYPASS in every device.
    fn bypass(&mut self) -> Result<(), Stopped> {
        let all = Instructions::bypass(self.load.plan.layout.ir_total());
        self.runner.scan(Shift::ir(all), None)?;
        self.runner.finish().map(drop)
    }

    /// Ends an open scan, runs the exit steps, puts BYPASS everywhere.
    fn leave(&mut self) -> Result<(), LoadError> {
        if !self.runner.has_begun() {
            self.far.step = 0;
            return Ok(());
        }
        let left = (|| {
            self.runner.close()?;
            // What was gathered and not submitted never went out.
            self.far.sent = self.runner.payload_submitted() / 8;
            for planned in &self.load.plan.exit {
                self.step(planned)?;
            }
            self.bypass()?;
            Ok(())
        })();
        match left {
            Ok(()) => Ok(()),
            Err(Halt::Image(error)) => Err(error.into()),
            Err(Halt::Stopped(stopped)) => Err(self.lost(stopped.into_port())),
        }
    }

    fn stopped(&mut self, stopped: Stopped) -> Result<LoadEnd, LoadError> {
        match stopped {
            Stopped::Cancelled => {
                self.leave()?;
                Ok(LoadEnd::BrokenOff)
            }
            Stopped::Port(source) => Err(self.lost(source)),
        }
    }

    fn lost(&self, source: PortError) -> LoadError {
        LoadError::Port {
            source,
            device: self.load.target.name.to_owned(),
            far: Box::new(Far {
                proven: self.runner.payload_proven() / 8,
                ..self.far.clone()
            }),
        }
    }
}

/// What an adapter that failed leaves behind.
fn half_way(device: &str, far: &Far) -> String {
    if far.step == 0 {
        return format!("the load of {device} had not begun");
    }
    let bytes = match (far.proven, far.sent - far.proven) {
        (0, 0) => "no byte of the image was sent".to_owned(),
        (proven, 0) => format!("{proven} of {} bytes of the image had gone in", far.of),
        (proven, under_way) => format!(
            "{proven} of {} bytes of the image had gone in for certain and {under_way} more were on their way",
            far.of
        ),
    };
    let step = far.step();
    format!(
        "the load of {device} had got no further than {step}; {bytes}, and the device is left half loaded"
    )
}

/// Bytes as bits in the order in which they go out.
fn image_bits(mut bytes: Vec<u8>, order: ByteOrder) -> Bits {
    if order == ByteOrder::Big {
        bytes.iter_mut().for_each(|b| *b = b.reverse_bits());
    }
    Bits::from_bytes(&bytes, bytes.len() * 8)
}
