//! The transcript in the README is what the reader says.

use taploom_bsdl::{LineIndex, Options, parse};

const README: &str = include_str!("../README.md");

#[test]
fn the_transcript_is_true() {
    let good = README
        .split("br#\"")
        .nth(1)
        .unwrap()
        .split("\"#;")
        .next()
        .unwrap();
    assert_eq!(parse(good.as_bytes(), &Options::default()).diagnostics, []);
    let edits = [
        ("(6, 7)\";", "(6, 7)\""),
        ("PRELOAD (01)", "PRELOAD (001)"),
        (
            "BOUNDARY_LENGTH of LOOM : entity is 4",
            "BOUNDARY_LENGTH of LOOM : entity is 5",
        ),
        ("Q(0), output3", "Q(2), output3"),
        ("Q(1), output3, X, 2", "Q(1), output3, X, 3"),
    ];
    let mut text = good.to_owned();
    for (find, put) in edits {
        assert!(text.contains(find), "{find}");
        text = text.replacen(find, put, 1);
    }
    let lines = LineIndex::new(text.as_bytes());
    let said: Vec<_> = parse(text.as_bytes(), &Options::default())
        .diagnostics
        .iter()
        .map(|d| {
            let at = lines.place(d.primary.start);
            format!(
                "loom.bsd:{}:{}: {} [{}] {}",
                at.line, at.column, d.severity, d.code, d.message
            )
        })
        .collect();
    let shown: Vec<_> = README
        .lines()
        .filter(|l| l.starts_with("loom.bsd:") && l.contains(" [B"))
        .collect();
    assert_eq!(said, shown);
}
