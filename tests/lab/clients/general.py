"""A general-purpose FTDI library meets the emulated chips: PyPI pyftdi on pyusb, on a libusb without udev.

Only its general USB, GPIO and SPI side is used. Prints one JSON document of what it saw; the test that
started it judges.

    general.py FREQUENCY…
"""
import json
import sys

import libusb_package
import usb.backend.libusb1

# pyusb asks for its library by name: give it the one that is not built on udev.
usb.backend.libusb1.get_backend(find_library=libusb_package.find_library)

from pyftdi.ftdi import Ftdi, FtdiFeatureError  # noqa: E402
from pyftdi.gpio import GpioMpsseController, GpioSyncController  # noqa: E402
from pyftdi.spi import SpiController, SpiIOError  # noqa: E402
from pyftdi.usbtools import UsbTools  # noqa: E402


def listing():
    """Every chip: product number, serial, text, interfaces."""
    return [
        {"product": d.pid, "serial": d.sn, "text": d.description, "interfaces": n}
        for d, n in Ftdi.list_devices()
    ]


def frequencies(url, wanted):
    """What the library takes a wanted clock rate to be, by its own divisor arithmetic."""
    got = []
    for hz in wanted:
        ftdi = Ftdi()
        try:
            rate = ftdi.open_mpsse_from_url(url, frequency=hz)
        except FtdiFeatureError:
            rate = None  # beyond this chip
        got.append({"wanted": hz, "got": rate})
        ftdi.close()
    return got


def unknown_command(url):
    """The answer to a command that no chip has: 0xFA and the command."""
    ftdi = Ftdi()
    ftdi.open_mpsse_from_url(url)
    ftdi.write_data(bytes([0xAB, 0x87]))
    answer = ftdi.read_data_bytes(2, attempt=8)
    ftdi.close()
    return answer.hex()


def gpio(url):
    """Levels of all lines as inputs, and of two of them as outputs, low and high."""
    lines = GpioMpsseController()
    lines.configure(url, direction=0, frequency=1e6)
    idle = lines.read(1)[0]
    lines.close(freeze=True)
    lines.configure(url, direction=0x30, frequency=1e6)
    driven = []
    for value in (0x00, 0x10, 0x20, 0x30):
        lines.write(value)
        driven.append(lines.read(1)[0] & 0x30)
    lines.close(freeze=True)
    return {"idle": idle, "driven": driven}


def spi(url, mode, data):
    """A duplex exchange with the chip's output tied to its input inside the chip."""
    bus = SpiController(cs_count=1)
    bus.configure(url, frequency=1e6)
    bus.ftdi.enable_loopback_mode(True)
    try:
        port = bus.get_port(cs=0, freq=1e6, mode=mode)
    except SpiIOError:
        return None  # the library has this mode on the H types only
    else:
        return bytes(port.exchange(data, duplex=True)) == data
    finally:
        bus.ftdi.enable_loopback_mode(False)
        bus.close(freeze=True)


def bit_bang(url, data):
    """Synchronous bit-bang with all lines as outputs: each byte that comes back is what stood before the write."""
    lines = GpioSyncController()
    lines.configure(url, direction=0xFF, frequency=1e5)
    back = bytes(lines.exchange(data))
    lines.close(freeze=True)
    return back[1:] == data[:-1]


def main():
    chips = {}
    seen = listing()
    data = bytes((k * 37 + 11) & 0xFF for k in range(100))
    for chip in seen:
        url = f"ftdi://{0x0403:#x}:{chip['product']:#x}:{chip['serial']}/1"
        probe = Ftdi()
        probe.open_from_url(url)
        mpsse = probe.has_mpsse
        probe.close()
        if not mpsse:
            chips[chip["serial"]] = {"bit_bang": bit_bang(url, data)}
            continue
        chips[chip["serial"]] = {
            "frequencies": frequencies(url, [float(f) for f in sys.argv[1:]]),
            "unknown_command": unknown_command(url),
            "gpio": gpio(url),
            "spi_mode_0": spi(url, 0, data),
            "spi_mode_2": spi(url, 2, data),
        }
        UsbTools.flush_cache()
    print(json.dumps({"listing": seen, "chips": chips}))


if __name__ == "__main__":
    main()
