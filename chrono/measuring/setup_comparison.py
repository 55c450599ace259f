"""Is one setup faster than another, is it more repeatable, and how many shots would show it?

Holds the difference of two means with its interval (Welch), the one-way analysis of variance
with Tukey's intervals for three setups and more, and the comparison that joins them.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise

import numpy as np
import scipy

from chrono.arrays.array_types import Floats
from chrono.measuring.error_budget import COVERAGE, coverage_factor
from chrono.measuring.scatter import Drift, drift_of, s_ratio_interval, suspicious
from chrono.measuring.series_statistics import (
    Sample,
    Series,
    mean_and_s,
    random_part,
    series_of,
)

_END = 8
"""Power at which a series' error at its ends fades towards its middle."""


@dataclass(frozen=True)
class Difference:
    """
    Difference of two setups' means.

    Attributes
    ----------
    difference_mps : float
        Mean of the second less mean of the first [m/s].
    u_random_mps, u_shared_mps : float
        Random parts of both means combined; the shared part, which on one rig acts as a
        common scale on both and so only in proportion to the difference [m/s].
    dof : float
        Effective degrees of freedom (Welch).
    t : float
        Difference over what its uncertainty would be if the setups were equal: the random
        part, and with two rigs their shared parts too.
    p_value : float
        Probability of a |t| this large if the setups had equal means.
    U95_mps : float
        Expanded uncertainty of the difference [m/s].
    """

    difference_mps: float
    u_random_mps: float
    u_shared_mps: float
    dof: float
    t: float
    p_value: float
    U95_mps: float

    @classmethod
    def of(
        cls,
        difference_mps: float,
        parts: Sequence[tuple[float, float]],
        *,
        scale: float = 0.0,
        u_rigs_mps: float = 0.0,
    ) -> "Difference":
        """
        Return the test and the interval of a difference.

        Parameters
        ----------
        difference_mps : float
        parts : sequence of (float, float)
            Random part of the uncertainty of each mean [m/s] and its degrees of freedom, one
            of them above zero.
        scale : float, optional
            Relative standard uncertainty of the scale that one rig gives.
        u_rigs_mps : float, optional
            Shared parts of two rigs together [m/s].

        Notes
        -----
        Random and shared half-widths combine in quadrature, as for a mean.
        """
        u_random = math.hypot(*(u for u, _ in parts))
        dof = _welch_dof(parts)
        u_if_equal = math.hypot(u_random, u_rigs_mps)
        t = difference_mps / u_if_equal
        t_dof = dof * (u_if_equal / u_random) ** 4
        tail = _normal_tail(t) if math.isinf(t_dof) else scipy.special.stdtr(t_dof, -abs(t))
        u_shared = math.hypot(scale * difference_mps, u_rigs_mps)
        half = math.hypot(
            difference_factor(parts) * u_random, coverage_factor(math.inf) * u_shared
        )
        return cls(difference_mps, u_random, u_shared, dof, t, float(2 * tail), half)


def compare_series(
    first: Series, second: Series, *, same_rig: bool = True
) -> Difference | None:
    """
    Compare two setups (Welch's t, NIST e-Handbook 1.3.5.3).

    Parameters
    ----------
    first, second : Series
    same_rig : bool, optional
        Whether one rig clocked both: its shared part is then only a scale on the difference.
        The shared parts of two rigs count in full.

    Returns
    -------
    Difference or None
        None when one of them has a single shot, whose scatter is unknown, or when
        neither has any random uncertainty.
    """
    both = (first, second)
    parts = [(s.u_random_mean_mps, s.random_dof) for s in both]
    if min(first.n, second.n) < 2 or not any(u for u, _ in parts):
        return None
    difference = second.mean_mps - first.mean_mps
    if same_rig:
        return Difference.of(difference, parts, scale=rig_scale(*both))
    u_rigs = math.hypot(*(s.u_shared_mean_mps for s in both))
    return Difference.of(difference, parts, u_rigs_mps=u_rigs)


def rig_scale(*series: Series) -> float:
    """Return the relative standard uncertainty of the scale that one rig gives all speeds."""
    return max(abs(s.u_shared_mean_mps / s.mean_mps) for s in series)


def difference_factor(
    parts: Sequence[tuple[float, float]], probability: float = COVERAGE
) -> float:
    """
    Return the half-width of a difference's interval over its standard uncertainty.

    Parameters
    ----------
    parts : sequence of (float, float)
        Standard uncertainty of each independent mean and its degrees of freedom.
    probability : float, optional

    Notes
    -----
    The series of Welch (Biometrika 34 (1947) 28) and Aspin (Biometrika 35 (1948) 88) up to
    1/ν², and exact at its ends, where one mean's scatter is all there is and Student's t
    holds. Each way of treating two unknown spreads errs one way or the other with few shots.
    Of three and three shots Welch's t with his degrees of freedom calls 3.5 % … 5.8 % of
    equal setups different, by how unlike their spreads are, the pooled t 5.0 % … 10 %, this
    4.1 % … 6.0 %; of three and ten 4.7 % … 7.2 % against 4.8 % … 6.6 % (pooled: 0.3 % … 38 %).
    """
    whole = sum(u * u for u, _ in parts)
    weights = [(u * u / whole, dof) for u, dof in parts]
    z = coverage_factor(math.inf, probability)
    factor = series_factor(z, weights)
    for weight, dof in weights:
        exact = coverage_factor(dof, probability)
        factor += weight**_END * (exact - series_factor(z, [(1.0, dof)]))
    return factor


def series_factor(z: float, weights: Sequence[tuple[float, float]]) -> float:
    """Return the series for the normal deviate z and each part's weight and freedom."""
    first = sum(w**2 / dof for w, dof in weights)
    cubes = sum(w**3 / dof**2 for w, dof in weights)
    squares = sum(w**2 / dof**2 for w, dof in weights)
    z2, z4 = z * z, z**4
    return z * (
        1
        + (1 + z2) / 4 * first
        - (1 + z2) / 2 * squares
        + (3 + 5 * z2 + z4) / 3 * cubes
        - (15 + 32 * z2 + 9 * z4) / 32 * first**2
    )


def _welch_dof(parts: Sequence[tuple[float, float]]) -> float:
    """Return the effective degrees of freedom (GUM eq. G.2b)."""
    whole = sum(u * u for u, _ in parts)
    spent = sum((u * u / whole) ** 2 / dof for u, dof in parts)
    return 1 / spent if spent else math.inf


def _normal_tail(t: float) -> float:
    return float(scipy.special.ndtr(-abs(t)))


_MANY = 100_000
"""Degrees of freedom at which a studentised range is one of normal values."""


@dataclass(frozen=True)
class OneWayAnalysis:
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


def one_way(groups: Sequence[Floats]) -> OneWayAnalysis | None:
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
    return OneWayAnalysis(
        between, within, between_dof, within_dof, ratio, p_value, math.sqrt(residual)
    )


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


LEAST_PAIRS = 4
PAIRED_SHARE = 0.8
"""Part of both setups' shots that must stand in pairs for them to be shots in turn."""
POWER = 0.8
MOST_SHOTS = 1000
_SPREAD_RISK = 0.2
"""Planned is with the spread that the true one exceeds once in five times."""
_PLAUSIBLE = 0.8
"""Coverage of the differences that are held possible where one is open."""


@dataclass(frozen=True)
class Group:
    """
    One setup of one session.

    Attributes
    ----------
    name : str
        As it is to be shown.
    session : int
        Which session it is from: shots are in one order only within a session.
    rig : int
        Which rig measured it: the shared part is common within a rig.
    sample : Sample
        At least one shot.
    series : Series
        Its statistics.
    suspicious : tuple of int
        Numbers of shots that do not go with the others, the furthest first.
    """

    name: str
    session: int
    rig: int
    sample: Sample
    series: Series
    suspicious: tuple[int, ...] = ()


@dataclass(frozen=True)
class MoreShots:
    """
    How many more shots of each setup would settle an open difference.

    Attributes
    ----------
    as_seen : int
        If the difference is as large as it looks: they do in four cases of five.
    most : int or None
        If it is as small as may be: they do in four cases of five. None where it may be
        nothing, so that no number does.
    """

    as_seen: int
    most: int | None


@dataclass(frozen=True)
class PairComparison:
    """
    Two setups compared, `second` less `first`.

    Attributes
    ----------
    first, second : Group
    difference : Difference or None
        None where the scatter of neither is known. From pairs where `pairs` is not 0.
    pairs : int
        Pairs of shots in turn that the difference is from, 0 if it is from the means.
    s_ratio, s_ratio_low, s_ratio_high : float
        s of the second over s of the first, with its 95 % interval; NaN where unknown.
    more_shots : MoreShots or None
        What would settle an open difference; None if it is not open.
    """

    first: Group
    second: Group
    difference: Difference | None
    pairs: int
    s_ratio: float
    s_ratio_low: float
    s_ratio_high: float
    more_shots: MoreShots | None

    @property
    def relative(self) -> float:
        """Difference over the first mean."""
        if self.difference is None:
            return math.nan
        return self.difference.difference_mps / self.first.series.mean_mps


@dataclass(frozen=True)
class Comparison:
    """
    Setups compared.

    Attributes
    ----------
    groups : tuple of Group
    pairs : tuple of PairComparison
        All pairs, in order.
    one_way : OneWayAnalysis or None
        For three groups and more of one rig: it knows of no error that rigs do not share.
    tukey : tuple of TukeyInterval
        For three groups and more, in the order of `pairs`.
    drift : Drift or None
        Slope common to all groups, of one session only.
    in_turn : bool
        Whether any two setups were shot in turn.
    """

    groups: tuple[Group, ...]
    pairs: tuple[PairComparison, ...]
    one_way: OneWayAnalysis | None
    tukey: tuple[TukeyInterval, ...]
    drift: Drift | None
    in_turn: bool


def group_of(name: str, sample: Sample, session: int = 0, rig: int = 0) -> Group | None:
    """Return a setup's shots as a group, None where there are none."""
    series = series_of(sample)
    if series is None:
        return None
    apart = tuple(int(sample.number[place]) for place in suspicious(sample.speed_mps))
    return Group(name, session, rig, sample, series, apart)


def compare_groups(groups: Sequence[Group]) -> Comparison:
    """Compare setups, each with each."""
    pairs = tuple(compare_pair(a, b) for a, b in combinations(groups, 2))
    speeds = [group.sample.speed_mps for group in groups] if len(groups) > 2 else []
    one_session = len({group.session for group in groups}) == 1
    one_rig = len({group.rig for group in groups}) == 1
    return Comparison(
        tuple(groups),
        pairs,
        one_way(speeds) if speeds and one_rig else None,
        tuple(tukey_intervals(speeds, _shared(groups))) if speeds else (),
        drift_of([group.sample for group in groups]) if one_session else None,
        any(pair.pairs for pair in pairs),
    )


def _shared(groups: Sequence[Group]) -> list[tuple[float, float]]:
    """Return each pair's shared parts: of two rigs [m/s], and the scale of one, in order."""
    found = []
    for a, b in combinations(groups, 2):
        if a.rig == b.rig:
            found.append((0.0, rig_scale(a.series, b.series)))
        else:
            apart = math.hypot(a.series.u_shared_mean_mps, b.series.u_shared_mean_mps)
            found.append((apart, 0.0))
    return found


def compare_pair(first: Group, second: Group) -> PairComparison:
    """Compare two setups: their means, or pairs where they were shot in turn; their s."""
    difference = compare_series(first.series, second.series, same_rig=first.rig == second.rig)
    paired = shots_in_turn(first, second)
    if len(paired) and difference is not None:
        difference = _paired_difference(paired, first.series, second.series)
    a, b = first.series, second.series
    low, high = s_ratio_interval(a.s_mps, a.n, b.s_mps, b.n)
    ratio = b.s_mps / a.s_mps if a.s_mps > 0 else math.nan
    return PairComparison(
        first,
        second,
        difference,
        len(paired),
        ratio,
        low,
        high,
        _more_shots(difference, paired, a, b),
    )


def is_settled(difference: Difference) -> bool:
    """Tell whether the interval of a difference leaves zero out."""
    return abs(difference.difference_mps) > difference.U95_mps


def shots_in_turn(first: Group, second: Group) -> Floats:
    """
    Return second less first of neighbouring shots of two setups, shape (pairs,).

    Empty unless most shots of both stand in pairs: it is the order that decides, never the
    speeds. Each shot is in one pair at most.
    """
    if first.session != second.session:
        return np.zeros(0)
    a, b = first.sample, second.sample
    shots = sorted(
        [(int(n), 0, float(v)) for n, v in zip(a.number, a.speed_mps, strict=True)]
        + [(int(n), 1, float(v)) for n, v in zip(b.number, b.speed_mps, strict=True)]
    )
    found: list[float] = []
    taken = -1
    for i, (one, two) in enumerate(pairwise(shots)):
        if one[1] != two[1] and i > taken:
            found.append(two[2] - one[2] if one[1] == 0 else one[2] - two[2])
            taken = i + 1
    enough = len(found) >= max(LEAST_PAIRS, PAIRED_SHARE * max(len(a.number), len(b.number)))
    return np.array(found) if enough else np.zeros(0)


def _paired_difference(pairs: Floats, first: Series, second: Series) -> Difference | None:
    """Return the mean of pairs' differences (NIST e-Handbook 7.3.1), with the rig's scale."""
    mean, s = mean_and_s(pairs)
    n = len(pairs)
    own = math.hypot(first.own_random_mps, second.own_random_mps)
    part = random_part(s, n - 1, own, n)
    return Difference.of(mean, [part], scale=rig_scale(first, second)) if part[0] else None


def _more_shots(
    difference: Difference | None, paired: Floats, first: Series, second: Series
) -> MoreShots | None:
    if difference is None or is_settled(difference):
        return None
    samples = [(first.s_mps, first.n), (second.s_mps, second.n)]
    if len(paired):
        samples = [(mean_and_s(paired)[1], len(paired))]
    seen, shared = abs(difference.difference_mps), difference.u_shared_mps
    beside = coverage_factor(difference.dof, _PLAUSIBLE) * difference.u_random_mps
    return MoreShots(
        as_seen=more_shots(seen, samples, shared),
        most=_most(seen - beside, samples, shared),
    )


def _most(
    difference: float, samples: Sequence[tuple[float, int]], u_shared: float
) -> int | None:
    most = more_shots(difference, samples, u_shared)
    return most if most < MOST_SHOTS else None


def more_shots(
    difference: float,
    samples: Sequence[tuple[float, int]],
    u_shared: float = 0.0,
) -> int:
    """
    Return how many more shots of each setup let a true difference of this size be seen.

    Parameters
    ----------
    difference : float
        Size of the difference.
    samples : sequence of (float, int)
        s and number of each setup so far; one of them for pairs. Taken is not s but what the
        true spread exceeds only once in five times.
    u_shared : float, optional
        Part of the difference's uncertainty that no number of shots makes less.

    Returns
    -------
    int
        In four sessions of five the interval then leaves zero out (NIST e-Handbook 7.2.2.2);
        `MOST_SHOTS` for that many or more.
    """
    dof_now = sum(n - 1 for _, n in samples)
    spread = math.sqrt(sum((n - 1) * s * s for s, n in samples) / dof_now)
    spread *= math.sqrt(dof_now / float(scipy.special.chdtri(dof_now, 1 - _SPREAD_RISK)))

    def enough(more: int) -> bool:
        dof = dof_now + len(samples) * more
        u = spread * math.sqrt(sum(1 / (n + more) for _, n in samples))
        half = math.hypot(coverage_factor(dof) * u, coverage_factor(math.inf) * u_shared)
        return half + float(scipy.special.stdtrit(dof, POWER)) * u <= difference

    low, high = 0, MOST_SHOTS
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high
