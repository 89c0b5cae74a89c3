//! Every error with its exact text.

use super::{FITTINGS, HEAD, Scratch};

/// What is wrong with [`HEAD`] and `more`.
fn after_head(more: &str) -> String {
    Scratch::new().problems(&format!("{HEAD}{more}"))
}

/// What is wrong with [`HEAD`], [`FITTINGS`] and `more`.
fn after_fittings(more: &str) -> String {
    Scratch::new().problems(&format!("{HEAD}{FITTINGS}{more}"))
}

/// What is wrong with a file that is only this.
fn alone(text: &str) -> String {
    Scratch::new().problems(text)
}

#[test]
fn unknown_keys_and_tables_are_all_named() {
    let seen = after_head(
        r##"entitty = "X"
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
    let expected = r##"board.toml:12:1: unknown key `entitty` in [[device]]
  12 | entitty = "X"
     | ^^^^^^^
  help: did you mean `entity`? keys of [[device]]: name, entity, pin_map, recipe, ir_length, idcode and optional
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
    let expected = r##"board.toml:13:17: `max_switching` is "0", expected a whole number from 1 to 100000
  13 | max_switching = 0
     |                 ^
  help: give `max_switching` a whole number from 1 to 100000
board.toml:15:10: `max_hz` is "0x100000000", expected a whole number from 1 to 1000000000
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
    let expected = r##"board.toml:14:13: `ir_length` is "1", expected a whole number from 2 to 65536
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
fn pins_that_do_not_exist() {
    let seen = after_head(
        r##"[[connector]]
name = "J3"
[connector.pins]
1 = "U1.13"
2 = "U1.B"
3 = "u9.1"
4 = "U1"
5 = "U2."
"##,
    );
    let expected = r##"board.toml:15:5: device U1 (LOOM_12 in DIP12) has no pin 13
  15 | 1 = "U1.13"
     |     ^^^^^^^
  help: it has 1 to 12
board.toml:16:5: device U1 (LOOM_12 in DIP12) has no pin B
  16 | 2 = "U1.B"
     |     ^^^^^^
  help: B is a port: it comes out on pin 6
board.toml:17:5: u9.1: there is no device, connector or socket u9
  17 | 3 = "u9.1"
     |     ^^^^^^
  help: the board has U1, U2 and J3
board.toml:18:5: "U1" is no place
  18 | 4 = "U1"
     |     ^^^^
  help: write a pin as U1.12, J3.4 or pattern memory.10; else ground, supply 5 V or nothing
board.toml:19:5: "U2." is no place
  19 | 5 = "U2."
     |     ^^^^^
  help: write a pin as U1.12, J3.4 or pattern memory.10; else ground, supply 5 V or nothing"##;
    assert_eq!(seen, expected);
}

#[test]
fn ranges_that_do_not_fit() {
    let seen = after_head(
        r##"[[connector]]
name = "J3"
[connector.pins]
5-6 = "U1.5"
06 = "U1.6"
A-B = "U1.7"
8 = "U1.5-x"
9 = 5
10 = "J3.10"
"##,
    );
    let expected = r##"board.toml:15:7: 5-6 names 2 pins and U1.5 names 1 pin
  15 | 5-6 = "U1.5"
     |       ^^^^^^
  help: both sides of a range need as many pins
board.toml:16:1: pin J3.06 is there twice, first in line 15
  16 | 06 = "U1.6"
     | ^^
  help: give each pin its own name; case and zero padding tell none apart
board.toml:17:1: "A-B" is no range of pins
  17 | A-B = "U1.7"
     | ^^^
  help: write a range as 5-12 or A1-A8, at most 4096 pins
board.toml:18:5: "U1.5-x" is no range of pins
  18 | 8 = "U1.5-x"
     |     ^^^^^^^^
  help: write a range as 5-12 or A1-A8, at most 4096 pins
board.toml:19:5: `9` is a whole number, expected a string
  19 | 9 = 5
     |     ^
  help: write pins = { 1 = "U1.12" }
board.toml:20:6: J3.10 goes to itself
  20 | 10 = "J3.10"
     |      ^^^^^^^
  help: name the device pin that it goes to"##;
    assert_eq!(seen, expected);
}

#[test]
fn names_shared_by_connector_and_device() {
    let seen = after_head(
        r##"[[connector]]
name = "U1"
[[connector]]
"##,
    );
    let expected = r##"board.toml:13:8: connector U1 is there twice, first in line 5
  13 | name = "U1"
     |        ^^^^
  help: give each connector its own name; case and zero padding tell none apart
board.toml:14:1: [[connector]] has no `name`
  14 | [[connector]]
     | ^^^^^^^^^^^^^
  help: add name = "J3""##;
    assert_eq!(seen, expected);
}

#[test]
fn socket_shapes_that_are_not_known() {
    let seen = after_head(
        r##"[[socket]]
name = "m"
shape = "27C265"
[[socket]]
name = "n"
"##,
    );
    let expected = r##"board.toml:14:9: `shape` is "27C265", expected 27C64, 27C128, 27C256, 27C512, 62256 or 28C256
  14 | shape = "27C265"
     |         ^^^^^^^^
  help: did you mean "27C256"?
board.toml:15:1: [[socket]] has no `shape`
  15 | [[socket]]
     | ^^^^^^^^^^
  help: add shape = "27C256""##;
    assert_eq!(seen, expected);
}

#[test]
fn clip_pins_out_of_range_and_twice() {
    let seen = after_fittings(
        r##"clip = { 10 = "U1.8", 29 = "U1.9", A1 = "J3.1", 12 = "U1.8", A0 = "U1.9" }
"##,
    );
    let expected = r##"board.toml:18:23: socket pattern memory (27C256) has no pin 29
  18 | clip = { 10 = "U1.8", 29 = "U1.9", A1 = "J3.1", 12 = "U1.8", A0 = "U1.9" }
     |                       ^^
  help: it has 1 to 28, or by name VPP, A12, A7, A6, A5, A4 and 22 more
board.toml:18:41: J3.1 is not a device pin
  18 | clip = { 10 = "U1.8", 29 = "U1.9", A1 = "J3.1", 12 = "U1.8", A0 = "U1.9" }
     |                                         ^^^^^^
  help: name the pin of the scan clip's device
board.toml:18:54: clip: pattern memory.12 and pin 10 of the socket cannot both have U1.8
  18 | clip = { 10 = "U1.8", 29 = "U1.9", A1 = "J3.1", 12 = "U1.8", A0 = "U1.9" }
     |                                                      ^^^^^^
  help: give each socket pin its own device pin
board.toml:18:67: clip: pattern memory.10 has two device pins
  18 | clip = { 10 = "U1.8", 29 = "U1.9", A1 = "J3.1", 12 = "U1.8", A0 = "U1.9" }
     |                                                                   ^^^^^^
  help: give each socket pin its own device pin"##;
    assert_eq!(seen, expected);
}

#[test]
fn a_resistor_to_ground_is_a_pull() {
    let seen = after_fittings(
        r##"[[part]]
name = "R1"
kind = "resistor"
between = ["J3.1", "ground"]
"##,
    );
    let expected = r##"board.toml:21:20: ground is not a pin
  21 | between = ["J3.1", "ground"]
     |                    ^^^^^^^^
  help: name the pins on both sides; a resistor to ground or a supply is a [[pull]]"##;
    assert_eq!(seen, expected);
}

#[test]
fn part_names_and_kinds() {
    let seen = after_fittings(
        r##"[[part]]
name = "R1"
kind = "resistor"
between = ["J3.1", "U1.5"]
[[part]]
name = "r01"
kind = "bufer"
[[part]]
name = "R01"
kind = "resistor"
between = ["J3.2", "U1.6"]
"##,
    );
    let expected = r##"board.toml:24:8: `kind` is "bufer", expected resistor, switch, buffer or shifter
  24 | kind = "bufer"
     |        ^^^^^^^
  help: did you mean "buffer"?
board.toml:26:8: part R01 is there twice, first in line 18
  26 | name = "R01"
     |        ^^^^^
  help: give each part its own name; case and zero padding tell none apart"##;
    assert_eq!(seen, expected);
}

#[test]
fn a_buffer_has_from_and_to() {
    let seen = after_fittings(
        r##"[[part]]
name = "IC1"
kind = "buffer"
between = ["J3.1", "U1.5"]
ohms = 3
"##,
    );
    let expected = r##"board.toml:18:1: [[part]] has no `from`
  18 | [[part]]
     | ^^^^^^^^
  help: add from = "J3.5-12", the side that it listens to
board.toml:18:1: [[part]] has no `to`
  18 | [[part]]
     | ^^^^^^^^
  help: add to = "U1.40-47", the side that it drives
board.toml:21:1: a buffer has no `between`
  21 | between = ["J3.1", "U1.5"]
     | ^^^^^^^
  help: write from = "J3.5-12" and to = "U1.40-47"
board.toml:22:1: a buffer has no `ohms`
  22 | ohms = 3
     | ^^^^
  help: take the key out"##;
    assert_eq!(seen, expected);
}

#[test]
fn both_sides_of_a_part_need_as_many_pins() {
    let seen = after_fittings(
        r##"[[part]]
name = "IC2"
kind = "buffer"
from = "J3.5-7"
to = "U1.8-9"
enable = { pin = "ground", on = "hi" }
"##,
    );
    let expected = r##"board.toml:22:6: J3.5-7 names 3 pins and U1.8-9 names 2 pins
  22 | to = "U1.8-9"
     |      ^^^^^^^^
  help: both sides of a range need as many pins
board.toml:23:18: ground is not a pin
  23 | enable = { pin = "ground", on = "hi" }
     |                  ^^^^^^^^
  help: name a pin, such as U1.50
board.toml:23:33: `on` is "hi", expected high or low
  23 | enable = { pin = "ground", on = "hi" }
     |                                 ^^^^
  help: give `on` high or low"##;
    assert_eq!(seen, expected);
}

#[test]
fn a_resistor_has_two_sides() {
    let seen = after_fittings(
        r##"[[part]]
name = "R2"
kind = "resistor"
between = ["J3.1"]
[[part]]
name = "R3"
kind = "resistor"
[[part]]
name = "R4"
kind = "resistor"
between = ["J3.1", "J3.01"]
"##,
    );
    let expected = r##"board.toml:21:11: `between` wants two places and has 1
  21 | between = ["J3.1"]
     |           ^^^^^^^^
  help: write between = ["J3.1", "U1.12"]
board.toml:22:1: [[part]] has no `between`
  22 | [[part]]
     | ^^^^^^^^
  help: add between = ["J3.1", "U1.12"]
board.toml:28:20: both sides of the part are J3.1
  28 | between = ["J3.1", "J3.01"]
     |                    ^^^^^^^
  help: name the pins on both sides"##;
    assert_eq!(seen, expected);
}

#[test]
fn pulls_and_drivers() {
    let seen = after_fittings(
        r##"[[pull]]
pin = "J3.1"
[[pull]]
pin = "ground"
to = "hihg"
[[driver]]
pin = "nothing"
when = "sometimes"
"##,
    );
    let expected = r##"board.toml:18:1: [[pull]] has no `to`
  18 | [[pull]]
     | ^^^^^^^^
  help: add to = "high"
board.toml:21:7: ground is not a pin
  21 | pin = "ground"
     |       ^^^^^^^^
  help: name the pin that is pulled; where to is said by `to`
board.toml:22:6: `to` is "hihg", expected high or low
  22 | to = "hihg"
     |      ^^^^^^
  help: did you mean "high"?
board.toml:24:7: nothing is not a pin
  24 | pin = "nothing"
     |       ^^^^^^^^^
  help: name the pin that is driven
board.toml:25:8: `when` is "sometimes", expected always or powered
  25 | when = "sometimes"
     |        ^^^^^^^^^^^
  help: give `when` always or powered"##;
    assert_eq!(seen, expected);
}

#[test]
fn ties_join_two_pins() {
    let seen = after_fittings(
        r##"[[tie]]
[[tie]]
pins = ["pattern memory.1"]
[[tie]]
pins = ["pattern memory.1", "ground"]
"##,
    );
    let expected = r##"board.toml:18:1: [[tie]] has no `pins`
  18 | [[tie]]
     | ^^^^^^^
  help: add pins = ["pattern memory.1", "pattern memory.28"]
board.toml:19:1: a [[tie]] joins two pins or more
  19 | [[tie]]
     | ^^^^^^^
  help: write pins = ["pattern memory.1", "pattern memory.28"]
board.toml:22:29: ground is not a pin
  22 | pins = ["pattern memory.1", "ground"]
     |                             ^^^^^^^^
  help: tie pins; a pin on a rail is said in its connector"##;
    assert_eq!(seen, expected);
}

#[test]
fn guard_rules_that_cannot_be_kept() {
    let seen = after_fittings(
        r##"[guard]
never_drive = ["J3.1", "U1.6"]
hold = { "U1.6" = "high", "U1.5" = "low", "U1.7" = "on", "U2.3" = "high" }
"##,
    );
    let expected = r##"board.toml:19:16: J3.1 is not a device pin
  19 | never_drive = ["J3.1", "U1.6"]
     |                ^^^^^^
  help: name the device pin itself, such as U1.77
board.toml:20:10: U1.6 is held and in never_drive
  20 | hold = { "U1.6" = "high", "U1.5" = "low", "U1.7" = "on", "U2.3" = "high" }
     |          ^^^^^^
  help: take it out of one of the two
board.toml:20:27: U1.5 cannot be held: its boundary register has no driver for it
  20 | hold = { "U1.6" = "high", "U1.5" = "low", "U1.7" = "on", "U2.3" = "high" }
     |                           ^^^^^^
  help: name a pin that can be driven, or hold the line by other means
board.toml:20:52: `hold` is "on", expected high or low
  20 | hold = { "U1.6" = "high", "U1.5" = "low", "U1.7" = "on", "U2.3" = "high" }
     |                                                    ^^^^
  help: give `hold` high or low
board.toml:20:58: U2.3 cannot be held: U2 has no BSDL
  20 | hold = { "U1.6" = "high", "U1.5" = "low", "U1.7" = "on", "U2.3" = "high" }
     |                                                          ^^^^^^
  help: name its entity, or hold the line by other means"##;
    assert_eq!(seen, expected);
}

#[test]
fn a_wire_label_used_twice() {
    let seen = after_fittings(
        r##"[[wire]]
label = "W01"
from = "pattern memory.10"
to = "J3.1"
[[wire]]
label = "w1"
from = "pattern memory.11"
to = "J3.2"
"##,
    );
    let expected = r##"board.toml:23:9: wire w1 is there twice, first in line 19
  23 | label = "w1"
     |         ^^^^
  help: give each wire its own name; case and zero padding tell none apart"##;
    assert_eq!(seen, expected);
}

#[test]
fn a_pin_that_ends_two_wires() {
    let seen = after_fittings(
        r##"[[wire]]
label = "W1"
from = "pattern memory.10"
to = "J3.1"
[[wire]]
label = "W2"
from = "pattern memory.A0"
to = "j3.01"
"##,
    );
    let expected = r##"board.toml:24:8: pattern memory.10 ends two wires: W1 (line 18) and W2
  24 | from = "pattern memory.A0"
     |        ^^^^^^^^^^^^^^^^^^^
  help: mend the wrong row, or list the pin in a [[tie]] if they are joined on purpose
board.toml:25:6: J3.1 ends two wires: W1 (line 18) and W2
  25 | to = "j3.01"
     |      ^^^^^^^
  help: mend the wrong row, or list the pin in a [[tie]] if they are joined on purpose"##;
    assert_eq!(seen, expected);
}

#[test]
fn a_wire_to_a_pin_that_does_not_exist() {
    let seen = after_fittings(
        r##"[[wire]]
label = "W1"
from = "patern memory.3"
to = "J3.40"
[[wire]]
label = "W2"
from = "pattern memory.29"
to = "5 V"
[[wire]]
label = "W3"
from = "J3.1-3"
to = "J3.4"
"##,
    );
    let expected = r##"board.toml:20:8: patern memory.3: there is no device, connector or socket patern memory
  20 | from = "patern memory.3"
     |        ^^^^^^^^^^^^^^^^^
  help: did you mean `pattern memory`? the board has U1, U2, J3 and pattern memory
board.toml:21:6: connector J3 has no pin 40
  21 | to = "J3.40"
     |      ^^^^^^^
  help: it has 1 to 4, 21 and 22; mend the pin, or add it to `pins` of the [[connector]]
board.toml:24:8: socket pattern memory (27C256) has no pin 29
  24 | from = "pattern memory.29"
     |        ^^^^^^^^^^^^^^^^^^^
  help: it has 1 to 28, or by name VPP, A12, A7, A6, A5, A4 and 22 more
board.toml:25:6: "5 V" is no place
  25 | to = "5 V"
     |      ^^^^^
  help: write a pin as U1.12, J3.4 or pattern memory.10; else ground, supply 5 V or nothing
board.toml:28:8: "J3.1-3" names several pins where one is wanted
  28 | from = "J3.1-3"
     |        ^^^^^^^^
  help: name one pin"##;
    assert_eq!(seen, expected);
}

#[test]
fn a_wire_with_faulty_keys() {
    let seen = after_fittings(
        r##"[[wire]]
label = 7
from = "J3.2"
to = "J3.2"
kind = "suply"
[[wire]]
from = "J3.3"
"##,
    );
    let expected = r##"board.toml:19:9: `label` is a whole number, expected a string
  19 | label = 7
     |         ^
  help: write a text in quotes
board.toml:21:6: a wire goes from J3.2 to itself
  21 | to = "J3.2"
     |      ^^^^^^
  help: mend one end, or write nothing where it is left open
board.toml:22:8: `kind` is "suply", expected empty, button or supply
  22 | kind = "suply"
     |        ^^^^^^^
  help: did you mean "supply"?
board.toml:23:1: a wire has no `label`
  23 | [[wire]]
     | ^^^^^^^^
  help: add a label, such as W01
board.toml:23:1: a wire has no `to`
  23 | [[wire]]
     | ^^^^^^^^
  help: add a place, such as J3.1, or nothing"##;
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
    let expected = r##"board.toml:2:10: `format` is "2", expected 1
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

#[test]
fn a_bsdl_file_with_errors_names_the_first() {
    let scratch = Scratch::new();
    let text = super::loom("FRAYED_12").replace("\"DIP12\");", "\"DIP12\"");
    scratch.write("devices/frayed.bsd", &text);
    let seen = scratch.problems(&HEAD.replace("LOOM_12", "FRAYED_12"));
    let first = seen.lines().next().unwrap_or_default();
    let expected = "board.toml:7:10: the BSDL file of FRAYED_12, devices/frayed.bsd, has 1 error; the first, in line 3: ";
    assert!(
        first.starts_with(expected) && first.len() > expected.len(),
        "{seen}"
    );
    let help = "\n  help: mend the file there, or get a newer one from the maker";
    assert!(seen.ends_with(help), "{seen}");
}

#[test]
fn two_different_files_of_one_entity() {
    let scratch = Scratch::new();
    scratch.write("devices/old/loom.bsd", super::loom("loom_12"));
    let seen = scratch.problems(HEAD);
    let expected = r##"board.toml:7:10: LOOM_12 is described by two different files: devices/loom_12.bsd and devices/old/loom.bsd
  7 | entity = "LOOM_12"
    |          ^^^^^^^^^
  help: name the right file in `bsdl` of [board], before the folder"##;
    assert_eq!(seen, expected);
    // That mend works, and a copy of the same file is no trouble.
    let named = HEAD.replace("[\"devices\"]", "[\"devices/old/loom.bsd\", \"devices\"]");
    let board = scratch.load(&named).unwrap();
    assert_eq!(board.devices[0].entity.as_deref(), Some("loom_12"));
    scratch.write("devices/old/loom.bsd", super::loom("LOOM_12"));
    scratch.load(HEAD).unwrap();
}

#[test]
fn harness_rows_are_pointed_at_by_row_and_column() {
    let scratch = Scratch::new();
    scratch.write(
        "harness.csv",
        "label;colour;from;to;signal;kind\r\n\r\nW1;red;pattern memory.10;J3.1;A0;\r\nW01;;pattern memory.10;J3.99;;suply\r\n;red;;J3.2;;\r\n",
    );
    let seen = scratch.problems(&format!(
        "{}{FITTINGS}",
        HEAD.replace("format = 1", "format = 1\nharness = \"harness.csv\"")
    ));
    let expected = r##"harness.csv:4:1: wire W01 is there twice, first in line 3
  4 | W01;;pattern memory.10;J3.99;;suply
    | ^^^
  help: give each wire its own name; case and zero padding tell none apart
harness.csv:4:6: pattern memory.10 ends two wires: W1 (line 3) and W01
  4 | W01;;pattern memory.10;J3.99;;suply
    |      ^^^^^^^^^^^^^^^^^
  help: mend the wrong row, or list the pin in a [[tie]] if they are joined on purpose
harness.csv:4:24: connector J3 has no pin 99
  4 | W01;;pattern memory.10;J3.99;;suply
    |                        ^^^^^
  help: it has 1 to 4, 21 and 22; mend the pin, or add it to `pins` of the [[connector]]
harness.csv:4:31: `kind` is "suply", expected empty, button or supply
  4 | W01;;pattern memory.10;J3.99;;suply
    |                               ^^^^^
  help: did you mean "supply"?
harness.csv:5:1: a wire has no `label`
  5 | ;red;;J3.2;;
    | ^
  help: add a label, such as W01
harness.csv:5:6: a wire has no `from`
  5 | ;red;;J3.2;;
    |      ^
  help: add a place, such as pattern memory.10, or nothing"##;
    assert_eq!(seen, expected);
}

#[test]
fn a_board_file_that_is_not_there_or_no_text() {
    let error = super::Board::load("no/such/board.toml").unwrap_err();
    let expected = "cannot read the board file no/such/board.toml: no such file or directory
  help: give the path of a board file";
    assert_eq!(error.to_string(), expected);
    let scratch = Scratch::new();
    let path = scratch.write("board.toml", b"[board]\nname = \"\xff\"\n");
    let seen = super::Board::load(&path).unwrap_err().to_string();
    assert!(
        seen.ends_with(
            "board.toml: the board file is not UTF-8 text\n  help: save it as UTF-8 text"
        ),
        "{seen}"
    );
}

/// No cut, and no single changed byte, of a good board makes the reader panic.
#[test]
fn damaged_files_are_refused_or_read() {
    let scratch = Scratch::new();
    let whole = format!(
        "{HEAD}{FITTINGS}[[part]]\nname = \"R\"\nkind = \"buffer\"\nfrom = \"J3.5-6\"\nto = \"U1.8-9\"\nenable = {{ pin = \"U1.6\", on = \"low\" }}\n\
         [[wire]]\nlabel = \"W1\"\nfrom = \"pattern memory.10\"\nto = \"J3.1\"\n[guard]\nhold = {{ \"U1.7\" = \"high\" }}\n"
    );
    scratch.load(&whole).unwrap();
    for i in 0..whole.len() {
        let _ = scratch.load(&whole[..i]);
        let mut text = whole.clone().into_bytes();
        text[i] = b"\"\n-9."[i % 5];
        let _ = super::Board::load(scratch.write("board.toml", text));
    }
    let rows = b"label,colour,from,to,signal,kind\nW1,\"red\",pattern memory.10,J3.1,A0,\nW2,,nothing,J3.2,,button\n";
    for i in 0..rows.len() {
        for byte in [b'"', b'\n', b';', 0xff, 0] {
            let mut text = rows.to_vec();
            text[i] = byte;
            crate::board::harness::read("h.csv".into(), &text, &mut vec![]);
            crate::board::harness::read("h.csv".into(), &text[..i], &mut vec![]);
        }
    }
}
