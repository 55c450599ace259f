"""What gates, link and clock do while lines come in: for the Beams screen and for checks.

Joins the gates' last minute, the counter's rate from the beats, and how late the beats are
read. Live the rate is followed while it becomes better known; a recording is measured with
the rate of all its beats. Judges nothing and knows nothing of ports and screens.
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
"""The rate changes slowly and takes some milliseconds to find."""

FOLLOW_EVERY_S = 60.0
"""Measuring anew holds up a screen for a moment and changes speeds that people look at."""

MOVED = 0.25
"""A rate that moved by less than this part of its u changes no speed that anyone could see."""

NARROWED = 0.8
"""An uncertainty that shrank to less than this part of the one in use is worth using."""


class CounterRate:
    """
    Carries the beats of a session, and measures with their rate.

    Parameters
    ----------
    session : Session
        Fed before each call of `feed`; measured anew where its rig says `clock.from_host`.

    Attributes
    ----------
    beats : BeatClock
    remeasured_us : int or None
        Host time at which shots that were there already were last measured anew [us].
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
        Return the rate as all beats so far tell it.

        Raises
        ------
        CalibrationError
            If they cannot, or there are none in this kind of lines.
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
        """Return the rate, None while it is not known; found anew every two seconds."""
        if host_us >= self._find_due_us:
            self._find_due_us = host_us + int(FIND_EVERY_S * 1e6)
            try:
                self._found = self.estimate()
            except CalibrationError:
                self._found = None
        return self._found

    def follow(self, host_us: int) -> None:
        """Let a live session measure with the rate once it is known, and known better."""
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
        Let the session measure with what all its beats say.

        Parameters
        ----------
        host_us : int, optional
            The time now [us].

        Raises
        ------
        CalibrationError
            If they cannot tell the rate; then the session measures as its rig states.
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
        self._watch = GateMonitor(self._rules, self._tally_before)
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

    def observed(self, host_us: int, flicker_within_s: float = RECENT_S) -> Observation:
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

    def delays(self) -> BeatDelays | None:
        """Return how late beats are read, None while the counter's rate is not known."""
        recent = self.counter_rate.beats.recent
        if self._found is None or len(recent) < 2:
            return None
        board_s, host_s = np.array(recent).T
        late = host_s - board_s / (1 + self._found.rate_error)
        late_ms = 1e3 * (late - late.min())
        return BeatDelays(float(np.median(late_ms)), float(late_ms.max()))


def _rate_stated(rig: Rig) -> tuple[float, float]:
    """Return the counter's rate error that a rig states, and the half-width it allows."""
    calibrated = rig.calibration.clock
    if rig.clock.from_host:
        return 0.0, inf
    if calibrated is None:
        return 0.0, rig.clock.rate_tolerance
    return calibrated.rate_error, 2 * calibrated.rate_error_u
