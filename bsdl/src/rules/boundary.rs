//! B6: boundary register; B7: tests inside the part, extensions, packages.

use super::*;

pub(crate) static CELL_MISSING: Rule = error(
    "B601",
    "every number from 0 to BOUNDARY_LENGTH - 1 has a cell",
    "add the cell, or mend BOUNDARY_LENGTH: a wrong length shifts every bit behind it",
    ANNEX_B,
);
pub(crate) static CELL_BEYOND: Rule = error(
    "B602",
    "no cell number reaches BOUNDARY_LENGTH",
    "mend the number or BOUNDARY_LENGTH",
    ANNEX_B,
);
pub(crate) static CELL_MERGE: Rule = error(
    "B603",
    "at most two lines share a number, and only where one cell can do both",
    "renumber one of them",
    ANNEX_B,
);
pub(crate) static CELL_PORT: Rule = error(
    "B604",
    "a cell serves a port of the port list",
    "correct the name, or declare the port",
    ANNEX_B,
);
pub(crate) static CELL_INDEX: Rule = error(
    "B605",
    "a cell names one bit that its port has",
    "write the index that the cell serves, inside the port's range",
    ANNEX_B,
);
pub(crate) static CELL_TAP: Rule = error(
    "B606",
    "ports of the test access port and linkage ports have no boundary cells",
    "name the port that the cell serves, or take the line out and mend BOUNDARY_LENGTH",
    ANNEX_B,
);
pub(crate) static CELL_STAR: Rule = error(
    "B607",
    "CONTROL, CONTROLR and INTERNAL cells have `*` for a port; only they do",
    "write `*` for the port of a control or internal cell, and a port for any other",
    ANNEX_B,
);
pub(crate) static CELL_MODE: Rule = error(
    "B608",
    "a cell's function fits the mode of its port",
    "mend the function, the port, or the port's mode in the port list",
    ANNEX_B,
);
pub(crate) static CELL_NO_DISABLE: Rule = doubt(
    "B609",
    "OUTPUT3 and BIDIR cells say how their driver is switched off",
    "add control cell, disable value and result, such as `3, 0, Z`",
    ANNEX_B,
);
pub(crate) static CELL_DISABLE: Rule = doubt(
    "B610",
    "only drivers have the disable fields",
    "take the three fields out",
    ANNEX_B,
);
pub(crate) static CELL_CONTROL: Rule = error(
    "B611",
    "the control cell of a driver exists and is CONTROL or CONTROLR",
    "name a cell of the table whose function is control or controlr",
    ANNEX_B,
);
pub(crate) static CELL_SAFE_ON: Rule = doubt(
    "B612",
    "a control cell's safe value switches its drivers off",
    "make the control cell's safe value the drivers' disable value",
    ANNEX_B,
);
pub(crate) static CELL_RESULT: Rule = doubt(
    "B613",
    "a driver's disable result agrees with the levels that it drives",
    "for an output that switches itself off make the result the level of the disable value: WEAK1 or PULL1 for 1, WEAK0 or PULL0 for 0; for one that drives both levels write Z, PULL0, PULL1 or KEEPER",
    ANNEX_B,
);
pub(crate) static CELL_DRIVERS: Rule = error(
    "B614",
    "a port bit has one driving cell",
    "one of the two names the wrong port",
    ANNEX_B,
);
pub(crate) static CELL_NONE: Rule = doubt(
    "B615",
    "every digital port outside test access port and compliance has its cells",
    "if the pin has no cells in truth, declare it as linkage",
    ANNEX_B,
);
pub(crate) static CELL_SELF_SAFE: Rule = doubt(
    "B616",
    "the safe value of a driver that switches itself off is its disable value",
    "make the safe value the disable value",
    ANNEX_B,
);
pub(crate) static CELL_FUNCTION: Rule = doubt(
    "B617",
    "a cell type has only the functions that its package gives it",
    "mend the function or the cell type",
    ANNEX_B,
);
pub(crate) static CELL_INTEST: Rule = doubt(
    "B618",
    "with INTEST every cell type supports it",
    "take INTEST out, or name a cell type that supports it",
    ANNEX_B,
);
pub(crate) static CELL_ASSOCIATE: Rule = doubt(
    "B619",
    "the associated port of a pair has no driving cell of its own",
    "take the cell out, or turn the pair round",
    ANNEX_B,
);
pub(crate) static CELL_TYPE: Rule = doubt(
    "B620",
    "a cell type is a standard one or comes from a package that is used",
    "name the package that defines it in a `use` clause",
    ANNEX_B,
);
pub(crate) static CELL_LENGTH: Rule = error(
    "B621",
    "BOUNDARY_LENGTH is at least 1",
    "give the number of bits in the boundary register",
    ANNEX_B,
);
pub(crate) static CELL_ANNOUNCED: Rule = doubt(
    "B622",
    "BOUNDARY_CELLS names the cell types of the boundary table, all and no others",
    "write the cell types that the table uses into BOUNDARY_CELLS",
    ANNEX_B,
);
pub(crate) static CELL_SELF: Rule = doubt(
    "B623",
    "a driver that its own cell switches off is an OUTPUT2",
    "it is read as an output of one level; if it drives both levels, name its control cell, else write output2, with an input cell where the pin is watched as well",
    ANNEX_B,
);
pub(crate) static EXECUTION_PAIR: Rule = doubt(
    "B701",
    "RUNBIST_EXECUTION comes with RUNBIST, INTEST_EXECUTION with INTEST",
    "add the attribute or the instruction that is missing",
    ANNEX_B,
);
pub(crate) static DURATION: Rule = doubt(
    "B702",
    "a duration is above zero and counts clocks of a clock port",
    "write seconds above zero, or a clock port and a count such as `TCK 100`",
    ANNEX_B,
);
pub(crate) static EXPECT_WIDTH: Rule = doubt(
    "B703",
    "Expect_Data has as many bits as the register that RUNBIST selects",
    "write one character for each bit of the register",
    ANNEX_B,
);
pub(crate) static OBSERVING: Rule = doubt(
    "B704",
    "Observing is HIGHZ or BOUNDARY at the pins",
    "add `Observing HIGHZ At_Pins` or `Observing BOUNDARY At_Pins`",
    ANNEX_B,
);
pub(crate) static OBSERVING_PINS: Rule = doubt(
    "B705",
    "pins that float while a test inside the part runs can be switched off",
    "compare with the data sheet: either the pins show the boundary register, or their cells have disable fields",
    ANNEX_B,
);
pub(crate) static WARNING_TEXT: Rule = note(
    "B710",
    "the maker's DESIGN_WARNING is read before the part is tested",
    "heed it",
    ANNEX_B,
);
pub(crate) static PACKAGE_ABSENT: Rule = note(
    "B711",
    "the packages that a description uses are at hand",
    "give the package to the reader; until then its cells and attributes are taken as they come",
    OURS,
);
pub(crate) static CELL_TRIPLE: Rule = lax(
    "B712",
    "a cell type says once what each function captures under each instruction",
    "the first one counts: take the other out",
    ANNEX_B,
);
pub(crate) static CELL_HALF: Rule = doubt(
    "B713",
    "each function of a cell type has entries for EXTEST and SAMPLE",
    "add the missing triple",
    ANNEX_B,
);
pub(crate) static LATE_EXTENSION: Rule = lax(
    "B714",
    "an extension is declared before it is given a value",
    "move `attribute NAME : BSDL_EXTENSION;` before the value",
    ANNEX_B,
);

pub(crate) static BESIDE_PORT: Rule = doubt(
    "B720",
    "attributes of standards beside 1149.1-2001 name ports of the port list",
    "correct the name",
    BESIDE,
);

pub(crate) static FIELD_BITS: Rule = doubt(
    "B721",
    "a register field names as many bits as it is wide, all inside its register",
    "make the bits in the brackets as many as the field is wide, below the register's length",
    BESIDE,
);

pub(crate) static BESIDE_NAME: Rule = doubt(
    "B722",
    "attributes beside 1149.1-2001 name what is there: instructions, registers, fields, values, flows",
    "correct the name, or add what it names",
    BESIDE,
);
pub(crate) static BESIDE_LENGTH: Rule = doubt(
    "B723",
    "registers and segments have as many bits as their parts",
    "count the bits of the parts and compare with the length",
    BESIDE,
);
pub(crate) static FIELD_VALUE: Rule = doubt(
    "B724",
    "a value of a register field has as many bits as the field",
    "write one binary digit for each bit, or a hexadecimal digit for four",
    BESIDE,
);
pub(crate) static CLOCK_RATES: Rule = doubt(
    "B725",
    "a system clock is an input, and its lowest rate is not above its highest",
    "give the port of a clock and two rates in hertz, the lower one first",
    BESIDE,
);
pub(crate) static POWER_MODE: Rule = doubt(
    "B726",
    "a supply feeds ports that are no supplies",
    "give the supply's port first, and after the colon the ports that it feeds",
    BESIDE,
);
pub(crate) static SEGMENTS_ONLY: Rule = note(
    "B727",
    "the boundary register stands in one table",
    "until the segments are put into one table, such a part can be scanned past but its pins not be tested",
    OURS,
);

/// In the order of their codes.
pub(super) static ALL: &[&Rule] = &[
    &CELL_MISSING,
    &CELL_BEYOND,
    &CELL_MERGE,
    &CELL_PORT,
    &CELL_INDEX,
    &CELL_TAP,
    &CELL_STAR,
    &CELL_MODE,
    &CELL_NO_DISABLE,
    &CELL_DISABLE,
    &CELL_CONTROL,
    &CELL_SAFE_ON,
    &CELL_RESULT,
    &CELL_DRIVERS,
    &CELL_NONE,
    &CELL_SELF_SAFE,
    &CELL_FUNCTION,
    &CELL_INTEST,
    &CELL_ASSOCIATE,
    &CELL_TYPE,
    &CELL_LENGTH,
    &CELL_ANNOUNCED,
    &CELL_SELF,
    &EXECUTION_PAIR,
    &DURATION,
    &EXPECT_WIDTH,
    &OBSERVING,
    &OBSERVING_PINS,
    &WARNING_TEXT,
    &PACKAGE_ABSENT,
    &CELL_TRIPLE,
    &CELL_HALF,
    &LATE_EXTENSION,
    &BESIDE_PORT,
    &FIELD_BITS,
    &BESIDE_NAME,
    &BESIDE_LENGTH,
    &FIELD_VALUE,
    &CLOCK_RATES,
    &POWER_MODE,
    &SEGMENTS_ONLY,
];
