"""Read the rows of a session from a live port, a replayed recording or a growing recording.

If another program is still writing a recording, this module only reads it.
"""

import os
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from dataclasses import replace
from io import FileIO
from math import inf, isfinite
from pathlib import Path
from typing import Any, Literal

from chrono.arrays.events import Batch
from chrono.errors import OptionError
from chrono.reader.file_io import FINGERPRINT_BYTES, is_locked, words
from chrono.reader.journal import DRAIN_BYTES, Journal, RowLimit, RowWriter
from chrono.reader.line_grammar import MAX_DIGITS, SensorLevels
from chrono.reader.port_reader import LinkStatus, PortReader
from chrono.reader.recording_reader import RecordingReader, open_at_first_row, read_blocks
from chrono.reader.recording_rows import MAX_ROW_BYTES
from chrono.reader.serial_ports import DEFAULT_BAUDRATE, OperatorRow
from chrono.rigs.line_kinds import FRAMED, LineKind

LAST_US = 1e18
"""This time is later than any host time [us]."""


class LiveSource:
    """
    Read rows from a board on a port; each row is recorded before `drain` returns it.

    Parameters
    ----------
    port : str
        Any name that `open_port` can open.
    writer : RowWriter, optional
        The recording.
    baudrate : int
    lines : LineKind
        The kind of lines that the board sends.
    operator : iterable of (float, str, dict)
        Records of a simulated user: time since `start` [s], origin, JSON object. The sequence
        may be endless.
    begin_us : int, optional
        Present time of the session's clock [us]; above 0 if a recording is continued.
    limit : RowLimit, optional
        Rule that can end the recording of rows from the board.
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
        limit: RowLimit | None = None,
    ) -> None:
        # `monotonic` moves in steps of 16 ms on Windows before Python 3.13.
        self._begin_ns = time.perf_counter_ns() - begin_us * 1000
        self._started_us = 0
        self._operator = iter(operator)
        self._next_act = next(self._operator, None)
        self.journal = Journal(self.now_us, writer, limit)
        self._reader = PortReader(
            port, self.journal.append, self.now_us, baudrate=baudrate, lines=lines
        )

    def now_us(self) -> int:
        """Return the present time of the session's clock [us]."""
        return (time.perf_counter_ns() - self._begin_ns) // 1000

    def start(self) -> None:
        """
        Open the port and start reading.

        Raises
        ------
        PortError
            If the port cannot be opened. The message states the cause.
        """
        self._act_until(0.0)
        self.journal.start()
        try:
            self._reader.start()
        except BaseException:
            self.journal.stop()
            raise
        self._started_us = self.now_us()

    def record(self, origin: str, data: dict[str, Any]) -> None:
        """Add a record, such as a setup or a mark, to the rows, with the present time."""
        self.journal.record(origin, data)

    def drain(self) -> bytes:
        """Return the complete rows that came since the last call, at most about 1 MB."""
        self._act_until(self._running_s())
        return self.journal.drain()

    def hear(self, batch: Batch) -> None:
        """Look for the board's answer in a batch; after an answer, the program stops asking."""
        self._reader.hear(batch)

    @property
    def has_analog(self) -> bool:
        """True if the board has stated that it sends sensor levels."""
        return self._reader.has_analog

    def look_at_levels(self) -> SensorLevels | None:
        """Request new sensor levels; return the present levels, or None if they are unknown."""
        return self._reader.look_at_levels()

    def stop(self) -> None:
        """Stop reading, close the port, write all rows; `drain` returns the remaining rows."""
        self._reader.stop()
        self.journal.stop()

    @property
    def finished(self) -> bool:
        """True if no more rows will come, because of `stop`, a limit or an error."""
        if self.journal.waiting_s:
            return False
        return self.journal.ended or self.status.state in ("closed", "failed")

    @property
    def status(self) -> LinkStatus:
        """The present state of the connection."""
        status, fault = self._reader.status, self.journal.failure
        if fault is None:
            return status
        reason = status.reason or f"{type(fault).__name__}: {fault}"
        return replace(status, state="failed", reason=reason)

    @property
    def failure(self) -> BaseException | None:
        """The program error that ended reading or writing; None if there was no error."""
        return self._reader.failure or self.journal.failure

    def _act_until(self, time_s: float) -> None:
        """Add the records of the simulated user up to the time `time_s`."""
        while self._next_act is not None and self._next_act[0] <= time_s:
            _, origin, data = self._next_act
            self.record(origin, data)
            self._next_act = next(self._operator, None)

    def _running_s(self) -> float:
        return (self.now_us() - self._started_us) * 1e-6


class ReplaySource:
    """
    Replay a recording at its recorded speed, at another speed, or with all rows at once.

    Parameters
    ----------
    path : path
        The recording.
    pace : float or None
        Speed of the replay: 1 is the recorded speed. None gives all rows at once.
    clock : callable
        Returns a time in seconds; only differences between two times are used.

    Raises
    ------
    OptionError
        If the pace is not a number above 0.
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
        Open the recording and start the replay.

        Raises
        ------
        RecordingError
            If the file is not a recording.
        """
        read_blocks(self._path)
        size = self._path.stat().st_size  # marks during the replay are added to the file
        self._file = RecordingReader(self._path, DRAIN_BYTES, size)
        self._blocks = iter(self._file)
        self._load()
        self._go_to_next_row()

    def drain(self) -> bytes:
        """Return the complete rows up to the present time of the replay, at most about 1 MB."""
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
        """Pause the replay."""
        self._advance()
        self._paused = True

    def resume(self) -> None:
        """Continue the replay after a pause."""
        self._advance()
        self._paused = False

    @property
    def paused(self) -> bool:
        """True if the replay is paused."""
        return self._paused

    @property
    def pace(self) -> float | None:
        """Recorded seconds that pass in one real second; None gives all rows at once."""
        return self._pace

    def set_pace(self, pace: float | None) -> None:
        """
        Change the speed of the replay from now on; None gives all rows at once.

        Raises
        ------
        OptionError
            If the pace is not a number above 0. The old pace stays.
        """
        wanted = _checked_pace(pace)
        self._advance()
        if self._pace is None:
            self._go_to_next_row()
        self._pace = wanted

    def release_until(self, host_us: int) -> None:
        """
        Move the replay forward to a host time, even during a pause; it never goes back.

        `drain` then returns all rows up to this time.
        """
        self._advance()
        self._position_us = max(self._position_us, float(host_us))

    def stop(self) -> None:
        """Close the recording; `drain` then returns no more rows."""
        self._blocks = iter(())
        self._block, self._offset, self._next_us = b"", 0, None

    @property
    def next_us(self) -> int | None:
        """Host time of the next row that `drain` will return [us]; None at the end."""
        return self._next_us

    @property
    def is_due(self) -> bool:
        """True if the replay has reached the host time of the next row."""
        return self._next_us is not None and self._next_us <= self.now_us()

    def now_us(self) -> int:
        """Return the recorded time [us] that the replay has reached now."""
        self._advance()
        return int(self._position_us)

    @property
    def finished(self) -> bool:
        """True if `drain` has returned all rows."""
        return self._file is not None and self._offset == len(self._block)

    @property
    def left_out(self) -> str:
        """A message if the file ends within its last row; empty until all rows are read."""
        return (self._file.cut or "") if self._file is not None else ""

    @property
    def status(self) -> LinkStatus:
        """The state of the replay, in the same form as the state of a port."""
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
        """Return the position in the block up to which the replay may return rows now."""
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
        f"a replay cannot run at the pace {pace:g}",
        where="--pace",
        hint="give a number above 0, such as 1 (recorded speed) or 0.5 (half the speed)",
    )


def row_host_us(block: bytes, start: int) -> int | None:
    """Return the host time of a row; return None if the row does not begin with a time."""
    digits = block[start : start + MAX_DIGITS + 1].partition(b"\t")[0]
    return int(digits) if digits.isdigit() and len(digits) <= MAX_DIGITS else None


def _row_end(block: bytes, start: int) -> int:
    return block.find(b"\n", start) + 1


LOOK_S = 0.5
"""If a file does not grow, the program checks in this interval whether it was replaced [s]."""

QUIET_S = 5.0
"""A file that grew within this time [s] counts as being written, even if it is not locked."""

GO_ON_HINT = "if the recording continues in another file, follow that file instead"


class FollowSource:
    """
    Read a recording while another program writes it.

    Parameters
    ----------
    path : path
        The recording; it is only read.
    clock : callable, optional
        Returns a time in seconds; only differences between two times are used.
    """

    def __init__(self, path: str | Path, clock: Callable[[], float] = time.monotonic) -> None:
        self._path = Path(path)
        self._clock = clock
        self._file: FileIO | None = None
        self._first_row = 0
        self._state: Literal["closed", "open", "lost", "failed"] = "closed"
        self._reason = ""
        self._losses = 0
        self._rows = 0
        self._size_at_start = 0
        self._unwritten = False
        self._grown_s = self._looked_s = clock()
        self._forget()

    def _forget(self) -> None:
        """Read the file again from its first row, even if rows were returned before."""
        self._offset = self._first_row
        self._unfinished = b""
        self._before = b""  # the last bytes before the offset, to recognise the file
        self._host_us = 0
        self._host_s = self._clock()

    def start(self) -> None:
        """
        Open the recording.

        Raises
        ------
        RecordingError
            If the file is not a recording, or if its first line is not complete yet.
        """
        self._file = open_at_first_row(self._path)
        self._first_row = self._file.tell()
        self._state = "open"
        found = os.fstat(self._file.fileno())
        self._size_at_start = found.st_size
        self._grown_s = self._clock() - max(time.time() - found.st_mtime, 0.0)
        self._see_whether_it_is_written(self._file)
        self._forget()

    def rewind(self) -> None:
        """Read the file again, so that `drain` returns all rows from the first row on."""
        self._forget()

    def drain(self) -> bytes:
        """Return the complete rows that came since the last call, at most about 1 MB."""
        if self._file is None:
            return b""
        try:
            piece = self._read_on(self._file)
            if not piece:
                self._look_for_it(self._file)
        except OSError as exc:
            self._lose(f"cannot be read: {words(exc)}")
            return b""
        return self._whole_rows(piece)

    def go_on_under(self, path: Path) -> None:
        """Continue to read the recording after its file was moved to `path`."""
        self._path = path
        self._looked_s = -inf

    def stop(self) -> None:
        """Close the file; `drain` then returns no more rows."""
        if self._file is not None:
            self._file.close()
            self._file = None
        if self._state != "failed":
            self._state = "closed"

    def now_us(self) -> int:
        """Return the host time of the last line plus the time since this line arrived [us]."""
        return self._host_us + int((self._clock() - self._host_s) * 1e6)

    @property
    def last_us(self) -> int:
        """Host time of the last line from the board [us]; 0 before the first line."""
        return self._host_us

    @property
    def finished(self) -> bool:
        """True after `stop`, or if another program has changed the file."""
        return self._state in ("closed", "failed")

    @property
    def unwritten(self) -> bool:
        """True if the file does not grow and is not locked by another program."""
        return self._unwritten

    @property
    def unfinished_bytes(self) -> int:
        """Number of bytes after the last newline of the file [bytes]; 0 if there are none."""
        return len(self._unfinished)

    @property
    def quiet_s(self) -> float:
        """Time since another program last added bytes to the file [s]."""
        return self._clock() - self._grown_s

    @property
    def status(self) -> LinkStatus:
        """The state of the file, in the same form as the state of a port."""
        return LinkStatus(
            self._state,
            str(self._path),
            self._reason,
            silent_s=self.quiet_s,
            answered=True,
            bytes=self._offset,
            lines=self._rows,
            losses=self._losses,
        )

    # -- reading -----------------------------------------------------------------------

    def _read_on(self, file: FileIO) -> bytes:
        """Return the new bytes of the file; return nothing if older bytes have changed."""
        size = os.fstat(file.fileno()).st_size
        if size < self._offset:
            self._give_up("was shortened by another program")
            return b""
        if size == self._offset:
            return b""
        file.seek(self._offset - len(self._before))
        if file.read(len(self._before)) != self._before:
            self._give_up("was overwritten by another program")
            return b""
        piece = file.read(DRAIN_BYTES)
        self._offset += len(piece)
        self._before = (self._before + piece)[-FINGERPRINT_BYTES:]
        if self._offset > self._size_at_start:
            self._grown_s, self._unwritten = self._clock(), False
        self._state, self._reason = "open", ""
        return piece

    def _whole_rows(self, piece: bytes) -> bytes:
        """Return the rows that are complete now; store the incomplete row for the next call."""
        rows, newline, rest = piece.rpartition(b"\n")
        if not newline:
            # If a row is too long, keep only enough of it to detect this.
            self._unfinished = (self._unfinished + piece)[: MAX_ROW_BYTES + 2]
            return b""
        whole = self._unfinished + rows + newline
        self._unfinished = rest
        self._rows += whole.count(b"\n")
        self._note_time(whole)
        return whole

    def _note_time(self, rows: bytes) -> None:
        """Set the session's clock to the host time of the last line from the board."""
        last = rows.rfind(b"\tboard\t")
        host_us = row_host_us(rows, rows.rfind(b"\n", 0, last) + 1) if last >= 0 else None
        if host_us is not None:
            self._host_us, self._host_s = host_us, self._clock()

    # -- finding the file --------------------------------------------------------------

    def _look_for_it(self, file: FileIO) -> None:
        """Check in intervals whether the file was deleted, moved or replaced."""
        if self._clock() - self._looked_s < LOOK_S or self.finished:
            return
        self._looked_s = self._clock()
        self._see_whether_it_is_written(file)
        try:
            named = self._path.stat()
        except FileNotFoundError:
            self._lose("was deleted or moved")
            return
        if not os.path.samestat(named, os.fstat(file.fileno())):
            self._go_on_in(self._path.open("rb", buffering=0), file)
        elif self._state == "lost":
            self._state, self._reason = "open", ""

    def _see_whether_it_is_written(self, file: FileIO) -> None:
        self._unwritten = self.quiet_s > QUIET_S and not is_locked(file.fileno(), self._path)

    def _go_on_in(self, other: FileIO, file: FileIO) -> None:
        """Continue with the file `other` if both files are equal just before the next row."""
        other.seek(self._offset - len(self._before))
        if other.read(len(self._before)) != self._before:
            other.close()
            self._give_up("was replaced by another file")
            return
        with suppress(OSError):
            file.close()
        self._file = other
        self._state, self._reason = "open", ""

    def _lose(self, reason: str) -> None:
        if self._state != "lost":
            self._losses += 1
        self._state, self._reason = "lost", reason

    def _give_up(self, reason: str) -> None:
        self._state, self._reason = "failed", f"{reason}; {GO_ON_HINT}"
