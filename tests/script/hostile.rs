//! Hostile scripts are stopped in clear words.

use std::time::{Duration, Instant};

use super::{AS_DRAWN, Scratch, on_bench};

/// Longest that any of them may take.
const LONGEST: Duration = Duration::from_secs(60);

fn message(arguments: &[&str]) -> String {
    let began = Instant::now();
    let (exit, document) = on_bench(arguments, AS_DRAWN);
    assert!(
        began.elapsed() < LONGEST,
        "{arguments:?} took {:?}",
        began.elapsed()
    );
    assert_eq!(exit, 2, "{document:#}");
    document["error"]["message"]
        .as_str()
        .unwrap_or_default()
        .to_owned()
}

#[test]
fn loops_depth_and_sizes_have_limits() {
    let scratch = Scratch::new("hostile");
    let deep = "(".repeat(5000) + "1" + &")".repeat(5000);
    for (name, text, said) in [
        (
            "loop",
            "loop { }\n".to_owned(),
            "stopped after 10000000 operations",
        ),
        (
            "while",
            "let i = 0; while true { i += 1; }\n".to_owned(),
            "stopped after 10000000 operations",
        ),
        (
            "deep",
            "fn f(n) { f(n + 1) }\nf(0);\n".to_owned(),
            "functions call each other more than 32 deep",
        ),
        (
            "huge-text",
            "let s = \"tap\";\nloop { s += s; }\n".to_owned(),
            "larger than scripts may make it",
        ),
        (
            "huge-list",
            "let a = [1];\nloop { a += a; }\n".to_owned(),
            "larger than scripts may make it",
        ),
        (
            "huge-pad",
            "let a = [];\na.pad(2000000000, 0);\n".to_owned(),
            "larger than scripts may make it",
        ),
        ("nested", format!("let a = {deep};\n"), "nested.rhai:1:"),
        ("eval", "eval(\"1 + 1\");\n".to_owned(), "eval.rhai:1:"),
        (
            "steps",
            "loop { check(\"a\", true); }\n".to_owned(),
            "100000 steps",
        ),
    ] {
        let script = scratch.write(&format!("{name}.rhai"), text);
        let message = message(&["run", &script]);
        assert!(message.contains(said), "{name}: {message}");
    }
    let script = scratch.write("slow.rhai", "loop { }\n");
    let slow = message(&[
        "run",
        &script,
        "--max-seconds",
        "1",
        "--max-operations",
        "1000000000000",
    ]);
    assert!(slow.contains("stopped after 1 s"), "{slow}");
    let script = scratch.write("binary.rhai", [0xff, 0xfe, 0x00]);
    assert!(message(&["run", &script]).contains("is no text"));
    let script = scratch.write("large.rhai", vec![b' '; 2_000_000]);
    assert!(message(&["run", &script]).contains("scripts have at most"));
    assert!(message(&["run", "/"]).contains("no plain file"));
    assert!(message(&["run", "no-such.rhai"]).contains("cannot be read"));
}

#[test]
fn imports_stay_in_the_scripts_folder_whatever_tricks_are_played() {
    let scratch = Scratch::new("imports");
    let outside = Scratch::new("outside");
    outside.write("secret.rhai", "export const WORD = \"out\";\n");
    scratch.write("own.rhai", "export const WORD = \"own\";\n");
    scratch.write("self.rhai", "import \"self\" as s;\n");
    let secret = outside.0.join("secret").display().to_string();
    let relative = format!(
        "../{}/secret",
        outside.0.file_name().expect("a name").to_string_lossy()
    );
    let through = relative.replacen("..", "./folder/..", 1);
    #[cfg(unix)]
    {
        std::os::unix::fs::symlink(outside.0.join("secret.rhai"), scratch.0.join("link.rhai"))
            .expect("a link");
        std::os::unix::fs::symlink(&outside.0, scratch.0.join("folder")).expect("a link");
    }
    let import = |name: &str| format!("import {name:?} as m;\nrecord(\"word\", m::WORD);\n");
    let script = scratch.write("main.rhai", import("own"));
    let (exit, document) = on_bench(&["run", &script], AS_DRAWN);
    assert_eq!(
        (exit, &document["recorded"]["word"]),
        (0, &serde_json::Value::from("own")),
        "{document:#}"
    );
    for name in [&*secret, &relative, "link", "folder/secret", &through] {
        let script = scratch.write("main.rhai", import(name));
        let refused = message(&["run", &script]);
        assert!(
            refused.contains("outside of the script's folder"),
            "{name}: {refused}"
        );
        assert!(refused.contains("main.rhai:1:"), "{name}: {refused}");
        let folder = outside.0.display().to_string();
        let (exit, document) = on_bench(&["run", &script, "--allow-path", &folder], AS_DRAWN);
        assert_eq!(
            (exit, &document["recorded"]["word"]),
            (0, &serde_json::Value::from("out")),
            "{name}: {document:#}"
        );
    }
    let script = scratch.write("main.rhai", "import \"self\" as s;\n");
    assert!(message(&["run", &script]).contains("imported within itself"));
    let script = scratch.write("main.rhai", "import \"nowhere\" as s;\n");
    assert!(message(&["run", &script]).contains("cannot import"));
    // A name made at run time is held to the same.
    let script = scratch.write(
        "main.rhai",
        format!("let n = {secret:?};\nimport n as m;\n"),
    );
    assert!(message(&["run", &script]).contains("outside of the script's folder"));
}
