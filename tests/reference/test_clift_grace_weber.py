"""Sphere drag: the correlation's own values, fluids' coding of it, and measurements.

R. Clift, J. R. Grace and M. E. Weber (1978), table 5.2.
"""

import numpy as np
import pytest
from fluids.drag import Clift

from chrono.physics.sphere_drag import sphere_drag_coefficient

MEASURED = np.array(
    [
        (3.02, 10.86),
        (15.49, 3.388),
        (57.54, 1.479),
        (144.5, 0.9204),
        (264.9, 0.7194),
        (512.9, 0.5623),
        (1000.0, 0.4786),
        (1862.0, 0.4365),
        (3162.0, 0.4074),
        (4764.0, 0.3890),
        (8375.0, 0.3981),
        (15560.0, 0.4395),
        (26480.0, 0.4571),
        (34670.0, 0.4775),
        (58880.0, 0.4732),
    ]
)
"""Reynolds number and drag coefficient measured; the "drag" project of the IUP calculus
course (ma.iup.edu/projects/CalcDEMma/drag/drag07.html)."""


def test_coefficient_at_re_100_is_that_of_pytrebuchet():
    """Tests of the package pytrebuchet: clift_grace_weber(100.0) = 1.087017."""
    assert float(sphere_drag_coefficient(100.0)) == pytest.approx(1.087017, abs=1e-6)


@pytest.mark.parametrize(("reynolds", "expected"), [(6e5, 0.0878151), (1e6, 0.11), (4e6, 0.17)])
def test_coefficient_beyond_fluids_range_is_that_of_the_printed_formulas(reynolds, expected):
    """0.1·w − 0.49 up to 1e6, 0.19 − 8e4/Re above; worked out by hand."""
    assert float(sphere_drag_coefficient(reynolds)) == pytest.approx(expected, abs=1e-6)


def test_coefficient_at_re_200_is_that_of_the_fluids_manual():
    """Manual of fluids 1.3.1: Clift(200) = 0.7756342422322543."""
    assert float(sphere_drag_coefficient(200.0)) == pytest.approx(0.7756342422322543)


@pytest.mark.parametrize("reynolds", np.geomspace(0.011, 3.99e5, 60))
def test_coefficient_agrees_with_fluids_where_both_code_the_same_table(reynolds):
    """Outside this range fluids 1.3.1 has other constants."""
    assert float(sphere_drag_coefficient(reynolds)) == pytest.approx(Clift(reynolds), rel=1e-9)


def test_coefficient_is_within_6_percent_of_measurements():
    found = sphere_drag_coefficient(MEASURED[:, 0])

    assert np.abs(found / MEASURED[:, 1] - 1).max() < 0.065


@pytest.mark.parametrize(
    ("reynolds", "measured"), [(10, 4.29), (30, 2.11), (57, 1.51), (100, 1.10), (300, 0.63)]
)
def test_coefficient_is_within_4_percent_of_a_second_table(reynolds, measured):
    """Pruppacher and Klett, Microphysics of Clouds and Precipitation, table 10.1, p. 381."""
    assert float(sphere_drag_coefficient(reynolds)) == pytest.approx(measured, rel=0.04)


def test_creeping_flow_is_that_of_stokes_and_oseen():
    """24/Re·(1 + 3/16·Re), computed from the published formula (Oseen 1910)."""
    slow = np.array([1e-4, 1e-3, 9e-3])

    assert sphere_drag_coefficient(slow) == pytest.approx(24 / slow * (1 + 3 / 16 * slow))


@pytest.mark.parametrize(
    ("boundary", "step"),
    [(20, 0.01), (260, 0.02), (1.5e3, 0.01), (1.2e4, 0.01), (4.4e4, 0.01), (3.38e5, 0.01)],
)
def test_pieces_of_the_correlation_meet(boundary, step):
    """The table itself has small steps here, and large ones only beyond 3.4e5."""
    below, above = sphere_drag_coefficient([boundary * 0.9999, boundary * 1.0001])

    assert above == pytest.approx(below, rel=step)


@pytest.mark.parametrize("wrong", [0.0, -1.0, np.nan])
def test_a_reynolds_number_that_is_none_is_refused(wrong):
    with pytest.raises(ValueError, match="must be positive"):
        sphere_drag_coefficient([100.0, wrong])
