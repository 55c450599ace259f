"""Connections are few, short, and let go of in time, whoever is at the other end.

One too many is refused at once, one that asks for nothing is closed, and so is one that takes
nothing: no flood of connections and no vanished reader holds on to this computer's memory.

Streams are shared out fairly. A viewer's page has a random token and may hold a few streams;
an address may hold as many as a class behind one router needs, and no more. A token proves
nobody's identity: whoever asks for a page gets one.
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
"""Connections that get a proper answer, each viewer's page and stream among them."""

MOST_OPEN = 450
"""The next one is closed at once."""

MOST_VIEWERS = 250
"""Several classes; more streams are refused."""

SEATS_PER_ADDRESS = 40
"""Streams of one address: behind a school's router that is a whole class."""

STREAMS_PER_TOKEN = 3
"""A page that is open twice, or comes back before its lost link was noticed."""

MOST_TOKENS = 500
"""Tokens that are known, those of pages that are closed among them."""

ASK_WITHIN_S = 5.0
"""A connection that has asked for nothing by then is closed [s]."""

TAKE_WITHIN_S = 20.0
"""A connection that takes nothing for so long is dropped [s]."""

KEPT_BYTES = 32 * 1024
"""What the system keeps for one who is slow: a few states, none of them old."""

FULL = (
    b"HTTP/1.1 503 Service Unavailable\r\nConnection: close\r\nRetry-After: 10\r\n"
    b"Content-Length: 0\r\n\r\n"
)


class LimitedConnection(H11Protocol):
    """One connection."""

    most_of_address: ClassVar[int] = MOST_OPEN
    """Connections that one address may have open."""

    _ask_timer: TimerHandle | None = None
    _take_timer: TimerHandle | None = None

    def connection_made(self, transport: Transport) -> None:  # type: ignore[override]
        """Take it, or refuse it where there are too many."""
        super().connection_made(transport)
        if len(self.connections) > MOST_OPEN or self._is_one_too_many():
            transport.write(FULL)
            transport.close()
            return
        transport.set_write_buffer_limits(high=0)  # what waits here would be old news
        _keep_little(transport.get_extra_info("socket"))
        self._ask_timer = self.loop.call_later(ASK_WITHIN_S, self._let_go_unless_asked)

    def _is_one_too_many(self) -> bool:
        if len(self.connections) <= self.most_of_address or self.client is None:
            return False
        ends = [other.client for other in self.connections if isinstance(other, H11Protocol)]
        of_address = sum(end is not None and end[0] == self.client[0] for end in ends)
        return of_address > self.most_of_address

    def connection_lost(self, exc: Exception | None) -> None:
        """Forget it."""
        for timer in (self._ask_timer, self._take_timer):
            if timer is not None:
                timer.cancel()
        super().connection_lost(exc)

    def pause_writing(self) -> None:
        """Note that the other end takes nothing now."""
        super().pause_writing()
        self._take_timer = self.loop.call_later(TAKE_WITHIN_S, self.transport.abort)

    def resume_writing(self) -> None:
        """Note that it takes again."""
        if self._take_timer is not None:
            self._take_timer.cancel()
            self._take_timer = None
        super().resume_writing()

    def _let_go_unless_asked(self) -> None:
        if self.cycle is None:
            self.transport.abort()


def limited_connections(seats: int) -> type[LimitedConnection]:
    """Return the kind of connection where an address has so many seats for viewers."""

    class Connections(LimitedConnection):
        # beside each stream a page or a guess, and some that are just closing
        most_of_address = min(2 * seats + 20, MOST_OPEN)

    return Connections


NO_SEAT_LEFT = "this network address has no seat left; --seats gives it more"


@dataclass(eq=False)
class Seat:
    """A viewer's token, the address it was given to, and the streams that it holds now."""

    token: str
    address: str
    streams: int = 0


@dataclass(frozen=True)
class NoSeat:
    """Why there is no room for one more stream."""

    words: str


class Seats:
    """
    Who looks, from where.

    Parameters
    ----------
    per_address : int, optional
        Streams, and tokens, that one address may have.

    Attributes
    ----------
    streams : int
        How many are open.
    """

    def __init__(self, per_address: int = SEATS_PER_ADDRESS) -> None:
        self.per_address = per_address
        self._seats: dict[str, Seat] = {}  # the one used last is the last one
        self._held: set[str] = set()
        self._streams: dict[str, int] = {}
        self.streams = 0

    def take(self, token: str, address: str) -> Seat | NoSeat:
        """
        Take a seat for one more stream.

        Parameters
        ----------
        token : str
            That of the page, empty or unknown for a page that has none: it gets one.
        address : str
            Where the stream goes to.
        """
        seat = self._seats.get(token)
        if self.streams >= MOST_VIEWERS:
            return NoSeat("this page has no room for more viewers")
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
        """Give back what `take` gave to a stream of this address."""
        seat.streams -= 1
        self.streams -= 1
        self._streams[address] -= 1
        if not self._streams[address]:
            del self._streams[address]

    def knows(self, token: str) -> bool:
        """Tell whether a token was given here."""
        return token in self._seats

    def hold(self, token: str) -> None:
        """Keep a token until `release`: closing its page makes no room for another one."""
        self._held.add(token)

    def release(self) -> None:
        """Keep tokens no longer than their pages."""
        self._held.clear()

    def _new_seat(self, address: str) -> Seat | None:
        """Return a new token, in place of one that is not used where there are too many."""
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
"""What one page, or one address without a page, may send: so many at once, then in a second."""


class SendingRate:
    """How often somebody may send something: a burst, then one now and then."""

    def __init__(self) -> None:
        self._left: dict[str, tuple[float, float]] = {}

    def allows(self, who: str, now_s: float) -> bool:
        """Tell whether a token or an address may send something now, and count it."""
        left, since_s = self._left.pop(who, (float(SENT_BURST), now_s))
        left = min(left + (now_s - since_s) * SENT_PER_S, float(SENT_BURST))
        self._left[who] = (max(left - 1, 0.0), now_s)
        if len(self._left) > 2 * MOST_TOKENS:
            del self._left[next(iter(self._left))]
        return left >= 1


def allow_open_files(count: int) -> None:
    """Ask the system for so many open files, where it usually allows a program fewer."""
    with suppress(ImportError, ValueError, OSError):
        import resource

        soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
        if soft < count:
            resource.setrlimit(resource.RLIMIT_NOFILE, (count, hard))


def _keep_little(connection: socket.socket) -> None:
    """Have the system keep little for this connection, and notice an end that is gone."""
    with suppress(OSError):
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, KEPT_BYTES)
        if hasattr(socket, "TCP_USER_TIMEOUT"):
            wait_ms = int(TAKE_WITHIN_S * 1000)
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, wait_ms)
