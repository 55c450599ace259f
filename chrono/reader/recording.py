"""The file of a recording: written so that nothing is lost, read in bounded memory.

A recording only grows. `RecordingWriter` keeps in memory what the device has not confirmed
yet, so that a full disk or a pulled stick delays rows but loses none; `read_blocks` gives
whole rows and says what a cut file left over. What rows mean is no business of this file.
"""

import contextlib
import errno
import os
import re
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import BinaryIO

from chrono.errors import RecordingError
from chrono.reader.rows import HEADER, MAX_ROW_BYTES, board_row, escape, json_row, unescape

if sys.platform != "win32":
    import fcntl

__all__ = [
    "HEADER",
    "RecordingReader",
    "RecordingWriter",
    "board_row",
    "escape",
    "json_row",
    "read_blocks",
    "unescape",
]

BLOCK_BYTES = 2 << 20
SYNC_S = 1.0
"""After this time the next row has the device confirm all rows before it."""

RETRY_S = 1.0
"""A disk in trouble is tried again at most this often."""

CUT_MARK = b"\\cut\n"
"""Ends a row that a crash has cut; no board line or JSON record can hold it."""

_FINGERPRINT_BYTES = 4096
_PIECE_BYTES = 1 << 16
_BOM = b"\xef\xbb\xbf"
_NO_RECORDING_HINT = (
    'name a recording; its first line is "host_us", "origin", "line" between tabs'
)
_OPEN_FLAGS = os.O_RDWR | getattr(os, "O_BINARY", 0) | getattr(os, "O_CLOEXEC", 0)
_DISK_FULL = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}
_OWN_RECORD = re.compile(rb"^[0-9]+\t(?!board\t)[^\n]*\n", re.MULTILINE)


class RecordingWriter:
    """
    Appends rows to a new recording; a name that exists is never overwritten.

    Rows go to the file at once, and stay in memory until the device has confirmed them. A
    disk that fails therefore loses none: `trouble` tells why rows wait, `pending_bytes` how
    many bytes do, and every later call tries again, once a second. The same bytes always go
    to the same place of the file, so a write that failed half-way is simply done again. May
    be used from several threads.

    Parameters
    ----------
    path : Path or str
        The file to create.
    clock : callable, optional
        Gives seconds that never fall back.

    Attributes
    ----------
    path : Path
        The file being written.
    trouble : str or None
        Why rows wait in memory; None when all is well.

    Raises
    ------
    RecordingError
        The file exists, or cannot be created.
    """

    def __init__(
        self, path: Path | str, *, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._begin(Path(path), clock)
        self._fd = _create(self.path)
        self._unconfirmed += HEADER
        self.sync()
        if self.trouble is not None:
            _remove(self._fd, self.path)
            raise _unusable(self.path, f"cannot be written: {self.trouble}")

    @classmethod
    def reopen(
        cls, path: Path | str, *, clock: Callable[[], float] = time.monotonic
    ) -> "RecordingWriter":
        """
        Open an existing recording to append to it; what is there stays as it is.

        A row that a crash has left without its end is ended by a mark that makes it count
        as damaged (a number may have lost digits), and the next row stands alone.

        Raises
        ------
        RecordingError
            The file is missing, no recording, or being written by another program.
        """
        writer = cls.__new__(cls)
        writer._begin(Path(path), clock)
        for block in read_blocks(path):
            writer._keep_records(block)
        writer._fd = _open_locked(writer.path, _OPEN_FLAGS)
        size = os.fstat(writer._fd).st_size
        writer._confirmed = writer._written = size
        writer._fingerprint = _read_before(writer._fd, size)
        if not writer._fingerprint.endswith(b"\n"):
            writer._unconfirmed += CUT_MARK
        return writer

    def _begin(self, path: Path, clock: Callable[[], float]) -> None:
        self.path = path
        self.trouble: str | None = None
        self._errno: int | None = None
        self._clock = clock
        self._mutex = threading.RLock()
        self._fd = -1
        self._confirmed = 0  # bytes of the file that the device has confirmed
        self._written = 0  # bytes of the file that the system has taken
        self._unconfirmed = bytearray()  # all bytes from `_confirmed` on, written or not
        self._fingerprint = b""  # the last confirmed bytes, to know the file again
        self._records = bytearray()  # confirmed rows not from the board, for a second place
        self._sync_due = self._clock() + SYNC_S
        self._retry_due = 0.0

    @property
    def pending_bytes(self) -> int:
        """Bytes that are in memory only."""
        return self._confirmed + len(self._unconfirmed) - self._written

    def append(self, rows: bytes) -> None:
        """
        Write whole rows; if the disk fails, keep them and set `trouble`.

        Raises
        ------
        ValueError
            The writer is closed.
        """
        with self._mutex:
            if self._fd < 0:
                raise ValueError("the recording is closed")
            self._unconfirmed += rows
            if self._clock() >= self._sync_due:
                self.sync()
            else:
                self._attempt(self._write)

    def sync(self) -> None:
        """Write what waits and have the device confirm it; if it fails, set `trouble`."""
        with self._mutex:
            self._attempt(self._write_and_confirm)

    def close(self) -> None:
        """
        Sync, whatever the time since the last attempt, and let go of the file.

        Raises
        ------
        RecordingError
            Rows could not be written. They are still held: `move_to` can save them.
        """
        with self._mutex:
            if self._fd < 0:
                return
            self._retry_due = 0.0
            self.sync()
            if self.trouble is not None:
                raise _unusable(
                    self.path,
                    f"{self.pending_bytes} bytes could not be written: {self.trouble}",
                    hint="make room there, or name a second place for the recording",
                )
            os.close(self._fd)
            self._fd = -1

    def discard(self) -> None:
        """Remove the file, whose name is free again: for a recording of nothing."""
        with self._mutex:
            if self._fd >= 0:
                _remove(self._fd, self.path)
                self._fd = -1

    def move_to(self, path: Path | str) -> None:
        """
        Go on in a new file that is a complete recording by itself.

        It gets all rows of the old file. If that cannot be read any more, it gets all
        records that are not the board's and every row not yet confirmed. The old file stays
        where and as it is.

        Raises
        ------
        RecordingError
            The new file exists or cannot be written; the writer goes on as before.
        """
        target = Path(path)
        with self._mutex:
            fd = _create(target)
            try:
                confirmed = self._copy_confirmed(fd)
                _write_all(fd, confirmed, self._unconfirmed)
                os.fsync(fd)
            except OSError as exc:
                _remove(fd, target)
                raise _unusable(target, f"cannot be written: {exc.strerror}") from exc
            _close(self._fd)
            self._fd, self.path, self.trouble = fd, target, None
            self._written = confirmed + len(self._unconfirmed)
            self._note_confirmed()

    def _copy_confirmed(self, fd: int) -> int:
        """Give a new file the confirmed rows; return how many bytes they take there."""
        offset = 0
        while offset < self._confirmed:
            piece = self._read_confirmed(offset)
            if not piece:
                os.ftruncate(fd, 0)
                return _write_all(fd, 0, HEADER + self._records)
            offset = _write_all(fd, offset, piece)
        return offset

    def _read_confirmed(self, offset: int) -> bytes:
        try:
            os.lseek(self._fd, offset, os.SEEK_SET)
            return os.read(self._fd, min(BLOCK_BYTES, self._confirmed - offset))
        except OSError:
            return b""

    def _attempt(self, step: Callable[[], None]) -> None:
        if self.trouble is not None and self._clock() < self._retry_due:
            return
        try:
            if self.trouble is not None and self._errno not in _DISK_FULL:
                self._find_file_again()
            step()
            self.trouble = None
        except OSError as exc:
            self.trouble, self._errno = exc.strerror or str(exc), exc.errno
            self._retry_due = self._clock() + RETRY_S

    def _write(self) -> None:
        while self.pending_bytes:
            with memoryview(self._unconfirmed) as rows:
                rest = rows[self._written - self._confirmed :]
                self._written += _write_some(self._fd, self._written, rest)

    def _write_and_confirm(self) -> None:
        self._write()
        if not self._unconfirmed:
            return
        try:
            os.fsync(self._fd)
        except OSError:
            # The system may forget the pages it could not store: all goes out again.
            self._written = self._confirmed
            raise
        self._note_confirmed()

    def _note_confirmed(self) -> None:
        rows = bytes(self._unconfirmed)
        self._keep_records(rows)
        self._fingerprint = (self._fingerprint + rows)[-_FINGERPRINT_BYTES:]
        self._unconfirmed.clear()
        self._confirmed = self._written
        self._sync_due = self._clock() + SYNC_S

    def _keep_records(self, rows: bytes) -> None:
        self._records += b"".join(_OWN_RECORD.findall(rows))

    def _find_file_again(self) -> None:
        """Take up the file anew if its device was pulled and put back."""
        if os.path.samestat(self.path.stat(), os.fstat(self._fd)):
            return
        fd = os.open(self.path, _OPEN_FLAGS)
        try:
            _lock(fd)
            if _read_before(fd, self._confirmed) != self._fingerprint:
                raise OSError(errno.ESTALE, "the file there is not this recording")
        except OSError:
            os.close(fd)
            raise
        _close(self._fd)
        self._fd, self._written = fd, self._confirmed


def _create(path: Path) -> int:
    fd = _open_locked(path, _OPEN_FLAGS | os.O_CREAT | os.O_EXCL)
    with contextlib.suppress(OSError):  # the name itself should survive a power cut
        directory = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(directory)
        finally:
            os.close(directory)
    return fd


def _open_locked(path: Path, flags: int) -> int:
    try:
        fd = os.open(path, flags, 0o666)
    except FileExistsError as exc:
        hint = "choose another name; a recording is never overwritten"
        raise _unusable(path, "exists already", hint=hint) from exc
    except (OSError, ValueError) as exc:
        hint = "copy the recording to where it may be written, and open the copy"
        if flags & os.O_CREAT:
            hint = "choose a folder that exists and may be written to"
        raise _unusable(
            path, f"cannot be opened for writing: {_words(exc)}", hint=hint
        ) from exc
    try:
        _lock(fd)
    except OSError as exc:
        os.close(fd)
        raise _unusable(path, str(exc.strerror), hint="close the other program") from exc
    return fd


def _lock(fd: int) -> None:
    """Keep other programs from writing the file, where the system and the device can."""
    if sys.platform == "win32":
        return
    try:
        fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError as exc:
        raise OSError(errno.EBUSY, "is being written by another program") from exc
    except OSError:
        return


def _write_all(fd: int, offset: int, data: bytes | bytearray) -> int:
    """Write `data` at `offset`; return the offset of its end."""
    with memoryview(data) as rest:
        done = 0
        while done < len(rest):
            done += _write_some(fd, offset + done, rest[done:])
    return offset + done


def _write_some(fd: int, offset: int, data: memoryview) -> int:
    os.lseek(fd, offset, os.SEEK_SET)
    written = os.write(fd, data)
    if not written:
        raise OSError(errno.EIO, "the device takes no bytes")
    return written


def _read_before(fd: int, offset: int) -> bytes:
    """Return the last bytes before `offset`, as many as make a fingerprint."""
    start = max(offset - _FINGERPRINT_BYTES, 0)
    os.lseek(fd, start, os.SEEK_SET)
    return os.read(fd, offset - start)


def _close(fd: int) -> None:
    with contextlib.suppress(OSError):
        os.close(fd)


def _remove(fd: int, path: Path) -> None:
    _close(fd)
    with contextlib.suppress(OSError):
        path.unlink()


def _unusable(path: Path, message: str, *, hint: str = "") -> RecordingError:
    return RecordingError(message, where=str(path), hint=hint)


def _words(exc: Exception) -> str:
    return (exc.strerror if isinstance(exc, OSError) else None) or str(exc)


class RecordingReader:
    """
    A recording as blocks of whole rows, each row ended by a newline, without the header.

    May be iterated again. A row that is far too long comes shortened, but still too long to
    be anything but damaged.

    Attributes
    ----------
    path : Path
        The recording.
    cut : str or None
        After iteration: what was left out because the file ends within a row.
    """

    def __init__(self, path: Path | str, block_bytes: int = BLOCK_BYTES) -> None:
        self.path = Path(path)
        self.cut: str | None = None
        self._block_bytes = block_bytes
        with _reading(self.path) as file:
            self._first_row = _check_header(self.path, file)

    def __iter__(self) -> Iterator[bytes]:
        self.cut = None
        with _reading(self.path) as file:
            file.seek(self._first_row)
            while self.cut is None and (block := file.read(self._block_bytes)):
                if not block.endswith(b"\n"):
                    block = self._complete(file, block)
                if block:
                    yield block

    def _complete(self, file: BinaryIO, block: bytes) -> bytes:
        """Return the block with the rest of its last row, or without that row if it is cut."""
        row = block.rfind(b"\n") + 1
        longest = row + MAX_ROW_BYTES + 2
        row_bytes = len(block) - row
        piece = b""
        while not piece.endswith(b"\n"):
            piece = file.readline(_PIECE_BYTES)
            row_bytes += len(piece)
            if not piece:
                self._note_cut(file.tell() - row_bytes, row_bytes)
                return block[:row]
            if len(block) < longest:
                block += piece
        return block if block.endswith(b"\n") else block + b"\n"

    def _note_cut(self, offset: int, row_bytes: int) -> None:
        with _reading(self.path) as file:
            line = 1
            while offset and (block := file.read(min(offset, BLOCK_BYTES))):
                line += block.count(b"\n")
                offset -= len(block)
        self.cut = f"line {line} is cut off after {row_bytes} bytes; it is left out"


def read_blocks(path: Path | str, block_bytes: int = BLOCK_BYTES) -> RecordingReader:
    """
    Read a recording in bounded memory, as blocks of whole rows.

    Parameters
    ----------
    path : Path or str
        The recording.
    block_bytes : int
        Size of a block; one row more may be added.

    Raises
    ------
    RecordingError
        The file cannot be read, or is no recording. Raised at once, or when a device fails
        later on, in iteration.
    """
    return RecordingReader(path, block_bytes)


@contextlib.contextmanager
def _reading(path: Path) -> Iterator[BinaryIO]:
    try:
        if path.exists() and not path.is_file():
            raise _unusable(path, "is no file", hint="name a recording, a .tsv file")
        with path.open("rb") as file:
            yield file
    except FileNotFoundError as exc:
        raise _unusable(path, "there is no such file", hint="check the name") from exc
    except (OSError, ValueError) as exc:
        hint = "check the permissions of the file and its folder, and the disk"
        raise _unusable(path, f"cannot be read: {_words(exc)}", hint=hint) from exc


def _check_header(path: Path, file: BinaryIO) -> int:
    """Return the offset of the first row."""
    first = file.read(len(_BOM) + len(HEADER) + 1)
    mark = len(_BOM) if first.startswith(_BOM) else 0
    name = first[mark:]
    for header in (HEADER, HEADER.replace(b"\n", b"\r\n")):
        if name.startswith(header):
            return mark + len(header)
    raise _unusable(path, f"is no recording: {_what_is_wrong(first)}", hint=_NO_RECORDING_HINT)


def _what_is_wrong(first: bytes) -> str:
    if not first:
        return "it is empty"
    if first.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "it is UTF-16, not UTF-8"
    if first.startswith(b"\x1f\x8b"):
        return "it is compressed"
    if HEADER.startswith(first):
        return "it is cut off within its first line"
    return "its first line is another one"
