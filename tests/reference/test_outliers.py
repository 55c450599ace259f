"""Outliers against published numbers: e-Handbook 1.3.5.17.1 (Grubbs), 1.3.5.17.3 (Rosner)."""

import numpy as np
import pytest

from chrono.measuring.scatter import critical_deviate, extreme_deviates, generalised_esd


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
