"""Answer a request only if it comes from the program's page and is addressed to this computer.

Other websites that are open in a viewer's browser must not read the page or send guesses. The
server refuses requests from other websites. The server also refuses requests that use another
computer name, because an attacker can make another name point to this computer.
"""

import ipaddress
import secrets
import socket
from dataclasses import dataclass
from urllib.parse import urlsplit

TOKEN_LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"
"""Letters that people do not confuse when they read them from a wall."""

TOKEN_LENGTH = 10
"""Letters in a token. There are 31^10 possible tokens (about 50 bits). With 1000 guesses per
second, finding the right token takes 13,000 years on average."""


@dataclass(frozen=True)
class PageRequest:
    """
    The parts of a web request that decide whether the server answers it.

    Attributes
    ----------
    method, path : str
        Method and path of the request; the path is not decoded.
    host, origin, site : str
        The headers Host, Origin and Sec-Fetch-Site; empty if the header is missing.
    address : str
        Address of this computer at which the request arrived.
    port : int
        TCP port at which the request arrived.
    """

    method: str
    path: str
    host: str
    origin: str
    site: str
    address: str
    port: int


@dataclass(frozen=True)
class RefusedRequest:
    """The server's answer to a request that it refuses: an HTTP status code and a text."""

    status: int
    words: str


def make_token() -> str:
    """Make a secret token that people can easily read from a wall and type."""
    return "".join(secrets.choice(TOKEN_LETTERS) for _ in range(TOKEN_LENGTH))


def admit(asked: PageRequest, token: str, sent_to: str = "") -> str | RefusedRequest:
    """
    Decide whether the server answers a web request.

    Parameters
    ----------
    asked : PageRequest
    token : str
        Secret at the beginning of the path; empty if the page has no secret.
    sent_to : str, optional
        Path that accepts data (POST); empty if no path accepts data.

    Returns
    -------
    str or RefusedRequest
        The requested path without the secret (``""`` is the page), or the refusal.
    """
    is_sent = asked.method == "POST" and bool(sent_to)
    if asked.method not in ("GET", "HEAD") and not is_sent:
        return RefusedRequest(405, "You cannot send data to this page.")
    if not is_own_host(asked.host, asked.address, asked.port):
        return RefusedRequest(421, "The address is wrong: this page has another address.")
    name = _behind_token(asked.path, token)
    if name is None:
        return RefusedRequest(404, "This page does not exist.")
    if sent_to and is_sent != (name == sent_to):
        return RefusedRequest(405, "This address does not accept this kind of request.")
    if (asked.origin or is_sent) and asked.origin != f"http://{asked.host}":
        return RefusedRequest(403, "Other websites may not read this page.")
    if name and asked.site not in ("", "same-origin", "none"):
        return RefusedRequest(403, "Other websites may not read this page.")
    return name


def is_own_host(host: str, address: str, port: int) -> bool:
    """
    Return whether a request names this computer as its target (in its Host header).

    The target must be the network address at which the request arrived, the name of this
    computer, or `localhost` if the request comes from this computer.
    """
    try:
        parts = urlsplit(f"//{host}")
        name, named_port = parts.hostname or "", parts.port or 80
    except ValueError:
        return False
    if named_port != port or parts.netloc != host or "@" in host:
        return False
    own = socket.gethostname().lower().partition(".")[0]
    if name in (own, f"{own}.local") or _same_address(name, address):
        return True
    return name == "localhost" and _is_loopback(address)


def _behind_token(path: str, token: str) -> str | None:
    """Return the part of a path after the secret token; None if the token is wrong."""
    if not path.startswith("/"):
        return None
    if not token:
        return path[1:]
    first, _, rest = path[1:].partition("/")
    is_right = secrets.compare_digest(first.encode(), token.encode())
    return rest if is_right else None


def _same_address(name: str, address: str) -> bool:
    try:
        return ipaddress.ip_address(name) == ipaddress.ip_address(address)
    except ValueError:
        return False


def _is_loopback(address: str) -> bool:
    try:
        return ipaddress.ip_address(address).is_loopback
    except ValueError:
        return False
