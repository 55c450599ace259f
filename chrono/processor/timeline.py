"""Arrays of edges, beats and breaks, with times that never wrap.

A beat is a line that the board sends every second. A break is a time in which lines may be
missing. For example, lines 7 and 9 came, but line 8 did not: there is a break between them.
Times are int64 counter units.
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
"""In `Edges.what`, bit 0 is the gate, bits 1 and 2 are the level, bit 3 marks a late edge."""

WIDTH_SHIFT = 4
LONGEST_WIDTH = (1 << 32 - WIDTH_SHIFT) - 1
"""For a late edge, the higher bits of `Edges.what` are the time since the edge before it."""


class Edges(NamedTuple):
    """Edges of both gates in the order of their lines; arrays of shape (N,)."""

    t: Ints
    host_us: Ints
    what: Words

    def take(self, places: Places) -> "Edges":
        """Return the edges at the indices `places`."""
        return Edges(self.t.take(places), self.host_us.take(places), self.what.take(places))

    def followed_by(self, more: "Edges") -> "Edges":
        """Return the edges of this object and then the edges in `more`."""
        return Edges(
            np.concatenate((self.t, more.t)),
            np.concatenate((self.host_us, more.host_us)),
            np.concatenate((self.what, more.what)),
        )

    @property
    def earliest(self) -> Ints:
        """The earliest time of each edge; a late edge may be earlier than its timestamp."""
        return self.t - (self.what >> np.uint32(WIDTH_SHIFT))


class Beats(NamedTuple):
    """Times of the beats, and the number of edges lost on the board before each beat."""

    t: Ints
    lost: Ints

    def followed_by(self, more: "Beats") -> "Beats":
        """Return the beats of this object and then the beats in `more`."""
        if not len(more.t):
            return self
        return Beats(np.concatenate((self.t, more.t)), np.concatenate((self.lost, more.lost)))

    def since(self, place: int) -> "Beats":
        """Return all beats with the index `place` or a higher index."""
        if place <= 0:
            return self
        return Beats(self.t[place:], self.lost[place:])


class Breaks(NamedTuple):
    """
    Times at which lines may be missing, in order of time.

    Attributes
    ----------
    before, mark, latest : ndarray of int64, shape (N,)
        Start of each break, end of the break, and latest end if a line was read late.
    lost : ndarray of int64, shape (N,)
        Number of lost lines.
    """

    before: Ints
    mark: Ints
    latest: Ints
    lost: Ints

    def followed_by(self, more: "Breaks") -> "Breaks":
        """Return the breaks of this object and then the breaks in `more`."""
        if not len(more.mark):
            return self
        return Breaks(*(np.concatenate(pair) for pair in zip(self, more, strict=True)))

    def since(self, place: int) -> "Breaks":
        """Return all breaks with the index `place` or a higher index."""
        if place <= 0:
            return self
        return Breaks(*(column[place:] for column in self))

    def between(self, seen: Ints | int, then: Ints | int) -> "Breaks":
        """End each break at `then` at the latest; a start after `then` becomes `seen`."""
        if not len(self.mark):
            return self
        before = np.where(self.before > then, seen, self.before)
        ends = np.minimum(self.mark, then), np.minimum(self.latest, then)
        return Breaks(before, *ends, self.lost)

    def in_order(self) -> "Breaks":
        """Move the start of a break back if a later break in the array starts earlier."""
        return self._replace(before=np.minimum.accumulate(self.before[::-1])[::-1])


class PassageTimes(NamedTuple):
    """First edges, last edges and gates of passages; `NO_BODY` for incomplete passages."""

    first: Ints
    last: Ints
    gate: Bytes

    def followed_by(self, first: Ints, last: Ints, gate: Bytes) -> "PassageTimes":
        """Return the passages of this object and then more passages."""
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
    duplicates, lost_lines : int
        Number of lines that came twice, and of missing lines (or damaged lines, if lines have
        no numbers).
    board_lost : int
        Number of edges that the board reports as lost since its first beat.
    restarts, causes : int, mapping of RestartCause to int
        Number of restarts of the board, in total and for each cause.
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
    The data about the lines so far that the program needs to compute later times.

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
        True if a hello line came, or another counter began, since the last line.
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
