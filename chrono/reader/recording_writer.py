"""Write a recording so that nothing is lost, whatever happens to its file.

Rows stay in memory until the device has confirmed them, so a full disk or a pulled stick
delays rows but loses none. Confirmed rows are kept too, packed. If the file is deleted,
replaced or cut, the writer notices it and continues in a new file that holds everything.

This module also adds rows to the end of a complete recording: either all rows or no row.
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
"""After this time [s] the next row makes the device confirm all rows before it."""

RETRY_S = 1.0
"""Shortest time before the program tries a failing disk again [s]."""

_DISK_FULL = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}


class RecordingFileGone(OSError):  # noqa: N818 - what happened, not a mistake of ours
    """The file is no longer the recording that was written."""


class _Failure(NamedTuple):
    """The error of a system call, without the stack frames that would keep the rows."""

    words: str
    errno: int | None

    @classmethod
    def of(cls, exc: OSError) -> "_Failure":
        return cls(file_io.words(exc), exc.errno)


class WrittenHistory:
    """All bytes of a recording so far, packed: about 100 kB per hour of normal shooting."""

    def __init__(self) -> None:
        self._packer = zlib.compressobj(1)
        self._packed: list[bytes] = []

    def add(self, rows: bytes) -> None:
        """Take more bytes."""
        packed = self._packer.compress(rows)
        if packed:
            self._packed.append(packed)

    def pieces(self) -> Iterator[bytes]:
        """Yield all bytes, piece by piece."""
        unpacker = zlib.decompressobj()
        for packed in (*self._packed, self._packer.copy().flush()):
            yield unpacker.decompress(packed)


class RecordingWriter:
    """
    Append rows to a new recording; an existing file is never overwritten.

    Rows go to the file at once, and stay in memory until the device has confirmed them. So a
    failing disk loses none: `trouble` says why rows wait, `pending_bytes` how many bytes
    wait, and later calls try again, once a second. The same bytes always go to the same
    offset of the file, so a write that failed half-way is simply repeated. If another program
    deletes, replaces or cuts the file, writing continues in a new file beside it, or in the
    spare folder; the new file holds everything. If the disk is full, it continues in the
    spare folder. Several threads may use this: rows are written while older ones are confirmed.

    Parameters
    ----------
    path : Path or str
        The file to create.
    clock : callable, optional
        Returns seconds that never decrease.
    spare : Path, optional
        Folder for a second file.

    Attributes
    ----------
    path : Path
        The file being written.
    trouble : str or None
        Why rows wait in memory; None if no disk error keeps them there.
    moves : list of str
        One sentence for each file that was abandoned: the reason, and where the rows are now.

    Raises
    ------
    RecordingError
        The file exists, or cannot be created.
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
            raise unusable_recording(self.path, f"cannot be written: {self.trouble}", hint=ROOM)

    @classmethod
    def reopen(
        cls,
        path: Path | str,
        *,
        clock: Callable[[], float] = time.monotonic,
        spare: Path | None = None,
    ) -> "RecordingWriter":
        """
        Open an existing recording to append to it; its content stays unchanged.

        If a crash has cut the last row, a mark ends that row and makes it count as damaged,
        because a number may have lost digits. The next row is then a row of its own.

        Raises
        ------
        RecordingError
            The file is missing or not a recording, or another program is writing it.
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
        self._errno: int | None = None  # also None if the file was abandoned
        self._clock = clock
        self._mutex = threading.RLock()
        self._syncing = threading.RLock()  # taken before the mutex, never while it is held
        self._files = 0  # how often a file was opened (the same file again also counts)
        self._first_path = path
        self._fd = -1
        self._confirmed = 0  # bytes of the file that the device has confirmed
        self._written = 0  # bytes of the file that the system has accepted
        self._unconfirmed = bytearray()  # all bytes from `_confirmed` on, written or not
        self._fingerprint = b""  # the last confirmed bytes, to recognise the file
        self._history = WrittenHistory()  # all confirmed bytes, for a second file
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
            is_due = self._clock() >= self._sync_due
            if self._attempt(self._look_and_write if is_due else self._write):
                self.trouble = None

    def sync(self) -> None:
        """Write waiting rows and let the device confirm them; if it fails, set `trouble`."""
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
        """Once a second, confirm rows and check that the file is still there."""
        if self._fd >= 0 and self._clock() >= self._sync_due:
            self._sync_due = self._clock() + SYNC_S
            self.sync()

    def close(self) -> None:
        """
        Make the device confirm all rows at once, and close the file.

        Raises
        ------
        RecordingError
            Rows could not be written. They are still held: `move_to` can save them.
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
                    hint="free some space there, or give a second place for the recording",
                )
            file_io.close(self._fd)
            self._fd = -1

    def discard(self) -> None:
        """Remove the file, so that its name is free again: for an empty recording."""
        with self._syncing, self._mutex:
            if self._fd >= 0:
                file_io.remove(self._fd, self.path)
                self._fd = -1

    def move_to(self, path: Path | str) -> None:
        """
        Continue in a new file, which gets all rows and is a complete recording.

        The old file stays where it is, unchanged.

        Raises
        ------
        RecordingError
            The new file exists or cannot be written; the writer keeps its old file.
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
                    target, f"cannot be written: {words(exc)}", hint=ROOM
                ) from exc
            file_io.close(self._fd)
            self._fd, self.path, self.trouble = fd, target, None
            self._files += 1
            self._written = written
            self._note_confirmed(written)

    def _write_all_to(self, fd: int) -> int:
        """Write all rows to a new file; return how many bytes they take."""
        offset = 0
        for piece in (*self._history.pieces(), bytes(self._unconfirmed)):
            offset = file_io.write_all(fd, offset, piece)
        return offset

    def _take_in(self) -> int:
        """Copy the file's bytes into the history; return how many there are."""
        size = 0
        os.lseek(self._fd, 0, os.SEEK_SET)
        while piece := os.read(self._fd, BLOCK_BYTES):
            self._history.add(piece)
            size += len(piece)
        return size

    def _attempt(self, step: Callable[[], None]) -> bool:
        """Write, if it is time to try; return whether that worked."""
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
        """Note why rows wait; a full disk stays full, so continue in the spare folder."""
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
        """
        Write the waiting rows.

        Returns
        -------
        tuple of int, or None
            A descriptor of the file to sync and close, the end of the written bytes, and
            the number of the file; None if there is nothing to confirm.
        """
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
        """Note whether the device confirmed a file's bytes up to `end`."""
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
            raise RecordingFileGone("was overwritten by another program")
        try:
            named = self.path.stat()
        except FileNotFoundError:
            raise RecordingFileGone("was deleted or moved") from None
        if not os.path.samestat(named, os.fstat(self._fd)):
            raise RecordingFileGone("was replaced by another file")

    def _see_that_it_is_whole(self) -> None:
        if os.fstat(self._fd).st_size < self._written:
            raise RecordingFileGone("was cut by another program")

    def _go_on_elsewhere(self, why: str) -> bool:
        """Continue in a new file beside the old one, or in the spare folder, if possible."""
        old = self.path
        for folder in filter(None, (old.parent, self.spare)):
            with contextlib.suppress(RecordingError):
                self.move_to(file_io.free_name(folder, self._first_path))
                self.moves.append(f"{old} {why}; all of it is in {self.path}")
                return True
        self.trouble, self._errno = f"the file {why}, and no new file can be written", None
        self._retry_due = self._clock() + RETRY_S
        return False

    def _save_in_spare(self) -> None:
        """Continue in the spare folder, if there is one with room for all rows."""
        if self.spare is None:
            return
        old, why = self.path, self.trouble
        with contextlib.suppress(RecordingError):
            self.move_to(file_io.free_name(self.spare, self._first_path))
            self.moves.append(
                f"{old} could not be written ({why}); all of it is in {self.path}"
            )

    def _find_file_again(self) -> None:
        """Open the file again if its device was pulled and put back."""
        if os.path.samestat(self.path.stat(), os.fstat(self._fd)):
            return
        fd = os.open(self.path, file_io.OPEN_FLAGS)
        try:
            file_io.lock(fd, self.path)
            if file_io.read_before(fd, self._confirmed) != self._fingerprint:
                raise OSError(errno.ESTALE, "the file there is not this recording")
        except OSError:
            file_io.close(fd)
            raise
        file_io.close(self._fd)
        self._fd, self._written = fd, self._confirmed
        self._files += 1


def check_appendable(path: Path) -> None:
    """
    Check that rows could be added, without writing anything.

    Raises
    ------
    RecordingError
        The file is missing, is not a recording, may not be written, or another program is
        writing it.
    """
    file_io.close(_opened(path))


def append_rows(path: Path, rows: bytes) -> None:
    """
    Add whole rows to the end of a recording; they are on the device when this returns.

    If a crash has cut the last row, a mark ends that row and makes it count as damaged, so
    the new rows stay separate. If the device takes only part of the rows, that part is
    removed again.

    Raises
    ------
    RecordingError
        For the reasons of `check_appendable`, or if the device does not take the rows.
    """
    fd = _opened(path)
    try:
        size = os.lseek(fd, 0, os.SEEK_END)
        os.lseek(fd, size - 1, os.SEEK_SET)
        cut = b"" if os.read(fd, 1) == b"\n" else CUT_MARK
        _add(fd, size, cut + rows)
    except OSError as exc:
        hint = "free some space there, or work in a copy elsewhere"
        raise unusable_recording(path, f"cannot be written: {words(exc)}", hint=hint) from exc
    finally:
        file_io.close(fd)


def copy_recording(path: Path, target: Path) -> None:
    """
    Copy a recording to a new file, byte for byte; the old file is only read.

    Raises
    ------
    RecordingError
        The recording cannot be read, or the new file exists or cannot be written.
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
        raise unusable_recording(target, f"cannot be written: {words(exc)}", hint=ROOM) from exc
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
