"""Comparison of setups: what is known beforehand, and what simulated sessions show."""

import math

import numpy as np
import pytest
from scipy import stats

from chrono.measuring import scatter
from chrono.measuring.scatter import (
    drift_of,
    normal_p,
    s_ratio_interval,
    scatter_of,
    suspicious,
)
from chrono.measuring.series_statistics import Sample, s_interval, series_statistics
from chrono.measuring.setup_comparison import (
    MOST_SHOTS,
    Difference,
    Group,
    compare_groups,
    compare_pair,
    compare_series,
    difference_factor,
    group_of,
    is_settled,
    more_shots,
    series_factor,
)
from chrono.reports.comparison_text import chance_words, more_sentence


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


def test_the_shared_part_of_one_rig_is_a_scale_and_of_two_rigs_counts_in_full():
    one = compare_pair(group(SLOW, shared=0.4), group(FAST, session=1, shared=0.4)).difference
    two = compare_pair(
        group(SLOW, shared=0.4), group(FAST, session=1, rig=1, shared=0.4)
    ).difference

    assert one is not None
    assert two is not None
    assert one.u_shared_mps == pytest.approx(0.4 / np.mean(SLOW) * 1.2)
    assert two.u_shared_mps == pytest.approx(0.4 * math.sqrt(2))


def test_shots_in_turn_are_compared_as_pairs_and_their_common_drift_falls_out():
    drift = np.arange(12) * 0.5
    speeds = np.tile([45.0, 45.6], 6) + drift + np.random.default_rng(3).normal(0, 0.05, 12)
    first = group(speeds[::2], np.arange(1, 13, 2))
    second = group(speeds[1::2], np.arange(2, 13, 2))
    found = compare_pair(first, second)

    assert found.pairs == 6
    assert found.difference is not None
    assert found.difference.difference_mps == pytest.approx(1.1, abs=0.1)
    assert is_settled(found.difference)
    unpaired = compare_series(first.series, second.series)
    assert unpaired is not None
    assert not is_settled(unpaired)


@pytest.mark.parametrize("pairs", [4, 9])
def test_the_interval_of_pairs_is_that_of_student_s_t_on_their_differences(pairs: int):
    rng = np.random.default_rng(pairs)
    speeds = np.tile([45.0, 45.6], pairs) + rng.normal(0, 0.3, 2 * pairs)
    numbers = np.arange(1, 2 * pairs + 1)
    found = compare_pair(group(speeds[::2], numbers[::2]), group(speeds[1::2], numbers[1::2]))

    between = stats.ttest_rel(speeds[1::2], speeds[::2]).confidence_interval(0.95)
    assert found.pairs == pairs
    assert found.difference is not None
    half = found.difference.U95_mps
    assert found.difference.difference_mps == pytest.approx((between.low + between.high) / 2)
    assert half == pytest.approx((between.high - between.low) / 2, rel=2e-3)


def test_setups_shot_one_after_the_other_or_on_two_days_are_no_pairs():
    after = compare_pair(group(SLOW), group(FAST, np.arange(6, 11)))
    elsewhere = compare_pair(group(SLOW, [1, 3, 5, 7, 9]), group(FAST, [2, 4, 6, 8, 10], 1))

    assert after.pairs == elsewhere.pairs == 0


def test_a_single_shot_is_compared_with_nothing():
    found = compare_pair(group(SLOW), group([47.0], [9]))

    assert found.difference is None
    assert found.more_shots is None
    assert math.isnan(found.s_ratio)


def test_three_setups_have_an_analysis_of_variance_and_two_have_none():
    three = compare_groups([group(SLOW), group(FAST), group(SLOW)])

    assert three.one_way is not None
    assert len(three.tukey) == len(three.pairs) == 3
    assert compare_groups([group(SLOW), group(FAST)]).one_way is None


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


@pytest.mark.parametrize("dof", [1, 2, 4, 9])
def test_a_difference_from_an_exact_mean_has_student_s_t(dof):
    parts = [(0.3, float(dof)), (0.0, math.inf)]

    assert difference_factor(parts) == pytest.approx(stats.t.ppf(0.975, dof), rel=1e-9)
    assert difference_factor(parts[::-1]) == difference_factor(parts)


def test_the_series_is_fisher_s_expansion_of_student_s_t_at_its_ends():
    """Abramowitz and Stegun 26.7.5, to 1/ν² (from memory, held against scipy's own t)."""
    z, dof = 1.959964, 40
    expanded = z + (z**3 + z) / (4 * dof) + (5 * z**5 + 16 * z**3 + 3 * z) / (96 * dof**2)

    assert series_factor(z, [(1.0, dof)]) == pytest.approx(expanded, rel=1e-9)
    assert expanded == pytest.approx(stats.t.ppf(0.975, dof), rel=5e-5)


@pytest.mark.parametrize(("n", "ratio"), [(3, 1.0), (5, 3.0)])
def test_the_series_at_its_middle_holds_the_share_that_it_states(n, ratio):
    """Drawn are the spreads alone; the share of differences held is then exact."""
    draw = np.random.default_rng(n)
    held = []
    for _ in range(4000):
        u = [s * math.sqrt(draw.chisquare(n - 1) / (n - 1) / n) for s in (1.0, ratio)]
        half = difference_factor([(u[0], n - 1), (u[1], n - 1)]) * math.hypot(*u)
        held.append(1 - 2 * stats.norm.sf(half / math.hypot(1, ratio) * math.sqrt(n)))

    assert np.mean(held) == pytest.approx({1.0: 0.959, 3.0: 0.947}[ratio], abs=0.002)


def test_with_two_rigs_few_shots_count_for_what_part_they_have():
    """t has the freedom of the whole: rigs known beforehand make it nearly normal."""
    found = Difference.of(0.8, [(0.1, 2.0), (0.0, math.inf)], u_rigs_mps=0.4)
    u = math.hypot(0.1, 0.4)

    assert found.p_value == pytest.approx(2 * stats.t.sf(0.8 / u, 2 * (u / 0.1) ** 4), rel=1e-9)
    assert found.p_value < 0.06


def test_many_shots_and_two_rigs_leave_the_normal_interval_of_all_parts():
    many = 100_000
    found = Difference.of(0.5, [(0.1, many), (0.2, many)], u_rigs_mps=0.2)

    assert found.U95_mps == pytest.approx(1.96 * 0.3, rel=1e-3)
    assert found.t == pytest.approx(0.5 / 0.3)
    assert found.p_value == pytest.approx(2 * stats.norm.sf(0.5 / 0.3), rel=1e-3)


@pytest.mark.long
def test_rigs_that_differ_are_no_difference_between_setups():
    """Their shared errors stand in each interval, and there is no analysis of variance."""
    rng = np.random.default_rng(12)
    alarms = held = 0
    for _ in range(600):
        groups = []
        for rig in range(3):
            own = rng.normal(0, 0.2)
            groups.append(group(45 + own + rng.normal(0, 0.3, 6), rig=rig, shared=0.2))
        found = compare_groups(groups)
        assert found.one_way is None
        alarms += any(each.p_value < 0.05 for each in found.tukey)
        held += all(each.low <= 0 <= each.high for each in found.tukey)

    assert alarms / 600 <= 0.06
    assert 0.94 <= held / 600 <= 0.985


def test_one_rig_s_shared_part_is_a_scale_on_tukey_s_intervals_too():
    none, some = (
        compare_groups([group(SLOW, shared=u), group(FAST, shared=u), group(SLOW, shared=u)])
        for u in (0.0, 4.5)
    )

    assert none.one_way == some.one_way
    first, second = none.tukey[0], some.tukey[0]
    scale = 4.5 / np.mean(SLOW) * first.difference
    # of three groups the largest of all normal differences: q(0.95, 3, ∞) = 3.31 (from memory)
    wider = math.hypot((first.high - first.low) / 2, 3.31 / math.sqrt(2) * scale)
    assert (second.high - second.low) / 2 == pytest.approx(wider, rel=2e-3)
    assert second.p_value == first.p_value
    assert some.tukey[1].high - some.tukey[1].low == pytest.approx(
        none.tukey[1].high - none.tukey[1].low
    )


def test_suspicious_shots_of_a_setup_are_named():
    wild = group([45.0, 45.3, 44.7, 45.1, 49.0, 44.9, 45.2], np.arange(11, 18))

    assert wild.suspicious == (15,)
    assert group(SLOW).suspicious == ()


@pytest.mark.parametrize(
    ("p", "words"),
    [
        (1e-7, "less than once in a million"),
        (2e-4, "less than once in a thousand"),
        (0.004, "less than once in a hundred"),
        (0.04, "once in 25 such days"),
        (0.3, "on 30 of 100 such days"),
        (1.0, "on 100 of 100 such days"),
    ],
)
def test_chance_is_told_in_days_that_make_sense(p, words):
    assert words in chance_words(p)


def test_how_far_the_number_still_wanted_can_be_told_depends_on_what_may_be_true():
    """By hand: an open 0.33 of u 0.18 may be 0.33 − 1.30·0.18 = 0.09 (at 80 %)."""
    spread = np.array([-1.5, -0.5, 0.5, 1.5] * 5) * 0.5
    a, b = 45 + spread, 45.33 + spread
    found = compare_pair(group(a), group(b, np.arange(21, 41)))
    assert not is_settled(found.difference)
    u, dof = found.difference.u_random_mps, found.difference.dof
    least = 0.33 - stats.t.ppf(0.9, dof) * u
    so_far = [(found.first.series.s_mps, 20), (found.second.series.s_mps, 20)]

    assert 0.05 < least < 0.2
    assert found.more_shots.as_seen == more_shots(0.33, so_far)
    assert found.more_shots.most == more_shots(least, so_far)
    nothing = compare_pair(group(a), group(b - 0.28, np.arange(21, 41))).more_shots
    assert nothing.most is None
    assert "no number does" in more_sentence(nothing) or nothing.as_seen == MOST_SHOTS
    assert f"{found.more_shots.most} do" in more_sentence(found.more_shots)


SESSIONS = 10_000


def shares(n_first, n_second, ratio, sessions=SESSIONS):
    """Return coverage of mean, s, ratio of s, difference, and false alarms, by drawing."""
    draw = np.random.default_rng(1000 * n_first + 10 * n_second + int(7 * ratio))
    hits = np.zeros(4)
    for _ in range(sessions):
        a, b = draw.normal(45, 0.5, n_first), draw.normal(45, 0.5 * ratio, n_second)
        first, second = (series_statistics(x, 0 * x, 0 * x) for x in (a, b))
        s_low, s_high = s_interval(first.s_mps, n_first)
        low, high = s_ratio_interval(first.s_mps, n_first, second.s_mps, n_second)
        hits += (
            abs(first.mean_mps - 45) <= first.U95_mean_mps,
            s_low <= 0.5 <= s_high,
            low <= ratio <= high,
            not is_settled(compare_series(first, second)),
        )
    return hits / sessions


@pytest.mark.long
@pytest.mark.parametrize("n", [3, 5, 10, 30])
def test_intervals_cover_and_false_alarms_are_as_stated(n):
    found = shares(n, n, 1.0)

    assert np.all((found > 0.94) & (found < 0.963)), found
    assert np.all(found[:3] < 0.96), found


@pytest.mark.long
@pytest.mark.parametrize("ratio", [0.2, 0.33, 0.5, 2.0, 3.0, 10.0])
@pytest.mark.parametrize("n", [3, 5, 10])
def test_they_do_where_one_setup_scatters_more_than_the_other(n, ratio):
    covered = shares(n, n, ratio)[3]

    assert 0.935 < covered < 0.963, covered


@pytest.mark.long
@pytest.mark.parametrize("ratio", [0.33, 1.0, 3.0])
def test_three_shots_against_ten_are_the_worst_case_that_is_told(ratio):
    assert 0.93 < shares(3, 10, ratio)[3] < 0.96


@pytest.mark.long
@pytest.mark.parametrize("n", [5, 7, 10, 15, 20, 30])
def test_a_clean_session_has_a_suspicious_shot_in_at_most_one_of_twenty(n):
    draw = np.random.default_rng(n)
    named = sum(bool(suspicious(draw.normal(45, 0.5, n))) for _ in range(SESSIONS))

    assert 0.01 < named / SESSIONS <= 0.05


def open_cases(n, difference, sessions):
    """Yield setups so far, what is told of an open difference, and a thousand shots more."""
    draw = np.random.default_rng(10 * n + int(100 * difference))
    for _ in range(sessions):
        a, b = draw.normal(45, 0.5, n), draw.normal(45 + difference, 0.5, n)
        found = compare_pair(group(a), group(b, np.arange(n + 1, 2 * n + 1)))
        if found.more_shots is not None:
            more_a = np.append(a, draw.normal(45, 0.5, MOST_SHOTS))
            more_b = np.append(b, draw.normal(45 + difference, 0.5, MOST_SHOTS))
            yield found, more_a, more_b


def settles(a, b):
    return is_settled(compare_series(*(series_statistics(x, 0 * x, 0 * x) for x in (a, b))))


@pytest.mark.long
@pytest.mark.parametrize("difference", [0.0, 0.1, 0.25, 0.4, 0.8])
@pytest.mark.parametrize("n", [3, 5, 10])
def test_so_many_shots_as_are_said_to_settle_it_at_most_do(n, difference):
    right = asked = 0
    for found, a, b in open_cases(n, difference, 500):
        most = found.more_shots.most
        asked += 1
        right += most is None or settles(a[: n + most], b[: n + most])
        assert most is None or most >= found.more_shots.as_seen

    assert asked > 30
    assert right / asked >= 0.8, right / asked


@pytest.mark.long
@pytest.mark.parametrize("n", [3, 5, 10])
def test_where_it_is_as_large_as_it_looks_the_shots_said_settle_it_in_four_of_five(n):
    settled = asked = 0
    for found, a, b in open_cases(n, 0.4, 3000):
        looks = abs(found.difference.difference_mps)
        if abs(looks - 0.4) > 0.04:
            continue
        asked += 1
        more = found.more_shots.as_seen
        settled += settles(a[: n + more], b[: n + more])

    assert asked > 100
    assert settled / asked >= 0.8, settled / asked
