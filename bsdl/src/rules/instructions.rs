//! B4: instructions.

use super::*;

pub(crate) static IR_LENGTH: Rule = error(
    "B401",
    "the instruction register has at least two bits",
    "give the length from the part's data sheet",
    INSTRUCTIONS,
);
pub(crate) static OPCODE_WIDTH: Rule = error(
    "B402",
    "an opcode has as many bits as the instruction register",
    "compare the opcode and INSTRUCTION_LENGTH with the part's data sheet",
    INSTRUCTIONS,
);
pub(crate) static OPCODE_X: Rule = doubt(
    "B403",
    "X in an opcode is for private or multiply decoded instructions",
    "list the codes one by one",
    INSTRUCTIONS,
);
pub(crate) static BYPASS_CODE: Rule = error(
    "B404",
    "BYPASS is all ones, among others",
    "add the code of all ones to BYPASS",
    INSTRUCTIONS,
);
pub(crate) static NO_EXTEST: Rule = error(
    "B405",
    "EXTEST is there",
    "every conforming part has EXTEST: add its code",
    INSTRUCTIONS,
);
pub(crate) static EXTEST_ZEROS: Rule = lax(
    "B406",
    "before 2001 all zeros is one of EXTEST's codes",
    "add the code of all zeros to EXTEST, or claim the edition that the part conforms to",
    INSTRUCTIONS,
);
pub(crate) static NO_SAMPLE: Rule = error(
    "B407",
    "SAMPLE is there",
    "every conforming part has SAMPLE: add its code",
    INSTRUCTIONS,
);
pub(crate) static NO_PRELOAD: Rule = lax(
    "B408",
    "from 2001 on PRELOAD is listed as well as SAMPLE",
    "list PRELOAD, with SAMPLE's code if the part has one instruction for both",
    INSTRUCTIONS,
);
pub(crate) static ONES_TAKEN: Rule = error(
    "B409",
    "all ones belongs to BYPASS alone",
    "take the code out: the part would select BYPASS",
    INSTRUCTIONS,
);
pub(crate) static ZEROS_TAKEN: Rule = lax(
    "B410",
    "before 2001 all zeros belongs to EXTEST alone",
    "take the code out, or claim the edition that the part conforms to",
    INSTRUCTIONS,
);
pub(crate) static SHARED_CODE: Rule = doubt(
    "B411",
    "no two instructions share a code, but SAMPLE and PRELOAD",
    "compare both codes with the part's data sheet",
    INSTRUCTIONS,
);
pub(crate) static CAPTURE_WIDTH: Rule = error(
    "B412",
    "INSTRUCTION_CAPTURE has as many bits as the instruction register",
    "write one character for each bit of the instruction register",
    INSTRUCTIONS,
);
pub(crate) static CAPTURE_01: Rule = error(
    "B413",
    "INSTRUCTION_CAPTURE ends in 01",
    "without it a scan cannot tell this part from a broken chain: check the data sheet",
    INSTRUCTIONS,
);
pub(crate) static PRIVATE_STRANGER: Rule = error(
    "B414",
    "INSTRUCTION_PRIVATE names instructions of INSTRUCTION_OPCODE",
    "correct the name, or list the instruction with its code in INSTRUCTION_OPCODE",
    ANNEX_B,
);
pub(crate) static PRIVATE_PUBLIC: Rule = error(
    "B415",
    "EXTEST, BYPASS, SAMPLE and PRELOAD are never private",
    "take it out of INSTRUCTION_PRIVATE",
    INSTRUCTIONS,
);
pub(crate) static INSTRUCTION_TWICE: Rule = lax(
    "B416",
    "an instruction is listed once, with all its codes",
    "write all codes in one pair of brackets",
    ANNEX_B,
);
pub(crate) static PRIVATE_STANDARD: Rule = doubt(
    "B417",
    "instructions with names of the standard mean what the standard says, and are public",
    "take it out of INSTRUCTION_PRIVATE, or give the instruction another name",
    INSTRUCTIONS,
);

/// In the order of their codes.
pub(super) static ALL: &[&Rule] = &[
    &IR_LENGTH,
    &OPCODE_WIDTH,
    &OPCODE_X,
    &BYPASS_CODE,
    &NO_EXTEST,
    &EXTEST_ZEROS,
    &NO_SAMPLE,
    &NO_PRELOAD,
    &ONES_TAKEN,
    &ZEROS_TAKEN,
    &SHARED_CODE,
    &CAPTURE_WIDTH,
    &CAPTURE_01,
    &PRIVATE_STRANGER,
    &PRIVATE_PUBLIC,
    &INSTRUCTION_TWICE,
    &PRIVATE_STANDARD,
];
