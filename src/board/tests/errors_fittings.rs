//! Errors of connectors, sockets, parts, wires and guard rules, each with its exact text.

use super::{FITTINGS, HEAD, Scratch};

/// What is wrong with [`HEAD`] and `more`.
fn after_head(more: &str) -> String {
    Scratch::new().problems(&format!("{HEAD}{more}"))
}

/// What is wrong with [`HEAD`], [`FITTINGS`] and `more`.
fn after_fittings(more: &str) -> String {
    Scratch::new().problems(&format!("{HEAD}{FITTINGS}{more}"))
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
