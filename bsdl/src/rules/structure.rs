//! B1: names and structure; B2: ports and pins; B3: test access port, groups, compliance.

use super::*;

pub(crate) static OTHER_NAME: Rule = lax(
    "B101",
    "every statement names the same entity",
    "write the entity's name, or check that the statement was not copied from another part",
    STATEMENTS,
);
pub(crate) static ORDER: Rule = lax(
    "B102",
    "statements stand in the order of the standard",
    "move the statement to its place: generic, port, use, then the attributes in the order of the standard",
    STATEMENTS,
);
pub(crate) static TWICE: Rule = error(
    "B103",
    "an attribute is given once",
    "the first one counts: take the other out",
    STATEMENTS,
);
pub(crate) static GENERIC: Rule = lax(
    "B104",
    "the generic is PHYSICAL_PIN_MAP, a string",
    "write `generic (PHYSICAL_PIN_MAP : string := \"NAME\");`",
    STATEMENTS,
);
pub(crate) static DEFAULT_MAP: Rule = lax(
    "B105",
    "the default of PHYSICAL_PIN_MAP names a pin map of the file",
    "name one of the PIN_MAP_STRING constants",
    ANNEX_B,
);
pub(crate) static DECLARED_TWICE: Rule = error(
    "B106",
    "a name is declared once",
    "rename one of the two",
    ANNEX_B,
);
pub(crate) static RESERVED: Rule = lax(
    "B107",
    "a reserved word is not used as a name",
    "rename it",
    LEXICAL,
);
pub(crate) static PACKAGE: Rule = lax(
    "B108",
    "exactly one standard package is used, before all others",
    "write `use STD_1149_1_2001.all;` or the package of the edition that the file follows",
    STATEMENTS,
);
pub(crate) static CONFORMANCE: Rule = lax(
    "B109",
    "COMPONENT_CONFORMANCE names an edition of the standard",
    "known are STD_1149_1_1990, _1993, _2001 and _2013",
    STATEMENTS,
);
pub(crate) static NEWER: Rule = doubt(
    "B110",
    "the package is not older than the conformance that the part claims",
    "use the package of the edition that COMPONENT_CONFORMANCE names",
    ANNEX_B,
);
pub(crate) static NAME_FORM: Rule = lax(
    "B111",
    "a name starts with a letter, does not end with an underscore and has no two in a row",
    "rename it",
    LEXICAL,
);
pub(crate) static MISSING: Rule = error(
    "B112",
    "the attributes that the standard demands are there",
    "add the statements that are missing; what they say is in the part's data sheet",
    STATEMENTS,
);
pub(crate) static UNKNOWN_ATTRIBUTE: Rule = doubt(
    "B113",
    "an attribute is one of the standard's, or a declared extension",
    "declare it with `attribute NAME : BSDL_EXTENSION;` before its value",
    ANNEX_B,
);
pub(crate) static OF_1990: Rule = note(
    "B114",
    "attributes of the 1990 draft language are left out in later editions",
    "name the instruction HIGHZ or CLAMP in INSTRUCTION_OPCODE instead",
    ANNEX_B,
);
pub(crate) static RANGE: Rule = error(
    "B201",
    "a range runs upwards with `to` and downwards with `downto`",
    "turn the two numbers round, or write the other word",
    ANNEX_B,
);
pub(crate) static NOT_MAPPED: Rule = lax(
    "B202",
    "every port stands in every pin map",
    "add `PORT : PIN`, or the list of pins",
    ANNEX_B,
);
pub(crate) static MAP_STRANGER: Rule = error(
    "B203",
    "a pin map names only ports of the port list",
    "correct the name, or declare the port",
    ANNEX_B,
);
pub(crate) static MAPPED_TWICE: Rule = error(
    "B204",
    "a port stands once in a pin map",
    "the first one counts: take the other out",
    ANNEX_B,
);
pub(crate) static MAP_WIDTH: Rule = error(
    "B205",
    "a vector has as many pins as indices",
    "give one pin for each index, the leftmost index first",
    ANNEX_B,
);
pub(crate) static MAP_LIST: Rule = lax(
    "B206",
    "a port of one bit has one pin; only a vector has a list",
    "declare the port as a bit_vector, or give it one pin",
    ANNEX_B,
);
pub(crate) static PIN_TWICE: Rule = doubt(
    "B207",
    "a pin stands once in a pin map",
    "a pin can be joined to one port only: check the package drawing",
    ANNEX_B,
);
pub(crate) static NO_MAP: Rule = error(
    "B208",
    "there is at least one pin map",
    "write `constant PACKAGE : PIN_MAP_STRING := \"PORT : PIN, ...\";`",
    STATEMENTS,
);
pub(crate) static SUPPLY_MODE: Rule = note(
    "B209",
    "supplies, grounds and unconnected pins are linkage",
    "declare the port as linkage",
    ANNEX_B,
);
pub(crate) static WIDE: Rule = error(
    "B210",
    "a port has at most 65536 bits",
    "check the range",
    OURS,
);
pub(crate) static TAP_PORT: Rule = error(
    "B301",
    "the test access port is made of single-bit ports of the port list",
    "name a port of one bit that the port list declares",
    ANNEX_B,
);
pub(crate) static TAP_MODE: Rule = error(
    "B302",
    "TDI, TMS, TCK and TRST* are in; TDO is out",
    "change the mode in the port list",
    ANNEX_B,
);
pub(crate) static TAP_MISSING: Rule = error(
    "B303",
    "TDI, TDO, TMS and TCK are all named",
    "add the missing TAP_SCAN attributes",
    STATEMENTS,
);
pub(crate) static TAP_SHARED: Rule = error(
    "B304",
    "no port serves twice in the test access port",
    "name another port",
    ANNEX_B,
);
pub(crate) static TCK_RATE: Rule = error(
    "B305",
    "the highest TCK rate is above zero",
    "give it in hertz, such as 10.0e6",
    ANNEX_B,
);
pub(crate) static TCK_HALT: Rule = lax(
    "B306",
    "TCK may stop at LOW or at BOTH levels",
    "write LOW or BOTH",
    ANNEX_B,
);
pub(crate) static GROUP_PORT: Rule = doubt(
    "B310",
    "a pair is made of two digital ports of one mode and width, none of the test access port",
    "name two ports of the same mode and width",
    ANNEX_B,
);
pub(crate) static GROUP_TWICE: Rule = lax(
    "B311",
    "a port belongs to one pair",
    "take the port out of one of the two pairs",
    ANNEX_B,
);
pub(crate) static COMPLIANCE_PORT: Rule = doubt(
    "B320",
    "compliance is enabled by single input bits outside the test access port",
    "name input ports, a vector's bits by index",
    ANNEX_B,
);
pub(crate) static COMPLIANCE_WIDTH: Rule = error(
    "B321",
    "a compliance pattern has one character for each port",
    "write one character for each port in the list, in the same order",
    ANNEX_B,
);
pub(crate) static COMPLIANCE_DRIVEN: Rule = lax(
    "B322",
    "no boundary cell drives a compliance port",
    "check which port the cell serves, and which one enables compliance",
    ANNEX_B,
);

/// In the order of their codes.
pub(super) static ALL: &[&Rule] = &[
    &OTHER_NAME,
    &ORDER,
    &TWICE,
    &GENERIC,
    &DEFAULT_MAP,
    &DECLARED_TWICE,
    &RESERVED,
    &PACKAGE,
    &CONFORMANCE,
    &NEWER,
    &NAME_FORM,
    &MISSING,
    &UNKNOWN_ATTRIBUTE,
    &OF_1990,
    &RANGE,
    &NOT_MAPPED,
    &MAP_STRANGER,
    &MAPPED_TWICE,
    &MAP_WIDTH,
    &MAP_LIST,
    &PIN_TWICE,
    &NO_MAP,
    &SUPPLY_MODE,
    &WIDE,
    &TAP_PORT,
    &TAP_MODE,
    &TAP_MISSING,
    &TAP_SHARED,
    &TCK_RATE,
    &TCK_HALT,
    &GROUP_PORT,
    &GROUP_TWICE,
    &COMPLIANCE_PORT,
    &COMPLIANCE_WIDTH,
    &COMPLIANCE_DRIVEN,
];
