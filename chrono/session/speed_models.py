"""Choose the model that computes the speed of a shot from its transit.

Each counter, each body and each assumption of a what-if question needs its own model. A new
board, or a board with new firmware, may have another counter. A setup may have another body
than the rig, and the air slows each body differently.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from chrono.arrays.array_types import Ints, Places
from chrono.clock.clock_rate import ClockEstimate
from chrono.errors import RigError
from chrono.measuring.speed import Measured, SpeedModel, measure
from chrono.processor.rig_rules import Rules
from chrono.processor.shot_records import EdgesUsed, Flag, Shots
from chrono.rigs.rig_file import with_clock_rate, with_frequency
from chrono.rigs.rig_model import Rig, with_body
from chrono.session.annotations import BEFORE_ALL, Annotations
from chrono.session.operator_records import NO_BODY, Body

_PAIR_FLAGS = {EdgesUsed.LEAD: Flag.LEAD_ONLY, EdgesUsed.TRAIL: Flag.TRAIL_ONLY}


@dataclass(frozen=True)
class Assumptions:
    """
    The assumptions of a what-if question, such as a coarser counter.

    Attributes
    ----------
    tick_s : float or None
        Step of a coarser counter [s], rounded to a whole number of recorded ticks.
    phase : float
        Offset of the coarser steps from the zero of the recorded counter, as a fraction of one
        step (0 … 1).
    spacing_m : float or None
        Wrongly measured distance between the gates [m].
    clock_error : float
        Relative error of the counter's rate; positive if the counter was too fast.
    edges : EdgesUsed
        LEAD or TRAIL: use only the leading edges, or only the trailing edges.
    """

    tick_s: float | None = None
    phase: float = 0.0
    spacing_m: float | None = None
    clock_error: float = 0.0
    edges: EdgesUsed = EdgesUsed.BOTH

    def ticks(self, recorded_tick_s: float) -> int:
        """Return the length of one step of the assumed counter, in ticks of the recording."""
        return 1 if self.tick_s is None else max(round(self.tick_s / recorded_tick_s), 1)

    def shots(self, shots: Shots) -> Shots:
        """
        Return the shots as if the gates had measured only the edges that `edges` names.

        A shot without usable edges of this kind has no transit.
        """
        if self.edges == EdgesUsed.BOTH:
            return shots
        shots = shots.copy()
        usable = np.isin(shots["used"], (EdgesUsed.BOTH, self.edges))
        shots["bounce"][shots["used"] == EdgesUsed.BOTH] *= np.sqrt(2.0)  # it was a mean of two
        shots["used"] = np.where(usable, self.edges, EdgesUsed.NONE)
        shots["flags"] &= ~np.uint32(Flag.LEAD_ONLY | Flag.TRAIL_ONLY)
        shots["flags"][usable] |= np.uint32(_PAIR_FLAGS[self.edges])
        return shots

    def rules(self, rules: Rules) -> Rules:
        """Return the rules with the assumed step of the timestamps."""
        if self.tick_s is None:
            return rules
        return replace(rules, step_s=rules.tick_s * self.ticks(rules.tick_s))

    def model(self, model: SpeedModel) -> SpeedModel:
        """Return the model with the assumed counter step and the assumed counter rate."""
        if self.tick_s is None and not self.clock_error:
            return model
        return replace(
            model,
            tick_s=model.tick_s * self.ticks(model.tick_s),
            unit_s=model.unit_s * (1 + self.clock_error),
        )


NO_ASSUMPTIONS = Assumptions()


Counter = tuple[float, int]
"""Frequency [Hz] and width [bits] of a board's counter."""


def counter_problem(rig: Rig, counter: Counter) -> RigError | None:
    """Return why a counter cannot time the shots of a rig; None if the counter is suitable."""
    try:
        with_frequency(rig, *counter)
    except RigError as problem:
        return problem
    return None


class BoardCounters:
    """
    The counters that a board used during a session, in order.

    In the list of counters, None means the counter that the rig states.
    """

    def __init__(self) -> None:
        self._counters: list[Counter | None] = [None]
        self._since = [BEFORE_ALL]

    @property
    def now(self) -> Counter | None:
        """The counter that the board reported last; None if the board reported no counter."""
        return self._counters[-1]

    @property
    def place(self) -> int:
        """The place of the present counter in the list of counters."""
        return len(self._counters) - 1

    def confirm(self, counter: Counter) -> None:
        """Store that the board reports the counter which the program already uses."""
        self._counters[-1] = counter

    def change(self, counter: Counter, anchor: int) -> None:
        """Use `counter` for all shots after the counter value `anchor`."""
        self._counters.append(counter)
        self._since.append(max(anchor, self._since[-1]))

    def at(self, keys: Ints) -> Places:
        """Return the place of each shot's counter in the list of counters, shape (N,)."""
        return np.maximum(np.searchsorted(np.array(self._since), keys, side="left") - 1, 0)

    def is_last(self, place: int) -> bool:
        """Return True if the counter at position `place` is the present counter."""
        return place == self.place

    def applied(self, rig: Rig, place: int = -1) -> Rig:
        """Return the rig with the counter at position `place` (default: the last counter)."""
        counter = self._counters[place]
        return with_frequency(rig, *counter) if counter and rig.lines.says_hello else rig

    def stretches(self, keys: Ints, start: int) -> Iterator[tuple[slice, int]]:
        """
        Yield slices of shots with the same counter, and this counter's place in the list.

        Parameters
        ----------
        keys : ndarray of int64, shape (N,)
            Keys of the shots, at least one.
        start : int
            The place of the first shot in the log. All slices are slices of the log.
        """
        if len(self._counters) == 1:
            yield slice(start, start + len(keys)), 0
            return
        places = self.at(keys)
        begins = [0, *(np.flatnonzero(np.diff(places)) + 1).tolist()]
        for begin, end in zip(begins, [*begins[1:], len(keys)], strict=True):
            yield slice(start + begin, start + end), int(places[begin])


@lru_cache(maxsize=64)
def speed_model(rig: Rig, as_if: Assumptions, own: Body = NO_BODY) -> SpeedModel:
    """
    Return the model that computes speeds with the values of a rig.

    Parameters
    ----------
    rig : Rig
    as_if : Assumptions
    own : tuple of (str, float), optional
        Values of the body that a setup states and that replace the rig's values, in SI units.
    """
    return as_if.model(SpeedModel.from_rig(with_body(rig, dict(own))))


def with_rate(rig: Rig, rate: ClockEstimate | None) -> Rig:
    """Return the rig with this counter rate; if `rate` is None, return the rig unchanged."""
    if rate is None:
        return rig
    return with_clock_rate(rig, rate.rate_error, rate.u, rate.uncertainty.dof)


class SpeedModels:
    """
    The speed models that a session uses: one model for each counter and each body.

    Parameters
    ----------
    counters : BoardCounters
    told : Annotations
        The setups and marks of the session, which may change later, like the counters.
    as_if : Assumptions
    """

    def __init__(self, counters: BoardCounters, told: Annotations, as_if: Assumptions) -> None:
        self._counters, self._told, self._as_if = counters, told, as_if
        self._rig: Rig
        self._rate: ClockEstimate | None
        self._rate_place: int
        self.now: SpeedModel
        """The model for the body that the rig states and for the present counter."""

    def use(self, rig: Rig, rate: ClockEstimate | None, rate_place: int) -> None:
        """
        Use this rig from now on; if `rate` is not None, also use this counter rate.

        The rate is valid only for the counter at the position `rate_place`.
        """
        self._rig, self._rate, self._rate_place = rig, rate, rate_place
        self.now = self.of(None, NO_BODY)

    def of(self, counter: int | None, own: Body) -> SpeedModel:
        """Return the speed model for a counter and a body; None means the present counter."""
        place = self._counters.place if counter is None else counter
        rig = self._rig
        if not self._counters.is_last(place):
            rig = self._counters.applied(rig, place)
        # a rate from the beats of one counter is wrong for all other counters
        rate = self._rate if place == self._rate_place else None
        return speed_model(with_rate(rig, rate), self._as_if, own)

    def at(self, key: int) -> SpeedModel:
        """Return the speed model that the program uses for the shot with this key."""
        keys, setups = np.array([key]), self._told.setups
        own = setups.body(int(setups.at(keys)[0]))
        return self.of(int(self._counters.at(keys)[0]), own)

    def measure(
        self, shots: Shots, setups: npt.NDArray[np.int32], counter: int | None = None
    ) -> Measured:
        """
        Compute the speed of each shot, with the body that the shot's setup states.

        Parameters
        ----------
        shots : structured ndarray of `SHOT_DTYPE`, shape (N,)
        setups : ndarray of int32, shape (N,)
            The number of each shot's setup in the list of setups.
        counter : int, optional
            The place of the counter in the list of counters; default: the present counter.
        """
        is_now = counter is None or self._counters.is_last(counter)
        found = measure(shots, self.now if is_now else self.of(counter, NO_BODY))
        if not self._told.setups.state_bodies:
            return found
        places: dict[Body, list[int]] = {}
        for place in np.unique(setups).tolist():
            places.setdefault(self._told.setups.body(place), []).append(place)
        places.pop(NO_BODY, None)
        for own, alike in places.items():
            chosen = np.flatnonzero(np.isin(setups, alike))
            for name, column in vars(measure(shots[chosen], self.of(counter, own))).items():
                getattr(found, name)[chosen] = column
        return found
