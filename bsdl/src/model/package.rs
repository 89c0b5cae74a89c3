//! What a VHDL package brings along: cell types with what they capture, attribute names, constants, and the register
//! fields of the 2013 edition.

use super::{
    CaptureMode, CaptureSource, CellFunction, FieldedRegister, MnemonicGroup, RegisterAssembly,
};

/// A package that descriptions name in a `use` clause.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Package {
    /// Name as spelt.
    pub name: String,
    /// Cell types, in the order of the package.
    pub cells: Vec<CellInfo>,
    /// Attributes that the package declares, as spelt.
    pub attributes: Vec<String>,
    /// Other constants that have a string for a value: name as spelt and joined text.
    pub constants: Vec<(String, String)>,
    /// 2013: names for register values.
    pub mnemonics: Vec<MnemonicGroup>,
    /// 2013: registers and kinds of segments as fields. Their spans count in the package's own text.
    pub registers: Vec<FieldedRegister>,
    /// 2013: registers and kinds of segments put together from parts. Their spans count in the package's own text.
    pub assemblies: Vec<RegisterAssembly>,
}

/// A cell type of a package.
#[doc(alias = "CELL_INFO")]
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CellInfo {
    /// Name as spelt.
    pub name: String,
    /// Name of the package.
    pub package: String,
    /// What it captures, one entry a triple of the constant.
    pub captures: Vec<CellCapture>,
}

/// One triple of a CELL_INFO constant.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CellCapture {
    /// What the cell does for its port.
    pub function: CellFunction,
    /// For BIDIR: true for BIDIR_OUT (driver on), false for BIDIR_IN; otherwise false.
    pub driving: bool,
    /// The instruction in force.
    pub mode: CaptureMode,
    /// What is captured.
    pub source: CaptureSource,
}

impl CellInfo {
    /// What such a cell captures; [`CaptureSource::Unknown`] where the package says nothing.
    pub fn capture_source(
        &self,
        function: CellFunction,
        driving: bool,
        mode: CaptureMode,
    ) -> CaptureSource {
        let driving = driving && function == CellFunction::Bidir;
        let asked =
            |c: &&CellCapture| c.function == function && c.driving == driving && c.mode == mode;
        self.captures
            .iter()
            .find(asked)
            .map_or(CaptureSource::Unknown, |c| c.source)
    }

    /// True if the package gives the type this function.
    pub fn permits(&self, function: CellFunction) -> bool {
        self.captures.iter().any(|c| c.function == function)
    }
}

/// The words of a CELL_INFO constant for functions, with the `driving` that they imply.
pub(crate) const FUNCTION_WORDS: [(&str, CellFunction, bool); 10] = [
    ("INPUT", CellFunction::Input, false),
    ("CLOCK", CellFunction::Clock, false),
    ("OUTPUT2", CellFunction::Output2, false),
    ("OUTPUT3", CellFunction::Output3, false),
    ("CONTROL", CellFunction::Control, false),
    ("CONTROLR", CellFunction::ControlR, false),
    ("INTERNAL", CellFunction::Internal, false),
    ("BIDIR_IN", CellFunction::Bidir, false),
    ("BIDIR_OUT", CellFunction::Bidir, true),
    ("OBSERVE_ONLY", CellFunction::ObserveOnly, false),
];

/// Its words for instructions.
pub(crate) const MODE_WORDS: [(&str, CaptureMode); 3] = [
    ("EXTEST", CaptureMode::Extest),
    ("SAMPLE", CaptureMode::Sample),
    ("INTEST", CaptureMode::Intest),
];

/// Its words for what is captured.
pub(crate) const SOURCE_WORDS: [(&str, CaptureSource); 7] = [
    ("PI", CaptureSource::Pi),
    ("PO", CaptureSource::Po),
    ("UPD", CaptureSource::Upd),
    ("CAP", CaptureSource::Cap),
    ("ZERO", CaptureSource::Zero),
    ("ONE", CaptureSource::One),
    ("X", CaptureSource::Unknown),
];
