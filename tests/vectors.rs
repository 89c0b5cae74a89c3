//! Serial vector files of other people's tools: read, counted, held against an independent
//! reader. The real files stay outside the project; `TAPLOOM_CORPUS` names their folder.

#![allow(clippy::print_stdout, reason = "tests print what they ran on")]

use std::fs::File;
use std::path::{Path, PathBuf};
use std::process::Command;

use taploom::bits::Bits;
use taploom::load::play::{ChainPads, PlayOptions, Played, play, rehearse};
use taploom::svf::Limits;
use taploom::tap::{Clocks, Level, Line, PortError, TapState};
use taploom::transport::Lowered;

fn options() -> PlayOptions<'static> {
    PlayOptions {
        limits: Limits::default(),
        keep_going: false,
        compare: true,
        pads: ChainPads::default(),
        tck_hz: 6_000_000,
        inspect: None,
        locate: None,
        spares: &[],
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

/// What the independent reader says that one scan expects.
struct Expected {
    line: u64,
    own_from: usize,
    own_len: usize,
    bits: Bits,
    mask: Bits,
}

fn independent_expectations(file: &Path) -> Vec<Expected> {
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/independent/svf_expect.py");
    let output = Command::new("python3")
        .arg(script)
        .arg(file)
        .output()
        .expect("python3 runs");
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    let mut rest = &output.stdout[..];
    let mut scans = Vec::new();
    while !rest.is_empty() {
        let (head, tail) = rest.split_at(16);
        let word = |i: usize| u32::from_le_bytes(head[i * 4..][..4].try_into().unwrap()) as usize;
        let size = word(3).div_ceil(8);
        let (bits, tail) = tail.split_at(size);
        let (mask, tail) = tail.split_at(size);
        scans.push(Expected {
            line: word(0) as u64,
            own_from: word(1),
            own_len: word(2),
            bits: Bits::from_bytes(bits, word(3)),
            mask: Bits::from_bytes(mask, word(3)),
        });
        rest = tail;
    }
    scans
}

/// A TAP that answers each scan with what the independent reader says is expected.
struct Mirror<'a> {
    scans: &'a [Expected],
    state: TapState,
    /// Scans begun so far.
    begun: usize,
    /// Bit of the present scan.
    at: usize,
    /// One answer to be turned: scan and bit.
    turned: Option<(usize, usize)>,
    /// Scans that were shorter or longer than expected.
    misfits: Vec<String>,
}

impl<'a> Mirror<'a> {
    fn new(scans: &'a [Expected], turned: Option<(usize, usize)>) -> Self {
        Mirror {
            scans,
            state: TapState::TestLogicReset,
            begun: 0,
            at: 0,
            turned,
            misfits: Vec::new(),
        }
    }

    fn ended(&mut self) {
        let Some(scan) = self.scans.get(self.begun - 1) else {
            self.misfits
                .push(format!("scan {} of {}", self.begun, self.scans.len()));
            return;
        };
        if self.at != scan.bits.len() {
            self.misfits.push(format!(
                "line {}: {} bits instead of {}",
                scan.line,
                self.at,
                scan.bits.len()
            ));
        }
    }
}

impl Clocks for Mirror<'_> {
    fn clock(&mut self, tms: &Bits, _tdi: &Bits) -> Result<Bits, PortError> {
        let mut tdo = Bits::with_capacity(tms.len());
        for tms in tms.iter() {
            let shifting = matches!(self.state, TapState::ShiftDr | TapState::ShiftIr);
            tdo.push(if shifting {
                // Behind a loop that repeats there are more scans than the reader counted.
                let scan = self.scans.get(self.begun - 1);
                let turned = self.turned == Some((self.begun - 1, self.at));
                let bit = scan.is_some_and(|s| self.at < s.bits.len() && s.bits.get(self.at));
                self.at += 1;
                bit != turned
            } else {
                true
            });
            self.state = self.state.next(tms);
            match self.state {
                // Explicit paths may pass Capture and leave at once: a scan begins with Shift.
                TapState::ShiftDr | TapState::ShiftIr if !shifting => {
                    self.begun += 1;
                    self.at = 0;
                }
                TapState::Exit1Dr | TapState::Exit1Ir if shifting => self.ended(),
                _ => {}
            }
        }
        Ok(tdo)
    }
    fn line(&mut self, _: Line, _: Level) -> Result<u8, PortError> {
        Ok(0)
    }
    fn sense(&mut self) -> Result<u8, PortError> {
        Ok(0)
    }
    fn pass(&mut self, _: u64) -> Result<(), PortError> {
        Ok(())
    }
}

fn play_on_mirror(
    file: &Path,
    scans: &[Expected],
    turned: Option<(usize, usize)>,
    options: &PlayOptions<'_>,
) -> Played {
    let mut port = Lowered::new(Mirror::new(scans, turned));
    let (played, error) = play(File::open(file).unwrap(), &mut port, options);
    assert!(error.is_none(), "{}: {}", file.display(), error.unwrap());
    let mirror = port.clocks();
    assert!(
        mirror.misfits.is_empty(),
        "{}: {}",
        file.display(),
        mirror.misfits[0]
    );
    if turned.is_none() {
        assert_eq!(mirror.begun, scans.len(), "{}", file.display());
    }
    played
}

#[test]
fn every_file_of_the_corpus_plays_on_its_mirror_and_one_turned_bit_is_found() {
    let Some(files) = corpus() else {
        println!("TAPLOOM_CORPUS is not set: no real files were played");
        return;
    };
    // Each file is played whole; the same bytes under another name are played once.
    let mut seen = std::collections::HashSet::new();
    let (mut compares, mut turned_found, mut played_files) = (0, 0, 0);
    for file in &files {
        if !seen.insert(std::fs::read(file).unwrap()) {
            continue;
        }
        let scans = independent_expectations(file);
        let quiet = play_on_mirror(
            file,
            &scans,
            None,
            &PlayOptions {
                compare: false,
                ..options()
            },
        );
        assert!(quiet.complete && quiet.mismatches.is_empty());
        let played = play_on_mirror(file, &scans, None, &options());
        assert!(
            played.complete && played.mismatches.is_empty(),
            "{}",
            file.display()
        );
        compares += played.compares;
        played_files += 1;
        // One compared bit, picked by the file's own name, is turned: it alone must be found.
        let name: u64 = file
            .file_stem()
            .unwrap()
            .to_string_lossy()
            .bytes()
            .map(u64::from)
            .sum();
        let candidates: Vec<usize> = (0..scans.len())
            .filter(|&i| !scans[i].mask.all(false))
            .collect();
        if candidates.is_empty() {
            continue;
        }
        let scan = candidates[name as usize % candidates.len()];
        let cared: Vec<usize> = (0..scans[scan].mask.len())
            .filter(|&b| scans[scan].mask.get(b))
            .collect();
        let bit = cared[name as usize * 31 % cared.len()];
        let going_on = PlayOptions {
            keep_going: true,
            ..options()
        };
        let played = play_on_mirror_loosely(file, &scans, (scan, bit), &going_on);
        let own = scans[scan].own_from..scans[scan].own_from + scans[scan].own_len;
        let [mismatch] = &played.mismatches[..] else {
            // In a loop the turned bit makes one round fail; the next one passes.
            assert!(
                played.loop_repeats > 0,
                "{}: {} mismatches",
                file.display(),
                played.mismatches.len()
            );
            continue;
        };
        assert_eq!(mismatch.at.line, scans[scan].line, "{}", file.display());
        if own.contains(&bit) {
            assert_eq!(mismatch.bits, [bit - own.start], "{}", file.display());
        } else {
            assert_eq!(
                (mismatch.bits.len(), mismatch.pad_bits),
                (0, 1),
                "{}",
                file.display()
            );
        }
        turned_found += 1;
    }
    println!(
        "{played_files} different SVF files played, {compares} compares passed, {turned_found} turned bits found at their place"
    );
    assert!(turned_found * 2 > played_files);
}

/// As [`play_on_mirror`], for runs in which a loop may repeat: scan numbers no longer agree
/// behind it, so only what came before is looked at.
fn play_on_mirror_loosely(
    file: &Path,
    scans: &[Expected],
    turned: (usize, usize),
    options: &PlayOptions<'_>,
) -> Played {
    let mut port = Lowered::new(Mirror::new(scans, Some(turned)));
    let (played, error) = play(File::open(file).unwrap(), &mut port, options);
    assert!(error.is_none(), "{}: {}", file.display(), error.unwrap());
    played
}
