"""Write a recording so that no rows are lost, even if the disk fails or the file is deleted.

The writer keeps rows in memory until the disk has confirmed that they are stored, and a
compressed copy of all stored rows. If another program deletes, replaces or shortens the file,
the writer continues in a new file that contains all rows. This module also adds rows to the end
of a complete recording.
"""

import contextlib
import errno
import os
import threading
import time
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NamedTuple

from chrono.errors import RecordingError
from chrono.reader import file_io
from chrono.reader.file_io import (
    OPEN_FLAGS,
    ROOM,
    create,
    open_locked,
    remove,
    unusable_recording,
    words,
    write_all,
)
from chrono.reader.recording_reader import BLOCK_BYTES, read_blocks
from chrono.reader.recording_rows import CUT_MARK, HEADER

SYNC_S = 1.0
"""Once in about this time [s], the program checks the file and confirms the written rows."""

RETRY_S = 1.0
"""Shortest time before the program tries a failing disk again [s]."""

_DISK_FULL = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}


class RecordingFileGone(OSError):  # noqa: N818 - an event, not an error of this program
    """Another program has deleted, moved, replaced or changed the file."""


class _Failure(NamedTuple):
    """The message and the number of a system error."""

    words: str
    errno: int | None

    @classmethod
    def of(cls, exc: OSError) -> "_Failure":
        return cls(file_io.words(exc), exc.errno)


class WrittenHistory:
    """A compressed copy of all bytes of a recording, about 100 kB per hour of shooting."""

    def __init__(self) -> None:
        self._packer = zlib.compressobj(1)
        self._packed: list[bytes] = []

    def add(self, rows: bytes) -> None:
        """Add bytes to the copy."""
        packed = self._packer.compress(rows)
        if packed:
            self._packed.append(packed)

    def pieces(self) -> Iterator[bytes]:
        """Yield all bytes of the recording, piece by piece."""
        unpacker = zlib.decompressobj()
        for packed in (*self._packed, self._packer.copy().flush()):
            yield unpacker.decompress(packed)


class RecordingWriter:
    """
    Append rows to a new recording; an existing file is never overwritten.

    After an error, later calls try to write again, at most once a second. If another program
    deletes, replaces or shortens the file, or if the disk is full, the writer tries to continue
    in a new file with all rows of the recording. Several threads may use this object.

    Parameters
    ----------
    path : Path or str
        The file to create.
    clock : callable, optional
        Function that returns a time in seconds. The time never decreases.
    spare : Path, optional
        Folder for a new file if the first folder cannot be used.

    Attributes
    ----------
    path : Path
        The file being written.
    trouble : str or None
        Why some rows are only in memory, such as a full disk; None without an error.
    moves : list of str
        One sentence for each file that the writer left: the reason, and the new file.

    Raises
    ------
    RecordingError
        If the file exists already, or cannot be created.
    """

    def __init__(
        self,
        path: Path | str,
        *,
        clock: Callable[[], float] = time.monotonic,
        spare: Path | None = None,
    ) -> None:
        self._begin(Path(path), clock, spare)
        self._fd = file_io.create(self.path)
        self._unconfirmed += HEADER
        self.sync()
        if self.trouble is not None:
            file_io.remove(self._fd, self.path)
            raise unusable_recording(
                self.path, f"this file cannot be written: {self.trouble}", hint=ROOM
            )

    @classmethod
    def reopen(
        cls,
        path: Path | str,
        *,
        clock: Callable[[], float] = time.monotonic,
        spare: Path | None = None,
    ) -> "RecordingWriter":
        """
        Open an existing recording to add rows at its end; the existing rows stay unchanged.

        If the last row is incomplete (after a crash), the row counts as damaged from now on.

        Raises
        ------
        RecordingError
            If the file is missing or not a recording, or if another program is writing it.
        """
        writer = cls.__new__(cls)
        writer._begin(Path(path), clock, spare)
        read_blocks(path)
        writer._fd = file_io.open_locked(writer.path, file_io.OPEN_FLAGS)
        size = writer._take_in()
        writer._confirmed = writer._written = size
        writer._fingerprint = file_io.read_before(writer._fd, size)
        if not writer._fingerprint.endswith(b"\n"):
            writer._unconfirmed += CUT_MARK
            writer.sync()
        return writer

    def _begin(self, path: Path, clock: Callable[[], float], spare: Path | None) -> None:
        self.path = path
        self.spare = spare
        self.moves: list[str] = []
        self.trouble: str | None = None
        self._errno: int | None = None  # also None if the file is gone
        self._clock = clock
        self._mutex = threading.RLock()
        self._syncing = threading.RLock()  # always locked before the mutex, never after it
        self._files = 0  # how often a file was opened, with the same file counted again
        self._first_path = path
        self._fd = -1
        self._confirmed = 0  # bytes of the file that the disk has confirmed
        self._written = 0  # bytes of the file that the system has accepted
        self._unconfirmed = bytearray()  # all bytes from `_confirmed` on, written or not
        self._fingerprint = b""  # the last confirmed bytes, to recognise the file
        self._history = WrittenHistory()  # all confirmed bytes, for a new file
        self._sync_due = self._clock() + SYNC_S
        self._retry_due = 0.0

    @property
    def pending_bytes(self) -> int:
        """Number of bytes that are only in memory and not yet safe on the disk."""
        return self._confirmed + len(self._unconfirmed) - self._written

    def append(self, rows: bytes) -> None:
        """
        Write complete rows; if the disk fails, keep the rows in memory and set `trouble`.

        Raises
        ------
        ValueError
            If the writer is closed.
        """
        with self._mutex:
            if self._fd < 0:
                raise ValueError("the recording is closed")
            self._unconfirmed += rows
            is_due = self._clock() >= self._sync_due
            if self._attempt(self._look_and_write if is_due else self._write):
                self.trouble = None

    def sync(self) -> None:
        """Write waiting rows and let the disk confirm them; set `trouble` on an error."""
        with self._syncing:
            written = self._write_to_confirm()
            if written is None:
                return
            fd, end, file = written
            failure = None
            try:
                os.fsync(fd)
            except OSError as exc:
                failure = _Failure.of(exc)
            finally:
                file_io.close(fd)
            self._note_sync(file, end, failure)

    def look_after(self) -> None:
        """Check the file and let the disk confirm the rows, at most once a second."""
        if self._fd >= 0 and self._clock() >= self._sync_due:
            self._sync_due = self._clock() + SYNC_S
            self.sync()

    def close(self) -> None:
        """
        Write all rows, wait until the disk has confirmed them, and close the file.

        Raises
        ------
        RecordingError
            If rows could not be written. They stay in memory, and `move_to` can save them.
        """
        with self._syncing:
            if self._fd < 0:
                return
            self._retry_due = 0.0
            self.sync()
            self._let_go()

    def _let_go(self) -> None:
        with self._mutex:
            if self.trouble is not None:
                self._save_in_spare()
            if self.trouble is not None:
                raise unusable_recording(
                    self.path,
                    f"{self.pending_bytes} bytes could not be written: {self.trouble}",
                    hint="free some space on the disk, or give a second folder for recordings",
                )
            file_io.close(self._fd)
            self._fd = -1

    def discard(self) -> None:
        """Delete the file of an empty recording, so that another recording can use its name."""
        with self._syncing, self._mutex:
            if self._fd >= 0:
                file_io.remove(self._fd, self.path)
                self._fd = -1

    def move_to(self, path: Path | str) -> None:
        """
        Continue the recording in a new file with all rows; the old file stays unchanged.

        Raises
        ------
        RecordingError
            If the new file exists or cannot be written. The writer then keeps the old file.
        """
        target = Path(path)
        with self._mutex:
            fd = file_io.create(target)
            try:
                written = self._write_all_to(fd)
                os.fsync(fd)
            except OSError as exc:
                file_io.remove(fd, target)
                raise unusable_recording(
                    target, f"this file cannot be written: {words(exc)}", hint=ROOM
                ) from exc
            file_io.close(self._fd)
            self._fd, self.path, self.trouble = fd, target, None
            self._files += 1
            self._written = written
            self._note_confirmed(written)

    def _write_all_to(self, fd: int) -> int:
        """Write all rows to a new file; return the number of bytes."""
        offset = 0
        for piece in (*self._history.pieces(), bytes(self._unconfirmed)):
            offset = file_io.write_all(fd, offset, piece)
        return offset

    def _take_in(self) -> int:
        """Copy all bytes of the file into memory, compressed; return the number of bytes."""
        size = 0
        os.lseek(self._fd, 0, os.SEEK_SET)
        while piece := os.read(self._fd, BLOCK_BYTES):
            self._history.add(piece)
            size += len(piece)
        return size

    def _attempt(self, step: Callable[[], None]) -> bool:
        """Try to write, and return True on success; soon after a failure, do not try."""
        if self.trouble is not None and self._clock() < self._retry_due:
            return False
        try:
            if self.trouble is not None and self._errno not in {None, *_DISK_FULL}:
                self._find_file_again()
            step()
            return True
        except RecordingFileGone as gone:
            return self._go_on_elsewhere(str(gone))
        except OSError as exc:
            failure = _Failure.of(exc)
        self._note_trouble(failure)
        return self.trouble is None

    def _note_trouble(self, failure: "_Failure") -> None:
        """Store the disk error in `trouble`; if the disk is full, use the spare folder."""
        self.trouble, self._errno = failure
        self._retry_due = self._clock() + RETRY_S
        if failure.errno in _DISK_FULL:
            self._save_in_spare()

    def _write(self) -> None:
        self._see_that_it_is_whole()
        while self.pending_bytes:
            with memoryview(self._unconfirmed) as rows:
                rest = rows[self._written - self._confirmed :]
                self._written += file_io.write_some(self._fd, self._written, rest)

    def _look_and_write(self) -> None:
        self._see_that_it_is_there()
        self._write()

    def _write_to_confirm(self) -> tuple[int, int, int] | None:
        """Write the waiting rows; return a descriptor, the end offset and the file number."""
        with self._mutex:
            if not self._attempt(self._look_and_write):
                return None
            if not self._unconfirmed:
                self.trouble = None
                return None
            try:
                return os.dup(self._fd), self._written, self._files
            except OSError as exc:  # this program has too many files open
                failure = _Failure.of(exc)
            self._note_trouble(failure)
            return None

    def _note_sync(self, file: int, end: int, failure: "_Failure | None") -> None:
        """Store whether the disk has confirmed the bytes of a file up to the position `end`."""
        with self._mutex:
            if file != self._files:
                return  # the recording has continued in another file
            if failure is None:
                self._note_confirmed(end)
                if not self.pending_bytes:
                    self.trouble = None
            else:
                # The system may drop pages it could not store, so write all of them again.
                self._written = self._confirmed
                self._note_trouble(failure)

    def _note_confirmed(self, end: int) -> None:
        rows = bytes(self._unconfirmed[: end - self._confirmed])
        self._history.add(rows)
        self._fingerprint = (self._fingerprint + rows)[-file_io.FINGERPRINT_BYTES :]
        del self._unconfirmed[: len(rows)]
        self._confirmed = end
        self._sync_due = self._clock() + SYNC_S

    def _see_that_it_is_there(self) -> None:
        self._see_that_it_is_whole()
        if file_io.read_before(self._fd, self._confirmed) != self._fingerprint:
            raise RecordingFileGone("the file was overwritten by another program")
        try:
            named = self.path.stat()
        except FileNotFoundError:
            raise RecordingFileGone("the file was deleted or moved") from None
        if not os.path.samestat(named, os.fstat(self._fd)):
            raise RecordingFileGone("the file was replaced by another file")

    def _see_that_it_is_whole(self) -> None:
        if os.fstat(self._fd).st_size < self._written:
            raise RecordingFileGone("the file was shortened by another program")

    def _go_on_elsewhere(self, why: str) -> bool:
        """Continue the recording in a new file, in the same folder or in the spare folder."""
        old = self.path
        for folder in filter(None, (old.parent, self.spare)):
            with contextlib.suppress(RecordingError):
                self.move_to(file_io.free_name(folder, self._first_path))
                self.moves.append(
                    f"{old} is no longer written ({why}); all rows are now in {self.path}"
                )
                return True
        self.trouble, self._errno = f"{why}, and no new file can be written", None
        self._retry_due = self._clock() + RETRY_S
        return False

    def _save_in_spare(self) -> None:
        """Continue the recording in the spare folder, if it exists and has enough space."""
        if self.spare is None:
            return
        old, why = self.path, self.trouble
        with contextlib.suppress(RecordingError):
            self.move_to(file_io.free_name(self.spare, self._first_path))
            self.moves.append(
                f"{old} could not be written ({why}); all rows are now in {self.path}"
            )

    def _find_file_again(self) -> None:
        """Open the file again if the user has unplugged its disk and plugged it in again."""
        if os.path.samestat(self.path.stat(), os.fstat(self._fd)):
            return
        fd = os.open(self.path, file_io.OPEN_FLAGS)
        try:
            file_io.lock(fd, self.path)
            if file_io.read_before(fd, self._confirmed) != self._fingerprint:
                raise OSError(errno.ESTALE, "another file has replaced this recording")
        except OSError:
            file_io.close(fd)
            raise
        file_io.close(self._fd)
        self._fd, self._written = fd, self._confirmed
        self._files += 1


def check_appendable(path: Path) -> None:
    """
    Check that rows can be added to a recording, but write nothing.

    Raises
    ------
    RecordingError
        If the file is missing, is not a recording or may not be written, or if another
        program is writing it.
    """
    file_io.close(_opened(path))


def append_rows(path: Path, rows: bytes) -> None:
    """
    Add complete rows to the end of a recording, and wait until the disk has confirmed them.

    If the last row is incomplete (after a crash), the row counts as damaged from now on. If the
    disk stores only a part of the new rows, the function removes this part again.

    Raises
    ------
    RecordingError
        For the same reasons as in `check_appendable`, or if the disk does not accept the
        rows.
    """
    fd = _opened(path)
    try:
        size = os.lseek(fd, 0, os.SEEK_END)
        os.lseek(fd, size - 1, os.SEEK_SET)
        cut = b"" if os.read(fd, 1) == b"\n" else CUT_MARK
        _add(fd, size, cut + rows)
    except OSError as exc:
        hint = "free some space on the disk, or use a copy on another disk"
        raise unusable_recording(
            path, f"this file cannot be written: {words(exc)}", hint=hint
        ) from exc
    finally:
        file_io.close(fd)


def copy_recording(path: Path, target: Path) -> None:
    """
    Copy a recording to a new file, byte for byte; the old file is only read.

    Raises
    ------
    RecordingError
        If the recording cannot be read, or if the new file exists or cannot be written.
    """
    reader = read_blocks(path)
    fd = create(target)
    try:
        with reader.path.open("rb") as file:
            offset = 0
            while piece := file.read(BLOCK_BYTES):
                offset = write_all(fd, offset, piece)
        os.fsync(fd)
    except OSError as exc:
        remove(fd, target)
        raise unusable_recording(
            target, f"this file cannot be written: {words(exc)}", hint=ROOM
        ) from exc
    file_io.close(fd)


def _opened(path: Path) -> int:
    read_blocks(path)
    return open_locked(path, OPEN_FLAGS)


def _add(fd: int, size: int, rows: bytes) -> None:
    try:
        write_all(fd, size, rows)
        os.fsync(fd)
    except OSError:
        os.ftruncate(fd, size)
        raise
