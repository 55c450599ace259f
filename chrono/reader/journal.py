"""Write rows from the port to the recording, and then pass them to the screens.

One thread writes the rows to the disk. Another thread waits until the disk has confirmed that
the rows are stored. A slow disk delays the rows, but does not block the port or a screen.
"""

import threading
import time
from collections import deque
from collections.abc import Callable
from typing import Any, Protocol

from chrono.reader.recording_rows import json_row

DRAIN_BYTES = 1 << 20
"""One call of `drain` returns at most about this many bytes."""

WRITE_BYTES = 1 << 16
"""One write takes at most about this many bytes, so that a slow disk delays few rows."""

LOOK_AFTER_S = 0.25
"""Time between two calls of the writer's `look_after` [s]."""


class RowWriter(Protocol):
    """A writer of rows, such as `RecordingWriter`."""

    def append(self, rows: bytes, /) -> None:
        """Write complete rows; an error of the disk does not raise an exception here."""

    def look_after(self) -> None:
        """Wait until the disk has confirmed the rows; called again and again."""


class RowLimit(Protocol):
    """A rule that can end the recording of rows from the board, such as `ShotLimit`."""

    ended: bool
    """True if the recording gets no more rows from the board."""

    def admit(self, rows: bytes, /) -> bytes:
        """Return the rows that the rule accepts."""


class Journal:
    """
    Write rows to the recording first, and then return them from `drain` in the same order.

    While the threads run, `append` and `drain` never wait for the disk. Before `start` and
    after `stop`, `append` writes the rows to the disk itself.

    Parameters
    ----------
    now_us : callable
        Function that returns the time on the session's clock [us].
    writer : RowWriter, optional
        The writer of the recording. Without a writer, rows are only passed on.
    limit : RowLimit, optional
        Rule that can end the recording of rows from the board.

    Attributes
    ----------
    failure : BaseException or None
        The program error that ended writing, if there was one.
    handed_on : callable or None
        Function that the writing thread calls when there are rows to drain.
    """

    def __init__(
        self,
        now_us: Callable[[], int],
        writer: RowWriter | None = None,
        limit: RowLimit | None = None,
    ) -> None:
        self._now_us = now_us
        self._writer = writer
        self._limit = limit
        self._lock = threading.Lock()
        self._came = threading.Condition(self._lock)
        self._arrived: deque[tuple[float, bytes]] = deque()
        self._oldest_s: float | None = None  # when the oldest row now being written came
        self._ready: deque[bytes] = deque()
        self._threads: list[threading.Thread] = []
        self._writes_beside = False
        self._stopping = threading.Event()
        self.failure: BaseException | None = None
        self.handed_on: Callable[[], None] | None = None

    def start(self) -> None:
        """Start the threads that write and confirm rows, if there is a recording."""
        if self._writer is None:
            return
        self._writes_beside = True
        for work in (self._write_on, self._look_after):
            thread = threading.Thread(target=self._guarded, args=(work,), daemon=True)
            self._threads.append(thread)
            thread.start()

    def stop(self) -> None:
        """Wait until all rows are written, and end the threads."""
        with self._lock:
            self._stopping.set()
            self._came.notify()
        for thread in self._threads:
            thread.join()

    def append(self, rows: bytes) -> None:
        """Add complete rows that already contain the host time."""
        with self._lock:
            self._take(rows)

    def record(self, origin: str, data: dict[str, Any]) -> None:
        """Add a record with the present time, such as a setup or a mark of the operator."""
        with self._lock:
            self._take(json_row(self._now_us(), origin, data))

    def drain(self, limit_bytes: int = DRAIN_BYTES) -> bytes:
        """Return the rows written since the last call, at most about `limit_bytes` bytes."""
        taken: list[bytes] = []
        size = 0
        with self._lock:
            while self._ready and (not taken or size + len(self._ready[0]) <= limit_bytes):
                taken.append(self._ready.popleft())
                size += len(taken[-1])
        return b"".join(taken)

    @property
    def waiting_s(self) -> float:
        """The time since the oldest unwritten row arrived [s]; 0 if all rows are written."""
        with self._lock:
            since_s = self._oldest_s
            if since_s is None and self._arrived:
                since_s = self._arrived[0][0]
        return 0.0 if since_s is None else max(time.monotonic() - since_s, 1e-9)

    @property
    def ended(self) -> bool:
        """True if the recording gets no more rows from the board, because of the limit."""
        return self._limit is not None and self._limit.ended

    def _take(self, rows: bytes) -> None:
        if self.failure is not None:
            raise self.failure
        if self._writes_beside:
            self._arrived.append((time.monotonic(), rows))
            self._came.notify()
        else:
            rows = self._written(rows)
            if rows:
                self._ready.append(rows)

    def _written(self, rows: bytes) -> bytes:
        """Write the rows that the limit allows, and return these rows."""
        if self._limit is not None:
            rows = self._limit.admit(rows)
        if rows and self._writer is not None:
            self._writer.append(rows)
        return rows

    # -- the two threads -----------------------------------------------------------------

    def _guarded(self, work: Callable[[], None]) -> None:
        try:
            work()
        except BaseException as fault:
            with self._lock:
                self.failure = fault
                self._arrived.clear()
                self._oldest_s, self._writes_beside = None, False

    def _write_on(self) -> None:
        while rows := self._next():
            rows = self._written(rows)
            with self._lock:
                self._oldest_s = None
                if rows:
                    self._ready.append(rows)
            if rows and self.handed_on is not None:
                self.handed_on()

    def _next(self) -> bytes:
        """Wait for rows to write, and return them; return empty bytes at the end."""
        with self._lock:
            while not self._arrived:
                if self._stopping.is_set():
                    self._writes_beside = False
                    return b""
                self._came.wait()
            self._oldest_s = self._arrived[0][0]
            rows: list[bytes] = []
            size = 0
            while self._arrived and (not rows or size < WRITE_BYTES):
                rows.append(self._arrived.popleft()[1])
                size += len(rows[-1])
        return b"".join(rows)

    def _look_after(self) -> None:
        assert self._writer is not None
        while not self._stopping.wait(LOOK_AFTER_S):
            self._writer.look_after()
