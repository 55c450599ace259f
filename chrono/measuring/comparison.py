"""Is one setup faster than another, is it more repeatable, and how many shots would tell?"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise

import numpy as np
import scipy

from chrono.arrays.array_types import Floats
from chrono.measuring.anova import OneWay, TukeyInterval, one_way, tukey_intervals
from chrono.measuring.budget import coverage_factor
from chrono.measuring.difference import Difference, compare_series, rig_scale
from chrono.measuring.outliers import suspicious
from chrono.measuring.scatter import Drift, drift_of, s_ratio_interval
from chrono.measuring.statistics import Sample, Series, mean_and_s, random_part, series_of

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
    one_way : OneWay or None
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
    one_way: OneWay | None
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
