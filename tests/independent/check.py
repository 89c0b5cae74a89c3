"""Runs the program against the independent model and compares what it says with the truth.

    python3 check.py PROGRAM [--full] [--only PART] [--seed N]… [--keep FOLDER]

PARTs: model, scan, ringout, tangles, kills, loads, shifts, canaries. The quick run plays a few boards; the full one 50 random boards,
100 kills and every position and size of a load. The closing line is `N passed, N failed`; the exit status 1 if any failed.
Each failure prints how to do it again: `write_board.py`, `tap_server.py`, and the program's own command line.
"""

import argparse
import copy
import json
import os
import random
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time

import self_test
import tap_server
import write_board
from oracle import seen_by_one_driver_at_a_time
from tap_model import Board

PATIENCE = 60  # seconds that a run may take before it counts as a hang


class Check:
    """The program under test, where the boards go, and the tally."""

    def __init__(self, given):
        self.program = os.path.abspath(given.program)
        self.full, self.folder = given.full, given.folder
        self.passed, self.failed, self.left_out = 0, 0, []
        # A state folder of its own: what earlier runs proved must not matter here.
        self.environment = {**os.environ, "HOME": given.folder, "XDG_STATE_HOME": given.folder, "NO_COLOR": "1"}

    def case(self, name, problems, again=""):
        """Counts one case; its problems, if any, are told with the way to do it again."""
        if problems:
            self.failed += 1
            print(f"FAILED: {name}")
            for problem in problems:
                print(f"    {problem}")
            if again:
                print(f"    again: {again}")
        else:
            self.passed += 1

    def board(self, name, drawing):
        folder = os.path.join(self.folder, name)
        model, truth = drawing.build(folder)
        return folder, model, truth

    def run(self, model, arguments, kill=None):
        """Runs the program on the model; gives a `Run`. `kill` is (signal, after how many clock messages, or seconds)."""
        board = Board(model)
        listener, address = tap_server.listen("127.0.0.1:0")
        run = Run(arguments + ["--tap", address])
        started, accepted = threading.Event(), threading.Event()
        counted = [0]

        def before_answer(_):
            counted[0] += 1
            if kill and isinstance(kill[1], int) and counted[0] == kill[1]:
                started.wait()
                process.send_signal(kill[0])

        def serve():
            try:
                connection, _ = listener.accept()
            except OSError:
                return  # the program never came
            accepted.set()
            run.witness = tap_server.serve(connection, board, before_answer)

        server = threading.Thread(target=serve, daemon=True)
        server.start()
        begun = time.monotonic()
        process = subprocess.Popen([self.program] + run.arguments, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
                                   text=True, env=self.environment)
        started.set()
        try:
            if kill and isinstance(kill[1], float):
                time.sleep(kill[1])
                process.send_signal(kill[0])
            run.out, run.err = process.communicate(timeout=PATIENCE)
            run.exit = process.returncode
        except subprocess.TimeoutExpired:
            process.kill()
            run.out, run.err = process.communicate()
            run.exit = None
        run.seconds = time.monotonic() - begun
        if not accepted.wait(0.1):
            listener.shutdown(socket.SHUT_RDWR)  # wakes the server, which waits for a client that is gone
        server.join(PATIENCE)
        listener.close()
        return run

    def offers(self, command):
        """Does the program have this command? (They came one after another.)"""
        return subprocess.run([self.program, command, "--help"], capture_output=True).returncode == 0


class Run:
    """What one run said, and what the model saw."""

    def __init__(self, arguments):
        self.arguments = arguments
        self.out = self.err = ""
        self.exit, self.witness, self.seconds = None, None, 0.0

    def document(self, schema, problems):
        """The JSON document; what is wrong with its frame goes to `problems`."""
        if self.exit is None:
            problems.append(f"still running after {PATIENCE} s")
            return {}
        try:
            document = json.loads(self.out)
        except ValueError:
            problems.append(f"exit {self.exit}, stdout is not one JSON document: {self.out[:300]!r}; stderr: {self.err[:500]!r}")
            return {}
        if document.get("exit") != self.exit:
            problems.append(f"exit is {self.exit}, the document says {document.get('exit')!r}")
        if document.get("ok") != (self.exit == 0):
            problems.append(f"ok is {document.get('ok')!r} with exit {self.exit}")
        if not str(document.get("schema", "")).startswith(schema):
            problems.append(f"schema is {document.get('schema')!r}, expected {schema}…")
        if "error" in document:
            problems.append(f"error: {document['error']}")
        return document


# ---- what must hold


def board_kept(run, truth, problems):
    """What the board itself saw: no fight, left safe, nothing moved that must not."""
    w = run.witness
    if w is None:
        problems.append("the program never connected: " + run.err[:300])
        return
    if w["protocol_error"]:
        problems.append(f"bytes on the socket: {w['protocol_error']}")
    if w["fights"]:
        problems.append(f"{w['fights']} fights, at {w['fight_places']}")
    if not w["left_safe"]:
        problems.append(f"not left safe: {w['states']}, in test {w['in_test']}, driven {w['driven_by_test']}")
    moved = [p for p in truth["never_drive"] if p in w["ever_driven"]]
    if moved:
        problems.append(f"drove what must never be driven: {moved}")
    allowed = set(truth["always_on"]) | set(truth["hold"])
    if set(w["on_at_entry"]) - allowed:
        problems.append(f"drivers on when EXTEST came: {sorted(set(w['on_at_entry']) - allowed)}")
    if set(w["on_at_exit"]) - allowed:
        problems.append(f"drivers on when EXTEST ended: {sorted(set(w['on_at_exit']) - allowed)}")
    if w["max_switching"] > truth["max_switching"]:
        problems.append(f"{w['max_switching']} outputs changed in one update, at most {truth['max_switching']} may")
    if w["early_captures"]:
        problems.append(f"{w['early_captures']} captures under EXTEST before the line had settled")
    if w["not_held"]:
        problems.append(f"{w['not_held']} updates under EXTEST left a held pin: {truth['hold']}")
    for name, private in truth["private"].items():
        if set(private) & set(w["loaded"][name]):
            problems.append(f"a private instruction went into {name}")
        odd = [i for i in w["loaded"][name] if i[0] in "01"]
        if odd:
            problems.append(f"codes that no instruction has went into {name}: {odd}")


def scan_agrees(document, truth, problems):
    seen = document.get("devices", [])
    if len(seen) != len(truth["devices"]):
        problems.append(f"{len(seen)} devices, truth {len(truth['devices'])}")
    for k, (d, t) in enumerate(zip(seen, truth["devices"])):
        idcode = d.get("idcode")
        for key, value, expected in (
                ("position", d.get("position"), k + 1), ("name", d.get("name"), t["name"]),
                ("idcode", idcode and int(idcode, 16), t["idcode"] and int(t["idcode"], 16)),
                ("ir_length", d.get("ir_length"), t["ir_length"]), ("entity", d.get("entity"), t["entity"]),
                ("verdict", d.get("verdict"), t.get("verdict", "as declared"))):
            if value != expected:
                problems.append(f"device {k + 1}: {key} is {value!r}, truth {expected!r}")
    total = sum(t["ir_length"] for t in truth["devices"])
    seen_total = (document.get("chain") or {}).get("ir_length_total")
    if seen_total != total:
        problems.append(f"chain.ir_length_total is {seen_total!r}, truth {total}")


def wires_agree(document, truth, problems):
    """Verdicts and `with` against the truth; an ambiguous wire may say any verdict that theory allows."""
    seen = {w.get("label"): w for w in document.get("wires", [])}
    if set(seen) != set(truth["wires"]):
        problems.append(f"wires {sorted(seen)}, truth {sorted(truth['wires'])}")
    for label, t in truth["wires"].items():
        wire = seen.get(label)
        if wire is None:
            continue
        verdict, company = wire.get("verdict"), sorted(wire.get("with") or [])
        if verdict not in t["verdicts"]:
            problems.append(f"{label}: {verdict!r} with {company}, truth {t['verdicts']} with {t['with']}; "
                            f"evidence {json.dumps(wire.get('evidence'))[:400]}")
        told = {verdict} | {a.get("verdict") for a in wire.get("alternatives") or []}
        if not set(t.get("told", [])) <= told:
            problems.append(f"{label}: {verdict} or {sorted(told - {verdict})}, truth {t['told']}: they look alike")
        elif t["with"] is not None and company != sorted(t["with"]):
            problems.append(f"{label}: {verdict} with {company}, truth with {sorted(t['with'])}")
    expected = 0 if all(t["verdicts"] == ["good"] for t in truth["wires"].values()) else 1
    if document.get("exit") != expected:
        problems.append(f"exit {document.get('exit')}, truth {expected}")


# ---- the parts


RINGOUT = ["--by", "both-ends", "--machine", "off", "--yes", "--json"]


def play(check, name, drawing, parts, again):
    """Scans and rings out one board."""
    folder, model, truth = check.board(name, drawing)
    toml = os.path.join(folder, "board.toml")
    how = f"{again}; python3 tests/independent/tap_server.py FOLDER/model.json; taploom "
    if "scan" in parts:
        problems = []
        run = check.run(model, ["scan", toml, "--json"])
        scan_agrees(run.document("taploom.scan", problems), truth, problems)
        board_kept(run, truth, problems)
        if run.exit not in (0, None):
            problems.append(f"exit {run.exit}, truth 0")
        if run.witness and run.witness["ever_driven"]:
            problems.append(f"a scan drove {run.witness['ever_driven']}")
        check.case(f"scan of {name}", problems, how + "scan FOLDER/board.toml --json --tap ADDRESS")
    if "ringout" in parts:
        problems = []
        run = check.run(model, ["ringout", toml] + RINGOUT)
        document = run.document("taploom.ringout", problems)
        if document.get("wires"):
            wires_agree(document, truth, problems)
        elif not problems:
            problems.append("no wires in the document")
        board_kept(run, truth, problems)
        check.case(f"ringout of {name}, faults {[f['kind'] for f in truth['faults']]}", problems,
                   how + "ringout FOLDER/board.toml " + " ".join(RINGOUT) + " --tap ADDRESS")


def boards(check, parts, seeds):
    """The two-device board: healthy, each fault alone, some pairs, all at once; then random boards."""
    sets = [[]] + [[k] for k in write_board.FAULTS] + [list(write_board.FAULTS)]
    pairs = [[a, b] for i, a in enumerate(write_board.FAULTS) for b in write_board.FAULTS[i + 1:]]
    sets += pairs if check.full else pairs[::9]
    for faults in [] if seeds else sets:
        word = "+".join(faults) if len(faults) < 3 else "all"
        play(check, "fixed-" + (word or "healthy"), write_board.fixed(faults), parts,
             "python3 tests/independent/write_board.py FOLDER fixed " + ("all" if word == "all" else " ".join(faults)))
    if not seeds:
        bare = write_board.fixed(["misplaced"])
        bare.header = False
        play(check, "fixed-misplaced on a pin that the board file does not name", bare, parts, "check.py")
    for seed in seeds or range(1, 51 if check.full else 9):
        play(check, f"random-{seed}", write_board.drawn(seed), parts,
             f"python3 tests/independent/write_board.py FOLDER {seed}")


def wrong_chains(check):
    """The two-device board with another part, another version, and one device less on the chain."""
    def other(model, truth, digit, verdict):
        model["devices"][0]["idcode"] ^= digit
        return ("U1", verdict)

    for name, change in (("another-part", lambda m, t: other(m, t, 1 << 12, "wrong part")),
                         ("another-version", lambda m, t: other(m, t, 1 << 28, "wrong version")),
                         ("one-missing", lambda m, t: (m["devices"].pop(), ("U2", "missing"))[1])):
        folder, model, truth = check.board("chain-" + name, write_board.fixed([]))
        device, verdict = change(model, truth)
        if name == "one-missing":
            model["wires"] = []
            model["pulls"] = []
        run = check.run(model, ["scan", os.path.join(folder, "board.toml"), "--json"])
        problems = []
        verdicts = {d.get("name"): d.get("verdict") for d in run.document("taploom.scan", problems).get("devices", [])}
        if verdicts.get(device) != verdict:
            problems.append(f"{device} is {verdicts.get(device)!r}, truth {verdict!r}; all: {verdicts}")
        if run.exit != 1:
            problems.append(f"exit {run.exit}, truth 1; {run.err[:300]}")
        truth["private"] = {d["name"]: truth["private"][d["name"]] for d in model["devices"]}
        board_kept(run, truth, problems)
        check.case(f"scan of chain-{name}", problems)


def broken_chains(check):
    """A line of the chain that is cut (floats to 1) or shorted low, behind each device in turn: a finding or a chain that
    cannot be worked with; and no instruction is loaded on a chain whose TDI does not come through."""
    for seed in range(1, 21 if check.full else 4):
        folder, model, truth = check.board(f"broken-{seed}", write_board.drawn(seed))
        for k, device in enumerate(truth["devices"]):
            level = (seed + k) % 2
            model["broken_after"] = {device["name"]: level}
            run = check.run(model, ["scan", os.path.join(folder, "board.toml"), "--json"])
            problems = []
            document = run.document("taploom.scan", [])
            if run.exit not in (1, 3):
                problems.append(f"exit {run.exit}, truth 1 or 3; {run.out[:300]} {run.err[:300]}")
            if run.witness and any(run.witness["loaded"].values()):
                problems.append(f"instructions were loaded: {run.witness['loaded']}")
            board_kept(run, truth, problems)
            good = {d["name"] for d in truth["devices"][k + 1:]}
            for d in document.get("devices", []):
                if d.get("verdict") == "as declared" and d.get("name") not in good and d.get("idcode"):
                    problems.append(f"{d['name']} is said to answer, though the break is behind it")
                if d.get("name") in good and d.get("idcode") is None and next(
                        t["idcode"] for t in truth["devices"] if t["name"] == d["name"]):
                    problems.append(f"{d['name']} answers with its IDCODE, and is said not to: {d.get('verdict')}")
            check.case(f"scan of broken-{seed}, stuck at {level} behind {device['name']}", problems)


def blind_scans(check):
    """Without a board file: how many devices, their IDCODEs, the bits of all instruction registers."""
    for seed in range(101, 131 if check.full else 106):
        folder, model, truth = check.board(f"blind-{seed}", write_board.drawn(seed))
        run = check.run(model, ["scan", "--json"])
        problems = []
        document = run.document("taploom.scan", problems)
        seen = [d.get("idcode") and int(d["idcode"], 16) for d in document.get("devices", [])]
        expected = [d["idcode"] and int(d["idcode"], 16) for d in truth["devices"]]
        if seen != expected:
            problems.append(f"IDCODEs {seen}, truth {expected}")
        total, lengths = (document.get("chain") or {}).get("ir_length_total"), [d["ir_length"] for d in truth["devices"]]
        if total != sum(lengths):
            problems.append(f"chain.ir_length_total is {total!r}, truth {sum(lengths)}")
        for d, length in zip(document.get("devices", []), lengths):
            if d.get("ir_length") not in (None, length):
                problems.append(f"device {d.get('position')}: ir_length {d['ir_length']}, truth {length} or unknown")
        board_kept(run, truth, problems)
        if run.witness and any(set(i) - {"BYPASS"} for i in run.witness["loaded"].values()):
            problems.append(f"a blind scan loaded {run.witness['loaded']}")
        check.case(f"scan of blind-{seed}", problems)


def tangles(check, seeds):
    """Faults upon faults: a wire is good exactly where one driver at a time shows it so, untested exactly where no pin may
    show it; whatever else is said, there is no fight."""
    for seed in seeds or range(1, 151 if check.full else 21):
        drawing = write_board.tangled(seed)
        folder, model, truth = check.board(f"tangled-{seed}", drawing)
        shown = seen_by_one_driver_at_a_time(drawing, model)
        run = check.run(model, ["ringout", os.path.join(folder, "board.toml")] + RINGOUT)
        problems = []
        for wire in run.document("taploom.ringout", problems).get("wires", []):
            number = int(wire["label"][1:]) - 1
            sort = lambda verdict: verdict if verdict in ("good", "untested") else "bad"
            expected = "untested" if not drawing.testable(number) else sort(shown[wire["label"]][0])
            if sort(wire["verdict"]) != expected:
                problems.append(f"{wire['label']}: {wire['verdict']} with {wire.get('with')}, nets show {shown[wire['label']]}, "
                                f"truth {expected}; evidence {json.dumps(wire.get('evidence'))[:300]}")
        if not problems and run.exit != (0 if all(v == ("good", []) for v in shown.values()) else 1):
            problems.append(f"exit {run.exit}")
        board_kept(run, truth, problems)
        check.case(f"ringout of tangled-{seed}, faults {model['faults']}", problems,
                   f"python3 tests/independent/write_board.py FOLDER tangled {seed}; …")


def refusals(check):
    """Where driving is refused: machine not declared off, no consent, a line that moves though nothing should be alive.
    Exit 4, one document, and EXTEST never came."""
    folder, model, truth = check.board("refusals", write_board.fixed([]))
    toml = os.path.join(folder, "board.toml")
    alive = {**model, "moving": [model["wires"][9]["from"]]}
    for name, model_now, arguments in (
            ("machine unknown", model, ["--yes"]), ("machine on", model, ["--machine", "on", "--yes"]),
            ("no consent", model, ["--machine", "off"]), ("a line moves", alive, ["--machine", "off", "--yes"])):
        run = check.run(model_now, ["ringout", toml, "--by", "both-ends", "--json"] + arguments)
        problems = []
        document = run.document("taploom.ringout", [])
        if run.exit != 4 or document.get("exit") != 4 or not document.get("error", {}).get("message"):
            problems.append(f"exit {run.exit}, truth 4 with an error; {run.out[:400]} {run.err[:300]}")
        if run.witness:
            board_kept(run, truth, problems)
            if any({"EXTEST", "CLAMP"} & set(i) for i in run.witness["loaded"].values()):
                problems.append("EXTEST was loaded all the same")
        check.case(f"ringout refused: {name}", problems)


def kills(check, seeds):
    """Kills a ring-out, a load, a play and a scan at random moments: the exit status is the signal's, the board is left safe,
    and a load that was broken off has closed its device."""
    dice = random.Random(5)
    folder, model, truth = check.board("kill", write_board.fixed(["open", "swap", "stuck-low"]))
    board = os.path.join(folder, "board.toml")
    load_folder, load_model, load_truth, load = loading(check, "kill-load", "msb")
    image = os.path.join(load_folder, "image.bin")
    with open(image, "wb") as file:
        file.write(dice.randbytes(400_000))
    device = {d["name"]: d for d in load_model["devices"]}["U3"]
    select = {i: f"SIR {device['ir_length']} TDI ({int(device['opcodes'][i][0], 2):X});" for i in ("LOOM_OPEN", "LOOM_DATA", "LOOM_CLOSE")}
    lines = [select["LOOM_OPEN"], "RUNTEST 120 TCK;", select["LOOM_DATA"]]
    lines += [f"SDR 8000 TDI ({dice.getrandbits(8000):X});" for _ in range(400)] + [select["LOOM_CLOSE"], "RUNTEST 8 TCK;", ""]
    write_board.write(load_folder, "image.svf", "\n".join(lines))
    play = ["play", os.path.join(load_folder, "board.toml"), os.path.join(load_folder, "image.svf"), "--device", "U3",
            "--machine", "off", "--yes", "--json"]
    for job, count, a_model, a_truth, arguments in (
            ("play", 60 if check.full else 6, load_model, load_truth, play),
            ("ringout", 100 if check.full else 6, model, truth, ["ringout", board] + RINGOUT),
            ("load", 60 if check.full else 6, load_model, load_truth, load("U3", image)),
            ("scan", 20 if check.full else 2, model, truth, ["scan", board, "--json"])):
        whole = check.run(a_model, arguments)
        if whole.exit not in (0, 1) or not whole.witness:
            check.case(f"kills: the {job} to be killed", [f"exit {whole.exit}: {whole.out[:200]} {whole.err[:300]}"])
            continue
        stopped = 0
        for k in range(count):
            sent, code = dice.choice([(signal.SIGINT, 130), (signal.SIGTERM, 143)])
            # Half at a message of the run, half at a moment of the clock.
            moment = dice.randint(1, whole.witness["messages"]) if k % 2 == 0 else dice.uniform(0.01, whole.seconds)
            run = check.run(a_model, arguments, kill=(sent, moment))
            problems = []
            # Before the program had set up anything the signal itself ends it.
            if run.exit == code:
                stopped += 1
                document = run.document("taploom.", [])
                if document.get("exit") != code:
                    problems.append(f"no JSON document with exit {code}: {run.out[:300]!r}")
            elif not (run.exit == whole.exit and run.out) and not (run.exit == -sent and run.witness is None):
                problems.append(f"exit {run.exit}, truth {code}; {run.err[:300]}")
            if run.witness:
                board_kept(run, a_truth, problems)
                loaded = run.witness["loaded"].get("U3", [])
                if job == "load" and "LOOM_OPEN" in loaded and "LOOM_CLOSE" not in loaded:
                    problems.append("the load was broken off and the recipe's exit steps did not run")
            where = f"message {moment} of {whole.witness['messages']}" if isinstance(moment, int) else f"{moment:.3f} s"
            check.case(f"kill of {job} by {sent.name} at {where}", problems)
        print(f"kills: {stopped} of {count} runs of {job} stopped under way")
        if job != "scan":
            check.case(f"kills: some {job} was really stopped", [] if stopped * 5 > count else [f"only {stopped} of {count}"])


RECIPE = """[recipe]
format = 1
name = "a recipe for one test run"
entities = [{entities}]
source = "invented: tests/independent"
drives_pins = false

[image]
bits = "{order} first"

[[status]]
name = "LOOM_STATUS"
instruction = "LOOM_STATUS"
bits = 8
always = "1010XXXX"
flags = [
  {{ bit = 0, name = "READY", says = "an image may come" }},
  {{ bit = 2, name = "DONE", says = "the image is in", kind = "done" }},
  {{ bit = 3, name = "EARLY", says = "the image came too early", kind = "error" }},
]

[[load]]
instruction = "LOOM_OPEN"
clocks = 120
[[load]]
poll = "LOOM_STATUS"
is = {{ READY = 1 }}
ms = 10
[[load]]
instruction = "LOOM_DATA"
image = "send"
[[load]]
instruction = "LOOM_START"
clocks = 32
[[load]]
check = "LOOM_STATUS"
is = {{ DONE = 1 }}
[[load]]
instruction = "LOOM_CLOSE"
clocks = 8

[[exit]]
instruction = "LOOM_CLOSE"
clocks = 8
"""


def loaders(seed, count=4):
    """A chain of devices that all take images, no wires."""
    d = write_board.Drawing(seed)
    for k in range(count):
        d.device(f"U{k + 1}", loader=True)
        for _ in range(3):
            d.pin(f"U{k + 1}", "io_split")
    return d


def loading(check, name, order):
    """A board of four loaders with a recipe; gives folder, model, truth, and the arguments that load a device."""
    folder, model, truth = check.board(name, loaders(3))
    entities = ", ".join(f'"{d["entity"]}"' for d in truth["devices"])
    write_board.write(folder, "recipe.toml", RECIPE.format(entities=entities, order=order))
    board = os.path.join(folder, "board.toml")
    return folder, model, truth, lambda device, image: ["load", board, device, image, "--machine", "off", "--yes", "--json"]


def loads(check, seeds):
    """A raw image into each position of a four-device chain: what the target's register received, bit by bit."""
    sizes = [1, 2, 3, 17, 255, 10_000] if not check.full else [1, 2, 3, 4, 7, 8, 9, 31, 64, 255, 256, 1000, 4096, 10_000, 10_240,
                                                             100_001, 1 << 20]
    dice = random.Random(9)
    for order in ("msb", "lsb"):
        folder, model, truth, load = loading(check, "loads-" + order, order)
        names = [d["name"] for d in truth["devices"]]
        for position, name in enumerate(names):
            for size in sizes:
                image = dice.randbytes(size)
                path = os.path.join(folder, "image.bin")
                with open(path, "wb") as file:
                    file.write(image)
                run = check.run(model, load(name, path))
                problems = []
                document = run.document("taploom.load", problems)
                if run.exit not in (0, None):
                    problems.append(f"exit {run.exit}, truth 0; {run.err[:300]}")
                board_kept(run, truth, problems)
                if run.witness:
                    received_is(run.witness, names, position, image, order, problems)
                if document and document.get("payload_bits") != 8 * size:
                    problems.append(f"payload_bits {document.get('payload_bits')}, truth {8 * size}")
                if document and run.witness and document.get("tck_cycles", 0) > run.witness["cycles"]:
                    problems.append(f"tck_cycles {document.get('tck_cycles')}, the board saw {run.witness['cycles']}")
                check.case(f"load of {size} bytes, {order} first, into {name} of {len(names)}", problems)


def shifts(check):
    """Serial vectors made for one device alone, from one bit to a mebibyte, into each position: a recipe's image is a whole
    number of bytes, a file of serial vectors is not."""
    sizes = [1, 2, 3, 5, 7, 8, 9, 13, 31, 32, 33, 64, 65, 1000, 4097, 65_535, 65_536, 120_001, 524_289, 1 << 20, 8 << 20]
    dice = random.Random(10)
    folder, model, truth, _ = loading(check, "shifts", "lsb")
    names = [d["name"] for d in truth["devices"]]
    devices = {d["name"]: d for d in model["devices"]}
    for position, name in enumerate(names):
        device = devices[name]
        select = {i: f"SIR {device['ir_length']} TDI ({int(device['opcodes'][i][0], 2):X});"
                  for i in ("LOOM_OPEN", "LOOM_DATA", "LOOM_CLOSE")}
        for size in sizes:
            data = dice.getrandbits(size) | 1 << (size - 1)
            path = os.path.join(folder, "image.svf")
            write_board.write(folder, "image.svf", "\n".join([
                select["LOOM_OPEN"], "RUNTEST 120 TCK;", select["LOOM_DATA"], f"SDR {size} TDI ({data:X});",
                select["LOOM_CLOSE"], "RUNTEST 8 TCK;", ""]))
            arguments = ["play", os.path.join(folder, "board.toml"), path, "--device", name, "--machine", "off", "--yes", "--json"]
            run = check.run(model, arguments)
            problems = []
            document = run.document("taploom.play", problems)
            if run.exit not in (0, None):
                problems.append(f"exit {run.exit}, truth 0; {run.err[:300]}")
            board_kept(run, truth, problems)
            if run.witness:
                others = [o for o in names if o != name and run.witness["received"].get(o)]
                if others:
                    problems.append(f"{others} received something too")
                scans = [s for s in run.witness["received"].get(name, []) if s["register"] == "LOOM_DATA"]
                # Every bit of the scan passes: first what BYPASS captures, then a pad for each device towards TDO.
                pads = len(names) - 1
                if [s["bits"] for s in scans] != [size + pads]:
                    problems.append(f"{[s['bits'] for s in scans]} bits, truth {size + pads}")
                elif int(scans[0]["hex"], 16) != data << pads:
                    problems.append("other bits than the file's, or pads on the wrong side")
            if document and document.get("payload_bits") != size + 3 * device["ir_length"]:
                problems.append(f"payload_bits {document.get('payload_bits')}")
            check.case(f"serial vectors of {size} bits into {name} of {len(names)}", problems)


def received_is(witness, names, position, image, order, problems):
    """The bits that went into the register: one captured 0 for each device towards TDI, head pads at most one for each
    device towards TDO, then the image exactly, its last bit at the last clock."""
    for other in names:
        if other != names[position] and witness["received"].get(other):
            problems.append(f"{other} received something too")
    scans = [s for s in witness["received"].get(names[position], []) if s["register"] == "LOOM_DATA"]
    if len(scans) != 1:
        problems.append(f"{len(scans)} scans of LOOM_DATA, truth 1")
        return
    bits, value = scans[0]["bits"], int(scans[0]["hex"], 16)
    # Each byte's bits in the order they go: as one number whose bit 0 goes first.
    straight = image if order == "lsb" else bytes(int(f"{b:08b}"[::-1], 2) for b in image)
    expected = int.from_bytes(straight, "little")
    towards_tdi, towards_tdo = position, len(names) - 1 - position
    extra = bits - 8 * len(image)
    if not towards_tdi <= extra <= towards_tdi + towards_tdo:
        problems.append(f"{bits} bits for an image of {8 * len(image)}: {extra} more, truth {towards_tdi} to "
                        f"{towards_tdi + towards_tdo}")
    elif value >> extra != expected:
        wrong = value >> extra ^ expected
        problems.append(f"the image's bit {(wrong & -wrong).bit_length() - 1} is wrong, {wrong.bit_count()} in all")
    elif value & ((1 << towards_tdi) - 1):
        problems.append("the first bits were not the zeros that BYPASS captures: pads on the wrong side")
    if not witness["status"][names[position]] & 4:
        problems.append("the device itself is not done")


def canaries(check):
    """What these checks must catch: a wrong verdict, a wrong device, a fight, a board left in test, a wrong pad."""
    truth = {"wires": {"W01": {"verdicts": ["good"], "with": []}, "W02": {"verdicts": ["short"], "with": ["W03"]},
                       "W03": {"verdicts": ["short"], "with": ["W02"]}}}
    right = {"exit": 1, "wires": [{"label": "W01", "verdict": "good", "with": []},
                                  {"label": "W02", "verdict": "short", "with": ["W03"]},
                                  {"label": "W03", "verdict": "short", "with": ["W02"]}]}

    def caught(change, compare, document, truth):
        planted, problems = copy.deepcopy(document), []
        change(planted)
        compare(planted, truth, problems)
        return problems

    plants = {
        "false good": lambda d: d["wires"][1].update(verdict="good"),
        "false fault": lambda d: d["wires"][0].update(verdict="open"),
        "wrong company": lambda d: d["wires"][1].update({"with": ["W01"]}),
        "a wire left out": lambda d: d["wires"].pop(),
        "exit 0": lambda d: d.update(exit=0),
    }
    check.case("canary: the truth itself passes", caught(lambda d: None, wires_agree, right, truth))
    for name, change in plants.items():
        check.case(f"canary: {name}", [] if caught(change, wires_agree, right, truth) else ["not caught"])
    run, quiet = Run([]), {"protocol_error": None, "fights": 0, "fight_places": [], "left_safe": True, "states": {}, "in_test": [],
                           "driven_by_test": [], "ever_driven": [], "on_at_entry": [], "on_at_exit": [], "max_switching": 0,
                           "early_captures": 0, "not_held": 0, "loaded": {"U1": []}}
    kept = {"never_drive": ["U1.9"], "always_on": [], "hold": {}, "max_switching": 8, "private": {"U1": ["MILL_TEST"]}}
    for name, change in {"nothing": {}, "a fight": {"fights": 1}, "left in test": {"left_safe": False},
                         "never_drive": {"ever_driven": ["U1.9"]}, "drivers at entry": {"on_at_entry": ["U1.1"]},
                         "drivers at exit": {"on_at_exit": ["U1.1"]}, "nine at once": {"max_switching": 9},
                         "too early": {"early_captures": 1}, "not held": {"not_held": 1}, "private": {"loaded": {"U1": ["MILL_TEST"]}},
                         "undeclared": {"loaded": {"U1": ["0110"]}}}.items():
        problems = []
        run.witness = {**quiet, **change}
        board_kept(run, kept, problems)
        check.case(f"canary: {name}", [] if bool(problems) == bool(change) else [f"{problems}"])
    for shift, expected in ((2, True), (1, False), (3, False)):
        problems = []
        value = 0xA5 << shift
        received_is({"received": {"U3": [{"register": "LOOM_DATA", "bits": 10, "hex": f"{value:x}"}]}, "status": {"U3": 4}},
                    ["U1", "U2", "U3"], 2, b"\xa5", "lsb", problems)
        check.case(f"canary: image {shift} bits in", [] if (not problems) == expected else [f"{problems}"])


def main():
    arguments = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    arguments.add_argument("program")
    arguments.add_argument("--full", action="store_true")
    arguments.add_argument("--only", action="append", metavar="PART")
    arguments.add_argument("--seed", action="append", type=int, metavar="N", help="these random boards and no other")
    arguments.add_argument("--keep", dest="folder", metavar="FOLDER", help="write the boards here and leave them")
    given = arguments.parse_args()
    keep, given.folder = given.folder, given.folder or tempfile.mkdtemp(prefix="taploom-independent-")
    check = Check(given)
    parts = given.only or ["model", "canaries", "scan", "ringout", "tangles", "kills", "loads", "shifts"]
    try:
        if "model" in parts:
            check.case("the model against published tables", ["see above"] if self_test.main(quiet=True) else [])
        if "canaries" in parts:
            canaries(check)
        if {"scan", "ringout"} & set(parts):
            boards(check, parts, given.seed)
        if "scan" in parts and not given.seed:
            wrong_chains(check)
            broken_chains(check)
            blind_scans(check)
        if "tangles" in parts:
            tangles(check, given.seed)
        if "ringout" in parts and not given.seed:
            refusals(check)
        if "kills" in parts:
            kills(check, given.seed)
        if "loads" in parts:
            loads(check, given.seed)
        if "shifts" in parts:
            shifts(check)
    finally:
        if not keep:
            shutil.rmtree(given.folder, ignore_errors=True)
    print(f"{check.passed} passed, {check.failed} failed")
    return 1 if check.failed else 0


if __name__ == "__main__":
    sys.exit(main())
