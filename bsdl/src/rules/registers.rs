//! B5: identity and register access.

use super::*;

pub(crate) static ID_WIDTH: Rule = error(
    "B501",
    "an identity code has 32 bits",
    "count the bits: version 4, part 16, manufacturer 11, and a 1",
    IDENTITY,
);
pub(crate) static ID_BIT_0: Rule = error(
    "B502",
    "bit 0 of an identity code is 1",
    "the rightmost character is bit 0: check the order of the strings",
    IDENTITY,
);
pub(crate) static ID_MAKER: Rule = error(
    "B503",
    "the manufacturer field is not 000 0111 1111",
    "that field marks the end of a chain and belongs to nobody: check bits 11 to 1",
    IDENTITY,
);
pub(crate) static IDCODE_PAIR: Rule = doubt(
    "B504",
    "IDCODE and IDCODE_REGISTER come together",
    "add the IDCODE instruction or the IDCODE_REGISTER that is missing",
    IDENTITY,
);
pub(crate) static USERCODE_PAIR: Rule = doubt(
    "B505",
    "USERCODE comes with USERCODE_REGISTER and with IDCODE",
    "add the USERCODE instruction, the USERCODE_REGISTER or the IDCODE that is missing",
    IDENTITY,
);
pub(crate) static REGISTER_LENGTH: Rule = error(
    "B510",
    "a register of the part's own has a length in square brackets, the same each time",
    "write NAME[bits]",
    ANNEX_B,
);
pub(crate) static ACCESS_STRANGER: Rule = lax(
    "B511",
    "REGISTER_ACCESS names instructions of INSTRUCTION_OPCODE",
    "correct the name, or list the instruction with its code in INSTRUCTION_OPCODE",
    ANNEX_B,
);
pub(crate) static ACCESS_TWICE: Rule = error(
    "B512",
    "an instruction selects one register",
    "list the instruction under one register",
    ANNEX_B,
);
pub(crate) static ACCESS_FIXED: Rule = error(
    "B513",
    "the standard's instructions select the registers that it fixes for them",
    "list the instruction under the register that the standard fixes for it, or not at all",
    INSTRUCTIONS,
);
pub(crate) static ACCESS_UNSAID: Rule = note(
    "B514",
    "an instruction of the part's own stands in REGISTER_ACCESS or INSTRUCTION_PRIVATE",
    "name its register, or make it private",
    ANNEX_B,
);
pub(crate) static CAPTURES_WIDTH: Rule = error(
    "B515",
    "CAPTURES has as many bits as the register",
    "write one character for each bit of the register",
    ANNEX_B,
);
pub(crate) static CAPTURES_VALUE: Rule = lax(
    "B516",
    "CAPTURES agrees with what the standard and the identity code fix",
    "leave CAPTURES out: the standard and the identity code say it already",
    ANNEX_B,
);
pub(crate) static ACCESS_AGAIN: Rule = lax(
    "B517",
    "an instruction stands once in REGISTER_ACCESS",
    "the first one counts: take the other out",
    ANNEX_B,
);

/// In the order of their codes.
pub(super) static ALL: &[&Rule] = &[
    &ID_WIDTH,
    &ID_BIT_0,
    &ID_MAKER,
    &IDCODE_PAIR,
    &USERCODE_PAIR,
    &REGISTER_LENGTH,
    &ACCESS_STRANGER,
    &ACCESS_TWICE,
    &ACCESS_FIXED,
    &ACCESS_UNSAID,
    &CAPTURES_WIDTH,
    &CAPTURES_VALUE,
    &ACCESS_AGAIN,
];
