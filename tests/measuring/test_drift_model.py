"""Setups and one drift fitted together: against whole matrices, and what must hold."""

import numpy as np
import pytest

from chrono.measuring.drift_model import fit_drift
from chrono.measuring.series_statistics import Sample


def samples_of(sizes, seed, own=0.0, drift=0.1):
    """Return setups of unlike spread, shot in no order."""
    draw = np.random.default_rng(seed)
    numbers = draw.permutation(np.arange(1, sum(sizes) + 4))
    found, begin = [], 0
    for place, size in enumerate(sizes):
        own_numbers = np.sort(numbers[begin : begin + size])
        begin += size
        speeds = draw.normal(20 + place, 1 + place, size) + drift * own_numbers
        found.append(Sample(own_numbers, speeds, np.full(size, own), np.zeros(size)))
    return found


@pytest.mark.parametrize(("sizes", "seed"), [((3, 7, 5, 8), 1), ((2, 2), 2), ((4, 2, 9), 3)])
def test_errors_and_degrees_of_freedom_are_those_of_whole_matrices(sizes, seed):
    samples = samples_of(sizes, seed, own=0.1)
    fit = fit_drift(samples)
    setup = np.repeat(np.arange(len(sizes)), sizes)
    size = len(setup)
    model = np.zeros((size, len(sizes) + 1))
    model[np.arange(size), setup] = 1
    model[:, -1] = np.concatenate([each.number for each in samples])
    solve = model @ np.linalg.inv(model.T @ model)
    rest = np.eye(size) - solve @ model.T
    speeds = np.concatenate([each.speed_mps for each in samples])
    residuals, freedom = rest @ speeds, np.diag(rest)
    spread = np.bincount(setup, residuals**2 / freedom) / np.array(sizes)
    for first in range(len(sizes)):
        for second in range(first + 1, len(sizes)):
            factors = solve[:, second] - solve[:, first]
            weights = factors**2 / freedom
            form = rest @ np.diag(weights) @ rest @ np.diag(spread[setup])
            found = fit.difference(first, second)

            assert found.difference_mps == pytest.approx(factors @ speeds, rel=1e-9)
            assert found.u_mps == pytest.approx(np.sqrt(weights @ residuals**2), rel=1e-9)
            dof = np.trace(form) ** 2 / np.trace(form @ form)
            assert found.dof == pytest.approx(dof, rel=1e-9)
            assert found.u_own_mps == pytest.approx(0.1 * np.linalg.norm(factors), rel=1e-9)


def test_setups_about_the_same_shot_have_welch_s_error_and_nearly_his_degrees_of_freedom():
    """1, 4, 5, 8 and 2, 3, 6, 7 have one mean: no drift can be between them."""
    draw = np.random.default_rng(4)
    numbers = np.arange(1, 81).reshape(10, 8)
    places = ([0, 3, 4, 7], [1, 2, 5, 6])
    both = [
        Sample(np.sort(numbers[:, place].ravel()), draw.normal(20, s, 40), *np.zeros((2, 40)))
        for place, s in zip(places, (1.0, 3.0), strict=True)
    ]
    found = fit_drift(both).difference(0, 1)
    squares = [each.speed_mps.var(ddof=1) / 40 for each in both]
    welch = sum(squares) ** 2 / sum(square**2 / 39 for square in squares)

    assert found.difference_mps == pytest.approx(
        both[1].speed_mps.mean() - both[0].speed_mps.mean()
    )
    assert found.u_mps == pytest.approx(np.sqrt(sum(squares)), rel=0.03)
    assert found.dof == pytest.approx(welch, rel=0.06)


def test_a_drift_that_is_put_on_comes_off_again():
    samples = samples_of((5, 6), 5, drift=0.0)
    moved = [
        Sample(
            each.number, each.speed_mps + 0.3 * each.number, *np.zeros((2, len(each.number)))
        )
        for each in samples
    ]
    still, found = (fit_drift(each).difference(0, 1) for each in (samples, moved))

    assert found.difference_mps == pytest.approx(still.difference_mps, rel=1e-9)
    assert found.u_mps == pytest.approx(still.u_mps, rel=1e-9)
    assert found.dof == pytest.approx(still.dof, rel=1e-9)


def test_equal_speeds_leave_no_error_and_all_degrees_of_freedom():
    both = [Sample(np.arange(k, k + 3), np.full(3, 20.0), *np.zeros((2, 3))) for k in (1, 4)]
    found = fit_drift(both).difference(0, 1)

    assert (found.u_mps, found.dof) == (0.0, 3.0)


def test_one_setup_is_no_model_and_a_shot_far_away_cannot_fix_the_drift_alone():
    one = samples_of((5,), 6)
    assert fit_drift(one) is None
    far = [
        Sample(np.array([1, 10**9]), np.array([20.0, 21.0]), *np.zeros((2, 2))),
        Sample(np.array([2, 3]), np.array([20.0, 21.0]), *np.zeros((2, 2))),
    ]
    fit = fit_drift(far)
    assert fit is None
