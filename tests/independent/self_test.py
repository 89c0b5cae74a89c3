"""Holds the independent model against published tables and worked examples, over its own socket where bytes matter."""

import json
import os
import random
import tempfile
import threading

import tap_server
import write_board
from oracle import seen_by_one_driver_at_a_time
from tap_client import Client, lsb_first, number
from tap_model import NEXT, Board

TESTS = []


def test(function):
    TESTS.append(function)
    return function


def same(seen, expected, what=""):
    if seen != expected:
        raise AssertionError(f"{what}: expected {expected!r}, saw {seen!r}")


class Served:
    """A board behind its socket in a thread, and a client on it; `witness` afterwards."""

    def __init__(self, spec, unix=None):
        self.board = Board(spec)
        listener, self.address = tap_server.listen(f"unix:{unix}" if unix else "127.0.0.1:0")

        def run():
            connection, _ = listener.accept()
            listener.close()
            self.witness = tap_server.serve(connection, self.board)

        self.thread = threading.Thread(target=run, daemon=True)
        self.thread.start()

    def __enter__(self):
        self.client = Client(self.address)
        self.client.reset()
        return self.client

    def __exit__(self, *_):
        self.client.close()
        self.thread.join()


def plain(name, ir_length=4, idcode=None, capture=None, cells=(), **more):
    """A device of few words: EXTEST 0…00 (not with SAMPLE 0…10 mixed up), BYPASS all ones."""
    code = lambda v: [format(v, f"0{ir_length}b")]
    opcodes = {"EXTEST": code(0), "SAMPLE": code(2), "PRELOAD": code(2), "BYPASS": ["1" * ir_length]}
    if idcode is not None:
        opcodes["IDCODE"] = code(1)
    return {"name": name, "ir_length": ir_length, "ir_capture": capture or "0" * (ir_length - 1) + "1", "idcode": idcode,
            "opcodes": opcodes, "cells": [list(c) for c in cells], **more}


def octal(name):
    """The octal scan device 8374 of the 1994 and 2001 standards' sample (annex B): IR 8, boundary 18, no ID register."""
    cells = [[17, "BC_1", "1", "input", None, None, None], [16, "BC_1", "24", "input", None, None, None],
             [16, "BC_1", None, "control", None, None, None]]
    d, q = [23, 22, 21, 20, 19, 17, 16, 15], [2, 3, 4, 5, 7, 8, 9, 10]
    cells += [[15 - k, "BC_1", str(p), "input", None, None, None] for k, p in enumerate(d)]
    cells += [[7 - k, "BC_1", str(p), "output3", 16, 1, "Z"] for k, p in enumerate(q)]
    return {"name": name, "ir_length": 8, "ir_capture": "10000001", "idcode": None, "cells": cells, "opcodes": {
        "BYPASS": ["11111111", "10001000", "00000101", "10000100", "00000001"], "EXTEST": ["00000000", "10000000"],
        "SAMPLE": ["00000010", "10000010"], "PRELOAD": ["00000010", "10000010"], "HIGHZ": ["00000110", "10000110"],
        "CLAMP": ["00000111", "10000111"]}}


def chain(*devices, **more):
    return {"devices": list(devices), "wires": [], **more}


@test
def the_32_transitions():
    # IEEE 1149.1-2001 figure 6-1; TI SCBS067E page 5. Walked here by the model itself, through two devices at once.
    table = """TLR RTI TLR, RTI RTI SelDR, SelDR CapDR SelIR, CapDR ShDR Ex1DR, ShDR ShDR Ex1DR, Ex1DR PauDR UpdDR,
        PauDR PauDR Ex2DR, Ex2DR ShDR UpdDR, UpdDR RTI SelDR, SelIR CapIR TLR, CapIR ShIR Ex1IR, ShIR ShIR Ex1IR,
        Ex1IR PauIR UpdIR, PauIR PauIR Ex2IR, Ex2IR ShIR UpdIR, UpdIR RTI SelDR"""
    words = {"TLR": "Test-Logic-Reset", "RTI": "Run-Test/Idle", "SelDR": "Select-DR-Scan", "SelIR": "Select-IR-Scan"}
    for short, long in (("Cap", "Capture"), ("Sh", "Shift"), ("Ex1", "Exit1"), ("Pau", "Pause"), ("Ex2", "Exit2"),
                        ("Upd", "Update")):
        words.update({short + r: f"{long}-{r}" for r in ("DR", "IR")})
    walked = 0
    for row in table.split(","):
        start, *nexts = (words[w] for w in row.split())
        for tms, expected in enumerate(nexts):
            board = Board(chain(plain("U1", state=start), plain("U2", state=start)))
            board.clock(bytes([tms]), b"\1")
            same([d.state for d in board.devices], [expected] * 2, f"{start} on TMS {tms}")
            walked += 1
    same((walked, len(NEXT)), (32, 16))


@test
def clocks_to_reset_and_paths():
    # Clocks with TMS 1 to Test-Logic-Reset, per start; then the TMS strings (01100 is printed in Intel's guidelines).
    clocks = {"Test-Logic-Reset": 0, "Select-IR-Scan": 1, "Select-DR-Scan": 2, "Run-Test/Idle": 3}
    for state in NEXT:
        expected = clocks.get(state, 3 if state.startswith("Update") else 4 if state.startswith("Exit") else 5)
        at, n = state, 0
        while at != "Test-Logic-Reset":
            at, n = NEXT[at][1], n + 1
        same(n, expected, state)
    for start, end, tms in (("Test-Logic-Reset", "Shift-IR", "01100"), ("Test-Logic-Reset", "Shift-DR", "0100"),
                            ("Run-Test/Idle", "Shift-IR", "1100"), ("Run-Test/Idle", "Shift-DR", "100"),
                            ("Shift-DR", "Run-Test/Idle", "110"), ("Update-DR", "Shift-DR", "100"),
                            ("Update-DR", "Shift-IR", "1100"), ("Pause-DR", "Shift-DR", "10"),
                            ("Run-Test/Idle", "Test-Logic-Reset", "111")):
        board = Board(chain(plain("U1", state=start)))
        board.clock(bytes(map(int, tms)), bytes(len(tms)))
        same(board.devices[0].state, end, f"{start} by {tms}")


@test
def blind_discovery():
    # IEEE 1149.1-2001 clause 12: a 0 first is a BYPASS, a 1 starts an IDCODE; the marker (maker 0x7F) ends the chain.
    spec = chain(plain("U1", idcode=0x10002FFF), plain("U2"), plain("U3", 5, idcode=0x249511C3))
    with Served(spec) as c:
        c.moves("0100")
        out = c.clock([0] * 100, lsb_first(0x000000FF, 32) * 3 + [1] * 4)
        same(number(out[:32]), 0x249511C3, "nearest TDO")
        same(out[32], 0, "the part without an IDCODE")
        same(number(out[33:65]), 0x10002FFF, "nearest TDI")
        same(number(out[65:97]), 0xFF, "marker")


@test
def captured_instruction_bits():
    # A 4-bit part (0001) nearest TDO, then a 5-bit part (00001): 1 0 0 0 1 0 0 0 0. IEEE 1149.1-2001 clause 7.1.
    with Served(chain(plain("U1", 5), plain("U2", 4))) as c:
        same(c.scan("IR", [1] * 9), [1, 0, 0, 0, 1, 0, 0, 0, 0])
        # All in BYPASS: two zeros captured, and a single 1 comes out after exactly two clocks.
        same(c.scan("DR", [1, 0, 0, 0, 0]), [0, 0, 1, 0, 0])
    served = Served(chain(plain("U1", 4)))
    with served as c:
        c.scan("IR", lsb_first(9, 4))  # a code that nothing declares acts as BYPASS
        same(c.scan("DR", [1, 1, 0, 1, 0]), [0, 1, 1, 0, 1])
    same(served.witness["loaded"], {"U1": ["1001"]})


@test
def four_octals():
    # IR total 32, BYPASS total 4, boundary total 72; capture 10000001 each; one boundary scan of one part 18 + 5 TCK.
    served = Served(chain(*[octal(f"U{k}") for k in range(1, 5)]))
    with served as c:
        same(number(c.scan("IR", lsb_first(0x82828282, 32))), 0x81818181)
        out = c.scan("DR", [1] + [0] * 79)
        same(out[72:], [1] + [0] * 7, "72 boundary bits")
        c.scan("IR", lsb_first(0x84050188, 32))  # four codes that all mean BYPASS
        same(c.scan("DR", [1] + [0] * 7), [0, 0, 0, 0, 1, 0, 0, 0])
    same(served.witness["fights"], 0)
    one = Served(chain(octal("U1")))
    with one as c:
        c.scan("IR", lsb_first(0x82, 8))
        before = one.board.cycles
        c.scan("DR", [0] * 18)
        same(one.board.cycles - before, 18 + 5)


@test
def edges_and_updates():
    with Served(chain(plain("U1", 3, idcode=0x24D08501))) as c:
        # TDO is undriven outside Shift (pulled up: 1); bit 0 stands before the first rising edge in Shift.
        same(c.clock([0, 1, 0, 0, 0], [0] * 5), [1, 1, 1, 1, 1])
        c.moves("11111")
        c.state = "Test-Logic-Reset"
        # A pause within a scan loses nothing.
        c.moves("0100")
        first = c.clock([0] * 9 + [1], [0] * 10)
        c.moves("00010")
        rest = c.clock([0] * 21 + [1], [0] * 22)
        same(number(first + rest), 0x24D08501)
        c.moves("10")
        # Nothing is updated unless Update is passed: the IR is captured, then reset before Update.
        c.state = "Run-Test/Idle"
        same(number(c.scan("DR", [0] * 32)), 0x24D08501)


def two(kind_a, kind_b, faults=()):
    """U1 and U2, one pin of each wire of a pair, all inout with BC_1 input, output, control (off at 0)."""
    pins = lambda: [line for k in range(3) for line in (
        (3 * k, "BC_1", str(k + 1), "input", None, None, None), (3 * k + 1, kind_a, str(k + 1), "output3", 3 * k + 2, 0, "Z"),
        (3 * k + 2, kind_b, None, "controlr", None, None, None))]
    wires = [{"label": f"W{k + 1}", "from": f"U1.{k + 1}", "to": f"U2.{k + 1}"} for k in range(2)]
    return {"devices": [plain("U1", cells=pins()), plain("U2", cells=pins())], "wires": wires, "faults": list(faults)}


def image(**pins):
    """A boundary image of such a device: p1=0 drives pin 1 low."""
    value = 0
    for pin, level in pins.items():
        k = int(pin[1:]) - 1
        value |= 1 << 3 * k + 2 | level << 3 * k + 1
    return value


def reads(answer, device, pin):
    """The level an input cell captured; U2 is nearest TDO, nine cells a device."""
    return number(answer) >> (0 if device == "U2" else 9) + 3 * (pin - 1) & 1


def drive(c, u1=0, u2=0):
    """Puts an image out and captures: the scan after it brings the answer and drives the same again."""
    bits = lsb_first(u2, 9) + lsb_first(u1, 9)
    c.scan("DR", bits)
    c.wait(20_000)
    return c.scan("DR", bits)


def enter(c):
    c.scan("IR", lsb_first(0x22, 8))
    c.scan("DR", [0] * 18)
    c.scan("IR", [0] * 8)


def ring(faults):
    """A ring-out of two wires by hand: level heard at (U2.1, U2.2, U2.3) while U1.1, then U1.2, is driven 0 and 1."""
    heard = []
    served = Served(two("BC_1", "BC_1", faults))
    with served as c:
        enter(c)
        for pin in ("p1", "p2"):
            heard.append("".join(str(reads(drive(c, image(**{pin: level})), "U2", p)) for level in (0, 1) for p in (1, 2, 3)))
        drive(c)
        c.reset()
    same((served.witness["fights"], served.witness["left_safe"]), (0, True), str(faults))
    return heard


@test
def wires_and_faults():
    # Per driven pin: what U2.1, U2.2, U2.3 say at 0, then at 1. A dot stands for a floating line.
    def check(faults, *expected):
        for seen, wanted in zip(ring(faults), expected):
            same("".join("." if w == "." else s for s, w in zip(seen, wanted)), wanted, str(faults))

    check([], "0..1..", ".0..1.")
    check([{"kind": "swap", "wires": ["W1", "W2"]}], ".0..1.", "0..1..")
    check([{"kind": "misplaced", "wire": "W1", "pin": "U2.3"}], "..0..1", ".0..1.")
    check([{"kind": "stuck", "wire": "W2", "level": 1}], "01.11.", ".1..1.")
    for wins in ("and", "or", "strong"):
        check([{"kind": "short", "wires": ["W1", "W2"], "wins": wins}], "00.11.", "00.11.")
    opened = ring([{"kind": "open", "wire": "W1"}])[0]
    same(opened[0], opened[3], "a floating line keeps its charge")


@test
def pulls_take_time():
    spec = {**two("BC_1", "BC_1"), "pulls": [{"pin": "U2.1", "to": 1}]}
    with Served(spec) as c:
        enter(c)
        same(reads(drive(c, image(p1=0)), "U2", 1), 0)
        c.scan("DR", [0] * 18)
        same(reads(c.scan("DR", [0] * 18), "U2", 1), 0, "released, no time passed")
        c.wait(20_000)
        same(reads(c.scan("DR", [0] * 18), "U2", 1), 1, "released, time passed")


@test
def fights_are_counted():
    # The canary of the counter: two drivers at odds on one wire, and across a short; at one level they agree.
    for faults, u1, u2, expected in (([], image(p1=1), image(p1=0), 1), ([], image(p1=1), image(p1=1), 0),
                                     ([], image(p1=1, p2=0), 0, 0),
                                     ([{"kind": "short", "wires": ["W1", "W2"], "wins": "and"}], image(p1=1, p2=0), 0, 1)):
        served = Served(two("BC_1", "BC_1", faults))
        with served as c:
            enter(c)
            drive(c, u1, u2)
        same(served.witness["fights"], expected, f"{faults} {u1:b} {u2:b}")


@test
def unsafe_ends_are_seen():
    # The canary of the end state: closing in EXTEST with a driver on; and after a proper exit.
    for leave, expected in ((False, False), (True, True)):
        served = Served(two("BC_1", "BC_1"))
        with served as c:
            enter(c)
            drive(c, image(p1=1))
            if leave:
                c.reset()
        same(served.witness["left_safe"], expected)
        same(served.witness["driven_by_test"], [] if leave else ["U1.1"])
        same(served.witness["on_at_exit"], ["U1.1"] if leave else [])


@test
def an_unloaded_image_drives_at_random():
    # Without PRELOAD the latches hold anything: over 20 boards some driver comes on with EXTEST (CONTROL cells; CONTROLR ones let go).
    on = 0
    for seed in range(20):
        served = Served(json.loads(json.dumps({**two("BC_1", "BC_1"), "seed": seed}).replace("controlr", "control")))
        with served as c:
            c.scan("IR", [0] * 8)
        on += bool(served.witness["driven_by_test"])
    same(on > 10, True, f"{on} of 20")


@test
def cells_capture_by_their_table():
    # IEEE 1149.1-2001 package body: in EXTEST BC_2 outputs give their latch, BC_7 and BC_9 the pin while they drive.
    spec = {"wires": [{"label": "W1", "from": "U1.1", "to": "U1.2"}], "faults": [{"kind": "stuck", "wire": "W1", "level": 0}],
            "devices": [plain("U1", cells=[
                (0, "BC_2", "1", "output3", 1, 0, "Z"), (1, "BC_2", None, "control", None, None, None),
                (2, "BC_9", "2", "output3", 3, 0, "Z"), (3, "BC_1", None, "control", None, None, None),
                (4, "BC_7", "3", "bidir", 5, 0, "Z"), (5, "BC_1", None, "control", None, None, None)])]}
    with Served(spec) as c:
        c.scan("IR", lsb_first(2, 4))
        c.scan("DR", [0] * 6)
        c.scan("IR", [0] * 4)
        c.scan("DR", [1, 1, 0, 0, 0, 0])
        same(c.scan("DR", [0, 0, 1, 1, 0, 0])[:2], [1, 1], "BC_2: own latch, though the pin is held at 0")
        same(c.scan("DR", [0, 0, 0, 0, 1, 1])[2], 0, "BC_9: the pin, held at 0")
        same(c.scan("DR", [0, 0, 0, 0, 0, 1])[4], 1, "BC_7: its own pin, driven to 1")
        same(c.scan("DR", [0] * 6)[4], 0, "BC_7: its own pin, driven to 0")


@test
def registers_record_what_they_get():
    def loader(name):
        d = plain(name, 5, registers={"LOOM_DATA": 8, "LOOM_STATUS": 8})
        d["opcodes"].update(LOOM_OPEN=["00100"], LOOM_DATA=["00101"], LOOM_STATUS=["00110"], LOOM_START=["00111"])
        return d

    served = Served(chain(plain("U1"), loader("U2"), plain("U3")))
    with served as c:
        instruction = lambda code: c.scan("IR", [1] * 4 + lsb_first(code, 5) + [1] * 4)
        instruction(4)
        c.clock([0] * 100, [1] * 100)
        instruction(6)
        same(number(c.scan("DR", [0] * 10)[1:9]), 0b10100001, "ready")
        instruction(5)
        c.scan("DR", [0, 1, 1, 0, 1, 0, 0, 1, 0, 1, 0, 1])  # to U2 come U1's captured 0, then the first eleven of these
        instruction(7)
        c.clock([0] * 20, [1] * 20)
        instruction(6)
        same(number(c.scan("DR", [0] * 10)[1:9]), 0b10100111, "done")
    got = served.witness["received"]["U2"]
    same([(s["register"], s["bits"], s["hex"]) for s in got],
         [("LOOM_DATA", 12, format(number([0, 0, 1, 1, 0, 1, 0, 0, 1, 0, 1, 0]), "x"))])


@test
def broken_chain():
    # A break on the TDI side floats to 1: the good parts first, then ones for ever. IEEE 1149.1-2001 clause 4.4.
    with Served(chain(plain("U1", idcode=0x10002FFF), plain("U2", idcode=0x249511C3), broken_after={"U1": 1})) as c:
        c.moves("0100")
        out = c.clock([0] * 128, lsb_first(0xFF, 32) * 4)
        same((number(out[:32]), out[32:]), (0x249511C3, [1] * 96))


@test
def long_shifts_equal_short_ones():
    # The fast path against single cycles: one random walk, cut in two ways.
    dice = random.Random(7)
    tms = [int(dice.random() < 0.05) for _ in range(20_000)]
    tdi = [dice.randint(0, 1) for _ in tms]
    answers = []
    for most in (1, 1 << 14):
        with tempfile.TemporaryDirectory() as folder:
            board = Board(write_board.drawn(11).build(folder)[0])
        out, at = [], 0
        walk = random.Random(8)
        while at < len(tms):
            n = walk.randint(1, most)
            out.append(board.clock(bytes(tms[at: at + n]), bytes(tdi[at: at + n])))
            at += n
        answers.append((b"".join(out), [d.state for d in board.devices], [d.latch for d in board.devices]))
    same(answers[0] == answers[1], True)


@test
def the_truth_is_what_one_driver_at_a_time_shows():
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(1, 151):
            drawing = write_board.drawn(seed)
            model, truth = drawing.build(folder)
            for label, (verdict, company) in seen_by_one_driver_at_a_time(drawing, model).items():
                t = truth["wires"][label]
                same(verdict in t["verdicts"], True, f"seed {seed} {label}: nets say {verdict} {company}, truth {t}")
                same(company, sorted(t["with"] or []), f"seed {seed} {label} {verdict}")


@test
def bad_bytes_are_named():
    for kind, payload in ((b"K", b"\5\0\0\0"), (b"H", b"taploom 9"), (b"T", b"\0"), (b"Q", b"")):
        served = Served(chain(plain("U1")))
        client = Client(served.address)
        client.socket.sendall(kind + len(payload).to_bytes(4, "little") + payload)
        client.stream.read(1)
        client.close()
        served.thread.join()
        same(served.witness["protocol_error"] is not None, True, repr(kind))


@test
def unix_socket_and_reset_line():
    folder = tempfile.TemporaryDirectory()
    served = Served(chain(plain("U1", trst=True), plain("U2")), os.path.join(folder.name, "tap"))
    with folder, served as c:
        c.moves("0")
        same(c.ask(b"L", bytes([0, 0])), (b"L", b"\0"))
        same([d.state for d in served.board.devices], ["Test-Logic-Reset", "Run-Test/Idle"])
        c.moves("0")
        same(served.board.devices[0].state, "Test-Logic-Reset", "held while TRST is low")
        c.ask(b"L", bytes([0, 2]))
        c.moves("0")
        same(served.board.devices[0].state, "Run-Test/Idle")


def main(quiet=False):
    failed = 0
    for t in TESTS:
        name = t.__name__.replace("_", " ")
        try:
            t()
            if not quiet:
                print(f"ok: {name}")
        except Exception as e:  # every failure is told, and the next test runs
            failed += 1
            print(f"FAILED: {name}: {type(e).__name__} {e}")
    print(f"model: {len(TESTS) - failed} passed, {failed} failed")
    return 1 if failed else 0
