"""How often equal setups are called different, in many simulated sessions."""

import numpy as np
import pytest
from many_sessions import (
    DRIFTS,
    RATIOS,
    SETUPS,
    SHAPES,
    SHOTS,
    Plan,
    S,
    any_claim,
    cells,
    false_repeatable,
    p_plain,
    p_with_drift,
    spread_claims,
    spreads_of,
)
from trial_kit import trials

from chrono.measuring.scatter import s_ratio_intervals
from chrono.measuring.series_statistics import Sample
from chrono.measuring.setup_comparison import Comparison, Verdict, compare_groups, group_of
from chrono.rigs.rig_file import default_rig
from chrono.session.pooled_samples import RecordingSamples, groups_from

MOST = 0.06
"""Share of sessions in which anything false may be claimed; 10⁴ sessions know it to 0.0024."""


def compared(plan: Plan, speeds: np.ndarray) -> Comparison:
    """Return what the program finds in one session."""
    groups = []
    for place in range(plan.setups):
        own = np.flatnonzero(plan.setup == place)
        nothing = np.zeros(len(own))
        found = group_of(str(place), Sample(own + 1, speeds[own], nothing, nothing))
        assert found is not None
        groups.append(found)
    return compare_groups(groups)


@pytest.mark.parametrize("setups", SETUPS)
@pytest.mark.parametrize("in_turn", [False, True])
@pytest.mark.parametrize("shots", [3, 10])
def test_the_sums_of_many_sessions_are_those_of_the_program(setups, in_turn, shots):
    plan = Plan(setups, shots, in_turn)
    speeds = plan.speeds(3, spreads_of(setups, 3)[0], 0.4, seed=1)
    fitted, plain = p_with_drift(plan, speeds), p_plain(plan, speeds)
    for session in range(3):
        pairs = compared(plan, speeds[session]).pairs
        assert [p.difference.p_value for p in pairs] == pytest.approx(fitted[session], rel=1e-9)
        assert [p.plain.p_value for p in pairs] == pytest.approx(plain[session], rel=1e-9)
        is_claimed = any(pair.verdict is Verdict.FASTER for pair in pairs)
        assert is_claimed == (fitted[session].min() * len(pairs) <= 0.05)


@pytest.mark.parametrize("in_turn", [False, True])
def test_a_steady_drift_of_the_launcher_changes_no_p_value(in_turn):
    plan = Plan(3, 5, in_turn)
    still, moved = (plan.speeds(50, spreads_of(3, 3)[0], drift, 1) for drift in (0.0, 0.4))
    assert p_with_drift(plan, moved) == pytest.approx(p_with_drift(plan, still), rel=1e-8)
    assert p_plain(plan, moved) != pytest.approx(p_plain(plan, still), rel=1e-2)


@pytest.mark.parametrize("setups", SETUPS)
@pytest.mark.parametrize("in_turn", [False, True])
def test_few_sessions_in_a_hundred_have_a_false_claim(setups, in_turn):
    for shots, ratio in ((3, 10), (10, 1)):
        plan = Plan(setups, shots, in_turn)
        speeds = plan.speeds(1500, spreads_of(setups, ratio)[0], 0.4, seed=shots)
        assert any_claim(p_with_drift(plan, speeds)) <= MOST + 4 * 0.0061


def test_without_the_drift_two_blocks_would_be_called_different_in_half_the_sessions():
    """What the fit is for: the launcher drifts 0.4 m/s in ten shots of s = 0.4 m/s."""
    plan = Plan(2, 10, in_turn=False)
    speeds = plan.speeds(2000, spreads_of(2, 1)[0], 0.4, seed=5)
    assert any_claim(p_plain(plan, speeds)) > 0.4
    assert any_claim(p_with_drift(plan, speeds)) < 0.07


def test_half_a_metre_per_second_is_seen_by_ten_shots_in_turn():
    plan = Plan(2, 10, in_turn=True)
    speeds = plan.speeds(4000, spreads_of(2, 1)[0], 0.0, seed=9, faster=0.5)
    assert S == 0.4
    assert any_claim(p_with_drift(plan, speeds)) >= 0.70


@pytest.mark.long
@pytest.mark.parametrize("setups", SETUPS)
@pytest.mark.parametrize("in_turn", [False, True])
@pytest.mark.parametrize("shots", SHOTS)
def test_no_cell_of_the_table_has_more_false_claims_than_are_stated(setups, in_turn, shots):
    found = list(cells(Plan(setups, shots, in_turn), 10_000))
    assert len(found) == len(RATIOS) * len(DRIFTS)
    for ratio, drift, share, _ in found:
        assert share <= MOST, (ratio, drift, share)


def test_the_program_s_intervals_of_s_claim_what_the_sums_claim():
    draw = np.random.default_rng(3)
    samples = [draw.normal(0, 1 + place, (40, n)) for place, n in enumerate((5, 9, 20))]
    claims = []
    for session in zip(*samples, strict=True):
        ratios = s_ratio_intervals(session).values()
        claims.append(any(low > 1 or high < 1 for low, high in ratios))
    assert claims == spread_claims(samples).tolist()
    assert 0 < sum(claims) < 40


@pytest.mark.parametrize("shape", SHAPES)
def test_few_sessions_in_a_hundred_call_equal_spreads_unequal(shape):
    assert false_repeatable(2, 10, shape, 3000) <= MOST + 4 * 0.0043


@pytest.mark.long
@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("setups", SETUPS)
@pytest.mark.parametrize("shots", [5, 6, 8, 10, 15, 20, 30, 100])
def test_no_number_of_shots_has_more_false_claims_on_repeatability(shape, setups, shots):
    assert false_repeatable(setups, shots, shape, 10_000) <= MOST


@trials(150, 2500)
@pytest.mark.parametrize("rigs", [2, 3])
def test_the_errors_of_rigs_of_one_name_are_no_difference_between_setups(rigs, count):
    """Each recording is from gates of its own, off by its own shared error."""
    draw = np.random.default_rng(12 + rigs)
    claims = 0
    for _ in range(count):
        recordings = []
        for place in range(rigs):
            speeds = 45 + draw.normal(0, 0.2) + draw.normal(0, 0.3, 6)
            sample = Sample(np.arange(1, 7), speeds, np.zeros(6), np.full(6, 0.2))
            own = default_rig(0.3 + 0.01 * place)
            recordings.append(RecordingSamples(f"{place}.tsv", own, {"two": sample}))
        assert len({each.rig.name for each in recordings}) == 1
        pairs = compare_groups(groups_from(recordings)).pairs
        claims += any(pair.verdict is Verdict.FASTER for pair in pairs)

    assert claims / count <= MOST + 4 * np.sqrt(0.05 * 0.95 / count) * (count < 1000)
