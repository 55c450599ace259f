"""System calls on the file of a recording (create, lock, write at an offset), and their errors.

This file does not know what is written; `recording_writer` decides that.
"""

import contextlib
import errno
import os
import re
import time
from collections.abc import Iterator
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING

from chrono.errors import RecordingError

try:
    import fcntl
except ImportError:  # Windows has no such module
    fcntl = None  # type: ignore[assignment]

if TYPE_CHECKING:
    from filelock import BaseFileLock


def size_of(path: Path) -> int:
    """Return the size of a recording [bytes], 0 without a file (reading it reports that)."""
    try:
        return path.stat().st_size
    except OSError:
        return 0


ROOM = "choose a folder where you may write and that has free space"
"""What to do if a new recording cannot be written."""


def unusable_recording(path: Path, message: str, *, hint: str = "") -> RecordingError:
    """Return the error that names a file and what is wrong with it."""
    return RecordingError(message, where=str(path), hint=hint)


def words(exc: Exception) -> str:
    """Return the system's own message for what failed."""
    return (exc.strerror if isinstance(exc, OSError) else None) or str(exc)


OPEN_FLAGS = os.O_RDWR | getattr(os, "O_BINARY", 0) | getattr(os, "O_CLOEXEC", 0)

LOCK_ATTEMPTS, LOCK_PAUSE_S = 3, 0.02
"""A program that only checks whether a file is locked holds the lock for a moment."""

_locks_beside: "dict[int, BaseFileLock]" = {}
"""Locks held without `fcntl`. The key is the descriptor of the locked file."""

FINGERPRINT_BYTES = 4096
"""This many bytes before the next row must be unchanged."""

OTHER_NAMES = 1000

_NUMBERED = re.compile(r"(.+)-([1-9][0-9]{0,2})")


def create(path: Path) -> int:
    """Create a file that does not exist yet, locked."""
    fd = open_locked(path, OPEN_FLAGS | os.O_CREAT | os.O_EXCL)
    with contextlib.suppress(OSError):  # the name itself should survive a power cut
        directory = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(directory)
        finally:
            os.close(directory)
    return fd


def open_locked(path: Path, flags: int) -> int:
    """
    Open a file that no other program is writing.

    Raises
    ------
    RecordingError
        The file cannot be opened for writing; the hint says what to do.
    """
    try:
        fd = os.open(path, flags, 0o666)
    except FileExistsError as exc:
        hint = "choose another name; a recording is never overwritten"
        raise unusable_recording(path, "exists already", hint=hint) from exc
    except (OSError, ValueError) as exc:
        hint = "copy the recording to a folder where you may write, and open the copy"
        if flags & os.O_CREAT:
            hint = "choose a folder that exists and where you may write"
        raise unusable_recording(
            path, f"cannot be opened for writing: {words(exc)}", hint=hint
        ) from exc
    try:
        lock(fd, path)
    except OSError as exc:
        remove(fd, path) if flags & os.O_CREAT else close(fd)
        raise unusable_recording(
            path, str(exc.strerror), hint="close the other program"
        ) from exc
    return fd


def lock(fd: int, path: Path) -> None:
    """
    Keep other programs from writing the file, if the system and the device can.

    With `fcntl` the file itself is locked. On Windows no program could read a locked file. So
    the lock on Windows is a small hidden file beside the recording.

    Raises
    ------
    OSError
        If another program holds the lock.
    """
    if fcntl is None:
        _lock_beside(fd, path)
        return
    for attempt in range(LOCK_ATTEMPTS):
        try:
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as exc:
            if attempt == LOCK_ATTEMPTS - 1:
                raise _is_being_written() from exc
            time.sleep(LOCK_PAUSE_S)
        except OSError:
            return
        else:
            return


def is_locked(fd: int, path: Path) -> bool:
    """Return whether another program holds the lock of a file; True if that is unknown."""
    if fcntl is None:
        return _is_locked_beside(path)
    try:
        fcntl.flock(fd, fcntl.LOCK_SH | fcntl.LOCK_NB)
        fcntl.flock(fd, fcntl.LOCK_UN)
    except OSError:
        return True
    return False


def _is_being_written() -> OSError:
    return OSError(errno.EBUSY, "is being written by another program")


def _lock_file(path: Path) -> Path:
    real = Path(os.path.realpath(path))
    return real.with_name(f".{real.name}.lock")


def _lock_beside(fd: int, path: Path) -> None:
    from filelock import FileLock, Timeout

    # Any thread may close the recording, not only the one that opened it.
    beside = FileLock(_lock_file(path), thread_local=False)
    try:
        beside.acquire(LOCK_ATTEMPTS * LOCK_PAUSE_S, poll_interval=LOCK_PAUSE_S)
    except Timeout as exc:
        raise _is_being_written() from exc
    except (OSError, NotImplementedError):
        return
    _locks_beside[fd] = beside


def _is_locked_beside(path: Path) -> bool:
    from filelock import FileLock

    file = _lock_file(path)
    if not file.exists():  # taking the lock would create the file, and a reader must not write
        return False
    beside = FileLock(file, thread_local=False)
    try:
        beside.acquire(0)
    except (OSError, NotImplementedError):  # a timeout is an OSError too
        return True
    beside.release()
    return False


def write_all(fd: int, offset: int, data: bytes | bytearray) -> int:
    """Write `data` at `offset`; return the offset of its end."""
    with memoryview(data) as rest:
        done = 0
        while done < len(rest):
            done += write_some(fd, offset + done, rest[done:])
    return offset + done


def write_some(fd: int, offset: int, data: memoryview) -> int:
    """Write as much of `data` at `offset` as the device takes; return the number of bytes."""
    os.lseek(fd, offset, os.SEEK_SET)
    written = os.write(fd, data)
    if not written:
        raise OSError(errno.EIO, "the device takes no bytes")
    return written


def read_before(fd: int, offset: int) -> bytes:
    """Return the bytes before `offset`, at most `FINGERPRINT_BYTES` of them."""
    start = max(offset - FINGERPRINT_BYTES, 0)
    os.lseek(fd, start, os.SEEK_SET)
    return os.read(fd, offset - start)


def close(fd: int) -> None:
    """Close a file and release its lock; ignore errors of the device."""
    beside = _locks_beside.pop(fd, None)
    with contextlib.suppress(OSError):
        os.close(fd)
    _release(beside)


@contextlib.contextmanager
def held(fd: int, path: Path) -> Iterator[None]:
    """Hold the lock of an open file inside the `with` block, or until the file is closed."""
    lock(fd, path)
    try:
        yield
    finally:
        _release(_locks_beside.pop(fd, None))


def _release(beside: "BaseFileLock | None") -> None:
    if beside is not None:
        with contextlib.suppress(OSError):
            beside.release()


def remove(fd: int, path: Path) -> None:
    """Close a file and remove it, if that is possible."""
    close(fd)
    with contextlib.suppress(OSError):
        path.unlink()


def free_name(folder: Path, old: Path) -> Path:
    """
    Return a file's name with a number added, so that it is free in a folder.

    If the name already ends in such a number, the number is increased. No second number is
    added.
    """
    stem = old.stem
    numbered = _NUMBERED.fullmatch(stem)
    if numbered and os.path.lexists(old.with_name(f"{numbered[1]}{old.suffix}")):
        stem = numbered[1]
    for number in count(2):
        path = folder / f"{stem}-{number}{old.suffix}"
        if number > OTHER_NAMES or not os.path.lexists(path):
            return path
    raise AssertionError
