"""What is seen of gates, link and clock while lines come in: for the Beams screen and checks.

Joins the watch over the last minute, the counter's rate from the beats, and how late the
beats are read. It judges nothing and knows nothing of ports and screens.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from math import inf

import numpy as np

from chrono.arrays.batch import Batch, cut_batch
from chrono.clock.rate import ClockEstimate
from chrono.health.verdict import Observed
from chrono.health.watch import RECENT_S, Watch, flicker_now, second_places
from chrono.processor.rules import Rules
from chrono.processor.timeline import Tally
from chrono.rigs.file import Rig
from chrono.session.counter_rate import CounterRate
from chrono.session.session import Session


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
        Fed by whoever feeds this.
    until_us : int, optional
        Nobody looks before this host time [us].
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
        """Watch anew, by the rules of now; what was there before the last piece is left out."""
        self._counters, self._rules = self._counter()
        self._watch = Watch(self._rules, self._tally_before)
        self._shots = self._shots_before

    def _note_before(self) -> None:
        """Note what there is before the next piece."""
        self._tally_before: Tally = self._session.processor.tally
        self._shots_before = len(self._session.log)

    def _counter(self) -> tuple[int, Rules]:
        """Tell one counter from another, and from the same one that came back."""
        return self._session.processor.counters, self._session.processor.rules

    def seconds(self, batch: Batch) -> Iterator[Batch]:
        """Yield a batch in the pieces to feed: what is seen then depends on no other cut."""
        return cut_batch(batch, second_places(batch, self._until_us))

    def feed(self, piece: Batch) -> None:
        """Take a piece that `seconds` gave and the session was fed just before."""
        if self._counter() != (self._counters, self._rules):
            self._begin()
        self._watch.feed(piece.events, self._session.processor.tally)
        self.counter_rate.feed(piece)
        if len(piece.events):
            self.last_us = max(self.last_us, int(piece.events.host_us[-1]))
        self._note_before()

    def observed(self, host_us: int, flicker_within_s: float = RECENT_S) -> Observed:
        """
        Return what was seen up to a host time [us].

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

    def delays(self) -> Delays | None:
        """Return how late beats are read, None while the counter's rate is not known."""
        recent = self.counter_rate.beats.recent
        if self._found is None or len(recent) < 2:
            return None
        board_s, host_s = np.array(recent).T
        late = host_s - board_s / (1 + self._found.rate_error)
        late_ms = 1e3 * (late - late.min())
        return Delays(float(np.median(late_ms)), float(late_ms.max()))


def _rate_stated(rig: Rig) -> tuple[float, float]:
    """Return the counter's rate error that a rig states, and the half-width it allows."""
    calibrated = rig.calibration.clock
    if rig.clock.from_host:
        return 0.0, inf
    if calibrated is None:
        return 0.0, rig.clock.rate_tolerance
    return calibrated.rate_error, 2 * calibrated.rate_error_u
