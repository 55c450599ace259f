"""Measure the rate of the board's counter with the computer's clock, from the board's beats.

The computer reads each beat with a delay. A delay is never negative, so the beats with the
smallest delays are the most accurate. The program fits a straight line to the beats with the
smallest delays, and computes the rate from the slope of this line.
"""

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from chrono.arrays.array_types import Floats, Ints
from chrono.arrays.events import Batch, EventKind, Events, Record, cut_batch
from chrono.clock.delay_envelope import (
    BEATS_PER_BLOCK,
    MAX_BLOCKS,
    MIN_BLOCKS,
    BeatSegment,
    EnvelopeLine,
    Point,
    fit_lines,
    halved,
    information,
    lower_hull,
)
from chrono.errors import CalibrationError
from chrono.measuring.calibration_uncertainty import CombinedUncertainty, combine
from chrono.measuring.error_budget import (
    Contribution,
    Input,
    combined_uncertainty,
    effective_dof,
    normal,
    rectangular,
)
from chrono.processor.rig_rules import Rules

HOST_RATE_TOLERANCE = 15e-6
"""Half-width of the rate error of the host's clock, if NTP controls this clock. The value is
PHI of RFC 5905, figure 5 ("frequency tolerance", 15 ppm). A clock that is not synchronised may
be wrong by about 100 ppm (common practice, no source)."""

POLLING_S = 1e-3
"""Largest drift of the smallest reading delay that can stay undetected [s]. A line of the board
waits for the next USB full-speed frame, and a frame takes 1 ms (USB 2.0, 5.3). Adapters with a
latency timer delay short lines longer (FTDI AN232B-04: 16 ms by default). For an adapter with a
latency timer, use the time of the timer.
"""

MAX_SEGMENTS = 32
MIN_SPAN_S = 60.0
GAP_S = 10.0
"""If no beat arrives for a longer time, a new segment of beats begins, because a wrap of the
counter may have been missed."""

MAX_RATE_ERROR = 0.02


@dataclass(frozen=True)
class ClockEstimate:
    """
    The relative rate error ε of the counter, and its uncertainty.

    The true frequency of the counter is the nominal frequency times (1 + ε).

    Attributes
    ----------
    rate_error : float
        Relative error ε, positive for a counter that runs fast.
    uncertainty : CombinedUncertainty
        Uncertainty of ε, from the scatter of the delays (type A), the host's own rate and the
        polling of the port (type B).
    beats : int
        Number of beats.
    segments : int
        Number of segments without a break from which the rate was computed.
    span_s : float
        Total length of these segments [s].
    steps_s : float
        Spread of the delays [s] if the delays depend on each other, for example because a port
        delivers at fixed intervals. 0 if the delays are independent.
    wanders : bool
        True if the delays drift and do not only scatter. A drift makes the uncertainty larger.
    narrows : bool
        True if a longer run would make the uncertainty smaller.
    """

    rate_error: float
    uncertainty: CombinedUncertainty
    beats: int
    segments: int
    span_s: float
    steps_s: float = 0.0
    wanders: bool = False
    narrows: bool = False

    @property
    def u(self) -> float:
        """Standard uncertainty u of the counter's rate error ε."""
        return self.uncertainty.u

    @property
    def U95(self) -> float:  # noqa: N802 - the symbol of the GUM
        """Uncertainty U95 of the counter's rate error ε, with 95 % coverage."""
        return self.uncertainty.U95


@dataclass(frozen=True)
class ShotRate:
    """
    The counter's rate, compared with the computer's clock.

    Attributes
    ----------
    off : float
        Relative difference between the counter's rate and the rate in the rig, positive for a
        counter that runs fast.
    tolerance : float
        Largest relative rate error that the rig states.
    limit : float
        Largest value of `off` that the rig, the computer's clock and delays can cause.
    has_beats : bool
        True if the board sends beats, which tell the rate more exactly.
    """

    off: float
    tolerance: float
    limit: float
    has_beats: bool

    @property
    def contradicts(self) -> bool:
        """True if the counter's rate does not fit the rig."""
        return abs(self.off) > self.limit


class ClockTracker:
    """
    Collect beats and compute the counter's rate, with a limited amount of memory.

    Parameters
    ----------
    unit_s : float
        Nominal time of one counter unit [s].
    """

    def __init__(self, unit_s: float) -> None:
        self._unit_s = unit_s
        self._segments: list[BeatSegment] = []
        self._open: list[Point] = []
        self._last: Point | None = None
        self._beats = 0

    def add(self, ticks: Ints, host_us: Ints) -> None:
        """
        Add beats in the order in which they were read.

        Parameters
        ----------
        ticks : ndarray of int64, shape (N,)
            Unwrapped counter of each beat [counter units].
        host_us : ndarray of int64, shape (N,)
            Host's monotonic clock when each beat was read [us].
        """
        board_s = np.asarray(ticks, dtype=np.float64) * self._unit_s
        host_s = np.asarray(host_us, dtype=np.float64) * 1e-6
        for point in zip(board_s.tolist(), host_s.tolist(), strict=True):
            self._add_one(point)

    def begin_segment(self) -> None:
        """Begin a new segment of beats after a restart of the board or a lost connection."""
        self._last = None

    def estimate(
        self, *, host_rate_tolerance: float = HOST_RATE_TOLERANCE, polling_s: float = POLLING_S
    ) -> ClockEstimate:
        """
        Compute the counter's rate error from all beats so far.

        Parameters
        ----------
        host_rate_tolerance : float
            Half-width of the host clock's own relative rate error (rectangular).
        polling_s : float
            Largest drift of the smallest delay in a segment that can stay undetected [s].

        Returns
        -------
        ClockEstimate

        Raises
        ------
        CalibrationError
            There are too few beats, the time is too short, or no oscillator has this rate.
        """
        lines = fit_lines(self._segments)
        _refuse_too_little(lines, self._beats)
        weight = np.array([line.weight for line in lines])
        weight /= weight.sum()
        slope = float(weight @ [line.slope for line in lines])
        _refuse_standing_clock(slope)
        rate_error = 1 / slope - 1
        _refuse_impossible(rate_error)
        creep = [max(polling_s, line.order_s) / line.span_s for line in lines]
        uncertainty = combine(
            Contribution(part, 1.0)
            for part in (
                _scatter(lines, weight / slope**2),
                rectangular("host's own rate", host_rate_tolerance),
                rectangular("polling of the port", float(weight @ creep)),
            )
        )
        scatter, host, polling = (part.u_out for part in uncertainty.contributions)
        steps_s = max(line.order_s for line in lines)
        return ClockEstimate(
            rate_error=rate_error,
            uncertainty=uncertainty,
            beats=self._beats,
            segments=len(lines),
            span_s=sum(line.span_s for line in lines),
            steps_s=steps_s if steps_s > POLLING_S else 0.0,
            wanders=any(line.wander > 1 for line in lines) and scatter > max(host, polling) / 3,
            narrows=max(scatter, polling) > host,
        )

    def _add_one(self, point: Point) -> None:
        if not self._follows(point):
            self._segments.append(BeatSegment())
            self._open = []
            self._forget_weakest()
        self._last = point
        self._beats += 1
        self._open.append(point)
        current = self._segments[-1]
        current.recent.append(point)
        if len(self._open) == current.beats_per_block:
            current.blocks.append(lower_hull(self._open))
            self._open = []
            if len(current.blocks) == MAX_BLOCKS:
                self._segments[-1:] = halved(current)
                self._forget_weakest()

    def _follows(self, point: Point) -> bool:
        if self._last is None:
            return False
        board_gap, host_gap = point[0] - self._last[0], point[1] - self._last[1]
        return 0 < board_gap < GAP_S and host_gap >= 0

    def _forget_weakest(self) -> None:
        """If there are too many segments, delete those that give the least exact rate."""
        while len(self._segments) > MAX_SEGMENTS:
            finished = self._segments[:-1]
            weakest = min(range(len(finished)), key=lambda i: information(finished[i]))
            del self._segments[weakest]


def _scatter(lines: list[EnvelopeLine], sensitivity: Floats) -> Input:
    parts = [
        Contribution(normal("", line.u, dof=line.dof), float(share))
        for share, line in zip(sensitivity, lines, strict=True)
    ]
    u = combined_uncertainty(parts)
    return normal("scatter of the delays", u, dof=effective_dof(parts))


def _refuse_too_little(lines: list[EnvelopeLine], beats: int) -> None:
    span_s = sum(line.span_s for line in lines)
    if span_s >= MIN_SPAN_S:
        return
    row = MIN_BLOCKS * BEATS_PER_BLOCK
    seen = f"{span_s:.0f} s without a break" if lines else f"never {row} in a row"
    raise CalibrationError(
        f"{beats} beats arrived, {seen}; the counter's rate needs at least {MIN_SPAN_S:.0f} s "
        "of beats without a break",
        hint="leave the board connected for ten minutes and try again",
    )


def _refuse_standing_clock(slope: float) -> None:
    if slope > 0:
        return
    raise CalibrationError(
        "the computer's clock shows the same time at all beats, so the counter's rate cannot "
        "be computed",
        hint="check the column host_us of the recording",
    )


def _refuse_impossible(rate_error: float) -> None:
    if abs(rate_error) <= MAX_RATE_ERROR:
        return
    raise CalibrationError(
        f"the counter differs from the computer's clock by {rate_error * 100:+.1f} %, "
        "but no oscillator is so inaccurate",
        hint="check clock.frequency in the rig file against the board",
    )


LAST_BEATS = 120


class BeatClock:
    """
    Collect the beats of one board, and measure the rate of its counter.

    Parameters
    ----------
    rules : Rules
        Time of a counter unit and width of the counter.
    is_usable : callable, optional
        Returns True if a counter with this frequency [Hz] and width [bits] can be used. Beats
        of other counters are not used.
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
        """
        Times of the last beats [s] by the board's clock and by the host's clock.

        A break deletes the earlier times.
        """

    def feed(self, batch: Batch) -> None:
        """Add the beats of a batch."""
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
            There are not enough beats so far.
        """
        return self._tracker.estimate()

    def _take_counter(self, hello: Record) -> None:
        """Begin a new collection of beats if the board reports a different counter."""
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
        """Unwrap the counter values of beats that follow each other without a break."""
        if not len(counter):
            return
        last_counter, _, last_t = self._last or (int(counter[0]), 0, int(counter[0]))
        steps = np.diff(counter, prepend=last_counter) & ((1 << self._counter_bits) - 1)
        t = last_t + np.cumsum(steps)
        self._last = int(counter[-1]), int(host_us[-1]), int(t[-1])
        self._tracker.add(t, host_us)
        board_s, host_s = t[-LAST_BEATS:] * self._unit_s, host_us[-LAST_BEATS:] * 1e-6
        self.recent.extend(zip(board_s.tolist(), host_s.tolist(), strict=True))
