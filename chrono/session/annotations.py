"""The setups and marks of a session, and which shots they concern.

A setup is valid from the moment when it was entered. This means: it is valid for every shot
with a key above the latest counter value at that moment. A correction replaces a setup at
every earlier place where it was entered. Undone entries have no effect.

A mark on a shot is tied to the shot's key. Hold is tied to the latest counter value at the
moment when it was entered. Keys and counter values stay the same when shots are measured again.
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
"""No real session has so many setups. A file with more setups is refused."""

CORRECTION_LIMIT = 100
"""No real session has so many corrected and undone setups."""

Body = tuple[tuple[str, float], ...]
"""The values of the body that a setup states; equal values mean the same body."""

NO_BODY: Body = ()

BEFORE_ALL = int(np.iinfo(np.int64).min)


@dataclass
class _Stated:
    setup: Setup
    taken_back: bool = False


class Setups:
    """Setups by the place where they were entered; the first one has no name."""

    def __init__(self) -> None:
        self._stated: list[_Stated] = []
        self._setups = [Setup()]  # the valid setup at each place
        self._since = [BEFORE_ALL]
        self._corrections = 0

    def state(self, setup: Setup, anchor: int) -> None:
        """
        Make a setup valid for shots with keys above `anchor`, or replace the corrected setup.

        Raises
        ------
        RecordingError
            If there are more setups than any session has.
        ValueError
            If there are more corrections than any session has.
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
        Undo the last entry or correction of a setup that is equal to this one.

        Raises
        ------
        ValueError
            If there is no such setup, or if more setups are undone than in any session.
        """
        said = reversed(self._stated)
        last = next((s for s in said if s.setup == setup and not s.taken_back), None)
        if last is None:
            raise ValueError("an undo of a setup that was never entered")
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
        """Return the place and the setup that are valid for a shot after `anchor`."""
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
        """Return the body's values that the setup at a place states."""
        return tuple(sorted(self._setups[place].body.items()))

    @property
    def state_bodies(self) -> bool:
        """True if any setup states a body."""
        return any(each.body for each in self._setups)

    def named(self, name: str | None) -> Bools:
        """Return which places have a setup of this name; all places if the name is None."""
        return np.array([name in (None, each.name) for each in self._setups])

    def all(self) -> tuple[Setup, ...]:
        """Return the valid setup at each place."""
        return tuple(self._setups)

    def last(self, name: str) -> Setup:
        """Return the last setup entered with a name."""
        return next((s for s in reversed(self._setups) if s.name == name), Setup())

    def _add(self, anchor: int) -> None:
        if len(self._since) > SETUP_LIMIT:
            raise RecordingError(
                f"more than {SETUP_LIMIT} setups in one session",
                hint="check that this is a recording of a real session",
            )
        self._since.append(max(anchor, self._since[-1]))

    def _note_correction(self) -> None:
        if self._corrections == CORRECTION_LIMIT:
            raise ValueError(f"more than {CORRECTION_LIMIT} setups corrected or undone")
        self._corrections += 1

    def _what_holds(self) -> list[Setup]:
        """Go through all entries; where a setup was undone, the setup before it stays valid."""
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
"""Largest number of shots with marks."""
MARKS_ON_A_SHOT = 100
"""Only this many of the last marks on a shot can be undone."""
NOTE_LIMIT = 10_000
"""Only this many of the last notes on the session itself are kept."""


@dataclass(frozen=True)
class ShotMarks:
    """All marks on one shot; `counted` is None if no mark changed whether it counts."""

    counted: bool | None = None
    reason: str = ""
    note: str = ""


class MarkedShots(NamedTuple):
    """
    The marks on N shots.

    Attributes
    ----------
    held : ndarray of bool, shape (N,)
        True if the session was on hold at this shot, so that edges were only recorded.
    marks : dict of int to ShotMarks
        Marks by the shot's place, only for shots with marks.
    """

    held: Bools
    marks: dict[int, ShotMarks]

    def are_counted(self, countable: Bools, measured: Bools) -> Bools:
        """
        Return which shots enter the statistics.

        Parameters
        ----------
        countable : ndarray of bool, shape (N,)
            True for each shot that would enter the statistics if there were no marks.
        measured : ndarray of bool, shape (N,)
            True for each shot with a speed; a shot without a speed never counts.
        """
        counted = countable & ~self.held
        for place, said in self.marks.items():
            if said.counted is not None:
                counted[place] = said.counted and bool(measured[place])
        return counted

    def words(self) -> list[str]:
        """Return the words for each shot: why it is set aside, and the user's note."""
        words = [""] * len(self.held)
        for place, said in self.noted().items():
            words[place] = said
        return words

    def noted(self) -> dict[int, str]:
        """Return the words for shots by their places, only for shots with words."""
        words = dict.fromkeys(np.flatnonzero(self.held).tolist(), "on hold")
        for place, said in self.marks.items():
            words[place] = _words(said, bool(self.held[place]))
        return words


class Marks:
    """
    The marks of a session.

    Attributes
    ----------
    notes : list of str
        The last notes on the session itself.
    """

    def __init__(self) -> None:
        self.notes: list[str] = []
        self._since: list[int] = []
        self._held: list[bool] = []
        self._said: dict[int, list[Mark]] = {}
        self._before: dict[int, ShotMarks] = {}  # the result of the marks before those
        self._shots: dict[int, ShotMarks] = {}

    def take(self, mark: Mark, anchor: int) -> None:
        """
        Take a mark that was made when `anchor` was the latest counter value.

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
        Undo the last mark that is equal to this one.

        Raises
        ------
        ValueError
            If there is no such mark.
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
        """Return whether hold keeps a shot after `anchor` from counting."""
        place = bisect_left(self._since, anchor + 1)
        return place > 0 and self._held[place - 1]

    def of(self, shot: int) -> ShotMarks:
        """Return the marks on one shot, by its key."""
        return self._shots.get(shot, ShotMarks())

    def at(self, keys: Ints) -> MarkedShots:
        """Return the marks on shots, by their keys, shape (N,)."""
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
    """Return the place of the last equal entry."""
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
    The setups and marks of a session.

    Attributes
    ----------
    setups : Setups
    marks : Marks
    version : int
        Number that grows with every record; results of an earlier version are out of date.
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
            If the record is not a valid setup or mark.
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
