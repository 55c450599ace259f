"""The board's beats against the host's clock, taken from batches as they come.

Unwraps the counter from beat to beat, begins a new segment at every restart and lost link,
and hands what is left to the estimate of the counter's rate.
"""

from collections import deque

import numpy as np

from chrono.processor.clock import ClockEstimate, ClockTracker
from chrono.processor.rules import Rules
from chrono.reader.batch import Batch, Events, Kind

GAP_S = 10.0
"""After a longer silence the counter may have wrapped unseen: a new segment."""

LAST_BEATS = 120


class BeatClock:
    """
    Carries the beats of one board.

    Parameters
    ----------
    rules : Rules
        Time of a counter unit and width of the counter.
    """

    def __init__(self, rules: Rules) -> None:
        self._width = (1 << rules.counter_bits) - 1
        self._unit_s = rules.unit_s
        self._tracker = ClockTracker(rules.unit_s)
        self._last: tuple[int, int, int] | None = None
        self.recent: deque[tuple[float, float]] = deque(maxlen=LAST_BEATS)
        """Board's and host's time of the last beats since a break [s]."""

    def feed(self, batch: Batch) -> None:
        """Take the beats of a batch."""
        done = 0
        for control in batch.controls:
            if control.origin in ("hello", "link"):
                self._add(batch.events, done, control.position)
                done = control.position
                self._break()
        self._add(batch.events, done, len(batch.events))

    def estimate(self) -> ClockEstimate:
        """
        Return the rate error of the counter.

        Raises
        ------
        CalibrationError
            If the beats so far cannot tell it.
        """
        return self._tracker.estimate()

    def _break(self) -> None:
        self._tracker.begin_segment()
        self.recent.clear()
        self._last = None

    def _add(self, events: Events, start: int, stop: int) -> None:
        places = np.flatnonzero(events.kind[start:stop] == Kind.BEAT) + start
        for place in places.tolist():
            counter, host_us = int(events.counter[place]), int(events.host_us[place])
            if self._last is not None and host_us - self._last[1] > GAP_S * 1e6:
                self._break()
            before = self._last or (counter, host_us, counter)
            t = before[2] + ((counter - before[0]) & self._width)
            self._last = counter, host_us, t
            self._tracker.add(np.array([t]), np.array([host_us]))
            self.recent.append((t * self._unit_s, host_us * 1e-6))
