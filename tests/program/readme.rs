//! Every command of README.md is run as it is printed there, by a real shell in one go, and what it prints is what stands
//! there. A ready-made transcript runner would not do: the text goes through `cd`, here-documents and redirections, as its
//! reader does.
//!
//! `…` alone in a line stands for any lines, within a line for any text; times are not compared. Commands run in a copy of
//! what they need, with a home and a state folder of their own. Three commands have stand-ins, which look at their
//! arguments: `cargo run` and `cargo install` (the program is built already), and `tests/run` (this test would run itself).

use std::path::Path;
use std::process::Command;

use super::{PROGRAM, Scratch, root};

/// A command with the lines that stand below it, and the line in README.md.
struct Shown {
    line: usize,
    command: String,
    output: Vec<String>,
}

/// The commands in blocks marked `console`.
fn shown(readme: &str) -> Vec<Shown> {
    let mut all: Vec<Shown> = Vec::new();
    let (mut within, mut until): (bool, Option<String>) = (false, None);
    for (i, line) in readme.lines().enumerate() {
        if let Some(end) = &until {
            let last = all.last_mut().expect("a command is open");
            last.command += &format!("\n{line}");
            if line == end {
                until = None;
            }
        } else if line.starts_with("```") {
            within = !within && line == "```console";
        } else if within && let Some(command) = line.strip_prefix("$ ") {
            until =
                (command.split_once("<<'")).map(|(_, end)| end.trim_end_matches('\'').to_owned());
            all.push(Shown {
                line: i + 1,
                command: command.to_owned(),
                output: Vec::new(),
            });
        } else if within {
            all.last_mut()
                .expect("a command comes first")
                .output
                .push(line.to_owned());
        }
    }
    assert!(until.is_none() && !within, "a block stays open");
    all
}

/// Commands within the text: they are run as well, and none may be a wrong command line.
fn mentioned(readme: &str) -> Vec<String> {
    let text: Vec<&str> = readme.split("```").step_by(2).collect();
    let spans = text.iter().flat_map(|t| t.split('`').skip(1).step_by(2));
    let mut commands: Vec<String> = spans
        .filter(|s| s.starts_with("taploom ") || s.starts_with("tests/"))
        .map(str::to_owned)
        .collect();
    commands.sort();
    commands.dedup();
    commands
}

fn copy(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).expect("a folder");
    for entry in std::fs::read_dir(from).expect("a folder") {
        let path = entry.expect("an entry").path();
        let target = to.join(path.file_name().expect("a name"));
        match path.is_dir() {
            true => copy(&path, &target),
            false => drop(std::fs::copy(&path, &target).expect("copied")),
        }
    }
}

const STAND_INS: &str = r#"
cargo() {
  case "$*" in
    "run --release -- demo") taploom demo > demo.txt ;;
    "install --path .") test -f Cargo.toml ;;
    *) echo "no stand-in for cargo $*"; false ;;
  esac
}
"#;

/// Runs commands in one shell; gives for each its exit status and what it printed.
fn run(commands: &[String], scratch: &Scratch) -> Vec<(i32, String)> {
    let place = scratch.0.join("taploom");
    copy(&root().join("fixtures"), &place.join("fixtures"));
    for name in ["Cargo.toml", "README.md"] {
        std::fs::copy(root().join(name), place.join(name)).expect("copied");
    }
    std::fs::create_dir(place.join("tests")).expect("a folder");
    std::fs::write(place.join("tests/run"), "#!/bin/sh\ntest $# = 0\n").expect("written");
    let mut script = format!("{STAND_INS}chmod +x tests/run\n");
    for command in commands {
        script += &format!("{command}\nprintf '\\n@@ %d\\n' $?\n");
    }
    let file = scratch.0.join("commands.sh");
    std::fs::write(&file, &script).expect("written");
    let path = std::env::var("PATH").unwrap_or_default();
    let folder = Path::new(PROGRAM).parent().expect("a folder").display();
    let out = Command::new("bash")
        .args([
            "--norc",
            "-c",
            &format!("exec 2>&1; source {}", file.display()),
        ])
        .current_dir(&place)
        .env("PATH", format!("{folder}:{path}"))
        .env("HOME", scratch.0.join("home"))
        .env("TAPLOOM_STATE", scratch.0.join("state"))
        .env("NO_COLOR", "1")
        .output()
        .expect("bash is there");
    let text = String::from_utf8_lossy(&out.stdout).into_owned();
    let mut ran = Vec::new();
    let mut printed = String::new();
    for line in text.lines() {
        match line.strip_prefix("@@ ") {
            Some(status) => ran.push((
                status.parse().expect("a status"),
                std::mem::take(&mut printed),
            )),
            None => printed += &format!("{line}\n"),
        }
    }
    assert_eq!(ran.len(), commands.len(), "the shell ended early: {text}");
    ran
}

/// Times are what may differ from run to run.
fn plain(line: &str) -> String {
    let words: Vec<&str> = line.split(' ').collect();
    let mut plain: Vec<String> = Vec::new();
    for (i, word) in words.iter().enumerate() {
        let unit = words
            .get(i + 1)
            .map(|u| u.trim_end_matches([',', ';', '.']));
        match word.parse::<f64>().is_ok() && matches!(unit, Some("ms" | "s")) {
            true => {
                while plain.last().is_some_and(String::is_empty) {
                    plain.pop();
                }
                plain.push("#".to_owned());
            }
            false => plain.push((*word).to_owned()),
        }
    }
    plain.join(" ").replace("# ms", "# s").trim_end().to_owned()
}

/// Whether text fits a pattern in which `…` stands for anything.
fn fits(pattern: &str, text: &str) -> bool {
    match pattern.split_once('…') {
        None => pattern == text,
        Some((head, tail)) => {
            let Some(rest) = text.strip_prefix(head) else {
                return false;
            };
            (0..=rest.len()).any(|at| rest.is_char_boundary(at) && fits(tail, &rest[at..]))
        }
    }
}

fn lines_fit(pattern: &[String], lines: &[String]) -> bool {
    match pattern.split_first() {
        None => lines.is_empty(),
        Some((first, rest)) if first == "…" => {
            (0..=lines.len()).any(|at| lines_fit(rest, &lines[at..]))
        }
        Some((first, rest)) => match lines.split_first() {
            Some((line, more)) => fits(first, line) && lines_fit(rest, more),
            None => false,
        },
    }
}

fn trimmed(lines: impl Iterator<Item = String>) -> Vec<String> {
    let mut lines: Vec<String> = lines.skip_while(String::is_empty).collect();
    while lines.last().is_some_and(String::is_empty) {
        lines.pop();
    }
    lines
}

#[test]
fn every_command_of_the_readme_prints_what_stands_there() {
    let readme = std::fs::read_to_string(root().join("README.md")).expect("README.md");
    let shown = shown(&readme);
    assert!(shown.len() >= 20, "{} commands", shown.len());
    let scratch = Scratch::new("readme");
    let commands: Vec<String> = shown.iter().map(|s| s.command.clone()).collect();
    let ran = run(&commands, &scratch);
    let mut wrong = String::new();
    for (shown, (status, printed)) in shown.iter().zip(&ran) {
        let expected = trimmed(shown.output.iter().map(|l| plain(l)));
        let seen = trimmed(printed.lines().map(plain));
        // A command that is shown without output may print what it likes, but it has to end well.
        let silent = expected.is_empty();
        let fine = match silent {
            true => *status == 0,
            false => lines_fit(&expected, &seen) && matches!(status, 0 | 1),
        };
        if !fine {
            wrong += &format!(
                "README.md:{}: {} (exit {status})\n{}\n",
                shown.line,
                shown.command,
                seen.join("\n")
            );
        }
    }
    assert!(wrong.is_empty(), "{wrong}");
    println!("{} commands of README.md ran as printed", shown.len());
}

#[test]
fn commands_within_the_text_are_command_lines() {
    let readme = std::fs::read_to_string(root().join("README.md")).expect("README.md");
    let commands = mentioned(&readme);
    assert!(commands.len() >= 3, "{commands:?}");
    let scratch = Scratch::new("mentioned");
    for (command, (status, printed)) in commands.iter().zip(run(&commands, &scratch)) {
        assert!(
            status != 2 && status < 126,
            "{command}: exit {status}\n{printed}"
        );
    }
    let (exit, out, _) = super::taploom(&["help"]);
    assert_eq!(exit, 0);
    let table = readme
        .split("## The commands")
        .nth(1)
        .and_then(|t| t.split("\n## ").next());
    let table = table.expect("the table of commands");
    for line in out
        .lines()
        .filter(|l| l.starts_with("  ") && !l.trim_start().starts_with('-'))
    {
        let name = line.split_whitespace().next().unwrap_or_default();
        if line.starts_with(&format!("  {name} "))
            && name.chars().all(char::is_alphabetic)
            && name != "help"
            && name != "taploom"
        {
            assert!(
                table.contains(&format!("`{name}`")),
                "README.md does not list {name}"
            );
        }
    }
}

/// The comparison can tell: a changed word, a line too much, a missing one.
#[test]
fn the_comparison_is_no_rubber_stamp() {
    let lines = |text: &str| -> Vec<String> { text.lines().map(plain).collect() };
    let pattern = lines("a 12 ms b\n…\nlast …");
    assert!(lines_fit(&pattern, &lines("a    3 s b\nx\ny\nlast one")));
    assert!(lines_fit(&pattern, &lines("a 1 ms b\nlast one")));
    for other in [
        "a 12 ms c\nlast one",
        "a 12 ms b\nfirst",
        "a 12 ms b",
        "x\na 12 ms b\nlast one",
        "a 12 ms b\nlast one\nmore",
    ] {
        assert!(!lines_fit(&pattern, &lines(other)), "{other}");
    }
}
