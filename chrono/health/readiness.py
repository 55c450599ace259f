"""Judge item by item from observations whether the gates are ready.

`Observation` has the numbers observed during some time. For each item `judge_readiness` decides
whether it prevents good measurements. This module knows nothing about ports and screens, and it
writes no sentences.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum
from math import inf, isfinite

from chrono.arrays.events import RestartCause
from chrono.clock.clock_rate import ClockEstimate
from chrono.measuring.length_trends import LengthTrend, Trend, told_trends
from chrono.measuring.measured_slope import MeasuredSlope
from chrono.measuring.timing_jitter import BlockedLengths, TimingJitter
from chrono.processor.passage_pairing import LENGTH_TOLERANCE

BLOCKED_LIMIT_S = 3.0
"""A flying body, or a person who walks by, never blocks a gate for longer than this [s]."""

NOISE_PER_MIN = 6.0
"""Limit for lone spikes per minute and gate. At this rate, one of 150 shots at 5 m/s is
disturbed."""

CHATTER_PER_MIN = 6.0
LOST_SHARE = 1e-3
"""Limit for the share of lost or damaged lines. A shot has four lines, so one of 250 shots is
disturbed."""

FIRST_DAMAGED = 1
"""If a port is opened in the middle of a line, the first line is damaged."""

FEW_SHOTS = 3
"""To conclude that shots bounce by chance, at least this many shots with a bounce are needed,
and as many without."""

BEAT_LIMIT_S = 2.5
"""Longest allowed time without a beat [s]. The board sends one per second, so two are then
missing."""


@dataclass(frozen=True)
class GateObservation:
    """
    The observations of one gate.

    Attributes
    ----------
    blocked : bool or None
        Present level of the gate; None while no line has stated the level.
    blocked_for_s : float
        Time for which the gate has been blocked without a break [s]; 0 if it is clear.
    flicker_hz : float
        Frequency of flicker [Hz]; 0 if there is no flicker.
    flicker_duty : float
        Blocked part of the period, 0 … 1.
    noise : int
        Number of lone passages that are too short even for the rig's fastest body.
    chatter : int
        How often the gate tripped again within the quiet time.
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
    The observations of `span_s` seconds.

    Attributes
    ----------
    span_s : float
        Time for which the gates were watched [s].
    gates : tuple of two GateObservation
        Gates A and B.
    lines, damaged, lost_lines, board_lost, restarts : int
        Numbers of arrived lines, of unusable lines among them, of missing sequence numbers,
        of edges that the board dropped, and of restarts of the board.
    has_beats : bool
        True if this kind of lines has beats and sequence numbers.
    silence_s : float
        Longest time without a beat [s].
    clock : ClockEstimate or None
        Rate of the counter, if the rate is known.
    rate_error, rate_tolerance : float
        The rig's relative value of this rate, and its half-width. The half-width is infinite
        if the rig takes the rate from the beats.
    timed, bounced : int
        Number of the last shots with a transit, and number of shots among them with an edge
        that bounced.
    bounce_s : float
        Median standard uncertainty of one edge's time in the shots that bounced [s]; 0 if no
        shot bounced.
    jitter_s : float
        Standard deviation of one edge's time that the rig states [s].
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
        """Return a count as a rate per minute."""
        return 60 * count / self.span_s if self.span_s > 0 else 0.0

    @property
    def bad_lines(self) -> int:
        """Number of damaged lines or of lost lines, whichever is larger."""
        return max(self.damaged, self.lost_lines)

    @property
    def hidden(self) -> int:
        """Number of the last shots without a bounce; noise may have shifted their edges."""
        return self.timed - self.bounced

    @property
    def knows_rate(self) -> bool:
        """True if the beats give the counter's rate with an uncertainty."""
        return self.clock is not None and isfinite(self.clock.U95)

    @property
    def rate_off(self) -> float:
        """Relative difference of the rate from the rig's value; 0 while the rate is unknown."""
        if self.clock is None or not self.knows_rate:
            return 0.0
        return self.clock.rate_error - self.rate_error


class Aspect(StrEnum):
    """The things that are checked."""

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
    The result of one check.

    Attributes
    ----------
    aspect : Aspect
    troubled : bool
        True if this item prevents good measurements.
    gate : str
        `A` or `B` if the check is about one gate, otherwise empty.
    setup : str
        The setup of the bodies, if the check is about bodies.
    """

    aspect: Aspect
    troubled: bool = False
    gate: str = ""
    setup: str = ""

    @property
    def name(self) -> str:
        """The checked aspect, and its gate."""
        return f"{self.aspect} {self.gate}" if self.gate else str(self.aspect)


@dataclass(frozen=True)
class Readiness:
    """The observations and all items in order; ready if no item is troubled."""

    seen: Observation
    items: tuple[ReadinessItem, ...]
    timing: TimingJitter | None = None
    """The jitter by the shots, if known."""
    lengths: dict[str, BlockedLengths] = field(default_factory=dict)
    """The body lengths that the gates saw, by setup."""
    slope: MeasuredSlope | None = None
    """The slope of the path by the shots, if known."""
    trends: tuple[LengthTrend, ...] = ()
    """Changes of the lengths at each gate with speed and in time, if the shots show any."""

    @property
    def ready(self) -> bool:
        """True if no item prevents good measurements."""
        return not self.troubles

    @property
    def troubles(self) -> tuple[ReadinessItem, ...]:
        """The items that prevent good measurements."""
        return tuple(item for item in self.items if item.troubled)

    def trend(self, item: ReadinessItem) -> LengthTrend:
        """Return the trend by which an item about growth or drift was judged."""
        (found,) = (
            each
            for each in self.trends
            if (_TREND_ASPECTS[each.trend], each.gate) == (item.aspect, item.gate)
        )
        return found


def judge_readiness(seen: Observation) -> Readiness:
    """Judge gates, link and clock by the observations."""
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
    """Return True if events exceed a rate per minute; a single event is not a rate."""
    return count >= 2 and seen.per_min(count) > limit_per_min


def _hides_noise(seen: Observation) -> bool:
    """Return True if some shots bounced by chance, so that other shots hide the same noise."""
    return min(seen.bounced, seen.hidden) >= FEW_SHOTS and seen.bounce_s > seen.jitter_s


def _is_off(seen: Observation) -> bool:
    """Return True if beats show that the counter's rate is wrong."""
    if not seen.has_beats or seen.clock is None or not seen.knows_rate:
        return False
    return abs(seen.rate_off) > seen.rate_tolerance + seen.clock.U95


def with_shots(
    health: Readiness,
    timing: TimingJitter | None,
    lengths: Mapping[str, BlockedLengths],
    slope: MeasuredSlope | None = None,
    trends: tuple[LengthTrend, ...] = (),
) -> Readiness:
    """
    Add the results of the shots to a readiness.

    Parameters
    ----------
    health : Readiness
    timing : TimingJitter or None
        Jitter by the shots; None if unknown.
    lengths : mapping of str to BlockedLengths
        The lengths that the gates saw, by the name of the setup.
    slope : MeasuredSlope or None
        Slope of the path by the shots; None if unknown.
    trends : tuple of LengthTrend
        Changes of the lengths with speed and in time, if the shots show any.
    """
    items = [*health.items]
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
    )


_TREND_ASPECTS = {Trend.SPEED: Aspect.GROWTH, Trend.TIME: Aspect.DRIFT}
