#!/usr/bin/env python3
"""What each scan of a serial vector file expects, by a reader of its own: shares nothing with
the program.

Usage: svf_expect.py FILE    binary on standard output, one record a scan of at least one bit:
    u32 line of the statement, u32 bits before the statement's own data, u32 own bits,
    u32 bits in all, then expected bits and mask bits, each in ceil(bits / 8) bytes, bit 0 first

Header and trailer stand around the data as HDR, TDR, HIR, TIR say. Rules (Serial Vector Format
Specification, revision E, from memory): TDO is never remembered; MASK is while the length
stays, and is all ones after a change.
"""
import re
import struct
import sys

TOKEN = re.compile(r"\s*(?:(TDI|TDO|MASK|SMASK)\s*\(([^)]*)\)|([^\s;()]+))", re.I)


class Memory:
    """What one command remembers."""

    def __init__(self):
        self.length = None
        self.mask = None

    def scan(self, length, values):
        if length != self.length:
            self.length, self.mask = length, None
        if "MASK" in values:
            self.mask = values["MASK"]
        full = (1 << length) - 1
        if "TDO" not in values:
            return length, 0, 0
        mask = full if self.mask is None else self.mask & full
        return length, values["TDO"] & full, mask


def statements(text):
    """Yields (line of the first word, statement) with comments blanked out."""
    text = re.sub(r"(!|//)[^\n]*", lambda m: " " * len(m.group()), text)
    line, start = 1, 0
    while True:
        end = text.find(";", start)
        if end < 0:
            return
        piece = text[start:end]
        lead = len(piece) - len(piece.lstrip())
        yield line + piece.count("\n", 0, lead), piece
        line += piece.count("\n")
        start = end + 1


def main(path):
    text = open(path, "rb").read().decode("latin-1")
    memory = {}
    pads = {name: (0, 0, 0) for name in ("HDR", "HIR", "TDR", "TIR")}
    out = sys.stdout.buffer
    for line, statement in statements(text):
        words, values = [], {}
        for match in TOKEN.finditer(statement):
            name, data, word = match.groups()
            if name:
                values[name.upper()] = int(re.sub(r"\s", "", data), 16)
            else:
                words.append(word.upper())
        if not words:
            continue
        command = words[0]
        if command in pads:
            pads[command] = memory.setdefault(command, Memory()).scan(int(words[1]), values)
        elif command in ("SDR", "SIR"):
            own = memory.setdefault(command, Memory()).scan(int(words[1]), values)
            parts = [pads["H" + command[1:]], own, pads["T" + command[1:]]]
            total = expected = mask = 0
            for length, value, care in parts:
                expected |= value << total
                mask |= care << total
                total += length
            if total:
                size = (total + 7) // 8
                out.write(struct.pack("<IIII", line, parts[0][0], own[0], total))
                out.write(expected.to_bytes(size, "little"))
                out.write(mask.to_bytes(size, "little"))


if __name__ == "__main__":
    main(sys.argv[1])
