"""Three setups and more: one-way analysis of variance, and Tukey's intervals of all pairs."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import scipy

from chrono.arrays.array_types import Floats
from chrono.measuring.budget import COVERAGE
from chrono.measuring.statistics import mean_and_s

_MANY = 100_000
"""Degrees of freedom at which a studentised range is one of normal values."""


@dataclass(frozen=True)
class OneWay:
    """
    One-way analysis of variance (NIST e-Handbook 7.4.3).

    Attributes
    ----------
    between_squares, within_squares : float
        Sums of squares [unit²].
    between_dof, within_dof : int
    F : float
        Ratio of the mean squares, infinite where no group scatters.
    p_value : float
        Probability of an F this large if all groups had the same mean.
    residual_s : float
        Standard deviation within the groups [unit].
    """

    between_squares: float
    within_squares: float
    between_dof: int
    within_dof: int
    F: float
    p_value: float
    residual_s: float


def one_way(groups: Sequence[Floats]) -> OneWay | None:
    """Return the analysis of variance of groups, None where no scatter can be known."""
    total = sum(len(group) for group in groups)
    between_dof, within_dof = len(groups) - 1, total - len(groups)
    if between_dof < 1 or within_dof < 1 or not all(len(group) for group in groups):
        return None
    # Leading digits that all values share are taken off first, exactly.
    origin = float(groups[0][0])
    shifted = [group - origin for group in groups]
    means = [mean_and_s(group)[0] for group in shifted]
    grand = math.fsum(math.fsum(group) for group in shifted) / total
    between = math.fsum(len(g) * (m - grand) ** 2 for g, m in zip(shifted, means, strict=True))
    within = math.fsum(
        math.fsum((group - mean) ** 2) for group, mean in zip(shifted, means, strict=True)
    )
    residual = within / within_dof
    ratio = between / between_dof / residual if residual else math.inf
    p_value = float(scipy.special.fdtrc(between_dof, within_dof, ratio)) if residual else 0.0
    return OneWay(between, within, between_dof, within_dof, ratio, p_value, math.sqrt(residual))


@dataclass(frozen=True)
class TukeyInterval:
    """Mean of group `second` less that of `first`, its interval among all pairs, p adjusted."""

    first: int
    second: int
    difference: float
    low: float
    high: float
    p_value: float


def tukey_intervals(
    groups: Sequence[Floats],
    shared: Sequence[tuple[float, float]] | None = None,
    probability: float = COVERAGE,
) -> list[TukeyInterval]:
    """
    Return the intervals of all differences, all true at once with `probability`.

    Tukey's, for unequal numbers Kramer's (NIST e-Handbook 7.4.7.1): equal spread is assumed.

    Parameters
    ----------
    groups : sequence of ndarray of float64
    shared : sequence of (float, float), optional
        For each pair, in order, the standard uncertainty that both means do not share, and
        the relative one of the scale that they do. Its half-width, by the range of normal
        values, combines with the random one in quadrature.
    probability : float, optional
    """
    analysis = one_way(groups)
    if analysis is None or analysis.residual_s == 0:
        return []
    from scipy.stats import studentized_range  # slow to load, and for this alone

    shape = (len(groups), analysis.within_dof)
    q = float(studentized_range.ppf(probability, *shape))
    q_normal = float(studentized_range.ppf(probability, len(groups), _MANY)) if shared else 0.0
    found = []
    pairs = list(combinations(range(len(groups)), 2))
    for (first, second), (apart, scale) in zip(
        pairs, shared or [(0.0, 0.0)] * len(pairs), strict=True
    ):
        a, b = groups[first], groups[second]
        u = analysis.residual_s * math.sqrt((1 / len(a) + 1 / len(b)) / 2)
        difference = mean_and_s(b)[0] - mean_and_s(a)[0]
        common = math.hypot(apart, scale * difference) / math.sqrt(2)
        half = math.hypot(q * u, q_normal * common)
        if_equal = math.hypot(u, apart / math.sqrt(2))
        p_value = float(studentized_range.sf(abs(difference) / if_equal, *shape))
        low, high = difference - half, difference + half
        found.append(TukeyInterval(first, second, difference, low, high, p_value))
    return found
