"""The board's end of a pseudo-terminal, and a sink that keeps rows, for tests of the port."""

import json
import os
import queue
import select
import time
import tty
from collections.abc import Callable
from pathlib import Path
from typing import Any, Self

from waiting import PATIENCE_S, wait_until

from chrono.arrays.events import Batch
from chrono.reader.line_grammar import crc_text
from chrono.reader.recording_rows import unescape
from chrono.reader.row_decoding import decode_rows
from chrono.rigs.line_kinds import FRAMED


def until(true: Callable[[], bool]) -> None:
    """Wait for what another thread or program brings about any moment."""
    wait_until(true, every_s=0.001)


class PtyBoard:
    """A board on a pseudo-terminal that is found under a name of its own."""

    def __init__(self, name: Path) -> None:
        self.name = name
        self._fd, slave = os.openpty()
        tty.setraw(slave)
        name.unlink(missing_ok=True)
        name.symlink_to(os.ttyname(slave))
        self._slave = slave

    def send(self, data: bytes) -> None:
        while data:
            data = data[os.write(self._fd, data) :]

    def heard(self, within_s: float = PATIENCE_S) -> bytes:
        """Return what the host has written, waiting for the first of it."""
        ready, _, _ = select.select([self._fd], [], [], within_s)
        return os.read(self._fd, 1000) if ready else b""

    def unplug(self) -> None:
        """Take the board away, with its name."""
        self.name.unlink(missing_ok=True)
        for fd in (self._slave, self._fd):
            if fd >= 0:
                os.close(fd)
        self._slave = self._fd = -1

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.unplug()


class Rows:
    """Rows as a reader's sink gets them."""

    def __init__(self) -> None:
        self.all: list[bytes] = []
        self._new: queue.SimpleQueue[bytes] = queue.SimpleQueue()

    def __call__(self, rows: bytes) -> None:
        self._new.put(rows)

    def until(self, enough: Callable[[], bool]) -> None:
        """Take rows until there are enough of them."""
        end_s = time.monotonic() + PATIENCE_S
        while not enough():
            rows = self._new.get(timeout=max(end_s - time.monotonic(), 0.01))
            self.all += rows.splitlines(keepends=True)

    def until_lines(self, count: int) -> list[bytes]:
        self.until(lambda: len(self.board) >= count)
        return self.board

    def until_events(self, *events: str) -> list[dict[str, Any]]:
        self.until(lambda: len(self.links) >= len(events))
        assert [link["event"] for link in self.links] == list(events)
        return self.links

    @property
    def board(self) -> list[bytes]:
        """The board's lines as they came off the port."""
        return [unescape(text) for origin, text in self._fields() if origin == b"board"]

    def decoded(self) -> Batch:
        """Return what all rows taken so far say of a framed board."""
        return decode_rows(b"".join(self.all), FRAMED)

    @property
    def links(self) -> list[dict[str, Any]]:
        return [json.loads(text) for origin, text in self._fields() if origin == b"link"]

    @property
    def host_us(self) -> list[int]:
        return [int(row.partition(b"\t")[0]) for row in self.all]

    def _fields(self) -> list[tuple[bytes, bytes]]:
        rows = [row.removesuffix(b"\n").split(b"\t", 2) for row in self.all]
        return [(origin, text) for _, origin, text in rows]


def framed(fields: str) -> bytes:
    """Return a whole line of the board with its check value and newline."""
    return fields.encode() + b" " + crc_text(fields.encode()) + b"\n"


HELLO = framed("H 1 16000000 32 gates-328p 1.0")
BEAT = framed("T 0000 00F42400 00 0000")
EDGE = framed("E 0001 A 1 00F50000")
