"""Describe the scatter of a setup's shots: standard deviation s, drift and outliers.

The program suggests outliers to the user and never removes them. Rosner's test finds the
outliers (NIST e-Handbook 1.3.5.17.3).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import scipy

from chrono.arrays.array_types import Floats
from chrono.measuring.error_budget import COVERAGE, coverage_factor
from chrono.measuring.series_statistics import Sample, mean_and_s, s_interval

RISK = 0.03
"""Nominal risk of a false alarm in a series without outliers. The true risk is below 5 %."""
LEAST_VALUES = 5
"""Smallest number of values for a test of outliers."""
CANDIDATE_SHARE = 5
"""At most one value in five may be an outlier. If more values are far from the others, they are
probably a second kind of shot."""
MOST_CANDIDATES = 30
"""Largest number of possible outliers."""


def suspicious(values: Floats, risk: float = RISK) -> list[int]:
    """
    Return the positions of possible outliers; the value farthest from the mean comes first.

    Parameters
    ----------
    values : ndarray of float64, shape (N,)
    risk : float, optional
        Probability of a false alarm for a sample with a normal distribution.
    """
    n = len(values)
    if n < LEAST_VALUES:
        return []
    return generalised_esd(values, min(max(n // CANDIDATE_SHARE, 1), MOST_CANDIDATES), risk)


def generalised_esd(values: Floats, candidates: int, risk: float = 0.05) -> list[int]:
    """Return the positions of the outliers that Rosner's test (1983) finds."""
    n, found = len(values), 0
    places, statistics = extreme_deviates(values, candidates)
    for i, deviate in enumerate(statistics, 1):
        if deviate > critical_deviate(n - i + 1, risk):
            found = i
    return places[:found]


def extreme_deviates(values: Floats, candidates: int) -> tuple[list[int], list[float]]:
    """
    Return the positions and |x − x̄|/s of the values x that are farthest from the mean x̄.

    The function removes each found value before it searches for the next value.
    """
    order = np.argsort(values, kind="stable")
    rest = values[order]  # the furthest value is at one end of the sorted values
    first = 0
    places: list[int] = []
    deviates: list[float] = []
    for _ in range(min(candidates, len(values) - 2)):
        mean, s = float(np.mean(rest)), float(np.std(rest, ddof=1))
        if s == 0:
            break
        below, above = mean - float(rest[0]), float(rest[-1]) - mean
        low = below >= above
        places.append(int(order[first if low else first + len(rest) - 1]))
        deviates.append(max(below, above) / s)
        first += low
        rest = rest[1:] if low else rest[:-1]
    return places, deviates


def critical_deviate(n: int, risk: float = 0.05, sides: int = 2) -> float:
    """
    Return how many standard deviations a value may be away from the mean of n values.

    `risk` is the probability that any of n normally distributed values is farther away.
    """
    t = float(scipy.special.stdtrit(n - 2, 1 - risk / (sides * n)))
    return (n - 1) * t / math.sqrt(n * (n - 2 + t * t))


LEAST_FOR_SHAPE = 8
"""Smallest number of shots for a test of the shape of their distribution."""


@dataclass(frozen=True)
class Drift:
    """
    Change of the speed from shot to shot, with its 95 % interval [m/s per shot].

    Attributes
    ----------
    slope_mps, low_mps, high_mps : float
    shots : int
        Number of shots from the first to the last.
    """

    slope_mps: float
    low_mps: float
    high_mps: float
    shots: int

    @property
    def seen(self) -> bool:
        """True if chance alone causes a drift this large in fewer than 1 of 20 series."""
        return not self.low_mps <= 0 <= self.high_mps


@dataclass(frozen=True)
class Scatter:
    """
    Scatter of the shots of one setup.

    A value is NaN if there are too few shots to compute it.

    Attributes
    ----------
    s_low_mps, s_high_mps : float
        95 % interval of the standard deviation s [m/s].
    instrument_s_mps : float
        Root mean square of the random uncertainties of the shots [m/s].
    launcher_s_mps, launcher_low_mps, launcher_high_mps : float
        Standard deviation of the launcher alone, √(s² − instrument²), and its interval [m/s];
        0 if the instrument's part is larger than s.
    slowest, fastest : int
        Numbers of the slowest and the fastest shot.
    drift : Drift or None
        None for fewer than four shots.
    suspicious : tuple of int
        Numbers of shots that do not fit the other shots, the farthest from the mean first.
    normal_p : float
        p-value of the test for a normal distribution (see the function `normal_p`).
    """

    s_low_mps: float
    s_high_mps: float
    instrument_s_mps: float
    launcher_s_mps: float
    launcher_low_mps: float
    launcher_high_mps: float
    slowest: int
    fastest: int
    drift: Drift | None
    suspicious: tuple[int, ...]
    normal_p: float


def scatter_of(sample: Sample) -> Scatter | None:
    """Return the scatter of a sample of shots, or None for fewer than two shots."""
    n = len(sample.speed_mps)
    if n < 2:
        return None
    _, s = mean_and_s(sample.speed_mps)
    low, high = s_interval(s, n)
    own = math.sqrt(float(np.mean(sample.u_random_mps**2)))
    return Scatter(
        s_low_mps=low,
        s_high_mps=high,
        instrument_s_mps=own,
        launcher_s_mps=_without(s, own),
        launcher_low_mps=_without(low, own),
        launcher_high_mps=_without(high, own),
        slowest=int(sample.number[np.argmin(sample.speed_mps)]),
        fastest=int(sample.number[np.argmax(sample.speed_mps)]),
        drift=drift_of([sample]),
        suspicious=tuple(int(sample.number[i]) for i in suspicious(sample.speed_mps)),
        normal_p=normal_p(sample.speed_mps),
    )


def _without(s: float, own: float) -> float:
    return math.sqrt(max(s * s - own * own, 0.0))


def drift_of(samples: Sequence[Sample]) -> Drift | None:
    """
    Fit the same drift of the speed to several samples; each sample keeps its own mean.

    The drift is the slope of the best straight line (least squares). The result is None if
    fewer than two degrees of freedom are left.
    """
    samples = [sample for sample in samples if len(sample.number)]
    dof = sum(len(sample.number) for sample in samples) - len(samples) - 1
    if dof < 2:
        return None
    numbers = [sample.number.astype(np.float64) for sample in samples]
    x = np.concatenate([number - number.mean() for number in numbers])
    y = np.concatenate([each.speed_mps - each.speed_mps.mean() for each in samples])
    squares = float(x @ x)
    if squares == 0:
        return None
    slope = float(x @ y) / squares
    residual = math.sqrt(float(np.sum((y - slope * x) ** 2)) / dof)
    half = coverage_factor(dof, COVERAGE) * residual / math.sqrt(squares)
    span = int(max(n[-1] for n in numbers) - min(n[0] for n in numbers)) + 1
    return Drift(slope, slope - half, slope + half, span)


def normal_p(values: Floats) -> float:
    """
    Return the p-value of the Anderson-Darling test for a normal distribution.

    The result is NaN if there are too few values, or if all values are equal. The formulas are
    from D'Agostino and Stephens, Goodness-of-Fit Techniques (1986), table 4.9.
    """
    n = len(values)
    if n < LEAST_FOR_SHAPE or np.ptp(values) == 0:
        return math.nan
    a = anderson_darling(values) * (1 + 0.75 / n + 2.25 / n**2)
    if a < 0.2:
        return 1 - math.exp(-13.436 + 101.14 * a - 223.73 * a * a)
    if a < 0.34:
        return 1 - math.exp(-8.318 + 42.796 * a - 59.938 * a * a)
    if a < 0.6:
        return math.exp(0.9177 - 4.279 * a - 1.38 * a * a)
    return math.exp(1.2937 - 5.709 * a + 0.0186 * a * a) if a < 10 else 0.0


def anderson_darling(values: Floats) -> float:
    """Return the Anderson-Darling statistic A² (NIST e-Handbook 1.3.5.14)."""
    n = len(values)
    mean, s = mean_and_s(values)
    z = np.sort((values - mean) / s)
    tails = scipy.special.log_ndtr(z) + scipy.special.log_ndtr(-z[::-1])
    return float(-n - (2 * np.arange(1, n + 1) - 1) @ tails / n)


LEAST_FOR_RATIO = 5
"""Smallest number of shots for an interval of the ratio of two standard deviations."""


def s_ratio_intervals(
    samples: Sequence[Floats], probability: float = COVERAGE
) -> dict[tuple[int, int], tuple[float, float]]:
    """
    Compare the standard deviations σ of each pair of setups.

    Parameters
    ----------
    samples : sequence of ndarray of float64
        Speeds of each setup. Setups with fewer than `LEAST_FOR_RATIO` values, or with only
        equal values, are in no pair.
    probability : float, optional
        Probability that all intervals contain the true ratio (Bonferroni).

    Returns
    -------
    dict of (int, int) to (float, float)
        Interval of σ_second/σ_first for each pair of positions (first setup, second setup).

    Notes
    -----
    Bonett, Applied Psychological Measurement 30 (2006) 432. ln σ² has the variance
    (γ − (n − 3)/n)/(n − 1), where γ is the kurtosis about the trimmed means, from all setups
    together. All setups must have equal kurtosis.
    """
    judged = [
        place
        for place, values in enumerate(samples)
        if len(values) >= LEAST_FOR_RATIO and np.ptp(values) > 0
    ]
    pairs = list(combinations(judged, 2))
    if not pairs:
        return {}
    z = -float(scipy.special.ndtri((1 - probability) / len(pairs) / 2))
    used = [samples[place] for place in judged]
    squares = sum(float(np.sum((each - each.mean()) ** 2)) for each in used)
    fourths = sum(float(np.sum((each - trimmed_mean(each)) ** 4)) for each in used)
    kurtosis = sum(len(each) for each in used) * fourths / squares**2
    found = {}
    for first, second in pairs:
        logs, errors = zip(
            *(_log_variance(samples[i], kurtosis, z) for i in (first, second)), strict=True
        )
        middle, half = logs[1] - logs[0], z * math.hypot(*errors)
        found[first, second] = math.exp((middle - half) / 2), math.exp((middle + half) / 2)
    return found


def _log_variance(values: Floats, kurtosis: float, z: float) -> tuple[float, float]:
    """Return ln(variance) and its standard uncertainty (Bonett)."""
    n = len(values)
    spread = float(np.var(values, ddof=1)) * n / (n - z)
    return math.log(spread), math.sqrt((kurtosis - (n - 3) / n) / (n - 1))


def trimmed_mean(values: Floats) -> float:
    """
    Leave out the smallest and the largest values, and return the mean of the others (Bonett).

    At each end, n/(2·√(n − 4)) of the n values are left out (rounded down).
    """
    n = len(values)
    cut = min(int(n / (2 * math.sqrt(n - 4))), (n - 1) // 2)
    return float(np.mean(np.sort(values)[cut : n - cut]))
