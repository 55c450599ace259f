"""Which recordings are meant: files, folders and patterns, in order, all told apart."""

import glob
import os
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from chrono.errors import OptionError, RecordingError
from chrono.reader.size import size_of
from chrono.season import remote

ENDING = ".tsv"


@dataclass(frozen=True)
class Source:
    """
    One recording that is meant.

    Attributes
    ----------
    where : str
        Its path, or its address.
    name : str
        What tells it from the others: the file's name, or all of `where` if two share it.
    size_bytes : int
        0 if it is not there: reading it will tell.
    """

    where: str
    name: str
    size_bytes: int


def find_sources(words: Sequence[str]) -> list[Source]:
    """
    Find the recordings that are meant.

    Parameters
    ----------
    words : sequence of str
        Files, folders (all recordings in them and below), patterns with ``*``, ``?``, ``[]``
        and ``**``, or addresses of these.

    Returns
    -------
    list of Source
        In the order of the words, within a word sorted. Hidden files are left out unless
        they are named; what a folder or a pattern finds again is taken once.

    Raises
    ------
    OptionError
        If a file is named twice.
    RecordingError
        If a folder or a pattern holds no recording.
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
                    hint="name it once, or its shots would be counted twice",
                )
            named |= {key} if plainly_named else set()
            found.setdefault(key, (where, size_bytes))
    return _told_apart(found.values())


def _told_apart(found: Iterable[tuple[str, int]]) -> list[Source]:
    named = [(where, _base(where), size_bytes) for where, size_bytes in found]
    shared = Counter(base for _, base, _ in named)
    return [
        Source(where, base if shared[base] == 1 else where, size_bytes)
        for where, base, size_bytes in named
    ]


def is_plainly_named(word: str) -> bool:
    """Tell whether a word is one file, be it there or not."""
    if remote.is_address(word):
        return not glob.has_magic(word) and not remote.is_folder(word)
    path = Path(word)
    return not path.is_dir() and (path.exists() or not glob.has_magic(word))


def may_be_recordings(word: str) -> bool:
    """Tell whether a word can mean recordings, where it could be a port, too."""
    if remote.is_address(word):  # the schemes of ports have no files
        return word.endswith(ENDING)
    path = Path(word)
    return path.is_file() or path.is_dir() or path.suffix == ENDING or glob.has_magic(word)


def _look_for(word: str) -> list[tuple[str, int]]:
    if remote.is_address(word):
        hits = [hit for hit in remote.look_for(word) if _is_wanted(hit[0], word)]
    else:
        hits = [(where, size_of(Path(where))) for where in sorted(_local_hits(word))]
    if not hits:
        raise RecordingError(
            "no recording is there",
            where=word,
            hint=f"name a folder with {ENDING} files in it or below, or another pattern",
        )
    return hits


def _local_hits(word: str) -> Iterator[str]:
    # Not Path.glob: it takes hidden files for any others, and no pattern from the root.
    for place in [word] if Path(word).is_dir() else glob.glob(word, recursive=True):  # noqa: PTH207
        if Path(place).is_dir():
            yield from _below(place)
        elif _is_wanted(place, word):
            yield place


def _below(folder: str) -> Iterator[str]:
    """Yield the recordings in a folder and below; links to folders are not followed."""
    for place, folders, files in os.walk(folder, onerror=_cannot_look):
        folders[:] = [name for name in folders if not name.startswith(".")]
        at = str(Path(place))
        for name in files:
            if name.endswith(ENDING) and not name.startswith("."):
                yield os.path.join(at, name)  # noqa: PTH118 - a path object each takes long


def _is_wanted(where: str, word: str) -> bool:
    """Tell whether a file that was found is one: by its ending, unless the pattern says one."""
    ending = PurePosixPath(word).suffix
    says_one = glob.has_magic(word) and ending and not glob.has_magic(ending)
    return says_one or where.endswith(ENDING)


def _cannot_look(error: OSError) -> None:
    raise RecordingError(
        f"cannot be looked through: {error.strerror}",
        where=str(error.filename),
        hint="check the permissions of the folder",
    ) from error


def _identity(where: str, folders: dict[str, str]) -> str:
    """Return where a file really is; `folders` keeps where those looked up really are."""
    if remote.is_address(where):
        return where
    # `Path.resolve` trips over links in a circle.
    folder, name = os.path.split(where)
    if not name or os.path.islink(where):  # noqa: PTH114
        return os.path.realpath(where)
    if folder not in folders:
        folders[folder] = os.path.realpath(folder)
    return os.path.join(folders[folder], name)  # noqa: PTH118


def _size(where: str) -> int:
    return 0 if remote.is_address(where) else size_of(Path(where))


def _base(where: str) -> str:
    if remote.is_address(where):
        return PurePosixPath(where).name
    return os.path.basename(where) or Path(where).name  # noqa: PTH119
