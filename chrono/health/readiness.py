"""Judge from observations whether the gates are ready for good measurements.

An `Observation` contains the numbers that the program observed during some time. The function
`judge_readiness` checks an `Observation`. This module does not use ports or screens, and it
does not write messages for the user.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum
from math import inf, isfinite

from chrono.arrays.events import RestartCause
from chrono.clock.clock_rate import ClockEstimate, ShotRate
from chrono.measuring.length_trends import LengthTrend, Trend, told_trends
from chrono.measuring.measured_slope import MeasuredSlope
from chrono.measuring.timing_jitter import BlockedLengths, TimingJitter
from chrono.processor.passage_pairing import LENGTH_TOLERANCE

BLOCKED_LIMIT_S = 3.0
"""Longest time for which a gate may be blocked [s]. A flying body, or a person who walks by,
blocks a gate for a shorter time."""

NOISE_PER_MIN = 6.0
"""Largest allowed number of noise spikes per minute at one gate. At this rate, noise disturbs
one of 150 shots at 5 m/s."""

CHATTER_PER_MIN = 6.0
LOST_SHARE = 1e-3
"""Largest allowed fraction of lost or damaged lines. A shot has four lines, so at this limit
one of 250 shots is disturbed."""

FIRST_DAMAGED = 1
"""Number of damaged lines that are always allowed. If the program opens a port in the middle of
a line, the first line is damaged."""

FEW_SHOTS = 3
"""To judge the bounces, at least this many shots with a bounce and at least this many shots
without a bounce are needed."""

BEAT_LIMIT_S = 2.5
"""Longest allowed time without a beat [s]. The board sends one beat per second. After this
time, two beats are missing."""


@dataclass(frozen=True)
class GateObservation:
    """
    What the program observed at one gate.

    Attributes
    ----------
    blocked : bool or None
        True if the gate is blocked now; None if no line has stated it yet.
    blocked_for_s : float
        Time for which the gate has been blocked without a break [s]; 0 if the gate is clear.
    flicker_hz : float
        Frequency of flicker [Hz]; 0 if there is no flicker.
    flicker_duty : float
        Part of each flicker period during which the gate is blocked, 0 … 1.
    noise : int
        Number of passages at only this gate that are too short even for the fastest body.
    chatter : int
        How often the gate tripped again within the rig's quiet time after a passage.
    """

    blocked: bool | None = None
    blocked_for_s: float = 0.0
    flicker_hz: float = 0.0
    flicker_duty: float = 0.0
    noise: int = 0
    chatter: int = 0


@dataclass(frozen=True)
class Observation:
    """
    What the program observed at the gates, the link and the clock during some time.

    Attributes
    ----------
    span_s : float
        Time for which the gates were watched [s].
    gates : tuple of two GateObservation
        Observations of gate A and of gate B.
    lines, damaged, lost_lines, board_lost, restarts : int
        Number of received lines, of damaged lines, of missing sequence numbers, of edges that
        the board dropped, and of restarts of the board.
    has_beats : bool
        True if the board sends beats and sequence numbers.
    silence_s : float
        Longest time without a beat [s].
    clock : ClockEstimate or None
        Measured rate of the board's counter; None if unknown.
    rate_error, rate_tolerance : float
        Relative error of the counter's rate that the rig states, and its half-width. The
        half-width is infinite if the rig takes the rate from the beats.
    timed, bounced : int
        Number of recent shots with a transit, and number of recent shots with a transit and a
        bounced edge.
    bounce_s : float
        Median standard uncertainty of one edge's time in the shots with a bounce [s]; 0 if no
        shot has a bounce.
    jitter_s : float
        Standard deviation of one edge's time, as the rig states it [s].
    causes : mapping of RestartCause to int
        Number of restarts for each cause that the board reported.
    """

    span_s: float
    gates: tuple[GateObservation, GateObservation] = (GateObservation(), GateObservation())
    lines: int = 0
    damaged: int = 0
    lost_lines: int = 0
    board_lost: int = 0
    restarts: int = 0
    has_beats: bool = True
    silence_s: float = 0.0
    clock: ClockEstimate | None = None
    rate_error: float = 0.0
    rate_tolerance: float = 50e-6
    timed: int = 0
    bounced: int = 0
    bounce_s: float = 0.0
    jitter_s: float = inf
    causes: Mapping[RestartCause, int] = field(default_factory=dict)

    def gate(self, name: str) -> GateObservation:
        """Return the observations of gate A or B."""
        return self.gates["AB".index(name)]

    def per_min(self, count: int) -> float:
        """Convert a number of events to events per minute."""
        return 60 * count / self.span_s if self.span_s > 0 else 0.0

    @property
    def bad_lines(self) -> int:
        """Number of damaged lines or number of lost lines, whichever is larger."""
        return max(self.damaged, self.lost_lines)

    @property
    def hidden(self) -> int:
        """Number of recent shots without a bounce."""
        return self.timed - self.bounced

    @property
    def knows_rate(self) -> bool:
        """True if the program has measured the counter's rate and knows its uncertainty."""
        return self.clock is not None and isfinite(self.clock.U95)

    @property
    def rate_off(self) -> float:
        """
        Relative difference between the counter's measured rate and the rate in the rig.

        The difference is 0 if the counter's rate was not measured.
        """
        if self.clock is None or not self.knows_rate:
            return 0.0
        return self.clock.rate_error - self.rate_error


class Aspect(StrEnum):
    """The names of the readiness checks."""

    LINK = "link"
    BEAM = "beam"
    FLICKER = "flicker"
    NOISE = "noise"
    CHATTER = "chatter"
    LINES = "lines"
    BOARD = "board"
    BEATS = "beats"
    CLOCK = "clock"
    BOUNCE = "bounce"
    JITTER = "jitter"
    BODY = "body"
    SLOPE = "slope"
    GROWTH = "growth"
    DRIFT = "drift"


@dataclass(frozen=True)
class ReadinessItem:
    """
    The result of one readiness check.

    Attributes
    ----------
    aspect : Aspect
    troubled : bool
        True if this item prevents good measurements.
    gate : str
        `A` or `B` if the check is about one gate, otherwise empty.
    setup : str
        Name of the setup if the check is about its bodies, otherwise empty.
    """

    aspect: Aspect
    troubled: bool = False
    gate: str = ""
    setup: str = ""

    @property
    def name(self) -> str:
        """The name of this readiness check, with its gate if the check is about one gate."""
        return f"{self.aspect} {self.gate}" if self.gate else str(self.aspect)


@dataclass(frozen=True)
class Readiness:
    """
    The results of all readiness checks, and the observations that the checks used.

    The gates are ready if no check found a problem.
    """

    seen: Observation
    items: tuple[ReadinessItem, ...]
    timing: TimingJitter | None = None
    """The jitter that the shots show; None if unknown."""
    lengths: dict[str, BlockedLengths] = field(default_factory=dict)
    """The body lengths that the gates measured, by the name of the setup."""
    slope: MeasuredSlope | None = None
    """The slope of the path that the shots show; None if unknown."""
    trends: tuple[LengthTrend, ...] = ()
    """How the body lengths at each gate change with speed and with time; empty if unknown."""
    rate: ShotRate | None = None
    """The counter's rate by the shots, if the beats do not tell the rate; otherwise None."""

    @property
    def ready(self) -> bool:
        """True if no check found a problem."""
        return not self.troubles

    @property
    def troubles(self) -> tuple[ReadinessItem, ...]:
        """The results of the checks that found a problem."""
        return tuple(item for item in self.items if item.troubled)

    def trend(self, item: ReadinessItem) -> LengthTrend:
        """Return how the measured body length changes, for a check of growth or drift."""
        (found,) = (
            each
            for each in self.trends
            if (_TREND_ASPECTS[each.trend], each.gate) == (item.aspect, item.gate)
        )
        return found


def judge_readiness(seen: Observation) -> Readiness:
    """Judge from the observations whether the gates, the link and the clock are ready."""
    if not seen.lines:
        return Readiness(seen, (ReadinessItem(Aspect.LINK, troubled=True),))
    gates = [item for name in "AB" for item in _gate_items(name, seen)]
    link = [
        ReadinessItem(
            Aspect.LINES, seen.bad_lines > max(FIRST_DAMAGED, LOST_SHARE * seen.lines)
        ),
    ]
    if seen.has_beats:
        link += [
            ReadinessItem(Aspect.BOARD, bool(seen.board_lost or seen.restarts)),
            ReadinessItem(Aspect.BEATS, seen.silence_s > BEAT_LIMIT_S),
        ]
    clock, bounce = (
        ReadinessItem(Aspect.CLOCK, _is_off(seen)),
        ReadinessItem(Aspect.BOUNCE, _hides_noise(seen)),
    )
    return Readiness(seen, (*gates, *link, clock, bounce))


def _gate_items(name: str, seen: Observation) -> tuple[ReadinessItem, ...]:
    gate = seen.gate(name)
    blocked = bool(gate.blocked) and gate.blocked_for_s > BLOCKED_LIMIT_S
    return (
        ReadinessItem(Aspect.BEAM, blocked, name),
        ReadinessItem(Aspect.FLICKER, gate.flicker_hz > 0, name),
        ReadinessItem(Aspect.NOISE, _is_often(gate.noise, seen, NOISE_PER_MIN), name),
        ReadinessItem(Aspect.CHATTER, _is_often(gate.chatter, seen, CHATTER_PER_MIN), name),
    )


def _is_often(count: int, seen: Observation, limit_per_min: float) -> bool:
    """Return True if there are at least two events, and more per minute than the limit."""
    return count >= 2 and seen.per_min(count) > limit_per_min


def _hides_noise(seen: Observation) -> bool:
    """Return True if noise may have shifted edges even in shots without a bounce."""
    return min(seen.bounced, seen.hidden) >= FEW_SHOTS and seen.bounce_s > seen.jitter_s


def _is_off(seen: Observation) -> bool:
    """Return True if the measured rate of the counter shows that the rig's rate is wrong."""
    if not seen.has_beats or seen.clock is None or not seen.knows_rate:
        return False
    return abs(seen.rate_off) > seen.rate_tolerance + seen.clock.U95


def with_shots(
    health: Readiness,
    timing: TimingJitter | None,
    lengths: Mapping[str, BlockedLengths],
    slope: MeasuredSlope | None = None,
    trends: tuple[LengthTrend, ...] = (),
    rate: ShotRate | None = None,
) -> Readiness:
    """
    Add checks that use the measured shots, and return all results.

    Parameters
    ----------
    health : Readiness
    timing : TimingJitter or None
        The jitter that the shots show; None if unknown.
    lengths : mapping of str to BlockedLengths
        The body lengths that the gates measured, by the name of the setup.
    slope : MeasuredSlope or None
        The slope of the path that the shots show; None if unknown.
    trends : tuple of LengthTrend
        How the body lengths at each gate change with speed and with time; empty if unknown.
    rate : ShotRate or None
        The counter's rate by the shots; None if unknown. The beats are more exact, so this rate
        is used only if the beats do not tell the rate.
    """
    items = [*health.items]
    if health.seen.knows_rate:
        rate = None
    if rate is not None:
        items = [
            ReadinessItem(Aspect.CLOCK, rate.contradicts) if i.aspect is Aspect.CLOCK else i
            for i in items
        ]
    if timing is not None:
        items.append(ReadinessItem(Aspect.JITTER, timing.states_too_little))
    items += [
        ReadinessItem(Aspect.BODY, blocking.is_off(LENGTH_TOLERANCE), setup=name)
        for name, blocking in lengths.items()
    ]
    if slope is not None:
        items.append(ReadinessItem(Aspect.SLOPE, slope.contradicts))
    told = told_trends(trends)
    items += [ReadinessItem(_TREND_ASPECTS[t.trend], t in told, t.gate) for t in trends]
    return replace(
        health,
        items=tuple(items),
        timing=timing,
        lengths=dict(lengths),
        slope=slope,
        trends=trends,
        rate=rate,
    )


_TREND_ASPECTS = {Trend.SPEED: Aspect.GROWTH, Trend.TIME: Aspect.DRIFT}
