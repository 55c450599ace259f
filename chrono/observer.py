"""What is seen of gates, link and clock while lines come in: for the Beams screen and checks.

Joins the watch over the last minute, the counter's rate from the beats, and how late the
beats are read. It judges nothing and knows nothing of ports and screens.
"""

from dataclasses import dataclass

import numpy as np

from chrono.errors import CalibrationError
from chrono.processor.beats import BeatClock
from chrono.processor.clock import ClockEstimate
from chrono.processor.health import Observed
from chrono.processor.watch import Watch, flicker_now
from chrono.reader.batch import Batch
from chrono.session import Session

RATE_EVERY_S = 2.0
"""The rate changes slowly and takes some milliseconds to find."""


@dataclass(frozen=True)
class Delays:
    """How much later than the earliest the last two minutes' beats were read [ms]."""

    median_ms: float
    longest_ms: float


class Observer:
    """
    Carries what was seen of a session's gates, link and clock.

    Parameters
    ----------
    session : Session
        Fed before each call of `feed`.
    """

    def __init__(self, session: Session) -> None:
        self._session = session
        self._begin()

    def _begin(self) -> None:
        self._rules = self._session.processor.rules
        self._watch = Watch(self._rules)
        self._beats = BeatClock(self._rules)
        self._shots = len(self._session.log)
        self._estimate: ClockEstimate | None = None
        self._estimate_due_us = 0

    def feed(self, batch: Batch) -> None:
        """Take a batch that the session has taken."""
        if self._session.processor.rules != self._rules:
            self._begin()
        self._watch.feed(batch.events)
        if self._rules.lines == "framed":
            self._beats.feed(batch)

    def observed(self, host_us: int) -> Observed:
        """Return what was seen up to a host time [us]."""
        shots = self._session.log.shots
        self._watch.add_shots(shots[self._shots :])
        self._shots = len(shots)
        processor = self._session.processor
        return self._watch.observed(
            host_us,
            processor.tally,
            flicker=flicker_now(processor.flicker, processor.anchor(), self._rules),
            clock=self.clock(host_us),
            rate_tolerance=self._session.rig.clock.rate_tolerance,
        )

    def clock(self, host_us: int) -> ClockEstimate | None:
        """Return the counter's rate as it is known, found anew every two seconds."""
        if host_us >= self._estimate_due_us:
            self._estimate_due_us = host_us + int(RATE_EVERY_S * 1e6)
            try:
                self._estimate = self._beats.estimate()
            except CalibrationError:
                self._estimate = None
        return self._estimate

    def delays(self) -> Delays | None:
        """Return how late beats are read, None while the counter's rate is not known."""
        if self._estimate is None or len(self._beats.recent) < 2:
            return None
        board_s, host_s = np.array(self._beats.recent).T
        late = host_s - board_s / (1 + self._estimate.rate_error)
        late_ms = 1e3 * (late - late.min())
        return Delays(float(np.median(late_ms)), float(late_ms.max()))
