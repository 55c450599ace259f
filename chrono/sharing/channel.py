"""One newest state for all who look: made once, sent as the same bytes, none kept waiting.

There are no queues. Who looks holds only the number of what was sent to him last, so one who
is slow gets the newest state when he can take more, and costs nobody anything. The form is
that of server-sent events (HTML Living Standard, 9.2).
"""

import asyncio
import secrets
from collections.abc import AsyncIterator, Callable

BEAT_S = 5.0
"""Something is sent at least so often, so that both ends know of each other [s]."""

RETRY_MS = 2000
"""Who lost the link tries again after so long [ms]."""


class Channel:
    """
    The newest state, and all who wait for a newer one.

    Parameters
    ----------
    beat : callable
        Gives the text sent where nothing is new.

    Attributes
    ----------
    viewers : int
        How many are looking.
    """

    def __init__(self, beat: Callable[[], bytes] = lambda: b"{}") -> None:
        self._beat = beat
        self._run = secrets.token_hex(4)  # numbers of an earlier run are none of this one
        self._number = 0
        self._message = b""
        self._changed = asyncio.Event()
        self._closed = False
        self.viewers = 0

    def publish(self, state: bytes) -> None:
        """Let everyone have a state, given as one line of text, in place of the one before."""
        self._number += 1
        self._message = b"id: %s\ndata: %s\n\n" % (self._name(self._number), state)
        self._wake()

    def close(self) -> None:
        """End every stream."""
        self._closed = True
        self._wake()

    async def messages(self, last_seen: str = "") -> AsyncIterator[bytes]:
        """
        Yield the newest state whenever there is a newer one, and beats between.

        Parameters
        ----------
        last_seen : str, optional
            Name of the state that this viewer saw last, on an earlier connection.
        """
        seen = self._number if last_seen.encode() == self._name(self._number) else 0
        self.viewers += 1
        try:
            yield b"retry: %d\n\n" % RETRY_MS
            while not self._closed:
                changed = self._changed
                if self._number != seen:
                    seen = self._number
                    yield self._message
                elif not await _within(BEAT_S, changed):
                    yield b"event: beat\ndata: %s\n\n" % self._beat()
        finally:
            self.viewers -= 1

    def _name(self, number: int) -> bytes:
        return f"{self._run}-{number}".encode()

    def _wake(self) -> None:
        changed, self._changed = self._changed, asyncio.Event()
        changed.set()


async def _within(seconds: float, event: asyncio.Event) -> bool:
    try:
        async with asyncio.timeout(seconds):
            await event.wait()
    except TimeoutError:
        return False
    return True
