"""Adding rows to a recording that is complete: all of them or none, and nothing before them.

For what is said of a recording afterwards; `writer` writes the ones being made.
"""

import os
from pathlib import Path

from chrono.reader.handles import OPEN_FLAGS, create, open_locked, remove, write_all
from chrono.reader.recording import BLOCK_BYTES, read_blocks
from chrono.reader.rows import CUT_MARK
from chrono.reader.trouble import ROOM, unusable, words


def check_appendable(path: Path) -> None:
    """
    See that rows could be added, writing nothing.

    Raises
    ------
    RecordingError
        The file is missing, no recording, may not be written, or is being written by
        another program.
    """
    os.close(_opened(path))


def append_rows(path: Path, rows: bytes) -> None:
    """
    Add whole rows to the end of a recording, on the device when this returns.

    A row that a crash has left without its end is ended by a mark that makes it count as
    damaged, so that the new rows stand alone. Where the device takes only a part of the rows,
    that part is taken away again.

    Raises
    ------
    RecordingError
        As `check_appendable`, or the device does not take them.
    """
    fd = _opened(path)
    try:
        size = os.lseek(fd, 0, os.SEEK_END)
        os.lseek(fd, size - 1, os.SEEK_SET)
        cut = b"" if os.read(fd, 1) == b"\n" else CUT_MARK
        _add(fd, size, cut + rows)
    except OSError as exc:
        hint = "make room there, or work in a copy elsewhere"
        raise unusable(path, f"cannot be written: {words(exc)}", hint=hint) from exc
    finally:
        os.close(fd)


def copy_recording(path: Path, target: Path) -> None:
    """
    Copy a recording to a new file, byte for byte; it is only read.

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
        raise unusable(target, f"cannot be written: {words(exc)}", hint=ROOM) from exc
    os.close(fd)


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
