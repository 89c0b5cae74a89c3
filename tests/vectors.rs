//! Serial vector files of other people's tools: read, counted, held against an independent
//! reader. The real files stay outside the project; `TAPLOOM_CORPUS` names their folder.

use std::fs::File;
use std::path::{Path, PathBuf};
use std::process::Command;

use taploom::load::play::{ChainPads, PlayOptions, Played, rehearse};
use taploom::svf::Limits;

fn options() -> PlayOptions<'static> {
    PlayOptions {
        limits: Limits::default(),
        keep_going: false,
        compare: true,
        pads: ChainPads::default(),
        tck_hz: 6_000_000,
        inspect: None,
    }
}

/// The SVF files of the corpus, if there is one.
fn corpus() -> Option<Vec<PathBuf>> {
    let folder = std::env::var_os("TAPLOOM_CORPUS")?;
    let folder = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join(folder)
        .join("svf");
    let mut files: Vec<PathBuf> = std::fs::read_dir(&folder)
        .unwrap_or_else(|e| panic!("TAPLOOM_CORPUS: {}: {e}", folder.display()))
        .map(|entry| entry.unwrap().path())
        .filter(|p| p.extension().is_some_and(|e| e == "svf"))
        .collect();
    files.sort();
    Some(files)
}

/// What the independent reader says of these files.
fn independent_totals(files: &[PathBuf]) -> Vec<serde_json::Value> {
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/independent/svf_totals.py");
    let output = Command::new("python3")
        .arg(script)
        .args(files)
        .output()
        .expect("python3 runs");
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    String::from_utf8(output.stdout)
        .unwrap()
        .lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect()
}

fn same(played: &Played, totals: &serde_json::Value) {
    let commands = serde_json::to_value(&played.commands).unwrap();
    assert_eq!(commands, totals["commands"]);
    for (ours, name) in [
        (played.bits_shifted, "bits_shifted"),
        (played.payload_bits, "payload_bits"),
        (played.compares, "compares"),
        (played.run_test_cycles, "run_test_cycles"),
    ] {
        assert_eq!(ours, totals[name].as_u64().unwrap(), "{name}");
    }
}

#[test]
fn every_file_of_the_corpus_is_read_and_counted_as_by_an_independent_reader() {
    let Some(files) = corpus() else {
        assert!(
            std::env::var("TAPLOOM_TESTS").as_deref() != Ok("full"),
            "a full run needs TAPLOOM_CORPUS"
        );
        println!("TAPLOOM_CORPUS is not set: no real files were read");
        return;
    };
    assert!(!files.is_empty());
    let totals = independent_totals(&files);
    let (mut statements, mut bits) = (0, 0);
    for (file, totals) in files.iter().zip(&totals) {
        let (played, error) = rehearse(File::open(file).unwrap(), &options());
        assert!(error.is_none(), "{}: {}", file.display(), error.unwrap());
        assert!(played.complete);
        same(&played, totals);
        statements += played.commands.values().sum::<u64>();
        bits += played.bits_shifted;
    }
    println!(
        "{} SVF files read, none left out: {statements} statements, {bits} bits",
        files.len()
    );
}

#[test]
fn the_independent_reader_agrees_on_a_file_of_ours() {
    let path = std::env::temp_dir().join(format!("taploom-vectors-{}.svf", std::process::id()));
    std::fs::write(
        &path,
        "! a comment; with (odd) signs\nHDR 3 TDI (0);\nTIR 5 TDI (1F);\nSIR 8 TDI (0A) TDO (01) MASK (03);\n\
         SDR 16 TDI (12 34)\n TDO (FF00);\nRUNTEST IDLE 200 TCK 1E-3 SEC;\nRUNTEST 0.5 SEC;\nLOOP 3;\n\
         SDR 16 TDO (FF01);\nENDLOOP;\nSTATE RESET;\n",
    )
    .unwrap();
    let (played, error) = rehearse(File::open(&path).unwrap(), &options());
    let totals = independent_totals(std::slice::from_ref(&path));
    std::fs::remove_file(&path).unwrap();
    assert!(error.is_none());
    same(&played, &totals[0]);
    assert_eq!(
        (played.compares, played.run_test_cycles, played.payload_bits),
        (3, 200, 40)
    );
}
