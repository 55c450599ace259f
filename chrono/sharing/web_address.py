"""Where the page is found: address, port, and the QR code for a telephone (ISO/IEC 18004)."""

import errno
import http.client
import os
import socket
from contextlib import suppress

import segno

from chrono.errors import OptionError

LOCALHOST = "127.0.0.1"
SERVER_NAME = "chrono-share"
"""Name of the server in the page's answers, so that a second server recognises it."""

_ELSEWHERE = ("192.0.2.1", 9)
"""Any address outside: nothing is sent to it (TEST-NET-1, RFC 5737)."""


def listen(address: str, port: int) -> socket.socket:
    """
    Take the port for the page.

    Parameters
    ----------
    address : str
        An IPv4 address of this computer.
    port : int
        TCP port; 0 for any that is free.

    Raises
    ------
    OptionError
        If the address is not this computer's, or the port is taken.
    """
    bound = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    if os.name == "posix":  # elsewhere it would let two programs have one port
        bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        bound.bind((address, port))
        bound.listen(0)
    except OSError as error:
        bound.close()
        raise _refusal(error, address, port) from error
    return bound


def url_of(bound: socket.socket, token: str) -> str:
    """Return the web address of the page behind a token."""
    address, port = bound.getsockname()[:2]
    return f"http://{address}:{port}/" + (f"{token}/" if token else "")


def network_address() -> str:
    """
    Return this computer's address in the local network.

    Raises
    ------
    OptionError
        If it is in no network.
    """
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe, suppress(OSError):
        probe.connect(_ELSEWHERE)  # sends nothing, only chooses the network
        return _checked(str(probe.getsockname()[0]))
    with suppress(OSError):
        return _checked(socket.gethostbyname(socket.gethostname()))
    raise OptionError(
        "this computer is in no network",
        where="--lan",
        hint="join the network that the others are in, or name this computer's address in "
        "it: --address 10.42.0.1",
    )


def _checked(address: str) -> str:
    if address.startswith(("127.", "0.")):
        raise OSError(errno.ENETUNREACH, "only itself")
    return address


def _refusal(error: OSError, address: str, port: int) -> OptionError:
    where = "--web-port"
    other = "choose another one, such as --web-port 8766"
    if error.errno == errno.EADDRINUSE and _is_shared_there(address, port):
        return OptionError(
            f"a recording is shared already at http://{address}:{port}/",
            where=where,
            hint=f"end that one with ctrl+c, or {other}",
        )
    if error.errno == errno.EADDRINUSE:
        return OptionError(f"another program uses port {port}", where=where, hint=other)
    if error.errno == errno.EADDRNOTAVAIL or isinstance(error, socket.gaierror):
        return OptionError(
            f"{address} is no address of this computer",
            where="--address",
            hint="look it up in the settings of the network, or use --lan",
        )
    if error.errno in (errno.EACCES, errno.EPERM):
        return OptionError(f"port {port} is not for every user", where=where, hint=other)
    return OptionError(f"{address}:{port} cannot be used: {error.strerror}", where=where)


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
"""Light border. The standard asks for 4; cameras do with 2, and a screen has few lines."""

BLACK_ON_WHITE, PLAIN = "\x1b[30;107m", "\x1b[0m"

_HALVES = {(0, 0): " ", (1, 0): "▀", (0, 1): "▄", (1, 1): "█"}


def qr_lines(address: str, *, blocks: bool, colours: bool) -> list[str]:
    """
    Return the code as lines for a terminal.

    Parameters
    ----------
    address : str
    blocks : bool
        Two modules in a character, one above the other; else two ASCII characters a module.
    colours : bool
        Dark on light, whatever the terminal's own colours are. Without colours the light
        modules are drawn, which is right on a dark background.
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
