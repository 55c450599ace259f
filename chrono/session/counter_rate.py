"""The rate of a session's counter from its beats, and measuring with it where the rig says so.

Joins the session and the beats. Live the rate is followed while it becomes better known, a
recording is measured with what all its beats say. Knows nothing of files and screens.
"""

from chrono.arrays.batch import Batch
from chrono.clock.beats import BeatClock
from chrono.clock.rate import ClockEstimate
from chrono.errors import CalibrationError
from chrono.processor.rules import Rules
from chrono.session.counters import counter_problem
from chrono.session.session import Session

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
        if self._session.rig.lines == "framed":
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
        if lines != "framed":
            raise CalibrationError(
                f"{lines} lines have no beats",
                hint="only framed lines can be compared with the host's clock",
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
