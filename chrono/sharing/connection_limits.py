"""Connections are few, short, and let go of in time, whoever is at the other end.

One too many is refused at once, one that asks for nothing is closed, and so is one that takes
nothing: no flood of connections and no vanished reader holds on to this computer's memory.
"""

import socket
from asyncio import TimerHandle, Transport
from contextlib import suppress

from uvicorn.protocols.http.h11_impl import H11Protocol

MOST_ANSWERED = 400
"""Connections that get a proper answer, each viewer's page and stream among them."""

MOST_OPEN = 450
"""The next one is closed at once."""

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

    _ask_timer: TimerHandle | None = None
    _take_timer: TimerHandle | None = None

    def connection_made(self, transport: Transport) -> None:  # type: ignore[override]
        """Take it, or refuse it where there are too many."""
        super().connection_made(transport)
        if len(self.connections) > MOST_OPEN:
            transport.write(FULL)
            transport.close()
            return
        transport.set_write_buffer_limits(high=0)  # what waits here would be old news
        _keep_little(transport.get_extra_info("socket"))
        self._ask_timer = self.loop.call_later(ASK_WITHIN_S, self._let_go_unless_asked)

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
