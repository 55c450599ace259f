"""
NIST Statistical Reference Datasets, univariate summary statistics.

Certified values are read from the data files' own headers (US government work, as carried
by usnistgov/dataplot and apache/commons-math).
"""

import math

import numpy as np
import pytest
from datasets import strd

from chrono.processor.statistics import mean_and_s, series_statistics

RELATIVE = {
    "Lew": 1e-14,
    "Lottery": 1e-14,
    "Mavro": 2e-13,
    "Michelso": 2e-13,
    "NumAcc1": 1e-15,
    "NumAcc2": 1e-14,
    "NumAcc3": 1e-9,  # the decimals of the data are lost when they become floats
    "NumAcc4": 1e-8,
    "PiDigits": 1e-14,
}
"""Agreement in s that double precision allows, by set."""

SIZES = {
    "Lew": 200,
    "Lottery": 218,
    "Mavro": 50,
    "Michelso": 100,
    "NumAcc1": 3,
    "PiDigits": 5000,
}


@pytest.mark.parametrize("name", RELATIVE)
def test_mean_and_standard_deviation_are_the_certified_ones(name: str) -> None:
    data, certified = strd(name)
    assert len(data) == SIZES.get(name, 1001)
    mean, s = mean_and_s(data)
    assert mean == pytest.approx(certified["ybar"], rel=1e-14)
    assert s == pytest.approx(certified["s"], rel=RELATIVE[name])


@pytest.mark.parametrize("name", RELATIVE)
def test_a_series_of_shots_gives_the_same(name: str) -> None:
    data, certified = strd(name)
    nothing = np.zeros(len(data))
    series = series_statistics(data, nothing, nothing)
    assert series is not None
    assert series.mean_mps == pytest.approx(certified["ybar"], rel=1e-14)
    assert series.s_mps == pytest.approx(certified["s"], rel=RELATIVE[name])
    assert series.u_mean_mps == pytest.approx(
        certified["s"] / math.sqrt(len(data)), rel=RELATIVE[name]
    )
