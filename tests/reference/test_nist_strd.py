"""
NIST Statistical Reference Datasets, univariate summary statistics.

Data and certified values as carried by apache/commons-math and usnistgov/dataplot (US
government work).
"""

import math

import numpy as np
import pytest
from datasets import strd

from chrono.measuring.series_statistics import mean_and_s, series_statistics

CERTIFIED = {
    # set: number of values, certified mean, certified standard deviation, and the relative
    # agreement that double precision allows in the latter
    "Lew": (200, -177.435000000000, 277.332168044316, 1e-14),
    "Lottery": (218, 518.958715596330, 291.699727470969, 1e-14),
    "Mavro": (50, 2.00185600000000, 0.000429123454003053, 2e-13),
    "Michelso": (100, 299.852400000000, 0.0790105478190518, 2e-13),
    "NumAcc1": (3, 10000002.0, 1.0, 1e-15),
    "NumAcc2": (1001, 1.2, 0.1, 1e-14),
    # the decimals of these data are lost when they become floats
    "NumAcc3": (1001, 1000000.2, 0.1, 1e-9),
    "NumAcc4": (1001, 10000000.2, 0.1, 1e-8),
    "PiDigits": (5000, 4.53480000000000, 2.86733906028871, 1e-14),
}


@pytest.mark.parametrize("name", CERTIFIED)
def test_mean_and_standard_deviation_are_the_certified_ones(name: str) -> None:
    count, certified_mean, certified_s, agreement = CERTIFIED[name]
    data = strd(name)
    assert len(data) == count
    mean, s = mean_and_s(data)
    assert mean == pytest.approx(certified_mean, rel=1e-14)
    assert s == pytest.approx(certified_s, rel=agreement)


@pytest.mark.parametrize("name", CERTIFIED)
def test_a_series_of_shots_gives_the_same(name: str) -> None:
    count, certified_mean, certified_s, agreement = CERTIFIED[name]
    data, nothing = strd(name), np.zeros(count)
    series = series_statistics(data, nothing, nothing)
    assert series is not None
    assert series.mean_mps == pytest.approx(certified_mean, rel=1e-14)
    assert series.s_mps == pytest.approx(certified_s, rel=agreement)
    assert series.u_mean_mps == pytest.approx(certified_s / math.sqrt(count), rel=agreement)
