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
pub(crate) static CELL_PORT: Rule =
    error("B604", "a cell serves a port of the port list", "", ANNEX_B);
pub(crate) static CELL_INDEX: Rule = error(
    "B605",
    "a cell names one bit that its port has",
    "",
    ANNEX_B,
);
pub(crate) static CELL_TAP: Rule = error(
    "B606",
    "ports of the test access port and linkage ports have no boundary cells",
    "",
    ANNEX_B,
);
pub(crate) static CELL_STAR: Rule = error(
    "B607",
    "CONTROL, CONTROLR and INTERNAL cells have `*` for a port; only they do",
    "",
    ANNEX_B,
);
pub(crate) static CELL_MODE: Rule = error(
    "B608",
    "a cell's function fits the mode of its port",
    "",
    ANNEX_B,
);
pub(crate) static CELL_NO_DISABLE: Rule = error(
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
    "",
    ANNEX_B,
);
pub(crate) static CELL_SAFE_ON: Rule = doubt(
    "B612",
    "a control cell's safe value switches its drivers off",
    "",
    ANNEX_B,
);
pub(crate) static CELL_RESULT: Rule = doubt(
    "B613",
    "an open-collector output's result is the level that it does not drive",
    "",
    ANNEX_B,
);
pub(crate) static CELL_DRIVERS: Rule =
    error("B614", "a port bit has one driving cell", "", ANNEX_B);
pub(crate) static CELL_NONE: Rule = doubt(
    "B615",
    "every digital port outside test access port and compliance has its cells",
    "",
    ANNEX_B,
);
pub(crate) static CELL_SELF_SAFE: Rule = doubt(
    "B616",
    "the safe value of a driver that switches itself off is its disable value",
    "",
    ANNEX_B,
);
pub(crate) static CELL_FUNCTION: Rule = doubt(
    "B617",
    "a cell type has only the functions that its package gives it",
    "",
    ANNEX_B,
);
pub(crate) static CELL_INTEST: Rule = doubt(
    "B618",
    "with INTEST every cell type supports it",
    "",
    ANNEX_B,
);
pub(crate) static CELL_ASSOCIATE: Rule = doubt(
    "B619",
    "the associated port of a pair has no driving cell of its own",
    "",
    ANNEX_B,
);
pub(crate) static CELL_TYPE: Rule = doubt(
    "B620",
    "a cell type is a standard one or comes from a package that is used",
    "",
    ANNEX_B,
);
pub(crate) static CELL_LENGTH: Rule = error("B621", "BOUNDARY_LENGTH is at least 1", "", ANNEX_B);
pub(crate) static EXECUTION_PAIR: Rule = doubt(
    "B701",
    "RUNBIST_EXECUTION comes with RUNBIST, INTEST_EXECUTION with INTEST",
    "",
    ANNEX_B,
);
pub(crate) static DURATION: Rule = doubt(
    "B702",
    "a duration is above zero and counts clocks of a clock port",
    "",
    ANNEX_B,
);
pub(crate) static EXPECT_WIDTH: Rule = doubt(
    "B703",
    "Expect_Data has as many bits as the register that RUNBIST selects",
    "",
    ANNEX_B,
);
pub(crate) static OBSERVING: Rule = doubt(
    "B704",
    "Observing is HIGHZ or BOUNDARY at the pins",
    "",
    ANNEX_B,
);
pub(crate) static WARNING_TEXT: Rule = note(
    "B710",
    "the maker's DESIGN_WARNING is read before the part is tested",
    "",
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

pub(crate) static BESIDE_PORT: Rule = doubt(
    "B720",
    "attributes of standards beside 1149.1-2001 name ports of the port list",
    "",
    BESIDE,
);

pub(crate) static FIELD_BITS: Rule = doubt(
    "B721",
    "a register field names as many bits as it is wide, all inside its register",
    "",
    BESIDE,
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
    &EXECUTION_PAIR,
    &DURATION,
    &EXPECT_WIDTH,
    &OBSERVING,
    &WARNING_TEXT,
    &PACKAGE_ABSENT,
    &CELL_TRIPLE,
    &CELL_HALF,
    &BESIDE_PORT,
    &FIELD_BITS,
];
