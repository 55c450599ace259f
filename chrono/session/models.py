"""The models that give speeds, each made once, and shots measured with the right one.

One pair of edges owes to the body, which a setup may state; two pairs do not, so most
sessions need one model.
"""

from functools import lru_cache

import numpy as np
import numpy.typing as npt

from chrono.clock.rate import ClockEstimate
from chrono.measuring.measured import Measured
from chrono.measuring.speed import SpeedModel, measure
from chrono.processor.table import EdgesUsed, Shots
from chrono.rigs.file import Rig, with_clock_rate
from chrono.session.as_if import AsIf
from chrono.session.counters import Counters
from chrono.session.setups import NO_BODY, Body
from chrono.session.told import Told


@lru_cache(maxsize=64)
def speed_model(rig: Rig, as_if: AsIf, own: Body = NO_BODY) -> SpeedModel:
    """
    Make a model once: its coverage takes time, and is worked out when it is wanted.

    Parameters
    ----------
    rig : Rig
    as_if : AsIf
    own : tuple of (str, float), optional
        What a setup says of its body in place of the rig, in SI units.
    """
    body = rig.body.model_copy(update=dict(own))
    return as_if.model(SpeedModel.from_rig(rig.model_copy(update={"body": body})))


def with_rate(rig: Rig, rate: ClockEstimate | None) -> Rig:
    """Return a rig whose counter runs as its beats tell; None: as it states."""
    if rate is None:
        return rig
    return with_clock_rate(rig, rate.rate_error, rate.u, rate.uncertainty.dof)


class Models:
    """
    The models that a session measures with: by the counter, and by the setup's body.

    Parameters
    ----------
    counters : Counters
    told : Told
        They go on by themselves.
    as_if : AsIf
    """

    def __init__(self, counters: Counters, told: Told, as_if: AsIf) -> None:
        self._counters, self._told, self._as_if = counters, told, as_if
        self._rig: Rig
        self._rate: ClockEstimate | None
        self.now: SpeedModel
        """That of the rig's own body and the counter now."""

    def use(self, rig: Rig, rate: ClockEstimate | None) -> None:
        """Measure with a rig from here on, and with this rate of the counter now, if any."""
        self._rig, self._rate = rig, rate
        self.now = self.of(None, NO_BODY)

    def of(self, counter: int | None, own: Body) -> SpeedModel:
        """Return the model for a counter, None for that of now, and a setup's body."""
        if counter is None or self._counters.is_last(counter):
            return speed_model(with_rate(self._rig, self._rate), self._as_if, own)
        # a rate that beats gave is the last counter's
        return speed_model(self._counters.applied(self._rig, counter), self._as_if, own)

    def at(self, key: int) -> SpeedModel:
        """Return the model that measures the shot with this key."""
        keys, setups = np.array([key]), self._told.setups
        own = setups.body(int(setups.at(keys)[0]))
        return self.of(int(self._counters.at(keys)[0]), own)

    def measure(
        self, shots: Shots, setups: npt.NDArray[np.int32], counter: int | None = None
    ) -> Measured:
        """
        Measure shots, each with its setup's body.

        Parameters
        ----------
        shots : structured ndarray of `SHOT_DTYPE`, shape (N,)
        setups : ndarray of int32, shape (N,)
            The place of each shot's setup.
        counter : int, optional
            The place of their counter; that of now if none is named.
        """
        is_now = counter is None or self._counters.is_last(counter)
        found = measure(shots, self.now if is_now else self.of(counter, NO_BODY))
        if not self._told.setups.state_bodies:
            return found
        single = (shots["used"] == EdgesUsed.LEAD) | (shots["used"] == EdgesUsed.TRAIL)
        for place in np.unique(setups[single]).tolist():
            own = self._told.setups.body(place)
            if own == NO_BODY:
                continue
            chosen = np.flatnonzero(single & (setups == place))
            for name, column in vars(measure(shots[chosen], self.of(counter, own))).items():
                getattr(found, name)[chosen] = column
        return found
