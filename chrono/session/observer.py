"""Observe the gates, the link and the clock while the program receives lines.

The observer collects what happened at the gates in the last minute. From the board's beats,
the observer computes the counter's rate and the delays of the beats. The observer does not
decide whether the gates are ready, and it does not use ports or screens.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from chrono.arrays.events import Batch, cut_batch
from chrono.clock.clock_rate import BeatClock, ClockEstimate
from chrono.errors import CalibrationError
from chrono.health.gate_monitor import RECENT_S, GateMonitor, flicker_now, second_places
from chrono.health.readiness import Observation
from chrono.measuring.error_budget import stated_rate
from chrono.processor.rig_rules import Rules
from chrono.processor.timeline import Tally
from chrono.rigs.line_kinds import kind_names
from chrono.session.session import Session
from chrono.session.speed_models import counter_problem

FIND_EVERY_S = 2.0
"""Time between two computations of the counter's rate [s]. The rate changes slowly, and each
computation takes milliseconds."""

FOLLOW_EVERY_S = 60.0
"""Shortest time between two new computations of all speeds [s]. Each computation stops the
screen for a moment and changes the shown speeds."""

MOVED = 0.25
"""A new rate is used if it differs by more than this fraction of its u. A smaller change would
not visibly change a speed."""

NARROWED = 0.8
"""A new rate is also used if its u is smaller than this fraction of the present u."""


class CounterRate:
    """
    Computes the counter's rate from the beats of a session, and uses this rate for the speeds.

    Parameters
    ----------
    session : Session
        The session, which must get each batch before `CounterRate.feed`. If the rig has
        `clock.from_host`, the speeds of the session are computed again with a new rate.

    Attributes
    ----------
    beats : BeatClock
    remeasured_us : int or None
        Time on the computer's clock when the speeds were last computed again [us].
    """

    def __init__(self, session: Session) -> None:
        self._session = session
        self._rules = Rules.from_rig(session.rig)
        self.beats = BeatClock(
            self._rules, lambda *counter: counter_problem(session.rig, counter) is None
        )
        self.remeasured_us: int | None = None
        self._forget()

    def _forget(self) -> None:
        """Forget the rate that was found, and find a rate at the next opportunity."""
        self._counters = self._session.processor.counters
        self._found: ClockEstimate | None = None
        self._find_due_us = self._follow_due_us = 0

    def feed(self, batch: Batch) -> None:
        """Use the beats of a batch of lines to compute the counter's rate."""
        if self._session.rig.lines.has_beats:
            self.beats.feed(batch)
        if self._session.processor.counters != self._counters:
            self._forget()

    def estimate(self) -> ClockEstimate:
        """
        Compute the counter's rate from all beats so far.

        Raises
        ------
        CalibrationError
            If there are too few beats, or if this kind of lines has no beats.
        """
        lines = self._session.rig.lines
        if not lines.has_beats:
            others = kind_names("or", lambda kind: kind.has_beats)
            raise CalibrationError(
                f"{lines} lines contain no beats",
                hint=f"use the line format {others}, because no other format contains beats",
            )
        return self.beats.estimate()

    def found(self, host_us: int) -> ClockEstimate | None:
        """
        Return the counter's rate, or None if unknown.

        The function computes a new rate every two seconds.
        """
        if host_us >= self._find_due_us:
            self._find_due_us = host_us + int(FIND_EVERY_S * 1e6)
            try:
                self._found = self.estimate()
            except CalibrationError:
                self._found = None
        return self._found

    def follow(self, host_us: int) -> None:
        """Use the first known rate; later use rates that clearly differ or are more exact."""
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
        Compute the counter's rate from all beats, and all speeds with this rate.

        Parameters
        ----------
        host_us : int, optional
            Present time [us].

        Raises
        ------
        CalibrationError
            If the rate cannot be computed from the beats. The session then uses the rate in
            its rig.
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
    """Delays of the beats in the last two minutes, compared with the smallest delay [ms]."""

    median_ms: float
    longest_ms: float


class Observer:
    """
    Stores what the program observes at the gates, the link and the clock of a session.

    Parameters
    ----------
    session : Session
        The session, which must get each part of a batch before the observer.
    until_us : int, optional
        Results are requested only after this time on the computer's clock [us].
    """

    def __init__(self, session: Session, until_us: int = 0) -> None:
        self._session = session
        self._until_us = until_us
        self.counter_rate = CounterRate(session)
        """The rate of the counter, computed from the beats."""
        self.last_us = 0
        """Time on the computer's clock when the last line was read [us]."""
        self._found: ClockEstimate | None = None
        self._note_before()
        self._begin()

    def _begin(self) -> None:
        """Begin new observations for the counter that the board uses now."""
        self._counters, self._rules = self._counter()
        self._watch = GateMonitor(self._rules, self._tally_before)
        self._shots = self._shots_before

    def _note_before(self) -> None:
        """Store the present counts of lines and shots for the next call of `feed`."""
        self._tally_before: Tally = self._session.processor.tally
        self._shots_before = len(self._session.log)

    def _counter(self) -> tuple[int, Rules]:
        """Return values that change if the board uses another counter."""
        return self._session.processor.counters, self._session.processor.rules

    def seconds(self, batch: Batch) -> Iterator[Batch]:
        """Cut a batch into parts, so that the results do not depend on the batch size."""
        return cut_batch(batch, second_places(batch, self._until_us))

    def feed(self, piece: Batch) -> None:
        """Observe a part of a batch that the session has already processed."""
        if self._counter() != (self._counters, self._rules):
            self._begin()
        self._watch.feed(piece.events, self._session.processor.tally)
        self.counter_rate.feed(piece)
        if len(piece.events):
            self.last_us = max(self.last_us, int(piece.events.host_us[-1]))
        self._note_before()

    def observed(self, host_us: int, flicker_within_s: float = RECENT_S) -> Observation:
        """
        Return the observations up to the time `host_us` on the computer's clock [us].

        The result includes the flicker of lamps during the last `flicker_within_s` seconds.
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
        expected, allowed = stated_rate(self._session.rig)
        return replace(
            seen,
            clock=self._found,
            rate_error=expected,
            rate_tolerance=allowed,
            jitter_s=self._session.rig.clock.jitter_s,
        )

    def delays(self) -> BeatDelays | None:
        """Return the delays of the beats, or None while the counter's rate is unknown."""
        recent = self.counter_rate.beats.recent
        if self._found is None or len(recent) < 2:
            return None
        board_s, host_s = np.array(recent).T
        late = host_s - board_s / (1 + self._found.rate_error)
        late_ms = 1e3 * (late - late.min())
        return BeatDelays(float(np.median(late_ms)), float(late_ms.max()))
