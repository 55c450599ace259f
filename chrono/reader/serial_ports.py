"""The serial ports of this machine: find the board, open its port, find it after a pulled plug.

A system names ports in the order in which they come, so a board may return under another
name. A USB device states its maker, its product and mostly its serial number.
"""

import errno
import os
from collections.abc import Iterator
from typing import Any, NamedTuple, Protocol, runtime_checkable
from urllib.parse import urlsplit

import serial
from serial.tools import list_ports
from serial.tools.list_ports_common import ListPortInfo

from chrono.errors import PortError
from chrono.safe_text import plain

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


class PortIdentity(NamedTuple):
    """
    What tells one USB device from another.

    `location` is the place of the plug where there is no serial number, and in any case the
    part of a device that has several ports.
    """

    vendor: int
    product: int
    serial_number: str | None
    location: str


class AttachedPort(NamedTuple):
    """A serial port: its name, what it says it is, and how likely it is a board (0 to 2)."""

    device: str
    description: str
    rank: int


def ports_here() -> list[AttachedPort]:
    """Return the serial ports of this machine, by name."""
    return sorted(AttachedPort(p.device, _words(p), _rank(p)) for p in list_ports.comports())


def port_names() -> frozenset[str]:
    """Return the names of the serial ports of this machine."""
    return frozenset(p.device for p in list_ports.comports())


def likely_boards(ports: list[AttachedPort]) -> list[str]:
    """Return the names of those ports that are most likely a board's, none if all are dull."""
    best = max((port.rank for port in ports), default=0)
    return [port.device for port in ports if port.rank == best > 0]


def identity_of(port: str) -> PortIdentity | None:
    """Return what tells the device on a port from others, None if nothing does."""
    if "://" in port:
        return None
    place = os.path.realpath(port)
    found = (p for p in list_ports.comports() if os.path.realpath(p.device) == place)
    return next((_identity(p) for p in found), None)


def names_of(wanted: PortIdentity) -> list[str]:
    """Return the ports on which a device is now."""
    return sorted(p.device for p in list_ports.comports() if _identity(p) == wanted)


def _identity(port: ListPortInfo) -> PortIdentity | None:
    if port.vid is None or port.pid is None:
        return None
    location = port.location or ""
    if port.serial_number:
        location = location.partition(":")[2]
    return PortIdentity(port.vid, port.pid, port.serial_number or None, location)


def _rank(port: ListPortInfo) -> int:
    if port.vid is None:
        return 0
    return 2 if port.vid in MAKERS else 1


def _words(port: ListPortInfo) -> str:
    description = "" if port.description in (None, "n/a") else str(port.description)
    known = PRODUCTS.get((port.vid, port.pid), "")
    return f"{description} ({known})" if description and known else description or known


DEFAULT_BAUDRATE = 250_000
READ_TIMEOUT_S = 0.2
WRITE_TIMEOUT_S = 0.5

REASON_LIMIT = 300
"""Longest text that is kept of the system's own words."""

NAME_LIMIT = 200
"""Longest part of a port's name that is shown."""

HANDLERS = ("chrono.reader", "chrono.virtual")
"""Packages in which pyserial finds our `protocol_….py`, before its own."""

OperatorRow = tuple[float, str, dict[str, Any]]
"""Time since the port was opened [s], origin, JSON object."""


@runtime_checkable
class SimulatedPort(Protocol):
    """A port without hardware: it brings a rig, and an operator who acts by the clock."""

    def rig_text(self) -> str:
        """Return its rig file."""

    def operator_rows(self) -> Iterator[OperatorRow]:
        """Yield the records its operator makes, in order of time, perhaps without end."""


def open_port(port: str, baudrate: int = DEFAULT_BAUDRATE) -> serial.Serial:
    """
    Open a port for reading alone.

    Parameters
    ----------
    port : str
        Device, or an address with a scheme pyserial knows, or ``virtual://SCENARIO``.
    baudrate : int

    Returns
    -------
    serial.Serial
        The open port; `read` returns after `READ_TIMEOUT_S` at the latest.

    Raises
    ------
    PortError
        If it is missing, not allowed, in use, no serial port, or the address or the
        baud rate is impossible.
    """
    _know_handlers()
    _check_address(port)
    try:
        # 0 is a rate the system accepts: it hangs up.
        if baudrate < 1:
            raise ValueError("baud rate below 1")
        return serial.serial_for_url(
            port,
            baudrate=baudrate,
            timeout=READ_TIMEOUT_S,
            write_timeout=WRITE_TIMEOUT_S,
            exclusive=True,
        )
    except PortError:
        raise
    except Exception as exc:
        raise _port_error(port, baudrate, exc) from exc


def simulated_port(port: str) -> SimulatedPort | None:
    """Return a port, not open, if no hardware is behind it; None for every other."""
    _know_handlers()
    try:
        found = serial.serial_for_url(port, do_not_open=True)
    except Exception:  # what is wrong with it, opening it will tell
        return None
    return found if isinstance(found, SimulatedPort) else None


def _know_handlers() -> None:
    for package in HANDLERS:
        if package not in serial.protocol_handler_packages:
            serial.protocol_handler_packages.insert(0, package)


_NETWORK = {"socket", "rfc2217"}
_NO_PERMISSION = (errno.EACCES, errno.EPERM)
_CAUSES = (
    (
        _NO_PERMISSION,
        "cannot open: permission denied",
        "join the group that owns the port, mostly by: sudo usermod -aG dialout $USER; "
        "then log in again",
    ),
    (
        (errno.EAGAIN, errno.EBUSY),
        "the port is in use by another program",
        "close the other program (a serial monitor, a second chrono) and try again",
    ),
    (
        (errno.ENOTTY, errno.EISDIR, errno.ENXIO, errno.EINVAL),
        "this is no serial port",
        "name the board's port, such as /dev/ttyUSB0, /dev/ttyACM0 or COM3",
    ),
)


_CHECK_ADDRESS = "check the address, and that its other end is running"


def _check_address(port: str) -> None:
    """Say of a network address what is wrong with it, before anyone tries to connect."""
    scheme, mark, _ = port.partition("://")
    if not mark or scheme.lower() not in _NETWORK:
        return
    try:
        parts = urlsplit(port)
        if parts.hostname and parts.port:
            return
        trouble = "it names no port" if parts.hostname else "it names no host"
    except ValueError as exc:
        trouble = reason_of(exc)[:1].lower() + reason_of(exc)[1:]
    raise PortError(
        f"this address cannot be used: {trouble}",
        where=_shown(port),
        hint=f"write it as {scheme.lower()}://HOST:PORT, PORT from 1 to 65535",
    )


def _port_error(port: str, baudrate: int, exc: Exception) -> PortError:
    where = _shown(port)
    if not isinstance(exc, OSError):
        message, hint = _wrong_words(port, baudrate, exc)
        return PortError(message, where=where, hint=hint)
    code = _error_code(exc)
    for codes, message, hint in _CAUSES:
        if code in codes:
            return PortError(message, where=where, hint=hint)
    if code == errno.ENOENT or "FileNotFoundError" in str(exc):
        return PortError("there is no such port", where=where, hint=_which_ports())
    hint = _CHECK_ADDRESS if "://" in port else _which_ports()
    return PortError(f"cannot open: {reason_of(exc, port)}", where=where, hint=hint)


def _shown(port: str) -> str:
    return plain(port[:NAME_LIMIT]) or "(no port)"


def _error_code(exc: Exception) -> int | None:
    """Return the system's error number, also where pyserial has put it into words."""
    code = getattr(exc, "errno", None)
    cause = exc.__context__
    if code is None and cause is not None and cause.args and isinstance(cause.args[0], int):
        code = cause.args[0]
    if os.name == "nt" and code in _NO_PERMISSION:
        return errno.EBUSY  # what Windows calls access denied is a port in use
    return code


def _wrong_words(port: str, baudrate: int, exc: Exception) -> tuple[str, str]:
    """Return message and hint for a port or baud rate that could not even be tried."""
    if "baud" in str(exc).lower() or baudrate >= 2**31:
        return (
            f"baud rate {baudrate} is not possible here",
            f"use the rate that the board's program sets, mostly {DEFAULT_BAUDRATE}",
        )
    if "://" in port:
        # What pyserial trips over is no reason that tells anybody anything.
        reason = f": {reason_of(exc)}" if isinstance(exc, ValueError) else ""
        return (
            f"this address cannot be used{reason}",
            "use a device, socket://HOST:PORT, rfc2217://HOST:PORT or virtual://SCENARIO",
        )
    return f"this is no name of a port: {reason_of(exc)}", _which_ports()


def _which_ports() -> str:
    ports = ports_here()
    found = [f"{p.device} ({p.description})" if p.description else p.device for p in ports]
    if found:
        return f"use one of the ports here: {', '.join(found)}"
    return "plug the board in (no serial port is here), or try virtual://two-bands"


def reason_of(exc: Exception, port: str = "") -> str:
    """Return an error's words on one line, without what stands before the port's name."""
    words = " ".join((getattr(exc, "strerror", None) or str(exc)).split())
    return plain(words.split(f"{port}: ")[-1] if port else words)[:REASON_LIMIT]
