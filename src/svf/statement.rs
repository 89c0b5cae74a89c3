//! The statements, as data.

use crate::bits::Bits;
use crate::tap::TapState;

use super::error::Place;

/// A statement and where it begins.
#[derive(Debug, Clone, PartialEq)]
pub struct Located {
    /// Where.
    pub at: Place,
    /// What.
    pub statement: Statement,
}

/// One statement, as written: nothing is remembered from one to the next.
#[derive(Debug, Clone, PartialEq)]
pub enum Statement {
    /// `ENDDR` and `ENDIR`: the stable state after DR or IR scans.
    End(Edge, TapState),
    /// `FREQUENCY`: the highest TCK rate in hertz; `None`: full speed again.
    Frequency(Option<f64>),
    /// `HDR`, `HIR` (bits before each scan, nearer TDO), `TDR`, `TIR` (after it, nearer TDI).
    Pad(Edge, Pad, ScanText),
    /// `SDR`, `SIR`.
    Scan(Edge, ScanText),
    /// `RUNTEST`.
    RunTest(RunTest),
    /// `STATE`: the states of the path; the last one is stable. One state only: by the
    /// default path.
    State(Vec<TapState>),
    /// `TRST`.
    Trst(TrstMode),
    /// `PIOMAP`: direction (`IN`, `OUT`, `INOUT`) and name of each column.
    PioMap(Vec<(String, String)>),
    /// `PIO`: one level a column.
    Pio(Vec<PioLevel>),
    /// `LOOP`: the statements up to `ENDLOOP` so many times. Not in revision E.
    Loop(u64),
    /// `ENDLOOP`.
    EndLoop,
}

impl Statement {
    /// The command's word.
    pub fn command(&self) -> &'static str {
        match self {
            Statement::End(Edge::Dr, _) => "ENDDR",
            Statement::End(Edge::Ir, _) => "ENDIR",
            Statement::Frequency(_) => "FREQUENCY",
            Statement::Pad(Edge::Dr, Pad::Header, _) => "HDR",
            Statement::Pad(Edge::Ir, Pad::Header, _) => "HIR",
            Statement::Pad(Edge::Dr, Pad::Trailer, _) => "TDR",
            Statement::Pad(Edge::Ir, Pad::Trailer, _) => "TIR",
            Statement::Scan(Edge::Dr, _) => "SDR",
            Statement::Scan(Edge::Ir, _) => "SIR",
            Statement::RunTest(_) => "RUNTEST",
            Statement::State(_) => "STATE",
            Statement::Trst(_) => "TRST",
            Statement::PioMap(_) => "PIOMAP",
            Statement::Pio(_) => "PIO",
            Statement::Loop(_) => "LOOP",
            Statement::EndLoop => "ENDLOOP",
        }
    }
}

/// Data or instruction registers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Edge {
    /// Data.
    Dr,
    /// Instruction.
    Ir,
}

/// Which side of a scan is padded.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Pad {
    /// Before the scan's bits: devices nearer TDO.
    Header,
    /// After them: devices nearer TDI.
    Trailer,
}

/// One of the four values of a scan.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Data {
    /// What is shifted in.
    Tdi,
    /// What is expected.
    Tdo,
    /// Where the answer counts.
    Mask,
    /// Where TDI counts.
    Smask,
}

/// A scan's length and the values that are given; each as long as the scan.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct ScanText {
    /// Bits.
    pub length: u64,
    /// `TDI`.
    pub tdi: Option<Bits>,
    /// `TDO`.
    pub tdo: Option<Bits>,
    /// `MASK`.
    pub mask: Option<Bits>,
    /// `SMASK`.
    pub smask: Option<Bits>,
}

/// A `RUNTEST` as written.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct RunTest {
    /// Where to wait, if given.
    pub run_state: Option<TapState>,
    /// How many clocks, and whether of TCK (true) or SCK (false).
    pub clocks: Option<(u64, bool)>,
    /// The least time in seconds.
    pub min_seconds: Option<f64>,
    /// The most time in seconds.
    pub max_seconds: Option<f64>,
    /// Where to go then, if given.
    pub end_state: Option<TapState>,
}

/// What `TRST` asks.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum TrstMode {
    /// Active: level 0.
    On,
    /// Inactive: level 1.
    Off,
    /// Not driven.
    Z,
    /// There is none.
    Absent,
}

/// A level of a parallel pin.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum PioLevel {
    /// Drive high.
    High,
    /// Drive low.
    Low,
    /// Do not drive.
    Off,
    /// Expect high.
    Up,
    /// Expect low.
    Down,
    /// Expect nothing.
    Any,
}

/// The format's word for each state.
const STATES: [(&str, TapState); 16] = [
    ("RESET", TapState::TestLogicReset),
    ("IDLE", TapState::RunTestIdle),
    ("DRSELECT", TapState::SelectDrScan),
    ("DRCAPTURE", TapState::CaptureDr),
    ("DRSHIFT", TapState::ShiftDr),
    ("DREXIT1", TapState::Exit1Dr),
    ("DRPAUSE", TapState::PauseDr),
    ("DREXIT2", TapState::Exit2Dr),
    ("DRUPDATE", TapState::UpdateDr),
    ("IRSELECT", TapState::SelectIrScan),
    ("IRCAPTURE", TapState::CaptureIr),
    ("IRSHIFT", TapState::ShiftIr),
    ("IREXIT1", TapState::Exit1Ir),
    ("IRPAUSE", TapState::PauseIr),
    ("IREXIT2", TapState::Exit2Ir),
    ("IRUPDATE", TapState::UpdateIr),
];

/// The state with this word, case ignored.
pub fn state_named(word: &str) -> Option<TapState> {
    STATES
        .iter()
        .find(|(w, _)| w.eq_ignore_ascii_case(word))
        .map(|(_, s)| *s)
}

/// The format's word for a state.
pub fn state_word(state: TapState) -> &'static str {
    STATES
        .iter()
        .find(|(_, s)| *s == state)
        .map_or("", |(w, _)| w)
}

/// Whether the format lets a scan or a wait end in this state.
pub fn stable_state(state: TapState) -> bool {
    matches!(
        state,
        TapState::TestLogicReset | TapState::RunTestIdle | TapState::PauseDr | TapState::PauseIr
    )
}
