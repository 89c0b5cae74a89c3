//! Boards written to a scratch folder and loaded, with BSDL made here.

mod errors;
mod errors_files;
mod errors_fittings;
mod loading;
mod nets;

use std::path::PathBuf;
use std::sync::atomic::{AtomicU32, Ordering};

use super::{Board, BoardError};

/// A folder of its own for one test, removed when done.
pub(super) struct Scratch(PathBuf);

impl Scratch {
    pub(super) fn new() -> Self {
        static COUNT: AtomicU32 = AtomicU32::new(0);
        let number = COUNT.fetch_add(1, Ordering::Relaxed);
        let path =
            std::env::temp_dir().join(format!("taploom-board-{}-{number}", std::process::id()));
        std::fs::create_dir_all(path.join("devices")).unwrap();
        let scratch = Self(path);
        scratch.write("devices/loom_12.bsd", loom("LOOM_12"));
        scratch.write("devices/twin_4.bsd", TWIN);
        scratch
    }

    pub(super) fn write(&self, name: &str, text: impl AsRef<[u8]>) -> PathBuf {
        let path = self.0.join(name);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(&path, text).unwrap();
        path
    }

    pub(super) fn load(&self, board: &str) -> Result<Board, BoardError> {
        Board::load(self.write("board.toml", board))
    }

    /// What is wrong with a board, with the scratch folder's own name taken out.
    pub(super) fn problems(&self, board: &str) -> String {
        let error = self.load(board).expect_err("the board has a fault");
        assert!(!error.problems.is_empty());
        error
            .to_string()
            .replace(&format!("{}/", self.0.display()), "")
    }
}

impl Drop for Scratch {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

/// Two devices on a chain, one of them without BSDL, and a header.
pub(super) const HEAD: &str = r#"[board]
format = 1
name = "Test tap"
bsdl = ["devices"]
[[device]]
name = "U1"
entity = "LOOM_12"
[[device]]
name = "U2"
ir_length = 5
idcode = "0x1xxxx0A7"
"#;

/// The header and socket that most tests use, after [`HEAD`].
pub(super) const FITTINGS: &str = r#"[[connector]]
name = "J3"
pins = { 1 = "U1.5", 2 = "U1.6", 3 = "U1.7", 4 = "U2.4", 21 = "ground", 22 = "supply 3V3" }
[[socket]]
name = "pattern memory"
shape = "27C256"
"#;

/// Twelve pins: TAP 1 to 4, an input, an output, a bidirectional pin, a bus of three with one control cell, ground and
/// supply. Slowest TCK 4 MHz.
pub(super) fn loom(entity: &str) -> String {
    r#"entity LOOM_12 is
  generic (PHYSICAL_PIN_MAP : string := "DIP12");
  port (TCK, TDI, TMS : in bit; TDO : out bit; A : in bit; B : out bit; C : inout bit;
        D : inout bit_vector(0 to 2); GND, VCC : linkage bit);
  use STD_1149_1_2001.all;
  attribute COMPONENT_CONFORMANCE of LOOM_12 : entity is "STD_1149_1_2001";
  attribute PIN_MAP of LOOM_12 : entity is PHYSICAL_PIN_MAP;
  constant DIP12 : PIN_MAP_STRING :=
    "TCK:1, TDI:2, TMS:3, TDO:4, A:5, B:6, C:7, D:(8,9,10), GND:11, VCC:12";
  attribute TAP_SCAN_IN of TDI : signal is true;
  attribute TAP_SCAN_OUT of TDO : signal is true;
  attribute TAP_SCAN_MODE of TMS : signal is true;
  attribute TAP_SCAN_CLOCK of TCK : signal is (4.0e6, BOTH);
  attribute INSTRUCTION_LENGTH of LOOM_12 : entity is 4;
  attribute INSTRUCTION_OPCODE of LOOM_12 : entity is
    "EXTEST (0000), SAMPLE (0001), PRELOAD (0001), IDCODE (0010), BYPASS (1111)";
  attribute INSTRUCTION_CAPTURE of LOOM_12 : entity is "0101";
  attribute IDCODE_REGISTER of LOOM_12 : entity is "XXXX" & "0000000000000001" & "00000101001" & "1";
  attribute BOUNDARY_LENGTH of LOOM_12 : entity is 9;
  attribute BOUNDARY_REGISTER of LOOM_12 : entity is
    "8 (BC_4, A, input, X)," &
    "7 (BC_1, B, output3, X, 6, 0, Z)," &
    "6 (BC_1, *, control, 0)," &
    "5 (BC_7, C, bidir, X, 4, 0, Z)," &
    "4 (BC_1, *, control, 0)," &
    "3 (BC_7, D(0), bidir, X, 0, 0, Z)," &
    "2 (BC_7, D(1), bidir, X, 0, 0, Z)," &
    "1 (BC_7, D(2), bidir, X, 0, 0, Z)," &
    "0 (BC_1, *, control, 0)";
end LOOM_12;
"#
    .replace("LOOM_12", entity)
}

/// Two packages and no default; it says nothing of a TCK rate that the reader can use beyond 10 MHz.
const TWIN: &str = r#"-- entity NOT_THIS_ONE is
entity TWIN_4 is
  generic (PHYSICAL_PIN_MAP : string := "UNDEFINED");
  port (TCK, TDI, TMS : in bit; TDO : out bit);
  use STD_1149_1_2001.all;
  attribute COMPONENT_CONFORMANCE of TWIN_4 : entity is "STD_1149_1_2001";
  attribute PIN_MAP of TWIN_4 : entity is PHYSICAL_PIN_MAP;
  constant SO4 : PIN_MAP_STRING := "TCK:1, TDI:2, TMS:3, TDO:4";
  constant BG4 : PIN_MAP_STRING := "TCK:A1, TDI:A2, TMS:B1, TDO:B2";
  attribute TAP_SCAN_IN of TDI : signal is true;
  attribute TAP_SCAN_OUT of TDO : signal is true;
  attribute TAP_SCAN_MODE of TMS : signal is true;
  attribute TAP_SCAN_CLOCK of TCK : signal is (10.0e6, BOTH);
  attribute INSTRUCTION_LENGTH of TWIN_4 : entity is 2;
  attribute INSTRUCTION_OPCODE of TWIN_4 : entity is "EXTEST (00), SAMPLE (01), PRELOAD (01), BYPASS (11)";
  attribute INSTRUCTION_CAPTURE of TWIN_4 : entity is "01";
  attribute BOUNDARY_LENGTH of TWIN_4 : entity is 1;
  attribute BOUNDARY_REGISTER of TWIN_4 : entity is "0 (BC_1, *, internal, X)";
end TWIN_4;
"#;
