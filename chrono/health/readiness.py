"""Whether the gates are ready: what was observed, judged item by item.

`Observation` holds plain numbers about some time of watching; `judge_readiness` decides for
each item whether it prevents good measurements. It does not know about ports and screens, and
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
"""No flying body and no person who walks by blocks a gate for longer [s]."""

NOISE_PER_MIN = 6.0
"""Lone spikes per minute and gate: at this rate one shot in 150 at 5 m/s meets one."""

CHATTER_PER_MIN = 6.0
LOST_SHARE = 1e-3
"""Share of lost or damaged lines; a shot has four lines, so this affects one shot in 250."""

FIRST_DAMAGED = 1
"""If a port is opened in the middle of a line, the first line is damaged."""

FEW_SHOTS = 3
"""At least this many shots with and without bounce are needed to call it chance."""

BEAT_LIMIT_S = 2.5
"""Longest time without a beat [s]: the board sends one per second, so two are missing."""


@dataclass(frozen=True)
class GateObservation:
    """
    What was seen of one gate.

    Attributes
    ----------
    blocked : bool or None
        Its level now, None while no line has stated it.
    blocked_for_s : float
        How long it has been blocked without a break [s], 0 if it is clear.
    flicker_hz : float
        Frequency of flicker [Hz], 0 if there is none.
    flicker_duty : float
        Blocked part of the period, 0 … 1.
    noise : int
        Lone passages too short even for the rig's fastest body.
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
    What was observed in `span_s` seconds of watching.

    Attributes
    ----------
    span_s : float
        How long the gates were watched [s].
    gates : tuple of two GateObservation
        Gates A and B.
    lines, damaged, lost_lines, board_lost, restarts : int
        Lines that arrived, unusable lines among them, missing sequence numbers, edges that the
        board dropped, restarts of the board.
    has_beats : bool
        Whether this kind of lines has beats and sequence numbers.
    silence_s : float
        Longest time without a beat [s].
    clock : ClockEstimate or None
        Rate of the counter, if it is known.
    rate_error, rate_tolerance : float
        The rig's value of that rate, relative, and its half-width; infinite if the rate is
        taken from the beats themselves.
    timed, bounced : int
        Number of the last shots with a transit, and of those with an edge that bounced.
    bounce_s : float
        Median standard uncertainty of one edge's time in the latter [s], 0 if there are none.
    jitter_s : float
        Standard deviation of one edge's time that the rig states [s].
    causes : mapping of RestartCause to int
        The restarts by the causes that the board reported.
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
        """Return what was seen of gate A or B."""
        return self.gates["AB".index(name)]

    def per_min(self, count: int) -> float:
        """Return a count as a rate per minute."""
        return 60 * count / self.span_s if self.span_s > 0 else 0.0

    @property
    def bad_lines(self) -> int:
        """Number of damaged or of lost lines, whichever is larger."""
        return max(self.damaged, self.lost_lines)

    @property
    def hidden(self) -> int:
        """Number of the last shots without a bounce: noise may have shifted them unseen."""
        return self.timed - self.bounced

    @property
    def knows_rate(self) -> bool:
        """Whether the beats give the counter's rate with an uncertainty."""
        return self.clock is not None and isfinite(self.clock.U95)

    @property
    def rate_off(self) -> float:
        """How far the rate is from the rig's value, relative; 0 while it is unknown."""
        if self.clock is None or not self.knows_rate:
            return 0.0
        return self.clock.rate_error - self.rate_error


class Aspect(StrEnum):
    """What is checked."""

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
    One thing that was checked.

    Attributes
    ----------
    aspect : Aspect
    troubled : bool
        Whether it prevents good measurements.
    gate : str
        `A` or `B` if it is about one gate, otherwise empty.
    setup : str
        The bodies' setup, if it is about bodies.
    """

    aspect: Aspect
    troubled: bool = False
    gate: str = ""
    setup: str = ""

    @property
    def name(self) -> str:
        """What was checked, and for which gate."""
        return f"{self.aspect} {self.gate}" if self.gate else str(self.aspect)


@dataclass(frozen=True)
class Readiness:
    """What was observed and all items in order; ready if none is troubled."""

    seen: Observation
    items: tuple[ReadinessItem, ...]
    timing: TimingJitter | None = None
    """The jitter that the shots show, if they do."""
    lengths: dict[str, BlockedLengths] = field(default_factory=dict)
    """The lengths of the bodies that the gates saw, by setup."""
    slope: MeasuredSlope | None = None
    """The path's slope that the shots show, if they do."""
    trends: tuple[LengthTrend, ...] = ()
    """How the lengths at each gate change with speed and in time, if the shots show it."""

    @property
    def ready(self) -> bool:
        """Whether nothing prevents good measurements."""
        return not self.troubles

    @property
    def troubles(self) -> tuple[ReadinessItem, ...]:
        """The items that prevent them."""
        return tuple(item for item in self.items if item.troubled)

    def trend(self, item: ReadinessItem) -> LengthTrend:
        """Return what an item about growth or drift was judged by."""
        (found,) = (
            each
            for each in self.trends
            if (_TREND_ASPECTS[each.trend], each.gate) == (item.aspect, item.gate)
        )
        return found


def judge_readiness(seen: Observation) -> Readiness:
    """Return the health of the gates, the link and the clock from what was observed."""
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
    """Return whether events exceed a rate per minute; a single event is not a rate."""
    return count >= 2 and seen.per_min(count) > limit_per_min


def _hides_noise(seen: Observation) -> bool:
    """Return whether some shots bounced by chance, so that others hide the same noise."""
    return min(seen.bounced, seen.hidden) >= FEW_SHOTS and seen.bounce_s > seen.jitter_s


def _is_off(seen: Observation) -> bool:
    """Return whether the counter's rate is wrong, if beats give it and it is known."""
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
    Return a readiness with the results of the shots added.

    Parameters
    ----------
    health : Readiness
    timing : TimingJitter or None
        None if the shots do not show it.
    lengths : mapping of str to BlockedLengths
        The lengths that the gates saw, by the setup's name.
    slope : MeasuredSlope or None
        None if the shots do not show it.
    trends : tuple of LengthTrend
        How the lengths change with speed and in time, as far as the shots show it.
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
