"""Find the board's serial port, open it, and find it again after the board was unplugged.

An operating system gives names to ports in the order in which the devices are plugged in. After
a board was unplugged, its port may have another name. The program recognises a board by the
values that a USB device states about itself: the maker, the product and usually the serial
number.
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
"""The USB vendor numbers of companies that make small boards or their USB chips. They are from
the public list of USB numbers (linux-usb.org, usb.ids)."""


PRODUCTS = {(0x2E8A, 0x000A): "an RP2040 board that runs a program"}
"""The USB vendor and product numbers of a board family for which we have firmware; from memory.
A board without a program appears as a drive (2E8A:0003), not as a port.
"""


class PortIdentity(NamedTuple):
    """
    The values that identify a USB device.

    If the USB device has no serial number, `location` states the USB socket. If a USB device
    has several ports, `location` always states the number of the port in the device.
    """

    vendor: int
    product: int
    serial_number: str | None
    location: str


class AttachedPort(NamedTuple):
    """A serial port; a high `rank` (0 to 2) means that the port probably belongs to a board."""

    device: str
    description: str
    rank: int


def ports_here() -> list[AttachedPort]:
    """Return the serial ports of this computer, sorted by name."""
    return sorted(AttachedPort(p.device, _words(p), _rank(p)) for p in list_ports.comports())


def port_names() -> frozenset[str]:
    """Return the names of the serial ports of this computer."""
    return frozenset(p.device for p in list_ports.comports())


def likely_boards(ports: list[AttachedPort]) -> list[str]:
    """
    Return the ports that most likely belong to a board.

    If no port looks like a board, the list is empty.
    """
    best = max((port.rank for port in ports), default=0)
    return [port.device for port in ports if port.rank == best > 0]


def identity_of(port: str) -> PortIdentity | None:
    """Return the values that identify the device on a port, or None if they are unknown."""
    if "://" in port:
        return None
    place = os.path.realpath(port)
    found = (p for p in list_ports.comports() if os.path.realpath(p.device) == place)
    return next((_identity(p) for p in found), None)


def ports_of_device(wanted: PortIdentity) -> list[str]:
    """Return the names that the ports of a device have now."""
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
"""The program keeps at most this many characters of an error message of the system."""

NAME_LIMIT = 200
"""Messages show at most this many characters of a port's name."""

HANDLERS = ("chrono.reader", "chrono.virtual")
"""pyserial searches these packages for our `protocol_….py` before it uses its own modules."""

OperatorRow = tuple[float, str, dict[str, Any]]
"""A record of the operator: time since the port was opened [s], origin, JSON object."""


@runtime_checkable
class SimulatedPort(Protocol):
    """A simulated port with a rig, and with an operator whose actions come at fixed times."""

    def rig_text(self) -> str:
        """Return the text of the rig file that belongs to this simulated port."""

    def operator_rows(self) -> Iterator[OperatorRow]:
        """Yield the operator's records in order of time; the sequence may be endless."""


def open_port(port: str, baudrate: int = DEFAULT_BAUDRATE) -> serial.Serial:
    """
    Open a port, and prevent other programs from using it.

    Parameters
    ----------
    port : str
        A device, an address that pyserial can open, or ``virtual://SCENARIO``.
    baudrate : int

    Returns
    -------
    serial.Serial
        The open port; `read` returns after `READ_TIMEOUT_S` at the latest.

    Raises
    ------
    PortError
        If the port is missing, not allowed, in use or not a serial port, or if the address or
        the baud rate is impossible.
    """
    _know_handlers()
    _check_address(port)
    try:
        # The system accepts a baud rate of 0, but then ends the connection.
        if baudrate < 1:
            raise ValueError("the baud rate is below 1")
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
    """Return a simulated port, but do not open it; return None for any other port."""
    _know_handlers()
    try:
        found = serial.serial_for_url(port, do_not_open=True)
    except Exception:  # opening it will report what is wrong
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
        "the port cannot be opened: permission denied",
        "add yourself to the group that owns the port, usually with: sudo usermod -aG "
        "dialout $USER; then log out and log in again",
    ),
    (
        (errno.EAGAIN, errno.EBUSY),
        "the port is in use by another program",
        "close the other program (such as a serial monitor or a second chrono) and try again",
    ),
    (
        (errno.ENOTTY, errno.EISDIR, errno.ENXIO, errno.EINVAL),
        "this is not a serial port",
        "give the board's port, such as /dev/ttyUSB0, /dev/ttyACM0 or COM3",
    ),
)


_CHECK_ADDRESS = "check the address, and check that a program is running at this address"


def _check_address(port: str) -> None:
    """Check a network address before the program tries to connect to this address."""
    scheme, mark, _ = port.partition("://")
    if not mark or scheme.lower() not in _NETWORK:
        return
    try:
        parts = urlsplit(port)
        if parts.hostname and parts.port:
            return
        trouble = "the port number is missing" if parts.hostname else "the host name is missing"
    except ValueError as exc:
        trouble = reason_of(exc)[:1].lower() + reason_of(exc)[1:]
    raise PortError(
        f"this address cannot be used: {trouble}",
        where=_shown(port),
        hint=f"write {scheme.lower()}://HOST:PORT, with a port number from 1 to 65535",
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
    return PortError(
        f"the port cannot be opened: {reason_of(exc, port)}", where=where, hint=hint
    )


def _shown(port: str) -> str:
    return plain(port[:NAME_LIMIT]) or "(no port)"


def _error_code(exc: Exception) -> int | None:
    """
    Return the operating system's error number, even if pyserial has replaced it by a text.
    """
    code = getattr(exc, "errno", None)
    cause = exc.__context__
    if code is None and cause is not None and cause.args and isinstance(cause.args[0], int):
        code = cause.args[0]
    if os.name == "nt" and code in _NO_PERMISSION:
        return errno.EBUSY  # on Windows, "access denied" means a port in use
    return code


def _wrong_words(port: str, baudrate: int, exc: Exception) -> tuple[str, str]:
    """Return an error message and a hint for a port or a baud rate that cannot be used."""
    if "baud" in str(exc).lower() or baudrate >= 2**31:
        return (
            f"the baud rate {baudrate} is not possible on this port",
            f"use the baud rate that the board's program sets, usually {DEFAULT_BAUDRATE}",
        )
    if "://" in port:
        # pyserial's own error here would explain nothing to a user.
        reason = f": {reason_of(exc)}" if isinstance(exc, ValueError) else ""
        return (
            f"this address cannot be used{reason}",
            "use a device name, socket://HOST:PORT, rfc2217://HOST:PORT or virtual://SCENARIO",
        )
    return f"this is not the name of a port: {reason_of(exc)}", _which_ports()


def _which_ports() -> str:
    ports = ports_here()
    found = [f"{p.device} ({p.description})" if p.description else p.device for p in ports]
    if found:
        return f"use one of these ports: {', '.join(found)}"
    return "no serial port was found: plug in the board, or try virtual://two-bands"


def reason_of(exc: Exception, port: str = "") -> str:
    """Return an error's message on one line; all words up to the port's name are removed."""
    words = " ".join((getattr(exc, "strerror", None) or str(exc)).split())
    return plain(words.split(f"{port}: ")[-1] if port else words)[:REASON_LIMIT]
