"""Limit the number and the duration of network connections.

If there are too many connections, the server refuses a new connection at once. The server
closes a connection that sends no request, or accepts no data, for some time.

A stream is a connection on which a viewer's page gets its changes. Each page gets a token,
a random key, and may open a few streams with this token. A whole class may have the same
network address, so one address may open many streams. A token does not prove who the viewer is.
"""

import secrets
import socket
from asyncio import TimerHandle, Transport
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import ClassVar

from uvicorn.protocols.http.h11_impl import H11Protocol

MOST_ANSWERED = 400
"""Largest number of connections that get an answer, including the pages and streams of
viewers."""

MOST_OPEN = 450
"""Largest number of open connections; a further connection is closed at once."""

MOST_VIEWERS = 250
"""Largest number of streams, enough for several classes; further streams are refused."""

SEATS_PER_ADDRESS = 40
"""Largest number of streams of one address; a whole class can share one address."""

STREAMS_PER_TOKEN = 3
"""Largest number of streams of one page. The page may be open twice, or a lost stream may
still be counted."""

MOST_TOKENS = 500
"""Largest number of known tokens, including the tokens of closed pages."""

ASK_WITHIN_S = 5.0
"""Time after which a connection without a request is closed [s]."""

TAKE_WITHIN_S = 20.0
"""Time after which a connection that accepts no data is closed [s]."""

KEPT_BYTES = 32 * 1024
"""Size of the operating system's buffer for a slow viewer [bytes]."""

FULL = (
    b"HTTP/1.1 503 Service Unavailable\r\nConnection: close\r\nRetry-After: 10\r\n"
    b"Content-Length: 0\r\n\r\n"
)


class LimitedConnection(H11Protocol):
    """A network connection that closes itself if it breaks a limit of this module."""

    most_of_address: ClassVar[int] = MOST_OPEN
    """Largest number of open connections of one address."""

    _ask_timer: TimerHandle | None = None
    _take_timer: TimerHandle | None = None

    def connection_made(self, transport: Transport) -> None:  # type: ignore[override]
        """Accept a new connection, or refuse it if there are too many connections."""
        super().connection_made(transport)
        if len(self.connections) > MOST_OPEN or self._is_one_too_many():
            transport.write(FULL)
            transport.close()
            return
        transport.set_write_buffer_limits(high=0)  # states that wait in a buffer would be old
        _keep_little(transport.get_extra_info("socket"))
        self._ask_timer = self.loop.call_later(ASK_WITHIN_S, self._let_go_unless_asked)

    def _is_one_too_many(self) -> bool:
        if len(self.connections) <= self.most_of_address or self.client is None:
            return False
        ends = [other.client for other in self.connections if isinstance(other, H11Protocol)]
        of_address = sum(end is not None and end[0] == self.client[0] for end in ends)
        return of_address > self.most_of_address

    def connection_lost(self, exc: Exception | None) -> None:
        """Stop the timers of this connection, because the connection has ended."""
        for timer in (self._ask_timer, self._take_timer):
            if timer is not None:
                timer.cancel()
        super().connection_lost(exc)

    def pause_writing(self) -> None:
        """Start a timer that closes the connection, because the viewer accepts no data."""
        super().pause_writing()
        self._take_timer = self.loop.call_later(TAKE_WITHIN_S, self.transport.abort)

    def resume_writing(self) -> None:
        """Stop the timer that closes the connection, because the viewer accepts data again."""
        if self._take_timer is not None:
            self._take_timer.cancel()
            self._take_timer = None
        super().resume_writing()

    def _let_go_unless_asked(self) -> None:
        if self.cycle is None:
            self.transport.abort()


def limited_connections(seats: int) -> type[LimitedConnection]:
    """Return a class for connections that allows `seats` viewers per network address."""

    class Connections(LimitedConnection):
        # each stream also needs a connection for a page or a guess; old connections may remain
        most_of_address = min(2 * seats + 20, MOST_OPEN)

    return Connections


NO_SEAT_LEFT = (
    "too many viewers use the same network address; the option --seats allows more viewers"
)


@dataclass(eq=False)
class Seat:
    """Token, network address, and number of streams of one viewer's page."""

    token: str
    address: str
    streams: int = 0


@dataclass(frozen=True)
class NoSeat:
    """Why the server does not open another stream for a page."""

    words: str


class Seats:
    """
    The secret tokens of all pages, and the open data streams of each network address.

    Parameters
    ----------
    per_address : int, optional
        Largest number of streams, and of tokens, for one address.

    Attributes
    ----------
    streams : int
        Number of open streams.
    """

    def __init__(self, per_address: int = SEATS_PER_ADDRESS) -> None:
        self.per_address = per_address
        self._seats: dict[str, Seat] = {}  # the seat that was used last is at the end
        self._held: set[str] = set()
        self._streams: dict[str, int] = {}
        self.streams = 0

    def take(self, token: str, address: str) -> Seat | NoSeat:
        """
        Count one more data stream to a page, or return why the page has too many.

        Parameters
        ----------
        token : str
            Token of the page. A page with an empty or unknown token gets a new token.
        address : str
            Network address of the viewer.
        """
        seat = self._seats.get(token)
        if self.streams >= MOST_VIEWERS:
            return NoSeat("this page already has the largest possible number of viewers")
        if seat is not None and seat.streams >= STREAMS_PER_TOKEN:
            return NoSeat("this page is open too many times in one browser")
        if self._streams.get(address, 0) >= self.per_address:
            return NoSeat(NO_SEAT_LEFT)
        seat = seat or self._new_seat(address)
        if seat is None:
            return NoSeat(NO_SEAT_LEFT)
        self._seats[seat.token] = self._seats.pop(seat.token, seat)
        seat.streams += 1
        self.streams += 1
        self._streams[address] = self._streams.get(address, 0) + 1
        return seat

    def leave(self, seat: Seat, address: str) -> None:
        """Subtract an ended data stream from the counts of its page and its address."""
        seat.streams -= 1
        self.streams -= 1
        self._streams[address] -= 1
        if not self._streams[address]:
            del self._streams[address]

    def knows(self, token: str) -> bool:
        """Return whether this server created this token and still knows it."""
        return token in self._seats

    def hold(self, token: str) -> None:
        """Keep the token of a page until `release` is called, even if the page is closed."""
        self._held.add(token)

    def release(self) -> None:
        """End the effect of all calls of `hold`."""
        self._held.clear()

    def _new_seat(self, address: str) -> Seat | None:
        """Make a new token; if there are too many tokens, remove one that no page uses."""
        here = [seat for seat in self._seats.values() if seat.address == address]
        if len(here) >= self.per_address and not self._drop_one(here):
            return None
        if len(self._seats) >= MOST_TOKENS and not self._drop_one([*self._seats.values()]):
            return None
        return Seat(secrets.token_urlsafe(16), address)

    def _drop_one(self, seats: Sequence[Seat]) -> bool:
        for seat in seats:
            if not seat.streams and seat.token not in self._held:
                del self._seats[seat.token]
                return True
        return False


SENT_BURST, SENT_PER_S = 5, 1.0
"""One page or one address may send `SENT_BURST` messages at once, then `SENT_PER_S` messages
per second."""


class SendingRate:
    """Limits how many messages a viewer may send at once, and how many per second."""

    def __init__(self) -> None:
        self._left: dict[str, tuple[float, float]] = {}

    def allows(self, who: str, now_s: float) -> bool:
        """Count a message of a viewer, and return whether the viewer may send it now."""
        left, since_s = self._left.pop(who, (float(SENT_BURST), now_s))
        left = min(left + (now_s - since_s) * SENT_PER_S, float(SENT_BURST))
        self._left[who] = (max(left - 1, 0.0), now_s)
        if len(self._left) > 2 * MOST_TOKENS:
            del self._left[next(iter(self._left))]
        return left >= 1


def allow_open_files(count: int) -> None:
    """Ask the operating system to allow `count` open files, if its limit is lower."""
    with suppress(ImportError, ValueError, OSError):
        import resource

        soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
        if soft < count:
            resource.setrlimit(resource.RLIMIT_NOFILE, (count, hard))


def _keep_little(connection: socket.socket) -> None:
    """Use a small send buffer, and close the connection if a viewer is lost."""
    with suppress(OSError):
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, KEPT_BYTES)
        if hasattr(socket, "TCP_USER_TIMEOUT"):
            wait_ms = int(TAKE_WITHIN_S * 1000)
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, wait_ms)
