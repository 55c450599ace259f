"""The interval that holds 95 % of the combined distribution, against exact forms."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, optimize, stats

from chrono.measuring.coverage_interval import (
    CoverageTable,
    coverage_half_width,
    cumulative,
    quotient_half_width,
)
from chrono.measuring.error_budget import (
    Contribution,
    Input,
    arcsine,
    coverage_factor,
    normal,
    rectangular,
    tilt,
    triangular,
    two_pair,
)
from chrono.measuring.monte_carlo import draw

ONE_OF_EACH = [
    normal("n", 0.7),
    normal("t", 0.7, dof=5),
    rectangular("r", 0.7),
    triangular("w", 0.7),
    two_pair("p", 0.7),
    arcsine("s", 0.7),
    tilt("l", 0.7),
]


def parts(*inputs: Input, sensitivity: float = 1.0) -> list[Contribution]:
    return [Contribution(i, sensitivity) for i in inputs]


@pytest.mark.parametrize("sensitivity", [1.0, -1.0, 150.0, -3e-7])
@pytest.mark.parametrize(
    ("inputs", "exact"),
    [
        # computed from the published formulas of the distributions
        ([rectangular("r", 2.0)], 0.95 * 2),
        ([triangular("w", 2.0)], (1 - math.sqrt(0.05)) * 2),
        ([arcsine("s", 2.0)], math.sin(0.95 * math.pi / 2) * 2),
        ([rectangular("a", 1.0), rectangular("b", 1.0)], (1 - math.sqrt(0.05)) * 2),
        ([triangular("a", 0.5), triangular("b", 0.5)], 1 - 0.6**0.25 / 2),  # Irwin–Hall
        ([two_pair("p", 1.0)], 1 - 0.075 ** (1 / 3)),  # P(|x| > X) = 2(1 − X)³/3 beyond ½
        ([normal("n", 2.0)], 2 * 1.959963984540054),
        ([normal("a", 3.0), normal("b", 4.0)], 5 * 1.959963984540054),
        ([normal("t", 2.0, dof=3)], 2 * 3.182446305284263),
        ([normal("t", 2.0, dof=1)], 2 * 12.706204736432095),
    ],
)
def test_exact_forms_are_reproduced(
    inputs: list[Input], exact: float, sensitivity: float
) -> None:
    result = coverage_half_width(parts(*inputs, sensitivity=sensitivity))
    assert result == pytest.approx(exact * abs(sensitivity), rel=3e-5)


def test_the_two_pair_error_is_that_of_counting_one_interval_twice() -> None:
    rng = np.random.default_rng(8)
    interval, first, second = 40 * rng.random((3, 20_000))  # ticks
    counts = [np.floor(start + interval) - np.floor(start) for start in (first, second)]
    errors = (counts[0] + counts[1]) / 2 - interval
    result = stats.kstest(errors, lambda x: cumulative(two_pair("p", 1.0), np.asarray(x)))
    assert result.pvalue > 1e-3


def test_a_rectangle_with_a_normal_agrees_with_quadrature() -> None:
    def outside(x: float) -> float:
        inside, _ = integrate.quad(lambda r: stats.norm.cdf((x - r) / 0.3), -1, 1, epsabs=1e-13)
        return 1 - inside / 2

    half_width = coverage_half_width(parts(rectangular("r", 1.0), normal("n", 0.3)))
    assert outside(half_width) == pytest.approx(0.025, abs=2e-6)


def test_other_probabilities_than_95_percent_hold_too() -> None:
    for probability in (0.5, 0.6827, 0.9, 0.99):
        normal_half = coverage_half_width(parts(normal("n", 1.0)), probability)
        assert normal_half == pytest.approx(coverage_factor(math.inf, probability), rel=3e-5)


def test_nothing_uncertain_gives_a_half_width_of_zero() -> None:
    assert coverage_half_width([]) == 0
    assert coverage_half_width(parts(normal("n", 0.0), rectangular("r", 0.0))) == 0


@pytest.mark.parametrize("quantity", ONE_OF_EACH, ids=lambda i: i.distribution)
def test_the_distribution_functions_are_those_of_the_draws(quantity: Input) -> None:
    draws = draw(quantity, np.random.default_rng(5), 20_000)
    result = stats.kstest(draws, lambda x: cumulative(quantity, np.asarray(x)))
    assert result.pvalue > 1e-3


@pytest.mark.parametrize("quantity", ONE_OF_EACH, ids=lambda i: i.distribution)
def test_every_input_has_mean_zero_and_its_standard_uncertainty(quantity: Input) -> None:
    draws = draw(quantity, np.random.default_rng(6), 400_000)
    s = quantity.u * (math.sqrt(5 / 3) if quantity.dof == 5 else 1)  # sd of t is u·√(ν/(ν−2))
    assert abs(draws.mean()) < 5 * s / math.sqrt(len(draws))
    assert draws.std() == pytest.approx(s, rel=0.02)


INPUTS = st.lists(
    st.builds(
        lambda i, scale: Contribution(i, scale),
        st.sampled_from(ONE_OF_EACH),
        st.floats(0.01, 10) | st.floats(-10, -0.01),
    ),
    min_size=1,
    max_size=6,
)


@settings(max_examples=40, deadline=None)
@given(INPUTS, st.floats(1e-9, 1e9))
def test_the_unit_of_the_result_does_not_matter(
    contributions: list[Contribution], scale: float
) -> None:
    scaled = [Contribution(c.input, c.sensitivity * scale) for c in contributions]
    assert coverage_half_width(scaled) == pytest.approx(
        scale * coverage_half_width(contributions), rel=1e-9
    )


@settings(max_examples=25, deadline=None)
@given(INPUTS)
def test_the_interval_holds_95_percent_of_drawn_sums(contributions: list[Contribution]) -> None:
    rng = np.random.default_rng(7)
    sums = sum(c.sensitivity * draw(c.input, rng, 200_000) for c in contributions)
    held = np.mean(np.abs(sums) <= coverage_half_width(contributions))
    assert abs(held - 0.95) < 5 * math.sqrt(0.95 * 0.05 / 200_000)


# -- factors worked out when a transit asks for them -----------------------------------------

NODES = np.geomspace(1e-4, 1.0, 41)


def factor_at(transit_s: float) -> float:
    """Any curve: that of a spring, so that every node has a value of its own."""
    return 2 + math.sin(3 * math.log(transit_s))


TRANSITS = st.lists(
    st.floats(1e-6, 100.0) | st.sampled_from(NODES.tolist()) | st.just(math.nan), max_size=60
)


@settings(deadline=None)
@given(TRANSITS, TRANSITS)
def test_factors_worked_out_on_demand_are_those_of_the_whole_table(
    before: list[float], asked: list[float]
) -> None:
    table = CoverageTable(NODES, factor_at)
    table.factor(np.array(before))
    whole = np.array([factor_at(t) for t in NODES])
    found = table.factor(np.array(asked))
    assert found.tobytes() == np.interp(np.array(asked), NODES, whole).tobytes()


def test_only_the_factors_beside_a_transit_are_worked_out_and_each_once() -> None:
    asked = []
    table = CoverageTable(NODES, lambda t: asked.append(t) or factor_at(t))  # type: ignore[func-returns-value]
    between = (NODES[7] + NODES[8]) / 2
    table.factor(np.array([[between], [math.nan]]))
    table.factor(np.array([between]))
    assert asked == NODES[7:9].tolist()
    table.work_out_all()
    assert sorted(asked) == NODES.tolist()


@pytest.mark.parametrize(
    "quantity",
    [rectangular("a", 2.0), triangular("b", 2.0), two_pair("c", 2.0), arcsine("d", 2.0)],
    ids=["rectangular", "triangular", "two-pair", "arcsine"],
)
def test_beyond_its_bounds_a_distribution_is_none_or_all(quantity: Input) -> None:
    beyond = np.array([-50.0, -quantity.half_width, quantity.half_width, 50.0])
    np.testing.assert_allclose(cumulative(quantity, beyond), [0.0, 0.0, 1.0, 1.0], atol=1e-15)


@pytest.mark.parametrize("relative_u", [0.1, 0.26, 0.36])
def test_the_interval_of_a_very_uncertain_quotient_is_that_of_an_integral(relative_u) -> None:
    """A speed is 1/(1 − z) of its estimate; z is weighed by 1/(1 − z), here by quadrature."""

    def weighed(z: float) -> float:
        return stats.norm.pdf(z, scale=relative_u) / max(1 - z, 0.1)

    def inside(width: float) -> float:
        lower = max(-width / (1 - width), -4.0) if width < 1 else -4.0
        return integrate.quad(weighed, lower, width / (1 + width), limit=200)[0]

    whole = integrate.quad(weighed, -4.0, 4.0, points=[0.9, 1.0], limit=200)[0]
    exact = optimize.brentq(lambda width: inside(width) / whole - 0.95, 1e-3, 100.0)
    part = Contribution(normal("time", relative_u), 20.0)
    assert quotient_half_width([part], 20.0) == pytest.approx(20.0 * exact, rel=1e-3)
