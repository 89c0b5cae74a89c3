//! Errors of the board file as a whole, of tables and of devices, each with its exact text.

use super::{HEAD, Scratch};

/// What is wrong with [`HEAD`] and `more`.
fn after_head(more: &str) -> String {
    Scratch::new().problems(&format!("{HEAD}{more}"))
}

/// What is wrong with a file that is only this.
fn alone(text: &str) -> String {
    Scratch::new().problems(text)
}

#[test]
fn unknown_keys_and_tables_are_all_named() {
    let seen = after_head(
        r##"optionl = true
[gaurd]
[[part]]
name = "R"
kid = "resistor"
kind = "resistor"
between = ["U1.5", "U1.6"]
[tck]
max_hertz = 1
"##,
    );
    let expected = r##"board.toml:12:1: unknown key `optionl` in [[device]]
  12 | optionl = true
     | ^^^^^^^
  help: did you mean `optional`? keys of [[device]]: name, entity, pin_map, recipe, ir_length, idcode and optional
board.toml:13:2: unknown table `gaurd` in the board file
  13 | [gaurd]
     |  ^^^^^
  help: did you mean `guard`? tables of the board file: board, tck, device, connector, socket, part, pull, driver, tie, wire and guard
board.toml:16:1: unknown key `kid` in [[part]]
  16 | kid = "resistor"
     | ^^^
  help: did you mean `kind`? keys of [[part]]: name, kind, between, ohms, from, to, enable, direction and closed
board.toml:20:1: unknown key `max_hertz` in [tck]
  20 | max_hertz = 1
     | ^^^^^^^^^
  help: keys of [tck]: max_hz"##;
    assert_eq!(seen, expected);
}

#[test]
fn values_of_the_wrong_type() {
    let seen = after_head(
        r##"optional = 1
[guard]
max_switching = "8"
settle_us = 2.5
never_drive = 7
hold = [1]
"##,
    );
    let expected = r##"board.toml:12:12: `optional` is a whole number, expected true or false
  12 | optional = 1
     |            ^
  help: write optional = true
board.toml:14:17: `max_switching` is a string, expected a whole number
  14 | max_switching = "8"
     |                 ^^^
  help: write max_switching = 8
board.toml:15:13: `settle_us` is a decimal number, expected a whole number
  15 | settle_us = 2.5
     |             ^^^
  help: write settle_us = 20
board.toml:16:15: `never_drive` is a whole number, expected an array of strings
  16 | never_drive = 7
     |               ^
  help: write never_drive = ["U1.77"]
board.toml:17:8: `hold` is an array, expected a table
  17 | hold = [1]
     |        ^^^
  help: write hold = { "U1.90" = "high" }"##;
    assert_eq!(seen, expected);
}

#[test]
fn numbers_out_of_bounds() {
    let seen = after_head(
        r##"[guard]
max_switching = 0
[tck]
max_hz = 0x1_0000_0000
"##,
    );
    let expected = r##"board.toml:13:17: `max_switching` is 0, expected a whole number from 1 to 100000
  13 | max_switching = 0
     |                 ^
  help: give `max_switching` a whole number from 1 to 100000
board.toml:15:10: `max_hz` is 0x100000000, expected a whole number from 1 to 1000000000
  15 | max_hz = 0x1_0000_0000
     |          ^^^^^^^^^^^^^
  help: give `max_hz` a whole number from 1 to 1000000000"##;
    assert_eq!(seen, expected);
}

#[test]
fn a_device_without_name() {
    let seen = after_head(
        r##"[[device]]
entity = "LOOM_12"
"##,
    );
    let expected = r##"board.toml:12:1: [[device]] has no `name`
  12 | [[device]]
     | ^^^^^^^^^^
  help: add name = "U1""##;
    assert_eq!(seen, expected);
}

#[test]
fn a_device_of_which_nothing_is_known() {
    let seen = after_head(
        r##"[[device]]
name = "U3"
"##,
    );
    let expected = r##"board.toml:12:1: device U3 has neither entity nor ir_length
  12 | [[device]]
     | ^^^^^^^^^^
  help: name its BSDL entity, or give the length of its instruction register, as ir_length = 5"##;
    assert_eq!(seen, expected);
}

#[test]
fn a_device_name_used_twice() {
    let seen = after_head(
        r##"[[device]]
name = "u01"
ir_length = 4
"##,
    );
    let expected = r##"board.toml:13:8: device u01 is there twice, first in line 5
  13 | name = "u01"
     |        ^^^^^
  help: give each device its own name; case and zero padding tell none apart"##;
    assert_eq!(seen, expected);
}

#[test]
fn a_bsdl_file_that_is_missing() {
    let seen = after_head(
        r##"[[device]]
name = "U3"
entity = "LOOM_21"
[guard]
never_drive = ["U3.99"]
"##,
    );
    let expected = r##"board.toml:14:10: no BSDL file describes LOOM_21
  14 | entity = "LOOM_21"
     |          ^^^^^^^^^
  help: did you mean `LOOM_12`? looked into 2 BSDL files in devices; add its folder to `bsdl` in [board], or give the device ir_length instead of entity"##;
    assert_eq!(seen, expected);
}

#[test]
fn no_folder_to_look_in() {
    let seen = alone(
        r##"[board]
format = 1
name = "x"
[[device]]
name = "U1"
entity = "LOOM_12"
"##,
    );
    let expected = r##"board.toml:6:10: no BSDL file describes LOOM_12
  6 | entity = "LOOM_12"
    |          ^^^^^^^^^
  help: name the files or folders to look in: bsdl = ["../devices"] in [board]"##;
    assert_eq!(seen, expected);
}

#[test]
fn a_package_left_open() {
    let seen = after_head(
        r##"[[device]]
name = "U3"
entity = "TWIN_4"
"##,
    );
    let expected = r##"board.toml:14:10: TWIN_4 comes in several packages and `pin_map` does not say which
  14 | entity = "TWIN_4"
     |          ^^^^^^^^
  help: the file has SO4 and BG4"##;
    assert_eq!(seen, expected);
}

#[test]
fn a_package_that_is_not_there() {
    let seen = after_head(
        r##"[[device]]
name = "U3"
entity = "TWIN_4"
pin_map = "SO8"
"##,
    );
    let expected = r##"board.toml:15:11: TWIN_4 has no package SO8
  15 | pin_map = "SO8"
     |           ^^^^^
  help: the file has SO4 and BG4"##;
    assert_eq!(seen, expected);
}

#[test]
fn a_package_without_entity() {
    let seen = after_head(
        r##"[[device]]
name = "U3"
ir_length = 4
pin_map = "SO8"
"##,
    );
    let expected = r##"board.toml:15:11: `pin_map` without `entity`: only a BSDL file has packages
  15 | pin_map = "SO8"
     |           ^^^^^
  help: name the entity, or take the key out"##;
    assert_eq!(seen, expected);
}

#[test]
fn an_instruction_length_that_the_bsdl_contradicts() {
    let seen = after_head(
        r##"[[device]]
name = "U3"
entity = "LOOM_12"
ir_length = 5
"##,
    );
    let expected = r##"board.toml:15:1: `ir_length` is 5, but the BSDL file of LOOM_12 says 4
  15 | ir_length = 5
     | ^^^^^^^^^
  help: take the key out, or name the right entity"##;
    assert_eq!(seen, expected);
}

#[test]
fn a_short_idcode_and_register() {
    let seen = after_head(
        r##"[[device]]
name = "U3"
ir_length = 1
idcode = "0x12"
"##,
    );
    let expected = r##"board.toml:14:13: `ir_length` is 1, expected a whole number from 2 to 65536
  14 | ir_length = 1
     |             ^
  help: give `ir_length` a whole number from 2 to 65536
board.toml:15:10: `idcode` is "0x12", expected eight hexadecimal digits, x for any, as 0x1xxxx0A7
  15 | idcode = "0x12"
     |          ^^^^^^
  help: give `idcode` eight hexadecimal digits, x for any, as 0x1xxxx0A7"##;
    assert_eq!(seen, expected);
}

#[test]
fn an_idcode_of_the_wrong_type_and_a_missing_recipe() {
    let seen = after_head(
        r##"[[device]]
name = "U3"
ir_length = 4
idcode = 1.5
recipe = "loom.toml"
"##,
    );
    let expected = r##"board.toml:15:10: `idcode` is a decimal number, expected a string
  15 | idcode = 1.5
     |          ^^^
  help: write idcode = "0x1xxxx0A7", eight hexadecimal digits, x for any
board.toml:16:10: cannot read the recipe loom.toml: no such file or directory
  16 | recipe = "loom.toml"
     |          ^^^^^^^^^^^
  help: paths count from the folder of the board file; mend the path or put the file there"##;
    assert_eq!(seen, expected);
}

#[test]
fn a_wrong_board_table() {
    let seen = alone(
        r##"[board]
format = 2
bsdl = ["nowhere"]
harness = "h.csv"
name = " "
[[device]]
name = "U1"
ir_length = 4
"##,
    );
    let expected = r##"board.toml:2:10: `format` is 2, expected 1
  2 | format = 2
    |          ^
  help: give `format` 1
board.toml:3:9: cannot read the BSDL file or folder nowhere: no such file or directory
  3 | bsdl = ["nowhere"]
    |         ^^^^^^^^^
  help: paths count from the folder of the board file; mend the path or put the file there
board.toml:4:11: cannot read the harness file h.csv: no such file or directory
  4 | harness = "h.csv"
    |           ^^^^^^^
  help: paths count from the folder of the board file; mend the path or put the file there
board.toml:5:8: `name` is " ", expected a text that is not blank
  5 | name = " "
    |        ^^^
  help: give `name` a text that is not blank"##;
    assert_eq!(seen, expected);
}

#[test]
fn a_file_that_is_no_toml() {
    let seen = alone(
        r##"[board
name = 3
[x]
y = 
"##,
    );
    let expected = r##"board.toml:1:7: this is not TOML: unclosed table, expected `]`
  1 | [board
    |       ^
  help: mend this first: nothing else of the file was checked
board.toml:4:5: this is not TOML: string values must be quoted, expected literal string
  4 | y = 
    |     ^
  help: mend this first: nothing else of the file was checked"##;
    assert_eq!(seen, expected);
}

#[test]
fn an_empty_file() {
    let seen = alone(r##""##);
    let expected = r##"board.toml: the board file has no `board`
  help: add [board] with format = 1 and a name
board.toml: the board file has no `device`
  help: add a [[device]] for each part of the chain, TDI to TDO"##;
    assert_eq!(seen, expected);
}

#[test]
fn tables_that_are_no_tables() {
    let seen = alone(
        r##"board = 3
device = 4
guard = "x"
wire = ["W1"]
"##,
    );
    let expected = r##"board.toml:1:9: `[board]` is a whole number, expected a table
  1 | board = 3
    |         ^
  help: write its keys on lines of their own under the title
board.toml:2:10: `device` is a whole number, expected an array of tables
  2 | device = 4
    |          ^
  help: write the title in double brackets
board.toml:3:9: `[guard]` is a string, expected a table
  3 | guard = "x"
    |         ^^^
  help: write its keys on lines of their own under the title
board.toml:4:9: `[[wire]]` is a string, expected a table
  4 | wire = ["W1"]
    |         ^^^^
  help: write its keys on lines of their own under the title"##;
    assert_eq!(seen, expected);
}
