"""Where a session's rows come from: a live port, or a recording played back.

Both give whole rows of a recording by the same few calls, in the order in which the file
holds them. What is live goes through a journal: into the recording first, then on. Knows
nothing of what rows mean beyond their host time.
"""

import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from math import isfinite
from pathlib import Path
from typing import Any, Literal, Protocol

from chrono.arrays.events import Batch
from chrono.errors import OptionError
from chrono.reader.line_grammar import MAX_DIGITS
from chrono.reader.port_reader import LinkStatus, PortReader
from chrono.reader.recording_reader import RecordingReader, read_blocks
from chrono.reader.recording_rows import json_row
from chrono.reader.serial_ports import DEFAULT_BAUDRATE, OperatorRow
from chrono.rigs.line_kinds import FRAMED, LineKind

DRAIN_BYTES = 1 << 20
"""About the most that one call of `drain` hands over; also a block of a recording."""

LAST_US = 1e18
"""Beyond what any host time can be."""


class RowWriter(Protocol):
    """What a journal writes to; `RecordingWriter` is one."""

    def append(self, rows: bytes, /) -> None:
        """Write whole rows; a disk in trouble is the writer's to deal with."""


class Journal:
    """
    Rows on their way: into the recording first, then to whoever drains.

    The port's thread and the operator both append; one lock keeps the order the same in
    the file and for the consumer.

    Parameters
    ----------
    now_us : callable
        The session's clock [us].
    writer : RowWriter, optional
        The recording; without one rows are only handed on.
    """

    def __init__(self, now_us: Callable[[], int], writer: RowWriter | None = None) -> None:
        self._now_us = now_us
        self._writer = writer
        self._lock = threading.Lock()
        self._ready: deque[bytes] = deque()

    def append(self, rows: bytes) -> None:
        """Take whole rows, stamped already."""
        with self._lock:
            self._pass_on(rows)

    def record(self, origin: str, data: dict[str, Any]) -> None:
        """Take a record made now, such as the operator's setup or mark."""
        with self._lock:
            self._pass_on(json_row(self._now_us(), origin, data))

    def drain(self, limit_bytes: int = DRAIN_BYTES) -> bytes:
        """Return the rows taken since the last call, up to about `limit_bytes` of them."""
        taken: list[bytes] = []
        size = 0
        with self._lock:
            while self._ready and (not taken or size + len(self._ready[0]) <= limit_bytes):
                taken.append(self._ready.popleft())
                size += len(taken[-1])
        return b"".join(taken)

    def _pass_on(self, rows: bytes) -> None:
        if self._writer is not None:
            self._writer.append(rows)
        self._ready.append(rows)


class LiveSource:
    """
    A board on a port, its rows in the recording before anyone sees them.

    Parameters
    ----------
    port : str
        Anything `open_port` opens.
    writer : RowWriter, optional
        The recording.
    baudrate : int
    lines : LineKind
        What the board sends.
    operator : iterable of (float, str, dict)
        Records that a demonstration's operator makes by the clock: time since `start`
        [s], origin, JSON object; may be without end.
    begin_us : int, optional
        What the session's clock shows now [us]; more than 0 where a recording goes on.
    """

    def __init__(
        self,
        port: str,
        *,
        writer: RowWriter | None = None,
        baudrate: int = DEFAULT_BAUDRATE,
        lines: LineKind = FRAMED,
        operator: Iterable[OperatorRow] = (),
        begin_us: int = 0,
    ) -> None:
        self._begin_ns = time.monotonic_ns() - begin_us * 1000
        self._started_us = 0
        self._operator = iter(operator)
        self._next_act = next(self._operator, None)
        self.journal = Journal(self.now_us, writer)
        self._reader = PortReader(
            port, self.journal.append, self.now_us, baudrate=baudrate, lines=lines
        )

    def now_us(self) -> int:
        """Return the session's clock [us]."""
        return (time.monotonic_ns() - self._begin_ns) // 1000

    def start(self) -> None:
        """
        Open the port and start reading.

        Raises
        ------
        PortError
            If it cannot be opened, with the cause.
        """
        self._act_until(0.0)
        self._reader.start()
        self._started_us = self.now_us()

    def record(self, origin: str, data: dict[str, Any]) -> None:
        """Add a record of our own to the rows, stamped now."""
        self.journal.record(origin, data)

    def drain(self) -> bytes:
        """Return the whole rows that came since the last call; at most about 1 MB."""
        self._act_until(self._running_s())
        return self.journal.drain()

    def hear(self, batch: Batch) -> None:
        """Take note of what the drained rows say; a board that has spoken is asked no more."""
        self._reader.hear(batch)

    def stop(self) -> None:
        """Stop reading and close the port; what was read can still be drained."""
        self._reader.stop()

    @property
    def finished(self) -> bool:
        """Whether reading has ended, by `stop` or by a fault told in `status`."""
        return self.status.state in ("closed", "failed")

    @property
    def status(self) -> LinkStatus:
        """The connection now."""
        return self._reader.status

    @property
    def failure(self) -> BaseException | None:
        """The fault that ended the reading thread, None if there is none."""
        return self._reader.failure

    def _act_until(self, time_s: float) -> None:
        """Make the operator's records that are due by then."""
        while self._next_act is not None and self._next_act[0] <= time_s:
            _, origin, data = self._next_act
            self.record(origin, data)
            self._next_act = next(self._operator, None)

    def _running_s(self) -> float:
        return (self.now_us() - self._started_us) * 1e-6


class ReplaySource:
    """
    A recording played back by its own host times, or at once. The file is only read.

    Parameters
    ----------
    path : path
        The recording.
    pace : float or None
        Recorded time passes so many times as fast; None gives everything at once.
    clock : callable
        Seconds that pass; only differences count.

    Raises
    ------
    OptionError
        If the pace is none.
    """

    def __init__(
        self,
        path: str | Path,
        pace: float | None = 1.0,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._path = Path(path)
        self._pace = _checked_pace(pace)
        self._clock = clock
        self._paused = False
        self._since_s = 0.0
        self._position_us = 0.0
        self._file: RecordingReader | None = None
        self._blocks: Iterator[bytes] = iter(())
        self._block = b""
        self._offset = 0
        self._released = 0
        self._rows = 0
        self._next_us: int | None = None

    def start(self) -> None:
        """
        Open the recording and let its time run.

        Raises
        ------
        RecordingError
            If it is none.
        """
        read_blocks(self._path)
        size = self._path.stat().st_size  # what is said meanwhile is added to the file
        self._file = RecordingReader(self._path, DRAIN_BYTES, size)
        self._blocks = iter(self._file)
        self._load()
        self._go_to_next_row()

    def drain(self) -> bytes:
        """Return the whole rows that are due; at most about 1 MB."""
        if self._paused and self._pace is None:
            return b""
        self._advance()
        start = self._offset
        self._offset = len(self._block) if self._pace is None else self._due_end()
        rows = self._block[start : self._offset]
        self._released += len(rows)
        self._rows += rows.count(b"\n")
        if self._offset == len(self._block):
            self._load()
        else:
            self._next_us = self._held_back(self._offset)
        return rows

    def pause(self) -> None:
        """Hold the recorded time."""
        self._advance()
        self._paused = True

    def resume(self) -> None:
        """Let the recorded time run on."""
        self._advance()
        self._paused = False

    @property
    def paused(self) -> bool:
        """Whether the recorded time is held."""
        return self._paused

    @property
    def pace(self) -> float | None:
        """Recorded seconds in a second; None for at once."""
        return self._pace

    def set_pace(self, pace: float | None) -> None:
        """
        Let the recorded time pass at another pace from here on; None is at once.

        Raises
        ------
        OptionError
            If the pace is none; the one before goes on.
        """
        wanted = _checked_pace(pace)
        self._advance()
        if self._pace is None:
            self._go_to_next_row()
        self._pace = wanted

    def release_until(self, host_us: int) -> None:
        """Make due what was recorded up to a host time, paused or not; never goes back."""
        self._advance()
        self._position_us = max(self._position_us, float(host_us))

    def stop(self) -> None:
        """Close the recording; nothing more is given."""
        self._blocks = iter(())
        self._block, self._offset, self._next_us = b"", 0, None

    @property
    def next_us(self) -> int | None:
        """Host time of the next row that is held back [us], None at the end."""
        return self._next_us

    @property
    def is_due(self) -> bool:
        """Whether there are rows whose time has come."""
        return self._next_us is not None and self._next_us <= self.now_us()

    def now_us(self) -> int:
        """Return the recorded time now [us]."""
        self._advance()
        return int(self._position_us)

    @property
    def finished(self) -> bool:
        """Whether every row was given."""
        return self._file is not None and self._offset == len(self._block)

    @property
    def left_out(self) -> str:
        """What could not be used at the end of the file, empty if nothing (yet)."""
        return (self._file.cut or "") if self._file is not None else ""

    @property
    def status(self) -> LinkStatus:
        """The recording as if it were a port."""
        state: Literal["open", "closed"] = "closed" if self.finished else "open"
        return LinkStatus(
            state, str(self._path), answered=True, bytes=self._released, lines=self._rows
        )

    def _advance(self) -> None:
        now_s = self._clock()
        if not self._paused and self._pace is not None:
            passed_us = (now_s - self._since_s) * self._pace * 1e6
            self._position_us = min(self._position_us + passed_us, LAST_US)
        self._since_s = now_s

    def _load(self) -> None:
        self._block, self._offset = next(self._blocks, b""), 0
        self._next_us = self._held_back(0)

    def _go_to_next_row(self) -> None:
        self._since_s = self._clock()
        if self._next_us is not None:
            self._position_us = float(self._next_us)

    def _due_end(self) -> int:
        """Return where in the block the rows end whose time has come."""
        end = self._offset
        while end < len(self._block):
            host_us = row_host_us(self._block, end)
            if host_us is not None and host_us > self._position_us:
                break
            end = _row_end(self._block, end)
        return end

    def _held_back(self, start: int) -> int | None:
        while start < len(self._block):
            host_us = row_host_us(self._block, start)
            if host_us is not None:
                return host_us
            start = _row_end(self._block, start)
        return None


def _checked_pace(pace: float | None) -> float | None:
    if pace is None or (isfinite(pace) and pace > 0):
        return pace
    raise OptionError(
        f"{pace:g} is no pace of a replay",
        where="--pace",
        hint="give how many times as fast as it was, such as 1 or 0.5",
    )


def row_host_us(block: bytes, start: int) -> int | None:
    """Return a row's host time; None for the header and for what is no row."""
    digits = block[start : start + MAX_DIGITS + 1].partition(b"\t")[0]
    return int(digits) if digits.isdigit() and len(digits) <= MAX_DIGITS else None


def _row_end(block: bytes, start: int) -> int:
    return block.find(b"\n", start) + 1
