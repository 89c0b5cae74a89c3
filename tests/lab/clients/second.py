"""A second general FTDI library meets the emulated chips: libftdi1 by PyPI pylibftdi, on a libusb without udev
(which stands in LD_PRELOAD). Prints one JSON document of what it saw; the test that started it judges."""
import json
import time

from pylibftdi import Device, Driver

# Bits of data looped back inside the chip, least significant bit first: 0x39 writes on the falling and reads on
# the rising edge of the clock.
DATA = bytes((k * 73 + 5) & 0xFF for k in range(96))


def read(device, count):
    got = b""
    end = time.monotonic() + 2
    while len(got) < count and time.monotonic() < end:
        got += device.read(count - len(got))
    return got


def mpsse(serial):
    with Device(device_id=serial, mode="b") as device:
        device.ftdi_fn.ftdi_set_latency_timer(2)
        device.ftdi_fn.ftdi_set_bitmode(0, 0)
        device.ftdi_fn.ftdi_set_bitmode(0, 2)
        device.flush()
        device.write(bytes([0xAB, 0x87]))
        unknown = read(device, 2).hex()
        device.write(bytes([0x80, 0x08, 0x0B, 0x86, 5, 0, 0x84]))
        device.write(bytes([0x39, len(DATA) - 1, 0]) + DATA + b"\x87")
        back = read(device, len(DATA)) == DATA
        levels = []
        for value in (0x00, 0x10, 0x20, 0x30):
            device.write(bytes([0x80, value, 0x30, 0x81, 0x87]))
            levels.append(read(device, 1)[0] & 0x30)
        device.write(bytes([0x80, 0, 0, 0x85, 0x87]))
        return {"unknown_command": unknown, "looped_back": back, "driven": levels}


def bit_bang(serial):
    """Synchronous bit-bang with all lines as outputs: each byte that comes back is what stood before the write."""
    with Device(device_id=serial, mode="b") as device:
        device.ftdi_fn.ftdi_set_latency_timer(2)
        device.ftdi_fn.ftdi_set_bitmode(0xFF, 4)
        device.flush()
        device.baudrate = 9600
        device.write(DATA)
        return {"bit_bang": read(device, len(DATA))[1:] == DATA[:-1]}


def main():
    seen = [list(found) for found in Driver().list_devices()]
    # The chips without an MPSSE say so by the text of their product.
    plain = ("FT232R", "FT-X", "FT232BM", "FT245R")
    chips = {s: (bit_bang if text.endswith(plain) else mpsse)(s) for _, text, s in seen}
    print(json.dumps({"listing": seen, "chips": chips}))


if __name__ == "__main__":
    main()
