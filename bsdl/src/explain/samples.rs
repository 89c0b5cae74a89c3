//! A small good file, and for each code the edits that break it.

/// A device of the smallest useful size; every statement conforms to the 2001 edition.
pub(super) const GOOD: &str = r#"entity LOOM is
  generic (PHYSICAL_PIN_MAP : string := "DIP10");
  port (
    TDI, TMS, TCK : in bit;
    TDO : out bit;
    A : in bit;
    Q : out bit_vector (0 to 1);
    SUPPLY, GROUND : linkage bit
  );
  use STD_1149_1_2001.all;
  attribute COMPONENT_CONFORMANCE of LOOM : entity is "STD_1149_1_2001";
  attribute PIN_MAP of LOOM : entity is PHYSICAL_PIN_MAP;
  constant DIP10 : PIN_MAP_STRING :=
    "TDI : 1, TMS : 2, TCK : 3, TDO : 4, " &
    "A : 5, Q : (6, 7), SUPPLY : 10, GROUND : 8";
  attribute TAP_SCAN_IN of TDI : signal is true;
  attribute TAP_SCAN_MODE of TMS : signal is true;
  attribute TAP_SCAN_OUT of TDO : signal is true;
  attribute TAP_SCAN_CLOCK of TCK : signal is (10.0e6, BOTH);
  attribute INSTRUCTION_LENGTH of LOOM : entity is 3;
  attribute INSTRUCTION_OPCODE of LOOM : entity is
    "BYPASS (111), EXTEST (001), SAMPLE (010), PRELOAD (010), " &
    "IDCODE (011), USERCODE (100), WEAVE (101)";
  attribute INSTRUCTION_CAPTURE of LOOM : entity is "X01";
  attribute IDCODE_REGISTER of LOOM : entity is
    "0001" & "0100110001001111" & "00000011001" & "1";
  attribute USERCODE_REGISTER of LOOM : entity is
    "XXXXXXXXXXXXXXXXXXXXXXXXXXXXXXXX";
  attribute REGISTER_ACCESS of LOOM : entity is "PATTERN[4] (WEAVE)";
  attribute BOUNDARY_LENGTH of LOOM : entity is 4;
  attribute BOUNDARY_REGISTER of LOOM : entity is
    "3 (BC_1, A, input, X), " &
    "2 (BC_1, *, control, 1), " &
    "1 (BC_1, Q(0), output3, X, 2, 1, Z), " &
    "0 (BC_1, Q(1), output3, X, 2, 1, Z)";
end LOOM;
"#;

/// The good file with the edits of a code.
pub(super) fn sample(code: &str) -> String {
    let mut text = GOOD.to_owned();
    for (_, find, put) in EDITS.iter().filter(|(c, _, _)| *c == code) {
        text = text.replacen(find, put, 1);
    }
    text
}

const END: &str = "end LOOM;\n";

const TABLE: &str = r#"  attribute BOUNDARY_LENGTH of LOOM : entity is 4;
  attribute BOUNDARY_REGISTER of LOOM : entity is
    "3 (BC_1, A, input, X), " &
    "2 (BC_1, *, control, 1), " &
    "1 (BC_1, Q(0), output3, X, 2, 1, Z), " &
    "0 (BC_1, Q(1), output3, X, 2, 1, Z)";
"#;

/// Code, text to find, text to put in its place.
#[rustfmt::skip] // one row a line
const EDITS: &[(&str, &str, &str)] = &[
    ("B001", GOOD, "-- no entity here\n"),
    ("B002", "port (\n", "port [\n"),
    ("B003", "entity is 3;", "entity is 3"),
    ("B004", "\"3 (BC_1, A, input, X), \" &", "\"3 (BC_1, A, input, X), \""),
    ("B005", "\"3 (BC_1, A, input, X), \" &", "\"3 (BC_1, A, input, X),  &"),
    ("B006", "entity is 3;", "entity is 3; #"),
    ("B007", "entity LOOM is", "Made by the loom works\nentity LOOM is"),
    ("B008", "  attribute INSTRUCTION_LENGTH", "  atribute INSTRUCTION_LENGTH"),
    ("B009", "Q(0), output3", "Q(0), output4"),
    ("B010", "A, input, X), ", "A, input, X) "),
    ("B011", "entity is 3;", "entity is \"3\";"),
    ("B012", "bit_vector (0 to 1)", "bit_vector (0 to 4294967296)"),
    ("B013", "entity is 4;", "entity is 4000000000;"),
    ("B014", "Z)\";", "Z),\";"),
    ("B015", END, ""),
    ("B016", "\"TDI : 1, TMS : 2, TCK : 3, TDO : 4, \" &\n    \"A : 5", "\"TDI : 1, TMS : 2, TCK : 3, TD\" &\n    \"O : 4, A : 5"),
    ("B017", "  use STD_1149_1_2001.all;\n", "  use STD_1149_1_2001.all;\n  use STD_1532_2002.all;\n"),
    ("B017", END, "  attribute ISC_PIN_BEHAVIOR of LOOM : entity is \"DANCE\";\nend LOOM;\n"),
    ("B018", "\"3 (BC_1, A, input, X), \"", "\"3\t(BC_1, A, input, X), \""),
    ("B101", END, "end LOOMS;\n"),
    ("B102", "  use STD_1149_1_2001.all;\n", ""),
    ("B102", "  generic", "  use STD_1149_1_2001.all;\n  generic"),
    ("B103", "  attribute INSTRUCTION_LENGTH", "  attribute INSTRUCTION_LENGTH of LOOM : entity is 3;\n  attribute INSTRUCTION_LENGTH"),
    ("B104", "generic (PHYSICAL_PIN_MAP", "generic (PACKAGE_OF_MINE"),
    ("B105", "\"DIP10\");", "\"DIP8\");"),
    ("B106", "    A : in bit;\n", "    A : in bit;\n    A : in bit;\n"),
    ("B107", "    A : in bit;", "    OPEN : in bit;"),
    ("B107", "A : 5", "OPEN : 5"),
    ("B107", "BC_1, A,", "BC_1, OPEN,"),
    ("B108", "  use STD_1149_1_2001.all;\n", ""),
    ("B109", "is \"STD_1149_1_2001\"", "is \"STD_1149_1_2002\""),
    ("B110", "use STD_1149_1_2001", "use STD_1149_1_1994"),
    ("B111", "    A : in bit;", "    A__1 : in bit;"),
    ("B111", "A : 5", "A__1 : 5"),
    ("B111", "BC_1, A,", "BC_1, A__1,"),
    ("B112", "  attribute INSTRUCTION_CAPTURE of LOOM : entity is \"X01\";\n", ""),
    ("B113", END, "  attribute COLOUR_OF_LID of LOOM : entity is \"blue\";\nend LOOM;\n"),
    ("B114", "  attribute IDCODE_REGISTER", "  attribute INSTRUCTION_DISABLE of LOOM : entity is \"WEAVE\";\n  attribute IDCODE_REGISTER"),
    ("B201", "(0 to 1)", "(1 to 0)"),
    ("B202", "A : 5, ", ""),
    ("B203", "A : 5", "A : 5, B : 9"),
    ("B204", "A : 5", "A : 5, A : 9"),
    ("B205", "(6, 7)", "(6, 7, 9)"),
    ("B206", "A : 5", "A : (5, 9)"),
    ("B207", "A : 5", "A : 6"),
    ("B208", "\"TDI : 1, TMS : 2, TCK : 3, TDO : 4, \" &\n    \"A : 5, Q : (6, 7), SUPPLY : 10, GROUND : 8\"", "\"\""),
    ("B209", "SUPPLY, GROUND : linkage bit", "SUPPLY, GROUND : linkage bit; VCC : in bit"),
    ("B209", "SUPPLY : 10", "SUPPLY : 10, VCC : 9"),
    ("B210", "bit_vector (0 to 1)", "bit_vector (0 to 99999)"),
    ("B301", "of TMS : signal", "of TMZ : signal"),
    ("B302", "TDO : out bit", "TDO : inout bit"),
    ("B303", "  attribute TAP_SCAN_MODE of TMS : signal is true;\n", ""),
    ("B304", "TAP_SCAN_MODE of TMS", "TAP_SCAN_MODE of TDI"),
    ("B305", "10.0e6", "0.0"),
    ("B306", "BOTH", "HIGH"),
    ("B310", "  attribute TAP_SCAN_IN", "  attribute PORT_GROUPING of LOOM : entity is \"DIFFERENTIAL_VOLTAGE ((A, Q(1)))\";\n  attribute TAP_SCAN_IN"),
    ("B311", "    A : in bit;", "    A, B, C : in bit;"),
    ("B311", "A : 5", "A : 5, B : 9, C : 11"),
    ("B311", "  attribute TAP_SCAN_IN", "  attribute PORT_GROUPING of LOOM : entity is \"DIFFERENTIAL_VOLTAGE ((A, B), (A, C))\";\n  attribute TAP_SCAN_IN"),
    ("B320", "  attribute INSTRUCTION_LENGTH", "  attribute COMPLIANCE_PATTERNS of LOOM : entity is \"(TMS) (1)\";\n  attribute INSTRUCTION_LENGTH"),
    ("B321", "  attribute INSTRUCTION_LENGTH", "  attribute COMPLIANCE_PATTERNS of LOOM : entity is \"(A) (10)\";\n  attribute INSTRUCTION_LENGTH"),
    ("B322", "    A : in bit;", "    A : inout bit;"),
    ("B322", "3 (BC_1, A, input, X)", "3 (BC_7, A, bidir, X, 2, 1, Z)"),
    ("B322", "  attribute INSTRUCTION_LENGTH", "  attribute COMPLIANCE_PATTERNS of LOOM : entity is \"(A) (1)\";\n  attribute INSTRUCTION_LENGTH"),
    ("B401", "entity is 3;", "entity is 1;"),
    ("B402", "EXTEST (001)", "EXTEST (0001)"),
    ("B403", "WEAVE (101)", "WEAVE (10X)"),
    ("B403", "USERCODE (100)", "USERCODE (000)"),
    ("B404", "BYPASS (111)", "BYPASS (110)"),
    ("B405", "EXTEST (001), ", ""),
    ("B406", "is \"STD_1149_1_2001\"", "is \"STD_1149_1_1993\""),
    ("B407", "SAMPLE (010), ", ""),
    ("B408", "PRELOAD (010), ", ""),
    ("B409", "WEAVE (101)", "WEAVE (111)"),
    ("B410", "is \"STD_1149_1_2001\"", "is \"STD_1149_1_1993\""),
    ("B410", "EXTEST (001)", "EXTEST (000, 001)"),
    ("B410", "WEAVE (101)", "WEAVE (000)"),
    ("B411", "WEAVE (101)", "WEAVE (001)"),
    ("B412", "\"X01\"", "\"XX01\""),
    ("B413", "\"X01\"", "\"X10\""),
    ("B414", "  attribute IDCODE_REGISTER", "  attribute INSTRUCTION_PRIVATE of LOOM : entity is \"WAEVE\";\n  attribute IDCODE_REGISTER"),
    ("B415", "  attribute IDCODE_REGISTER", "  attribute INSTRUCTION_PRIVATE of LOOM : entity is \"EXTEST\";\n  attribute IDCODE_REGISTER"),
    ("B416", "WEAVE (101)", "WEAVE (101), WEAVE (110)"),
    ("B417", "  attribute IDCODE_REGISTER", "  attribute INSTRUCTION_PRIVATE of LOOM : entity is \"USERCODE\";\n  attribute IDCODE_REGISTER"),
    ("B501", "\"0001\" &", "\"001\" &"),
    ("B502", "\"00000011001\" & \"1\"", "\"00000011001\" & \"0\""),
    ("B503", "\"00000011001\" & \"1\"", "\"00001111111\" & \"1\""),
    ("B504", "IDCODE (011), ", ""),
    ("B505", "USERCODE (100), ", ""),
    ("B510", "PATTERN[4]", "PATTERN"),
    ("B511", "(WEAVE)\"", "(WEAVE, KNIT)\""),
    ("B512", "PATTERN[4] (WEAVE)", "PATTERN[4] (WEAVE), CARD[8] (WEAVE)"),
    ("B513", "PATTERN[4] (WEAVE)", "PATTERN[4] (WEAVE, EXTEST)"),
    ("B514", "  attribute REGISTER_ACCESS of LOOM : entity is \"PATTERN[4] (WEAVE)\";\n", ""),
    ("B515", "(WEAVE)\"", "(WEAVE CAPTURES 01)\""),
    ("B516", "PATTERN[4] (WEAVE)", "PATTERN[4] (WEAVE), BYPASS (BYPASS CAPTURES 1)"),
    ("B517", "PATTERN[4] (WEAVE)", "PATTERN[4] (WEAVE, WEAVE)"),
    ("B601", "entity is 4;", "entity is 5;"),
    ("B602", "\"3 (BC_1, A, input, X), \"", "\"3 (BC_1, A, input, X), 4 (BC_1, *, internal, X), \""),
    ("B603", "\"3 (BC_1, A, input, X), \"", "\"3 (BC_1, A, input, X), 3 (BC_1, A, input, X), \""),
    ("B604", "BC_1, A,", "BC_1, B,"),
    ("B605", "Q(1), output3", "Q(2), output3"),
    ("B606", "\"3 (BC_1, A, input, X), \"", "\"3 (BC_1, A, input, X), 4 (BC_4, GROUND, observe_only, X), \""),
    ("B606", "entity is 4;", "entity is 5;"),
    ("B607", "BC_1, *, control", "BC_1, A, control"),
    ("B608", "A, input, X", "A, output2, X"),
    ("B609", "Q(0), output3, X, 2, 1, Z", "Q(0), output3, X"),
    ("B610", "A, input, X", "A, input, X, 2, 1, Z"),
    ("B611", "Q(0), output3, X, 2, 1, Z", "Q(0), output3, X, 3, 1, Z"),
    ("B612", "*, control, 1", "*, control, 0"),
    ("B613", "Q(0), output3, X, 2, 1, Z", "Q(0), output2, 1, 1, 1, WEAK0"),
    ("B614", "Q(1), output3", "Q(0), output3"),
    ("B615", "3 (BC_1, A, input, X)", "3 (BC_1, *, internal, X)"),
    ("B616", "Q(0), output3, X, 2, 1, Z", "Q(0), output2, 0, 1, 1, WEAK1"),
    ("B617", "1 (BC_1, Q(0)", "1 (BC_4, Q(0)"),
    ("B618", "3 (BC_1, A", "3 (BC_4, A"),
    ("B618", "WEAVE (101)", "WEAVE (101), INTEST (110)"),
    ("B619", "  attribute TAP_SCAN_IN", "  attribute PORT_GROUPING of LOOM : entity is \"DIFFERENTIAL_VOLTAGE ((Q(0), Q(1)))\";\n  attribute TAP_SCAN_IN"),
    ("B620", "3 (BC_1, A", "3 (CARD_READER, A"),
    ("B621", "entity is 4;", "entity is 0;"),
    ("B622", "use STD_1149_1_2001", "use STD_1149_1_1990"),
    ("B622", "  attribute COMPONENT_CONFORMANCE of LOOM : entity is \"STD_1149_1_2001\";\n", ""),
    ("B622", "  attribute BOUNDARY_LENGTH", "  attribute BOUNDARY_CELLS of LOOM : entity is \"BC_2\";\n  attribute BOUNDARY_LENGTH"),
    ("B623", "Q(0), output3, X, 2, 1, Z", "Q(0), output3, 1, 1, 1, WEAK1"),
    ("B701", "WEAVE (101)", "WEAVE (101), INTEST (110)"),
    ("B702", "WEAVE (101)", "WEAVE (101), INTEST (110)"),
    ("B702", END, "  attribute INTEST_EXECUTION of LOOM : entity is\n    \"Wait_Duration (TCK 0), Observing HIGHZ At_Pins\";\nend LOOM;\n"),
    ("B703", "WEAVE (101)", "WEAVE (101), RUNBIST (110)"),
    ("B703", "(WEAVE)\"", "(WEAVE, RUNBIST)\""),
    ("B703", END, "  attribute RUNBIST_EXECUTION of LOOM : entity is\n    \"Wait_Duration (TCK 9), Observing HIGHZ At_Pins, Expect_Data 01\";\nend LOOM;\n"),
    ("B704", "WEAVE (101)", "WEAVE (101), INTEST (110)"),
    ("B704", END, "  attribute INTEST_EXECUTION of LOOM : entity is \"Wait_Duration (TCK 9)\";\nend LOOM;\n"),
    ("B705", "WEAVE (101)", "WEAVE (101), INTEST (110)"),
    ("B705", "Q(1), output3, X, 2, 1, Z", "Q(1), output2, X"),
    ("B705", END, "  attribute INTEST_EXECUTION of LOOM : entity is \"Wait_Duration (TCK 9), Observing HIGHZ At_Pins\";\nend LOOM;\n"),
    ("B710", END, "  attribute DESIGN_WARNING of LOOM : entity is \"Keep fingers off the shuttle.\";\nend LOOM;\n"),
    ("B711", "  use STD_1149_1_2001.all;\n", "  use STD_1149_1_2001.all;\n  use LOOM_CELLS.all;\n"),
    ("B712", "entity LOOM is", "package LOOM_CELLS is\n  constant CARD : CELL_INFO := (\n    (INPUT, EXTEST, PI), (INPUT, SAMPLE, PI), (INPUT, SAMPLE, UPD));\nend LOOM_CELLS;\nentity LOOM is"),
    ("B713", "entity LOOM is", "package LOOM_CELLS is\n  constant CARD : CELL_INFO := (\n    (INPUT, EXTEST, PI), (INPUT, INTEST, PI));\nend LOOM_CELLS;\nentity LOOM is"),
    ("B714", END, "  attribute COLOUR_OF_LID of LOOM : entity is \"blue\";\n  attribute COLOUR_OF_LID : BSDL_EXTENSION;\nend LOOM;\n"),
    ("B720", "  use STD_1149_1_2001.all;\n", "  use STD_1149_1_2001.all;\n  use STD_1149_6_2003.all;\n"),
    ("B720", END, "  attribute AIO_PIN_BEHAVIOR of LOOM : entity is \"B : HP_time=1.0e-6\";\nend LOOM;\n"),
    ("B721", "use STD_1149_1_2001", "use STD_1149_1_2013"),
    ("B721", END, "  attribute REGISTER_FIELDS of LOOM : entity is \"PATTERN [4] ((HOLES [2] IS (4 DOWNTO 3)))\";\nend LOOM;\n"),
    ("B722", "use STD_1149_1_2001", "use STD_1149_1_2013"),
    ("B722", END, "  attribute SYSCLOCK_REQUIREMENTS of LOOM : entity is \"(A, 1.0e3, 2.0e6, WAEVE)\";\nend LOOM;\n"),
    ("B723", "use STD_1149_1_2001", "use STD_1149_1_2013"),
    ("B723", END, "  attribute REGISTER_FIELDS of LOOM : entity is \"PATTERN [5] ((HOLES [5] IS (4 DOWNTO 0)))\";\nend LOOM;\n"),
    ("B724", "use STD_1149_1_2001", "use STD_1149_1_2013"),
    ("B724", END, "  attribute REGISTER_FIELDS of LOOM : entity is \"PATTERN [4] ((HOLES [4] IS (3 DOWNTO 0) SAFE(0b000)))\";\nend LOOM;\n"),
    ("B725", "use STD_1149_1_2001", "use STD_1149_1_2013"),
    ("B725", END, "  attribute SYSCLOCK_REQUIREMENTS of LOOM : entity is \"(A, 2.0e6, 1.0e3, WEAVE)\";\nend LOOM;\n"),
    ("B726", "use STD_1149_1_2001", "use STD_1149_1_2013"),
    ("B726", END, "  attribute POWER_PORT_ASSOCIATION of LOOM : entity is \"A : (Q)\";\nend LOOM;\n"),
    ("B727", TABLE, ""),
    ("B727", "use STD_1149_1_2001", "use STD_1149_1_2013"),
    ("B727", END, "  attribute ASSEMBLED_BOUNDARY_LENGTH of LOOM : entity is (4, 4);\n  attribute BOUNDARY_SEGMENT of LOOM : entity is\n    \"NEEDLES [4] (3 (BC_1, A, input, X), 2 (BC_1, *, control, 1), \" &\n    \"1 (BC_1, Q(0), output3, X, 2, 1, Z), 0 (BC_1, Q(1), output3, X, 2, 1, Z))\";\n  attribute REGISTER_ASSEMBLY of LOOM : entity is \"BOUNDARY ((EDGE IS NEEDLES))\";\nend LOOM;\n"),
];
