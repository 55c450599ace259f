"""Samples of one setup put together: what falls with their number, and what does not."""

import math

import numpy as np
import pytest
from trial_kit import trials

from chrono.measuring.error_budget import Contribution, combined_uncertainty, normal
from chrono.measuring.series_statistics import (
    Sample,
    of_several_parts,
    pooled_sample,
    pooled_series,
    series_of,
)


def sample(speeds, u_shared: float, u_random: float = 0.0, parts=()) -> Sample:
    speeds = np.asarray(speeds, float)
    shape = len(speeds)
    return Sample(
        np.arange(1, shape + 1),
        speeds,
        np.full(shape, u_random),
        np.full(shape, u_shared),
        np.full(shape, 2 * u_shared),
        tuple(parts),
    )


ONE, THREE = [20.0], [20.5, 21.0, 22.0]


def test_one_rig_s_shared_part_counts_once_however_many_recordings() -> None:
    few = series_of(pooled_sample([sample(ONE, 0.1), sample(THREE, 0.1)], [0, 0]))
    many = series_of(pooled_sample([sample(THREE, 0.1)] * 50, [0] * 50))
    assert few.u_shared_mean_mps == pytest.approx(0.1, rel=1e-12)
    assert many.u_shared_mean_mps == pytest.approx(0.1, rel=1e-12)
    assert many.u_random_mean_mps < few.u_random_mean_mps / 5


def test_one_rig_s_shared_parts_are_averaged_as_in_one_recording() -> None:
    found = series_of(pooled_sample([sample(ONE, 0.1), sample(THREE, 0.2)], [0, 0]))
    assert found.u_shared_mean_mps == pytest.approx((0.1 + 3 * 0.2) / 4, rel=1e-12)


def test_rigs_count_each_for_its_part_of_the_shots() -> None:
    found = series_of(pooled_sample([sample(ONE, 0.1), sample(THREE, 0.2)], [0, 1]))
    by_hand = math.sqrt((0.25 * 0.1) ** 2 + (0.75 * 0.2) ** 2)
    assert found.u_shared_mean_mps == pytest.approx(by_hand, rel=1e-12)


def test_a_rig_s_recordings_count_together_among_those_of_another() -> None:
    samples = [sample(THREE, 0.1), sample(THREE, 0.2), sample(THREE, 0.1), sample(THREE, 0.1)]
    found = series_of(pooled_sample(samples, [0, 1, 0, 0]))
    by_hand = math.sqrt((0.75 * 0.1) ** 2 + (0.25 * 0.2) ** 2)
    assert found.u_shared_mean_mps == pytest.approx(by_hand, rel=1e-12)


def test_what_the_shared_part_is_made_of_keeps_its_shares() -> None:
    parts = [Contribution(normal("spacing", 3.0), 1.0), Contribution(normal("tilt", 4.0), 1.0)]
    found = pooled_sample([sample(ONE, 0.5, parts=parts), sample(THREE, 0.5)], [0, 1])
    assert combined_uncertainty(found.shared) == pytest.approx(found.u_shared_mps[0], rel=1e-12)
    ratio = found.shared[0].u_out / found.shared[1].u_out
    assert ratio == pytest.approx(3 / 4, rel=1e-12)


def test_the_shots_are_all_there_in_order_numbered_anew() -> None:
    found = pooled_sample([sample(ONE, 0.1), sample(THREE, 0.1)], [0, 0])
    assert found.speed_mps.tolist() == ONE + THREE
    assert found.number.tolist() == [1, 2, 3, 4]
    series = series_of(found)
    assert series.mean_mps == pytest.approx(np.mean(ONE + THREE))
    assert series.s_mps == pytest.approx(np.std(ONE + THREE, ddof=1))


def test_one_sample_stays_as_it_is() -> None:
    alone = sample(ONE, 0.1)
    assert pooled_sample([alone], [0]) is alone


@trials((400, 0.91, 0.985), (4000, 0.94, 0.962), "rounds_and_bounds")
@pytest.mark.parametrize("rigs", [[0, 0, 0], [0, 1, 2], [0, 0, 1]])
@pytest.mark.parametrize("scatter", [0.3, 0.02])
def test_nineteen_of_twenty_intervals_hold_the_truth(rigs, scatter, rounds_and_bounds) -> None:
    """Simulated sessions: errors of a rig are common to all its recordings."""
    dice = np.random.default_rng(7)
    rounds, least, most = rounds_and_bounds
    shots, hits = (4, 8, 6), 0
    for _ in range(rounds):
        error = dice.normal(0.0, 0.12, 3)
        samples = [
            sample(20.0 + error[rig] + dice.normal(0.0, scatter, n), 0.12)
            for rig, n in zip(rigs, shots, strict=True)
        ]
        series = pooled_series(samples, rigs)
        hits += abs(series.mean_mps - 20.0) <= series.U95_mean_mps
    # 0.95 ± 4·√(0.95·0.05/rounds)
    assert least <= hits / rounds <= most


def test_the_errors_of_rigs_are_not_counted_twice() -> None:
    """Rigs 1 m/s apart whose shots agree to 0.1 m/s: s of all shots has the rigs' errors."""
    samples = [sample([v - 0.1, v, v + 0.1], 0.5) for v in (20.0, 21.0)]
    one, two = pooled_series(samples, [0, 0]), pooled_series(samples, [0, 1])
    assert two.u_random_mean_mps == pytest.approx(0.1 / math.sqrt(6))
    assert two.random_dof == 4
    assert one.u_random_mean_mps == pytest.approx(one.s_mps / math.sqrt(6))
    assert one.s_mps == two.s_mps > 0.5
    single = [sample([20.0], 0.5), sample([21.0], 0.5)]
    assert pooled_series(single, [0, 1]).u_random_mean_mps == pytest.approx(0.5), "s of both"


def test_setups_of_single_shots_have_a_mean_without_an_uncertainty() -> None:
    series = series_of(sample([20.0, 25.0], 0.05, u_random=0.02))
    found = of_several_parts(series, math.nan, 0, ())
    assert found.mean_mps == 22.5
    assert math.isnan(found.U95_mean_mps)
    assert math.isnan(found.u_random_mean_mps)


def test_the_scatter_s_interval_of_two_rigs_is_that_of_shots_within_a_rig() -> None:
    """By hand: s = √2 in both rigs, 2 degrees of freedom, t = 4.3027, so ± 4.3027·√2/√4."""
    found = pooled_series([sample([20.0, 22.0], 0.1), sample([30.0, 32.0], 0.1)], [0, 1])

    assert (found.ci_low_mps, found.ci_high_mps) == pytest.approx((22.9576, 29.0424), abs=1e-4)
    assert found.U95_random_mean_mps == pytest.approx(3.0424, abs=1e-4)
