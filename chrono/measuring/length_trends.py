"""Check whether measured body lengths grow with speed, or drift from shot to shot.

Some sensors react more slowly to light than to dark. At a higher speed they measure a longer
body. If the threshold of a sensor drifts, the measured length drifts too.

The module fits a straight line to the measured lengths. Lengths with a smaller uncertainty have
more weight. A t test checks the slope of the line.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
import scipy

from chrono.arrays.array_types import Floats, Places

RISK = 0.01
"""Risk of a false alarm: a check reports a trend although the session is clean."""
LOOKS = 4
"""Number of checks: one for growth and one for drift, at each of two gates. The risk is divided
equally among the checks (Bonferroni).
"""
LEAST_DOF = 4
"""Smallest number of degrees of freedom. With fewer degrees of freedom, the computed scatter
may be wrong by a factor of four."""
BLURRED = 0.1
"""Largest part of the variance of the speeds that measurement errors may cause. If measurement
errors cause a larger part, the program does not report a growth of the length.
"""


class Trend(StrEnum):
    """The cause of a change of the measured length."""

    SPEED = "speed"
    TIME = "time"


@dataclass(frozen=True)
class LengthTrend:
    """
    How the measured length at one gate changes with the speed or from shot to shot.

    Attributes
    ----------
    trend : Trend
    gate : str
        `A` or `B`.
    shots : int
    slope, U_slope : float
        Change of the length per speed [s], or per shot [m]. `U_slope` is the largest slope that
        chance and the rig's uncertainty can explain.
    change_m : float
        Total change of the length, from the slowest to the fastest shot or from the first to
        the last [m].
    """

    trend: Trend
    gate: str
    shots: int
    slope: float
    U_slope: float
    change_m: float

    @property
    def seen(self) -> bool:
        """True if chance and the rig's uncertainty cannot explain the change of the length."""
        return abs(self.slope) > self.U_slope


def told_trends(trends: Sequence[LengthTrend]) -> tuple[LengthTrend, ...]:
    """
    Return the trends of the measured lengths that the program should report to the user.

    If both gates show a growth with the speed, only the larger growth is returned.
    """
    seen = [each for each in trends if each.seen]
    grows = [each for each in seen if each.trend is Trend.SPEED]
    most = max(grows, key=lambda each: abs(each.slope), default=None)
    return tuple(each for each in seen if each is most or each not in grows)


@dataclass(frozen=True)
class SeenLengths:
    """
    The lengths that one gate measured (only shots without problems).

    Attributes
    ----------
    gate : str
    length_m, speed_mps : ndarray of float64, shape (N,)
        Measured length [m], and speed midway between the gates [m/s].
    u_timing_m, u_speed_mps : ndarray of float64, shape (N,)
        Standard deviations of a length [m] and of a speed [m/s], caused by counter and jitter.
    allowed_m : sequence of ndarray of float64, shape (N,)
        One array for each uncertain value of the rig. The array contains the change that this
        value may cause in the length of each shot [m].
    reach_m : float
        Largest difference from the mean length if a body crosses the beam off its middle [m].
        It does not depend on the speed.
    drift_m : float
        Largest total drift of lengths that the rig's stated values still allow [m].
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
    Return the growth of the measured length with the speed, or None for too few shots.

    Parameters
    ----------
    seen : SeenLengths
    body : ndarray of int, shape (N,)
        Number of the body of each shot.
    """
    fit = _fit(seen, seen.speed_mps, body)
    if fit is None:
        return None
    blur = float(fit.part @ np.square(seen.u_speed_mps)) / fit.spread**2
    if blur > BLURRED:
        return None
    # lengths are computed from the speeds, so they have the same errors
    blurred_s = blur * float(np.mean(seen.length_m / seen.speed_mps))
    aside_s = seen.reach_m * float(np.sum(np.abs(fit.weights)))
    return _trend(Trend.SPEED, seen, fit, (blurred_s, aside_s), np.ptp(seen.speed_mps))


def drift_in_time(seen: SeenLengths, setup: Places) -> LengthTrend | None:
    """
    Return the drift of the length from shot to shot, or None if the shots are not sufficient.

    Parameters
    ----------
    seen : SeenLengths
        Lengths of the shots, in order.
    setup : ndarray of int, shape (N,)
        Number of the setup of each shot. A different setup may have a different aim.
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
    """A factor for each length; the slope is the sum of all products of factor and length."""
    part: Floats
    """The weight of each shot; the sum of all weights is 1."""
    spread: float
    """Weighted standard deviation of the variable (speed or shot number) within its groups."""


def _fit(seen: SeenLengths, x: Floats, group: Places) -> _Fit | None:
    """Fit one straight line to the lengths of each group; all lines have the same slope."""
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
    # if shots are equal, the counter's steps may cause no scatter
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
