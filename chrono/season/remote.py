"""Recordings at addresses that fsspec knows: found, and fetched to be read as files are."""

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from glob import has_magic
from itertools import takewhile
from pathlib import Path, PurePosixPath
from typing import IO, Any

from chrono.errors import ChronoError, OptionError, RecordingError


def is_address(word: str) -> bool:
    """Tell whether a word is an address and no path."""
    return "://" in word


def is_folder(address: str) -> bool:
    """Tell whether there are files below an address."""
    system, path = _system(address)
    with _telling(address):
        return bool(system.isdir(path))


def look_for(address: str) -> list[tuple[str, int]]:
    """Return the files below an address, or that a pattern finds, and their sizes [bytes]."""
    system, path = _system(address)
    with _telling(address):
        found = (
            system.find(path, detail=True) if system.isdir(path) else _matching(system, path)
        )
        hits = [(name, int(told.get("size") or 0)) for name, told in found.items()]
    named = len(_named_part(path).parts)
    return [
        (str(system.unstrip_protocol(name)), size_bytes)
        for name, size_bytes in sorted(hits)
        if not any(part.startswith(".") for part in PurePosixPath(name).parts[named:])
    ]


@contextmanager
def fetched(address: str) -> Iterator[Path]:
    """
    Give a copy of the file at an address, for as long as it is needed; itself if it is here.

    Raises
    ------
    RecordingError
        If it cannot be fetched.
    """
    system, path = _system(address)
    if address.startswith("file://"):
        yield Path(path)
        return
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / PurePosixPath(path).name
        with _telling(address):
            system.get_file(path, str(copy))
        yield copy


class Folder:
    """
    A folder to be filled at an address.

    Raises
    ------
    FileExistsError
        If there is something already.
    RecordingError
        If it cannot be reached.
    """

    def __init__(self, address: str) -> None:
        self._address = address
        self._system, self._path = _system(address)
        with _telling(address):
            is_there = self._system.exists(self._path)
        if is_there:
            raise FileExistsError(address)

    def open(self, name: str) -> IO[bytes]:
        """Open a new file below it."""
        path = f"{self._path.rstrip('/')}/{name}"
        with _telling(self._address):
            self._system.makedirs(path.rpartition("/")[0], exist_ok=True)
            file: IO[bytes] = self._system.open(path, "wb")
        return file

    def remove(self) -> None:
        """Take it away with all that is in it."""
        with suppress(FileNotFoundError), _telling(self._address):
            if self._system.exists(self._path):
                self._system.rm(self._path, recursive=True)


def _matching(system: Any, pattern: str) -> dict[str, Any]:
    found = system.glob(pattern, detail=True)
    return {name: told for name, told in found.items() if told.get("type") == "file"}


def _named_part(path: str) -> PurePosixPath:
    """Return a folder or pattern as far as it is named, be it hidden or not."""
    named = takewhile(lambda part: not has_magic(part), PurePosixPath(path).parts)
    return PurePosixPath(*named)


def _system(address: str) -> tuple[Any, str]:
    """Return the file system of an address, and the path in it."""
    try:
        from fsspec.core import url_to_fs
    except ImportError as error:
        raise OptionError(
            "addresses need fsspec, which is not installed",
            where=address,
            hint="pip install 'chrono-gates[cluster]'",
        ) from error
    with _telling(address):
        system, path = url_to_fs(address)
    return system, path


@contextmanager
def _telling(address: str) -> Iterator[None]:
    """Let whatever a file system of somebody else's raises name the address."""
    try:
        yield
    except ChronoError:
        raise
    except FileNotFoundError as error:
        raise RecordingError(
            "there is no such file", where=address, hint="check the name"
        ) from error
    except Exception as error:  # every service has errors of its own
        reason = str(error).strip() or type(error).__name__
        raise RecordingError(
            f"cannot be reached: {reason}",
            where=address,
            hint="check the address, and what its service asks for",
        ) from error
