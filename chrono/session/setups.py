"""The setups of a session, in order, and which of them a shot belongs to.

A setup holds from the moment at which it was stated: for every shot whose key is greater than
the latest counter value of then.
"""

import numpy as np
import numpy.typing as npt

from chrono.errors import RecordingError
from chrono.session.marks import Setup

SETUP_LIMIT = 10_000
"""More setups than any session has; a file with more is refused."""

BEFORE_ALL = int(np.iinfo(np.int64).min)


class Setups:
    """Setups by the place at which they were stated; the first one is that of no name."""

    def __init__(self) -> None:
        self._setups = [Setup()]
        self._since = [BEFORE_ALL]

    def state(self, setup: Setup, anchor: int) -> None:
        """
        Let a setup hold for shots with keys above `anchor`.

        Raises
        ------
        RecordingError
            If they are more than any session has.
        """
        if len(self._setups) > SETUP_LIMIT:
            raise RecordingError(
                f"more than {SETUP_LIMIT} setups in one session",
                hint="check that this is a recording of real clocking",
            )
        self._since.append(max(anchor, self._since[-1]))
        self._setups.append(setup)

    def at(self, keys: npt.NDArray[np.int64]) -> npt.NDArray[np.int32]:
        """Return the place of each shot's setup, shape (N,)."""
        place = np.searchsorted(np.array(self._since), keys, side="left") - 1
        return np.maximum(place, 0).astype(np.int32)

    @property
    def now(self) -> Setup:
        """The setup that holds now."""
        return self._setups[-1]

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the setups, each once, in order of first use."""
        return tuple(dict.fromkeys(each.name for each in self._setups))

    def name(self, place: int) -> str:
        """Return the name of the setup at a place that `at` gave."""
        return self._setups[place].name

    def named(self, name: str | None) -> npt.NDArray[np.bool_]:
        """Tell which places hold a setup of this name, or of any if it is None."""
        return np.array([name in (None, each.name) for each in self._setups])

    def last(self, name: str) -> Setup:
        """Return what was stated last under a name."""
        return next((s for s in reversed(self._setups) if s.name == name), Setup())
