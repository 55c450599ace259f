"""Whether the gates are ready: what was observed, judged item by item.

`Observation` holds plain numbers about a stretch of watching; `judge_readiness` decides for
each item whether it is in the way of clocking. Knows nothing of ports and screens, and writes
no sentences.
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
"""No body and no passer-by blocks a gate for longer."""

NOISE_PER_MIN = 6.0
"""Lone spikes a minute and gate: at this rate one shot in 150 at 5 m/s meets one."""

CHATTER_PER_MIN = 6.0
LOST_SHARE = 1e-3
"""Lost or damaged lines; a shot has four, so one shot in 250 would be touched."""

FIRST_DAMAGED = 1
"""A port opened in the middle of a line begins with a damaged one."""

FEW_SHOTS = 3
"""So many shots that bounced, and that did not, are needed to speak of chance."""

BEAT_LIMIT_S = 2.5
"""The board sends a beat a second: two in a row are missing."""


@dataclass(frozen=True)
class GateObservation:
    """
    What was seen of one gate.

    Attributes
    ----------
    blocked : bool or None
        Its level now, None while no line has said it.
    blocked_for_s : float
        For how long it has been blocked without a break [s], 0 if it is clear.
    flicker_hz : float
        Frequency of periodic tripping [Hz], 0 without.
    flicker_duty : float
        Blocked part of the period, 0 … 1.
    noise : int
        Lone passages shorter than the fastest body of the rig could make.
    chatter : int
        Times the gate tripped again within the quiet time.
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
        Length of the stretch [s].
    gates : tuple of two GateObservation
        Gates A and B.
    lines, damaged, lost_lines, board_lost, restarts : int
        Lines that arrived, those of them unusable, numbers missing in their sequence, edges
        the board dropped, restarts of the board.
    has_beats : bool
        Whether this kind of lines has beats and sequence numbers.
    silence_s : float
        Longest time without a beat [s].
    clock : ClockEstimate or None
        Rate of the counter where it is known.
    rate_error, rate_tolerance : float
        What the rig says of that rate, relative, and the half-width that it allows; infinite
        where the rate is taken from the beats themselves.
    timed, bounced : int
        The last shots with a transit, and those of them of which an edge bounced.
    bounce_s : float
        Standard uncertainty of one edge's time in the median of these [s], 0 without them.
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
        """Return how often a minute something happened that was counted so often."""
        return 60 * count / self.span_s if self.span_s > 0 else 0.0

    @property
    def bad_lines(self) -> int:
        """Lines damaged or lost, whichever are more."""
        return max(self.damaged, self.lost_lines)

    @property
    def hidden(self) -> int:
        """The last shots of which no edge bounced: noise may have moved these unseen."""
        return self.timed - self.bounced

    @property
    def knows_rate(self) -> bool:
        """Whether the beats tell the counter's rate with an uncertainty."""
        return self.clock is not None and isfinite(self.clock.U95)

    @property
    def rate_off(self) -> float:
        """How far the rate is from what the rig says, relative; 0 while it is not known."""
        if self.clock is None or not self.knows_rate:
            return 0.0
        return self.clock.rate_error - self.rate_error


class Aspect(StrEnum):
    """What is looked at."""

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
    One thing that was looked at.

    Attributes
    ----------
    aspect : Aspect
    troubled : bool
        Whether it stands against clocking.
    gate : str
        `A` or `B` where it is one gate's, else empty.
    setup : str
        Whose bodies, where it is about bodies.
    """

    aspect: Aspect
    troubled: bool = False
    gate: str = ""
    setup: str = ""

    @property
    def name(self) -> str:
        """What was looked at, and of which gate."""
        return f"{self.aspect} {self.gate}" if self.gate else str(self.aspect)


@dataclass(frozen=True)
class Readiness:
    """What was observed and all items in order; ready if none is troubled."""

    seen: Observation
    items: tuple[ReadinessItem, ...]
    timing: TimingJitter | None = None
    """What the shots tell of the jitter, where they do."""
    lengths: dict[str, BlockedLengths] = field(default_factory=dict)
    """What the gates saw of the bodies, by setup."""
    slope: MeasuredSlope | None = None
    """What the shots tell of the path's slope, where they do."""
    trends: tuple[LengthTrend, ...] = ()
    """How the lengths at each gate go with speed and in time, where the shots tell it."""

    @property
    def ready(self) -> bool:
        """Whether nothing stands against clocking."""
        return not self.troubles

    @property
    def troubles(self) -> tuple[ReadinessItem, ...]:
        """The items that stand against it."""
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
    """Judge events a minute; one alone is no rate."""
    return count >= 2 and seen.per_min(count) > limit_per_min


def _hides_noise(seen: Observation) -> bool:
    """Judge whether shots that bounced by chance tell of noise that the others hide."""
    return min(seen.bounced, seen.hidden) >= FEW_SHOTS and seen.bounce_s > seen.jitter_s


def _is_off(seen: Observation) -> bool:
    """Judge the counter's rate, where lines of this kind tell it and it is known."""
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
    Return a health with what the shots tell added.

    Parameters
    ----------
    health : Readiness
    timing : TimingJitter or None
        None where they do not tell it.
    lengths : mapping of str to BlockedLengths
        What the gates saw of each setup's bodies, by the setup's name.
    slope : MeasuredSlope or None
        None where they do not tell it.
    trends : tuple of LengthTrend
        How the lengths go with speed and in time, as far as they tell it.
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
