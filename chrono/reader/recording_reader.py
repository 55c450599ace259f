"""Read the file of a recording, and use only a limited amount of memory.

The function `read_blocks` returns only complete rows, and reports if the file ends within a
row. This module does not decode the rows. The module `recording_writer` writes recordings.
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
    'choose a recording: its first line has the words "host_us", "origin" and "line", with '
    "tabs between them"
)


class RecordingReader:
    """
    Read a recording in blocks of complete rows, without the header.

    Each row that the reader returns ends with a newline. You may iterate over this object more
    than once. If a row is far too long, the reader removes a part of the row; the row then
    counts as damaged.

    Parameters
    ----------
    path : Path or str
    block_bytes : int, optional
        Size of a block [bytes]; a block may be longer by one row.
    end : int, optional
        Read only this many bytes of the file. Rows that are added later are ignored.

    Attributes
    ----------
    path : Path
        The recording.
    cut : str or None
        A message if the file ends within its last row; the iteration sets this attribute.
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
        """
        Return the last few thousand complete rows of the recording.

        If the last row is too long, the function returns no rows.
        """
        with _reading(self.path) as file:
            end = min(file.seek(0, os.SEEK_END), self._end)
            start = max(end - _TAIL_BYTES, self._first_row)
            file.seek(start)
            tail = file.read(end - start)
        if start > self._first_row:
            tail = tail.partition(b"\n")[2]
        return tail[: tail.rfind(b"\n") + 1]

    def _complete(self, file: BinaryIO, block: bytes) -> bytes:
        """Read the rest of the block's last row; drop this row if the file ends within it."""
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
        self.cut = f"line {line} is cut off after {row_bytes} bytes and is not used"


def read_blocks(path: Path | str, block_bytes: int = BLOCK_BYTES) -> RecordingReader:
    """
    Read a recording in blocks of complete rows, with a limited amount of memory.

    Parameters
    ----------
    path : Path or str
        The recording.
    block_bytes : int
        Size of a block [bytes]; a block may be longer by one row.

    Raises
    ------
    RecordingError
        If the file cannot be read, or is not a recording. If the disk fails later, the
        iteration raises the error.
    """
    return RecordingReader(path, block_bytes)


def open_at_first_row(path: Path) -> FileIO:
    """
    Open a recording to which another program may still add rows.

    After this call, reading begins at the first row after the header.

    Raises
    ------
    RecordingError
        If the file cannot be read, or is not a recording.
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
                path, "this is not a file", hint="give the name of a recording (.tsv)"
            )
        with path.open("rb") as file:
            yield file
    except FileNotFoundError as exc:
        raise unusable_recording(path, "there is no such file", hint="check the name") from exc
    except (OSError, ValueError) as exc:
        hint = "check the permissions of the file and of its folder, and check the disk"
        raise unusable_recording(
            path, f"this file cannot be read: {words(exc)}", hint=hint
        ) from exc


def _check_header(path: Path, file: BinaryIO) -> int:
    """Check the first line of a recording, and return the offset of the next row."""
    first = file.read(len(_BOM) + len(HEADER) + 1)
    mark = len(_BOM) if first.startswith(_BOM) else 0
    name = first[mark:]
    for header in (HEADER, HEADER.replace(b"\n", b"\r\n")):
        if name.startswith(header):
            return mark + len(header)
    raise unusable_recording(
        path, f"{_what_is_wrong(first)}, so this is not a recording", hint=_NO_RECORDING_HINT
    )


def _what_is_wrong(first: bytes) -> str:
    if not first:
        return "the file is empty"
    if first.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "the file is UTF-16, not UTF-8"
    if first.startswith(b"\x1f\x8b"):
        return "the file is compressed"
    if HEADER.startswith(first):
        return "the file ends before the end of its first line"
    return "the first line of the file is wrong"
