"""A small client of the TAP socket, for the model's own tests: it knows the bytes and the state table, nothing more."""

import socket
import struct

from tap_model import NEXT


class Client:
    """Moves a chain at the other end of a socket; keeps no opinion of what is on it."""

    def __init__(self, address):
        if address.startswith("unix:"):
            self.socket = socket.socket(socket.AF_UNIX)
            self.socket.connect(address[5:])
        else:
            host, port = address.rsplit(":", 1)
            self.socket = socket.create_connection((host, int(port)))
        self.stream = self.socket.makefile("rb")
        assert self.ask(b"H", b"taploom 1") == (b"H", b"taploom 1")
        self.state = None

    def ask(self, kind, payload):
        self.socket.sendall(kind + struct.pack("<I", len(payload)) + payload)
        head = self.stream.read(5)
        return head[:1], self.stream.read(struct.unpack("<I", head[1:])[0])

    def clock(self, tms, tdi):
        """Lists of levels, first cycle first; gives TDO the same way."""
        packed = bytearray((len(tms) + 3) // 4)
        for k, (m, d) in enumerate(zip(tms, tdi)):
            packed[k // 4] |= (m | d << 1) << 2 * (k % 4)
            self.state = NEXT[self.state][m] if self.state else None
        kind, reply = self.ask(b"K", struct.pack("<I", len(tms)) + bytes(packed))
        assert kind == b"O" and struct.unpack_from("<I", reply)[0] == len(tms)
        return [reply[4 + k // 8] >> k % 8 & 1 for k in range(len(tms))]

    def moves(self, tms):
        return self.clock([int(c) for c in tms], [1] * len(tms))

    def reset(self):
        self.moves("11111")
        self.state = "Test-Logic-Reset"

    def scan(self, what, bits):
        """From Test-Logic-Reset or Run-Test/Idle through one IR or DR scan to Run-Test/Idle. Bits, first bit first."""
        if self.state == "Test-Logic-Reset":
            self.moves("0")
        self.moves("1100" if what == "IR" else "100")
        out = self.clock([0] * (len(bits) - 1) + [1], bits)
        self.moves("10")
        return out

    def wait(self, nanoseconds):
        assert self.ask(b"T", struct.pack("<Q", nanoseconds)) == (b"T", b"")

    def close(self):
        self.stream.close()
        self.socket.close()


def lsb_first(value, width):
    return [value >> k & 1 for k in range(width)]


def number(bits):
    return sum(b << k for k, b in enumerate(bits))
