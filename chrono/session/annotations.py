"""The setups and marks of a session, and which shots they concern.

A setup is valid from the moment at which it was stated: for every shot whose key is greater
than the latest counter value of then. A correction replaces a setup wherever that was stated
before. What is undone has no effect.

A mark on a shot goes by the shot's key; hold goes by the latest counter value of the moment
at which it was entered. A new measurement alters neither.
"""

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import reduce
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from chrono.arrays.array_types import Bools, Ints
from chrono.arrays.events import Record
from chrono.errors import RecordingError
from chrono.session.operator_records import (
    COUNT_AGAIN,
    HOLD_OFF,
    HOLD_ON,
    SET_ASIDE,
    UNDO,
    Mark,
    Setup,
    read_mark,
    read_setup,
    read_undo,
)

SETUP_LIMIT = 10_000
"""More setups than any session has; a file with more is refused."""

CORRECTION_LIMIT = 100
"""More corrections, and setups taken back, than any session has."""

Body = tuple[tuple[str, float], ...]
"""What a setup states of its body, as what tells one body from another."""

NO_BODY: Body = ()

BEFORE_ALL = int(np.iinfo(np.int64).min)


@dataclass
class _Stated:
    setup: Setup
    taken_back: bool = False


class Setups:
    """Setups by the place at which they were stated; the first one is that of no name."""

    def __init__(self) -> None:
        self._stated: list[_Stated] = []
        self._setups = [Setup()]  # what holds at each place
        self._since = [BEFORE_ALL]
        self._corrections = 0

    def state(self, setup: Setup, anchor: int) -> None:
        """
        Let a setup hold for shots with keys above `anchor`, or stand for the one it corrects.

        Raises
        ------
        RecordingError
            If setups are more than any session has.
        ValueError
            If corrections are.
        """
        if setup.corrects is not None:
            self._note_correction()
            self._setups = _corrected(self._setups, setup)
        else:
            self._add(anchor)
            self._setups.append(setup)
        self._stated.append(_Stated(setup))

    def take_back(self, setup: Setup) -> None:
        """
        Let the last statement or correction that was like this be as if it had not been made.

        Raises
        ------
        ValueError
            If there is none, or more are taken back than in any session.
        """
        said = reversed(self._stated)
        last = next((s for s in said if s.setup == setup and not s.taken_back), None)
        if last is None:
            raise ValueError("an undo of a setup that was not stated")
        self._note_correction()
        last.taken_back = True
        self._setups = self._what_holds()

    def at(self, keys: Ints) -> npt.NDArray[np.int32]:
        """Return the place of each shot's setup, shape (N,)."""
        if len(self._since) == 1:
            return np.zeros(len(keys), np.int32)
        place = np.searchsorted(np.array(self._since), keys, side="left") - 1
        return np.maximum(place, 0).astype(np.int32)

    def after(self, anchor: int) -> tuple[int, Setup]:
        """Return place and setup that hold for a shot after `anchor`."""
        place = max(bisect_left(self._since, anchor + 1) - 1, 0)
        return place, self._setups[place]

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the setups, each once, in order of first use."""
        return tuple(dict.fromkeys(each.name for each in self._setups))

    def name(self, place: int) -> str:
        """Return the name of the setup at a place that `at` gave."""
        return self._setups[place].name

    def body(self, place: int) -> Body:
        """Return what the setup at a place states of its body."""
        return tuple(sorted(self._setups[place].body.items()))

    @property
    def state_bodies(self) -> bool:
        """Whether any of them states a body."""
        return any(each.body for each in self._setups)

    def named(self, name: str | None) -> Bools:
        """Tell which places hold a setup of this name, or of any if it is None."""
        return np.array([name in (None, each.name) for each in self._setups])

    def all(self) -> tuple[Setup, ...]:
        """Return what holds at each place."""
        return tuple(self._setups)

    def last(self, name: str) -> Setup:
        """Return what was stated last under a name."""
        return next((s for s in reversed(self._setups) if s.name == name), Setup())

    def _add(self, anchor: int) -> None:
        if len(self._since) > SETUP_LIMIT:
            raise RecordingError(
                f"more than {SETUP_LIMIT} setups in one session",
                hint="check that this is a recording of real clocking",
            )
        self._since.append(max(anchor, self._since[-1]))

    def _note_correction(self) -> None:
        if self._corrections == CORRECTION_LIMIT:
            raise ValueError(f"more than {CORRECTION_LIMIT} setups corrected or taken back")
        self._corrections += 1

    def _what_holds(self) -> list[Setup]:
        """Go through all that was said; where a setup was taken back the one before goes on."""
        held = [Setup()]
        for said in self._stated:
            if said.setup.corrects is None:
                held.append(held[-1] if said.taken_back else said.setup)
            elif not said.taken_back:
                held = _corrected(held, said.setup)
        return held


def _corrected(setups: list[Setup], correction: Setup) -> list[Setup]:
    setup = replace(correction, corrects=None)
    return [setup if each.name == correction.corrects else each for each in setups]


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


class Annotations:
    """
    Carries setups and marks.

    Attributes
    ----------
    setups : Setups
    marks : Marks
    version : int
        Grows with every record: what was worked out from an earlier one no longer holds.
    """

    def __init__(self) -> None:
        self.setups = Setups()
        self.marks = Marks()
        self.version = 0

    def take(self, record: Record, anchor: int) -> None:
        """
        Take a record that was made when `anchor` was the latest counter value.

        Raises
        ------
        ValueError
            If it is none.
        RecordingError
            If there are more setups than any session has.
        """
        self.version += 1
        if record.origin == "setup":
            self.setups.state(read_setup(record.data), anchor)
        elif record.data.get("action") != UNDO:
            self.marks.take(read_mark(record.data), anchor)
        else:
            said = read_undo(record.data)
            if isinstance(said, Setup):
                self.setups.take_back(said)
            else:
                self.marks.take_back(said)
