//! A commented script for a board.

use crate::board::Board;

/// A first script for a board: scan, ring out, load, with what else there is in comments. `board_file` is how the script
/// names the board: relative to where the script will stand.
pub fn first_script(board: &Board, board_file: &str) -> String {
    let loadable = board.devices.iter().find(|d| d.recipe.is_some());
    let wire = board
        .wires
        .iter()
        .find(|w| !w.signal.is_empty())
        .or(board.wires.first());
    let mut lines = vec![
        format!("// Bring-up of {}. Run it with", one_line(&board.name)),
        "//   taploom run FILE --machine off        (add --simulate BENCH to try it without hardware)".into(),
        "//   taploom run FILE --check               holds every name against the board, touches nothing".into(),
        "// A step that finds something wrong ends the script; keep_going: true goes on to the next line.".into(),
        String::new(),
        format!("board({board_file:?});"),
        noted("scan();", "every device as declared, or the script ends here"),
    ];
    if board.wires.is_empty() {
        lines.push(
            "// ring_out();                                  // once the board file has wires"
                .into(),
        );
    } else {
        lines.push(noted(
            "ring_out(#{ by: \"both-ends\" });",
            "every signal wire good",
        ));
    }
    match loadable {
        Some(device) => {
            let set = format!("let image = setting(\"image\", \"{}.bin\");", device.name);
            lines.push(noted(&set, "--set image=FILE"));
            let load = format!("// load({:?}, image);", &*device.name);
            lines.push(noted(&load, "take the slashes away when you have one"));
        }
        None => lines.push(
            "// play(\"test-configuration.svf\");              // what your design tools export"
                .into(),
        ),
    }
    if let Some(wire) = wire {
        let label = &wire.label;
        lines.extend([
            String::new(),
            "// Pins, wires and signals by name; levels stay until release() or the end of the script.".into(),
            format!("// drive({label:?}, \"high\");"),
            format!("// check(\"{label} reads high\", sense({label:?}) == \"high\", \"driven from one end, heard at the other\");"),
            noted(&format!("// wait_for({label:?}, \"low\", 2.5);"), "seconds"),
            "// release();".into(),
            noted("// vectors(\"table.csv\");", "cells 0 1 Z drive, H L X expect"),
        ]);
    }
    lines.push(String::new());
    lines.push("record(\"builder\", ask(\"Who is at the bench?\", \"nobody\"));".into());
    lines.push("say(\"done\");".into());
    lines.join("\n") + "\n"
}

/// A line with a note behind it; all notes begin in one column.
fn noted(code: &str, note: &str) -> String {
    format!("{code:<47} // {note}")
}

fn one_line(text: &str) -> String {
    text.chars().filter(|c| !c.is_control()).collect()
}
