//! The functions that a script has, one for each command and a few of its own.
//!
//! A function that finds something wrong with the board ends the script, unless it is given `keep_going: true`; the step
//! counts as failed all the same. What ends a script cannot be caught by it.

use std::cell::RefCell;
use std::rc::Rc;

use rhai::{Array, Dynamic, Engine, EvalAltResult, ImmutableString, Map, NativeCallContext};

use crate::board::Board;
use crate::chain::Row;
use crate::ringout::RingOut;
use crate::session::{LoadWish, Read, Scanned};

use super::driving::level_word;
use super::state::{Done, State};
use super::steps::StepResult;
use super::{End, EndKind, Value};

type Shared = Rc<RefCell<State>>;
type Out<T> = Result<T, Box<EvalAltResult>>;

/// What `run --check` knows of a function of ours.
pub(super) struct Function {
    /// Its name.
    pub(super) name: &'static str,
    /// How many arguments it takes.
    pub(super) takes: std::ops::RangeInclusive<usize>,
    /// Names in the map that its last argument may be.
    pub(super) options: &'static [&'static str],
    /// Whether it works on the board.
    pub(super) needs_board: bool,
    /// How it is written.
    pub(super) example: &'static str,
}

const fn function(
    name: &'static str,
    takes: std::ops::RangeInclusive<usize>,
    options: &'static [&'static str],
    needs_board: bool,
    example: &'static str,
) -> Function {
    Function {
        name,
        takes,
        options,
        needs_board,
        example,
    }
}

/// Our functions, as `register` makes them.
#[rustfmt::skip]
pub(super) const FUNCTIONS: [Function; 17] = [
    function("board", 1..=1, &[], false, "board(\"board.toml\")"),
    function("scan", 0..=1, &["keep_going"], false, "scan()"),
    function("ring_out", 0..=1, &["by", "wires", "keep_going"], true, "ring_out(#{ wires: [\"W07\", \"W08\"] })"),
    function("load", 2..=3, &["force", "verify", "recipe", "keep_going"], true, "load(\"U1\", \"image.bin\")"),
    function("play", 1..=2, &["device", "no_compare", "keep_going"], true, "play(\"file.svf\")"),
    function("drive", 1..=2, &[], true, "drive(\"W25\", \"high\") or drive(#{ W25: \"high\", W26: \"low\" })"),
    function("release", 0..=1, &[], true, "release() or release(\"W25\")"),
    function("sense", 1..=1, &[], true, "sense(\"W25\") or sense([\"W25\", \"W26\"])"),
    function("wait", 1..=1, &[], false, "wait(0.5)"),
    function("wait_for", 3..=4, &["keep_going"], true, "wait_for(\"W25\", \"high\", 2.5)"),
    function("vectors", 1..=2, &["mission", "keep_going"], true, "vectors(\"table.csv\")"),
    function("record", 2..=2, &[], false, "record(\"builder\", \"nobody\")"),
    function("say", 1..=1, &[], false, "say(\"done\")"),
    function("ask", 2..=2, &[], false, "ask(\"Who is at the bench?\", \"nobody\")"),
    function("setting", 2..=2, &[], false, "setting(\"image\", \"image.bin\")"),
    function("check", 2..=3, &[], false, "check(\"lamp is lit\", sense(\"W25\") == \"high\")"),
    function("fail", 1..=1, &[], false, "fail(\"worn out\")"),
];

/// Runs a body on the state; what ends the script is kept there and stops the language for good.
fn on<T>(
    shared: &Shared,
    context: &NativeCallContext<'_>,
    body: impl FnOnce(&mut State, Option<usize>) -> Result<T, End>,
) -> Out<T> {
    let position = context.call_position();
    let mut state = shared.borrow_mut();
    body(&mut state, position.line()).map_err(|end| {
        state.end = Some(end);
        EvalAltResult::ErrorTerminated(Dynamic::UNIT, position).into()
    })
}

/// Options of a call: each is taken once, and none may be left over.
struct Options<'m> {
    function: &'static str,
    map: &'m Map,
    known: Vec<&'static str>,
}

impl<'m> Options<'m> {
    fn of(function: &'static str, map: &'m Map) -> Self {
        Options {
            function,
            map,
            known: Vec::new(),
        }
    }

    fn get(&mut self, name: &'static str) -> Option<&'m Dynamic> {
        self.known.push(name);
        self.map.get(name)
    }

    fn wrong(&self, name: &str, what: &str) -> End {
        End::input(format!("{name} of {} is {what}", self.function), "")
    }

    fn flag(&mut self, name: &'static str) -> Result<bool, End> {
        match self.get(name) {
            None => Ok(false),
            Some(v) => v.as_bool().map_err(|_| self.wrong(name, "true or false")),
        }
    }

    fn text(&mut self, name: &'static str) -> Result<Option<String>, End> {
        match self.get(name) {
            None => Ok(None),
            Some(v) => (v.clone().into_string())
                .map(Some)
                .map_err(|_| self.wrong(name, "a text")),
        }
    }

    fn texts(&mut self, name: &'static str) -> Result<Vec<String>, End> {
        match self.get(name) {
            None => Ok(Vec::new()),
            Some(v) => texts(v).ok_or_else(|| self.wrong(name, "a text or a list of texts")),
        }
    }

    fn finish(self) -> Result<(), End> {
        match self.map.keys().find(|k| !self.known.contains(&k.as_str())) {
            None => Ok(()),
            Some(key) => Err(End::input(
                format!("{} has no option {key}", self.function),
                format!("its options are {}", self.known.join(", ")),
            )),
        }
    }
}

fn texts(value: &Dynamic) -> Option<Vec<String>> {
    if let Ok(text) = value.clone().into_string() {
        return Some(vec![text]);
    }
    let list = value.as_array_ref().ok()?;
    list.iter().map(|v| v.clone().into_string().ok()).collect()
}

/// `high`, `low`, 1, 0, true, false.
pub(super) fn level(value: &Dynamic) -> Result<bool, End> {
    let read = match value.clone().into_string() {
        Ok(word) => match word.to_ascii_lowercase().as_str() {
            "high" | "1" => Some(true),
            "low" | "0" => Some(false),
            _ => None,
        },
        Err(_) => match (value.as_bool(), value.as_int()) {
            (Ok(b), _) => Some(b),
            (_, Ok(0)) => Some(false),
            (_, Ok(1)) => Some(true),
            _ => None,
        },
    };
    read.ok_or_else(|| {
        End::input(
            format!("{value} is no level"),
            "levels are \"high\" and \"low\"",
        )
    })
}

/// A time in seconds.
pub(super) fn seconds(value: &Dynamic) -> Result<f64, End> {
    let read = value
        .as_float()
        .or_else(|_| value.as_int().map(|n| n as f64));
    match read {
        Ok(s) if (0.0..=86_400.0).contains(&s) => Ok(s),
        _ => Err(End::input(
            format!("{value} is no time"),
            "times are seconds, 0 to 86400",
        )),
    }
}

fn plain<T>(value: T, says: impl Into<String>) -> Result<Done<T>, End> {
    Ok(Done::passed(value, says, StepResult::None))
}

/// Registers everything.
pub(super) fn register(engine: &mut Engine, shared: &Shared) {
    on_the_board(engine, shared);
    on_pins(engine, shared);
    beside(engine, shared);
    // The language's own would hold pins driven without looking whether to stop.
    engine.register_fn("sleep", |_: i64| no_sleep());
    engine.register_fn("sleep", |_: f64| no_sleep());
}

fn no_sleep() -> Result<(), Box<rhai::EvalAltResult>> {
    Err("there is no sleep here: wait(seconds) waits, and can be interrupted".into())
}

fn on_the_board(engine: &mut Engine, shared: &Shared) {
    let s = shared.clone();
    engine.register_fn(
        "board",
        move |c: NativeCallContext, file: &str| -> Out<Map> {
            on(&s, &c, |state, line| {
                let title = format!("board {file}");
                let board = state.step("board", title, line, false, |s| s.open_board(file))?;
                Ok(board_map(&board))
            })
        },
    );
    let scan = |s: &Shared, c: &NativeCallContext<'_>, options: &Map| -> Out<Map> {
        on(s, c, |state, line| {
            let mut o = Options::of("scan", options);
            let keep_going = o.flag("keep_going")?;
            o.finish()?;
            let scanned = state.step("scan", "scan".into(), line, keep_going, State::scan)?;
            Ok(scan_map(&scanned))
        })
    };
    let s = shared.clone();
    engine.register_fn("scan", move |c: NativeCallContext| {
        scan(&s, &c, &Map::new())
    });
    let s = shared.clone();
    engine.register_fn("scan", move |c: NativeCallContext, o: Map| scan(&s, &c, &o));
    let ring_out = |s: &Shared, c: &NativeCallContext<'_>, options: &Map| -> Out<Map> {
        on(s, c, |state, line| {
            let mut o = Options::of("ring_out", options);
            let by = o.text("by")?.unwrap_or_else(|| "both-ends".into());
            let wires = o.texts("wires")?;
            let keep_going = o.flag("keep_going")?;
            o.finish()?;
            let what = match wires.is_empty() {
                true => String::new(),
                false => format!(" of {}", wires.join(", ")),
            };
            let title = format!("ring-out{what}, {by}");
            let rung = state.step("ring_out", title, line, keep_going, |s| {
                s.ring_out(&by, &wires)
            })?;
            let board = state.board()?;
            Ok(ring_out_map(&rung, &board))
        })
    };
    let s = shared.clone();
    engine.register_fn("ring_out", move |c: NativeCallContext| {
        ring_out(&s, &c, &Map::new())
    });
    let s = shared.clone();
    engine.register_fn("ring_out", move |c: NativeCallContext, o: Map| {
        ring_out(&s, &c, &o)
    });
    let load = |s: &Shared, c: &NativeCallContext<'_>, device: &str, image: &str, options: &Map| {
        on(s, c, |state, line| {
            let mut o = Options::of("load", options);
            let (force, verify) = (o.flag("force")?, o.flag("verify")?);
            let recipe = o.text("recipe")?;
            let keep_going = o.flag("keep_going")?;
            o.finish()?;
            let wish = LoadWish { force, verify };
            let title = format!("load {image} into {device}");
            state.step("load", title, line, keep_going, |s| {
                s.load(device, image, recipe.as_deref(), wish)
            })
        })
    };
    let s = shared.clone();
    engine.register_fn(
        "load",
        move |c: NativeCallContext, device: &str, image: &str| -> Out<bool> {
            load(&s, &c, device, image, &Map::new())
        },
    );
    let s = shared.clone();
    engine.register_fn(
        "load",
        move |c: NativeCallContext, device: &str, image: &str, o: Map| -> Out<bool> {
            load(&s, &c, device, image, &o)
        },
    );
    let play = |s: &Shared, c: &NativeCallContext<'_>, file: &str, options: &Map| -> Out<Map> {
        on(s, c, |state, line| {
            let mut o = Options::of("play", options);
            let device = o.text("device")?;
            let no_compare = o.flag("no_compare")?;
            let keep_going = o.flag("keep_going")?;
            o.finish()?;
            let title = format!("play {file}");
            let played = state.step("play", title, line, keep_going, |s| {
                s.play(file, device.as_deref(), !no_compare)
            })?;
            Ok(map([
                ("compares", int(played.compares)),
                ("mismatches", int(played.mismatches.len() as u64)),
                ("bits_shifted", int(played.bits_shifted)),
            ]))
        })
    };
    let s = shared.clone();
    engine.register_fn("play", move |c: NativeCallContext, file: &str| {
        play(&s, &c, file, &Map::new())
    });
    let s = shared.clone();
    engine.register_fn("play", move |c: NativeCallContext, file: &str, o: Map| {
        play(&s, &c, file, &o)
    });
}

fn on_pins(engine: &mut Engine, shared: &Shared) {
    let s = shared.clone();
    engine.register_fn(
        "drive",
        move |c: NativeCallContext, pin: &str, to: Dynamic| -> Out<()> {
            on(&s, &c, |state, line| {
                let wanted = vec![(pin.to_owned(), level(&to)?)];
                state.step("drive", format!("drive {pin}"), line, false, |s| {
                    s.drive(wanted)
                })
            })
        },
    );
    let s = shared.clone();
    engine.register_fn("drive", move |c: NativeCallContext, pins: Map| -> Out<()> {
        on(&s, &c, |state, line| {
            let wanted: Vec<(String, bool)> = (pins.iter())
                .map(|(name, to)| Ok((name.to_string(), level(to)?)))
                .collect::<Result<_, End>>()?;
            let names: Vec<&str> = wanted.iter().map(|(n, _)| n.as_str()).collect();
            let title = format!("drive {}", names.join(", "));
            state.step("drive", title, line, false, |s| s.drive(wanted))
        })
    });
    let s = shared.clone();
    engine.register_fn("release", move |c: NativeCallContext| -> Out<()> {
        on(&s, &c, |state, line| {
            state.step("release", "release".into(), line, false, |s| {
                s.release(None)
            })
        })
    });
    let s = shared.clone();
    engine.register_fn(
        "release",
        move |c: NativeCallContext, pin: &str| -> Out<()> {
            on(&s, &c, |state, line| {
                let title = format!("release {pin}");
                state.step("release", title, line, false, |s| s.release(Some(pin)))
            })
        },
    );
    let s = shared.clone();
    engine.register_fn(
        "sense",
        move |c: NativeCallContext, pin: &str| -> Out<ImmutableString> {
            on(&s, &c, |state, line| {
                let names = [pin.to_owned()];
                let reads = state.step("sense", format!("sense {pin}"), line, false, |s| {
                    s.sense(&names)
                })?;
                Ok(level_word(reads[0].level).into())
            })
        },
    );
    let s = shared.clone();
    engine.register_fn(
        "sense",
        move |c: NativeCallContext, pins: Array| -> Out<Map> {
            on(&s, &c, |state, line| {
                let names = texts(&Dynamic::from(pins))
                    .ok_or_else(|| End::input("sense takes names of pins", ""))?;
                let title = format!("sense {}", names.join(", "));
                let reads: Vec<Read> =
                    state.step("sense", title, line, false, |s| s.sense(&names))?;
                let entries = reads
                    .iter()
                    .map(|r| (r.name.as_str().into(), level_word(r.level).into()));
                Ok(entries.collect())
            })
        },
    );
    let wait_for = |s: &Shared,
                    c: &NativeCallContext<'_>,
                    pin: &str,
                    to: &Dynamic,
                    time: &Dynamic,
                    o: &Map| {
        on(s, c, |state, line| {
            let mut o = Options::of("wait_for", o);
            let keep_going = o.flag("keep_going")?;
            o.finish()?;
            let (to, time) = (level(to)?, seconds(time)?);
            let title = format!("wait for {pin} {}", level_word(Some(to)));
            state.step("wait_for", title, line, keep_going, |s| {
                s.wait_for(pin, to, time)
            })
        })
    };
    let s = shared.clone();
    engine.register_fn(
        "wait_for",
        move |c: NativeCallContext, pin: &str, to: Dynamic, time: Dynamic| -> Out<bool> {
            wait_for(&s, &c, pin, &to, &time, &Map::new())
        },
    );
    let s = shared.clone();
    engine.register_fn(
        "wait_for",
        move |c: NativeCallContext, pin: &str, to: Dynamic, time: Dynamic, o: Map| -> Out<bool> {
            wait_for(&s, &c, pin, &to, &time, &o)
        },
    );
    let s = shared.clone();
    engine.register_fn(
        "wait",
        move |c: NativeCallContext, time: Dynamic| -> Out<()> {
            on(&s, &c, |state, line| {
                let time = seconds(&time)?;
                state.step("wait", format!("wait {time} s"), line, false, |s| {
                    s.pass_ns((time * 1e9) as u64)?;
                    plain((), "")
                })
            })
        },
    );
    let vectors = |s: &Shared, c: &NativeCallContext<'_>, file: &str, options: &Map| {
        on(s, c, |state, line| {
            let mut o = Options::of("vectors", options);
            let mission = o.texts("mission")?;
            let keep_going = o.flag("keep_going")?;
            o.finish()?;
            let title = format!("vectors {file}");
            let run = state.step("vectors", title, line, keep_going, |s| {
                s.vectors(file, &mission)
            })?;
            Ok(map([
                ("vectors", int(run.vectors)),
                ("compares", int(run.compares)),
                ("mismatches", int(run.mismatches)),
            ]))
        })
    };
    let s = shared.clone();
    engine.register_fn(
        "vectors",
        move |c: NativeCallContext, file: &str| -> Out<Map> { vectors(&s, &c, file, &Map::new()) },
    );
    let s = shared.clone();
    engine.register_fn(
        "vectors",
        move |c: NativeCallContext, file: &str, o: Map| -> Out<Map> { vectors(&s, &c, file, &o) },
    );
}

fn beside(engine: &mut Engine, shared: &Shared) {
    let s = shared.clone();
    engine.register_fn(
        "record",
        move |c: NativeCallContext, name: &str, value: Dynamic| -> Out<()> {
            on(&s, &c, |state, _| {
                if state.recorded.len() >= 10_000 {
                    return Err(End::input("the script records more than 10000 values", ""));
                }
                state.recorded.push((name.to_owned(), Value::of(&value)));
                Ok(())
            })
        },
    );
    let s = shared.clone();
    engine.register_fn(
        "say",
        move |c: NativeCallContext, text: Dynamic| -> Out<()> {
            on(&s, &c, |state, _| {
                state.stop_asked()?;
                state.listener.said(&text.to_string());
                Ok(())
            })
        },
    );
    let s = shared.clone();
    engine.register_fn(
        "ask",
        move |c: NativeCallContext, question: &str, default: Dynamic| -> Out<ImmutableString> {
            on(&s, &c, |state, line| {
                let default = default.to_string();
                let title = format!("ask: {question}");
                let answer = state.step("ask", title, line, false, |s| {
                    let answer = s.listener.ask(question, &default);
                    let result = StepResult::Value(Value::Text(answer.clone()));
                    Ok(Done::passed(answer.clone(), answer, result))
                })?;
                Ok(answer.into())
            })
        },
    );
    let s = shared.clone();
    engine.register_fn(
        "setting",
        move |c: NativeCallContext, name: &str, default: Dynamic| -> Out<Dynamic> {
            on(&s, &c, |state, _| {
                let set = state.setup.settings.iter().rev().find(|s| s.name == name);
                set.map_or(Ok(default.clone()), |s| like(&default, name, &s.value))
            })
        },
    );
    let check =
        |s: &Shared, c: &NativeCallContext<'_>, name: &str, good: bool, evidence: &Dynamic| {
            on(s, c, |state, line| {
                let evidence = Value::of(evidence);
                state.step("check", format!("check {name}"), line, false, |_| {
                    let mut says = match good {
                        true => String::new(),
                        false => "it is not so".to_owned(),
                    };
                    let shown = evidence.to_string();
                    if !shown.is_empty() {
                        says = match says.is_empty() {
                            true => shown,
                            false => format!("{says}: {shown}"),
                        };
                    }
                    Ok(Done::judged((), good, says, StepResult::Value(evidence)))
                })
            })
        };
    let s = shared.clone();
    engine.register_fn(
        "check",
        move |c: NativeCallContext, name: &str, good: bool| -> Out<()> {
            check(&s, &c, name, good, &Dynamic::UNIT)
        },
    );
    let s = shared.clone();
    engine.register_fn(
        "check",
        move |c: NativeCallContext, name: &str, good: bool, evidence: Dynamic| -> Out<()> {
            check(&s, &c, name, good, &evidence)
        },
    );
    let s = shared.clone();
    engine.register_fn(
        "fail",
        move |c: NativeCallContext, reason: &str| -> Out<()> {
            on(&s, &c, |state, line| {
                state.step("fail", "fail".into(), line, false, |_| {
                    Err::<Done<()>, End>(End::new(EndKind::Finding, reason, ""))
                })
            })
        },
    );
}

/// A setting's text as the kind of value that its default is.
fn like(default: &Dynamic, name: &str, text: &str) -> Result<Dynamic, End> {
    let wrong = |kind: &str| {
        End::input(
            format!("--set {name}={text}: {kind} is wanted"),
            "give it the kind of value that the script's default is",
        )
    };
    if default.is_int() {
        let n: i64 = text.parse().map_err(|_| wrong("a whole number"))?;
        return Ok(n.into());
    }
    if default.is_float() {
        let x: f64 = text.parse().map_err(|_| wrong("a number"))?;
        return Ok(x.into());
    }
    if default.is_bool() {
        let b: bool = text.parse().map_err(|_| wrong("true or false"))?;
        return Ok(b.into());
    }
    Ok(text.to_owned().into())
}

fn map<const N: usize>(entries: [(&str, Dynamic); N]) -> Map {
    entries.into_iter().map(|(k, v)| (k.into(), v)).collect()
}

fn int(n: u64) -> Dynamic {
    Dynamic::from_int(i64::try_from(n).unwrap_or(i64::MAX))
}

fn text(text: impl Into<ImmutableString>) -> Dynamic {
    Dynamic::from(text.into())
}

fn board_map(board: &Board) -> Map {
    let devices: Array = board.devices.iter().map(|d| text(&*d.name)).collect();
    let wires: Array = board.wires.iter().map(|w| text(&*w.label)).collect();
    map([
        ("name", text(&*board.name)),
        ("devices", devices.into()),
        ("wires", wires.into()),
    ])
}

fn scan_map(scanned: &Scanned) -> Map {
    let rows: &[Row] = scanned.comparison.as_ref().map_or(&[], |c| &c.rows);
    let devices: Array = (rows.iter())
        .map(|r| {
            map([
                ("name", text(&*r.name)),
                ("entity", text(r.entity.as_deref().unwrap_or_default())),
                ("verdict", text(r.verdict.as_str())),
            ])
            .into()
        })
        .collect();
    let as_declared = (scanned.comparison.as_ref()).is_some_and(|c| c.is_as_declared());
    map([
        ("as_declared", as_declared.into()),
        ("count", int(scanned.found.devices.len() as u64)),
        ("devices", devices.into()),
    ])
}

fn ring_out_map(rung: &RingOut, board: &Board) -> Map {
    let wires: Array = (rung.wires.iter())
        .map(|w| {
            let wire = &board.wires[w.wire.0];
            let with: Array = w.with.iter().map(|n| text(n.as_str())).collect();
            map([
                ("label", text(wire.label.as_str())),
                ("signal", text(wire.signal.as_str())),
                ("verdict", text(w.verdict.as_str())),
                ("partners", with.into()),
            ])
            .into()
        })
        .collect();
    let counts: Map = (rung.counts().into_iter())
        .map(|(verdict, n)| (verdict.into(), int(n as u64)))
        .collect();
    let good = rung.counts().get("good").copied().unwrap_or(0);
    map([
        ("all_good", rung.all_good().into()),
        ("good", int(good as u64)),
        ("counts", counts.into()),
        ("wires", wires.into()),
    ])
}
