"""Recordings at addresses that fsspec knows: found, and fetched to be read as files are."""

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path, PurePosixPath
from typing import Any

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
    below = PurePosixPath(path)
    return [
        (str(system.unstrip_protocol(name)), size_bytes)
        for name, size_bytes in sorted(hits)
        if not _is_hidden(PurePosixPath(name), below)
    ]


@contextmanager
def fetched(address: str) -> Iterator[Path]:
    """
    Give a copy of the file at an address, for as long as it is needed.

    Raises
    ------
    RecordingError
        If it cannot be fetched.
    """
    system, path = _system(address)
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / PurePosixPath(path).name
        with _telling(address):
            system.get_file(path, str(copy))
        yield copy


def _matching(system: Any, pattern: str) -> dict[str, Any]:
    found = system.glob(pattern, detail=True)
    return {name: told for name, told in found.items() if told.get("type") == "file"}


def _is_hidden(path: PurePosixPath, below: PurePosixPath) -> bool:
    named = len(below.parts) if below in path.parents else len(path.parts) - 1
    return any(part.startswith(".") for part in path.parts[named:])


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
