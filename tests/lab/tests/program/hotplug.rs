//! Plugs that go in and out while the program waits; the system's driver, taken away and given back.

use std::time::{Duration, Instant};

use serde_json::Value;
use taploom::simulator::adapter::Model;
use taploom_lab::fuse::{Access, Lab, Run, Running};
use taploom_lab::personality::{Adapter, Nothing};

use super::bench::{Job, Scene, command, lab};
use super::healthy::{check, chips};

/// No wait here lasts so long unless it hangs.
const LIMIT: Duration = Duration::from_secs(40);
const SIGNALS: [(i32, i32); 2] = [(libc::SIGINT, 130), (libc::SIGTERM, 143)];

fn adapter(model: &Model) -> Box<Adapter> {
    Box::new(Adapter::new(model, 0, Box::new(Nothing)))
}

/// `adapters --wait`, when it waits.
fn waiting(lab: &Lab) -> Running {
    let mut running = lab
        .start(command(lab, &["adapters", "--wait", "30"]))
        .expect("the program starts");
    if !running.says("waiting for 30 s", Duration::from_secs(20)) {
        panic!("it does not wait: {:#?}", running.wait(LIMIT));
    }
    running
}

fn document(run: &Run) -> Value {
    serde_json::from_str(&run.stdout).unwrap_or_else(|e| panic!("one document: {e}\n{run:#?}"))
}

/// From an empty bus, and from one whose only adapter may not be opened.
#[test]
fn a_plug_is_noticed_while_waiting() {
    for replug in [false, true] {
        let Some(mut lab) = lab() else { return };
        let model = Model::ft2232h();
        let refused = replug.then(|| lab.plug(adapter(&model), Access::Refused));
        let mut running = waiting(&lab);
        let asked = if replug { "replug the" } else { "plug the" };
        assert!(running.says(asked, Duration::ZERO), "{replug}");
        if let Some(address) = refused {
            assert!(running.says("udevadm", Duration::ZERO), "no line to paste");
            lab.unplug(address);
        }
        let plugged = Instant::now();
        lab.plug(adapter(&model), Access::Free);
        let run = running.wait(LIMIT);
        let after = plugged.elapsed();
        println!("replug {replug}: noticed after {} ms", after.as_millis());
        assert_eq!(run.exit, Some(0), "{run:#?}");
        let document = document(&run);
        assert_eq!(document["adapters"][0]["serial"], "EMU2232H", "{run:#?}");
        assert_eq!(document["adapters"][0]["state"], "ready", "{run:#?}");
        assert!(after < Duration::from_secs(2), "{run:#?}");
        assert_eq!(lab.open_files(), 0);
    }
}

#[test]
fn a_signal_ends_the_wait_at_once() {
    for (signal, exit) in SIGNALS {
        for refused in [false, true] {
            let Some(mut lab) = lab() else { return };
            if refused {
                lab.plug(adapter(&Model::ft2232h()), Access::Refused);
            }
            let running = waiting(&lab);
            let sent = Instant::now();
            running.signal(signal);
            let run = running.wait(LIMIT);
            let after = sent.elapsed();
            assert_eq!(run.exit, Some(exit), "{run:#?}");
            assert!(after < Duration::from_secs(2), "{after:?} {run:#?}");
            let document = document(&run);
            assert_eq!(document["exit"], exit, "{run:#?}");
            let listed = document["adapters"].as_array().expect("a list").len();
            assert_eq!(listed, usize::from(refused), "{run:#?}");
            assert_eq!(lab.open_files(), 0);
        }
    }
}

/// The channel in use is taken from the system's driver, no other; back only on request.
#[test]
fn the_systems_driver_gets_its_channel_back_only_on_request() {
    for model in chips() {
        for reattach in [false, true] {
            let Some(scene) = Scene::new(&model, None, Access::Driver) else {
                return;
            };
            let more: &[&str] = if reattach { &["--reattach"] } else { &[] };
            let told = scene.job_with(Job::Scan, false, more);
            check(&scene, Job::Scan, &told);
            let what = format!("{} {reattach}: {:#?}", model.name, told.run);
            assert_eq!(scene.driver_holds(0), reattach, "{what}");
            for other in 1..scene.interfaces() {
                assert!(scene.driver_holds(other), "interface {other}: {what}");
            }
            assert_eq!(scene.standing().driven[0], 0, "{what}");
            assert_eq!(scene.lab.open_files(), 0, "{what}");
        }
    }
}

/// Also when it is broken off: by a signal in mid-load, with the board left safe first.
#[test]
fn a_signal_in_mid_load_leaves_the_board_safe_and_gives_the_driver_back() {
    for (signal, exit) in SIGNALS {
        let Some(scene) = Scene::new(&Model::ft2232h(), None, Access::Driver) else {
            return;
        };
        scene.lab.slow(scene.address, Duration::from_millis(20));
        let running = scene.start(Job::Load, &["--reattach"]);
        let began = Instant::now();
        while scene.standing().taken < 20_000 {
            assert!(began.elapsed() < LIMIT, "{:#?}", running.wait(LIMIT));
            std::thread::sleep(Duration::from_millis(1));
        }
        running.signal(signal);
        let run = running.wait(LIMIT);
        assert_eq!(run.exit, Some(exit), "{run:#?}");
        let (seen, standing) = (scene.witness.seen(), scene.standing());
        assert!(seen.left_safe(), "{run:#?}\n{seen:?}");
        assert_eq!((seen.fight_count, standing.driven[0]), (0, 0), "{run:#?}");
        assert!(scene.driver_holds(0), "{run:#?}");
        assert_eq!(scene.lab.open_files(), 0);
    }
}
