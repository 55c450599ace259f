"""The counters of a session's boards, one after another, as their hello lines told of them.

A board that is replaced, or flashed anew, may count otherwise: shots before and after it are
measured by their own counter.
"""

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from chrono.errors import RigError
from chrono.rigs.file import Rig, with_frequency
from chrono.session.setups import BEFORE_ALL

Counter = tuple[float, int]
"""Frequency [Hz] and width of a board's counter."""


def counter_problem(rig: Rig, counter: Counter) -> RigError | None:
    """Return why a counter cannot tell a shot of a rig, None if it can."""
    try:
        with_frequency(rig, *counter)
    except RigError as problem:
        return problem
    return None


class Counters:
    """Counters by the place from which on they hold; None stands for the rig's own."""

    def __init__(self) -> None:
        self._counters: list[Counter | None] = [None]
        self._since = [BEFORE_ALL]

    @property
    def now(self) -> Counter | None:
        """What the board said last, None while it said nothing."""
        return self._counters[-1]

    def confirm(self, counter: Counter) -> None:
        """Let the board say what holds already."""
        self._counters[-1] = counter

    def change(self, counter: Counter, anchor: int) -> None:
        """Let another counter hold for shots with keys above `anchor`."""
        self._counters.append(counter)
        self._since.append(max(anchor, self._since[-1]))

    def at(self, keys: npt.NDArray[np.int64]) -> npt.NDArray[np.intp]:
        """Return the place of each shot's counter, shape (N,)."""
        return np.maximum(np.searchsorted(np.array(self._since), keys, side="left") - 1, 0)

    def is_last(self, place: int) -> bool:
        """Tell whether a place that `at` gave is that of the counter now."""
        return place == len(self._counters) - 1

    def applied(self, rig: Rig, place: int = -1) -> Rig:
        """Return a rig with the counter of a place, the one now if none is named."""
        counter = self._counters[place]
        return with_frequency(rig, *counter) if counter and rig.lines == "framed" else rig

    def stretches(self, keys: npt.NDArray[np.int64], start: int) -> Iterator[tuple[slice, int]]:
        """
        Yield slices of shots that have one counter, and its place.

        Parameters
        ----------
        keys : ndarray of int64, shape (N,)
            Keys of the shots, at least one.
        start : int
            The number of the first of them, added to the slices.
        """
        if len(self._counters) == 1:
            yield slice(start, start + len(keys)), 0
            return
        places = self.at(keys)
        begins = [0, *(np.flatnonzero(np.diff(places)) + 1).tolist()]
        for begin, end in zip(begins, [*begins[1:], len(keys)], strict=True):
            yield slice(start + begin, start + end), int(places[begin])
