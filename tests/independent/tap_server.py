"""Serves the independent model as a TAP socket: one connection, then the witness.

    python3 tap_server.py MODEL.json [--listen HOST:PORT | --listen unix:PATH] [--witness FILE]

Messages both ways are one kind byte, a u32 little-endian length, the payload. `H` greets; `K` clocks (u32 count, then two
bits a cycle, first cycle in the low bits, bit 0 TMS, bit 1 TDI) and is answered by `O` (u32 count, one bit a cycle: TDO
just before the rising edge); `L` sets a line, `T` lets time pass.
"""

import argparse
import json
import os
import socket
import struct
import sys

from tap_model import Board

GREETING = b"taploom 1"
MOST_CYCLES = 1 << 20
# One payload byte holds four cycles.
TMS4 = [bytes([b >> 2 * k & 1 for k in range(4)]) for b in range(256)]
TDI4 = [bytes([b >> 2 * k + 1 & 1 for k in range(4)]) for b in range(256)]
PLAIN = bytes([48, 49]) + bytes(254)


class BadMessage(Exception):
    """The client sent something that the description of the socket does not allow."""


def listen(where):
    """Opens the socket; gives it and the address that a client uses."""
    if where.startswith("unix:"):
        s = socket.socket(socket.AF_UNIX)
        s.bind(where[5:])
        s.listen(1)
        return s, where
    host, port = where.rsplit(":", 1)
    s = socket.create_server((host, int(port)))
    return s, "%s:%d" % s.getsockname()[:2]


def read_exactly(connection, count):
    parts = []
    while count:
        part = connection.recv(min(count, 1 << 20))
        if not part:
            return None
        parts.append(part)
        count -= len(part)
    return b"".join(parts)


def answer(board, kind, payload, greeted):
    """The answer to one message: kind and payload."""
    if not greeted and kind != b"H":
        raise BadMessage(f"{kind!r} before H")
    if kind == b"H":
        if payload != GREETING:
            raise BadMessage(f"greeting {payload!r}")
        return b"H", GREETING
    if kind == b"K":
        if len(payload) < 4:
            raise BadMessage("K without a count")
        count = struct.unpack_from("<I", payload)[0]
        if count > MOST_CYCLES or len(payload) != 4 + (count + 3) // 4:
            raise BadMessage(f"K of {count} cycles in {len(payload)} bytes")
        packed = payload[4:]
        tms = b"".join([TMS4[b] for b in packed])[:count]
        tdi = b"".join([TDI4[b] for b in packed])[:count]
        tdo = board.clock(tms, tdi)
        bits = int(tdo.translate(PLAIN)[::-1], 2) if count else 0
        return b"O", struct.pack("<I", count) + bits.to_bytes((count + 7) // 8, "little")
    if kind == b"L":
        if len(payload) != 2 or payload[1] > 2:
            raise BadMessage(f"L {payload!r}")
        board.line(payload[0], payload[1])
        return b"L", b"\x00"  # no spare lines here: all read 0
    if kind == b"T":
        if len(payload) != 8:
            raise BadMessage(f"T of {len(payload)} bytes")
        board.wait(struct.unpack("<Q", payload)[0])
        return b"T", b""
    raise BadMessage(f"kind {kind!r}")


def serve(connection, board, before_answer=None):
    """Serves until either side closes; the witness gets `protocol_error` and `messages`. `before_answer(board)` is
    called when a message has been acted on and not yet been answered."""
    error, messages, greeted = None, 0, False
    try:
        while True:
            head = read_exactly(connection, 5)
            if head is None:
                break
            length = struct.unpack("<I", head[1:])[0]
            if length > 4 + MOST_CYCLES // 4:
                raise BadMessage(f"a message of {length} bytes")
            payload = read_exactly(connection, length)
            if payload is None:
                raise BadMessage("closed within a message")
            kind, reply = answer(board, head[:1], payload, greeted)
            greeted, messages = True, messages + 1
            if before_answer:
                before_answer(board)
            connection.sendall(kind + struct.pack("<I", len(reply)) + reply)
    except BadMessage as bad:
        error = str(bad)
    except OSError as gone:
        error = None if isinstance(gone, (ConnectionResetError, BrokenPipeError)) else str(gone)
    finally:
        connection.close()
    return {**board.witness(), "protocol_error": error, "messages": messages}


def main():
    arguments = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    arguments.add_argument("model")
    arguments.add_argument("--listen", default="127.0.0.1:0")
    arguments.add_argument("--witness")
    given = arguments.parse_args()
    with open(given.model) as file:
        board = Board(json.load(file))
    server, address = listen(given.listen)
    print(address, flush=True)
    connection, _ = server.accept()
    server.close()
    witness = json.dumps(serve(connection, board), indent=1)
    if given.listen.startswith("unix:"):
        os.unlink(given.listen[5:])
    if given.witness:
        with open(given.witness, "w") as file:
            file.write(witness + "\n")
    else:
        print(witness)
    return 0


if __name__ == "__main__":
    sys.exit(main())
