"""Arrays of edges, beats and breaks, with times that never wrap.

A time is the board's counter without wraps and restarts [counter units, int64]. The classes for
edges, beats and breaks contain a few arrays of equal length.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from chrono.arrays.array_types import Bytes, Ints, Places, Words
from chrono.arrays.events import LEVEL_UNKNOWN, NO_SEQUENCE, RestartCause

FOREVER = 1 << 62
"""This time is later than all other times."""

NOWHERE = np.zeros(0, np.intp)
"""An empty array of indices."""

NO_BODY = 2
"""This value replaces the gate's number if the passage is incomplete."""

LATE = 8
"""This bit of `Edges.what` marks a late edge. In `Edges.what`, bit 0 is the gate. Bits 1 and 2
are the level, as in `Events`."""

WIDTH_SHIFT = 4
LONGEST_WIDTH = (1 << 32 - WIDTH_SHIFT) - 1
"""The higher bits of `Edges.what` contain the time since the previous edge [counter units].
A late edge may have happened earlier than its timestamp by up to this time."""


class Edges(NamedTuple):
    """Edges of both gates in the order of their lines; arrays of shape (N,)."""

    t: Ints
    host_us: Ints
    what: Words

    def take(self, places: Places) -> "Edges":
        """Return the edges at the indices `places`."""
        return Edges(self.t.take(places), self.host_us.take(places), self.what.take(places))

    def followed_by(self, more: "Edges") -> "Edges":
        """Return the edges of this object, followed by the edges in `more`."""
        return Edges(
            np.concatenate((self.t, more.t)),
            np.concatenate((self.host_us, more.host_us)),
            np.concatenate((self.what, more.what)),
        )

    @property
    def earliest(self) -> Ints:
        """
        The earliest time at which each edge may have happened.

        A late edge may have happened before its timestamp.
        """
        return self.t - (self.what >> np.uint32(WIDTH_SHIFT))


class Beats(NamedTuple):
    """Times of the beats, and the number of edges that the board had lost up to each beat."""

    t: Ints
    lost: Ints

    def followed_by(self, more: "Beats") -> "Beats":
        """Return the beats of this object, followed by the beats in `more`."""
        if not len(more.t):
            return self
        return Beats(np.concatenate((self.t, more.t)), np.concatenate((self.lost, more.lost)))

    def since(self, place: int) -> "Beats":
        """Return all beats from the index `place` to the end."""
        if place <= 0:
            return self
        return Beats(self.t[place:], self.lost[place:])


class Breaks(NamedTuple):
    """
    Times at which lines may be missing, in order of time.

    Attributes
    ----------
    before, mark, latest : ndarray of int64, shape (N,)
        A break lies between `before` and `mark`. If the computer read a line late, the break
        may extend to `latest`.
    lost : ndarray of int64, shape (N,)
        Number of lost lines.
    """

    before: Ints
    mark: Ints
    latest: Ints
    lost: Ints

    def followed_by(self, more: "Breaks") -> "Breaks":
        """Return the breaks of this object, followed by the breaks in `more`."""
        if not len(more.mark):
            return self
        return Breaks(*(np.concatenate(pair) for pair in zip(self, more, strict=True)))

    def since(self, place: int) -> "Breaks":
        """Return the breaks (times with missing lines) from the index `place` to the end."""
        if place <= 0:
            return self
        return Breaks(*(column[place:] for column in self))

    def between(self, seen: Ints | int, then: Ints | int) -> "Breaks":
        """End all breaks at the time `then` or earlier; a later break begins at `seen`."""
        if not len(self.mark):
            return self
        before = np.where(self.before > then, seen, self.before)
        ends = np.minimum(self.mark, then), np.minimum(self.latest, then)
        return Breaks(before, *ends, self.lost)

    def in_order(self) -> "Breaks":
        """Start a break together with the next break if the next break starts earlier."""
        if (self.before[1:] >= self.before[:-1]).all():
            return self
        return self._replace(before=np.minimum.accumulate(self.before[::-1])[::-1])


class PassageTimes(NamedTuple):
    """
    Times of the first and last edges of passages; arrays of shape (N,), in any order.

    `gate` is 0 or 1, or `NO_BODY` for incomplete passages.
    """

    first: Ints
    last: Ints
    gate: Bytes

    def followed_by(self, first: Ints, last: Ints, gate: Bytes) -> "PassageTimes":
        """Return the passages of this object, followed by more passages."""
        if not len(first):
            return self
        return PassageTimes(
            np.concatenate((self.first, first)),
            np.concatenate((self.last, last)),
            np.concatenate((self.gate, gate)),
        )

    def since(self, oldest: int) -> "PassageTimes":
        """Return the passages that ended at the time `oldest` or later."""
        kept = self.last >= oldest
        if kept.all():
            return self
        return PassageTimes(self.first[kept], self.last[kept], self.gate[kept])

    def whole_of(self, gate: int) -> tuple[Ints, Ints]:
        """Return the first and last edges of all whole passages of a gate, in order of time."""
        chosen = (self.gate == gate).nonzero()[0]
        chosen = chosen[self.first[chosen].argsort(kind="stable")]
        return self.first[chosen], self.last[chosen]


NO_EDGES = Edges(np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros(0, np.uint32))
NO_BEATS = Beats(np.zeros(0, np.int64), np.zeros(0, np.int64))
NO_BREAKS = Breaks(*(np.zeros(0, np.int64) for _ in Breaks._fields))
NO_TIMES = PassageTimes(np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros(0, np.uint8))


@dataclass(frozen=True)
class Tally:
    """
    Counts of the data that the program has received since the start.

    Attributes
    ----------
    edges, late, beats : int
        Number of lines used, by kind; `edges` also counts late edges.
    duplicates : int
        Number of lines that came twice.
    lost_lines : int
        Number of lines missing in the sequence. Without sequence numbers, this is the number
        of damaged lines.
    board_lost : int
        Number of edges that the board reports as lost since its first beat.
    restarts : int
        Number of restarts of the board.
    causes : mapping of RestartCause to int
        Number of restarts for each cause that the board reported.
    breaks : int
        Number of breaks of any kind.
    """

    edges: int = 0
    late: int = 0
    beats: int = 0
    duplicates: int = 0
    lost_lines: int = 0
    board_lost: int = 0
    restarts: int = 0
    breaks: int = 0
    causes: Mapping[RestartCause, int] = field(default_factory=dict)


@dataclass(frozen=True)
class Timebase:
    """
    The values after the last line that the program needs to compute later times.

    Attributes
    ----------
    started : bool
        True if a line with a counter value has come.
    host_us, counter, sequence, line : int
        Host time, counter, sequence number and `what` (see `Edges`) of the last line.
    t, top : int
        Time of the last line, and the latest time of all lines.
    edge : int
        Time of the last edge; a very early time before the first edge.
    mark : int
        The latest time of a damaged line or a link record.
    damaged : int
        Number of damaged lines after the last usable line, or since the start.
    anew, other_counter : bool
        `anew` is true if a hello line came since the last line. `other_counter` is true if
        another counter began since the last line.
    cause : RestartCause
        Why the board started, from the latest hello line.
    levels : tuple of two int
        Last known level of each gate, `LEVEL_UNKNOWN` before the first edge.
    board_lost : int
        Last count of lost edges in a beat, -1 before the first beat.
    tally : Tally
        Counts of the data that came so far.
    """

    started: bool = False
    host_us: int = 0
    counter: int = 0
    sequence: int = NO_SEQUENCE
    line: int = -1
    t: int = 0
    top: int = 0
    edge: int = -LONGEST_WIDTH
    mark: int = 0
    damaged: int = 0
    anew: bool = False
    other_counter: bool = False
    cause: RestartCause = RestartCause.UNREPORTED
    levels: tuple[int, int] = (LEVEL_UNKNOWN, LEVEL_UNKNOWN)
    board_lost: int = -1
    tally: Tally = Tally()
