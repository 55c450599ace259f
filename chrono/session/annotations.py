"""Keep the setups and marks of a session, and find the shots of each setup and mark.

A setup is valid for all shots after the operator's entry. During a hold (a pause that the
operator enters), the program records shots but does not count them. For each entry, `anchor` is
the latest counter value before the entry. A mark on a shot stores the key of this shot (its
counter value). A correction replaces every earlier entry of a setup. Undone entries have no
effect.
"""

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import reduce
from typing import Any, NamedTuple

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
    Body,
    Mark,
    Setup,
    read_mark,
    read_setup,
    read_undo,
)

SETUP_LIMIT = 10_000
"""Largest number of setups in a session. The program refuses a file with more setups."""

KEPT_SETUPS = 100
"""Largest number of records whose setups are kept, so that they are not read again."""

CORRECTION_LIMIT = 100
"""Largest number of corrected and undone setups in a session."""

BEFORE_ALL = int(np.iinfo(np.int64).min)


@dataclass
class _Stated:
    setup: Setup
    taken_back: bool = False


class Setups:
    """The setups of a session, in the order of entry; the first setup has no name."""

    def __init__(self) -> None:
        self._stated: list[_Stated] = []
        self._setups = [Setup()]  # the valid setup at each place
        self._since = [BEFORE_ALL]
        self._corrections = 0

    def state(self, setup: Setup, anchor: int) -> None:
        """
        Add a setup that begins after the counter value `anchor`, or correct an earlier setup.

        Raises
        ------
        RecordingError
            If there are more than `SETUP_LIMIT` setups.
        ValueError
            If there are more than `CORRECTION_LIMIT` corrections.
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
        Undo the last entry or correction that is equal to the given setup.

        Raises
        ------
        ValueError
            If there is no equal setup, or if more than `CORRECTION_LIMIT` setups are corrected
            or undone.
        """
        said = reversed(self._stated)
        last = next((s for s in said if s.setup == setup and not s.taken_back), None)
        if last is None:
            raise ValueError("this entry undoes a setup that was never entered")
        self._note_correction()
        last.taken_back = True
        self._setups = self._what_holds()

    def at(self, keys: Ints) -> npt.NDArray[np.int32]:
        """Return the position of each shot's setup in the list of setups, shape (N,)."""
        if len(self._since) == 1:
            return np.zeros(len(keys), np.int32)
        place = np.searchsorted(np.array(self._since), keys, side="left") - 1
        return np.maximum(place, 0).astype(np.int32)

    def of(self, key: int) -> Setup:
        """Return the setup of the shot with this key."""
        return self._setups[int(self.at(np.array([key]))[0])]

    def after(self, anchor: int) -> tuple[int, Setup]:
        """Return (place in the list, setup) for shots after the counter value `anchor`."""
        place = max(bisect_left(self._since, anchor + 1) - 1, 0)
        return place, self._setups[place]

    @property
    def names(self) -> tuple[str, ...]:
        """The names of the setups in order of first use. Each name occurs only once."""
        return tuple(dict.fromkeys(each.name for each in self._setups))

    def name(self, place: int) -> str:
        """Return the name of the setup at position `place` in the list of setups."""
        return self._setups[place].name

    def body(self, place: int) -> Body:
        """Return the body values of the setup at position `place` in the list of setups."""
        return self._setups[place].stated_body

    @property
    def state_bodies(self) -> bool:
        """True if at least one setup states its own mass or size of the body."""
        return any(each.body for each in self._setups)

    def named(self, name: str | None) -> Bools:
        """Return True for each setup in the list that has this name. None means any name."""
        return np.array([name in (None, each.name) for each in self._setups])

    def all(self) -> tuple[Setup, ...]:
        """Return all setups of the session in order, after all corrections."""
        return tuple(self._setups)

    def last(self, name: str | None) -> Setup:
        """Return the last setup in the list that has this name. None means any name."""
        return next((s for s in reversed(self._setups) if name in (None, s.name)), Setup())

    def _add(self, anchor: int) -> None:
        if len(self._since) > SETUP_LIMIT:
            raise RecordingError(
                f"this session has more than {SETUP_LIMIT} setups",
                hint="check that this is a recording of a real session",
            )
        self._since.append(max(anchor, self._since[-1]))

    def _note_correction(self) -> None:
        if self._corrections == CORRECTION_LIMIT:
            raise ValueError(f"more than {CORRECTION_LIMIT} setups were corrected or undone")
        self._corrections += 1

    def _what_holds(self) -> list[Setup]:
        """Return the valid setups in order, without entries that the operator has undone."""
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
"""Largest number of marks on one shot that can be undone."""
NOTE_LIMIT = 10_000
"""Largest number of notes on the whole session that are kept in memory."""


@dataclass(frozen=True)
class ShotMarks:
    """
    The combined result of all marks on one shot.

    `counted` is None if the operator has not decided whether the shot counts.
    """

    counted: bool | None = None
    reason: str = ""
    note: str = ""


class MarkedShots(NamedTuple):
    """
    The operator's marks on N shots.

    Attributes
    ----------
    held : ndarray of bool, shape (N,)
        True if the session was on hold at this shot. The shot is then recorded but not counted.
    marks : dict of int to ShotMarks
        The marks on each marked shot, by the place of the shot.
    """

    held: Bools
    marks: dict[int, ShotMarks]

    def are_counted(self, countable: Bools, measured: Bools) -> Bools:
        """
        Return True for each shot that counts in the statistics.

        Parameters
        ----------
        countable : ndarray of bool, shape (N,)
            True for each shot that would count if there were no marks.
        measured : ndarray of bool, shape (N,)
            True for each shot with a speed; a shot without a speed never counts.
        """
        counted = countable & ~self.held
        for place, said in self.marks.items():
            if said.counted is not None:
                counted[place] = said.counted and bool(measured[place])
        return counted

    def words(self) -> list[str]:
        """Return one text per shot: the reason not to count the shot, and the user's note."""
        words = [""] * len(self.held)
        for place, said in self.noted().items():
            words[place] = said
        return words

    def noted(self) -> dict[int, str]:
        """Return the texts of all shots that have a text; each key is the place of a shot."""
        words = dict.fromkeys(np.flatnonzero(self.held).tolist(), "on hold")
        for place, said in self.marks.items():
            words[place] = _words(said, bool(self.held[place]))
        return words


class Marks:
    """
    The operator's marks in a session.

    Attributes
    ----------
    notes : list of str
        The latest notes on the whole session.
    """

    def __init__(self) -> None:
        self.notes: list[str] = []
        self._since: list[int] = []
        self._held: list[bool] = []
        self._said: dict[int, list[Mark]] = {}
        self._before: dict[int, ShotMarks] = {}  # the result of marks that are too old to undo
        self._shots: dict[int, ShotMarks] = {}

    def take(self, mark: Mark, anchor: int) -> None:
        """
        Add a mark that the operator made at the counter value `anchor`.

        Raises
        ------
        ValueError
            If more than `MARK_LIMIT` shots have marks.
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
        Undo the last mark that is equal to the given mark.

        Raises
        ------
        ValueError
            If there is no equal mark.
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
        """Return True if the session is on hold just after the counter value `anchor`."""
        place = bisect_left(self._since, anchor + 1)
        return place > 0 and self._held[place - 1]

    def of(self, shot: int) -> ShotMarks:
        """Return all marks on the shot whose key is `shot`."""
        return self._shots.get(shot, ShotMarks())

    def at(self, keys: Ints) -> MarkedShots:
        """Return the marks on the shots with the given keys (an array of shape (N,))."""
        return MarkedShots(self._held_at(keys), self._marked_at(keys))

    def _mark(self, shot: int, mark: Mark) -> None:
        if len(self._said) >= MARK_LIMIT and shot not in self._said:
            raise ValueError(f"more than {MARK_LIMIT} shots have marks")
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
        places = np.searchsorted(keys, marked)  # keys grow from shot to shot
        there = places < len(keys)
        places, marked = places[there], marked[there]
        places = places[keys[places] == marked]
        return {place: self._shots[int(keys[place])] for place in places.tolist()}


def _last(said: Sequence[object], what: object) -> int:
    """Return the last position in the list `said` with a value equal to `what`."""
    for place in range(len(said) - 1, -1, -1):
        if said[place] == what:
            return place
    raise ValueError("this entry undoes a mark that was never made")


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
        A number that grows with every entry. Results of an earlier version are out of date.
    corrections : int
        A number that grows when an entry corrects or undoes an earlier entry. The speeds of
        earlier shots may then change.
    """

    def __init__(self) -> None:
        self.setups = Setups()
        self.marks = Marks()
        self.version = self.corrections = 0
        self._read: dict[int, tuple[dict[str, Any], Setup]] = {}

    def take(self, record: Record, anchor: int) -> None:
        """
        Add an entry that the operator made at the counter value `anchor`.

        Raises
        ------
        ValueError
            If the record is not a valid setup or mark.
        RecordingError
            If there are more than `SETUP_LIMIT` setups.
        """
        self.version += 1
        is_undo = record.data.get("action") == UNDO
        self.corrections += is_undo or record.data.get("corrects") is not None
        if record.origin == "setup":
            self.setups.state(self._setup_of(record.data), anchor)
        elif not is_undo:
            self.marks.take(read_mark(record.data), anchor)
        else:
            said = read_undo(record.data)
            if isinstance(said, Setup):
                self.setups.take_back(said)
            else:
                self.marks.take_back(said)

    def _setup_of(self, data: dict[str, Any]) -> Setup:
        """Return the setup of a record; rows with the same text share one record."""
        known = self._read.get(id(data))
        if known is None:
            if len(self._read) == KEPT_SETUPS:
                self._read.clear()
            known = data, read_setup(data)  # as long as `data` is kept, no other has its id
            self._read[id(data)] = known
        return known[1]
