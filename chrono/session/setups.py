"""The setups of a session, in order, and which of them a shot belongs to.

A setup holds from the moment at which it was stated: for every shot whose key is greater than
the latest counter value of then. A correction stands for a setup wherever that was stated
before. What is taken back is as if it had not been said.
"""

from bisect import bisect_left
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from chrono.errors import RecordingError
from chrono.session.marks import Setup

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

    def at(self, keys: npt.NDArray[np.int64]) -> npt.NDArray[np.int32]:
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

    def named(self, name: str | None) -> npt.NDArray[np.bool_]:
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
