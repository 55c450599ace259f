"""Create, lock, read and write the file of a recording, and report errors of the system."""

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
    """Return the size of a recording [bytes], or 0 if the file is missing."""
    try:
        return path.stat().st_size
    except OSError:
        return 0


ROOM = "choose a folder that has free space and in which you may write files"
"""The hint for a new recording that cannot be written."""


def unusable_recording(path: Path, message: str, *, hint: str = "") -> RecordingError:
    """Return an error that names a file and its problem."""
    return RecordingError(message, where=str(path), hint=hint)


def words(exc: Exception) -> str:
    """Return the operating system's own message for an error."""
    return (exc.strerror if isinstance(exc, OSError) else None) or str(exc)


OPEN_FLAGS = os.O_RDWR | getattr(os, "O_BINARY", 0) | getattr(os, "O_CLOEXEC", 0)

LOCK_ATTEMPTS, LOCK_PAUSE_S = 3, 0.02
"""Number of tries to lock a file, and the pause between two tries [s]."""

_locks_beside: "dict[int, BaseFileLock]" = {}
"""The locks on systems without `fcntl`; the key is the descriptor of the locked file."""

FINGERPRINT_BYTES = 4096
"""The program compares this many bytes before the next row, to detect a changed file."""

OTHER_NAMES = 1000

_NUMBERED = re.compile(r"(.+)-([1-9][0-9]{0,2})")


def create(path: Path) -> int:
    """Create a new file and lock it."""
    fd = open_locked(path, OPEN_FLAGS | os.O_CREAT | os.O_EXCL)
    with contextlib.suppress(OSError):  # so that the name of the file survives a power cut
        directory = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(directory)
        finally:
            os.close(directory)
    return fd


def open_locked(path: Path, flags: int) -> int:
    """
    Open a file for writing and lock it, if no other program is writing it.

    Raises
    ------
    RecordingError
        If the file cannot be opened for writing. The hint states what to do.
    """
    try:
        fd = os.open(path, flags, 0o666)
    except FileExistsError as exc:
        hint = "choose another name; a recording is never overwritten"
        raise unusable_recording(path, "this file exists already", hint=hint) from exc
    except (OSError, ValueError) as exc:
        hint = "copy the recording to a folder in which you may write files, and open the copy"
        if flags & os.O_CREAT:
            hint = "choose a folder that exists and in which you may write files"
        raise unusable_recording(
            path, f"this file cannot be opened for writing: {words(exc)}", hint=hint
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
    Prevent other programs from writing the file, if the system and the disk can do this.

    On Windows, other programs could not read a locked recording, so the program locks a small
    hidden file in the same folder.

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
    """Return True if another program holds the lock of a file, or if this is unknown."""
    if fcntl is None:
        return _is_locked_beside(path)
    try:
        fcntl.flock(fd, fcntl.LOCK_SH | fcntl.LOCK_NB)
        fcntl.flock(fd, fcntl.LOCK_UN)
    except OSError:
        return True
    return False


def _is_being_written() -> OSError:
    return OSError(errno.EBUSY, "this file is being written by another program")


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
    """Write `data` into a file at the position `offset`; return the position after the data."""
    with memoryview(data) as rest:
        done = 0
        while done < len(rest):
            done += write_some(fd, offset + done, rest[done:])
    return offset + done


def write_some(fd: int, offset: int, data: memoryview) -> int:
    """Write `data` into a file at `offset`; return how many bytes the disk accepted."""
    os.lseek(fd, offset, os.SEEK_SET)
    written = os.write(fd, data)
    if not written:
        raise OSError(errno.EIO, "the disk does not accept the data")
    return written


def read_before(fd: int, offset: int) -> bytes:
    """Return the bytes of a file just before `offset`, at most `FINGERPRINT_BYTES` bytes."""
    start = max(offset - FINGERPRINT_BYTES, 0)
    os.lseek(fd, start, os.SEEK_SET)
    return os.read(fd, offset - start)


def close(fd: int) -> None:
    """Close a file and release its lock; ignore errors of the disk."""
    beside = _locks_beside.pop(fd, None)
    with contextlib.suppress(OSError):
        os.close(fd)
    _release(beside)


@contextlib.contextmanager
def held(fd: int, path: Path) -> Iterator[None]:
    """
    Lock an open file for the duration of a `with` block.

    On systems with `fcntl`, the file stays locked until the program closes it.
    """
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
    """Close a file and then delete it, if this is possible."""
    close(fd)
    with contextlib.suppress(OSError):
        path.unlink()


def free_name(folder: Path, old: Path) -> Path:
    """
    Add a number to a file's name, so that no file in the folder has the new name.

    If the program has already added a number to this name, the new number replaces it.
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
