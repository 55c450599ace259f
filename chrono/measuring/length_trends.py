"""Lengths that both gates see of bodies: do they grow with speed, or drift from shot to shot?

A body's length is its own. A sensor that answers more slowly to light than to dark, or a slow
one with its threshold off half the light, blocks longer by a time s: the length seen grows by
v·s. A threshold that drifts moves both ends of what is seen. Both are told by a weighted least
squares line through the lengths, each kind of body with a mean of its own, and Student's t.
What the rig allows (delays, slope, drag, bodies off their middle) is added to what chance does.

A difference δ of the gates' delays makes speeds wrong, and with them the lengths at both
gates, by v·δ·ℓ/d: a growth at one gate need not be that gate's. Delays that are alike at all
four edges change nothing.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
import scipy

from chrono.arrays.array_types import Floats, Places

RISK = 0.01
"""Of telling anything of a clean session, all looks together."""
LOOKS = 4
"""Growth and drift, at each of two gates: each look has its part of the risk (Bonferroni)."""
LEAST_DOF = 4
"""Fewer degrees of freedom leave the scatter open to a factor of four."""
BLURRED = 0.1
"""A larger part of the speeds' spread by their own errors: how lengths grow is not told."""


class Trend(StrEnum):
    """What lengths go with."""

    SPEED = "speed"
    TIME = "time"


@dataclass(frozen=True)
class LengthTrend:
    """
    How the lengths at one gate go with speed, or from shot to shot.

    Attributes
    ----------
    trend : Trend
    gate : str
        `A` or `B`.
    shots : int
    slope, U_slope : float
        Length per speed [s], or per shot [m]; and how much of it chance and what the rig
        allows may explain.
    change_m : float
        What that comes to, from the slowest to the fastest or from the first to the last [m].
    """

    trend: Trend
    gate: str
    shots: int
    slope: float
    U_slope: float
    change_m: float

    @property
    def seen(self) -> bool:
        """Whether neither chance nor what the rig allows explains it."""
        return abs(self.slope) > self.U_slope


def told_trends(trends: Sequence[LengthTrend]) -> tuple[LengthTrend, ...]:
    """Return what is to be said: of lengths that grow those at the gate where they do most."""
    seen = [each for each in trends if each.seen]
    grows = [each for each in seen if each.trend is Trend.SPEED]
    most = max(grows, key=lambda each: abs(each.slope), default=None)
    return tuple(each for each in seen if each is most or each not in grows)


@dataclass(frozen=True)
class SeenLengths:
    """
    What one gate saw of clean shots, and what a sound rig lets lengths do.

    Attributes
    ----------
    gate : str
    length_m, speed_mps : ndarray of float64, shape (N,)
        Length seen [m]; speed midway [m/s].
    u_timing_m, u_speed_mps : ndarray of float64, shape (N,)
        Standard deviations by counter and jitter: of a length [m], of a speed [m/s].
    allowed_m : sequence of ndarray of float64, shape (N,)
        What each thing that the rig does not know may add to the lengths of all shots [m],
        in proportion to these.
    reach_m : float
        How far a body off its middle may be from the mean length, at any speed [m].
    drift_m : float
        How far lengths may drift in all, each still as the rig states it [m].
    """

    gate: str
    length_m: Floats
    speed_mps: Floats
    u_timing_m: Floats
    u_speed_mps: Floats
    allowed_m: Sequence[Floats]
    reach_m: float
    drift_m: float


def growth_with_speed(seen: SeenLengths, body: Places) -> LengthTrend | None:
    """
    Return how lengths grow with speed, None where the shots do not tell it.

    Parameters
    ----------
    seen : SeenLengths
    body : ndarray of int, shape (N,)
        Which body each shot had.
    """
    fit = _fit(seen, seen.speed_mps, body)
    if fit is None:
        return None
    blur = float(fit.part @ np.square(seen.u_speed_mps)) / fit.spread**2
    if blur > BLURRED:
        return None
    # lengths are made of the speeds, and share their errors
    blurred_s = blur * float(np.mean(seen.length_m / seen.speed_mps))
    aside_s = seen.reach_m * float(np.sum(np.abs(fit.weights)))
    return _trend(Trend.SPEED, seen, fit, (blurred_s, aside_s), np.ptp(seen.speed_mps))


def drift_in_time(seen: SeenLengths, setup: Places) -> LengthTrend | None:
    """
    Return how lengths drift from shot to shot, None where the shots do not tell it.

    Parameters
    ----------
    seen : SeenLengths
        Of shots in their order.
    setup : ndarray of int, shape (N,)
        Which setup each shot had: another one may aim otherwise.
    """
    order = np.arange(len(seen.length_m), dtype=np.float64)
    fit = _fit(seen, order, setup)
    if fit is None:
        return None
    found = _trend(Trend.TIME, seen, fit, (), len(order) - 1)
    return replace(found, U_slope=max(found.U_slope, seen.drift_m / (len(order) - 1)))


@dataclass(frozen=True)
class _Fit:
    slope: float
    random: float
    t: float
    weights: Floats
    """The slope is their sum with the lengths."""
    part: Floats
    """Each shot's weight, their sum 1."""
    spread: float
    """Weighted standard deviation of what lengths go with, within its groups."""


def _fit(seen: SeenLengths, x: Floats, group: Places) -> _Fit | None:
    """Fit a line with a mean of its own for each group."""
    groups, place = np.unique(group, return_inverse=True)
    dof = len(x) - len(groups) - 1
    if dof < LEAST_DOF:
        return None
    variance = np.square(seen.u_timing_m) + (seen.reach_m / 2) ** 2
    part = 1 / variance
    part /= part.sum()

    def within(values: Floats) -> Floats:
        sums = np.bincount(place, part * values), np.bincount(place, part)
        return np.asarray(values - (sums[0] / sums[1])[place])

    centred = within(x)
    squares = float(part @ centred**2)
    if squares <= 1e-12 * float(np.mean(x * x)):
        return None
    weights = part * centred / squares
    slope = float(weights @ seen.length_m)
    rest = within(seen.length_m) - slope * centred
    by_line = math.sqrt(float(part @ rest**2) / dof / squares)
    # equal shots may not show the counter's steps at all
    by_timing = math.sqrt(float(np.square(weights) @ np.square(seen.u_timing_m)))
    t = float(scipy.special.stdtrit(dof, 1 - RISK / LOOKS / 2))
    return _Fit(slope, max(by_line, by_timing), t, weights, part, math.sqrt(squares))


def _trend(
    trend: Trend, seen: SeenLengths, fit: _Fit, further: Sequence[float], reach: float
) -> LengthTrend:
    bounds = [abs(float(fit.weights @ allowed)) for allowed in seen.allowed_m]
    U_slope = fit.t * fit.random + math.hypot(*bounds, *further)  # noqa: N806
    change_m = fit.slope * float(reach)
    return LengthTrend(trend, seen.gate, len(seen.length_m), fit.slope, U_slope, change_m)
