"""Read the file of a recording in bounded memory.

`read_blocks` gives whole rows and reports a last row that is cut off. This file does not know
what rows mean. `recording_writer` writes recordings.
"""

import contextlib
import os
import sys
from collections.abc import Iterator
from io import FileIO
from pathlib import Path
from typing import BinaryIO

from chrono.reader.file_io import unusable_recording, words
from chrono.reader.recording_rows import HEADER, MAX_ROW_BYTES

BLOCK_BYTES = 2 << 20

_PIECE_BYTES = 1 << 16
_TAIL_BYTES = 1 << 18
_BOM = b"\xef\xbb\xbf"
_NO_RECORDING_HINT = (
    'name a recording: its first line is "host_us", "origin", "line", with tabs between'
)


class RecordingReader:
    """
    A recording as blocks of whole rows, each row ended by a newline, without the header.

    You may iterate more than once. A row that is far too long is shortened, but stays long
    enough to count as damaged.

    Parameters
    ----------
    path : Path or str
    block_bytes : int, optional
        Size of a block; one row more may be added.
    end : int, optional
        Read only this many bytes, so that rows added later are left out.

    Attributes
    ----------
    path : Path
        The recording.
    cut : str or None
        After iteration: a message about the last row, if the file ends within it.
    """

    def __init__(
        self, path: Path | str, block_bytes: int = BLOCK_BYTES, end: int | None = None
    ) -> None:
        self.path = Path(path)
        self.cut: str | None = None
        self._block_bytes = block_bytes
        self._end = sys.maxsize if end is None else end
        with _reading(self.path) as file:
            self._first_row = _check_header(self.path, file)

    def __iter__(self) -> Iterator[bytes]:
        self.cut = None
        with _reading(self.path) as file:
            file.seek(self._first_row)
            while self.cut is None and (
                block := file.read(self._room(file, self._block_bytes))
            ):
                if not block.endswith(b"\n"):
                    block = self._complete(file, block)
                if block:
                    yield block

    def last_rows(self) -> bytes:
        """Return some thousand whole rows from the end; no rows if the last row is too long."""
        with _reading(self.path) as file:
            end = min(file.seek(0, os.SEEK_END), self._end)
            start = max(end - _TAIL_BYTES, self._first_row)
            file.seek(start)
            tail = file.read(end - start)
        if start > self._first_row:
            tail = tail.partition(b"\n")[2]
        return tail[: tail.rfind(b"\n") + 1]

    def _complete(self, file: BinaryIO, block: bytes) -> bytes:
        """Return the block with the rest of its last row, or without that row if it is cut."""
        row = block.rfind(b"\n") + 1
        longest = row + MAX_ROW_BYTES + 2
        row_bytes = len(block) - row
        piece = b""
        while not piece.endswith(b"\n"):
            piece = file.readline(self._room(file, _PIECE_BYTES))
            row_bytes += len(piece)
            if not piece:
                self._note_cut(file.tell() - row_bytes, row_bytes)
                return block[:row]
            if len(block) < longest:
                block += piece
        return block if block.endswith(b"\n") else block + b"\n"

    def _room(self, file: BinaryIO, wanted: int) -> int:
        return min(wanted, max(self._end - file.tell(), 0))

    def _note_cut(self, offset: int, row_bytes: int) -> None:
        with _reading(self.path) as file:
            line = 1
            while offset and (block := file.read(min(offset, BLOCK_BYTES))):
                line += block.count(b"\n")
                offset -= len(block)
        self.cut = f"line {line} is cut off after {row_bytes} bytes; it is left out"


def read_blocks(path: Path | str, block_bytes: int = BLOCK_BYTES) -> RecordingReader:
    """
    Read a recording in bounded memory, as blocks of whole rows.

    Parameters
    ----------
    path : Path or str
        The recording.
    block_bytes : int
        Size of a block; one row more may be added.

    Raises
    ------
    RecordingError
        The file cannot be read, or is not a recording. Raised at once, or
        during iteration if the device fails later.
    """
    return RecordingReader(path, block_bytes)


def open_at_first_row(path: Path) -> FileIO:
    """
    Open a recording that may still grow, and leave it at its first row after the header.

    Raises
    ------
    RecordingError
        The file cannot be read, or is not a recording.
    """
    with _reading(path) as file:
        first_row = _check_header(path, file)
        growing = path.open("rb", buffering=0)
        growing.seek(first_row)
        return growing


@contextlib.contextmanager
def _reading(path: Path) -> Iterator[BinaryIO]:
    try:
        if path.exists() and not path.is_file():
            raise unusable_recording(
                path, "is not a file", hint="name a recording, a .tsv file"
            )
        with path.open("rb") as file:
            yield file
    except FileNotFoundError as exc:
        raise unusable_recording(path, "there is no such file", hint="check the name") from exc
    except (OSError, ValueError) as exc:
        hint = "check the permissions of the file and its folder, and the disk"
        raise unusable_recording(path, f"cannot be read: {words(exc)}", hint=hint) from exc


def _check_header(path: Path, file: BinaryIO) -> int:
    """Return the offset of the first row."""
    first = file.read(len(_BOM) + len(HEADER) + 1)
    mark = len(_BOM) if first.startswith(_BOM) else 0
    name = first[mark:]
    for header in (HEADER, HEADER.replace(b"\n", b"\r\n")):
        if name.startswith(header):
            return mark + len(header)
    raise unusable_recording(
        path, f"is not a recording: {_what_is_wrong(first)}", hint=_NO_RECORDING_HINT
    )


def _what_is_wrong(first: bytes) -> str:
    if not first:
        return "it is empty"
    if first.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "it is UTF-16, not UTF-8"
    if first.startswith(b"\x1f\x8b"):
        return "it is compressed"
    if HEADER.startswith(first):
        return "it is cut off within its first line"
    return "its first line is wrong"
