"""Find the web page's address and port, and draw a QR code (ISO/IEC 18004) for phones."""

import errno
import http.client
import os
import socket
from contextlib import suppress

import segno

from chrono.errors import OptionError

LOCALHOST = "127.0.0.1"
SERVER_NAME = "chrono-share"
"""Name of the server in its answers; a second server detects the first by this name."""

_ELSEWHERE = ("192.0.2.1", 9)
"""An address outside the local network (TEST-NET-1, RFC 5737); nothing is sent to it."""


def listen(address: str, port: int) -> socket.socket:
    """
    Open the network port at which viewers can request the page.

    Parameters
    ----------
    address : str
        An IPv4 address of this computer.
    port : int
        TCP port; 0 for any free port.

    Raises
    ------
    OptionError
        If the address does not belong to this computer, or the port is in use.
    """
    bound = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    if os.name == "posix":  # on other systems this would let two programs use the same port
        bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        bound.bind((address, port))
        bound.listen(0)
    except OSError as error:
        bound.close()
        raise _refusal(error, address, port) from error
    return bound


def url_of(bound: socket.socket, token: str) -> str:
    """Return the web address of the page, which contains the secret token."""
    address, port = bound.getsockname()[:2]
    return f"http://{address}:{port}/" + (f"{token}/" if token else "")


def network_address() -> str:
    """
    Return this computer's address in the local network.

    Raises
    ------
    OptionError
        If this computer is not connected to a network.
    """
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe, suppress(OSError):
        probe.connect(_ELSEWHERE)  # sends nothing, only chooses the network
        return _checked(str(probe.getsockname()[0]))
    with suppress(OSError):
        return _checked(socket.gethostbyname(socket.gethostname()))
    raise OptionError(
        "this computer is not connected to a network",
        where="--lan",
        hint="connect to the same network as the viewers, or give the address of this "
        "computer, such as --address 10.42.0.1",
    )


def _checked(address: str) -> str:
    if address.startswith(("127.", "0.")):
        raise OSError(errno.ENETUNREACH, "only itself")
    return address


def _refusal(error: OSError, address: str, port: int) -> OptionError:
    where = "--web-port"
    other = "choose another port, such as --web-port 8766"
    if error.errno == errno.EADDRINUSE and _is_shared_there(address, port):
        return OptionError(
            f"a recording is already shared at http://{address}:{port}/",
            where=where,
            hint=f"end the other program with ctrl+c, or {other}",
        )
    if error.errno == errno.EADDRINUSE:
        return OptionError(f"another program already uses port {port}", where=where, hint=other)
    if error.errno == errno.EADDRNOTAVAIL or isinstance(error, socket.gaierror):
        return OptionError(
            f"{address} is not an address of this computer",
            where="--address",
            hint="find this computer's address in the network settings, or use --lan",
        )
    if error.errno in (errno.EACCES, errno.EPERM):
        return OptionError(f"port {port} needs administrator rights", where=where, hint=other)
    return OptionError(
        f"the address {address}:{port} cannot be used: {error.strerror}", where=where
    )


def _is_shared_there(address: str, port: int) -> bool:
    connection = http.client.HTTPConnection(address, port, timeout=1.0)
    try:
        connection.request("HEAD", "/")
        return connection.getresponse().getheader("Server") == SERVER_NAME
    except (OSError, http.client.HTTPException):
        return False
    finally:
        connection.close()


QUIET_MODULES = 2
"""Width of the light border [modules]. The standard requires 4, but cameras need only 2, which
saves lines."""

BLACK_ON_WHITE, PLAIN = "\x1b[30;107m", "\x1b[0m"

_HALVES = {(0, 0): " ", (1, 0): "▀", (0, 1): "▄", (1, 1): "█"}


def qr_lines(address: str, *, blocks: bool, colours: bool) -> list[str]:
    """
    Return the QR code of an address as lines of text for a terminal.

    Parameters
    ----------
    address : str
    blocks : bool
        True to draw two modules in one character, one above the other. False to draw each
        module as two ASCII characters.
    colours : bool
        True to draw dark modules on a light background, whatever colours the terminal has.
        False to draw only the light modules, which is right for a terminal with a dark
        background.
    """
    code = segno.make(address, error="l", micro=False)
    rows = [list(row) for row in code.matrix_iter(border=QUIET_MODULES)]
    if not colours:
        rows = [[1 - module for module in row] for row in rows]
    if not blocks:
        return ["".join("##" if module else "  " for module in row) for row in rows]
    if len(rows) % 2:
        rows.append([0 if colours else 1] * len(rows[0]))
    pairs = zip(rows[::2], rows[1::2], strict=True)
    lines = ["".join(_HALVES[two] for two in zip(*pair, strict=True)) for pair in pairs]
    return [f"{BLACK_ON_WHITE}{line}{PLAIN}" for line in lines] if colours else lines
