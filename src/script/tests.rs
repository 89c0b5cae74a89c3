//! Tests of the room without a bench: texts, values, first scripts.

use std::path::Path;

use rhai::Dynamic;

use crate::board::Board;

use super::run::engine_for_syntax;
use super::*;

fn compile(text: &str) -> Result<Script, ScriptError> {
    Script::compile(Path::new("s.rhai"), text.to_owned(), &engine_for_syntax())
}

#[test]
fn errors_of_the_language_are_said_in_our_manner() {
    let error = compile("let a = 1;\nlet b = (2;\n").unwrap_err();
    let words = error.to_string();
    assert!(words.starts_with("s.rhai:2:"), "{words}");
    assert!(words.ends_with("\n  2 | let b = (2;"), "{words}");
    assert!(
        !words.contains("Expecting") && !words.contains(").\n"),
        "{words}"
    );
    let long = format!("let a = ({};\n", "x".repeat(100_000));
    let words = compile(&long).unwrap_err().to_string();
    assert!(
        words.len() < 1000,
        "a long line is cut: {} bytes",
        words.len()
    );
}

#[test]
fn values_are_plain_data_and_do_not_grow_without_end() {
    let mut deep = Dynamic::from_int(1);
    for _ in 0..200 {
        deep = Dynamic::from(vec![deep]);
    }
    let mut value = &Value::of(&deep);
    let mut depth = 0;
    while let Value::List(list) = value {
        value = &list[0];
        depth += 1;
    }
    assert_eq!((depth, value), (16, &Value::Text("…".into())));
    let engine = engine_for_syntax();
    let map: Dynamic = engine.eval("#{ b: [1, 2.5, true], a: \"x\" }").unwrap();
    let expected = Value::Map(vec![
        ("a".into(), Value::Text("x".into())),
        (
            "b".into(),
            Value::List(vec![Value::Int(1), Value::Float(2.5), Value::Bool(true)]),
        ),
    ]);
    assert_eq!(Value::of(&map), expected);
}

#[test]
fn a_first_script_compiles_whatever_the_board_has() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    for file in ["knitting-machine", "benchmark", "octal"] {
        let path = root.join("fixtures").join(file).join("board.toml");
        let board = Board::load(&path).unwrap();
        // A name with quotes and backslashes stays one text.
        let script = first_script(&board, "odd \"name\"\\board.toml");
        compile(&script).unwrap_or_else(|e| panic!("{file}: {e}\n{script}"));
        let script = first_script(&board, &path.display().to_string());
        let resolved = check_script(&compile(&script).unwrap(), &[], &[]);
        let wrong: Vec<_> = resolved.problems.iter().map(ToString::to_string).collect();
        assert_eq!((wrong, resolved.names > 0), (vec![], true), "{file}");
    }
}
