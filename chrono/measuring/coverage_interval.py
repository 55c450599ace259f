"""Find the interval that contains the true value with a probability of 95 %.

The module divides the possible errors into many narrow ranges (bins) and computes the
probability of each bin. The contributions must be independent. The method does not assume a
normal distribution and does not use random numbers.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
import scipy

from chrono.arrays.array_types import Floats
from chrono.measuring.error_budget import (
    COVERAGE,
    NORMAL_FACTOR,
    Contribution,
    Input,
    combined_uncertainty,
    expanded_uncertainty,
)

BINS = 2048
"""Number of bins; the relative error of the interval is then about 1e-5."""

NEGLIGIBLE = 1e-9
"""A contribution that is smaller than this part of the largest contribution is ignored."""

LEAST_U = 1e-290
"""An uncertainty below this value counts as 0, because its reciprocal would be too large for a
float."""

_CHORD_NODES = 200

_LEAST_DIVISOR = 0.1

_REACH = 4.0
"""The bins end at this multiple of U95, if the possible errors have no limit."""


def coverage_half_width(
    contributions: Sequence[Contribution], probability: float = COVERAGE
) -> float:
    """
    Return the half-width of the coverage interval; its middle is the estimate.

    Parameters
    ----------
    contributions : sequence of Contribution
        Independent contributions to one result.
    probability : float, optional
        Coverage probability.

    Returns
    -------
    float
        Half-width in the unit of the result; 0 without contributions.
    """
    parts = _not_negligible(contributions)
    if not parts:
        return 0.0
    step = 2 * _reach(parts) / BINS
    return _symmetric_quantile(_sum_probabilities(parts, step), step, probability)


def quotient_half_width(
    contributions: Sequence[Contribution], value: float, probability: float = COVERAGE
) -> float:
    """
    Return the half-width of a speed's coverage interval, also for a very uncertain transit.

    A time that is too short by the fraction z makes the speed too large by z/(1 − z). The
    probability of z is multiplied by 1/(1 − z).

    Parameters
    ----------
    contributions : sequence of Contribution
        Independent contributions to the speed.
    value : float
        The estimated speed.
    probability : float, optional
        Coverage probability.
    """
    parts = _not_negligible(contributions)
    step = 2 * _reach(parts) / BINS
    z = (np.arange(BINS) - BINS // 2) * step / value
    summed = scipy.fft.fftshift(_sum_probabilities(parts, step))
    weighed = summed / np.maximum(1 - z, _LEAST_DIVISOR)
    inside = weighed.cumsum() / weighed.sum()
    ends = z + step / value / 2
    widths = np.geomspace(1e-4, 1e2, 6000)
    upper = np.interp(widths / (1 + widths), ends, inside, left=0.0)
    with np.errstate(divide="ignore"):
        lower = np.where(widths < 1, -widths / (1 - widths), -np.inf)
    held = upper - np.interp(lower, ends, inside, left=0.0)
    return value * float(np.interp(probability, np.maximum.accumulate(held), widths))


@dataclass(frozen=True, eq=False)
class CoverageTable:
    """
    The coverage factor k for each transit in a table.

    For transits between those of the table, the error of `factor` is at most 0.2 %.

    Attributes
    ----------
    transit_s : ndarray of float64, shape (M,)
        Transits in increasing order [s].
    exact : callable
        Function that computes the factor for one transit [s]. A call takes some milliseconds.
    factors : ndarray of float64, shape (M,)
        The coverage factors. A factor that is not computed yet is NaN.
    """

    transit_s: Floats
    exact: Callable[[float], float]
    factors: Floats = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "factors", np.full(len(self.transit_s), np.nan))

    def factor(self, true_transit_s: Floats) -> Floats:
        """Return the coverage factor of each transit; the factor of a NaN transit is NaN."""
        shortest = np.fmin.reduce(true_transit_s, axis=None, initial=np.nan)
        longest = np.fmax.reduce(true_transit_s, axis=None, initial=np.nan)
        if shortest <= longest:
            self._work_out(shortest, longest)
        return np.asarray(np.interp(true_transit_s, self.transit_s, self.factors))

    def work_out_all(self) -> None:
        """Compute all coverage factors now."""
        self._work_out(self.transit_s[0], self.transit_s[-1])

    def _work_out(self, shortest_s: float, longest_s: float) -> None:
        """Compute the missing coverage factors for all transits of a range."""
        first = max(int(np.searchsorted(self.transit_s, shortest_s, "right")) - 1, 0)
        behind = int(np.searchsorted(self.transit_s, longest_s, "left")) + 1
        for place in np.flatnonzero(np.isnan(self.factors[first:behind])) + first:
            self.factors[place] = self.exact(self.transit_s[place])


def with_normal(factors: Floats, share: Floats) -> Floats:
    """
    Return the coverage factors if one more contribution is added (normal distribution).

    The interval is at most 1 % too narrow and at most 4 % too wide.

    Parameters
    ----------
    factors : ndarray of float64, shape (N,)
        Coverage factors without the added contribution.
    share : ndarray of float64, shape (N,)
        The added contribution divided by the combined standard uncertainty, 0 … 1.
    """
    others = 1 - share * share
    flat = NORMAL_FACTOR + (factors - NORMAL_FACTOR) * others * others * others
    long = np.sqrt(factors * factors * others + NORMAL_FACTOR**2 * (share * share))
    return np.where(factors < NORMAL_FACTOR, flat, long)


def _not_negligible(contributions: Sequence[Contribution]) -> list[Contribution]:
    largest = max((c.u_out for c in contributions), default=0.0)
    least = max(NEGLIGIBLE * largest, LEAST_U)
    return [c for c in contributions if c.u_out > least]


def _reach(parts: Sequence[Contribution]) -> float:
    """Return the largest error of the result for which a probability is computed."""
    return min(
        sum(_bound(c) for c in parts) * (1 + 4 / BINS),
        _REACH * max(expanded_uncertainty(parts), 2 * combined_uncertainty(parts)),
    )


def cumulative(quantity: Input, deviation: Floats) -> Floats:
    """
    Return the probability that the input is at most its estimate plus `deviation`.

    Parameters
    ----------
    quantity : Input
        The input, with u > 0.
    deviation : ndarray of float64
        Differences from the estimate, in the input's unit.
    """
    a = quantity.half_width
    match quantity.distribution:
        case "normal" if math.isinf(quantity.dof):
            return np.asarray(scipy.special.ndtr(deviation / quantity.u))
        case "normal":
            return np.asarray(scipy.special.stdtr(quantity.dof, deviation / quantity.u))
        case "rectangular":
            return np.clip((deviation / a + 1) / 2, 0.0, 1.0)
        case "triangular":
            inside = np.clip(deviation / a, -1.0, 1.0)
            return 0.5 + inside - np.sign(inside) * inside**2 / 2
        case "two-pair":
            x = np.clip(np.abs(deviation / a), 0.0, 1.0)
            near = np.minimum(x, 0.5)
            above = (1 - x) ** 3 / 3 + (1 / 6 - near / 2 + 2 * near**3 / 3)
            return np.asarray(np.where(deviation < 0, above, 1 - above))
        case "arcsine":
            return 0.5 + np.arcsin(np.clip(deviation / a, -1.0, 1.0)) / np.pi
        case "chords":
            return _chords_cumulative(deviation / a, quantity.ratio)
        case "tilt":
            half_square = np.clip(deviation + a**2 / 6, 0.0, a**2 / 2)
            return np.asarray(np.sqrt(2 * half_square) / a)


def _chords_cumulative(deviation: Floats, ratio: float) -> Floats:
    """Return the result of `cumulative` for an input that `chords` returned."""
    depth = 1 - math.sqrt(1 - ratio * ratio)
    y = (np.arange(_CHORD_NODES) + 0.5) / _CHORD_NODES
    shorter = 1 - np.sqrt(1 - (ratio * y) ** 2)
    # many deviations may be beyond the limit; equal values are computed only once
    size, place = np.unique(np.minimum(np.abs(deviation), 1.0), return_inverse=True)
    above = np.clip(size[:, np.newaxis] * depth + shorter, 0.0, depth)
    reached = np.sqrt(above * (2 - above)) / ratio
    upper = np.minimum(reached, 1.0).mean(axis=-1)[place].reshape(np.shape(deviation))
    return np.asarray(np.where(deviation < 0, 1 - upper, upper))


def _bound(contribution: Contribution) -> float:
    """Return the largest error of the result that this contribution can cause."""
    quantity = contribution.input
    match quantity.distribution:
        case "normal":
            return math.inf
        case "tilt":
            return abs(contribution.sensitivity) * quantity.half_width**2 / 3
        case _:
            return abs(contribution.sensitivity) * quantity.half_width


def _sum_probabilities(parts: Sequence[Contribution], step: float) -> Floats:
    """Return the probability of each bin for the total error; bin 0 comes first."""
    transform = np.ones(BINS // 2 + 1, np.complex128)
    for part in parts:
        transform = transform * scipy.fft.rfft(_probabilities(part, step))
    return np.asarray(scipy.fft.irfft(transform, BINS))


def _probabilities(part: Contribution, step: float) -> Floats:
    """Return the probability of each bin for one contribution; bin 0 comes first."""
    half, scale = BINS // 2, step / part.sensitivity
    if part.input.distribution == "tilt":  # the only distribution that is not symmetric
        edges = np.asarray((np.arange(BINS + 1) - half - 0.5) * scale, np.float64)
        return scipy.fft.ifftshift(np.abs(np.diff(cumulative(part.input, edges))))
    edges = np.asarray((np.arange(half + 1) + 0.5) * abs(scale), np.float64)
    above = cumulative(part.input, edges)
    positive = np.diff(above)
    return np.concatenate(([2 * above[0] - 1], positive, positive[-2::-1]))


def _symmetric_quantile(probabilities: Floats, step: float, probability: float) -> float:
    half = BINS // 2
    pairs = probabilities[1:half] + probabilities[:half:-1]
    within = np.concatenate(([0.0, probabilities[0]], probabilities[0] + np.cumsum(pairs)))
    half_widths = np.concatenate(([0.0], (np.arange(half) + 0.5) * step))
    return float(np.interp(probability, within, half_widths))
