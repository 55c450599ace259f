"""Check if one setup is faster or more repeatable than another setup.

If the data do not show which setup is faster, the module computes how many more shots could
show it. The module tests each difference between two setups in two ways: with a correction for
a steady drift of the launcher (`drift_model`), and without this correction (Welch's test). If
all setups are equal, the module wrongly reports a difference in at most 1 of 20 sessions.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import Enum, auto
from functools import cached_property
from itertools import combinations

import numpy as np
import scipy

from chrono.arrays.array_types import Ints
from chrono.measuring.drift_model import DriftFit, fit_drift
from chrono.measuring.error_budget import combined_uncertainty, coverage_factor
from chrono.measuring.scatter import (
    LEAST_FOR_RATIO,
    Drift,
    drift_of,
    s_ratio_intervals,
    suspicious,
)
from chrono.measuring.series_statistics import Sample, Series, series_of, shared_parts

RISK = 0.05
"""Risk of a false alarm: a pair is called different although all setups are equal."""
POWER = 0.8
MOST_SHOTS = 1000
_SPREAD_RISK = 0.2
"""Risk that the true spread is larger than the spread used for planning."""
_PLAUSIBLE = 0.8
"""Coverage probability of the interval of possible differences for `MoreShots`."""
_HALVINGS = 60
"""Number of steps to find a p-value."""
_LEAST_LOG_P = -30.0
"""Logarithm of the smallest reliable p-value, about 1e-13."""


@dataclass(frozen=True)
class Difference:
    """
    Difference between the means of two setups: second mean minus first mean.

    Attributes
    ----------
    difference_mps : float
    u_random_mps, dof : float
        Random standard uncertainty of the difference [m/s], above 0, and its degrees of
        freedom.
    u_rigs_mps : float
        Standard uncertainty from errors that the two setups do not share, computed for equal
        setups [m/s]: the errors of different rigs, or the aim of each setup (see
        `Group.u_aim_mps`). 0 if one rig measured both setups with both pairs of edges.
    scale : float
        Relative standard uncertainty from errors that are equal for all speeds of one rig.
    p_adjusted : float or None
        p-value by Holm's method for all pairs; None if this is the only pair.
    level : float
        Risk that the interval misses the true value: 5 % for one pair, less for several pairs.
    """

    difference_mps: float
    u_random_mps: float
    dof: float
    u_rigs_mps: float = 0.0
    scale: float = 0.0
    p_adjusted: float | None = None
    level: float = RISK

    @property
    def t(self) -> float:
        """The difference divided by the uncertainty that it would have for equal setups."""
        return self.difference_mps / math.hypot(self.u_random_mps, self.u_rigs_mps)

    @property
    def p_value(self) -> float:
        """p-value of this pair alone: the chance that equal setups differ this much or more."""
        size = abs(self.difference_mps)
        if self.u_rigs_mps == 0:
            return 2 * _tail(size / self.u_random_mps, self.dof)
        low, high = _LEAST_LOG_P, 0.0
        for _ in range(_HALVINGS):
            middle = (low + high) / 2
            half = _half_width(self.u_random_mps, self.dof, self.u_rigs_mps, math.exp(middle))
            low, high = (middle, high) if half > size else (low, middle)
        return math.exp(high)

    @property
    def p_overall(self) -> float:
        """The p-value that decides: `p_adjusted`, or `p_value` if there is only one pair."""
        return self.p_value if self.p_adjusted is None else self.p_adjusted

    @property
    def u_shared_mps(self) -> float:
        """Shared part of the difference's uncertainty, from all errors of the rigs [m/s]."""
        return math.hypot(self.scale * self.difference_mps, self.u_rigs_mps)

    @property
    def U95_mps(self) -> float:  # noqa: N802
        """
        Half-width of the interval of the difference between two setups [m/s].

        The coverage is 95 % for a single pair of setups, and 95 % or more for several pairs.
        """
        return _half_width(self.u_random_mps, self.dof, self.u_shared_mps, self.level)

    @property
    def settled(self) -> bool:
        """True if the p-value is at most `RISK`, and if zero is outside the interval."""
        return self.p_overall <= RISK and abs(self.difference_mps) > self.U95_mps


def _tail(t: float, dof: float) -> float:
    special = scipy.special
    return float(special.ndtr(-t) if math.isinf(dof) else special.stdtr(dof, -t))


def _factor(dof: float, level: float) -> float:
    """Return the coverage factor for the coverage probability 1 − `level`."""
    special, tail = scipy.special, level / 2
    return -float(special.ndtri(tail) if math.isinf(dof) else special.stdtrit(dof, tail))


def _half_width(u_random: float, dof: float, u_shared: float, level: float) -> float:
    return math.hypot(_factor(dof, level) * u_random, _factor(math.inf, level) * u_shared)


def compare_series(
    first: Series, second: Series, u_rigs_mps: float = 0.0, scale: float | None = None
) -> Difference | None:
    """
    Compare the mean speeds of two setups.

    The method is Welch's test (Biometrika 34 (1947) 28; e-Handbook 1.3.5.3).

    Parameters
    ----------
    first, second : Series
    u_rigs_mps, scale : float, optional
        See `Difference`. By default, one rig measured both setups.

    Returns
    -------
    Difference or None
        None if a setup has a single shot, or if both setups have no random uncertainty.
    """
    both = (first, second)
    squares = [s.u_random_mean_mps**2 for s in both]
    if min(first.n, second.n) < 2 or not sum(squares):
        return None
    spent = sum(u2**2 / s.random_dof for u2, s in zip(squares, both, strict=True))
    return Difference(
        second.mean_mps - first.mean_mps,
        math.sqrt(sum(squares)),
        sum(squares) ** 2 / spent if spent else math.inf,
        u_rigs_mps,
        rig_scale(*both) if scale is None else scale,
    )


def rig_scale(*series: Series) -> float:
    """Return the relative u from errors that are equal for all speeds of one rig."""
    return max(abs(s.u_shared_mean_mps / s.mean_mps) for s in series)


def holm(p_values: Sequence[float]) -> list[tuple[float, float]]:
    """
    Correct p-values for the number of tests.

    For each test, return the corrected p-value and the `level` of a `Difference`. The method is
    from Holm, Scandinavian Journal of Statistics 6 (1979) 65.
    """
    tests = len(p_values)
    found = [(math.nan, RISK)] * tests
    adjusted, level = 0.0, RISK
    for rank, place in enumerate(sorted(range(tests), key=lambda i: p_values[i])):
        if adjusted <= RISK:
            level = RISK / (tests - rank)
        adjusted = max(adjusted, min((tests - rank) * p_values[place], 1.0))
        found[place] = adjusted, level
    return found


def _judged(differences: Sequence[Difference | None]) -> list[Difference | None]:
    """Correct the differences for the number of pairs (see `holm`)."""
    known = [each for each in differences if each is not None]
    if len(known) < 2:
        return list(differences)
    results = iter(holm([each.p_value for each in known]))
    judged = []
    for each in differences:
        if each is not None:
            p_adjusted, level = next(results)
            each = replace(each, p_adjusted=p_adjusted, level=level)
        judged.append(each)
    return judged


@dataclass(frozen=True)
class RigShare:
    """
    The part of a setup's shots that one rig measured, and the uncertainty of this rig.

    Attributes
    ----------
    part : float
        Number of the rig's shots divided by the number of all shots of the setup, at most 1.
    u_mps : float
        Shared part of the uncertainty of the rig's shots [m/s].
    """

    part: float
    u_mps: float


@dataclass(frozen=True)
class Group:
    """
    A setup and its shots, from one session or from several sessions together.

    Attributes
    ----------
    name : str
        The name that is shown.
    session : int
        Number of the session. Shots have a common order only within a session.
    rigs : mapping of int to RigShare
        The rigs that measured the setup. All shots of one rig have a common shared part.
    sample : Sample
        The sample of the shots, with one shot or more.
    series : Series
        Statistics of the sample.
    suspicious : tuple of int
        Numbers of shots that do not fit the other shots, the farthest from the mean first.
    """

    name: str
    session: int
    rigs: Mapping[int, RigShare]
    sample: Sample
    series: Series
    suspicious: tuple[int, ...] = ()

    @property
    def u_aim_mps(self) -> float:
        """
        Standard uncertainty of the mean from the heights at which balls cross the beams [m/s].

        These heights may be different for each setup, also if one rig measured both setups. The
        result is 0 if most shots have both pairs of edges, because then the heights do not
        change the speed.
        """
        parts = shared_parts(self.sample.shared, self.series.u_shared_mean_mps)
        return combined_uncertainty(p for p in parts if p.input.distribution == "chords")


@dataclass(frozen=True)
class MoreShots:
    """
    How many more shots each setup needs to show a difference in 4 of 5 cases.

    The user should change the setup after each further shot.

    Attributes
    ----------
    as_seen : int
        Number of shots if the true difference is as large as the measured one.
    most : int or None
        Number of shots if the true difference is as small as possible. None if the difference
        may be zero, because then no number of shots is enough.
    """

    as_seen: int
    most: int | None


class Verdict(Enum):
    """Result of a comparison of the speeds of two setups."""

    FASTER = auto()
    """One setup is faster, and a steady drift of the launcher is not the reason."""
    FASTER_WITHOUT_DRIFT = auto()
    """One setup is faster if the launcher did not drift."""
    NOT_SETTLED = auto()
    """Both intervals include a difference of zero."""
    UNKNOWN = auto()
    """One setup has only one shot, or the scatter is unknown."""


class SpreadVerdict(Enum):
    """Result of a comparison of the repeatability of two setups."""

    MORE_REPEATABLE = auto()
    """The second setup scatters less."""
    LESS_REPEATABLE = auto()
    """The second setup scatters more."""
    NOT_SETTLED = auto()
    """The interval of the ratio includes 1."""
    TOO_FEW = auto()
    """One setup has too few shots."""
    EQUAL_SPEEDS = auto()
    """All shots of one setup have the same speed."""


@dataclass(frozen=True)
class PairComparison:
    """
    Comparison of two setups. Each difference is the second setup minus the first setup.

    Attributes
    ----------
    first, second : Group
    difference : Difference or None
        Difference of the means, corrected for a steady drift if both setups are from one
        session; None if it is unknown.
    plain : Difference or None
        Difference of the means if the launcher did not drift.
    s_ratio, s_ratio_low, s_ratio_high : float
        Ratio of s (second setup over first) with its interval; NaN if unknown.
    without_suspicious : PairComparison or None
        The same pair without the suspicious shots of all setups; None without such shots.
    """

    first: Group
    second: Group
    difference: Difference | None
    plain: Difference | None
    s_ratio: float
    s_ratio_low: float
    s_ratio_high: float
    without_suspicious: "PairComparison | None" = None

    @property
    def of_one_session(self) -> bool:
        """True if both setups are from one session, so that a drift fit is possible."""
        return self.first.session == self.second.session

    @property
    def verdict(self) -> Verdict:
        """The verdict about the speeds: which setup is faster?"""
        if self.plain is None:
            return Verdict.UNKNOWN
        if self.difference is not None and self.difference.settled:
            return Verdict.FASTER
        without_drift = self.of_one_session and self.plain.settled
        return Verdict.FASTER_WITHOUT_DRIFT if without_drift else Verdict.NOT_SETTLED

    @property
    def deciding(self) -> Difference | None:
        """The difference on which `verdict` is based."""
        is_plain = self.verdict is Verdict.FASTER_WITHOUT_DRIFT or self.difference is None
        return self.plain if is_plain else self.difference

    @property
    def faster(self) -> Group | None:
        """The faster setup, or None if the data do not show which setup is faster."""
        if self.verdict not in (Verdict.FASTER, Verdict.FASTER_WITHOUT_DRIFT):
            return None
        assert self.deciding is not None, "one setup is faster, so the difference is known"
        return self.second if self.deciding.difference_mps > 0 else self.first

    @cached_property
    def more_shots(self) -> MoreShots | None:
        """
        Number of further shots needed to show which setup is faster.

        `more_shots` is None if the data already show the faster setup, or if the difference is
        unknown.
        """
        return _more_shots(self)

    @property
    def relative(self) -> float:
        """Difference of the mean speeds, divided by the mean speed of the first setup."""
        if self.deciding is None:
            return math.nan
        return self.deciding.difference_mps / self.first.series.mean_mps

    @property
    def spread(self) -> SpreadVerdict:
        """The verdict about the repeatability: which setup scatters less?"""
        if min(self.first.series.n, self.second.series.n) < LEAST_FOR_RATIO:
            return SpreadVerdict.TOO_FEW
        if math.isnan(self.s_ratio_low):
            return SpreadVerdict.EQUAL_SPEEDS
        if self.s_ratio_high < 1:
            return SpreadVerdict.MORE_REPEATABLE
        is_less = self.s_ratio_low > 1
        return SpreadVerdict.LESS_REPEATABLE if is_less else SpreadVerdict.NOT_SETTLED


@dataclass(frozen=True)
class Comparison:
    """
    Result of a comparison of several setups.

    Attributes
    ----------
    groups : tuple of Group
    pairs : tuple of PairComparison
        All pairs, in order.
    drift : Drift or None
        Common drift of all groups. None if the groups are from several sessions.
    """

    groups: tuple[Group, ...]
    pairs: tuple[PairComparison, ...]
    drift: Drift | None

    @property
    def judged(self) -> tuple[PairComparison, ...]:
        """All pairs of setups whose speeds can be compared."""
        return tuple(pair for pair in self.pairs if pair.verdict is not Verdict.UNKNOWN)

    @property
    def fastest(self) -> tuple[Group, Verdict] | None:
        """The setup that is faster than all others, and its least certain verdict."""
        judged = self.judged
        for group in self.groups:
            own = [pair for pair in judged if pair.first is group or pair.second is group]
            if own and all(pair.faster is group for pair in own):
                verdicts = {pair.verdict for pair in own}
                weak = Verdict.FASTER_WITHOUT_DRIFT
                return group, weak if weak in verdicts else Verdict.FASTER
        return None

    @property
    def slower(self) -> tuple[Group, ...]:
        """Setups that are slower than another setup; a steady drift is not the reason."""
        found = [
            pair.first if pair.faster is pair.second else pair.second
            for pair in self.judged
            if pair.verdict is Verdict.FASTER
        ]
        return tuple(group for group in self.groups if any(group is each for each in found))


def group_of(name: str, sample: Sample, session: int = 0, rig: int = 0) -> Group | None:
    """Return a setup with its shots as a `Group`, or None if there are no shots."""
    series = series_of(sample)
    if series is None:
        return None
    share = RigShare(1.0, series.u_shared_mean_mps)
    apart = tuple(int(sample.number[place]) for place in suspicious(sample.speed_mps))
    return Group(name, session, {rig: share}, sample, series, apart)


def compare_groups(groups: Sequence[Group]) -> Comparison:
    """Compare each setup with every other setup."""
    pairs = _pairs(groups)
    if any(group.suspicious for group in groups):
        others = _pairs([_without_suspicious(group) for group in groups])
        pairs = [
            replace(pair, without_suspicious=other)
            for pair, other in zip(pairs, others, strict=True)
        ]
    one_session = len({group.session for group in groups}) == 1
    drift = drift_of([group.sample for group in groups]) if one_session else None
    return Comparison(tuple(groups), tuple(pairs), drift)


def _without_suspicious(group: Group) -> Group:
    sample = group.sample
    kept = ~np.isin(sample.number, group.suspicious)
    rest = Sample(
        sample.number[kept],
        sample.speed_mps[kept],
        sample.u_random_mps[kept],
        sample.u_shared_mps[kept],
        shared=sample.shared,
    )
    series = series_of(rest)
    assert series is not None, "at most one of five shots is suspicious"
    return replace(group, sample=rest, series=series)


def _pairs(groups: Sequence[Group]) -> list[PairComparison]:
    """Return the comparisons of all pairs of setups."""
    places = list(combinations(range(len(groups)), 2))
    means = {(i, j): _compare_means(groups[i], groups[j]) for i, j in places}
    drifting = means | _with_drift(groups, means)
    ratios = s_ratio_intervals([group.sample.speed_mps for group in groups])
    plain, fitted = _judged(list(means.values())), _judged(list(drifting.values()))
    return [
        _pair(groups[i], groups[j], with_drift, mean, ratios.get((i, j), (math.nan, math.nan)))
        for (i, j), with_drift, mean in zip(places, fitted, plain, strict=True)
    ]


def _compare_means(first: Group, second: Group) -> Difference | None:
    """Compare the mean speeds of two setups that one rig or several rigs measured."""
    squares = 0.0
    for rig in {*first.rigs, *second.rigs}:
        a, b = (group.rigs.get(rig, RigShare(0.0, 0.0)) for group in (first, second))
        squares += ((b.part - a.part) * max(a.u_mps, b.u_mps)) ** 2
    one_scale = bool({*first.rigs} & {*second.rigs})
    if one_scale:  # the errors of two different rigs already contain the aim
        squares += first.u_aim_mps**2 + second.u_aim_mps**2
    scale = rig_scale(first.series, second.series) if one_scale else 0.0
    return compare_series(first.series, second.series, math.sqrt(squares), scale)


_Pairs = dict[tuple[int, int], Difference | None]


def _with_drift(groups: Sequence[Group], means: _Pairs) -> _Pairs:
    """Return the differences between setups of one session after a correction for drift."""
    found: _Pairs = {}
    for session in {group.session for group in groups}:
        places = [
            place
            for place, group in enumerate(groups)
            if group.session == session and group.series.n > 1
        ]
        fit = fit_drift([groups[place].sample for place in places])
        for (a, i), (b, j) in combinations(enumerate(places), 2):
            plain = means[i, j]
            found[i, j] = _fitted(fit, a, b, plain) if fit and plain else None
    return found


def _fitted(fit: DriftFit, first: int, second: int, plain: Difference) -> Difference | None:
    """Return a difference between two setups after a correction for drift."""
    found = fit.difference(first, second)
    u, dof = found.u_mps, found.dof
    if coverage_factor(dof) * u <= coverage_factor(math.inf) * found.u_own_mps:
        u, dof = found.u_own_mps, math.inf
    if not u:
        return None
    return Difference(found.difference_mps, u, dof, plain.u_rigs_mps, plain.scale)


def _pair(
    first: Group,
    second: Group,
    difference: Difference | None,
    plain: Difference | None,
    ratio: tuple[float, float],
) -> PairComparison:
    a, b = first.series.s_mps, second.series.s_mps
    return PairComparison(
        first, second, difference, plain, b / a if a > 0 else math.nan, *ratio
    )


def _more_shots(pair: PairComparison) -> MoreShots | None:
    """Return how many further shots are needed to show which setup of a pair is faster."""
    looks = pair.deciding
    if looks is None or pair.verdict is Verdict.FASTER:
        return None
    first, second = pair.first, pair.second
    both = (first.series, second.series)
    spreads = [(max(each.s_mps, each.own_random_mps), each.n) for each in both]
    numbers = (first.sample.number, second.sample.number) if pair.of_one_session else None
    level = (pair.difference or looks).level
    seen, beside = abs(looks.difference_mps), coverage_factor(looks.dof, _PLAUSIBLE)
    as_seen, most = (
        more_shots(size, spreads, looks.u_shared_mps, level, numbers)
        for size in (seen, seen - beside * looks.u_random_mps)
    )
    return MoreShots(as_seen, most if most < MOST_SHOTS else None)


def more_shots(
    difference: float,
    spreads: Sequence[tuple[float, int]],
    u_shared: float = 0.0,
    level: float = RISK,
    numbers: tuple[Ints, Ints] | None = None,
) -> int:
    """
    Return how many more shots per setup are needed to show a difference of a given size.

    Parameters
    ----------
    difference : float
        Size of the difference.
    spreads : sequence of (float, int)
        s and number of shots so far, for each of the two setups. To be safe, the function uses
        a larger value, which the true standard deviation exceeds only in 1 of 5 cases.
    u_shared : float, optional
        The part of the difference's uncertainty that more shots do not reduce.
    level : float, optional
        Risk that the interval misses the true difference.
    numbers : two ndarrays of int64, optional
        Numbers of the shots of both setups, if a drift is fitted. Further shots alternate
        between the two setups.

    Returns
    -------
    int
        With this number the interval excludes zero in four of five sessions (NIST e-Handbook
        7.2.2.2). The largest result is `MOST_SHOTS`.
    """
    dof_now = sum(n - 1 for _, n in spreads)
    spread = math.sqrt(sum((n - 1) * s * s for s, n in spreads) / dof_now)
    spread *= math.sqrt(dof_now / float(scipy.special.chdtri(dof_now, 1 - _SPREAD_RISK)))

    def enough(more: int) -> bool:
        dof = dof_now + 2 * more - (numbers is not None)
        squares = sum(1 / (n + more) for _, n in spreads)
        if numbers is not None:
            squares += drift_share(*numbers, more)
        u = spread * math.sqrt(squares)
        half = _half_width(u, dof, u_shared, level)
        return half + float(scipy.special.stdtrit(dof, POWER)) * u <= difference

    low, high = 0, MOST_SHOTS
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high


def drift_share(first: Ints, second: Ints, more: int) -> float:
    """
    Return the variance that a drift fit adds to a difference between two setups.

    The unit of the result is the variance of a single shot.

    Parameters
    ----------
    first, second : ndarray of int64
        Numbers of the shots of two setups.
    more : int
        Number of further shots per setup. The shots alternate between the two setups.
    """
    follow = max(first[-1], second[-1]) + 1 + 2 * np.arange(more)
    a, b = np.append(first, follow), np.append(second, follow + 1)
    about = float(np.sum((a - a.mean()) ** 2) + np.sum((b - b.mean()) ** 2))
    return float(b.mean() - a.mean()) ** 2 / about


def differing_p(series: Sequence[Series], rigs: Sequence[int]) -> float:
    """
    Test if one of several series differs from the rest, and return the p-value.

    Parameters
    ----------
    series : sequence of Series
        Several series of one setup. A series of one shot shows no scatter and is left out.
    rigs : sequence of int
        Number of the rig that measured each series.

    Returns
    -------
    float
        The smallest p-value. Each mean is compared with the mean of all other shots by Welch's
        test and Holm's method. The errors of different rigs are included. NaN for fewer than
        two series.
    """
    used = [(each, rig) for each, rig in zip(series, rigs, strict=True) if each.n > 1]
    if len(used) < 2:
        return math.nan
    n = np.array([each.n for each, _ in used], float)
    means, u, dof, u_shared = np.array(
        [
            (each.mean_mps, each.u_random_mean_mps, each.random_dof, each.u_shared_mean_mps)
            for each, _ in used
        ]
    ).T
    _, rig = np.unique([rig for _, rig in used], return_inverse=True)
    rest = n.sum() - n
    others = ((n @ means) - n * means) / rest
    variance, spent = (n * u) ** 2, (n * u) ** 4 / dof
    u_others = np.sqrt(np.maximum(variance.sum() - variance, 0)) / rest
    whole = u**2 + u_others**2
    with np.errstate(divide="ignore", invalid="ignore"):
        welch = whole**2 / (u**4 / dof + np.maximum(spent.sum() - spent, 0) / rest**4)
    # sensitivity to a rig: the rig's part of this series minus its part of the other series
    of_rig = np.bincount(rig, n)
    u_rig = np.bincount(rig, n * u_shared) / of_rig
    own = 1 - (of_rig[rig] - n) / rest
    shared = (own * u_rig[rig]) ** 2
    shared += (((of_rig * u_rig) ** 2).sum() - (of_rig * u_rig)[rig] ** 2) / rest**2
    found = [
        Difference(float(d), float(r), float(f) if f > 0 else math.inf, float(s)).p_value
        for d, r, f, s in zip(
            means - others, np.sqrt(whole), welch, np.sqrt(np.maximum(shared, 0)), strict=True
        )
        if r > 0
    ]
    if len(used) == 2:
        found = found[:1]  # with two series there is only one test
    return min(p for p, _ in holm(found)) if found else math.nan
