//! Errors of BSDL and harness files, and of damaged ones.

use super::{FITTINGS, HEAD, Scratch};

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

/// No cut, and no changed byte, of a good board makes the reader panic, and every problem stands inside its line.
#[test]
fn damaged_files_are_refused_or_read() {
    let scratch = Scratch::new();
    let whole = format!(
        "{HEAD}{FITTINGS}[[part]]\nname = \"R\"\nkind = \"buffer\"\nfrom = \"J3.5-6\"\nto = \"U1.8-9\"\nenable = {{ pin = \"U1.6\", on = \"low\" }}\n\
         [[wire]]\nlabel = \"W1\"\nfrom = \"pattern memory.10\"\nto = \"J3.1\"\n[guard]\nhold = {{ \"U1.7\" = \"high\" }}\n"
    );
    scratch.load(&whole).unwrap();
    let try_it = |text: &[u8]| {
        if let Err(error) = super::Board::load(scratch.write("board.toml", text)) {
            assert!(!error.problems.is_empty());
            check_places(&error.problems);
        }
    };
    for i in (0..whole.len()).step_by(3) {
        try_it(&whole.as_bytes()[..i]);
        let mut text = whole.clone().into_bytes();
        text[i] = b"\"\n-9."[i / 3 % 5];
        try_it(&text);
    }
    let rows = b"label,colour,from,to,signal,kind\nW1,\"red\",pattern memory.10,J3.1,A0,\nW2,,nothing,J3.2,,button\n";
    for i in 0..rows.len() {
        for byte in [b'"', b'\n', b';', 0xff, 0] {
            let mut text = rows.to_vec();
            text[i] = byte;
            for text in [&text[..], &text[..i]] {
                let mut problems = Vec::new();
                crate::board::harness::read("h.csv".into(), text, &mut problems);
                check_places(&problems);
            }
        }
    }
}

fn check_places(problems: &[crate::board::Problem]) {
    for problem in problems {
        let at = &problem.at;
        let length = at.text.chars().count();
        let within = at.column + at.length <= length + 2 && at.column >= 1;
        assert!(at.line == 0 || within, "{problem}");
        assert!(!problem.help().is_empty());
    }
}

/// Each slip in a whole board is one message: what was meant is taken as meant, and nothing else is blamed for it.
#[test]
fn one_slip_is_one_problem() {
    let scratch = Scratch::new();
    let harness = "label,colour,from,to,signal,kind\nW1,red,pattern memory.10,J3.1,A0,\n";
    scratch.write("h.csv", harness);
    let head = HEAD.replace("format = 1", "format = 1\nharness = \"h.csv\"");
    let guard = "[guard]\nhold = { \"U1.7\" = \"high\" }\n";
    let whole = format!("{head}{FITTINGS}{guard}");
    scratch.load(&whole).unwrap();
    for (right, wrong) in [
        ("[board]", "[bord]"),
        ("bsdl = ", "bdsl = "),
        ("\"devices\"", "\"device\""),
        ("harness = ", "harnes = "),
        ("entity", "entitty"),
        ("LOOM_12", "LOOM_21"),
        ("ir_length", "irlength"),
        ("[[device]]\nname = \"U1\"", "[[device]]\nnmae = \"U1\""),
        ("[[connector]]", "[[conector]]"),
        ("pins", "pin"),
        ("shape", "shap"),
        ("27C256", "27C265"),
        ("hold", "holds"),
        ("U1.7\" = ", "U1.77\" = "),
    ] {
        let error = scratch.load(&whole.replacen(right, wrong, 1)).unwrap_err();
        assert_eq!(error.problems.len(), 1, "{wrong}: {error}");
    }
    for (right, wrong) in [
        ("from", "form"),
        ("label", "lable"),
        ("J3.1", "J3.17"),
        ("W1", ""),
        (".10", ".30"),
    ] {
        scratch.write("h.csv", harness.replacen(right, wrong, 1));
        let error = scratch.load(&whole).unwrap_err();
        assert_eq!(error.problems.len(), 1, "{wrong}: {error}");
    }
}
