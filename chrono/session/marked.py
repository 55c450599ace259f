"""What the operator's marks make of a session's shots: held, set aside, counted, noted.

Marks on a shot go by its key; holding goes by the latest counter value of the moment at which
it was said. Neither is altered by measuring anew.
"""

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import reduce
from typing import NamedTuple

import numpy as np

from chrono.arrays.array_types import Bools, Ints
from chrono.session.marks import COUNT_AGAIN, HOLD_OFF, HOLD_ON, SET_ASIDE, Mark
from chrono.session.setups import BEFORE_ALL

MARK_LIMIT = 100_000
"""Shots that are marked."""
MARKS_ON_A_SHOT = 100
"""The last marks on a shot can be taken back, so many."""
NOTE_LIMIT = 10_000
"""Notes on the session itself that are kept, the last ones."""


@dataclass(frozen=True)
class ShotMarks:
    """All that was said of one shot; `counted` is None where its counting was left alone."""

    counted: bool | None = None
    reason: str = ""
    note: str = ""


class MarkedShots(NamedTuple):
    """
    What was said of N shots.

    Attributes
    ----------
    held : ndarray of bool, shape (N,)
        Whether edges were only recorded then.
    marks : dict of int to ShotMarks
        By place among the shots, of those that were marked.
    """

    held: Bools
    marks: dict[int, ShotMarks]

    def are_counted(self, countable: Bools, measured: Bools) -> Bools:
        """
        Tell which shots enter the statistics.

        Parameters
        ----------
        countable : ndarray of bool, shape (N,)
            Whether they would if nothing had been said.
        measured : ndarray of bool, shape (N,)
            Whether they have a speed: without one nothing makes a shot count.
        """
        counted = countable & ~self.held
        for place, said in self.marks.items():
            if said.counted is not None:
                counted[place] = said.counted and bool(measured[place])
        return counted

    def words(self) -> list[str]:
        """Return what is noted of each shot: why it is set aside, the user's note."""
        words = [""] * len(self.held)
        for place, said in self.noted().items():
            words[place] = said
        return words

    def noted(self) -> dict[int, str]:
        """Return what is noted of shots by their places, of those that have something."""
        words = dict.fromkeys(np.flatnonzero(self.held).tolist(), "on hold")
        for place, said in self.marks.items():
            words[place] = _words(said, bool(self.held[place]))
        return words


class Marks:
    """
    Carries the marks of a session.

    Attributes
    ----------
    notes : list of str
        On the session itself, the last ones.
    """

    def __init__(self) -> None:
        self.notes: list[str] = []
        self._since: list[int] = []
        self._held: list[bool] = []
        self._said: dict[int, list[Mark]] = {}
        self._before: dict[int, ShotMarks] = {}  # what the marks before those come to
        self._shots: dict[int, ShotMarks] = {}

    def take(self, mark: Mark, anchor: int) -> None:
        """
        Take a mark, made when `anchor` was the latest counter value.

        Raises
        ------
        ValueError
            If more shots are marked than any session has.
        """
        if mark.action in (HOLD_ON, HOLD_OFF):
            self._hold(mark.action == HOLD_ON, anchor)
        elif mark.shot is None:
            self.notes.append(mark.text)
            del self.notes[:-NOTE_LIMIT]
        else:
            self._mark(mark.shot, mark)

    def take_back(self, mark: Mark) -> None:
        """
        Let the last mark that was like this be as if it had not been made.

        Raises
        ------
        ValueError
            If there is none.
        """
        if mark.action in (HOLD_ON, HOLD_OFF):
            place = _last(self._held, mark.action == HOLD_ON)
            del self._since[place], self._held[place]
        elif mark.shot is None:
            del self.notes[_last(self.notes, mark.text)]
        else:
            said = self._said.get(mark.shot, [])
            del said[_last(said, mark)]
            before = self._before.get(mark.shot, ShotMarks())
            self._shots[mark.shot] = reduce(_marked, said, before)

    def held_after(self, anchor: int) -> bool:
        """Tell whether a shot after `anchor` is not counted because of hold."""
        place = bisect_left(self._since, anchor + 1)
        return place > 0 and self._held[place - 1]

    def of(self, shot: int) -> ShotMarks:
        """Return what was said of one shot, by its key."""
        return self._shots.get(shot, ShotMarks())

    def at(self, keys: Ints) -> MarkedShots:
        """Return what was said of shots, by their keys, shape (N,)."""
        return MarkedShots(self._held_at(keys), self._marked_at(keys))

    def _mark(self, shot: int, mark: Mark) -> None:
        if len(self._said) >= MARK_LIMIT and shot not in self._said:
            raise ValueError(f"marks on more than {MARK_LIMIT} shots")
        said = self._said.setdefault(shot, [])
        said.append(mark)
        if len(said) > MARKS_ON_A_SHOT:
            self._before[shot] = _marked(self._before.get(shot, ShotMarks()), said.pop(0))
        self._shots[shot] = _marked(self.of(shot), mark)

    def _hold(self, held: bool, anchor: int) -> None:
        self._since.append(max(anchor, self._since[-1] if self._since else BEFORE_ALL))
        self._held.append(held)

    def _held_at(self, keys: Ints) -> Bools:
        if not self._since:
            return np.zeros(len(keys), np.bool_)
        place = np.searchsorted(np.array(self._since), keys, side="left")
        return np.array([False, *self._held])[place]

    def _marked_at(self, keys: Ints) -> dict[int, ShotMarks]:
        if not self._shots:
            return {}
        marked = np.sort(np.fromiter(self._shots, np.int64))
        places = np.searchsorted(keys, marked)  # keys of shots grow strictly
        there = places < len(keys)
        places, marked = places[there], marked[there]
        places = places[keys[places] == marked]
        return {place: self._shots[int(keys[place])] for place in places.tolist()}


def _last(said: Sequence[object], what: object) -> int:
    """Return the place of the last that is equal."""
    for place in range(len(said) - 1, -1, -1):
        if said[place] == what:
            return place
    raise ValueError("an undo of a mark that was not made")


def _marked(before: ShotMarks, mark: Mark) -> ShotMarks:
    if mark.action == SET_ASIDE:
        return replace(before, counted=False, reason=mark.text)
    if mark.action == COUNT_AGAIN:
        return replace(before, counted=True, reason="")
    return replace(before, note=mark.text)


def _words(said: ShotMarks, held: bool) -> str:
    aside = "on hold" if held and said.counted is None else ""
    if said.counted is False:
        aside = f"set aside: {said.reason}" if said.reason else "set aside"
    return "; ".join(word for word in (aside, said.note) if word)
