"""Which requests are answered: only those from its own page, sent to this computer.

A foreign page, opened in the same browser, must not read ours: its requests have its own
origin, or its own host if its name was made to point here. A guess must state that it comes
from our own page. Pure functions on what a request states about itself.
"""

import ipaddress
import secrets
import socket
from dataclasses import dataclass
from urllib.parse import urlsplit

TOKEN_LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"
"""Letters that nobody confuses with others when reading them from a wall."""

TOKEN_LENGTH = 10
"""31^10, some 50 bits: guessing a thousand a second takes 13,000 years on average."""


@dataclass(frozen=True)
class PageRequest:
    """
    What a request states about itself.

    Attributes
    ----------
    method, path : str
        The path as it came, nothing decoded.
    host, origin, site : str
        The headers Host, Origin and Sec-Fetch-Site, empty if missing.
    address : str
        Address of this computer at which the request arrived.
    port : int
        TCP port at which it arrived.
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
    """A status code of HTTP, and the text of the answer."""

    status: int
    words: str


def make_token() -> str:
    """Return a secret that can be read off a wall and typed."""
    return "".join(secrets.choice(TOKEN_LETTERS) for _ in range(TOKEN_LENGTH))


def admit(asked: PageRequest, token: str, sent_to: str = "") -> str | RefusedRequest:
    """
    Decide on one request.

    Parameters
    ----------
    asked : PageRequest
    token : str
        Secret that must lead the path; empty if none is asked for.
    sent_to : str, optional
        What may be sent to (POST); empty for nothing.

    Returns
    -------
    str or RefusedRequest
        What is asked for (``""`` is the page), or why it is not given.
    """
    is_sent = asked.method == "POST" and bool(sent_to)
    if asked.method not in ("GET", "HEAD") and not is_sent:
        return RefusedRequest(405, "This page can only be looked at.")
    if not is_own_host(asked.host, asked.address, asked.port):
        return RefusedRequest(421, "This is not the address of the page.")
    name = _behind_token(asked.path, token)
    if name is None:
        return RefusedRequest(404, "There is no such page.")
    if sent_to and is_sent != (name == sent_to):
        return RefusedRequest(405, "This cannot be asked for in this way.")
    if (asked.origin or is_sent) and asked.origin != f"http://{asked.host}":
        return RefusedRequest(403, "Other pages may not read this one.")
    if name and asked.site not in ("", "same-origin", "none"):
        return RefusedRequest(403, "Other pages may not read this one.")
    return name


def is_own_host(host: str, address: str, port: int) -> bool:
    """
    Tell whether a Host header names this computer.

    Only the address at which the request arrived, this computer's own name, and on this
    computer `localhost` are right; no other name is, even if it points here.
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
    """Return what a path asks for behind the token, None without the right token."""
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
