"""Compute the statistics of a series of shots, from one recording or from several recordings.

The random part of the mean's uncertainty decreases with the number n of shots, as 1/√n. The
shared part comes from errors that are the same in all shots of one rig, so more shots do not
reduce the shared part. The errors of different rigs are independent (see `pooled_sample`).
ISO 3534 defines the mean, the sample standard deviation s, the range and the median.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import scipy

from chrono.arrays.array_types import Floats, Ints
from chrono.measuring.coverage_interval import coverage_half_width
from chrono.measuring.error_budget import (
    COVERAGE,
    Contribution,
    combined_uncertainty,
    coverage_factor,
    effective_dof,
    normal,
)


@dataclass(frozen=True, eq=False)
class Sample:
    """
    The counted shots of one setup, in the order of the session.

    Attributes
    ----------
    number : ndarray of int64, shape (N,)
        Numbers of the shots in the session, from 1.
    speed_mps, u_random_mps, u_shared_mps : ndarray of float64, shape (N,)
        Speeds, and the random and the shared part of their uncertainties [m/s].
    U95_mps : ndarray of float64, shape (N,), or None
        U95 of each shot [m/s].
    shared : tuple of Contribution
        The contributions to the shared part at the mean speed. If empty, the shared part has a
        normal distribution.
    bodies : frozenset of (float, float)
        Mass [kg] and diameter [m] of each different body. Empty if the bodies are not known.
    """

    number: Ints
    speed_mps: Floats
    u_random_mps: Floats
    u_shared_mps: Floats
    U95_mps: Floats | None = None
    shared: tuple[Contribution, ...] = ()
    bodies: frozenset[tuple[float, float]] = frozenset()


@dataclass(frozen=True)
class Series:
    """
    Statistics of the counted shots of one setup.

    A value is NaN if there are too few shots to compute it.

    Attributes
    ----------
    n : int
        Number of shots.
    own_random_mps : float
        Root mean square of the random uncertainties of the shots [m/s].
    mean_mps, median_mps, min_mps, max_mps : float
        Mean, median, lowest and highest speed [m/s].
    range_mps, s_mps : float
        Range and sample standard deviation [m/s], NaN for one shot.
    u_random_mean_mps : float
        Random part of the mean's uncertainty [m/s]: s or `own_random_mps`, divided by √n. The
        value with the wider interval is used.
    random_dof : float
        Degrees of freedom of the random part: n − 1 if it comes from s, otherwise infinity.
    U95_random_mean_mps : float
        Half-width of the random part's 95 % interval, t(random_dof)·u [m/s].
    u_shared_mean_mps : float
        Shared part of the mean's uncertainty: the mean of the shots' shared parts [m/s].
    U95_shared_mean_mps : float
        Half-width of the shared part's 95 % interval [m/s].
    u_mean_mps : float
        Random and shared part combined [m/s].
    dof : float
        Effective degrees of freedom of `u_mean_mps` (Welch and Satterthwaite).
    U95_mean_mps : float
        Expanded uncertainty of the mean [m/s], see `mean_half_width`; for a single shot, the
        uncertainty of that shot.
    ci_low_mps, ci_high_mps : float
        95 % interval of the mean from the scatter alone, mean ± t·s/√n [m/s].
    """

    n: int
    own_random_mps: float
    mean_mps: float
    median_mps: float
    min_mps: float
    max_mps: float
    range_mps: float
    s_mps: float
    u_random_mean_mps: float
    random_dof: float
    U95_random_mean_mps: float
    u_shared_mean_mps: float
    U95_shared_mean_mps: float
    u_mean_mps: float
    dof: float
    U95_mean_mps: float
    ci_low_mps: float
    ci_high_mps: float

    @property
    def k(self) -> float:
        """Coverage factor U95/u of the mean; NaN if u is 0 or unknown."""
        return self.U95_mean_mps / self.u_mean_mps if self.u_mean_mps else math.nan


def series_of(sample: Sample) -> Series | None:
    """
    Return the statistics of a sample.

    If the sample has only one shot, the mean has the uncertainty of this shot.
    """
    series = series_statistics(
        sample.speed_mps, sample.u_random_mps, sample.u_shared_mps, sample.shared
    )
    if series is not None and series.n == 1 and sample.U95_mps is not None:
        return replace(series, U95_mean_mps=float(sample.U95_mps[0]))
    return series


def series_statistics(
    speed_mps: Floats,
    u_random_mps: Floats,
    u_shared_mps: Floats,
    shared: Sequence[Contribution] = (),
) -> Series | None:
    """
    Return the statistics of a series of shots.

    Parameters
    ----------
    speed_mps, u_random_mps, u_shared_mps : ndarray of float64, shape (N,)
        Speeds and the two parts of their uncertainties [m/s]. Shots with a NaN in any of these
        arrays are left out.
    shared : sequence of Contribution, optional
        The contributions to the shared part. If left out, it has a normal distribution.

    Returns
    -------
    Series or None
        None if no shot is left.
    """
    speeds, random, common = _finite_rows(speed_mps, u_random_mps, u_shared_mps)
    n = len(speeds)
    if n == 0:
        return None
    mean, s = mean_and_s(speeds)
    own_random = math.sqrt(float(np.mean(random**2)))
    u_random, random_dof = random_part(s, n - 1, own_random, n)
    u_shared = float(np.mean(common))
    parts = shared_parts(shared, u_shared)
    both = [*parts, Contribution(normal("random", u_random, dof=random_dof), 1.0)]
    ci_low, ci_high = mean_interval(mean, s, n)
    low, high = float(speeds.min()), float(speeds.max())
    return Series(
        n=n,
        own_random_mps=own_random,
        mean_mps=mean,
        median_mps=float(np.median(speeds)),
        min_mps=low,
        max_mps=high,
        range_mps=high - low if n > 1 else math.nan,
        s_mps=s,
        u_random_mean_mps=u_random,
        random_dof=random_dof,
        U95_random_mean_mps=coverage_factor(random_dof) * u_random,
        u_shared_mean_mps=u_shared,
        U95_shared_mean_mps=coverage_half_width(parts),
        u_mean_mps=combined_uncertainty(both),
        dof=effective_dof(both),
        U95_mean_mps=mean_half_width(u_random, random_dof, parts),
        ci_low_mps=ci_low,
        ci_high_mps=ci_high,
    )


def mean_half_width(
    u_random: float, random_dof: float, shared: Sequence[Contribution]
) -> float:
    """
    Return the half-width of the 95 % interval of a mean.

    Parameters
    ----------
    u_random, random_dof : float
        Random part of the mean's uncertainty and its degrees of freedom.
    shared : sequence of Contribution
        The contributions to the shared part.

    Notes
    -----
    The random part counts as a normal contribution with the 95 % half-width t·u. The interval
    contains the true mean in 95 % to 99 % of sessions of two shots, and in 95 % of sessions of
    ten or more shots.
    """
    widened = normal("", coverage_factor(random_dof) * u_random / coverage_factor(math.inf))
    return coverage_half_width([*shared, Contribution(widened, 1.0)])


def of_several_parts(
    series: Series, s_within: float, dof: int, shared: Sequence[Contribution]
) -> Series:
    """
    Return the common statistics of all shots of several setups or several rigs.

    The shots of each setup or rig form one group. The random uncertainty of the mean is
    computed from shots of the same group. Differences between groups are not random.

    Parameters
    ----------
    series : Series
        Statistics of all shots, as if they were one group.
    s_within, dof : float, int
        Standard deviation within the groups [m/s] and its degrees of freedom. With 0 degrees of
        freedom the scatter and the ± of the mean are unknown.
    shared : sequence of Contribution
        The contributions to the shared part.
    """
    if not dof:
        return replace(
            series,
            u_random_mean_mps=math.nan,
            random_dof=math.nan,
            U95_random_mean_mps=math.nan,
            u_mean_mps=math.nan,
            dof=math.nan,
            U95_mean_mps=math.nan,
        )
    u, random_dof = random_part(s_within, dof, series.own_random_mps, series.n)
    parts = shared_parts(shared, series.u_shared_mean_mps)
    both = [*parts, Contribution(normal("random", u, dof=random_dof), 1.0)]
    half = coverage_factor(dof) * s_within / math.sqrt(series.n)
    return replace(
        series,
        u_random_mean_mps=u,
        random_dof=random_dof,
        U95_random_mean_mps=coverage_factor(random_dof) * u,
        u_mean_mps=combined_uncertainty(both),
        dof=effective_dof(both),
        U95_mean_mps=mean_half_width(u, random_dof, parts),
        ci_low_mps=series.mean_mps - half,
        ci_high_mps=series.mean_mps + half,
    )


def random_part(s: float, dof: int, own: float, n: int) -> tuple[float, float]:
    """
    Return the random part of a mean's standard uncertainty, and its degrees of freedom.

    The random part is s/√n or own/√n: the value with the wider 95 % interval.

    Parameters
    ----------
    s, dof : float, int
        Standard deviation of the shots and its degrees of freedom.
    own : float
        Random standard uncertainty of one shot.
    n : int
        Number of shots.
    """
    if dof and coverage_factor(dof) * s > coverage_factor(math.inf) * own:
        return s / math.sqrt(n), float(dof)
    return own / math.sqrt(n), math.inf


def shared_parts(shared: Sequence[Contribution], u: float) -> list[Contribution]:
    """Scale the contributions to the combined uncertainty `u`; keep their ratios."""
    whole = combined_uncertainty(shared)
    if not whole:
        return [Contribution(normal("shared", u), 1.0)]
    return [Contribution(part.input, part.sensitivity * u / whole) for part in shared]


def mean_and_s(values: Floats) -> tuple[float, float]:
    """
    Return the mean and the sample standard deviation (with n − 1).

    A result is NaN if there are too few values. The algorithm is from Chan, Golub & LeVeque,
    The American Statistician 37 (1983) 242.
    """
    n = len(values)
    if n == 0:
        return math.nan, math.nan
    mean = float(np.mean(values))
    deviations = values - mean
    rest = float(np.mean(deviations))
    mean += rest
    if n == 1:
        return mean, math.nan
    squares = float(np.sum((deviations - rest) ** 2))
    return mean, math.sqrt(squares / (n - 1))


def s_within_parts(parts: Sequence[Floats]) -> tuple[float, int]:
    """Return the standard deviation within several groups, and its degrees of freedom."""
    spreads = [(mean_and_s(part)[1], len(part) - 1) for part in parts if len(part) > 1]
    dof = sum(n for _, n in spreads)
    return (math.sqrt(sum(n * s * s for s, n in spreads) / dof), dof) if dof else (math.nan, 0)


def mean_interval(
    mean: float, s: float, n: int, probability: float = COVERAGE
) -> tuple[float, float]:
    """Return the coverage interval of the mean, mean ± t·s/√n (NIST e-Handbook 1.3.5.2)."""
    if n < 2:
        return math.nan, math.nan
    half = coverage_factor(n - 1, probability) * s / math.sqrt(n)
    return mean - half, mean + half


def s_interval(s: float, n: int, probability: float = COVERAGE) -> tuple[float, float]:
    """Return the coverage interval of the standard deviation (χ²; NIST e-Handbook 1.3.5.8)."""
    if n < 2:
        return math.nan, math.nan
    tail = (1 - probability) / 2
    upper, lower = scipy.special.chdtri(n - 1, tail), scipy.special.chdtri(n - 1, 1 - tail)
    return s * math.sqrt((n - 1) / upper), s * math.sqrt((n - 1) / lower)


def _finite_rows(*columns: Floats) -> tuple[Floats, ...]:
    arrays = [np.asarray(column, np.float64) for column in columns]
    finite = np.logical_and.reduce([np.isfinite(array) for array in arrays])
    return tuple(array[finite] for array in arrays)


def pooled_sample(samples: Sequence[Sample], rigs: Sequence[int]) -> Sample:
    """
    Combine several samples of one setup into a single sample.

    Parameters
    ----------
    samples : sequence of Sample
        One sample or more.
    rigs : sequence of int
        Number of the rig that measured each sample.

    Returns
    -------
    Sample
        The sample of all shots, numbered again from 1 in the order of the samples. The shared
        part of the mean of all shots is √Σ(w_r·u_r)² (JCGM 100:2008, eq. 10). Here w_r is the
        part of the shots that rig r measured, and u_r is their mean shared part.
    """
    if len(samples) == 1:
        return samples[0]
    speed, random = (
        np.concatenate([getattr(sample, name) for sample in samples])
        for name in ("speed_mps", "u_random_mps")
    )
    shared = [part for rig in dict.fromkeys(rigs) for part in _of_rig(samples, rigs, rig)]
    u_shared = np.full(len(speed), combined_uncertainty(shared))
    number = np.arange(1, len(speed) + 1)
    bodies = all_bodies(samples)
    return Sample(number, speed, random, u_shared, shared=tuple(shared), bodies=bodies)


def all_bodies(samples: Iterable[Sample]) -> frozenset[tuple[float, float]]:
    """Return mass [kg] and diameter [m] of each different body of several samples."""
    return frozenset(body for sample in samples for body in sample.bodies)


def _of_rig(samples: Sequence[Sample], rigs: Sequence[int], rig: int) -> list[Contribution]:
    """Return the uncertainty that the errors of one rig cause in the mean of all shots."""
    own = [sample for sample, its in zip(samples, rigs, strict=True) if its == rig]
    u_shared = np.concatenate([sample.u_shared_mps for sample in own])
    part = len(u_shared) / sum(len(sample.number) for sample in samples)
    return shared_parts(own[0].shared, part * float(u_shared.mean()))


def pooled_series(samples: Sequence[Sample], rigs: Sequence[int]) -> Series:
    """
    Return the common statistics of several samples of the same setup.

    The parameters are the same as for `pooled_sample`. If several rigs measured the samples,
    the shots of each rig form one group (see `of_several_parts`).
    """
    whole = pooled_sample(samples, rigs)
    series = series_of(whole)
    assert series is not None, "a sample has at least one shot"
    by_rig = [
        np.concatenate(
            [s.speed_mps for s, its in zip(samples, rigs, strict=True) if its == rig]
        )
        for rig in dict.fromkeys(rigs)
    ]
    s_within, dof = s_within_parts(by_rig)
    if len(by_rig) < 2 or not dof:
        return series
    return of_several_parts(series, s_within, dof, whole.shared)
