//! A run that is killed at a random moment leaves the board safe: the board itself, in another process, says so.

use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use serde_json::Value;

use super::{AS_DRAWN, BOARD, Scratch, program, root};

/// Scripts that never end by themselves, each busy with something else.
const BUSY: [(&str, &str); 4] = [
    (
        "drive",
        "loop { drive(\"W25\", \"high\"); drive(\"W25\", \"low\"); }",
    ),
    ("ring-out", "loop { ring_out(); }"),
    ("load", "loop { load(\"U1\", image); }"),
    ("vectors", "loop { vectors(\"table.csv\"); }"),
];

#[test]
fn killed_at_random_moments_the_board_is_left_safe() {
    let runs = match std::env::var("TAPLOOM_TESTS").as_deref() {
        Ok("full") => 100,
        _ => 10,
    };
    let scratch = Scratch::new("killed");
    scratch.write(
        "table.csv",
        "W25,W26,repeat\n1,0,50\n0,1,50\n1,1,50\n0,0,50\n",
    );
    let seed: u64 = std::env::var("TAPLOOM_SEED")
        .ok()
        .and_then(|s| s.parse().ok())
        .unwrap_or(20_261_125);
    let mut chance = seed;
    let mut next = |below: u64| {
        // Knuth's MMIX multiplier; the upper bits are good enough here.
        chance = chance
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (chance >> 33) % below
    };
    let mut in_extest = 0;
    for run in 0..runs {
        let (name, busy) = BUSY[run % BUSY.len()];
        let (signal, code) = [("INT", 130), ("TERM", 143)][(run / 2) % 2];
        let delay = Duration::from_micros(next(400_000));
        let what = format!("run {run}, seed {seed}, {name}, SIG{signal} after {delay:?}");
        let witness = one(&scratch, run, busy, delay, signal, code, &what);
        assert_eq!(witness["left_safe"], true, "{what}: {witness:#}");
        assert_eq!(witness["fights"], 0, "{what}: {witness:#}");
        in_extest += u64::from(witness["extest_updates"].as_u64() > Some(0));
    }
    println!("{runs} runs killed, seed {seed}, {in_extest} of them after EXTEST had been entered");
    assert!(
        in_extest as usize * 2 >= runs,
        "too few of the runs were driving: {in_extest}"
    );
}

/// The witness can say otherwise: a client that is killed without a chance to clean up leaves the pins driven.
#[test]
fn a_run_that_is_shot_is_not_called_safe() {
    let scratch = Scratch::new("shot");
    let busy = "drive(\"W25\", \"high\"); say(\"driven\"); loop { sense(\"W25\"); }";
    let witness = one(
        &scratch,
        0,
        busy,
        Duration::from_millis(300),
        "KILL",
        -1,
        "shot",
    );
    assert_eq!(witness["left_safe"], false, "{witness:#}");
}

fn one(
    scratch: &Scratch,
    run: usize,
    busy: &str,
    delay: Duration,
    signal: &str,
    code: i32,
    what: &str,
) -> Value {
    let socket = std::env::temp_dir().join(format!(
        "taploom-{}-{run}-{signal}.sock",
        std::process::id()
    ));
    let address = format!("unix:{}", socket.display());
    let witness = scratch.0.join(format!("witness-{run}.json"));
    let _ = std::fs::remove_file(&socket);
    let mut server = Ended(
        program(&[
            "simulate",
            AS_DRAWN,
            "--serve",
            &address,
            "--once",
            "--witness",
        ])
        .arg(&witness)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("the bench is served"),
    );
    let limit = Instant::now() + Duration::from_secs(60);
    while !socket.exists() {
        assert!(Instant::now() < limit, "{what}: the bench is not served");
        std::thread::sleep(Duration::from_millis(5));
    }
    let script = scratch.write(
        &format!("busy-{run}.rhai"),
        format!(
            "board({:?});\nlet image = {:?};\nscan();\nsay(\"busy now\");\n{busy}\n",
            root().join(BOARD).display().to_string(),
            root()
                .join("fixtures/knitting-machine/pattern-tap.bin")
                .display()
                .to_string(),
        ),
    );
    let mut child = Ended(
        program(&[
            "run",
            &script,
            "--tap",
            &address,
            "--machine",
            "off",
            "--yes",
            "--quiet",
        ])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program starts"),
    );
    let mut out = BufReader::new(child.0.stdout.take().expect("piped"));
    let mut line = String::new();
    while !line.contains("busy now") {
        line.clear();
        assert!(
            out.read_line(&mut line).expect("read") > 0,
            "{what}: it ended by itself"
        );
    }
    // The rest of what it says is read away, so that it never waits for us.
    let drain = std::thread::spawn(move || std::io::copy(&mut out, &mut std::io::sink()));
    std::thread::sleep(delay);
    let killed = Command::new("kill")
        .args([&format!("-{signal}"), &child.0.id().to_string()])
        .status();
    assert!(
        killed.is_ok_and(|s| s.success()),
        "{what}: it ended by itself"
    );
    let status = child.0.wait().expect("it ends");
    let _ = drain.join();
    assert_eq!(status.code().unwrap_or(-1), code, "{what}");
    server.0.wait().expect("the bench ends with its connection");
    let _ = std::fs::remove_file(&socket);
    document(&witness, what)
}

fn document(path: &Path, what: &str) -> Value {
    let text = std::fs::read_to_string(path).unwrap_or_else(|e| panic!("{what}: {e}"));
    serde_json::from_str(&text).unwrap_or_else(|e| panic!("{what}: {e}\n{text}"))
}

/// A process that does not outlive its test.
struct Ended(Child);

impl Drop for Ended {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}
