"""The decoded data of a recording: events of the board as arrays, and all other records.

A batch is one part of a recording. This module only stores events.
"""

from bisect import bisect_left
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, fields, replace
from enum import IntEnum, StrEnum
from typing import Any

import numpy as np
import numpy.typing as npt

NO_SEQUENCE = -1
LEVEL_UNKNOWN = 2


class EventKind(IntEnum):
    """The kind of an event that the board reports."""

    EDGE = 0
    """One gate changed; the counter value is exact."""
    LATE = 1
    """One gate changed; the counter value may be later than the change."""
    BEAT = 2
    """The board sent its line of every second: both levels, and the count of lost edges."""
    INTERVAL = 3
    """One transit that the board itself measured; `counter` contains this transit."""
    DAMAGED = 4
    """A line of the board was damaged; only its place and host time are known."""


@dataclass(frozen=True, eq=False)
class Events:
    """
    Events of one batch, in the order of their lines; each array has one element per event.

    Attributes
    ----------
    host_us : ndarray of int64, shape (N,)
        Computer's monotonic clock when the line was read, from the start of the session [us].
    kind : ndarray of uint8, shape (N,)
        An `EventKind`.
    gate : ndarray of uint8, shape (N,)
        0 for gate A, 1 for gate B; 0 if the gate has no meaning.
    level : ndarray of uint8, shape (N,)
        1 blocked, 0 clear, `LEVEL_UNKNOWN` if the line does not state the level. (A plain line
        without a level is a leading edge.) For a beat: level of A plus 2 times level of B.
    counter : ndarray of int64, shape (N,)
        The board's counter as the board sent it, with wraps [counter units].
    sequence : ndarray of int32, shape (N,)
        The line's sequence number, `NO_SEQUENCE` if this kind of line has no number.
    lost : ndarray of int32, shape (N,)
        For a beat the number of edges lost on the board since its start, otherwise 0.
    """

    host_us: npt.NDArray[np.int64]
    kind: npt.NDArray[np.uint8]
    gate: npt.NDArray[np.uint8]
    level: npt.NDArray[np.uint8]
    counter: npt.NDArray[np.int64]
    sequence: npt.NDArray[np.int32]
    lost: npt.NDArray[np.int32]

    def __len__(self) -> int:
        return len(self.kind)

    def part(self, begin: int, end: int) -> "Events":
        """Return the events from index `begin` to index `end`, without the event at `end`."""
        return Events(*(getattr(self, column.name)[begin:end] for column in fields(Events)))


def empty_events(count: int) -> Events:
    """Return arrays for `count` events, without values; the caller must write all values."""
    return Events(
        host_us=np.empty(count, np.int64),
        kind=np.empty(count, np.uint8),
        gate=np.empty(count, np.uint8),
        level=np.empty(count, np.uint8),
        counter=np.empty(count, np.int64),
        sequence=np.empty(count, np.int32),
        lost=np.empty(count, np.int32),
    )


NO_EVENTS = empty_events(0)


class RestartCause(StrEnum):
    """The reason for the last start of the board, as the board reports it."""

    UNREPORTED = ""
    """The hello line does not state the cause (older firmware)."""
    POWER = "power"
    BROWN_OUT = "brown-out"
    WATCHDOG = "watchdog"
    RESET_PIN = "reset-pin"
    UNKNOWN = "unknown"
    """The chip did not record the cause."""


@dataclass(frozen=True)
class Record:
    """
    One record that is not an event, such as a hello line, a setup or a mark.

    Attributes
    ----------
    position : int
        Number of events of the batch that come before this record.
    host_us : int
        Computer's monotonic clock, from the start of the session [us].
    origin : str
        `hello`, or the origin of the row: `file`, `rig`, `link`, `setup`, `mark`.
    data : dict
        The JSON object of the row. For `hello` it has the keys `version`, `frequency_hz`,
        `counter_bits`, `board`, `firmware` and `restart` (a RestartCause).
    """

    position: int
    host_us: int
    origin: str
    data: dict[str, Any]


@dataclass(frozen=True)
class LineSample:
    """A damaged line that the user sees as an example, and its row's number in the batch."""

    row: int
    text: str
    reason: str


@dataclass(frozen=True, eq=False)
class Batch:
    """
    One part of a recording, decoded into events and other records.

    Attributes
    ----------
    events : Events
        The board's events.
    controls : tuple of Record
        All records that are not events, in order.
    rows : int
        Number of rows read, usable or not.
    damaged : int
        Number of board lines that could not be used, and of rows that are not records.
    samples : tuple of LineSample
        The first few damaged lines.
    """

    events: Events
    controls: tuple[Record, ...] = ()
    rows: int = 0
    damaged: int = 0
    samples: tuple[LineSample, ...] = field(default=())


def cut_batch(batch: Batch, places: Iterable[int]) -> Iterator[Batch]:
    """
    Cut one batch into several smaller batches.

    Parameters
    ----------
    batch : Batch
    places : iterable of int
        Index of the first event of each new piece, in growing order, without 0. If the last
        index equals the number of events, the records after the last event form a separate
        piece.

    Yields
    ------
    Batch
        Each record is in the piece of the event that follows it. The last piece contains the
        counts of rows and damaged lines.
    """
    begin = done = 0
    for end in places:
        count = bisect_left(batch.controls, end, lo=done, key=lambda record: record.position)
        yield Batch(batch.events.part(begin, end), _moved(batch.controls[done:count], begin))
        begin, done = end, count
    events = batch.events.part(begin, len(batch.events))
    yield replace(batch, events=events, controls=_moved(batch.controls[done:], begin))


def _moved(records: tuple[Record, ...], begin: int) -> tuple[Record, ...]:
    return tuple(replace(record, position=record.position - begin) for record in records)
