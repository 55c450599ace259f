"""Drag of spheres above Re 2e5, where it may fall to a fifth: measurements and curves.

The bounds of `sphere_drag_bounds` must hold all of them.
"""

import numpy as np
import pytest
from falling import MEASURED_DRAG
from fluids.drag import Almedeij, Morrison

from chrono.physics.sphere_drag import (
    sphere_drag_bounds,
    sphere_drag_coefficient,
    steady_drag_coefficient,
)

ACHENBACH = [(2e5, 0.50), (3e5, 0.47), (3.7e5, 0.07), (5e5, 0.09), (1e6, 0.12), (5e6, 0.20)]
"""E. Achenbach, Experiments on the flow past spheres at very high Reynolds numbers,
J. Fluid Mech. 54 (1972) 565, smooth sphere in a stream of 0.45 % turbulence: from memory of
its figure, to about 10 %."""

HOERNER = [(2e5, 0.5), (3.25e5, 0.5), (5e5, 0.1), (1e6, 0.1)]
"""S. F. Hoerner, Fluid-Dynamic Drag (1965), as a table of sphere drag that names it has it."""


@pytest.mark.parametrize(("reynolds", "measured"), [*ACHENBACH, *HOERNER])
def test_bounds_hold_what_was_measured(reynolds, measured):
    low, high = sphere_drag_bounds(reynolds * 1.001)

    assert low <= measured <= high


@pytest.mark.parametrize("published", [Morrison, Almedeij])
def test_bounds_hold_other_published_curves(published):
    """Morrison (2013) and Almedeij (2008, to 1e6), as fluids 1.3.1 codes them."""
    reynolds = np.geomspace(2.01e5, 1e6, 50)
    low, high = sphere_drag_bounds(reynolds)
    curve = np.array([published(float(re)) for re in reynolds])

    assert np.all((low <= curve) & (curve <= high))


def test_below_the_crisis_both_bounds_are_the_correlation_up_to_the_plateau():
    reynolds = np.geomspace(1.0, 2e5, 50)
    low, high = sphere_drag_bounds(reynolds)
    correlation = sphere_drag_coefficient(reynolds)

    assert np.array_equal(low, high)
    assert np.array_equal(low, np.where(reynolds > 4e4, np.minimum(correlation, 0.47), low))
    assert np.array_equal(low[reynolds < 4e4], correlation[reynolds < 4e4])


def test_the_plateau_is_nearer_to_measurements_than_the_correlation():
    """The table of `falling.py`, from Re 6e4 to the crisis, and Achenbach's and Hoerner's."""
    measured = [tuple(row) for row in MEASURED_DRAG if row[0] > 5e4]
    measured += [(2e5, 0.50), (2e5, 0.50)]
    reynolds, drag = np.array(measured).T
    off = np.abs(steady_drag_coefficient(reynolds) / drag - 1)
    assert off.max() < 0.07
    assert np.mean(off) < np.mean(np.abs(sphere_drag_coefficient(reynolds) / drag - 1))


def test_bounds_are_no_wider_than_the_branches():
    low, high = sphere_drag_bounds(3e5)

    assert 0.05 < low < 0.1
    assert 0.5 <= high < 0.55
