//! At a terminal (a pseudo-terminal of Python's) the program asks before it drives, and scripts ask what they want to know.

use std::process::Command;

use super::{PROGRAM, Scratch, full, root};

/// Runs the program at a terminal and answers each question in turn; exit status and what was on the screen.
fn at_a_terminal(
    arguments: &[&str],
    answers: &[(&str, &str)],
    scratch: &Scratch,
) -> Option<(i32, String)> {
    const TERMINAL: &str = r"
import os, pty, select, sys, json
arguments, answers = json.loads(sys.argv[1]), json.loads(sys.argv[2])
child, terminal = pty.fork()
if child == 0:
    os.execv(arguments[0], arguments)
seen = b''
while True:
    ready, _, _ = select.select([terminal], [], [], 60)
    if not ready:
        sys.exit('nothing more came: ' + seen.decode())
    try:
        more = os.read(terminal, 65536)
    except OSError:
        break
    if not more:
        break
    seen += more
    if answers and answers[0][0].encode() in seen:
        os.write(terminal, (answers.pop(0)[1] + '\n').encode())
status = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
sys.stdout.write(seen.decode())
sys.exit(0 if status == 0 else 100 + status if status > 0 else 99)
";
    let words: Vec<&str> = [&[PROGRAM], arguments].concat();
    let out = Command::new("python3")
        .args([
            "-c",
            TERMINAL,
            &serde_json::to_string(&words).expect("JSON"),
            &serde_json::to_string(answers).expect("JSON"),
        ])
        .current_dir(root())
        .env("TAPLOOM_STATE", scratch.0.join("state"))
        .output();
    let Ok(out) = out else {
        assert!(!full(), "python3 is needed");
        return None;
    };
    let screen = String::from_utf8_lossy(&out.stdout).replace('\r', "");
    assert!(
        out.stderr.is_empty(),
        "{}\n{screen}",
        String::from_utf8_lossy(&out.stderr)
    );
    let code = out.status.code().expect("a status");
    Some((code.saturating_sub(100).max(code.min(1)), screen))
}

const BENCH: &str = "fixtures/knitting-machine/as-drawn.toml";
const BOARD: &str = "fixtures/knitting-machine/board.toml";

#[test]
fn it_asks_before_it_drives_and_only_yes_is_yes() {
    let scratch = Scratch::new("asks");
    let arguments = [
        "drive",
        BOARD,
        "W25=high",
        "--for",
        "1",
        "--machine",
        "off",
        "--simulate",
        BENCH,
    ];
    for (answer, exit, told) in [
        ("n", 4, "you did not consent; nothing was driven"),
        ("", 4, "you did not consent"),
        ("yes", 0, "1 pin driven for 1 s, then released"),
    ] {
        let Some((seen, screen)) = at_a_terminal(&arguments, &[("Go on? [y/N]", answer)], &scratch)
        else {
            return;
        };
        assert!(
            seen == exit && screen.contains(told),
            "{answer:?}: {seen}\n{screen}"
        );
        // What is asked comes with its cautions.
        assert!(
            screen.contains("switched off, unplugged from the mains"),
            "{screen}"
        );
    }
}

#[test]
fn a_script_asks_its_question_and_takes_the_default_for_nothing() {
    let scratch = Scratch::new("ask");
    let script = scratch.0.join("s.rhai");
    std::fs::write(
        &script,
        "let who = ask(\"Who is at the bench?\", \"nobody\");\nsay(\"hello \" + who);\n",
    )
    .expect("written");
    let script = script.display().to_string();
    for (answer, told) in [("Ada", "hello Ada"), ("", "hello nobody")] {
        let arguments = ["run", &script, "--simulate", BENCH];
        let question = "Who is at the bench? [nobody]";
        let Some((exit, screen)) = at_a_terminal(&arguments, &[(question, answer)], &scratch)
        else {
            return;
        };
        assert!(exit == 0 && screen.contains(told), "{exit}\n{screen}");
    }
}
