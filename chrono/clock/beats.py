"""The board's beats against the host's clock, taken from batches as they come.

Unwraps the counter from beat to beat, begins a new segment at every restart and lost link,
and hands what is left to the estimate of the counter's rate.
"""

from collections import deque
from collections.abc import Callable

import numpy as np

from chrono.arrays.array_types import Ints
from chrono.arrays.events import Batch, EventKind, Events, Record, cut_batch
from chrono.clock.clock_rate import GAP_S, ClockEstimate, ClockTracker
from chrono.processor.rig_rules import Rules

LAST_BEATS = 120


class BeatClock:
    """
    Carries the beats of one board.

    Parameters
    ----------
    rules : Rules
        Time of a counter unit and width of the counter.
    is_usable : callable, optional
        Tells whether a counter of this frequency [Hz] and width can be used; beats of one
        that cannot are left out.
    """

    def __init__(
        self, rules: Rules, is_usable: Callable[[float, int], bool] = lambda *_: True
    ) -> None:
        self._is_usable, self._deaf = is_usable, False
        self._begin(rules.unit_s, rules.counter_bits)

    def _begin(self, unit_s: float, counter_bits: int) -> None:
        self._counter_bits = counter_bits
        self._unit_s = unit_s
        self._tracker = ClockTracker(unit_s)
        self._last: tuple[int, int, int] | None = None
        self.recent: deque[tuple[float, float]] = deque(maxlen=LAST_BEATS)
        """Board's and host's time of the last beats since a break [s]."""

    def feed(self, batch: Batch) -> None:
        """Take the beats of a batch."""
        places = {c.position for c in batch.controls if c.origin in ("hello", "link")}
        for piece in cut_batch(batch, sorted(places - {0})):
            for record in piece.controls:
                if record.origin in ("hello", "link"):
                    self._break()
                if record.origin == "hello":
                    self._take_counter(record)
            if not self._deaf:
                self._add(piece.events)

    def estimate(self) -> ClockEstimate:
        """
        Return the rate error of the counter.

        Raises
        ------
        CalibrationError
            If the beats so far cannot tell it.
        """
        return self._tracker.estimate()

    def _take_counter(self, hello: Record) -> None:
        """Begin anew if the board says that it counts otherwise than before."""
        self._deaf = not self._is_usable(hello.data["frequency_hz"], hello.data["counter_bits"])
        if self._deaf:
            return
        unit_s, bits = 1 / hello.data["frequency_hz"], hello.data["counter_bits"]
        if (unit_s, bits) != (self._unit_s, self._counter_bits):
            self._begin(unit_s, bits)

    def _break(self) -> None:
        self._tracker.begin_segment()
        self.recent.clear()
        self._last = None

    def _add(self, events: Events) -> None:
        places = np.flatnonzero(events.kind == EventKind.BEAT)
        if not len(places):
            return
        counter, host_us = events.counter[places], events.host_us[places]
        before_us = self._last[1] if self._last else host_us[0]
        silent = np.diff(host_us, prepend=before_us) > GAP_S * 1e6
        ends = [*np.flatnonzero(silent).tolist(), len(places)]
        for number, (begin, end) in enumerate(zip([0, *ends], ends, strict=False)):
            if number:
                self._break()
            self._unwrap(counter[begin:end], host_us[begin:end])

    def _unwrap(self, counter: Ints, host_us: Ints) -> None:
        """Take beats in which no wrap of the counter can have passed unseen."""
        if not len(counter):
            return
        last_counter, _, last_t = self._last or (int(counter[0]), 0, int(counter[0]))
        steps = np.diff(counter, prepend=last_counter) & ((1 << self._counter_bits) - 1)
        t = last_t + np.cumsum(steps)
        self._last = int(counter[-1]), int(host_us[-1]), int(t[-1])
        self._tracker.add(t, host_us)
        board_s, host_s = t[-LAST_BEATS:] * self._unit_s, host_us[-LAST_BEATS:] * 1e-6
        self.recent.extend(zip(board_s.tolist(), host_s.tolist(), strict=True))
