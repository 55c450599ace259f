"""Observe gates, link and clock while lines come in, for the Beams screen and for checks.

The observer joins the last minute of the gates, the counter's rate from the beats, and the
delays of the beats. A live run updates the rate when a better value is known. A recording is
measured with the rate from all its beats. The observer judges nothing, and it knows nothing
about ports and screens.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from math import inf

import numpy as np

from chrono.arrays.events import Batch, cut_batch
from chrono.clock.clock_rate import BeatClock, ClockEstimate
from chrono.errors import CalibrationError
from chrono.health.gate_monitor import RECENT_S, GateMonitor, flicker_now, second_places
from chrono.health.readiness import Observation
from chrono.processor.rig_rules import Rules
from chrono.processor.timeline import Tally
from chrono.rigs.line_kinds import names_of
from chrono.rigs.rig_model import Rig
from chrono.session.session import Session
from chrono.session.speed_models import counter_problem

FIND_EVERY_S = 2.0
"""Time between two computations of the rate [s]. The rate changes slowly, and a computation
takes milliseconds."""

FOLLOW_EVERY_S = 60.0
"""Shortest time between two new measurements of all shots [s]. Each measurement stops the
screen for a moment and changes the speeds on it."""

MOVED = 0.25
"""If the rate changes by less than this part of its u, no shown speed changes visibly."""

NARROWED = 0.8
"""Use a new uncertainty if it is smaller than this part of the uncertainty in use."""


class CounterRate:
    """
    Keeps the beats of a session, and measures its shots with the rate from the beats.

    Parameters
    ----------
    session : Session
        The caller feeds it before each call of `feed`. Its shots are measured again if its
        rig states `clock.from_host`.

    Attributes
    ----------
    beats : BeatClock
    remeasured_us : int or None
        Host time when existing shots were last measured again [us].
    """

    def __init__(self, session: Session) -> None:
        self._session = session
        self._rules = Rules.from_rig(session.rig)
        self.beats = BeatClock(
            self._rules, lambda *counter: counter_problem(session.rig, counter) is None
        )
        self._found: ClockEstimate | None = None
        self._find_due_us = 0
        self._follow_due_us = 0
        self.remeasured_us: int | None = None

    def feed(self, batch: Batch) -> None:
        """Take the beats of a batch."""
        if self._session.rig.lines.has_beats:
            self.beats.feed(batch)

    def estimate(self) -> ClockEstimate:
        """
        Return the rate computed from all beats so far.

        Raises
        ------
        CalibrationError
            If there are too few beats, or if this kind of lines has no beats.
        """
        lines = self._session.rig.lines
        if not lines.has_beats:
            others = names_of("or", lambda kind: kind.has_beats)
            raise CalibrationError(
                f"{lines} lines have no beats",
                hint=f"only {others} lines can be compared with the host's clock",
            )
        return self.beats.estimate()

    def found(self, host_us: int) -> ClockEstimate | None:
        """Return the rate; None while it is unknown. It is computed again every two seconds."""
        if host_us >= self._find_due_us:
            self._find_due_us = host_us + int(FIND_EVERY_S * 1e6)
            try:
                self._found = self.estimate()
            except CalibrationError:
                self._found = None
        return self._found

    def follow(self, host_us: int) -> None:
        """Let a live session use the rate when it becomes known, and when it gets better."""
        if not self._session.rig.clock.from_host or host_us < self._follow_due_us:
            return
        found, used = self.found(host_us), self._session.host_rate
        if found is None:
            self._use(None, host_us)
        elif used is None or _is_news(found, used):
            self._use(found, host_us)
            self._follow_due_us = host_us + int(FOLLOW_EVERY_S * 1e6)

    def _use(self, rate: ClockEstimate | None, host_us: int) -> None:
        if rate != self._session.host_rate and len(self._session.log):
            self.remeasured_us = host_us
        self._session.use_host_rate(rate)

    def settle(self, host_us: int = 0) -> None:
        """
        Let the session measure with the rate from all its beats.

        Parameters
        ----------
        host_us : int, optional
            The time now [us].

        Raises
        ------
        CalibrationError
            If the beats do not give the rate; the session then uses the rate in its rig.
        """
        try:
            found = self.estimate()
        except CalibrationError:
            self._use(None, host_us)
            raise
        self._use(found, host_us)


def _is_news(found: ClockEstimate, used: ClockEstimate) -> bool:
    moved = abs(found.rate_error - used.rate_error)
    return moved > MOVED * found.u or found.u < NARROWED * used.u


@dataclass(frozen=True)
class BeatDelays:
    """Delays of the beats of the last two minutes, compared with the least late beat [ms]."""

    median_ms: float
    longest_ms: float


class Observer:
    """
    Keeps the observations of a session's gates, link and clock.

    Parameters
    ----------
    session : Session
        The caller feeds it just before it feeds this observer.
    until_us : int, optional
        Nobody requests results before this host time [us].
    """

    def __init__(self, session: Session, until_us: int = 0) -> None:
        self._session = session
        self._until_us = until_us
        self.counter_rate = CounterRate(session)
        """The counter's rate from the beats."""
        self.last_us = 0
        """Host time of the last line [us]."""
        self._found: ClockEstimate | None = None
        self._note_before()
        self._begin()

    def _begin(self) -> None:
        """Start again with the present rules; forget everything before the last piece."""
        self._counters, self._rules = self._counter()
        self._watch = GateMonitor(self._rules, self._tally_before)
        self._shots = self._shots_before

    def _note_before(self) -> None:
        """Note the state before the next piece."""
        self._tally_before: Tally = self._session.processor.tally
        self._shots_before = len(self._session.log)

    def _counter(self) -> tuple[int, Rules]:
        """Return what identifies the counter; a counter that returns gets a new value."""
        return self._session.processor.counters, self._session.processor.rules

    def seconds(self, batch: Batch) -> Iterator[Batch]:
        """Cut a batch at fixed places, so that results do not depend on the size of batches."""
        return cut_batch(batch, second_places(batch, self._until_us))

    def feed(self, piece: Batch) -> None:
        """Take a piece from `seconds` that the session has just been fed."""
        if self._counter() != (self._counters, self._rules):
            self._begin()
        self._watch.feed(piece.events, self._session.processor.tally)
        self.counter_rate.feed(piece)
        if len(piece.events):
            self.last_us = max(self.last_us, int(piece.events.host_us[-1]))
        self._note_before()

    def observed(self, host_us: int, flicker_within_s: float = RECENT_S) -> Observation:
        """
        Return the observations up to a host time [us].

        A lamp counts if it was seen in the last `flicker_within_s` seconds.
        """
        shots = self._session.log.shots
        self._watch.add_shots(shots[self._shots :])
        self._shots = len(shots)
        processor = self._session.processor
        self._found = self.counter_rate.found(host_us)
        seen = self._watch.observed(
            host_us,
            flicker=flicker_now(
                processor.flicker, processor.anchor(), self._rules, flicker_within_s
            ),
        )
        expected, allowed = _rate_stated(self._session.rig)
        return replace(
            seen,
            clock=self._found,
            rate_error=expected,
            rate_tolerance=allowed,
            jitter_s=self._session.rig.clock.jitter_s,
        )

    def delays(self) -> BeatDelays | None:
        """Return how late beats are read; None while the counter's rate is unknown."""
        recent = self.counter_rate.beats.recent
        if self._found is None or len(recent) < 2:
            return None
        board_s, host_s = np.array(recent).T
        late = host_s - board_s / (1 + self._found.rate_error)
        late_ms = 1e3 * (late - late.min())
        return BeatDelays(float(np.median(late_ms)), float(late_ms.max()))


def _rate_stated(rig: Rig) -> tuple[float, float]:
    """Return the counter's rate error that a rig states, and the half-width of this error."""
    calibrated = rig.calibration.clock
    if rig.clock.from_host:
        return 0.0, inf
    if calibrated is None:
        return 0.0, rig.clock.rate_tolerance
    return calibrated.rate_error, 2 * calibrated.rate_error_u
