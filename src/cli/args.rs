//! The command line.

use std::path::PathBuf;

use clap::{ArgAction, Args, Parser, Subcommand, ValueEnum};

/// Scans a board's boundary-scan chain, rings out its hand-wired harness, loads its devices
#[derive(Debug, Parser)]
#[command(
    name = "taploom",
    version,
    max_term_width = 100,
    disable_help_flag = true,
    disable_help_subcommand = true,
    disable_version_flag = true,
    after_help = EXIT_STATUS
)]
pub(crate) struct Cli {
    /// What to do.
    #[command(subcommand)]
    pub(crate) command: Option<Command>,
    /// What every command knows.
    #[command(flatten)]
    pub(crate) common: Common,
}

/// What the exit status says, the same for every command.
pub(crate) const EXIT_STATUS: &str = "\
Exit status: 0 as declared, all good; 1 something was found; 2 a file or the command line is wrong; \
3 the adapter or the chain could not be worked with; 4 refused for safety or for want of consent; \
130 interrupted and 143 terminated, the board left safe first.";

/// Options that every command knows.
#[derive(Debug, Clone, Default, Args)]
#[command(next_help_heading = "Where the chain is")]
pub(crate) struct Common {
    /// The adapter, by serial number, bus:address or channel, when there are several
    #[arg(long, global = true, value_name = "SELECTOR", conflicts_with_all = ["simulate", "tap"])]
    pub(crate) adapter: Option<String>,
    /// Which line of the adapter is which: a file, or a name from `adapters --wiring`; without it, a plain module
    #[arg(long, global = true, value_name = "FILE|NAME", conflicts_with = "tap")]
    pub(crate) profile: Option<String>,
    /// Gives the adapter back to the system's serial driver at the end, if that had it before
    #[arg(long, global = true, conflicts_with_all = ["simulate", "tap"])]
    pub(crate) reattach: bool,
    /// A simulated bench takes the adapter's place
    #[arg(long, global = true, value_name = "BENCH", conflicts_with = "tap")]
    pub(crate) simulate: Option<PathBuf>,
    /// A TAP that another process plays: HOST:PORT or unix:PATH
    #[arg(long, global = true, value_name = "ADDRESS")]
    pub(crate) tap: Option<String>,
    /// Lets --tap and --serve leave this machine
    #[arg(long, global = true)]
    pub(crate) allow_remote: bool,
    /// Power of the machine at the harness's other end; unknown counts as on
    #[arg(
        long,
        global = true,
        value_name = "POWER",
        default_value = "unknown",
        help_heading = "Safety"
    )]
    pub(crate) machine: Power,
    /// Consents to what would be asked
    #[arg(long, global = true, help_heading = "Safety")]
    pub(crate) yes: bool,
    /// Rehearses: reads, resolves, plans, counts, touches nothing
    #[arg(long, global = true, help_heading = "Safety")]
    pub(crate) dry: bool,
    /// Prints one JSON document, on success and on failure
    #[arg(long, global = true, help_heading = "Output")]
    pub(crate) json: bool,
    /// No notes and no progress
    #[arg(long, short, global = true, help_heading = "Output")]
    pub(crate) quiet: bool,
    /// Keeps the record of the run as a JSON document
    #[arg(long, global = true, value_name = "FILE.json", help_heading = "Output")]
    pub(crate) record: Option<PathBuf>,
    /// Writes TCK, TMS, TDI, TDO and the side lines as a value-change dump
    #[arg(long, global = true, value_name = "FILE.vcd", help_heading = "Output")]
    pub(crate) trace: Option<PathBuf>,
    /// Prints this help
    #[arg(long, short, global = true, action = ArgAction::Help, help_heading = "Output")]
    pub(crate) help: Option<bool>,
    /// Prints the version
    #[arg(long, short = 'V', action = ArgAction::Version, help_heading = "Output")]
    pub(crate) version: Option<bool>,
}

/// Whether the machine at the other end of the harness has power.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, ValueEnum)]
pub(crate) enum Power {
    // It has no power, and is discharged.
    Off,
    // It is running.
    On,
    // Nobody said; treated as on.
    #[default]
    Unknown,
}

/// The commands.
#[derive(Debug, Clone, Subcommand)]
pub(crate) enum Command {
    /// USB adapters: which are there, may we open them
    #[command(
        after_help = "Examples: taploom adapters\n          taploom adapters --wait\n          taploom adapters --wiring plain-ft232r\n          taploom adapters --check cable.toml"
    )]
    Adapters(Adapters),
    /// Who is on the chain; is it as declared
    #[command(after_help = "Examples:\n  taploom scan\n  taploom scan board.toml")]
    Scan {
        /// The board file; without one, whoever answers is listed
        board: Option<PathBuf>,
    },
    /// How fast TCK may go before bits fail
    #[command(after_help = "Example: taploom margin board.toml")]
    Margin {
        /// The board file
        board: PathBuf,
    },
    /// Are the wires right: open, short, swapped, …
    #[command(
        visible_alias = "ring-out",
        after_help = "Examples:\n  taploom ringout board.toml --dry\n  taploom ringout board.toml --machine off\n  \
taploom ringout board.toml --machine off --only W07,W08"
    )]
    Ringout(Ringout),
    /// Levels or a blink on named pins; test vectors
    #[command(
        after_help = "Examples:\n  taploom drive board.toml W25=high W26=blink --sense W02 --machine off\n  \
taploom drive board.toml --sense W25\n  taploom drive board.toml --vectors latch.csv --machine off"
    )]
    Drive(Drive),
    /// A raw image into one device, by its recipe
    #[command(
        after_help = "Examples:\n  taploom load board.toml U1 pattern-tap.bin\n  taploom load --check heddle.toml"
    )]
    Load(Load),
    /// Plays a file of serial vectors (SVF)
    #[command(
        after_help = "Examples:\n  taploom play board.toml bring-up.svf --dry\n  taploom play board.toml one-device.svf --device U1"
    )]
    Play(Play),
    /// Runs a bring-up script: the whole job at once
    #[command(
        after_help = "Examples:\n  taploom run bringup.rhai --check\n  taploom run bringup.rhai --machine off --record evening.json\n  \
taploom run bringup.rhai --machine off --yes --until-fail --repeat 500"
    )]
    Run(Run),
    /// Writes a first board file, or a first script
    ///
    /// The board file comes from a scan and BSDL folders, the script from a board file; both have a comment for what is left to say.
    #[command(after_help = "Examples:\n  taploom new devices/\n  taploom new --script board.toml")]
    New(New),
    /// Serves a simulated bench to other processes
    #[command(
        after_help = "Example: taploom simulate as-drawn.toml --serve 127.0.0.1:7000 --witness saw.json"
    )]
    Simulate(Simulate),
    /// One device in plain words and a picture
    #[command(after_help = "Example: taploom describe devices/heddle_208.bsd --svg heddle.svg")]
    Describe(Describe),
    /// Which identity code belongs to which BSDL file
    #[command(
        after_help = "Examples:\n  taploom index devices\n  taploom index --forget old-devices\n\nScans without a board file name \
parts by it. Without a folder it looks at the remembered ones again and lists what they hold."
    )]
    Index(Index),
    /// BSDL files held against the standard
    #[command(after_help = "Examples:\n  taploom vet devices\n  taploom vet --explain B601")]
    Vet(Vet),
    /// The whole job on a simulated knitting machine
    #[command(after_help = "Example: taploom demo")]
    Demo,
    /// Completion of command lines for a shell
    #[command(
        after_help = "Examples:\n  taploom completions bash > ~/.local/share/bash-completion/completions/taploom\n  \
taploom completions zsh > ~/.zfunc/_taploom\n  taploom completions fish > ~/.config/fish/completions/taploom.fish"
    )]
    Completions {
        /// The shell
        shell: clap_complete::Shell,
    },
    /// The manual's pages for `man`
    #[command(
        after_help = "Examples:\n  taploom manual\n  taploom manual ~/.local/share/man/man1\n\nWithout a folder the first page goes \
to standard output."
    )]
    Manual {
        /// Where the pages go, one a command; it is made if it is not there
        folder: Option<PathBuf>,
    },
    /// Prints the help of the program or of a command
    #[command(after_help = "Example: taploom help ringout")]
    Help {
        /// The command
        command: Option<String>,
    },
}

/// Arguments of `ringout`.
#[derive(Debug, Clone, Args)]
pub(crate) struct Ringout {
    /// The board file
    pub(crate) board: PathBuf,
    /// How: both-ends (each end of the wire on a scan cell) or alone (harness unplugged at the far end)
    #[arg(long, value_name = "METHOD", default_value = "both-ends")]
    pub(crate) by: String,
    /// Only these wires: labels, comma separated
    #[arg(long, value_name = "WIRES", value_delimiter = ',')]
    pub(crate) only: Vec<String>,
    /// Drives lines that seem joined to opposite levels for one vector, to tell a short from a floating line that
    /// follows its neighbour
    #[arg(long)]
    pub(crate) allow_brief_fights: bool,
    /// Looks at every line straight after a change as well, sooner than `settle_us`, to find resistance from about
    /// 12 kOhm (TCK at 6 MHz) instead of what `settle_us` allows
    #[arg(long)]
    pub(crate) resistance: bool,
    /// Rings every wire out so many times more, to find joints that fail now and then
    #[arg(long, value_name = "TIMES", default_value_t = 0, value_parser = clap::value_parser!(u32).range(..=10_000))]
    pub(crate) repeat: u32,
}

/// Arguments of `drive`.
#[derive(Debug, Clone, Args)]
pub(crate) struct Drive {
    /// The board file
    pub(crate) board: PathBuf,
    /// What to drive: a pin, wire or signal and high, low, 1, 0 or blink (W07=high, U1.12=blink)
    #[arg(value_name = "PIN=LEVEL")]
    pub(crate) levels: Vec<String>,
    /// Reads these while the levels stand; alone, by SAMPLE, which drives nothing
    #[arg(long, value_name = "PIN", num_args = 1.., value_delimiter = ',')]
    pub(crate) sense: Vec<String>,
    /// Plays a table of test vectors: columns are pins, wires or signals, cells 0, 1, Z, H, L, X
    #[arg(long, value_name = "FILE.csv", conflicts_with_all = ["sense", "time"])]
    pub(crate) vectors: Option<PathBuf>,
    /// How long the levels stand before all pins are released
    #[arg(
        long = "for",
        id = "time",
        value_name = "SECONDS",
        default_value = "10"
    )]
    pub(crate) seconds: f64,
    /// How long a blink takes, high and low together
    #[arg(long, value_name = "SECONDS", default_value = "1")]
    pub(crate) period: f64,
    /// Leaves these devices in BYPASS, in their mission mode, so that they can be tested by the others
    #[arg(long, value_name = "DEVICE", num_args = 1.., value_delimiter = ',')]
    pub(crate) mission: Vec<String>,
    /// The harness is unplugged at the machine: more than a few lines may be driven at once
    #[arg(long)]
    pub(crate) unplugged: bool,
}

/// Arguments of `load`.
#[derive(Debug, Clone, Default, Args)]
pub(crate) struct Load {
    /// The board file
    #[arg(required_unless_present_any = ["check", "template"])]
    pub(crate) board: Option<PathBuf>,
    /// The device's name in the board file
    #[arg(required_unless_present_any = ["check", "template"])]
    pub(crate) device: Option<String>,
    /// The image
    #[arg(required_unless_present_any = ["check", "template"])]
    pub(crate) image: Option<PathBuf>,
    /// The recipe, where it is not the one that the board file names
    #[arg(long, value_name = "FILE.toml")]
    pub(crate) recipe: Option<PathBuf>,
    /// Reads the image back, where the recipe can
    #[arg(long)]
    pub(crate) verify: bool,
    /// Goes on with a warning where the image does not look right
    #[arg(long)]
    pub(crate) force: bool,
    /// Loads an image that stays: only where the recipe says that the part keeps it; says first what that means, and asks
    #[arg(long)]
    pub(crate) permanent: bool,
    /// Validates a recipe, against the device's BSDL where a board and a device are named
    #[arg(long, value_name = "RECIPE")]
    pub(crate) check: Option<PathBuf>,
    /// Prints a commented recipe to begin one's own with
    #[arg(long, conflicts_with_all = ["board", "check", "recipe", "verify", "force", "permanent"])]
    pub(crate) template: bool,
}

/// Arguments of `play`.
#[derive(Debug, Clone, Args)]
pub(crate) struct Play {
    /// The board file
    pub(crate) board: PathBuf,
    /// The file
    pub(crate) file: PathBuf,
    /// The file knows only this device: the others of the chain stay in BYPASS around it
    #[arg(long, value_name = "DEVICE")]
    pub(crate) device: Option<String>,
    /// Goes on after mismatches
    #[arg(long)]
    pub(crate) keep_going: bool,
    /// Shifts, but compares nothing
    #[arg(long, conflicts_with = "keep_going")]
    pub(crate) no_compare: bool,
    /// Refuses every departure from the specification
    #[arg(long)]
    pub(crate) strict: bool,
    /// A spare line of the adapter stands for this parallel pin of the file's PIOMAP; may be given again
    #[arg(long, value_name = "NAME=LINE")]
    pub(crate) spare: Vec<String>,
}

/// Arguments of `run`.
#[derive(Debug, Clone, Default, Args)]
pub(crate) struct Run {
    /// The script
    pub(crate) script: PathBuf,
    /// What setting("NAME", default) gives in the script
    #[arg(long, value_name = "NAME=VALUE")]
    pub(crate) set: Vec<String>,
    /// Reads the script and holds every device, wire, pin and file that it names against the board; touches nothing
    #[arg(long)]
    pub(crate) check: bool,
    /// Another folder that imports may come from, beside the script's own
    #[arg(long, value_name = "FOLDER")]
    pub(crate) allow_path: Vec<PathBuf>,
    /// Runs it N times on one session, with statistics
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u64).range(1..))]
    pub(crate) repeat: Option<u64>,
    /// Runs it until a run fails (at most --repeat times), for a joint that comes and goes
    #[arg(long)]
    pub(crate) until_fail: bool,
    /// Runs it again whenever the script or a file that it uses changes
    #[arg(long)]
    pub(crate) on_change: bool,
    /// Writes the steps as a JUnit document
    #[arg(long, value_name = "FILE.xml")]
    pub(crate) junit: Option<PathBuf>,
    /// The harness is unplugged at the machine: more than a few lines may be driven at once
    #[arg(long)]
    pub(crate) unplugged: bool,
    /// Most operations of the script language
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u64).range(1..))]
    pub(crate) max_operations: Option<u64>,
    /// Longest run by the clock
    #[arg(long, value_name = "SECONDS", value_parser = clap::value_parser!(u64).range(1..=604_800))]
    pub(crate) max_seconds: Option<u64>,
}

/// Arguments of `new`.
#[derive(Debug, Clone, Args)]
pub(crate) struct New {
    /// BSDL files and folders, beside those that `taploom index` keeps; they are named in the board file
    #[arg(value_name = "BSDL")]
    pub(crate) bsdl: Vec<PathBuf>,
    /// Writes a first script for this board file instead, without a scan
    #[arg(long, value_name = "BOARD", conflicts_with = "bsdl")]
    pub(crate) script: Option<PathBuf>,
    /// Where to write it; board.toml here, or bringup.rhai beside the board file, otherwise
    #[arg(long, value_name = "FILE")]
    pub(crate) output: Option<PathBuf>,
    /// Overwrites a file that is there
    #[arg(long)]
    pub(crate) force: bool,
}

/// Arguments of `simulate`.
#[derive(Debug, Clone, Args)]
pub(crate) struct Simulate {
    /// The bench file
    pub(crate) bench: Option<PathBuf>,
    /// Where to listen: HOST:PORT (port 0: any free one) or unix:PATH
    #[arg(long, value_name = "ADDRESS")]
    pub(crate) serve: String,
    /// Writes what the board itself saw, after every connection and at the end
    #[arg(long, value_name = "FILE.json")]
    pub(crate) witness: Option<PathBuf>,
    /// Ends after the first connection
    #[arg(long)]
    pub(crate) once: bool,
}

/// Arguments of `describe`.
#[derive(Debug, Clone, Args)]
pub(crate) struct Describe {
    /// The BSDL file
    pub(crate) file: PathBuf,
    /// The package to describe, where the file has several: the name of its pin map
    #[arg(long, value_name = "NAME")]
    pub(crate) package: Option<String>,
    /// Draws the package from above
    #[arg(long, value_name = "FILE.svg")]
    pub(crate) svg: Option<PathBuf>,
    /// Looks for the packages that a file uses here too, in files called like them (LOOM_CELLS.vhd); beside the file
    /// itself it looks in any case
    #[arg(long, value_name = "FOLDER")]
    pub(crate) packages: Vec<PathBuf>,
}

/// Arguments of `index`.
#[derive(Debug, Clone, Args)]
pub(crate) struct Index {
    /// Folders with BSDL files, searched with all below them; single files too
    pub(crate) folders: Vec<PathBuf>,
    /// No longer looks at these folders
    #[arg(long, requires = "folders")]
    pub(crate) forget: bool,
}

/// Arguments of `vet`.
#[derive(Debug, Clone, Args)]
pub(crate) struct Vet {
    /// BSDL files, and folders: all *.bsd, *.bsdl and *.bsm in them
    #[arg(required_unless_present = "explain")]
    pub(crate) files: Vec<PathBuf>,
    /// Holds to the letter: departures whose meaning is clear become errors
    #[arg(long)]
    pub(crate) strict: bool,
    /// Says nothing of a rule, by its code; several with commas or by repeating
    #[arg(long, value_name = "CODE", value_delimiter = ',')]
    pub(crate) allow: Vec<String>,
    /// Makes a rule a warning
    #[arg(long, value_name = "CODE", value_delimiter = ',')]
    pub(crate) warn: Vec<String>,
    /// Makes a rule an error
    #[arg(long, value_name = "CODE", value_delimiter = ',')]
    pub(crate) deny: Vec<String>,
    /// Tells of one rule: what it says, a small file that breaks it, the mend; without a code, lists the rules
    #[arg(long, value_name = "CODE", num_args = 0..=1, conflicts_with = "files")]
    pub(crate) explain: Option<Option<String>>,
    /// Looks for the packages that a file uses here too, in files called like them (LOOM_CELLS.vhd); beside the file
    /// itself it looks in any case
    #[arg(long, value_name = "FOLDER")]
    pub(crate) packages: Vec<PathBuf>,
}

/// What `adapters` is to do beside listing.
#[derive(Debug, Clone, Args)]
#[group(multiple = false)]
pub(crate) struct Adapters {
    /// Waits until an adapter that can be opened is plugged in, at most so many seconds
    #[arg(long, value_name = "SECONDS", num_args = 0..=1, default_missing_value = "60",
        value_parser = clap::value_parser!(u32).range(1..=86_400))]
    pub(crate) wait: Option<u32>,
    /// Reads a profile and says everything that is wrong with it
    #[arg(long, value_name = "PROFILE")]
    pub(crate) check: Option<String>,
    /// Draws which line of the adapter goes to which line of the board: of one profile, or of all built-in ones
    #[arg(long, value_name = "PROFILE", num_args = 0..=1)]
    pub(crate) wiring: Option<Option<String>>,
}

impl Command {
    /// The command's name, as in the schema of its documents.
    pub(crate) fn name(&self) -> &'static str {
        match self {
            Command::Adapters(_) => "adapters",
            Command::Scan { .. } => "scan",
            Command::Margin { .. } => "margin",
            Command::Ringout(_) => "ringout",
            Command::Drive(_) => "drive",
            Command::Load(_) => "load",
            Command::Play(_) => "play",
            Command::Run(_) => "run",
            Command::New(_) => "new",
            Command::Simulate(_) => "simulate",
            Command::Describe(_) => "describe",
            Command::Index(_) => "index",
            Command::Vet(_) => "vet",
            Command::Demo => "demo",
            Command::Completions { .. } => "completions",
            Command::Manual { .. } => "manual",
            Command::Help { .. } => "help",
        }
    }
}
