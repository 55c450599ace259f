"""Decode rows of a recording into a batch of events.

If numba is loaded, the compiled loops of `bulk_decoding` read the common rows of a large block.
The function `recording_rows.parse_row` reads all other rows, one by one.
"""

import re
from bisect import bisect_left
from collections.abc import Iterator
from dataclasses import fields
from functools import cache

import numpy as np

from chrono.arrays import machine_code
from chrono.arrays.array_types import Ints
from chrono.arrays.events import Batch, EventKind, Events, LineSample, Record, empty_events
from chrono.reader.line_grammar import Event, LineDamage
from chrono.reader.recording_rows import BOARD, MAX_ROW_BYTES, SHORTEST_RECORD, Row, parse_row
from chrono.rigs.line_kinds import LineKind

BULK_BYTES = 2000
"""A shorter block is always read row by row."""

KEPT_BYTES = 16 << 20
"""This is more memory than the program needs to decode a block [bytes]."""

MAX_SAMPLES = 5
MAX_SAMPLE_CHARS = 120


def decode_rows(block: bytes, lines: LineKind) -> Batch:
    """
    Decode complete rows of a recording into events and records.

    Parameters
    ----------
    block : bytes
        Rows that each end with a newline. Blocks of 1 or 2 MB are decoded fastest.
    lines : LineKind
        The kind of lines that the rig's board sends.

    Returns
    -------
    Batch
        Events and controls. Rows that cannot be used are counted and raise no error. Bytes
        after the last newline count as one damaged row.
    """
    if len(block) >= BULK_BYTES and machine_code.numba_is_loaded():
        from chrono.reader.bulk_decoding import read_rows

        _keep_freed_memory()
        rows, dropped, events, left = read_rows(block, lines, MAX_SAMPLES)
    else:
        rows, dropped, events, left = _all_left(block)
    return _read_left(block, lines, rows, dropped, events, left)


def _all_left(block: bytes) -> tuple[int, int, Events, Ints]:
    """Return a list of all rows of a block, for `parse_row`."""
    end = np.flatnonzero(np.frombuffer(block, np.uint8) == ord("\n"))
    if block and not block.endswith(b"\n"):
        end = np.append(end, len(block))
    start = np.zeros_like(end)
    start[1:] = end[:-1] + 1
    row = np.arange(len(end))
    tiny = end - start < SHORTEST_RECORD
    tiny[np.flatnonzero(tiny)[:MAX_SAMPLES]] = False
    left = np.stack((row, row, np.ones_like(row), start, end), axis=1)[~tiny]
    left[:, 1] = np.arange(len(left))
    return len(row), int(np.count_nonzero(tiny)), empty_events(len(left)), left


def _read_left(
    block: bytes, lines: LineKind, rows: int, dropped: int, events: Events, left: Ints
) -> Batch:
    """Read the rows in `left` one by one, and return the batch with the events of all rows."""
    records: list[tuple[int, Row]] = []
    samples: list[LineSample] = []
    no_events: list[int] = []
    for number, place, is_event, start, end in _integers(left):
        text = block[start : min(end, start + MAX_ROW_BYTES + 2)]
        row = parse_row(text, lines)
        if end == len(block):
            row = row._replace(content=LineDamage("the end of the row is missing"))
        host_us, origin, content = row
        if isinstance(content, LineDamage):
            dropped += 1
            if len(samples) < MAX_SAMPLES:
                samples.append(LineSample(number, _shown(text, row), content.reason))
        elif isinstance(content, dict):
            records.append((place, row))
        if origin == BOARD and content is not None:
            _put(events, place, host_us, content if isinstance(content, Event) else _DAMAGED)
        elif is_event:
            no_events.append(place)
    return Batch(
        events=_without(events, no_events),
        controls=_controls(records, no_events),
        rows=rows,
        damaged=dropped,
        samples=tuple(samples),
    )


def _integers(left: Ints) -> Iterator[list[int]]:
    """Yield the rows of an array as lists of Python integers, in parts to save memory."""
    for begin in range(0, len(left), 10_000):
        yield from left[begin : begin + 10_000].tolist()


_DAMAGED = Event(EventKind.DAMAGED, 0)


def _put(events: Events, place: int, host_us: int, event: Event) -> None:
    events.host_us[place] = host_us
    events.kind[place] = event.kind
    events.gate[place] = event.gate
    events.level[place] = event.level
    events.counter[place] = event.counter
    events.sequence[place] = event.sequence
    events.lost[place] = event.lost


def _without(events: Events, places: list[int]) -> Events:
    if not places:
        return events
    return Events(*(np.delete(getattr(events, each.name), places) for each in fields(Events)))


def _controls(records: list[tuple[int, Row]], no_events: list[int]) -> tuple[Record, ...]:
    return tuple(
        Record(place - bisect_left(no_events, place), row.host_us, row.origin, row.content)
        for place, row in records
        if isinstance(row.content, dict)
    )


def _shown(text: bytes, row: Row) -> str:
    """Return a damaged line (or the whole row) in a form that a terminal can show safely."""
    line = text.split(b"\t", 2)[2] if row.origin else text
    words = line[:MAX_SAMPLE_CHARS].decode("ascii", "backslashreplace")
    return _CONTROL.sub(lambda byte: f"\\x{ord(byte[0]):02X}", words)


_CONTROL = re.compile(r"[\x00-\x1F\x7F]")


@cache
def _keep_freed_memory() -> None:
    """Create and free a large array; later large arrays are then faster to create."""
    np.empty(KEPT_BYTES, np.uint8)
