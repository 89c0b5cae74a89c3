//! B0: text and syntax.

use super::*;

pub(crate) static NO_ENTITY: Rule = error(
    "B001",
    "a file describes one entity",
    "a BSDL file starts with `entity NAME is`",
    STATEMENTS,
);
pub(crate) static UNEXPECTED: Rule = error(
    "B002",
    "a statement has the form that the standard gives it",
    "write what was expected; the message names it",
    STATEMENTS,
);
pub(crate) static NO_SEMICOLON: Rule = lax(
    "B003",
    "a statement ends with a semicolon",
    "put `;` after the statement",
    STATEMENTS,
);
pub(crate) static NO_AMPERSAND: Rule = lax(
    "B004",
    "strings are joined by an ampersand",
    "put `&` between the two strings",
    LEXICAL,
);
pub(crate) static OPEN_STRING: Rule = error(
    "B005",
    "a string closes on the line where it opens",
    "close the string with a quote; long text is joined from several strings by `&`",
    LEXICAL,
);
pub(crate) static STRAY: Rule = error(
    "B006",
    "outside strings and comments only the characters of BSDL stand",
    "take the characters out, or put `--` before them to make them a comment",
    LEXICAL,
);
pub(crate) static OUTSIDE: Rule = lax(
    "B007",
    "nothing but comments stands before the entity and after its end",
    "put `--` before the text to make it a comment",
    STATEMENTS,
);
pub(crate) static NO_STATEMENT: Rule = error(
    "B008",
    "between `is` and `end` stand only the statements of the standard",
    "a statement starts with generic, port, use, attribute, constant or end",
    STATEMENTS,
);
pub(crate) static INNER: Rule = error(
    "B009",
    "the text inside a string follows the grammar of its attribute",
    "write what was expected; the message names it and the place is the first character that does not fit",
    ANNEX_B,
);
pub(crate) static NO_COMMA: Rule = lax(
    "B010",
    "items in a list are separated by commas",
    "put a comma between the two items",
    ANNEX_B,
);
pub(crate) static WRONG_VALUE: Rule = error(
    "B011",
    "an attribute takes a value of its own kind",
    "give the attribute a value of the kind that the message names",
    STATEMENTS,
);
pub(crate) static NUMBER: Rule = error(
    "B012",
    "a number is inside the range that its use allows",
    "write a smaller number",
    ANNEX_B,
);
pub(crate) static TOO_LONG: Rule = error(
    "B013",
    "a file and its lists keep within this reader's limits",
    "look for a slip of the keyboard in the number, or split the file",
    OURS,
);
pub(crate) static EXTRA: Rule = lax(
    "B014",
    "no separator stands where nothing follows",
    "take it out",
    ANNEX_B,
);
pub(crate) static NO_END: Rule = lax(
    "B015",
    "the description ends with `end NAME;`",
    "put `end` with the entity's name and `;` after the last statement",
    STATEMENTS,
);
pub(crate) static SPLIT_TOKEN: Rule = doubt(
    "B016",
    "a name or number is not split over two strings",
    "write it in one string",
    ANNEX_B,
);

pub(crate) static INNER_BESIDE: Rule = doubt(
    "B017",
    "the text inside a string of a standard beside 1149.1-2001 follows that standard's grammar",
    "the grammar is known from memory: compare with the standard before changing the file",
    BESIDE,
);

pub(crate) static CONTROL_CHARACTER: Rule = doubt(
    "B018",
    "a string holds no tabs and no other control characters",
    "write spaces; the lists inside the string read the same",
    LEXICAL,
);

/// In the order of their codes.
pub(super) static ALL: &[&Rule] = &[
    &NO_ENTITY,
    &UNEXPECTED,
    &NO_SEMICOLON,
    &NO_AMPERSAND,
    &OPEN_STRING,
    &STRAY,
    &OUTSIDE,
    &NO_STATEMENT,
    &INNER,
    &NO_COMMA,
    &WRONG_VALUE,
    &NUMBER,
    &TOO_LONG,
    &EXTRA,
    &NO_END,
    &SPLIT_TOKEN,
    &INNER_BESIDE,
    &CONTROL_CHARACTER,
];
