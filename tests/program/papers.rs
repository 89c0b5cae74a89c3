//! Completions and the manual: real shells parse the one, `man` renders the other.

use std::path::Path;

use super::{Scratch, full, taploom, tool};

#[test]
fn shells_parse_the_completions() {
    let scratch = Scratch::new("completions");
    for (shell, ending, checks) in [
        ("bash", "bash", &["bash", "-n"][..]),
        ("zsh", "zsh", &["zsh", "-n"]),
        ("fish", "fish", &["fish", "--no-execute"]),
        ("powershell", "ps1", &[]),
        ("elvish", "elv", &[]),
    ] {
        let (exit, script, said) = taploom(&["completions", shell]);
        assert_eq!((exit, &*said), (0, ""), "{shell}");
        assert!(
            script.contains("ringout") && script.contains("vectors"),
            "{shell}: {script}"
        );
        let path = scratch.0.join(format!("taploom.{ending}"));
        std::fs::write(&path, script).expect("written");
        let Some((program, options)) = checks.split_first() else {
            continue;
        };
        let path = path.display().to_string();
        let ran = tool(program, &[options, &[&*path]].concat());
        assert!(
            ran.is_some() || *program != "bash" || !full(),
            "bash is needed"
        );
        if let Some(out) = ran {
            let said = String::from_utf8_lossy(&out.stderr);
            assert!(out.status.success() && said.is_empty(), "{shell}: {said}");
        }
    }
}

/// Bash is asked what it would complete.
#[test]
fn bash_completes_commands_and_options() {
    let scratch = Scratch::new("bash");
    let (_, script, _) = taploom(&["completions", "bash"]);
    let path = scratch.0.join("taploom.bash");
    std::fs::write(&path, script).expect("written");
    for (words, wanted) in [
        ("taploom ri", "ringout"),
        ("taploom ringout --allow-b", "--allow-brief-fights"),
        ("taploom run --until", "--until-fail"),
        ("taploom drive --machine o", "off"),
    ] {
        let typed: Vec<&str> = words.split(' ').collect();
        let (current, before) = (typed[typed.len() - 1], typed[typed.len() - 2]);
        let ask = format!(
            "source {}; COMP_WORDS=({words}); COMP_CWORD={}; _taploom taploom {current:?} {before:?}; printf '%s\\n' \"${{COMPREPLY[@]}}\"",
            path.display(),
            typed.len() - 1,
        );
        let Some(out) = tool("bash", &["--norc", "-c", &ask]) else {
            assert!(!full(), "bash is needed");
            return;
        };
        let replies = String::from_utf8_lossy(&out.stdout);
        assert!(
            replies.lines().any(|l| l == wanted),
            "{words}: {replies}{}",
            String::from_utf8_lossy(&out.stderr)
        );
    }
}

#[test]
fn man_renders_every_page_without_a_warning() {
    let scratch = Scratch::new("manual");
    let folder = scratch.0.join("man1");
    let (exit, _, said) = taploom(&["manual", &folder.display().to_string()]);
    assert_eq!(exit, 0, "{said}");
    let pages: Vec<_> = std::fs::read_dir(&folder)
        .expect("the folder")
        .map(|e| e.expect("an entry").path())
        .collect();
    assert!(pages.len() > 15, "{pages:?}");
    let mut rendered = 0;
    for page in &pages {
        let Some(shown) = render(page) else { continue };
        rendered += 1;
        let name = page
            .file_stem()
            .expect("a name")
            .to_string_lossy()
            .into_owned();
        let call = name.replacen('-', " ", 1);
        assert!(
            shown.contains("EXIT STATUS") && shown.contains("EXAMPLES"),
            "{shown}"
        );
        assert!(shown.contains(&call), "{name}: {shown}");
    }
    println!("{rendered} of {} pages rendered", pages.len());
    assert!(rendered == pages.len() || !full(), "man is needed");
    let (exit, first, _) = taploom(&["manual"]);
    let kept = std::fs::read_to_string(folder.join("taploom.1")).expect("the first page");
    assert_eq!((exit, first.trim_end()), (0, kept.trim_end()));
}

/// A page as text, if there is something here that renders it.
fn render(page: &Path) -> Option<String> {
    let page = page.display().to_string();
    let out = tool("man", &["--warnings=w", "--encoding=UTF-8", "-l", &page])
        .or_else(|| tool("mandoc", &["-W", "warning", "-T", "utf8", &page]))?;
    let said = String::from_utf8_lossy(&out.stderr);
    assert!(out.status.success() && said.is_empty(), "{page}: {said}");
    Some(String::from_utf8_lossy(&out.stdout).into_owned())
}
