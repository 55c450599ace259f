"""What the speed of a shot timed by one pair of edges owes to the body's own length.

Its leading edges time the front: the front is midway between the gates while the middle is
still half a length short of it, where drag has slowed the body less. So the speed of the
middle, midway, is that of the front times 1 − κℓ/2, and that of the back times 1 + κℓ/2. A
ball that crosses the two beams at different distances from its axis shows each another
chord; half their difference is added to the path of the one edge and taken from that of
the other. The mean of two pairs is free of both.
"""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from chrono.arrays.array_types import Floats
from chrono.measuring.ball import DRAG_COEFFICIENT_RELATIVE_U, ball_in_air
from chrono.measuring.budget import Contribution, Input, chords, combined_uncertainty, normal
from chrono.physics.drag import (
    FLAT_COEFFICIENT,
    FLAT_COEFFICIENT_RELATIVE_U,
    reynolds_number,
    sphere_drag_bounds,
)
from chrono.processor.table import EdgesUsed
from chrono.rigs.model import Rig

CHORDS = "chords"
SLOWING = "drag in the body"

_SPEEDS_MPS = np.geomspace(0.1, 2000.0, 600)
_MOST_SLOWING = 5.0
"""A body of which less than a hundredth of the speed is left after half its length."""
_SIGNS = np.array([0.0, 0.0, -1.0, 1.0])
"""By `EdgesUsed`: the front is ahead of the middle, the back behind it."""


@dataclass(frozen=True, eq=False)
class OnePair:
    """
    What one pair of edges adds to the budget of one body.

    Attributes
    ----------
    chords : Input or None
        Difference of the half chords at both gates [m]; None where there is none.
    slowing : ndarray of float64, shape (M,)
        κℓ/2, relative, at the speeds of a table.
    slowing_u : ndarray of float64, shape (M,)
        Its standard uncertainty, relative to the speed.
    """

    chords: Input | None
    slowing: Floats
    slowing_u: Floats

    @classmethod
    def from_rig(cls, rig: Rig) -> "OnePair":
        """Take body, air and aim from a rig."""
        body, gates = rig.body, rig.gates
        is_round = body.shape == "round" and gates.off_centre_m > 0
        chord = chords(CHORDS, body.diameter_m / 2, gates.off_centre_m) if is_round else None
        return cls(chord, *_slowing(rig))

    def factor(self, edge_mps: Floats, edges_used: npt.ArrayLike) -> Floats:
        """
        Return what the speeds of edges [m/s] must be multiplied by, elementwise.

        That is exp(∓κℓ/2), whose first order is 1 ∓ κℓ/2: above zero for the lightest body.
        """
        slowing = np.interp(edge_mps, _SPEEDS_MPS, self.slowing)
        return np.asarray(np.exp(_SIGNS[np.asarray(edges_used)] * slowing))

    def factor_u(self, edge_mps: Floats) -> Floats:
        """Return the standard uncertainty of that factor, elementwise."""
        return np.asarray(np.interp(edge_mps, _SPEEDS_MPS, self.slowing_u))

    def edge_speed(self, speed_mps: float, edges_used: int) -> float:
        """Return the speed of the edges [m/s] of a body with this speed at its middle."""
        edge = speed_mps
        for _ in range(8):  # the factor is within a few percent of 1 and hardly changes
            edge = speed_mps / float(self.factor(np.array([edge]), edges_used)[0])
        return edge

    def contributions(
        self, speed_mps: float, edge_mps: float, spacing_m: float, edges_used: int
    ) -> tuple[Contribution, ...]:
        """Return what the speed of a body [m/s] has from one pair of edges, if it has one."""
        if edges_used == EdgesUsed.BOTH:
            return ()
        u = float(self.factor_u(np.array([edge_mps]))[0])
        slowing = Contribution(normal(SLOWING, u), edge_mps)
        if self.chords is None:
            return (slowing,)
        return Contribution(self.chords, speed_mps / spacing_m), slowing


def _slowing(rig: Rig) -> tuple[Floats, Floats]:
    """Return κℓ/2 at the speeds of the table, and its standard uncertainty."""
    body, site = rig.body, rig.site
    air = {
        "temperature_k": site.temperature_k,
        "pressure_pa": site.pressure_pa,
        "humidity": site.humidity,
    }
    ball = ball_in_air(body.diameter_m, body.mass_kg, 1.0, **air)
    scale = ball.drag_per_coefficient_m * body.length_m / 2
    if body.shape == "flat":
        middle = np.full_like(_SPEEDS_MPS, FLAT_COEFFICIENT)
        of_drag = FLAT_COEFFICIENT_RELATIVE_U * middle
    else:
        unit = reynolds_number(1.0, body.diameter_m, ball.density_kgpm3, ball.viscosity_pas)
        low, high = sphere_drag_bounds(unit * _SPEEDS_MPS)
        middle = (low + high) / 2
        of_drag = np.hypot(DRAG_COEFFICIENT_RELATIVE_U * middle, (high - low) / math.sqrt(12))
    rest = combined_uncertainty(ball.drag_contributions[1:])
    slowing_u = scale * np.hypot(of_drag, rest * middle)
    return np.minimum(scale * middle, _MOST_SLOWING), slowing_u
