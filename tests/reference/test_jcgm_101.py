"""
JCGM 101:2008 (propagation of distributions): the additive models of 9.2 and the mass of 9.3.

Numbers of 9.2.2 and 9.2.3 were read in Suncal's tests, which quote the standard; the exact
quantiles are computed from the published distributions; others are marked.
"""

import math

import numpy as np
import pytest

from chrono.measuring.coverage_interval import coverage_half_width
from chrono.measuring.error_budget import (
    Contribution,
    Input,
    combined_uncertainty,
    expanded_uncertainty,
    normal,
    rectangular,
)
from chrono.measuring.monte_carlo import draw, monte_carlo, numerical_tolerance, validate

NORMALS = [normal(f"X{i}", 1.0) for i in range(4)]
RECTANGLES = [rectangular(f"X{i}", math.sqrt(3)) for i in range(4)]
ONE_WIDE = [*RECTANGLES[:3], rectangular("X4", 10 * math.sqrt(3))]


def additive(inputs: list[Input]) -> list[Contribution]:
    return [Contribution(i, 1.0) for i in inputs]


@pytest.mark.parametrize(
    ("inputs", "u", "printed", "exact"),
    [
        (NORMALS, 2.0, 3.92, 2 * 1.959963984540054),  # 9.2.2, table 2
        (RECTANGLES, 2.0, 3.88, 3.879406741),  # 9.2.3, table 3; 2√3·(2 − (3/5)^¼)
        (ONE_WIDE, 10.149, 17.0, 17.016),  # 9.2.4, table 4 (printed value from memory)
    ],
    ids=["9.2.2", "9.2.3", "9.2.4"],
)
def test_additive_models(inputs: list[Input], u: float, printed: float, exact: float) -> None:
    parts = additive(inputs)
    half_width = coverage_half_width(parts)
    assert combined_uncertainty(parts) == pytest.approx(u, abs=5e-4)
    assert half_width == pytest.approx(exact, rel=3e-5)
    assert half_width == pytest.approx(printed, abs=0.05 if printed > 10 else 0.005)

    trials = monte_carlo(lambda x: x.sum(axis=0), inputs, digits=2, seed=1)
    assert trials.settled
    assert trials.u == pytest.approx(u, rel=0.01)
    for end in (-trials.low, trials.high, trials.half_width):
        assert end == pytest.approx(exact, rel=0.02)


def test_9_2_3_first_order_is_a_little_wide() -> None:
    assert expanded_uncertainty(additive(RECTANGLES)) == pytest.approx(3.92, abs=0.005)


def test_9_2_4_first_order_is_not_validated_and_ours_is() -> None:
    parts = additive(ONE_WIDE)
    first_order = expanded_uncertainty(parts)
    assert first_order == pytest.approx(19.9, abs=0.05)
    trials = monte_carlo(lambda x: x.sum(axis=0), ONE_WIDE, digits=2, refinement=5, seed=2)
    assert not validate(0.0, first_order, trials, 2).agrees
    assert validate(0.0, coverage_half_width(parts), trials, 2).agrees


def test_7_9_2_numerical_tolerance() -> None:
    # examples of the clause (from memory): 0.00035 g to two digits and to one; 2 K to one
    assert numerical_tolerance(0.00035, 2) == pytest.approx(0.000005)
    assert numerical_tolerance(0.00035, 1) == pytest.approx(0.00005)
    assert numerical_tolerance(2.0, 1) == pytest.approx(0.5)


MASS_INPUTS = [
    normal("m_R", 0.050, unit="kg"),
    normal("dm_R", 0.020, unit="kg"),
    rectangular("rho_a", 0.10),
    rectangular("rho_W", 1000.0),
    rectangular("rho_R", 50.0),
]


def mass_difference(deviations: np.ndarray) -> np.ndarray:
    """Return 9.3's deviation of mass from 100 g [mg] for deviations of its five inputs."""
    m_r, dm_r, rho_a, rho_w, rho_r = deviations
    reference = 100_000.000 + m_r + 1.234 + dm_r
    buoyancy = (1.20 + rho_a - 1.2) * (1 / (8000 + rho_w) - 1 / (8000 + rho_r))
    return np.asarray(reference * (1 + buoyancy) - 100_000)


def shortest_interval(values: np.ndarray) -> tuple[float, float]:
    """Return the shortest interval that holds 95 % of the values (7.7.4)."""
    ordered = np.sort(values)
    inside = round(0.95 * len(ordered))
    first = int(np.argmin(ordered[inside:] - ordered[: len(ordered) - inside]))
    return float(ordered[first]), float(ordered[first + inside])


def test_9_3_mass_calibration_by_trials() -> None:
    # table 6: mean 1.2341, u 0.0754, shortest interval 1.0834 … 1.3825 (from memory)
    trials = monte_carlo(mass_difference, MASS_INPUTS, digits=2, seed=3)
    assert trials.settled
    assert trials.mean == pytest.approx(1.2341, abs=0.0005)
    assert trials.u == pytest.approx(0.0754, abs=0.0004)
    rng = np.random.default_rng(4)
    values = mass_difference(np.stack([draw(i, rng, 2_000_000) for i in MASS_INPUTS]))
    assert shortest_interval(values) == pytest.approx((1.0834, 1.3825), abs=0.002)


def test_9_3_mass_calibration_first_order_misses_the_second_order_terms() -> None:
    # first order: u = 0.0539, 1.1285 … 1.3395 (computed); the standard finds it not valid
    parts = [
        Contribution(quantity, sensitivity)
        for quantity, sensitivity in zip(MASS_INPUTS, (1.0, 1.0, 0.0, 0.0, 0.0), strict=True)
    ]
    half_width = expanded_uncertainty(parts)
    assert combined_uncertainty(parts) == pytest.approx(0.0539, abs=5e-5)
    assert (1.234 - half_width, 1.234 + half_width) == pytest.approx((1.1285, 1.3395), abs=2e-4)
    trials = monte_carlo(mass_difference, MASS_INPUTS, digits=1, refinement=5, seed=5)
    assert not validate(1.234, half_width, trials, 1).agrees


def test_nist_tn_1900_e13_thermal_expansion() -> None:
    # NIST TN 1900 E13 as in Suncal's test_NIST6: 1.7266e-5, u 1.76e-6 per kelvin
    inputs = [normal("L0", 1e-4), normal("T0", 0.02), normal("L1", 2e-4), normal("T1", 0.05)]

    def expansion(deviations: np.ndarray) -> np.ndarray:
        l0, t0, l1, t1 = deviations + np.array([[1.4999], [288.15], [1.5021], [373.10]])
        return np.asarray((l1 - l0) / (l0 * (t1 - t0)))

    trials = monte_carlo(expansion, inputs, digits=2, seed=6)
    assert trials.mean == pytest.approx(1.7266e-5, abs=2e-8)
    assert trials.u == pytest.approx(1.7555e-6, rel=0.01)
