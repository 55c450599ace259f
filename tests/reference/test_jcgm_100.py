"""
JCGM 100:2008 (GUM): example H.1, table G.2, and the standard uncertainties of clause 4.3.

Numbers of H.1 were read in the documentation and tests of GTC (MSLNZ) and Suncal (Sandia),
which quote the standard; table G.2 in Suncal's tests where marked, else computed.
"""

import math

import numpy as np
import pytest
from GTC import result, type_b, ureal

from chrono.measuring.error_budget import (
    Contribution,
    Input,
    arcsine,
    combined_uncertainty,
    coverage_factor,
    effective_dof,
    expanded_uncertainty,
    normal,
    rectangular,
    triangular,
)
from chrono.measuring.series_statistics import mean_and_s

L_S_NM = 50.000623e6


def comparator_difference() -> list[Contribution]:
    """Return H.1.3.2: repeatability, random and systematic effects of the comparator [nm]."""
    return [
        Contribution(normal("observations", 5.8, dof=24), 1.0),
        Contribution(normal("comparator, random", 3.9, dof=5), 1.0),
        Contribution(normal("comparator, systematic", 6.7, dof=8), 1.0),
    ]


def end_gauge() -> list[Contribution]:
    """Return H.1: l = l_s + d − l_s·(δα·θ + α_s·δθ), θ = −0.1 °C, α_s = 11.5e-6 /°C [nm]."""
    difference = comparator_difference()
    theta, alpha = -0.1, 11.5e-6
    d_alpha = Input("d_alpha", "rectangular", 1e-6, 1e-6 / math.sqrt(3), 50)
    d_theta = Input("d_theta", "rectangular", 0.05, 0.05 / math.sqrt(3), 2)
    u_theta = math.hypot(0.2, arcsine("cycle", 0.5).u)
    d = normal("d", combined_uncertainty(difference), dof=effective_dof(difference))
    return [
        Contribution(normal("l_s", 25.0, dof=18), 1.0),
        Contribution(d, 1.0),
        Contribution(rectangular("alpha_s", 2e-6), 0.0),
        Contribution(normal("theta", u_theta), 0.0),
        Contribution(d_alpha, -L_S_NM * theta),
        Contribution(d_theta, -L_S_NM * alpha),
    ]


def test_h1_comparator_difference() -> None:
    parts = comparator_difference()
    assert round(combined_uncertainty(parts), 1) == 9.7
    assert effective_dof(parts) == pytest.approx(25.4472507774, rel=1e-9)  # GTC's tests
    assert combined_uncertainty(parts) == pytest.approx(9.68194195397, rel=1e-9)


def test_h1_temperature_of_the_room() -> None:
    assert math.hypot(0.2, arcsine("cycle", 0.5).u) == pytest.approx(0.41, abs=0.005)


def test_h1_table_of_components() -> None:
    by_name = {part.name: part.u_out for part in end_gauge()}
    assert by_name["l_s"] == 25
    assert round(by_name["d"], 1) == 9.7
    assert round(by_name["d_alpha"], 1) == 2.9
    assert round(by_name["d_theta"], 1) == 16.6
    assert by_name["alpha_s"] == by_name["theta"] == 0


def test_h1_combined_and_expanded_uncertainty() -> None:
    parts = end_gauge()
    assert round(combined_uncertainty(parts)) == 32
    assert combined_uncertainty(parts) == pytest.approx(31.66388, abs=5e-5)
    assert effective_dof(parts) == pytest.approx(16.75, abs=0.01)
    assert math.floor(effective_dof(parts)) == 16
    assert round(coverage_factor(16, 0.99), 2) == 2.92
    assert round(coverage_factor(16, 0.99) * 32) == 93
    assert expanded_uncertainty(parts, 0.99) == pytest.approx(92.0, abs=0.5)


def test_h1_agrees_with_gtc() -> None:
    l_s = ureal(L_S_NM, 25.0, 18)
    d = ureal(215, 5.8, 24) + ureal(0, 3.9, 5) + ureal(0, 6.7, 8)
    d_alpha = ureal(0, type_b.uniform(1e-6), 50)
    d_theta = ureal(0, type_b.uniform(0.05), 2)
    theta = ureal(-0.1, 0.2) + ureal(0, type_b.arcsine(0.5))
    alpha = ureal(11.5e-6, type_b.uniform(2e-6))
    length = result(l_s + d - l_s * (d_alpha * theta + alpha * d_theta))
    assert round(length.x * 1e-6, 6) == 50.000838
    parts = end_gauge()
    assert combined_uncertainty(parts) == pytest.approx(length.u, rel=1e-9)
    # GTC applies Welch–Satterthwaite to the comparator's three parts one by one, we to
    # their sum: the same variance and fourth powers
    assert effective_dof(parts) == pytest.approx(length.df, rel=1e-9)


TABLE_G2 = {
    # degrees of freedom: t for 68.27, 90, 95, 95.45, 99, 99.73 %
    1: (1.84, 6.31, 12.71, 13.97, 63.66, 235.80),
    2: (1.32, 2.92, 4.30, 4.53, 9.92, 19.21),
    5: (1.11, 2.02, 2.57, 2.65, 4.03, 5.51),
    10: (1.05, 1.81, 2.23, 2.28, 3.17, 3.96),
    16: (1.03, 1.75, 2.12, 2.17, 2.92, 3.54),
    20: (1.03, 1.72, 2.09, 2.13, 2.85, 3.42),
    math.inf: (1.000, 1.645, 1.960, 2.000, 2.576, 3.000),
}


@pytest.mark.parametrize("dof", TABLE_G2)
def test_table_g2_of_t_factors(dof: float) -> None:
    # The table prints 235.80 where the exact value is 235.784.
    probabilities = (0.6827, 0.90, 0.95, 0.9545, 0.99, 0.9973)
    for probability, printed in zip(probabilities, TABLE_G2[dof], strict=True):
        exact = coverage_factor(dof, probability)
        assert exact == pytest.approx(printed, abs=0.02 if printed > 100 else 0.0051)


def test_4_3_7_a_voltmeter_s_bounds() -> None:
    # example 2 of 4.3.7 and 5.1.5 (from memory): ± 15 µV, and s = 12 µV of repetition
    bounds = rectangular("bounds", 15.0)
    assert round(bounds.u, 1) == 8.7
    parts = [Contribution(bounds, 1.0), Contribution(normal("repetition", 12.0), 1.0)]
    assert round(combined_uncertainty(parts)) == 15


def test_4_3_9_triangular_and_f_2_2_1_resolution() -> None:
    assert triangular("x", 1.0).u == pytest.approx(1 / math.sqrt(6))
    assert round(rectangular("half a step", 0.5).u, 2) == 0.29


def test_h2_means_and_their_standard_deviations() -> None:
    # data and results of H.2 as in Suncal's and GTC's tests
    voltage = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
    current = np.array([19.663, 19.639, 19.640, 19.685, 19.678])
    phase = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])
    expected = [(4.9990, 0.0032, 4), (19.6610, 0.0095, 4), (1.04446, 0.00075, 5)]
    for values, (mean, u, digits) in zip((voltage, current, phase), expected, strict=True):
        found, s = mean_and_s(values)
        assert round(found, 5) == mean
        assert round(s / math.sqrt(5), digits) == u


def test_welch_satterthwaite_of_a_course_example() -> None:
    # Suncal's test_DEGF: 0.57 with 9 degrees of freedom and 0.25 with infinitely many
    parts = [Contribution(normal("a", 0.57, dof=9), 1.0), Contribution(normal("b", 0.25), 1.0)]
    assert round(effective_dof(parts), 1) == 12.8
