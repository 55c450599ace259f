"""Comparison of setups: what is known beforehand, and what simulated sessions show."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from chrono.measuring import scatter
from chrono.measuring.error_budget import (
    Contribution,
    chords,
    combined_uncertainty,
    normal,
)
from chrono.measuring.scatter import (
    drift_of,
    normal_p,
    scatter_of,
    suspicious,
    trimmed_mean,
)
from chrono.measuring.series_statistics import Sample, s_interval, series_statistics
from chrono.measuring.setup_comparison import (
    MOST_SHOTS,
    Difference,
    Group,
    PairComparison,
    SpreadVerdict,
    Verdict,
    compare_groups,
    compare_series,
    differing_p,
    drift_share,
    group_of,
    holm,
    more_shots,
)


def sample(speeds, numbers=None, shared: float = 0.0, random: float = 0.0) -> Sample:
    speeds = np.asarray(speeds, float)
    numbers = np.arange(1, len(speeds) + 1) if numbers is None else np.asarray(numbers)
    same = np.ones(len(speeds))
    return Sample(numbers, speeds, random * same, shared * same)


def group(speeds, numbers=None, session: int = 0, rig: int = 0, shared: float = 0.0) -> Group:
    found = group_of("setup", sample(speeds, numbers, shared), session, rig)
    assert found is not None
    return found


SLOW, FAST = [44.8, 45.1, 45.3, 44.9, 45.4], [46.0, 46.4, 46.2, 46.6, 46.3]


def pair_of(first: Group, second: Group) -> PairComparison:
    (found,) = compare_groups([first, second]).pairs
    return found


def test_the_shared_part_of_one_rig_is_a_scale_and_of_two_rigs_counts_in_full():
    one = pair_of(group(SLOW, shared=0.4), group(FAST, session=1, shared=0.4)).difference
    two = pair_of(group(SLOW, shared=0.4), group(FAST, session=1, rig=1, shared=0.4)).difference

    assert one.u_shared_mps == pytest.approx(0.4 / np.mean(SLOW) * 1.2)
    assert two.u_shared_mps == pytest.approx(0.4 * math.sqrt(2))


def test_balls_of_one_pair_of_edges_may_cross_the_beams_elsewhere_in_each_setup():
    chord, rest = chords("chords", 0.02, 5e-3), normal("spacing", 1e-3)
    shared = (Contribution(chord, 40.0), Contribution(rest, 40.0))
    u = combined_uncertainty(shared)
    setups = [
        group_of("", replace(sample(speeds, shared=u), shared=shared))
        for speeds in (SLOW, FAST)
    ]
    by_scale, by_aim = u / np.mean(SLOW) * 1.2, math.sqrt(2) * 40.0 * chord.u

    assert setups[0].u_aim_mps == pytest.approx(40.0 * chord.u)
    assert pair_of(*setups).difference.u_shared_mps == pytest.approx(
        math.hypot(by_scale, by_aim)
    )


def test_the_errors_of_two_rigs_already_contain_the_aim():
    shared = (Contribution(chords("chords", 0.02, 5e-3), 40.0),)
    u = combined_uncertainty(shared)
    one, two = (
        group_of("", replace(sample(speeds, shared=u), shared=shared), rig, rig)
        for rig, speeds in enumerate((SLOW, FAST))
    )

    assert pair_of(one, two).difference.u_shared_mps == pytest.approx(u * math.sqrt(2))


def test_setups_of_two_sessions_are_compared_by_welch_s_test():
    """The drift between two recordings is nowhere in the data."""
    found = pair_of(group(SLOW), group(FAST, session=1))
    welch = stats.ttest_ind(FAST, SLOW, equal_var=False)

    assert not found.of_one_session
    assert found.difference == found.plain
    assert found.difference.p_value == pytest.approx(welch.pvalue, rel=1e-9)
    between = welch.confidence_interval(0.95)
    assert found.difference.U95_mps == pytest.approx((between.high - between.low) / 2, rel=1e-9)
    assert found.verdict is Verdict.FASTER


def test_the_drift_is_no_excuse_between_two_sessions():
    """Among several pairs the two corrections may differ; then nothing is settled."""
    first, second = group(SLOW), group(FAST, session=1)
    open_one, settled = Difference(1.0, 0.4, 9.0, p_adjusted=0.06), Difference(1.0, 0.1, 9.0)
    nothing = (math.nan, math.nan, math.nan)
    apart = PairComparison(first, second, open_one, settled, *nothing)
    within = PairComparison(first, group(FAST), open_one, settled, *nothing)

    assert apart.verdict is Verdict.NOT_SETTLED
    assert within.verdict is Verdict.FASTER_WITHOUT_DRIFT


def test_a_common_drift_of_shots_in_turn_falls_out():
    drift = np.arange(12) * 0.5
    speeds = np.tile([45.0, 45.6], 6) + drift + np.random.default_rng(3).normal(0, 0.05, 12)
    found = pair_of(*in_turn(speeds[::2], speeds[1::2]))

    assert found.difference.difference_mps == pytest.approx(0.6, abs=0.1)
    assert found.verdict is Verdict.FASTER
    assert not found.plain.settled
    assert found.faster is found.second


def test_blocks_that_differ_by_what_a_drift_makes_are_faster_only_without_it():
    speeds = 45 + 0.04 * np.arange(20) + np.random.default_rng(4).normal(0, 0.1, 20)
    found = pair_of(group(speeds[:10]), group(speeds[10:], np.arange(11, 21)))

    assert found.verdict is Verdict.FASTER_WITHOUT_DRIFT
    assert found.deciding is found.plain
    assert found.faster is found.second
    assert not found.difference.settled


def test_a_single_shot_is_compared_with_nothing():
    found = pair_of(group(SLOW), group([47.0], [9]))

    assert found.verdict is Verdict.UNKNOWN
    assert found.difference is None
    assert found.more_shots is None
    assert found.spread is SpreadVerdict.TOO_FEW


def test_shots_that_do_not_scatter_have_their_own_random_part():
    """By hand: 0.06 m/s of five shots each, and a drift fitted: √(2/5 + 5²/20) · 0.06."""
    numbers = np.arange(6, 11)
    both = [sample([v] * 5, n, random=0.06) for v, n in ((45.0, None), (45.2, numbers))]
    found = pair_of(*(group_of("setup", each) for each in both))

    assert found.difference.u_random_mps == pytest.approx(0.06 * math.sqrt(0.4 + 25 / 20))
    assert math.isinf(found.difference.dof)
    assert found.plain.u_random_mps == pytest.approx(0.06 * math.sqrt(0.4))
    near = [sample([v] * 5, n, random=0.06) for v, n in ((45.0, None), (45.05, numbers))]
    near_pair = pair_of(*(group_of("setup", each) for each in near))
    assert near_pair.more_shots.as_seen > 10, "not 1 as for shots without any spread"
    assert found.spread is SpreadVerdict.EQUAL_SPEEDS
    nothing = [sample([v] * 5, n) for v, n in ((45.0, None), (45.2, numbers))]
    assert pair_of(*(group_of("setup", each) for each in nothing)).verdict is Verdict.UNKNOWN


def test_holm_multiplies_the_least_p_by_all_tests_and_stops_at_the_first_that_is_too_large():
    """By hand: 4·0.01, 3·0.013, 2·0.03 > 0.05, and never less than the one before."""
    adjusted, levels = zip(*holm([0.03, 0.01, 0.04, 0.013]), strict=True)

    assert adjusted == pytest.approx((0.06, 0.04, 0.06, 0.04))
    assert levels == pytest.approx((0.025, 0.0125, 0.025, 0.05 / 3))
    assert holm([0.3]) == [(0.3, 0.05)]
    assert holm([0.9, 0.8])[0] == (1.0, 0.025)


@pytest.mark.parametrize("seed", range(40))
def test_the_interval_the_p_value_and_the_verdict_of_a_pair_say_the_same(seed):
    draw = np.random.default_rng(seed)
    groups = [
        group(
            draw.normal(45 + 0.4 * draw.normal(), 0.5, 6),
            np.arange(6 * place + 1, 6 * place + 7),
            session=place // 2,
            rig=place % 3,
            shared=0.1,
        )
        for place in range(5)
    ]
    for pair in compare_groups(groups).pairs:
        for each in (pair.difference, pair.plain):
            holds_zero = abs(each.difference_mps) <= each.U95_mps
            assert holds_zero == (each.p_adjusted > 0.05)
            assert each.settled == (not holds_zero)


def test_the_fastest_is_faster_than_all_others_and_the_weakest_verdict_counts():
    numbers = np.arange(30).reshape(10, 3).T + 1
    noise = np.random.default_rng(2).normal(0, 0.3, (3, 10))
    speeds = np.array([[20.0], [22.0], [22.1]]) + noise
    equal = compare_groups([group(v, n) for v, n in zip(speeds, numbers, strict=True)])
    assert equal.fastest is None
    assert equal.slower == (equal.groups[0],)
    speeds[2] += 3
    found = compare_groups([group(v, n) for v, n in zip(speeds, numbers, strict=True)])
    assert found.fastest == (found.groups[2], Verdict.FASTER)
    blocks = [
        group(v, np.arange(10) + 1 + 10 * i) for i, v in enumerate((speeds[0], speeds[1]))
    ]
    near = [blocks[0], group(speeds[0] + 0.6, np.arange(11, 21))]
    assert compare_groups(near).fastest[1] is Verdict.FASTER_WITHOUT_DRIFT


def test_without_its_suspicious_shot_a_pair_is_judged_again():
    draw = np.random.default_rng(5)
    a, b = draw.normal(45, 0.2, 10), draw.normal(45.5, 0.2, 10)
    assert pair_of(*in_turn(a, b)).without_suspicious is None
    b[4] = 40.0
    found = pair_of(*in_turn(a, b))

    assert found.second.suspicious == (10,)
    assert found.verdict is Verdict.NOT_SETTLED
    assert found.without_suspicious.verdict is Verdict.FASTER
    assert found.without_suspicious.second.series.n == 9


@pytest.mark.parametrize("u_rigs", [0.01, 0.4])
def test_with_two_rigs_p_is_the_level_whose_interval_reaches_zero(u_rigs):
    found = Difference(0.8, 0.1, 4.0, u_rigs)
    p = found.p_value
    half = math.hypot(
        stats.t.isf(p / 2, 4) * 0.1,
        stats.norm.isf(p / 2) * u_rigs,
    )

    assert half == pytest.approx(0.8, rel=1e-9)
    assert found.settled == (p < 0.05)


def test_recordings_differ_where_one_of_them_does():
    """Two are Welch's test; among equal ones one in twenty is called different."""
    draw = np.random.default_rng(8)

    def series(count, faster=0.0):
        speeds = draw.normal(45 + faster, 0.5, 8)
        return [
            series_statistics(draw.normal(45, 0.5, 8), *np.zeros((2, 8))) for _ in range(count)
        ] + [series_statistics(speeds, *np.zeros((2, 8)))]

    two = series(1)
    assert differing_p(two, [0, 0]) == pytest.approx(compare_series(*two).p_value, rel=1e-9)
    assert differing_p(series(4, faster=2.0), [0] * 5) < 0.001
    called = np.mean([differing_p(series(3), [0] * 4) < 0.05 for _ in range(500)])
    assert 0.01 < called < 0.09
    assert math.isnan(differing_p(series(0), [0]))
    # by hand: each rig's share of one mean less that of the others
    own = series_statistics(np.array([45.0, 45.1]), np.zeros(2), np.full(2, 0.3))
    other = series_statistics(np.array([46.0, 46.1]), np.zeros(2), np.full(2, 0.3))
    expected = compare_series(own, other, u_rigs_mps=0.3 * math.sqrt(2)).p_value
    assert differing_p([own, other], [0, 1]) == pytest.approx(expected, rel=1e-9)


def test_drift_has_the_slope_that_was_put_in_whatever_the_setups_means():
    numbers = np.arange(1, 21)
    noise = np.random.default_rng(1).normal(0, 0.01, 20)
    speeds = 40 + 5 * (numbers > 10) - 0.03 * numbers + noise
    found = drift_of([sample(speeds[:10], numbers[:10]), sample(speeds[10:], numbers[10:])])

    assert found is not None
    assert found.low_mps < -0.03 < found.high_mps
    assert found.high_mps - found.low_mps < 0.005
    assert found.seen
    assert found.shots == 20


def test_what_a_setup_scatters_is_told_apart_from_what_the_gates_scatter():
    found = scatter_of(sample([45.0, 45.3, 44.7, 45.1, 49.0, 44.9], random=0.1))

    assert found is not None
    assert found.suspicious == (5,)
    assert (found.slowest, found.fastest) == (3, 5)
    s = np.std([45.0, 45.3, 44.7, 45.1, 49.0, 44.9], ddof=1)
    assert found.launcher_s_mps == pytest.approx(math.sqrt(s**2 - 0.01))
    assert math.isnan(found.normal_p), "six shots tell nothing of the shape"
    assert scatter_of(sample([45.0])) is None


@pytest.mark.parametrize("n", [8, 20, 100])
def test_a_normal_sample_is_called_not_normal_once_in_twenty_times(n):
    draw = np.random.default_rng(n)
    called = np.mean([normal_p(draw.normal(45, 0.5, n)) < 0.05 for _ in range(3000)])

    assert 0.035 < called < 0.065
    assert np.mean([normal_p(draw.exponential(1, 40)) < 0.05 for _ in range(100)]) > 0.9


# Critical values of the corrected A², D'Agostino and Stephens 1986, table 4.7 (from memory;
# scipy.stats.anderson has them to three digits as 0.561, 0.631, 0.752, 0.873, 1.035)
@pytest.mark.parametrize(
    ("limit", "p"), [(0.561, 0.15), (0.631, 0.10), (0.752, 0.05), (0.873, 0.025), (1.035, 0.01)]
)
def test_its_p_values_are_those_of_the_published_limits(limit, p, monkeypatch):
    monkeypatch.setattr(scatter, "anderson_darling", lambda values: limit)

    assert normal_p(np.arange(100_000.0)) == pytest.approx(p, rel=0.05)


@pytest.mark.parametrize("n", [3, 5, 20])
def test_the_launcher_s_own_scatter_and_the_drift_are_in_their_intervals(n):
    draw = np.random.default_rng(n)
    launcher, gates, slope = 0.3, 0.2, 0.05
    held, runs = np.zeros(2), 3000
    for _ in range(runs):
        speeds = 45 + draw.normal(0, launcher, n) + draw.normal(0, gates, n)
        found = scatter_of(sample(speeds, random=gates))
        low, high = found.launcher_low_mps, found.launcher_high_mps
        creeping = sample(speeds + slope * np.arange(n), np.arange(1, n + 1))
        drift = drift_of([creeping])
        held += (
            low <= launcher <= high,
            drift is None or drift.low_mps <= slope <= drift.high_mps,
        )
    assert np.all((held / runs)[: 2 if n > 3 else 1] > 0.935), held / runs
    assert np.all((held / runs)[: 2 if n > 3 else 1] < 0.965), held / runs


def test_the_furthest_of_a_million_values_is_found_in_a_moment():
    values = np.random.default_rng(1).normal(45, 0.5, 1_000_000)
    values[[7, 400_000]] = 60.0, 20.0

    assert suspicious(values)[:2] == [400_000, 7]


def test_shots_of_one_speed_have_no_launcher_s_scatter_and_no_outlier():
    found = scatter_of(sample(np.full(9, 45.0), random=0.1))

    assert found is not None
    assert found.launcher_s_mps == 0
    assert found.suspicious == ()


def test_more_shots_are_wanted_for_less_difference_and_none_do_against_a_shared_part():
    so_far = [(0.5, 10), (0.5, 10)]

    assert more_shots(0.2, so_far) > more_shots(0.3, so_far) > 1
    assert more_shots(0.001, so_far) == MOST_SHOTS
    assert more_shots(0.3, so_far, u_shared=0.2) == MOST_SHOTS
    assert more_shots(0.3, so_far, level=0.005) > more_shots(0.3, so_far)
    blocks = np.arange(1, 11), np.arange(11, 21)
    assert more_shots(0.5, so_far, numbers=blocks) > more_shots(0.5, so_far)


def test_a_drift_costs_less_the_more_shots_follow_in_turn():
    """By hand: means of numbers 10 apart, squares 2·82.5; then 1 apart on average of many."""
    blocks = np.arange(1, 11), np.arange(11, 21)

    assert drift_share(*blocks, 0) == pytest.approx(10**2 / 165)
    assert drift_share(*blocks, 500) < 1e-6


def test_suspicious_shots_of_a_setup_are_named():
    wild = group([45.0, 45.3, 44.7, 45.1, 49.0, 44.9, 45.2], np.arange(11, 18))

    assert wild.suspicious == (15,)
    assert group(SLOW).suspicious == ()


SESSIONS = 10_000


@pytest.mark.long
@pytest.mark.parametrize("n", [5, 7, 10, 15, 20, 30])
def test_a_clean_session_has_a_suspicious_shot_in_at_most_one_of_twenty(n):
    draw = np.random.default_rng(n)
    named = sum(bool(suspicious(draw.normal(45, 0.5, n))) for _ in range(SESSIONS))

    assert 0.01 < named / SESSIONS <= 0.05


@pytest.mark.long
@pytest.mark.parametrize("n", [3, 5, 10, 30])
def test_intervals_of_a_mean_and_of_s_cover_as_stated(n):
    draw = np.random.default_rng(n)
    held = np.zeros(2)
    for _ in range(SESSIONS):
        speeds = draw.normal(45, 0.5, n)
        found = series_statistics(speeds, 0 * speeds, 0 * speeds)
        low, high = s_interval(found.s_mps, n)
        held += abs(found.mean_mps - 45) <= found.U95_mean_mps, low <= 0.5 <= high

    assert np.all((held / SESSIONS > 0.94) & (held / SESSIONS < 0.96)), held / SESSIONS


def in_turn(a, b) -> tuple[Group, Group]:
    return (
        group(a, 2 * np.arange(len(a)) + 1),
        group(b, 2 * np.arange(len(b)) + 2),
    )


def open_cases(n, difference, sessions, blocks):
    """Yield what is told of a difference that is not settled, and a thousand shots more."""
    draw = np.random.default_rng(10 * n + int(100 * difference))
    for _ in range(sessions):
        a, b = draw.normal(45, 0.5, n), draw.normal(45 + difference, 0.5, n)
        both = (group(a), group(b, np.arange(n + 1, 2 * n + 1))) if blocks else in_turn(a, b)
        (found,) = compare_groups(both).pairs
        if found.more_shots is not None:
            more = [draw.normal(v, 0.5, MOST_SHOTS) for v in (45, 45 + difference)]
            yield found, more


def settles(found: PairComparison, more, count: int) -> bool:
    """Tell whether so many further shots in turn settle a pair."""
    last = int(found.second.sample.number[-1])
    groups = []
    for place, (each, speeds) in enumerate(zip((found.first, found.second), more, strict=True)):
        numbers = last + 1 + place + 2 * np.arange(count)
        groups.append(
            group(
                np.append(each.sample.speed_mps, speeds[:count]),
                np.append(each.sample.number, numbers),
            )
        )
    return compare_groups(groups).pairs[0].verdict is Verdict.FASTER


@pytest.mark.long
@pytest.mark.parametrize("blocks", [False, True])
@pytest.mark.parametrize("difference", [0.0, 0.1, 0.25, 0.4, 0.8])
@pytest.mark.parametrize("n", [3, 5, 10])
def test_so_many_shots_as_are_said_to_settle_it_at_most_do(n, difference, blocks):
    right = asked = 0
    sessions = 1200 if (n, difference) == (10, 0.8) else 400
    for found, more in open_cases(n, difference, sessions, blocks):
        most = found.more_shots.most
        asked += 1
        right += most is None or settles(found, more, most)
        assert most is None or most >= found.more_shots.as_seen

    assert asked > 30
    assert right / asked >= 0.8, right / asked


@pytest.mark.long
@pytest.mark.parametrize("blocks", [False, True])
@pytest.mark.parametrize("n", [3, 5, 10])
def test_where_it_is_as_large_as_it_looks_the_shots_said_settle_it_in_four_of_five(n, blocks):
    settled = asked = 0
    for found, more in open_cases(n, 0.4, 2500, blocks):
        looks = abs(found.deciding.difference_mps)
        if abs(looks - 0.4) > 0.04:
            continue
        asked += 1
        settled += settles(found, more, found.more_shots.as_seen)

    assert asked > 100
    chance = 2 * np.sqrt(0.8 * 0.2 / asked)  # so much below four of five by the drawing alone
    assert settled / asked >= 0.8 - chance, settled / asked


def test_p_values_of_normal_shots_lie_all_over_0_to_1():
    """The published formulas are rough in the middle: a tenth of 0 … 1 holds 8 % to 15 %."""
    draw = np.random.default_rng(3)
    p = [normal_p(draw.normal(45, 0.5, 30)) for _ in range(1000)]
    parts, _ = np.histogram(p, 10, (0, 1))

    assert parts.sum() == 1000
    assert 60 < parts.min() < parts.max() < 160


def test_a_trimmed_mean_leaves_out_as_many_at_each_end():
    """By hand for ten values: 10/(2·√6) = 2.04, two at each end."""
    assert trimmed_mean(np.array([6.0, 100, 0, 1, 2, 100, 3, 4, 5, -50])) == pytest.approx(3.5)


def test_four_shots_are_the_fewest_that_show_a_drift():
    numbers = np.arange(1, 5)
    assert drift_of([sample([1.0, 2, 3, 4], numbers)]).slope_mps == pytest.approx(1.0)
    assert drift_of([sample([1.0, 2, 3], numbers[:3])]) is None


@pytest.mark.parametrize(("difference", "more"), [(10.0, 1), (4.8, 3)])
def test_few_shots_so_far_tell_little_of_the_scatter_and_more_are_wanted(difference, more):
    """
    By hand for s = 1 and two shots each; 0.4463 is the 20 % point of χ² with 2 degrees.

    σ may be √(2/0.4463) = 2.117. With 2 more shots (2.447 + 0.906)·2.117·√(2/4) = 5.02, and
    with 3 more (2.306 + 0.889)·2.117·√(2/5) = 4.28.
    """
    assert more_shots(difference, [(1.0, 2), (1.0, 2)]) == more
