"""Write files completely or not at all, and never replace an existing file."""

import os
import secrets
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO

from chrono.errors import OptionError, RecordingError
from chrono.reader import file_io

ABANDONED_S = 60.0
"""An unfinished file counts as abandoned if no program uses it, and if it did not grow for this
time [s]."""


def check_new(path: Path, endings: Sequence[str]) -> str:
    """
    Check the name of a new file before the work begins, and return the ending of the name.

    Raises
    ------
    OptionError
        If the ending is not in `endings`, or the file exists.
    """
    ending = path.suffix.lower()
    if ending not in endings:
        listed = f"{', '.join(endings[:-1])} or {endings[-1]}" if endings[1:] else endings[0]
        raise OptionError(
            f"the ending {path.suffix!r} is not a known format",
            where=str(path),
            hint=f"use a file name that ends in {listed}",
        )
    if path.exists() or path.is_symlink():
        raise _exists(path)
    return ending


@contextmanager
def new_file(path: Path) -> Iterator[IO[bytes]]:
    """
    Open a new file for writing; the file gets its name only when it is complete.

    If the program is killed or the computer loses power, only an unfinished hidden file
    ``.chrono-….part`` remains in the folder. Later calls remove unfinished files.

    Raises
    ------
    OptionError
        If the file exists.
    RecordingError
        If the file cannot be written.
    """
    part = path.with_name(f".chrono-{secrets.token_hex(6)}.part")
    try:
        _expect_none(path)
        _remove_abandoned(path.parent)
        # Ctrl+C may arrive as soon as the file exists, even before `open` returns.
        with part.open("xb") as file, file_io.held(file.fileno(), part):
            yield file
        _give_name(part, path)
    except OSError as trouble:
        raise _trouble(path, trouble) from trouble
    finally:
        with suppress(OSError):  # there is no such file, or not even its folder
            part.unlink()


def write_new(path: Path, content: bytes) -> None:
    """Write a new file completely or not at all; `new_file` explains how."""
    with new_file(path) as file:
        file.write(content)


def write_new_together(contents: Mapping[Path, bytes]) -> None:
    """Write several new files; if an error occurs, remove all new files."""
    written: list[Path] = []
    try:
        for path, content in contents.items():
            write_new(path, content)
            written.append(path)
    except BaseException:
        for path in written:
            path.unlink(missing_ok=True)
        raise


def _remove_abandoned(folder: Path) -> None:
    """Remove unfinished files of killed programs; keep unfinished files of running programs."""
    for part in folder.glob(".chrono-*.part"):
        with suppress(OSError):  # another user's file, or already removed
            with part.open("rb") as file:
                is_quiet = time.time() - part.stat().st_mtime > ABANDONED_S
                is_left = is_quiet and not file_io.is_locked(file.fileno(), part)
            if is_left:
                part.unlink()


def _expect_none(path: Path) -> None:
    try:
        path.lstat()
    except FileNotFoundError:
        return
    raise _exists(path)


def _give_name(part: Path, path: Path) -> None:
    """Give a completely written file its final name, unless another file has this name."""
    try:
        try:
            os.link(part, path)
        except FileExistsError:
            raise
        except OSError:  # a file system without links: reserve the name, then replace it
            path.open("xb").close()
            part.replace(path)
    except FileExistsError:
        raise _exists(path) from None


def _exists(path: Path) -> OptionError:
    return OptionError("the file exists", where=str(path), hint="choose another name")


def _trouble(path: Path, trouble: OSError) -> RecordingError:
    return RecordingError(
        f"the file cannot be written: {trouble.strerror or trouble}",
        where=str(path),
        hint="choose a folder that exists, is writable and has free space",
    )
