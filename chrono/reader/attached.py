"""The serial ports of this machine: which may be the board's, and where it went when its
plug was pulled and put back.

A system names ports in the order in which they come, so a board may return under another
name; what hangs on USB tells who made it, which product and mostly which one of them it is.
"""

import os
from typing import NamedTuple

from serial.tools import list_ports
from serial.tools.list_ports_common import ListPortInfo

MAKERS = {
    0x03EB: "Atmel",
    0x0403: "FTDI",
    0x0483: "STMicroelectronics",
    0x067B: "Prolific",
    0x10C4: "Silicon Labs",
    0x16C0: "V-USB, Teensy",
    0x1A86: "QinHeng (CH340)",
    0x1B4F: "SparkFun",
    0x2341: "Arduino",
    0x239A: "Adafruit",
    0x2A03: "Arduino",
    0x2E8A: "Raspberry Pi",
    0x303A: "Espressif",
}
"""USB numbers of who makes small boards, or the chips that join them to USB; from the public
list of USB numbers (linux-usb.org, usb.ids)."""


PRODUCTS = {(0x2E8A, 0x000A): "an RP2040 board that runs a program"}
"""Vendor and product by which a board of a family that we have firmware for shows itself; from
memory. Without a program it is a drive and no port (2E8A:0003)."""


class Identity(NamedTuple):
    """
    What tells one USB device from another.

    `location` is the place of the plug where there is no serial number, and in any case the
    part of a device that has several ports.
    """

    vendor: int
    product: int
    serial_number: str | None
    location: str


class Attached(NamedTuple):
    """A serial port: its name, what it says it is, and how likely it is a board (0 to 2)."""

    device: str
    description: str
    rank: int


def ports_here() -> list[Attached]:
    """Return the serial ports of this machine, by name."""
    return sorted(Attached(p.device, _words(p), _rank(p)) for p in list_ports.comports())


def likely_boards(ports: list[Attached]) -> list[str]:
    """Return the names of those ports that are most likely a board's, none if all are dull."""
    best = max((port.rank for port in ports), default=0)
    return [port.device for port in ports if port.rank == best > 0]


def identity_of(port: str) -> Identity | None:
    """Return what tells the device on a port from others, None if nothing does."""
    if "://" in port:
        return None
    place = os.path.realpath(port)
    found = (p for p in list_ports.comports() if os.path.realpath(p.device) == place)
    return next((_identity(p) for p in found), None)


def names_of(wanted: Identity) -> list[str]:
    """Return the ports on which a device is now."""
    return sorted(p.device for p in list_ports.comports() if _identity(p) == wanted)


def _identity(port: ListPortInfo) -> Identity | None:
    if port.vid is None or port.pid is None:
        return None
    location = port.location or ""
    if port.serial_number:
        location = location.partition(":")[2]
    return Identity(port.vid, port.pid, port.serial_number or None, location)


def _rank(port: ListPortInfo) -> int:
    if port.vid is None:
        return 0
    return 2 if port.vid in MAKERS else 1


def _words(port: ListPortInfo) -> str:
    description = "" if port.description in (None, "n/a") else str(port.description)
    known = PRODUCTS.get((port.vid, port.pid), "")
    return f"{description} ({known})" if description and known else description or known
