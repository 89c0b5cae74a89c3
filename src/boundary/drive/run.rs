//! Pins held under EXTEST from one scan program to the next.

use crate::board::Board;
use crate::tap::{Answers, PortError, ProgramError, ScanProgram, TapState};

use super::super::{
    Batch, Captures, Guard, GuardedImage, Held, OpenScan, PinIndex, Pins, SampleLook, Stillness,
    StillnessError, VectorId, leaving,
};
use super::DriveError;

/// What runs a scan program to its end.
pub type Runner<'r> = dyn FnMut(ScanProgram) -> Result<Answers, PortError> + 'r;

/// How often a look that is not to be believed is taken before giving up.
const TRIES: usize = 3;
/// The longest single wait.
const WAIT_NS: u64 = 20_000_000;
/// Waits in one program.
const WAITS: u64 = 5;

/// The levels that one capture showed.
#[derive(Debug, Clone)]
pub struct Levels<'a>(Captures<'a>);

impl Levels<'_> {
    /// The level on a pin; `None` where no cell sees it (then another pin of the net may).
    pub fn of(&self, pin: PinIndex) -> Option<bool> {
        self.0.level(VectorId(0), pin)
    }
}

/// Pins held under EXTEST. It is plain data: the guard and whatever runs programs are handed in each time, so that
/// both a command and a script can keep one. Whoever drops it without [`DriveRun::end`] leaves the pins driven until
/// Test-Logic-Reset.
#[derive(Debug, Clone)]
pub struct DriveRun {
    held: Held,
}

impl DriveRun {
    /// Looks by SAMPLE, and if nothing moves that should not, enters EXTEST with nothing driven but what must be.
    ///
    /// # Errors
    /// [`DriveError`]; the board is in Test-Logic-Reset then, as far as the adapter lets it.
    pub fn begin(
        board: &Board,
        guard: &Guard<'_>,
        run: &mut Runner<'_>,
    ) -> Result<Self, DriveError> {
        let still = look(board, guard, run)?;
        let (program, reader, held) = Batch::new(guard, &still).part();
        let answers = program_or_leave(guard, run, program)?;
        believed(guard, run, reader.read(&answers).map(|_| ()))?;
        Ok(DriveRun { held })
    }

    /// Puts levels on pins, all others released, lets them settle and reads.
    ///
    /// # Errors
    /// [`DriveError::Refused`] leaves everything as it was; after any other the board is out of EXTEST.
    pub fn put<'a>(
        &mut self,
        guard: &Guard<'a>,
        wanted: &[(PinIndex, bool)],
        run: &mut Runner<'_>,
    ) -> Result<Levels<'a>, DriveError> {
        let image = guard.image(wanted)?;
        Ok(Levels(self.images(guard, &[image], run)?))
    }

    /// Puts images on the pins one after another, each settled and captured; the last one stays.
    pub(super) fn images<'a>(
        &mut self,
        guard: &Guard<'a>,
        images: &[GuardedImage],
        run: &mut Runner<'_>,
    ) -> Result<Captures<'a>, DriveError> {
        let mut batch = Batch::resume(guard, self.held.clone());
        for image in images {
            batch.vector(image);
        }
        let (program, reader, held) = batch.part();
        let answers = program_or_leave(guard, run, program)?;
        let captures = believed(guard, run, reader.read(&answers))?;
        self.held = held;
        Ok(captures)
    }

    /// Every pin that is driven now, what is held and what always drives included.
    pub fn driven(&self) -> &[(PinIndex, bool)] {
        self.held.driven()
    }

    /// Lets time pass with the pins as they are; a wish to stop is heard within some 100 ms.
    ///
    /// # Errors
    /// [`DriveError::Port`]; the board is out of EXTEST.
    pub fn wait_ns(
        &self,
        guard: &Guard<'_>,
        ns: u64,
        run: &mut Runner<'_>,
    ) -> Result<(), DriveError> {
        for program in waits(ns) {
            program_or_leave(guard, run, program)?;
        }
        Ok(())
    }

    /// Puts the image at rest on the pins, then Test-Logic-Reset.
    ///
    /// # Errors
    /// [`DriveError::Port`]: the adapter failed, or the run was interrupted (and left all the same).
    pub fn end(self, guard: &Guard<'_>, run: &mut Runner<'_>) -> Result<(), DriveError> {
        program_or_leave(guard, run, leaving(guard, OpenScan::None))?;
        Ok(())
    }
}

/// Programs that let time pass in Run-Test/Idle, whatever the instruction. Each ends with a reading: an adapter takes
/// commands faster than they run, and without an answer nobody would know when the time is over.
pub fn waits(ns: u64) -> impl Iterator<Item = ScanProgram> {
    let most = WAIT_NS * WAITS;
    (0..ns.div_ceil(most)).map(move |i| {
        let mut left = (ns - i * most).min(most);
        let mut program = ScanProgram::new();
        program.go(TapState::RunTestIdle);
        while left > 0 {
            let step = left.min(WAIT_NS);
            program.wait_ns(step);
            left -= step;
        }
        program.sense();
        program
    })
}

/// The levels of all pins by one look by SAMPLE, which disturbs nothing and needs no EXTEST.
///
/// # Errors
/// [`DriveError`]: the answers are not to be believed, or the adapter failed.
pub fn sample(
    pins: &Pins,
    wanted: &[PinIndex],
    run: &mut Runner<'_>,
) -> Result<Vec<Option<bool>>, DriveError> {
    let mut tries = 1;
    loop {
        let (look, program) = SampleLook::new(pins, 1);
        let answers = run(program)?;
        match look.images(&answers) {
            Ok(images) => {
                let read = |p: &PinIndex| pins.sampled(*p, images.last()?);
                return Ok(wanted.iter().map(read).collect());
            }
            Err(_) if tries < TRIES => tries += 1,
            Err(error) => return Err(error.into()),
        }
    }
}

/// The look by SAMPLE that has to come before anything is driven, tried again where its own checks fail.
///
/// # Errors
/// Something moved, the answers are not to be believed, or the adapter failed.
pub fn look(
    board: &Board,
    guard: &Guard<'_>,
    run: &mut Runner<'_>,
) -> Result<Stillness, DriveError> {
    let mut tries = 1;
    loop {
        let (look, program) = SampleLook::before_extest(guard.pins());
        let answers = program_or_leave(guard, run, program)?;
        match look.judge(board, &answers) {
            Err(StillnessError::Batch(_)) if tries < TRIES => tries += 1,
            result => return Ok(result?),
        }
    }
}

/// Runs a program; if it fails, takes the board out of EXTEST before the error is passed on.
fn program_or_leave(
    guard: &Guard<'_>,
    run: &mut Runner<'_>,
    program: ScanProgram,
) -> Result<Answers, PortError> {
    run(program).inspect_err(|_| leave(guard, run))
}

/// Takes the board out of EXTEST if what came back is not to be believed: nobody knows what the pins do then.
fn believed<T, E>(
    guard: &Guard<'_>,
    run: &mut Runner<'_>,
    read: Result<T, E>,
) -> Result<T, DriveError>
where
    DriveError: From<E>,
{
    read.map_err(|error| {
        leave(guard, run);
        error.into()
    })
}

fn leave(guard: &Guard<'_>, run: &mut Runner<'_>) {
    let out = run(leaving(guard, OpenScan::Dr));
    if let Err(PortError::Program(ProgramError::OpenShift(_))) = out {
        // The shift that was broken off was an instruction. Nothing more can be done if this fails too.
        let _ = run(leaving(guard, OpenScan::Ir));
    }
}
