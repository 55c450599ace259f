"""Find recordings from the names of files, folders and patterns, or from addresses.

The recordings are returned in the order of the user's names; the recordings of one folder or
pattern are sorted. If two recordings have the same file name, their paths are shown. If the
user gives an address such as ``https://…``, the program downloads a copy and reads the copy.
"""

import glob
import os
import tempfile
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from glob import has_magic
from itertools import takewhile
from pathlib import Path, PurePosixPath
from typing import IO, Any

from chrono.errors import ChronoError, OptionError, RecordingError
from chrono.reader.file_io import size_of


def is_address(word: str) -> bool:
    """Return True if a word is an address, because it contains ``://``, and not a path."""
    return "://" in word


def is_folder(address: str) -> bool:
    """Return True if the object at an address is a folder."""
    system, path = _system(address)
    with _telling(address):
        return bool(system.isdir(path))


def look_for(address: str) -> list[tuple[str, int]]:
    """Return the address and size [bytes] of each file that a folder or pattern contains."""
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
    Yield a temporary copy of the file at an address; for a local file, yield the file itself.

    Raises
    ------
    RecordingError
        If the file cannot be downloaded.
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


class RemoteFolder:
    """
    A new folder for a dataset, for example on a server; its address contains ``://``.

    Raises
    ------
    FileExistsError
        If a file or folder exists at this address already.
    RecordingError
        If the address cannot be reached.
    """

    def __init__(self, address: str) -> None:
        self._address = address
        self._system, self._path = _system(address)
        with _telling(address):
            is_there = self._system.exists(self._path)
        if is_there:
            raise FileExistsError(address)

    def open(self, name: str) -> IO[bytes]:
        """Create a new file in this folder, and open it for writing."""
        path = f"{self._path.rstrip('/')}/{name}"
        with _telling(self._address):
            self._system.makedirs(path.rpartition("/")[0], exist_ok=True)
            file: IO[bytes] = self._system.open(path, "wb")
        return file

    def remove(self) -> None:
        """Remove this folder with all its files."""
        with suppress(FileNotFoundError), _telling(self._address):
            if self._system.exists(self._path):
                self._system.rm(self._path, recursive=True)


def _matching(system: Any, pattern: str) -> dict[str, Any]:
    found = system.glob(pattern, detail=True)
    return {name: told for name, told in found.items() if told.get("type") == "file"}


def _named_part(path: str) -> PurePosixPath:
    """Return the folders of a path or pattern before the first part that has a wildcard."""
    named = takewhile(lambda part: not has_magic(part), PurePosixPath(path).parts)
    return PurePosixPath(*named)


def _system(address: str) -> tuple[Any, str]:
    """Return the file system to which an address belongs, and the path in this file system."""
    try:
        from fsspec.core import url_to_fs
    except ImportError as error:
        raise OptionError(
            "reading from an address needs the package `fsspec`, which is not installed",
            where=address,
            hint="run pip install distributed fsspec",
        ) from error
    with _telling(address):
        system, path = url_to_fs(address)
    return system, path


@contextmanager
def _telling(address: str) -> Iterator[None]:
    """Replace an error of a remote file system by a `ChronoError` with the address."""
    try:
        yield
    except ChronoError:
        raise
    except FileNotFoundError as error:
        raise RecordingError(
            "there is no such file", where=address, hint="check the name"
        ) from error
    except Exception as error:  # every service has its own errors
        reason = str(error).strip() or type(error).__name__
        raise RecordingError(
            f"this address cannot be reached: {reason}",
            where=address,
            hint="check the address, and check if the service at this address needs a login",
        ) from error


ENDING = ".tsv"


@dataclass(frozen=True)
class RecordingSource:
    """
    A recording that the program will read.

    Attributes
    ----------
    where : str
        Path or address of the recording.
    name : str
        Unique name: the file's name, or all of `where` if two files have the same name.
    size_bytes : int
        Size of the file; 0 if it is missing, because reading it will report the error.
    """

    where: str
    name: str
    size_bytes: int


def find_sources(words: Sequence[str]) -> list[RecordingSource]:
    """
    Find all recordings that the user has named.

    Parameters
    ----------
    words : sequence of str
        Files, folders (with all recordings in them and in their subfolders), patterns with
        ``*``, ``?``, ``[]`` and ``**``, or addresses of files, folders or patterns.

    Returns
    -------
    list of RecordingSource
        The recordings in the order of the words, sorted within each word. Hidden files are
        skipped unless they are named. A file that is found twice is used once.

    Raises
    ------
    OptionError
        If a file is named twice.
    RecordingError
        If a folder or a pattern contains no recording.
    """
    found: dict[str, tuple[str, int]] = {}
    named, folders = set[str](), dict[str, str]()
    for word in words:
        plainly_named = is_plainly_named(word)
        hits = [(word, _size(word))] if plainly_named else _look_for(word)
        for where, size_bytes in hits:
            key = _identity(where, folders)
            if plainly_named and key in named:
                raise OptionError(
                    "this recording is named twice",
                    where=where,
                    hint="name each recording only once, because otherwise its shots "
                    "are counted twice",
                )
            named |= {key} if plainly_named else set()
            found.setdefault(key, (where, size_bytes))
    return _told_apart(found.values())


def _told_apart(found: Iterable[tuple[str, int]]) -> list[RecordingSource]:
    named = [(where, _base(where), size_bytes) for where, size_bytes in found]
    shared = Counter(base for _, base, _ in named)
    return [
        RecordingSource(where, base if shared[base] == 1 else where, size_bytes)
        for where, base, size_bytes in named
    ]


def is_plainly_named(word: str) -> bool:
    """Return True if a word names exactly one file; the file may be missing."""
    if is_address(word):
        return not glob.has_magic(word) and not is_folder(word)
    path = Path(word)
    return not path.is_dir() and (path.exists() or not glob.has_magic(word))


def may_be_recordings(word: str) -> bool:
    """Return True if the user's word can name recordings; otherwise the word names a port."""
    if is_address(word):  # addresses with the scheme of a port are not files
        return word.endswith(ENDING)
    path = Path(word)
    return path.is_file() or path.is_dir() or path.suffix == ENDING or glob.has_magic(word)


def _look_for(word: str) -> list[tuple[str, int]]:
    if is_address(word):
        hits = [hit for hit in look_for(word) if _is_wanted(hit[0], word)]
    else:
        hits = [(where, size_of(Path(where))) for where in sorted(_local_hits(word))]
    if not hits:
        raise RecordingError(
            "no recording was found",
            where=word,
            hint=f"use a folder that contains {ENDING} files, or another pattern",
        )
    return hits


def _local_hits(word: str) -> Iterator[str]:
    # Path.glob also finds hidden files, and accepts no pattern from the root.
    for place in [word] if Path(word).is_dir() else glob.glob(word, recursive=True):  # noqa: PTH207
        if Path(place).is_dir():
            yield from _below(place)
        elif _is_wanted(place, word):
            yield place


def _below(folder: str) -> Iterator[str]:
    """Yield the recordings in a folder and its subfolders; do not follow links to folders."""
    for place, folders, files in os.walk(folder, onerror=_cannot_look):
        folders[:] = [name for name in folders if not name.startswith(".")]
        at = str(Path(place))
        for name in files:
            if name.endswith(ENDING) and not name.startswith("."):
                yield os.path.join(at, name)  # noqa: PTH118 - path objects take long


def _is_wanted(where: str, word: str) -> bool:
    """Return True if the file ends with `ENDING`, or if the user's pattern has an ending."""
    ending = PurePosixPath(word).suffix
    says_one = glob.has_magic(word) and ending and not glob.has_magic(ending)
    return says_one or where.endswith(ENDING)


def _cannot_look(error: OSError) -> None:
    raise RecordingError(
        f"this folder cannot be searched: {error.strerror}",
        where=str(error.filename),
        hint="check the permissions of the folder",
    ) from error


def _identity(where: str, folders: dict[str, str]) -> str:
    """Return the real path of a file; `folders` stores the real paths of known folders."""
    if is_address(where):
        return where
    # `Path.resolve` fails on links in a circle.
    folder, name = os.path.split(where)
    if not name or os.path.islink(where):  # noqa: PTH114
        return os.path.realpath(where)
    if folder not in folders:
        folders[folder] = os.path.realpath(folder)
    return os.path.join(folders[folder], name)  # noqa: PTH118


def _size(where: str) -> int:
    return 0 if is_address(where) else size_of(Path(where))


def _base(where: str) -> str:
    if is_address(where):
        return PurePosixPath(where).name
    return os.path.basename(where) or Path(where).name  # noqa: PTH119
