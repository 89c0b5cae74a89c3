//! The fault matrix: chips × faults × commands. Every cell is what it should be, ends in time, and leaves the board safe
//! or says that it could not.

use std::collections::BTreeMap;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;

use taploom::simulator::adapter::Model;
use taploom_lab::fuse::Access;
use taploom_lab::personality::Fault;

use super::bench::{Job, Scene, Told, alone, full, lab};
use super::healthy::{check, chips};

/// What the driver says of its own patience: two seconds of silence; then half a second each for a request that is not
/// taken and for an engine that does not come in step. The rest is for machines with other work. The job's own time comes
/// on top, twice: bit-bang takes seconds for a ring-out.
const LONGEST: Duration = Duration::from_secs(8);
/// Bits that U1 hears before its image: one for each device between it and TDO that a scan pads for.
const PADS: u64 = 4;
/// Cells at once: most of them wait.
const WORKERS: usize = 8;

/// Something that goes wrong, as the table names it.
#[derive(Debug, Clone, Copy)]
struct Trouble {
    name: &'static str,
    happens: Happens,
    /// Words of the message, one of which must be there; none where the job must succeed all the same.
    says: &'static [&'static str],
    /// Whether the board must be left safe. Where not, the message must say so unless it is.
    safe: bool,
    /// Whether commands that were damaged on their way may have driven anything.
    damages: bool,
}

#[derive(Debug, Clone, Copy)]
enum Happens {
    /// A fault of the device when so many hundredths of the job's bytes have been taken.
    At(u64, fn(u64) -> Fault),
    /// Who else is at the device.
    Access(Access),
    /// The host takes so long for each transfer.
    Slow(Duration),
}

const fn at(
    name: &'static str,
    percent: u64,
    fault: fn(u64) -> Fault,
    says: &'static [&'static str],
) -> Trouble {
    Trouble {
        name,
        happens: Happens::At(percent, fault),
        says,
        safe: true,
        damages: false,
    }
}

const fn access(name: &'static str, access: Access, says: &'static [&'static str]) -> Trouble {
    Trouble {
        name,
        happens: Happens::Access(access),
        says,
        safe: true,
        damages: false,
    }
}

const GONE: &[&str] = &["is gone", "failed while the board was being left"];
const SILENT: &[&str] = &["did not answer", "then silence"];
const STALLED: &[&str] = &["refused a request"];
const CONFUSED: &[&str] = &["is out of step", "did not answer"];
/// Damage to one answer byte looks like a bad line; the words depend on which bit of which answer it was.
const DAMAGED: &[&str] = &["chain", "device", "wire", "is out of step", ""];

fn troubles() -> Vec<Trouble> {
    let unsafe_ = |t: Trouble| Trouble { safe: false, ..t };
    let damaging = |t: Trouble| Trouble { damages: true, ..t };
    vec![
        unsafe_(at("unplug early", 5, Fault::Unplug, GONE)),
        unsafe_(at("unplug", 50, Fault::Unplug, GONE)),
        unsafe_(at("unplug at the end", 99, Fault::Unplug, GONE)),
        unsafe_(at("hang", 50, Fault::Hang, SILENT)),
        unsafe_(at("freeze", 50, Fault::Freeze, SILENT)),
        at("stall OUT", 50, Fault::StallOut, STALLED),
        at("stall IN", 50, Fault::StallIn, STALLED),
        at("mode refused", 0, |_| Fault::Refuse(0x0b), STALLED),
        damaging(at("packet out lost", 50, Fault::LoseOut, CONFUSED)),
        damaging(at("packet out twice", 50, Fault::DoubleOut, CONFUSED)),
        at("packet in lost", 50, Fault::LoseIn, CONFUSED),
        at("packet in twice", 50, Fault::DoubleIn, CONFUSED),
        at("garbage in", 50, Fault::Garbage, CONFUSED),
        at("byte in damaged", 50, Fault::Corrupt, DAMAGED),
        at("power glitch", 50, Fault::Glitch, CONFUSED),
        Trouble {
            name: "slow host",
            happens: Happens::Slow(Duration::from_millis(3)),
            says: &[],
            safe: true,
            damages: false,
        },
        access("kernel driver", Access::Driver, &[]),
        access("claimed", Access::Busy, &["is busy"]),
        access("not allowed", Access::Refused, &["not allowed"]),
    ]
}

/// What came of a cell: what the table shows, and what is wrong with it.
struct Cell {
    shown: String,
    wrong: Vec<String>,
    took: Duration,
}

/// A job when nothing goes wrong.
struct Healthy {
    /// The bytes that it sends.
    bytes: u64,
    took: Duration,
}

fn try_out(model: &Model, trouble: &Trouble, job: Job, healthy: &Healthy) -> Option<Cell> {
    let (fault, access) = match trouble.happens {
        Happens::At(percent, fault) => (Some(fault(healthy.bytes * percent / 100)), Access::Free),
        Happens::Access(access) => (None, access),
        Happens::Slow(_) => (None, Access::Free),
    };
    let scene = Scene::new(model, fault, access)?;
    if let Happens::Slow(time) = trouble.happens {
        scene.lab.slow(scene.address, time);
    }
    // A device that may not be opened tells nobody its serial number.
    let told = scene.job(job, access == Access::Refused);
    Some(judge(&scene, trouble, job, &told, healthy.took))
}

fn judge(scene: &Scene, trouble: &Trouble, job: Job, told: &Told, work: Duration) -> Cell {
    let (seen, standing) = (scene.witness.seen(), scene.standing());
    let error = told.document["error"]["message"].as_str().unwrap_or("");
    let exit = told.run.exit.unwrap_or(-1);
    let mut wrong = Vec::new();
    let mut must = |holds: bool, what: &str| {
        if !holds {
            wrong.push(what.to_owned());
        }
    };
    must(
        !told.run.hung && told.run.took < 2 * work + LONGEST,
        "it took too long",
    );
    must(told.run.signal.is_none(), "a signal ended it");
    must(!told.run.stderr.contains("panicked"), "it panicked");
    must(
        told.document["exit"] == exit,
        "exit status and document differ",
    );
    let refused = matches!(trouble.happens, Happens::At(0, _));
    must(refused || !standing.fault_pending, "the fault never struck");

    let damaged = std::ptr::eq(trouble.says, DAMAGED);
    if trouble.says.is_empty() {
        must(exit == 0, "it should have succeeded");
    } else if !damaged {
        must(exit == 3, "the exit status should be 3");
        must(
            told.document["error"]["kind"] == "adapter",
            "the kind of the error",
        );
        must(told.document["error"]["help"].is_string(), "no help");
        must(
            trouble.says.iter().any(|w| error.contains(w)),
            "other words",
        );
    } else {
        // A damaged byte of the looks before EXTEST is a line that moves: refused.
        must(
            matches!(exit, 0 | 1 | 3) || exit == 4 && error.contains("EXTEST is refused"),
            "the exit status should be 0, 1 or 3, or EXTEST refused",
        );
    }
    if exit == 0 {
        check(scene, job, told);
    }

    // What is said of a load that was cut off, against what the device heard: pads of the devices towards TDO come first.
    let heard = seen.devices.iter().find(|d| d.name == "U1");
    if let (true, Some(most), Some(heard)) = (
        !trouble.safe,
        told.document["bytes_sent_at_most"].as_u64(),
        heard.map(|d| d.image_bits),
    ) {
        let least = told.document["bytes_sent_at_least"].as_u64();
        must(
            least.is_some_and(|n| n == 0 || 8 * n + PADS <= heard),
            "less of the image went in than was said",
        );
        must(
            heard <= 8 * most + PADS,
            "more of the image went in than was said",
        );
    }

    // The board's own record against what is said of it.
    let safe = seen.left_safe() && standing.driven[0] == 0;
    // Before the adapter is opened nothing is driven that was not driven before.
    let untouched = seen.tck_cycles == 0;
    let warned = error.contains("remove the board's power");
    let claimed = error.contains("lines are released") || exit == 0;
    must(safe || untouched || warned, "unsafe, and nothing said");
    must(safe || !claimed, "unsafe, and called safe");
    must(safe || untouched || !trouble.safe, "unsafe");
    must(!(warned && trouble.safe), "safe, and not known to be");
    must(
        seen.fight_count == 0 || trouble.damages,
        "drivers were set against each other",
    );

    let left = match (untouched, warned) {
        (_, true) => "said",
        (true, _) => "untouched",
        _ => "safe",
    };
    if !wrong.is_empty() {
        wrong.push(format!("{:#?}\n{:?}\n{standing:?}", told.run, seen.devices));
    }
    Cell {
        shown: format!("{exit} {left}"),
        wrong,
        took: told.run.took,
    }
}

/// A ring-out by bit-bang takes seven seconds: without `TAPLOOM_TESTS=full` only a few of them are tried.
fn is_long(model: &Model, trouble: &Trouble, job: Job) -> bool {
    let few = [
        "unplug",
        "hang",
        "packet out lost",
        "packet in twice",
        "claimed",
    ];
    model.mpsse_channels == 0 && job == Job::Ringout && !few.contains(&trouble.name)
}

/// Each job of each chip when nothing goes wrong.
fn healthy(models: &[Model]) -> Option<Vec<Vec<Healthy>>> {
    let of = |model: &Model, job| {
        let scene = Scene::new(model, None, Access::Free)?;
        let told = scene.job(job, false);
        assert_eq!(
            told.run.exit,
            Some(0),
            "{} {job:?}: {:#?}",
            model.name,
            told.run
        );
        Some(Healthy {
            bytes: scene.standing().taken,
            took: told.run.took,
        })
    };
    models
        .iter()
        .map(|m| Job::ALL.iter().map(|&job| of(m, job)).collect())
        .collect()
}

#[test]
fn every_fault_on_every_chip_in_every_command() {
    // One skip is said once.
    if lab().is_none() {
        return;
    }
    let _alone = alone();
    let (models, troubles) = (chips(), troubles());
    let healthy = healthy(&models).expect("the laboratory was there just now");
    let cells: Vec<_> = (0..troubles.len())
        .flat_map(|t| Job::ALL.map(|job| (t, job)))
        .flat_map(|(t, job)| (0..models.len()).map(move |m| (t, job, m)))
        .filter(|&(t, job, m)| full() || !is_long(&models[m], &troubles[t], job))
        .collect();
    let (next, done) = (AtomicUsize::new(0), Mutex::new(BTreeMap::new()));
    std::thread::scope(|scope| {
        for _ in 0..WORKERS {
            scope.spawn(|| {
                while let Some(&(t, job, m)) = cells.get(next.fetch_add(1, Ordering::Relaxed)) {
                    let cell = try_out(&models[m], &troubles[t], job, &healthy[m][job as usize])
                        .expect("the laboratory was there just now");
                    done.lock()
                        .expect("no cell panicked")
                        .insert((t, job, m), cell);
                }
            });
        }
    });
    let done = done.into_inner().expect("no cell panicked");

    println!(
        "exit status, and how the board was left: safe | said (the adapter is lost, and that is said) | untouched"
    );
    let names: Vec<_> = models.iter().map(|m| format!("{:13}", m.name)).collect();
    println!("{:18} {:8} {}", "", "", names.join(" "));
    let mut wrong = Vec::new();
    for (t, trouble) in troubles.iter().enumerate() {
        for job in Job::ALL {
            let row: Vec<_> = (0..models.len())
                .map(|m| {
                    let Some(cell) = done.get(&(t, job, m)) else {
                        return format!("{:13}", "(long)");
                    };
                    let mark = if cell.wrong.is_empty() { "" } else { " WRONG" };
                    if !cell.wrong.is_empty() {
                        let what = cell.wrong.join("; ");
                        wrong.push(format!(
                            "{} {job:?} {}: {what}",
                            trouble.name, models[m].name
                        ));
                    }
                    format!("{:13}", format!("{}{mark}", cell.shown))
                })
                .collect();
            let job = format!("{job:?}").to_lowercase();
            println!("{:18} {job:8} {}", trouble.name, row.join(" "));
        }
    }
    let longest = done.iter().max_by_key(|(_, cell)| cell.took);
    if let Some(((t, job, m), cell)) = longest {
        println!(
            "{} cells; the longest run: {:.1} s ({} {job:?} {}), limit {} s beside twice the job's own time",
            done.len(),
            cell.took.as_secs_f64(),
            troubles[*t].name,
            models[*m].name,
            LONGEST.as_secs()
        );
    }
    assert!(
        wrong.is_empty(),
        "{} cells are not as expected:\n{}",
        wrong.len(),
        wrong.join("\n")
    );
}
