"""
Newcomb's 66 passage times of light (1882), with two gross outliers.

Data: NIST Dataplot's NEWCOMB.DAT; mean, standard deviation and median computed from it
with R's formulas.
"""

import pytest
from datasets import dataplot

from chrono.measuring.series_statistics import series_statistics


def test_mean_s_and_median_of_the_coded_times() -> None:
    times = dataplot("NEWCOMB")[:, 0]
    series = series_statistics(times, 0 * times, 0 * times)
    assert series is not None
    assert series.n == 66
    assert series.mean_mps == pytest.approx(26.2121212121, rel=1e-11)
    assert series.s_mps == pytest.approx(10.7453247816, rel=1e-11)
    assert series.median_mps == 27
    assert (series.min_mps, series.max_mps, series.range_mps) == (-44, 40, 84)
