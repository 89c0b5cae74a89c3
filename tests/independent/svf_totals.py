#!/usr/bin/env python3
"""Totals of serial vector files by a reader of its own: shares nothing with the program.

Usage: svf_totals.py FILE...     one line of JSON a file

Counts statements as written: LOOP is not unrolled, `compares` are SIR and SDR with a TDO,
`run_test_cycles` are the TCK and SCK numbers, `bits_shifted` has headers and trailers.
Source: Serial Vector Format Specification, revision E (from memory).
"""
import json
import re
import sys


def totals(path):
    text = open(path, "rb").read().decode("latin-1")
    # Comments go first: they may hold semicolons and parentheses.
    text = re.sub(r"(!|//)[^\n]*", "", text)
    pads = {"HDR": 0, "HIR": 0, "TDR": 0, "TIR": 0}
    out = {"commands": {}, "bits_shifted": 0, "payload_bits": 0, "compares": 0, "run_test_cycles": 0}
    for statement in text.split(";"):
        # What stands in parentheses is data, not words.
        words = re.sub(r"\([^)]*\)", " ", statement).upper().split()
        if not words:
            continue
        command = words[0]
        out["commands"][command] = out["commands"].get(command, 0) + 1
        if command in pads:
            pads[command] = int(words[1])
        elif command in ("SDR", "SIR"):
            length = int(words[1])
            kind = command[1:]
            out["payload_bits"] += length
            out["bits_shifted"] += length + pads["H" + kind] + pads["T" + kind]
            out["compares"] += "TDO" in words
        elif command == "RUNTEST":
            for number, unit in zip(words, words[1:]):
                if unit in ("TCK", "SCK"):
                    out["run_test_cycles"] += int(float(number))
    return out


if __name__ == "__main__":
    for path in sys.argv[1:]:
        print(json.dumps(totals(path)))
