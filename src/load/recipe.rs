//! Recipes: how a device family takes a raw image.

use std::path::{Path, PathBuf};

use taploom_bsdl::Device;
use taploom_bsdl::model::Pattern;

use crate::bits::Bits;

use super::error::RecipeError;
use super::read;
use crate::tables::{self, Location};

/// How a device family takes a raw image, in terms of its BSDL instruction names.
///
/// A recipe is a TOML file. Unknown keys are errors, all of them reported at once. One step does, in this order, whatever
/// of this it names: `instruction` (IR scan, the other devices in BYPASS), then `data` or `image` (DR scan, padded for the
/// other devices), then `clocks` in Run-Test/Idle, then `wait_ms`. A step with `poll` or `check` reads a status word;
/// `reset = true` goes through Test-Logic-Reset. Every scan ends in Run-Test/Idle.
///
/// ```
/// use taploom::load::{ImageAction, Recipe, StepAction};
///
/// let recipe = Recipe::parse("heddle.toml", r#"
/// [recipe]
/// format = 1
/// name = "pattern image"
/// entities = ["HEDDLE_208", "JACQUARD_256"] # the BSDL entities that it is for; and/or
/// ## idcodes = ["0xX4D08501"]               # the IDCODEs that it is for; X: any digit
/// source = "the image format of the knitting machine's README" # where this is published
/// tried = "on the simulated bench"          # how far it has been tried, shown before a load
/// drives_pins = true                        # once loaded, the device drives pins of its own
/// ## permanent = true                        # only for parts that keep the image: asks for consent
/// ## others = "HIGHZ"                        # or "CLAMP", or "BYPASS", the default: what the other devices do meanwhile
///
/// ## [opcodes]                              # instructions that the BSDL files of the family do not name
/// ## CFG_KEY = "1000011000"
///
/// [image]
/// bits = "msb first"                        # or "lsb first": which bit of each byte goes first
/// least_bytes = 71
/// most_bytes = 1_048_646
/// ## skip = 128                              # bytes at the start of the file that are never sent nor looked at
/// preamble = { hex = "C9 5A 36 E1", within = 64 } # must begin within the first so many bytes
/// ## send = "from preamble"                  # or "after preamble", or "all", the default
/// ## offsets below count from the first byte of the preamble (without a preamble, from the first byte after skip)
/// length = { at = 40, bytes = 4, order = "big", plus = 54 } # as many bytes from there on as this number and plus
/// part = [
///   { at = 4, text = "{entity} " },         # the device's entity and a space; without `at`, anywhere in the first 4096 bytes
///   { at = 36, idcode = "big" },            # its IDCODE as four bytes, "big" or "little" end first, version digit ignored
/// ]
///
/// [[status]]
/// name = "CFG_STAT"
/// instruction = "CFG_STATUS"
/// bits = 16                                 # length of the register; bit 0 is nearest TDO
/// always = "0101XXXXXXXXXXXX"               # what it must fit, so that a stuck line is no status
/// flags = [
///   { bit = 1, name = "READY", says = "memory cleared, an image may come" },
///   { bit = 4, name = "DONE", says = "the loaded design runs", kind = "done" },
///   { bit = 8, name = "CRC_ERROR", says = "the image is damaged: its CRC does not fit", kind = "error" },
/// ]
/// [[status]]
/// name = "IR"                               # the bits that Capture-IR loads, read while shifting this instruction
/// from = "instruction capture"              # the default is "register"
/// instruction = "BYPASS"
/// flags = [{ bit = 4, name = "DONE", says = "the loaded design runs", kind = "done" }]
///
/// [[load]]
/// why = "clear the configuration memory"
/// instruction = "CFG_OPEN"
/// clocks = 600
/// [[load]]
/// poll = "CFG_STAT"                         # again and again until it is so; any error flag breaks off at once
/// is = { READY = 1 }
/// ms = 10                                   # the time-out; `every_us` (default 100) lies between two looks
/// [[load]]
/// instruction = "CFG_SHIFT"
/// image = "send"                            # in [[verify]] steps also "compare": read back against the image
/// [[load]]
/// check = "CFG_STAT"                        # once
/// is = { CRC_ERROR = 0 }
/// ## [[load]]
/// ## instruction = "CFG_KEY"
/// ## data = { hex = "1B9", bits = 10, expect = "000", mask = "00F" } # expect and mask only where the answer matters
/// ## wait_ms = 210
///
/// ## [[verify]]                              # the same, run after the load on request
/// [[exit]]                                  # the same without poll, check and image: run when a load is broken off
/// instruction = "CFG_CLOSE"
/// clocks = 16
/// "#).unwrap();
/// assert_eq!(recipe.load.len(), 4);
/// assert!(matches!(recipe.load[2].action, StepAction::Image(ImageAction::Send)));
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct Recipe {
    /// The file, as it was asked for.
    pub path: PathBuf,
    /// Its name, for people.
    pub name: String,
    /// The BSDL entities that it is for.
    pub entities: Vec<String>,
    /// The IDCODEs that it is for, 32 bits each.
    pub idcodes: Vec<Pattern>,
    /// Instructions that BSDL files of the family do not name, with their codes.
    pub opcodes: Vec<Opcode>,
    /// The public source of what it says.
    pub source: String,
    /// How far it has been tried: `not yet tried on hardware` unless the file says more.
    pub tried: String,
    /// True if the device keeps the image: loading asks for consent.
    pub permanent: bool,
    /// True if the device drives pins of its own once it is loaded.
    pub drives_pins: bool,
    /// What the other devices of the chain do meanwhile.
    pub others: Others,
    /// How to know an image, and which bits of it go in what order.
    pub image: ImageRule,
    /// The status words that its steps read.
    pub status: Vec<StatusWord>,
    /// The steps of a load.
    pub load: Vec<Step>,
    /// The steps that read the image back, run after a load on request; may be empty.
    pub verify: Vec<Step>,
    /// The steps that leave the device harmless when a load is broken off; may be empty.
    pub exit: Vec<Step>,
}

/// An instruction that the recipe itself names.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Opcode {
    /// Its name.
    pub name: String,
    /// Its code, bit 0 nearest TDO.
    pub code: Bits,
    /// Where it stands in the file.
    pub at: Location,
}

/// What the devices that are not loaded do meanwhile.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Others {
    /// BYPASS: they go on with their own work.
    Bypass,
    /// HIGHZ where their BSDL has it (BYPASS where not): their outputs float.
    HighZ,
    /// CLAMP where their BSDL has it (BYPASS where not): the guard's image at rest is on their pins.
    Clamp,
}

/// Which bit of a byte, or which byte of a number, comes first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum ByteOrder {
    /// The most significant one.
    Big,
    /// The least significant one.
    Little,
}

/// How to know an image and which part of it is sent.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ImageRule {
    /// Which bit of each byte goes first.
    pub bits: ByteOrder,
    /// Bytes at the start of the file that are never looked at nor sent.
    pub skip: u64,
    /// The smallest size in bytes, `skip` not counted.
    pub least_bytes: u64,
    /// The largest size in bytes, `skip` not counted.
    pub most_bytes: Option<u64>,
    /// The bytes by which the device itself knows the image.
    pub preamble: Option<Preamble>,
    /// What is sent.
    pub send: Sent,
    /// Where the image says how long it is.
    pub length: Option<LengthRule>,
    /// Where the image says which part it is for; all must fit.
    pub parts: Vec<PartRule>,
}

/// The bytes by which the device knows an image.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Preamble {
    /// The bytes.
    pub bytes: Vec<u8>,
    /// They must begin within the first so many bytes.
    pub within: u64,
}

/// Which bytes of the file are sent.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Sent {
    /// All after `skip`.
    All,
    /// From the first byte of the preamble on.
    FromPreamble,
    /// What follows the preamble.
    AfterPreamble,
}

/// Where an image says how long it is. Offsets count from the first byte of the preamble.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LengthRule {
    /// Offset of the number.
    pub at: u64,
    /// Its size in bytes, 1 to 8.
    pub bytes: u8,
    /// Which byte of it comes first.
    pub order: ByteOrder,
    /// The image has at least as many bytes, from the preamble on, as the number and this.
    pub plus: u64,
}

/// Where an image says which part it is for. Offsets count from the first byte of the preamble.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum PartRule {
    /// A text; `{entity}` stands for the device's BSDL entity.
    Text {
        /// Offset, or `None` for anywhere in the first 4096 bytes.
        at: Option<u64>,
        /// The text.
        text: String,
    },
    /// The IDCODE as four bytes, version digit ignored.
    IdCode {
        /// Offset.
        at: u64,
        /// Which byte comes first.
        order: ByteOrder,
    },
}

/// A status word of the device and what its bits mean.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StatusWord {
    /// Its name in the recipe.
    pub name: String,
    /// Where it is read.
    pub from: StatusFrom,
    /// The instruction that selects it (or that is shifted in while the captured IR bits are read).
    pub instruction: String,
    /// Its length in bits; `None` only for the captured IR bits, whose length the BSDL gives.
    pub bits: Option<usize>,
    /// What it must fit.
    pub always: Option<Pattern>,
    /// Its bits.
    pub flags: Vec<StatusBit>,
    /// Where it begins in the file.
    pub at: Location,
}

/// Where a status word is read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum StatusFrom {
    /// From the data register that the instruction selects.
    Register,
    /// From the bits that Capture-IR loads.
    InstructionCapture,
}

/// A bit of a status word.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StatusBit {
    /// Its place, 0 nearest TDO.
    pub bit: usize,
    /// Its name.
    pub name: String,
    /// What it means when it is 1.
    pub says: String,
    /// What it means for a load.
    pub kind: StatusKind,
}

/// What a status bit means for a load when it is 1.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum StatusKind {
    /// Nothing by itself.
    Note,
    /// The image is in and works.
    Done,
    /// The load has failed: seen in any poll or check, it breaks off.
    Error,
}

/// One step.
#[derive(Debug, Clone, PartialEq)]
pub struct Step {
    /// What it is for; empty if the file does not say.
    pub why: String,
    /// The instruction to load first, by its BSDL name.
    pub instruction: Option<String>,
    /// What to do then.
    pub action: StepAction,
    /// Clocks in Run-Test/Idle after that.
    pub clocks: u64,
    /// Nanoseconds without clocks after that.
    pub wait_ns: u64,
    /// Where it begins in the file.
    pub at: Location,
}

/// What a step does after its instruction.
#[derive(Debug, Clone, PartialEq)]
pub enum StepAction {
    /// Nothing more than instruction, clocks and wait.
    None,
    /// Test-Logic-Reset, then Run-Test/Idle.
    Reset,
    /// Shifts a value into the selected register.
    Data(Data),
    /// Sends or compares the image.
    Image(ImageAction),
    /// Reads a status word once.
    Check(Condition),
    /// Reads a status word until it is as wanted.
    Poll {
        /// What is wanted.
        condition: Condition,
        /// How long to try, in nanoseconds.
        timeout_ns: u64,
        /// Time between two looks, in nanoseconds, at least 1.
        every_ns: u64,
    },
}

/// A value for a register.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Data {
    /// The bits to shift in.
    pub out: Bits,
    /// What must come out, and the mask under which it must.
    pub expect: Option<(Bits, Bits)>,
}

/// What is done with the image.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum ImageAction {
    /// It is shifted in.
    Send,
    /// Zeros are shifted in and what comes out is compared with it.
    Compare,
}

/// What a status word must show.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Condition {
    /// Position in [`Recipe::status`].
    pub status: usize,
    /// Flags by position in [`StatusWord::flags`], with the level that each must have.
    pub is: Vec<(usize, bool)>,
}

impl Recipe {
    /// What [`Recipe::tried`] says where the file says nothing.
    pub const UNTRIED: &str = "not yet tried on hardware";

    /// Reads and checks a recipe file.
    ///
    /// # Errors
    /// [`RecipeError`] with every problem of the file.
    pub fn open(path: impl AsRef<Path>) -> Result<Recipe, RecipeError> {
        let path = path.as_ref();
        let help = "mend the path or put the file there";
        tables::read(path, "recipe", help, |r, root| read::recipe(r, root, path))
    }

    /// Reads and checks a recipe's text; `path` is for messages only.
    ///
    /// # Errors
    /// [`RecipeError`] with every problem of the text.
    pub fn parse(path: impl AsRef<Path>, text: &str) -> Result<Recipe, RecipeError> {
        let path = path.as_ref();
        tables::parse(path, text.to_owned(), |r, root| read::recipe(r, root, path))
    }

    /// A status word by name.
    pub fn status_named(&self, name: &str) -> Option<&StatusWord> {
        self.status.iter().find(|s| s.name == name)
    }

    /// Whether the recipe names this entity, case ignored.
    pub fn is_for(&self, entity: &str) -> bool {
        self.entities.iter().any(|e| e.eq_ignore_ascii_case(entity))
    }

    /// Whether the recipe is for this device: its entity is named, or one of its IDCODEs may be one of the recipe's.
    pub fn is_for_device(&self, device: &Device) -> bool {
        let coded = |code: &Pattern| device.idcodes.iter().any(|d| d.overlaps(code));
        self.is_for(&device.entity) || self.idcodes.iter().any(coded)
    }

    /// The code of an instruction, bit 0 first: as the device's BSDL names it, else as the recipe does.
    pub(super) fn code_of(&self, device: &Device, name: &str) -> Option<Bits> {
        let named = device.instruction(name).and_then(|i| i.opcodes.first());
        let named = named.map(|o| o.bits_with_x_as(false).into_iter().collect());
        named.or_else(|| {
            self.opcodes
                .iter()
                .find(|o| o.name.eq_ignore_ascii_case(name))
                .map(|o| o.code.clone())
        })
    }
}
