"""The rows of a recording that another program is still writing.

Gives what the file holds and then what it grows by, whole rows only, in the order of the file,
by the same calls as the other sources. The file is only read. One that is deleted is waited
for, one that is cut or replaced is followed no more: what came before stays as it is.
"""

import os
import time
from collections.abc import Callable
from contextlib import suppress
from io import FileIO
from math import inf
from pathlib import Path
from typing import Literal

from chrono.reader.file_io import FINGERPRINT_BYTES, words
from chrono.reader.port_reader import LinkStatus
from chrono.reader.recording_reader import open_at_first_row
from chrono.reader.recording_rows import MAX_ROW_BYTES
from chrono.reader.row_sources import DRAIN_BYTES, row_host_us

LOOK_S = 0.5
"""How often a file that does not grow is looked for by its name."""

GO_ON_HINT = "the program that writes it may go on in a new file beside it: follow that one"


class FollowSource:
    """
    A recording that grows.

    Parameters
    ----------
    path : path
        The recording; it is only read.
    clock : callable, optional
        Seconds that pass; only differences count.
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
        self._grown_s = self._looked_s = clock()
        self._forget()

    def _forget(self) -> None:
        """Begin with the first row, whatever was given before."""
        self._offset = self._first_row
        self._unfinished = b""
        self._before = b""  # the last bytes before the offset, to know the file again
        self._host_us = 0
        self._host_s = self._clock()

    def start(self) -> None:
        """
        Open the recording.

        Raises
        ------
        RecordingError
            If it is none, or holds no whole first line yet.
        """
        self._file = open_at_first_row(self._path)
        self._first_row = self._file.tell()
        self._state = "open"
        found = os.fstat(self._file.fileno())
        self._size_at_start = found.st_size
        self._grown_s = self._clock() - max(time.time() - found.st_mtime, 0.0)
        self._forget()

    def rewind(self) -> None:
        """Give everything again, from the first row on."""
        self._forget()

    def drain(self) -> bytes:
        """Return the whole rows that came since the last call; at most about 1 MB."""
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
        """Look for the recording under another name from here on."""
        self._path = path
        self._looked_s = -inf

    def stop(self) -> None:
        """Close the file; nothing more is given."""
        if self._file is not None:
            self._file.close()
            self._file = None
        if self._state != "failed":
            self._state = "closed"

    def now_us(self) -> int:
        """Return the session's clock: the last line's time and what passed since then [us]."""
        return self._host_us + int((self._clock() - self._host_s) * 1e6)

    @property
    def last_us(self) -> int:
        """Time of the board's last line on the session's clock, 0 before any [us]."""
        return self._host_us

    @property
    def finished(self) -> bool:
        """Whether nothing more will come: stopped, or no longer this recording."""
        return self._state in ("closed", "failed")

    @property
    def unfinished_bytes(self) -> int:
        """Length of the row at the end that has no end yet [bytes]."""
        return len(self._unfinished)

    @property
    def quiet_s(self) -> float:
        """Time since the file grew, by its own date where it has not yet been seen to [s]."""
        return self._clock() - self._grown_s

    @property
    def status(self) -> LinkStatus:
        """The recording as if it were a port."""
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
        """Return what the file has grown by, if it is still the one that was read."""
        size = os.fstat(file.fileno()).st_size
        if size < self._offset:
            self._give_up("was cut by another program")
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
            self._grown_s = self._clock()
        self._state, self._reason = "open", ""
        return piece

    def _whole_rows(self, piece: bytes) -> bytes:
        """Return the rows that are whole now, and keep the beginning of the next."""
        rows, newline, rest = piece.rpartition(b"\n")
        if not newline:
            # What is too long to be a row is kept only as long as shows that.
            self._unfinished = (self._unfinished + piece)[: MAX_ROW_BYTES + 2]
            return b""
        whole = self._unfinished + rows + newline
        self._unfinished = rest
        self._rows += whole.count(b"\n")
        self._note_time(whole)
        return whole

    def _note_time(self, rows: bytes) -> None:
        """Set the clock by the last line of the board."""
        last = rows.rfind(b"\tboard\t")
        host_us = row_host_us(rows, rows.rfind(b"\n", 0, last) + 1) if last >= 0 else None
        if host_us is not None:
            self._host_us, self._host_s = host_us, self._clock()

    # -- where it is -------------------------------------------------------------------

    def _look_for_it(self, file: FileIO) -> None:
        """See now and then that the name still stands for the file that is read."""
        if self._clock() - self._looked_s < LOOK_S or self.finished:
            return
        self._looked_s = self._clock()
        try:
            named = self._path.stat()
        except FileNotFoundError:
            self._lose("was deleted or moved")
            return
        if not os.path.samestat(named, os.fstat(file.fileno())):
            self._go_on_in(self._path.open("rb", buffering=0), file)
        elif self._state == "lost":
            self._state, self._reason = "open", ""

    def _go_on_in(self, other: FileIO, file: FileIO) -> None:
        """Go on in a file of the same name if it goes on where this one was read to."""
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
