"""Writes boards for the outside check: BSDL, board file, harness, the model to play, and the truth about every wire.

    python3 write_board.py FOLDER SEED            a random board, 0 to 3 faults
    python3 write_board.py FOLDER tangled SEED    a random board with faults upon faults
    python3 write_board.py FOLDER fixed [KIND…]   the two-device board with these faults, `all` for one of each kind

The truth claims only what theory backs: the faults are laid on wires whose ends can show them (see `can_show`).
"""

import csv
import json
import os
import random
import sys

import inventions
from inventions import DRIVES, IO, READS, SEES_ITSELF, invent
from nets import Nets

FAULTS = ("open", "short-and", "short-or", "short-strong", "swap", "misplaced", "stuck-low", "stuck-high", "held")
COLOURS = ("white", "grey", "violet", "blue", "green", "yellow", "orange", "brown")


class Drawing:
    """A board being drawn: the pins of each device, then wires between them, then the files."""

    def __init__(self, seed):
        self.seed, self.dice = seed, random.Random(seed)
        self.kinds = {}  # device -> list of pin kinds
        self.options = {}  # device -> options of invent()
        self.shared = {}  # device -> groups of pin numbers
        self.wires = []  # [(device, k), (device, k)]: the ends, k counts the device's pins
        self.faults, self.pulls = [], []
        self.spares = []  # (device, k) of inout pins that no wire reaches
        self.hold, self.never_drive = [], []
        self.live = []  # (end, level, when): drivers that are not on the chain
        self.connector = False
        self.header = True  # the board file names the spare pins; else they are just pins of their devices
        self.harness_csv = True

    def device(self, name, **options):
        self.kinds[name], self.options[name], self.shared[name] = [], options, []

    def pin(self, device, kind):
        self.kinds[device].append(kind)
        return device, len(self.kinds[device]) - 1

    def kind(self, end):
        return self.kinds[end[0]][end[1]]

    def wire(self, a, kind_a, b, kind_b):
        self.wires.append((self.pin(a, kind_a), self.pin(b, kind_b)))
        return len(self.wires) - 1

    def shares(self, end):
        return any(end[1] in group for group in self.shared[end[0]])

    def drives(self, end):
        """May this pin be driven, and alone?"""
        return self.kind(end) in DRIVES and not self.shares(end) and end not in self.never_drive

    def heard(self, a, b):
        """Can a word of one end be heard at the other, one way at least?"""
        return (self.drives(a) and self.kind(b) in READS) or (self.drives(b) and self.kind(a) in READS)

    def testable(self, w):
        """Untested is exactly what no pin may drive alone, or none hears, or what something else drives for ever."""
        live = any(end in self.wires[w] for end, _, when in self.live if when == "always")
        return self.heard(*self.wires[w]) and not live

    def can_show(self, kind, wires, spare=None, end=1):
        """Does theory back a verdict for this fault on these wires?"""
        ends = [self.wires[w] for w in wires]
        live = any(self.kind(e) == "out2" for pair in ends for e in pair)
        if not all(self.testable(w) for w in wires):
            return False
        if kind.startswith("short"):
            return not live  # a driver that cannot be switched off fights whatever it is joined to
        if kind == "swap":
            (a1, b1), (a2, b2) = ends
            return not live and self.heard(a1, b2) and self.heard(a2, b1)
        if kind == "misplaced":
            stays = ends[0][1 - end]
            return not live and self.drives(stays) and self.kind(spare) in READS
        return True

    def fault(self, kind, wires, spare=None, end=1):
        self.faults.append((kind, wires, spare, end))

    def unforeseeable(self):
        """Do the faults join a driver that is always on with another such one, or with a driver that nobody can hear,
        neither itself nor at the other end of its wire? Then they fight, whatever one does."""
        pin = lambda end: f"{end[0]}.{end[1]}"
        model = {"devices": [{"name": n, "cells": [[0, 0, str(k)] for k in range(len(kinds))]} for n, kinds in self.kinds.items()],
                 "wires": [{"label": w, "from": pin(a), "to": pin(b)} for w, (a, b) in enumerate(self.wires)],
                 "faults": [self.model_fault(f, lambda w: w, pin) for f in self.faults]}
        live = {f"{n}.{k}" for n, kinds in self.kinds.items() for k, kind in enumerate(kinds) if kind == "out2"}
        mate = {pin(e): pin(f) for a, b in self.wires for e, f in ((a, b), (b, a))}
        kind = {f"{n}.{k}": kind for n, kinds in self.kinds.items() for k, kind in enumerate(kinds)}
        heard = lambda p, net: kind[p] in READS | SEES_ITSELF or (mate.get(p) in net.pins and kind[mate[p]] in READS | SEES_ITSELF)
        for net in Nets(model, random.Random(0)).nets:
            on = net.pins & live
            if len(on) > 1 or on and any(kind[p] in DRIVES and not heard(p, net) for p in net.pins - on):
                return True
        return False

    # ---- the files

    def build(self, folder):
        os.makedirs(folder, exist_ok=True)
        dice = self.dice
        made = {}
        for number, (name, kinds) in enumerate(self.kinds.items()):
            options = dict(self.options[name])
            no_bsdl = options.pop("no_bsdl", False)
            entity = f"{inventions.NAMES[number % len(inventions.NAMES)]}_{100 * number + len(kinds)}"
            made[name] = invent(dice, entity, kinds, self.shared[name], **options)
            made[name]["no_bsdl"] = no_bsdl
            if not no_bsdl:
                write(folder, f"{entity.lower()}.bsd", inventions.bsdl(made[name], dice))
        self.made = made
        pin = lambda end: f"{end[0]}.{made[end[0]]['pin_of'][end[1]]}"
        label = lambda w: f"W{w + 1:02d}"

        board = ["# Drawn for one test run.", "", "[board]", "format = 1", f'name = "Trial {self.seed}"', 'bsdl = ["."]']
        if self.harness_csv:
            board.append('harness = "harness.csv"')
        for name, d in made.items():
            board += ["", "[[device]]", f'name = "{name}"']
            if d["no_bsdl"]:
                board += [f"ir_length = {d['ir_length']}", f'idcode = "0xx{d["idcode"] & 0xFFFFFFF:07X}"']
            else:
                board.append(f'entity = "{d["entity"]}"')
                if dice.random() < 0.5:
                    board.append(f'pin_map = "{d["package"]}"')
                if d["registers"]:
                    board.append('recipe = "recipe.toml"')
        written = [[pin(a), pin(b)] for a, b in self.wires]
        if self.connector and written:
            board += ["", "[[connector]]", 'name = "J1"', "[connector.pins]"]
            for k, ends in enumerate(written):
                board.append(f'{k + 1} = "{ends[0]}"')
            written = [[f"J1.{k + 1}", ends[1]] for k, ends in enumerate(written)]
        if self.spares and self.header:  # free pins, where a wire may have been put by mistake
            board += ["", "[[connector]]", 'name = "J9"', "[connector.pins]"]
            board += [f'{k + 1} = "{pin(end)}"' for k, end in enumerate(self.spares)]
        for end, to in self.pulls:
            board += ["", "[[pull]]", f'pin = "{pin(end)}"', f'to = "{"high" if to else "low"}"', "ohms = 10_000"]
        for end, _, when in self.live:
            board += ["", "[[driver]]", f'pin = "{pin(end)}"', f'when = "{when}"']
        if not self.harness_csv:
            for w, (a, b) in enumerate(written):
                board += ["", "[[wire]]", f'label = "{label(w)}"', f'from = "{a}"', f'to = "{b}"', f'signal = "S{w}"']
        board += ["", "[guard]", "never_drive = [%s]" % ", ".join(f'"{pin(e)}"' for e in self.never_drive)]
        board.append("hold = { %s }" % ", ".join(f'"{pin(e)}" = "{"high" if v else "low"}"' for e, v in self.hold))
        board += ["max_switching = 8", "settle_us = 20"]
        write(folder, "board.toml", "\n".join(board) + "\n")
        if self.harness_csv:
            with open(os.path.join(folder, "harness.csv"), "w", newline="") as file:
                rows = csv.writer(file, lineterminator="\n")
                rows.writerow(["label", "colour", "from", "to", "signal", "kind"])
                for w, (a, b) in enumerate(written):
                    rows.writerow([label(w), COLOURS[w % len(COLOURS)], a, b, f"S{w}", ""])

        devices = [{"name": name, **{k: d[k] for k in ("ir_length", "ir_capture", "idcode", "opcodes", "cells", "trst",
                                                       "registers", "mission")},
                    "state": dice.choice(["Test-Logic-Reset", "Run-Test/Idle"])} for name, d in made.items()]
        state = devices[0]["state"]
        for d in devices:
            d["state"] = state  # TMS and TCK are common
        model = {
            "seed": self.seed, "devices": devices, "settle_us": 20,
            "wires": [{"label": label(w), "from": pin(a), "to": pin(b)} for w, (a, b) in enumerate(self.wires)],
            "pulls": [{"pin": pin(e), "to": to} for e, to in self.pulls],
            "hold": {pin(e): v for e, v in self.hold},
            "live": {pin(e): v for e, v, when in self.live if when == "always"},  # the machine is off
            "faults": [self.model_fault(f, label, pin) for f in self.faults],
        }
        truth = {
            "devices": [{"name": n, "idcode": None if d["idcode"] is None else f"0x{d['idcode']:08x}",
                         "ir_length": d["ir_length"], "entity": None if d["no_bsdl"] else d["entity"]}
                        for n, d in made.items()],
            "wires": {label(w): self.truth(w, label, pin) for w in range(len(self.wires))},
            "never_drive": [pin(e) for e in self.never_drive], "hold": {pin(e): v for e, v in self.hold},
            "always_on": [f"{n}.{p}" for n, d in made.items() for p, k in zip(d["pin_of"], d["kinds"]) if k == "out2"],
            "private": {n: d["private"] for n, d in made.items()}, "max_switching": 8,
            "faults": model["faults"],
        }
        write(folder, "model.json", json.dumps(model, indent=1) + "\n")
        write(folder, "truth.json", json.dumps(truth, indent=1) + "\n")
        return model, truth

    def model_fault(self, fault, label, pin):
        kind, wires, spare, end = fault
        one = {"wire": label(wires[0])}
        if kind.startswith("short"):
            return {"kind": "short", "wires": [label(w) for w in wires], "wins": kind[6:]}
        return {"open": {"kind": "open", **one}, "swap": {"kind": "swap", "wires": [label(w) for w in wires]},
                "misplaced": {"kind": "misplaced", **one, "pin": spare and pin(spare), "end": end},
                "stuck-low": {"kind": "stuck", **one, "level": 0}, "stuck-high": {"kind": "stuck", **one, "level": 1},
                "held": {"kind": "held", **one, "level": self.seed % 2}}[kind]

    def truth(self, w, label, pin):
        """The verdicts that are right for this wire (any one of them), and with whom."""
        for kind, wires, spare, _ in self.faults:
            if w not in wires:
                continue
            others = [label(o) for o in wires if o != w]
            if kind.startswith("short"):
                return {"verdicts": ["short"], "with": others}
            if kind == "swap":
                return {"verdicts": ["swapped"], "with": others}
            if kind == "misplaced":
                return {"verdicts": ["misplaced"], "with": [pin(spare)]}
            if not any(self.kind(e) in SEES_ITSELF and e not in self.never_drive for e in self.wires[w]):
                # A constant line, and no driver that sees its own pin: open and stuck look alike, so both are to be told.
                stuck = {"open": ["stuck-low", "stuck-high"], "held": [("stuck-low", "stuck-high")[self.seed % 2]]}
                stuck = stuck.get(kind, [kind])
                return {"verdicts": ["open"] + stuck, "with": [], "told": ["open"] if kind == "open" else ["open"] + stuck}
            if kind == "held":  # from the chain's side a held line is a stuck one
                return {"verdicts": ["held", ("stuck-low", "stuck-high")[self.seed % 2]], "with": None}
            return {"verdicts": [kind], "with": []}
        return {"verdicts": ["good" if self.testable(w) else "untested"], "with": []}


def write(folder, name, text):
    with open(os.path.join(folder, name), "w") as file:
        file.write(text)


def fixed(faults, seed=2):
    """Two devices, twenty wires of every sort, and the named faults (`FAULTS`), each on wires of its own."""
    d = Drawing(seed)
    d.device("U1", trst=True)
    d.device("U2", version_open=True)
    for kind in ("io_split", "io_bc7", "io_split", "io_bc8", "io_split"):
        d.wire("U1", kind, "U2", "io_split")
    for kind in ("out3", "out_bc9", "out2", "out_bc10"):
        d.wire("U1", kind, "U2", "in")
    d.wire("U1", "in", "U2", "out3")
    d.wire("U1", "clock", "U2", "out3")
    for kind in ("io_bc7", "io_split", "io_bc7", "io_bc8", "io_split", "io_split"):
        d.wire("U1", "io_split", "U2", kind)
    d.wire("U1", "in", "U2", "in")  # nothing can drive it
    d.wire("U1", "io_split", "U2", "in")
    d.wire("U1", "out3", "U2", "io_bc7")
    d.spares = [d.pin("U2", "io_split"), d.pin("U1", "io_bc7")]
    d.never_drive, d.hold = [d.pin("U1", "io_split")], [(d.pin("U2", "io_bc7"), 1)]
    d.pulls = [((d.wires[3][1]), 1), ((d.wires[12][0]), 0)]
    # Which wires each kind of fault strikes; no wire twice, so that all may stand together.
    places = {"open": [0], "short-and": [1, 2], "short-or": [3, 4], "short-strong": [11, 12], "swap": [13, 14],
              "misplaced": [15], "stuck-low": [16], "stuck-high": [6], "held": [19]}
    for kind in faults:
        spare = d.spares[0] if kind == "misplaced" else None
        assert d.can_show(kind, places[kind], spare), kind
        d.fault(kind, places[kind], spare)
    return d


def drawn(seed):
    """A random board: two to eight devices, wires of every sort between them, up to three faults."""
    d = Drawing(seed)
    dice = d.dice
    names = [f"U{k + 1}" for k in range(dice.choice([2, 2, 3, 4, 5, 6, 7, 8]))]
    silent = dice.choice(names[1:]) if len(names) > 2 and dice.random() < 0.4 else None
    for name in names:
        d.device(name, trst=dice.random() < 0.3, with_idcode=name == silent or dice.random() < 0.85,
                 version_open=dice.random() < 0.4, no_bsdl=name == silent)
    talking = [n for n in names if n != silent]
    out, out_or_io = ("out3", "out_bc9", "out_bc10"), IO + ("out3",)
    for _ in range(dice.randint(2, 40)):
        a, b = dice.sample(talking, 2)
        sort = dice.random()
        if sort < 0.5:
            d.wire(a, dice.choice(IO), b, dice.choice(IO))
        elif sort < 0.65:
            d.wire(a, dice.choice(out), b, dice.choice(["in", "clock"]))
        elif sort < 0.8:
            d.wire(a, "in", b, dice.choice(out))
        elif sort < 0.92:
            d.wire(a, dice.choice(out_or_io), b, dice.choice(IO))
        elif sort < 0.97:
            d.wire(a, "out2", b, "in")
        else:
            d.wire(a, "in", b, "in")
    for name in talking:
        d.spares += [d.pin(name, dice.choice(IO)) for _ in range(dice.randint(1, 3))]
    d.never_drive = [d.pin(dice.choice(talking), dice.choice(IO)) for _ in range(dice.randint(0, 2))]
    d.hold = [(d.pin(dice.choice(talking), dice.choice(IO)), dice.randint(0, 1)) for _ in range(dice.randint(0, 2))]
    share(d)
    for pair in d.wires:
        sort, end = dice.random(), dice.choice(pair)
        if sort < 0.15:
            d.pulls.append((end, dice.randint(0, 1)))
        elif sort < 0.2 and d.kind(end) != "out2" and not d.shares(end):
            d.never_drive.append(end)
        elif sort < 0.25 and not any(d.kind(e) == "out2" or d.shares(e) for e in pair):
            d.live.append((end, dice.randint(0, 1), dice.choice(["always", "powered"])))
    free, used = list(range(len(d.wires))), []
    dice.shuffle(free)
    for _ in range(dice.randint(0, 3)):
        kind = dice.choice(FAULTS)
        many = {"swap": 2}.get(kind, dice.choice([2, 2, 3]) if kind.startswith("short") else 1)
        spare = dice.choice([s for s in d.spares if s not in used] or [None])
        end = dice.randint(0, 1)
        for _ in range(30):
            wires = dice.sample(free, many) if len(free) >= many else []
            if wires and (kind != "misplaced" or spare) and d.can_show(kind, wires, spare, end):
                d.fault(kind, wires, spare, end)
                free = [w for w in free if w not in wires]
                used.append(spare)
                break
    d.connector, d.harness_csv = dice.random() < 0.4, dice.random() < 0.5
    # A pin that the board file does not name listens only where wires are soldered straight to its device.
    soldered = {end[0] for pair in d.wires for end in pair}
    far = any(spare is not None and spare[0] not in soldered for kind, _, spare, _ in d.faults if kind == "misplaced")
    d.header = d.connector or far or dice.random() < 0.5
    return d


def tangled(seed):
    """A random board with one to five faults anywhere, one on the other: only good or not good is claimed of it."""
    d = drawn(seed)
    dice, d.faults = random.Random(seed + 1_000_000), []
    able = [w for w, pair in enumerate(d.wires) if not any(end in pair for end, _, _ in d.live)]
    for _ in range(dice.randint(1, 5)):
        kind = dice.choice(FAULTS)
        many = {"swap": 2}.get(kind, dice.choice([2, 2, 3]) if kind.startswith("short") else 1)
        if len(able) < many or (kind == "misplaced" and not d.spares):
            continue
        d.fault(kind, dice.sample(able, many), dice.choice(d.spares or [None]), dice.randint(0, 1))
        if d.unforeseeable():
            d.faults.pop()
    return d


def share(d):
    """Lets one control cell enable two or three pins of a device: where the far ends can still tell them apart, and where
    they cannot."""
    for name in d.kinds:
        ends = [(near, far) for pair in d.wires for near, far in (pair, pair[::-1])
                if near[0] == name and d.kind(near) in DRIVES - {"out2"} and not d.shares(near) and not d.shares(far)]
        told = [(near, far) for near, far in ends if d.kind(near) in IO and d.kind(far) in IO]
        for chosen in (told, ends):
            chosen = [(near, far) for near, far in chosen if not d.shares(near) and not d.shares(far)]
            if len(chosen) >= 3 and d.dice.random() < 0.3:
                d.shared[name].append([near[1] for near, _ in d.dice.sample(chosen, d.dice.choice([2, 3]))])


def main(arguments):
    if len(arguments) < 2:
        sys.exit(__doc__)
    folder, what, kinds = arguments[0], arguments[1], arguments[2:]
    if what == "fixed":
        fixed(FAULTS if kinds == ["all"] else kinds).build(folder)
    elif what == "tangled":
        tangled(int(kinds[0])).build(folder)
    else:
        drawn(int(what)).build(folder)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
