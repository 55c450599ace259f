"""
NIST/SEMATECH e-Handbook of Statistical Methods: intervals and the two-sample t test.

Data from usnistgov/dataplot (US government work); the printed results were read in the
Boost.Math documentation, which quotes the handbook.
"""

import math

import pytest
from datasets import dataplot

from chrono.measuring.series_statistics import (
    mean_and_s,
    mean_interval,
    s_interval,
    series_statistics,
)
from chrono.measuring.setup_comparison import compare_series


def test_1_3_5_2_interval_of_the_mean_of_the_heat_flow_data() -> None:
    data = dataplot("ZARR13")[:, 0]
    mean, s = mean_and_s(data)
    assert len(data) == 195
    assert mean == pytest.approx(9.261460, abs=1e-6)
    assert s == pytest.approx(0.02278881, abs=3e-8)
    # 9.25824 … 9.26468 (handbook)
    assert mean_interval(mean, s, 195) == pytest.approx((9.25824, 9.26468), abs=5e-6)


def test_interval_of_a_mean_of_three() -> None:
    # Miller & Miller, quoted in the Boost.Math documentation
    assert mean_interval(37.8, 0.9643650, 3) == pytest.approx((35.40438, 40.19562), abs=1e-5)
    assert mean_interval(37.8, 0.9643650, 3, 0.99) == pytest.approx(
        (32.27408, 43.32592), abs=1e-5
    )


@pytest.mark.parametrize(
    ("probability", "low", "high"),
    [(0.90, 0.00563, 0.00712), (0.95, 0.00551, 0.00729), (0.99, 0.00530, 0.00766)],
)
def test_1_3_5_8_interval_of_the_standard_deviation_of_the_gear_data(
    probability: float, low: float, high: float
) -> None:
    data = dataplot("GEAR")[:, 0]
    _, s = mean_and_s(data)
    assert len(data) == 100
    assert s == pytest.approx(0.006278908, abs=5e-9)
    assert s_interval(s, 100, probability) == pytest.approx((low, high), abs=5e-6)


@pytest.mark.parametrize(
    ("probability", "low", "high"),
    [
        (0.90, 10.18898, 22.98341),
        (0.95, 9.60906, 25.50377),
        (0.99, 8.62898, 31.81825),
    ],
)
def test_7_2_3_interval_of_the_standard_deviation_of_the_wafers(
    probability: float, low: float, high: float
) -> None:
    assert s_interval(13.97, 10, probability) == pytest.approx((low, high), abs=6e-6)


def test_1_3_5_3_two_sample_t_test_of_the_car_mileages() -> None:
    columns = dataplot("AUTO83B")
    american, japanese = columns[:, 0], columns[columns[:, 1] > 0, 1]
    assert (len(american), len(japanese)) == (249, 79)
    first, second = (series_statistics(x, 0 * x, 0 * x) for x in (american, japanese))
    assert first is not None
    assert second is not None
    assert (first.mean_mps, first.s_mps) == pytest.approx((20.14458, 6.41470), abs=6e-6)
    assert (second.mean_mps, second.s_mps) == pytest.approx((30.48101, 6.10771), abs=6e-6)
    result = compare_series(first, second)
    assert result is not None
    assert -result.t == pytest.approx(-12.94627, abs=5e-6)
    assert result.dof == pytest.approx(136.87498, abs=5e-6)
    assert result.p_value < 1e-20
    assert result.u_random_mps == pytest.approx(
        math.hypot(6.41470 / math.sqrt(249), 6.10771 / math.sqrt(79)), rel=1e-6
    )
