"""An independent boundary-scan chain: TAPs, registers, boundary cells. Python's standard library, nothing of Taploom's.

It exists so that a mistake which the program and its own simulator share cannot pass. It reads no BSDL and no board file:
`write_board.py` writes both those and the description read here, from one invention.

Bit 0 of every register is the bit nearest TDO. One TCK cycle is a rising edge, then a falling edge; between cycles TCK
rests low. `python3 tap_model.py --self-test` holds this against published tables.
"""

import random
import sys

from nets import Nets

# The state table of IEEE 1149.1: (next on TMS 0, next on TMS 1). As printed in TI SCBS067E, page 5, and in the 2001
# standard's figure 6-1.
NEXT = {
    "Test-Logic-Reset": ("Run-Test/Idle", "Test-Logic-Reset"),
    "Run-Test/Idle": ("Run-Test/Idle", "Select-DR-Scan"),
    "Select-DR-Scan": ("Capture-DR", "Select-IR-Scan"),
    "Capture-DR": ("Shift-DR", "Exit1-DR"),
    "Shift-DR": ("Shift-DR", "Exit1-DR"),
    "Exit1-DR": ("Pause-DR", "Update-DR"),
    "Pause-DR": ("Pause-DR", "Exit2-DR"),
    "Exit2-DR": ("Shift-DR", "Update-DR"),
    "Update-DR": ("Run-Test/Idle", "Select-DR-Scan"),
    "Select-IR-Scan": ("Capture-IR", "Test-Logic-Reset"),
    "Capture-IR": ("Shift-IR", "Exit1-IR"),
    "Shift-IR": ("Shift-IR", "Exit1-IR"),
    "Exit1-IR": ("Pause-IR", "Update-IR"),
    "Pause-IR": ("Pause-IR", "Exit2-IR"),
    "Exit2-IR": ("Shift-IR", "Update-IR"),
    "Update-IR": ("Run-Test/Idle", "Select-DR-Scan"),
}
SHIFTING = ("Shift-DR", "Shift-IR")
RESTING = ("Run-Test/Idle", "Pause-DR", "Pause-IR")  # kept by TMS 0, nothing moves

# What a cell captures, by (cell, role): in EXTEST and in SAMPLE. After the cell tables of the 2001 standard package.
# pin: the level on the pin; core: what the device's own logic says; latch: the cell's own update latch; x: anything.
CAPTURES = {
    ("BC_0", "in"): ("pin", "pin"), ("BC_0", "out"): ("x", "core"), ("BC_0", "control"): ("x", "core"),
    ("BC_1", "in"): ("pin", "pin"), ("BC_1", "out"): ("core", "core"), ("BC_1", "control"): ("core", "core"),
    ("BC_2", "in"): ("pin", "pin"), ("BC_2", "out"): ("latch", "core"), ("BC_2", "control"): ("latch", "core"),
    ("BC_3", "in"): ("pin", "pin"), ("BC_4", "in"): ("pin", "pin"),
    ("BC_7", "bidir_off"): ("pin", "pin"), ("BC_7", "bidir_on"): ("pin", "core"),
    ("BC_8", "bidir_off"): ("pin", "pin"), ("BC_8", "bidir_on"): ("pin", "pin"),
    ("BC_9", "out"): ("pin", "core"), ("BC_10", "out"): ("pin", "pin"),
}
ROLE = {"input": "in", "clock": "in", "observe_only": "in", "output2": "out", "output3": "out", "control": "control",
        "controlr": "control"}


class Cell:
    """One line of the boundary register: number, cell, pin or None, function, control cell, disable value, result."""

    def __init__(self, line):
        self.number, self.kind, self.pin, self.function, self.control, self.off, self.result = line


class Device:
    """One device: a TAP, an instruction register, BYPASS, IDCODE, BOUNDARY, and what its description names beside."""

    def __init__(self, spec, dice):
        self.name, self.dice = spec["name"], dice
        self.ir_length, self.ir_capture = spec["ir_length"], spec["ir_capture"]
        self.idcode = spec.get("idcode")
        self.opcodes = {int(code, 2): name for name, codes in spec["opcodes"].items() for code in codes}
        self.merged = "SAMPLE" in spec["opcodes"] and spec["opcodes"].get("PRELOAD") == spec["opcodes"]["SAMPLE"]
        self.cells = [Cell(line) for line in spec["cells"]]
        self.pinned = {c.number for c in self.cells if c.pin is not None}
        self.length = 1 + max((c.number for c in self.cells), default=-1)
        self.drivers = [c for c in self.cells if c.function in ("output2", "output3", "bidir")]
        self.mission = spec.get("mission", {})  # pin -> level that the device's own design drives
        self.registers = spec.get("registers", {})  # name -> length; selected by the instruction of the same name
        self.trst, self.trst_low = spec.get("trst", False), False
        self.core = dice.getrandbits(self.length or 1)  # what the device's own logic says to each cell
        for cell in self.drivers:  # what the core says of its enables is what it does
            if cell.control is not None and cell.control != cell.number:
                on = cell.off ^ 1 if cell.pin in self.mission else cell.off
                self.core = self.core & ~(1 << cell.control) | on << cell.control
        self.latch = dice.getrandbits(self.length or 1)  # nothing is preloaded: whatever the latches woke up with
        self.state, self.tdo, self.shift, self.width = spec.get("state", "Test-Logic-Reset"), 1, 0, 1
        self.instruction = self.home = "IDCODE" if self.idcode is not None else "BYPASS"
        self.loaded = set()  # every opcode that ever passed Update-IR, as name or binary text
        self.scans = []  # of the named registers: [instruction, bits, value]: bit 0 came first
        self.clocks = {}  # instruction -> clocks in Run-Test/Idle under it
        self.ready = self.done = self.early = False
        self.known = None  # last capture of the boundary register and what it rests on

    def register(self):
        """Name and length of the data register that the instruction selects."""
        name = self.instruction
        if name in ("EXTEST", "SAMPLE", "PRELOAD", "SAMPLE/PRELOAD"):
            return "BOUNDARY", self.length
        if name == "IDCODE":
            return "DEVICE_ID", 32
        if name in self.registers:
            return name, self.registers[name]
        return "BYPASS", 1

    def enabled(self, cell):
        """Is this driver on, by the update latches? An OUTPUT2 that names itself is an open collector."""
        return cell.control is None or (self.latch >> cell.control & 1) != cell.off

    def driven(self):
        """Pins driven now, pin -> level; and pins pulled by a disabled driver."""
        if self.instruction == "HIGHZ":
            return {}, {}
        if self.instruction not in ("EXTEST", "CLAMP"):
            return dict(self.mission), {}
        on, pulled = {}, {}
        for cell in self.drivers:
            if self.enabled(cell):
                on[cell.pin] = self.latch >> cell.number & 1
            elif cell.result in ("WEAK0", "PULL0", "WEAK1", "PULL1"):
                pulled[cell.pin] = int(cell.result[-1])
        return on, pulled

    def capture(self, nets):
        """What the selected data register takes in on the rising edge that leaves Capture-DR."""
        name, self.width = self.register()
        if name == "DEVICE_ID":
            return self.idcode
        if name == "BYPASS":
            return 0
        if name != "BOUNDARY":
            return self.status() if name.endswith("STATUS") else 0
        if self.instruction == "PRELOAD" and not self.merged:
            return self.dice.getrandbits(self.length)  # the standard leaves open what PRELOAD captures
        rests_on = (self.instruction, nets.version, self.latch)
        if self.known is None or self.known[0] != rests_on:
            self.known = (rests_on, self.boundary(nets))
        return self.known[1]

    def boundary(self, nets):
        """What each cell takes in, after the cell tables; a cell written as two entries captures as the one with a pin."""
        which = 0 if self.instruction == "EXTEST" else 1
        value = 0
        for cell in self.cells:
            if cell.pin is None and cell.number in self.pinned:
                continue
            role = ROLE.get(cell.function, "x")
            if cell.function == "bidir":
                role = "bidir_on" if which == 0 and self.enabled(cell) else "bidir_off"
            source = CAPTURES.get((cell.kind, role), ("x", "x"))[which]
            if source == "pin":
                bit = nets.level(self.name + "." + cell.pin)
            elif source == "core":
                bit = self.core >> cell.number & 1
            elif source == "latch":
                bit = self.latch >> cell.number & 1
            else:
                bit = self.dice.getrandbits(1)
            value |= bit << cell.number
        return value

    def status(self):
        """The invented loader's eight status bits: 0 ready, 1 something came, 2 done, 3 came too early, 7..4 1010."""
        came = any(bits for _, bits, _ in self.scans)
        return 0b10100000 | self.early << 3 | self.done << 2 | came << 1 | int(self.ready)

    def idle(self, clocks):
        self.clocks[self.instruction] = self.clocks.get(self.instruction, 0) + clocks
        if self.instruction == "LOOM_OPEN" and self.clocks["LOOM_OPEN"] >= 100:
            self.ready = True
        if self.instruction == "LOOM_CLOSE" and self.clocks["LOOM_CLOSE"] >= 8:
            self.ready = False
        if self.instruction == "LOOM_START" and self.clocks["LOOM_START"] >= 20 and self.ready and not self.early:
            self.done = any(bits for _, bits, _ in self.scans)

    def rise(self, tms, tdi, nets):
        """Rising edge of TCK: capture, shift, next state."""
        if self.trst_low:
            self.state = "Test-Logic-Reset"
            return
        if self.state == "Capture-DR":
            self.shift = self.capture(nets)
            if self.instruction in self.registers and not self.instruction.endswith("STATUS"):
                self.scans.append([self.instruction, 0, 0])
                self.early |= not self.ready
        elif self.state == "Capture-IR":
            self.width = self.ir_length
            self.shift = int("".join(c if c in "01" else self.dice.choice("01") for c in self.ir_capture), 2)
        elif self.state in SHIFTING:
            self.shift_in(1, tdi)
        elif self.state == "Run-Test/Idle":
            self.idle(1)
        self.state = NEXT[self.state][tms]

    def shift_in(self, count, bits):
        """Shifts `count` bits through; bit 0 of `bits` goes first. Gives what came out, the same way."""
        if self.state == "Shift-DR" and self.scans and self.register()[0] == self.scans[-1][0]:
            scan = self.scans[-1]
            scan[2] |= bits << scan[1]
            scan[1] += count
        full = self.shift | bits << self.width
        self.shift = full >> count
        return full & ((1 << count) - 1)

    def fall(self):
        """Falling edge of TCK: update latches, reset, TDO. True when the pins may have changed."""
        moved = False
        if self.state == "Update-DR":
            name, _ = self.register()
            if name == "BOUNDARY" and (self.instruction != "SAMPLE" or self.merged):
                moved = self.latch != self.shift
                self.latch = self.shift
        elif self.state == "Update-IR":
            name = self.opcodes.get(self.shift, "BYPASS")
            self.loaded.add(name if self.shift in self.opcodes else format(self.shift, f"0{self.ir_length}b"))
            moved, self.instruction = name != self.instruction, name
        elif self.state == "Test-Logic-Reset":
            moved = self.reset()
        self.tdo = self.shift & 1 if self.state in SHIFTING else 1  # undriven TDO is pulled up
        return moved

    def reset(self):
        moved, self.instruction = self.instruction != self.home, self.home
        for cell in self.cells:
            if cell.function == "controlr":
                off = next((d.off for d in self.drivers if d.control == cell.number), 0)
                self.latch = self.latch & ~(1 << cell.number) | off << cell.number
        return moved


class Board:
    """The chain, TDI to TDO, and the nets; what the program did to them is counted here."""

    def __init__(self, spec):
        self.dice = dice = random.Random(spec.get("seed", 1))
        self.hold, self.not_held = spec.get("hold", {}), 0
        self.devices = [Device(d, dice) for d in spec["devices"]]
        self.broken_after = spec.get("broken_after", {})  # device name -> level that its TDO line is stuck at
        self.nets = Nets(spec, dice)
        self.cycles, self.nanoseconds, self.since_update = 0, 0, 0
        self.early_captures, self.max_switching = 0, 0
        self.ever_driven, self.on_at_entry, self.on_at_exit, self.max_driven = set(), set(), set(), 0
        self.tested, self.in_test, self.running = {}, set(), False
        self.settle()
        self.since_update, self.running = None, True

    def settle(self):
        """Looks at every driver anew after an update, and counts."""
        on, pulled, tested = {}, {}, {}
        for d in self.devices:
            d_on, d_pulled = d.driven()
            on.update({f"{d.name}.{pin}": level for pin, level in d_on.items()})
            pulled.update({f"{d.name}.{pin}": level for pin, level in d_pulled.items()})
            if d.instruction in ("EXTEST", "CLAMP"):
                tested.update({f"{d.name}.{pin}": level for pin, level in d_on.items()})
        before = {p: level for p, level in self.nets.on.items() if p not in self.nets.beside}
        switching = [p for p in on.keys() | before.keys() if on.get(p) != before.get(p)]
        self.max_switching = max(self.max_switching, len(switching) if self.running else 0)
        self.nets.drive(on, pulled)
        in_test = {d.name for d in self.devices if d.instruction == "EXTEST"}
        if in_test and not self.in_test:
            self.on_at_entry |= tested.keys()
        if self.in_test and not in_test:
            self.on_at_exit |= self.tested.keys()
        self.in_test = in_test
        self.ever_driven |= tested.keys()
        self.not_held += any(tested.get(p) != v for p, v in self.hold.items() if p.split(".")[0] in in_test)
        self.max_driven = max(self.max_driven, len(tested))
        self.tested = tested
        if switching:
            self.since_update = 0

    def uniform(self):
        state = self.devices[0].state
        return state if all(d.state == state and not d.trst_low for d in self.devices) else None

    def clock(self, tms, tdi):
        """Clocks once for each byte (0 or 1) of `tms` and `tdi`; gives TDO before each rising edge, as such bytes."""
        out, at, end = [], 0, len(tms)
        while at < end:
            state = self.uniform()
            if state in SHIFTING and tms[at] == 0:
                stop = tms.find(1, at)
                stop = end if stop < 0 else stop
                out.append(self.run_of_shifts(stop - at, tdi[at:stop]))
                at = stop
            elif state in RESTING and tms[at] == 0:
                stop = tms.find(1, at)
                stop = end if stop < 0 else stop
                if state == "Run-Test/Idle":
                    for d in self.devices:
                        d.idle(stop - at)
                out.append(bytes([self.host_sees()]) * (stop - at))
                at = stop
            else:
                out.append(bytes([self.host_sees()]))
                self.cycle(tms[at], tdi[at])
                at += 1
        self.cycles += end
        return b"".join(out)

    def after(self, device, level):
        """The level that the next device sees for what this one puts out."""
        return self.broken_after.get(device.name, level)

    def host_sees(self):
        last = self.devices[-1]
        return self.after(last, last.tdo)

    def cycle(self, tms, tdi):
        if self.devices[0].state == "Capture-DR":
            self.nets.live(self.dice)
            if any(d.instruction == "EXTEST" for d in self.devices):
                if self.since_update is not None and self.since_update < self.nets.settle_ns:
                    self.early_captures += 1
        levels = [tdi] + [self.after(d, d.tdo) for d in self.devices]
        for d, level in zip(self.devices, levels):
            d.rise(tms, level, self.nets)
        if any([d.fall() for d in self.devices]):
            self.settle()

    def run_of_shifts(self, count, tdi):
        bits = int(tdi.translate(ASCII)[::-1], 2)
        for d in self.devices:
            bits = d.shift_in(count, bits)
            d.tdo = d.shift & 1
            if d.name in self.broken_after:
                bits = (1 << count) - 1 if self.broken_after[d.name] else 0
        return format(bits, f"0{count}b").encode()[::-1].translate(NUMBERS)

    def wait(self, nanoseconds):
        self.nanoseconds += nanoseconds
        if self.since_update is not None:
            self.since_update += nanoseconds
        self.nets.wait(nanoseconds)

    def line(self, line, level):
        """TRST is line 0 and acts at 0; 2 is released, and an undriven TRST reads 1."""
        if line == 0:
            for d in self.devices:
                d.trst_low = d.trst and level == 0
                if d.trst_low:
                    d.state, d.tdo = "Test-Logic-Reset", 1
                    d.reset()
            self.settle()

    def witness(self):
        """What the board itself saw, and how it was left."""
        states = {d.name: d.state for d in self.devices}
        in_test = [d.name for d in self.devices if d.instruction in ("EXTEST", "CLAMP", "HIGHZ")]
        return {
            "cycles": self.cycles, "nanoseconds": self.nanoseconds,
            "fights": self.nets.fights, "fight_places": sorted(map(list, self.nets.fight_places)),
            "states": states, "in_test": in_test, "driven_by_test": sorted(self.tested),
            "left_safe": all(s == "Test-Logic-Reset" for s in states.values()) and not in_test and not self.tested,
            "ever_driven": sorted(self.ever_driven), "max_driven": self.max_driven,
            "on_at_entry": sorted(self.on_at_entry), "on_at_exit": sorted(self.on_at_exit),
            "max_switching": self.max_switching, "early_captures": self.early_captures,
            "not_held": self.not_held,
            "loaded": {d.name: sorted(d.loaded) for d in self.devices},
            "received": {d.name: [{"register": r, "bits": n, "hex": format(v, "x")} for r, n, v in d.scans]
                         for d in self.devices if d.registers},
            "status": {d.name: d.status() for d in self.devices if d.registers},
        }


ASCII = bytes([48, 49]) + bytes(254)
NUMBERS = bytes(48) + bytes([0, 1]) + bytes(206)

if __name__ == "__main__":
    if sys.argv[1:] != ["--self-test"]:
        sys.exit("usage: tap_model.py --self-test")
    import self_test
    sys.exit(self_test.main())
