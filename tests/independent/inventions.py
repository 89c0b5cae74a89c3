"""Invents devices: what the model plays, and BSDL text of the same thing, in wording of its own (1149.1-2001)."""

# What the pin of each kind can do. `sees_itself`: in EXTEST a cell looks at the pin while the pin is driven.
DRIVES = {"io_split", "io_bc7", "io_bc8", "out3", "out_bc9", "out_bc10", "out2"}
READS = {"io_split", "io_bc7", "io_bc8", "in", "clock"}
SEES_ITSELF = {"io_split", "io_bc7", "io_bc8", "out_bc9", "out_bc10"}
IO = ("io_split", "io_split", "io_bc7", "io_bc8")
MODE = {"io_split": "inout", "io_bc7": "inout", "io_bc8": "inout", "in": "in", "clock": "in", "out3": "out",
        "out_bc9": "out", "out_bc10": "out", "out2": "out"}
NAMES = ("TREADLE", "RADDLE", "LEASE", "PIRN", "SLEY", "PAWL", "TEMPLE", "LAMS", "QUILL", "REEDHOOK")


def invent(dice, entity, kinds, shared=(), trst=False, with_idcode=True, loader=False, version_open=False):
    """A device with a pin for each entry of `kinds`; `shared` lists groups of entries that one control cell enables.

    Gives a dictionary: what `tap_model.Device` reads, and what `bsdl` needs beside. `pin_of[k]` is the pin of kinds[k].
    """
    tap = ["TDI", "TDO", "TMS", "TCK"] + (["TRST"] if trst else [])
    total = len(kinds) + len(tap) + 4
    if dice.random() < 0.3:
        side = 1
        while side * side < total:
            side += 1
        pins = ["ABCDEFGHJKLMNPRT"[k // side] + str(k % side + 1) for k in range(total)]
    else:
        pins = [str(k + 1) for k in range(total)]
    dice.shuffle(pins)
    pin_of, rest = pins[: len(kinds)], pins[len(kinds):]
    tap_pins = dict(zip(tap, rest))
    power = rest[len(tap):]

    ports, port_of, k = [], [], 0  # logical ports: (name, mode, range text or None, pins)
    while k < len(kinds):
        run = 1
        while k + run < len(kinds) and run < 8 and MODE[kinds[k + run]] == MODE[kinds[k]]:
            run += 1
        width = dice.randint(1, run)
        name = f"{ {'inout': 'B', 'in': 'I', 'out': 'Q'}[MODE[kinds[k]]]}{len(ports)}"
        mine = pin_of[k: k + width]
        if width == 1:
            ports.append((name, MODE[kinds[k]], None, mine))
            port_of.append(name)
        elif dice.random() < 0.5:
            ports.append((name, MODE[kinds[k]], f"0 to {width - 1}", mine))
            port_of += [f"{name}({i})" for i in range(width)]
        else:
            ports.append((name, MODE[kinds[k]], f"{width - 1} downto 0", mine))
            port_of += [f"{name}({i})" for i in reversed(range(width))]
        k += width

    cells, number_of_control = [], {}  # cells: [number, kind, pin, function, control, off, result], and port, safe
    group_of = {k: g for g, group in enumerate(shared) for k in group}

    def control(k):
        key = ("group", group_of[k]) if k in group_of else ("pin", k)
        if key not in number_of_control:
            off = dice.randint(0, 1)
            cells.append([None, dice.choice(["BC_1", "BC_2"]), None, dice.choice(["control", "controlr"]), None, None,
                          None, "*", str(off)])
            number_of_control[key] = (cells[-1], off)
        return number_of_control[key]

    for k, kind in enumerate(kinds):
        pin, port = pin_of[k], port_of[k]
        if kind == "io_split":
            cells.append([None, dice.choice(["BC_1", "BC_2", "BC_3", "BC_4"]), pin, "input", None, None, None, port, "X"])
        if kind in ("io_split", "out3", "out_bc9", "out_bc10"):
            cell, off = control(k)
            bc = {"out_bc9": "BC_9", "out_bc10": "BC_10"}.get(kind) or dice.choice(["BC_1", "BC_2"])
            cells.append([None, bc, pin, "output3", cell, off, "Z", port, dice.choice("01X")])
        elif kind in ("io_bc7", "io_bc8"):
            cell, off = control(k)
            cells.append([None, kind[3:].upper().replace("BC", "BC_"), pin, "bidir", cell, off, "Z", port,
                          dice.choice("01X")])
        elif kind == "in":
            cells.append([None, dice.choice(["BC_1", "BC_2", "BC_3", "BC_4"]), pin, "input", None, None, None, port, "X"])
        elif kind == "clock":
            cells.append([None, dice.choice(["BC_1", "BC_4"]), pin, "clock", None, None, None, port, "X"])
        elif kind == "out2":
            cells.append([None, dice.choice(["BC_1", "BC_2"]), pin, "output2", None, None, None, port, dice.choice("01")])
    for _ in range(dice.randint(0, 3)):
        cells.append([None, "BC_1", None, "internal", None, None, None, "*", "X"])
    dice.shuffle(cells)
    for n, cell in enumerate(cells):
        cell[0] = n
    for cell in cells:
        if isinstance(cell[4], list):
            cell[4] = cell[4][0]

    names = ["EXTEST", "SAMPLE"]
    together = dice.random() < 0.5
    names += [] if together else ["PRELOAD"]
    names += ["IDCODE"] if with_idcode else []
    names += dice.sample(["HIGHZ", "CLAMP"], dice.randint(0, 2))
    names += ["LOOM_OPEN", "LOOM_DATA", "LOOM_STATUS", "LOOM_START", "LOOM_CLOSE"] if loader else []
    private = dice.random() < 0.5 and not loader
    names += ["MILL_TEST"] if private else []
    ir_length = dice.randint(max(2, len(names).bit_length()), 10)
    ones = "1" * ir_length
    codes = [format(c, f"0{ir_length}b") for c in dice.sample(range((1 << ir_length) - 1), len(names))]
    opcodes = {name: [code] for name, code in zip(names, codes)}
    opcodes["BYPASS"] = [ones]
    if together:
        opcodes["PRELOAD"] = opcodes["SAMPLE"]
    idcode = None
    if with_idcode:
        # 7-bit code 0 of a bank names no maker: such a word belongs to nobody.
        idcode = dice.randint(0, 15) << 28 | dice.randint(1, 0xFFFE) << 12 | dice.randint(2, 15) << 8 | 1
    capture = "".join(dice.choice("01X") for _ in range(ir_length - 2)) + "01"
    return {
        "entity": entity, "ir_length": ir_length, "ir_capture": capture, "idcode": idcode, "opcodes": opcodes,
        "cells": [c[:7] for c in cells], "text_cells": cells, "ports": ports, "tap_pins": tap_pins, "power": power,
        "package": f"PK{total}", "trst": trst, "private": ["MILL_TEST"] if private else [], "pin_of": pin_of,
        "kinds": list(kinds), "version_open": version_open and with_idcode,
        "registers": {"LOOM_DATA": 8, "LOOM_STATUS": 8} if loader else {},
        "mission": {pin: dice.randint(0, 1) for pin, kind in zip(pin_of, kinds) if kind == "out2"},
    }


def bsdl(device, dice):
    """The device as BSDL text. Case, order of the cells and layout vary with the dice; the meaning does not."""
    name, lower = device["entity"], dice.random() < 0.5
    mode_of = (lambda m: m) if lower else str.upper
    yes = "true" if lower else "TRUE"
    out = [f"-- {name}: an invention for one test run; nobody makes it.", f"entity {name} is",
           f'  generic (PHYSICAL_PIN_MAP : string := "{device["package"]}");', "  port ("]
    rows = [f"    {p} : {mode_of('in' if p != 'TDO' else 'out')} bit;" for p in device["tap_pins"]]
    for port, mode, bounds, _ in device["ports"]:
        rows.append(f"    {port} : {mode_of(mode)} " + (f"bit_vector ({bounds});" if bounds else "bit;"))
    half = len(device["power"]) // 2
    rows += [f"    VCC : linkage bit_vector (1 to {half});", f"    GND : linkage bit_vector (1 to {half});"]
    rows[-1] = rows[-1][:-1] + ");"
    out += rows + ["  use STD_1149_1_2001.all;",
                   f'  attribute COMPONENT_CONFORMANCE of {name} : entity is "STD_1149_1_2001";',
                   f"  attribute PIN_MAP of {name} : entity is PHYSICAL_PIN_MAP;"]
    places = [f"{p} : {pin}" for p, pin in device["tap_pins"].items()]
    places += [f"{p} : {pins[0]}" if bounds is None else f"{p} : ({', '.join(pins)})"
               for p, _, bounds, pins in device["ports"]]
    places += [f"VCC : ({', '.join(device['power'][:half])})", f"GND : ({', '.join(device['power'][half:])})"]
    out += [f"  constant {device['package']} : PIN_MAP_STRING :="] + strings(places)
    for port, attribute in (("TDI", "IN"), ("TMS", "MODE"), ("TDO", "OUT")):
        out.append(f"  attribute TAP_SCAN_{attribute} of {port} : signal is {yes};")
    if device["trst"]:
        out.append(f"  attribute TAP_SCAN_RESET of TRST : signal is {yes};")
    out.append("  attribute TAP_SCAN_CLOCK of TCK : signal is (10.0e6, BOTH);")
    out.append(f"  attribute INSTRUCTION_LENGTH of {name} : entity is {device['ir_length']};")
    out.append(f"  attribute INSTRUCTION_OPCODE of {name} : entity is")
    out += strings([f"{n} ({', '.join(codes)})" for n, codes in device["opcodes"].items()])
    out.append(f'  attribute INSTRUCTION_CAPTURE of {name} : entity is "{device["ir_capture"]}";')
    if device["private"]:
        out.append(f'  attribute INSTRUCTION_PRIVATE of {name} : entity is "{", ".join(device["private"])}";')
    if device["idcode"] is not None:
        word = format(device["idcode"], "032b")
        version = "XXXX" if device["version_open"] else word[:4]
        out += [f"  attribute IDCODE_REGISTER of {name} : entity is",
                f'    "{version}" & "{word[4:20]}" & "{word[20:31]}" & "1";']
    if device["registers"]:
        out.append(f"  attribute REGISTER_ACCESS of {name} : entity is")
        out += strings(["BYPASS (LOOM_OPEN, LOOM_START, LOOM_CLOSE)"]
                       + [f"{r}[{n}] ({r})" for r, n in device["registers"].items()])
    out.append(f"  attribute BOUNDARY_LENGTH of {name} : entity is {len(device['text_cells'])};")
    out.append(f"  attribute BOUNDARY_REGISTER of {name} : entity is")
    lines = []
    for number, kind, _, function, control, off, result, port, safe in device["text_cells"]:
        tail = f", {control}, {off}, {result}" if control is not None else ""
        lines.append(f"{number} ({kind}, {port}, {mode_of(function)}, {safe}{tail})")
    out += strings(lines[::-1] if dice.random() < 0.5 else lines)
    out.append(f"end {name};")
    return "\n".join(out) + "\n"


def strings(parts):
    """A comma list as joined strings, one part a line."""
    return [f'    "{part}{"," if k + 1 < len(parts) else ""}"{" &" if k + 1 < len(parts) else ";"}'
            for k, part in enumerate(parts)]
