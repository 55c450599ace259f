"""Compute the pull of gravity along the path from the four edge times of each shot.

A body that gains speed blocks gate B for a shorter time than gate A. With the acceleration a,
the gate spacing d, the transit Δ of the front and the blocking times t_A and t_B:
t_A·(d/Δ − aΔ/2 + a·t_A/2) = t_B·(d/Δ + aΔ/2 + a·t_B/2), the body's length on both sides.
The pull of gravity is the acceleration plus the deceleration by drag.
"""

import math
from dataclasses import dataclass

import numpy as np
import scipy

from chrono.arrays.array_types import Floats

LEAST_SHOTS = 3
RISK = 0.005
"""Risk that scatter from shot to shot leads to the rejection of a correct slope."""
OF_BOUNDS = 2.6
"""Coverage factor for the part of the uncertainty that is the same in all shots. With this
factor the risk is about the same as `RISK`.
"""


@dataclass(frozen=True)
class MeasuredSlope:
    """
    The part of gravity along the path (pull): the measured value and the rig's value.

    Attributes
    ----------
    shots : int
    pull_mps2, U_mps2 : float
        Pull along the path, computed from the edges, and its uncertainty [m/s²].
    stated_mps2, tolerance_mps2 : float
        The pull that the rig states, and its half-width [m/s²].
    free_mps2 : float
        The body's acceleration in free fall [m/s²].
    """

    shots: int
    pull_mps2: float
    U_mps2: float
    stated_mps2: float
    tolerance_mps2: float
    free_mps2: float

    @property
    def contradicts(self) -> bool:
        """True if the measured value differs too much from the rig's value."""
        return abs(self.pull_mps2 - self.stated_mps2) > self.U_mps2 + self.tolerance_mps2

    @property
    def is_of_a_slope(self) -> bool:
        """True if a slope can cause the measured acceleration (at most that of free fall)."""
        return abs(self.pull_mps2) - self.U_mps2 <= abs(self.free_mps2)

    @property
    def slope_rad(self) -> float:
        """
        The slope of the path [rad], computed from the measured part of gravity.

        The result is exactly 0 if the path may be level, and ±π/2 if it may be vertical.
        """
        sine, u = self.pull_mps2 / self.free_mps2, self.U_mps2 / self.free_mps2
        if abs(sine) <= u:
            return 0.0
        return math.asin(sine) if abs(sine) + u < 1 else math.copysign(math.pi / 2, sine)


def measured_slope(
    lead_s: Floats,
    blocked_a_s: Floats,
    blocked_b_s: Floats,
    slowing_mps2: Floats,
    *,
    spacing_m: float,
    ratio_u: float,
    stated: tuple[float, float, float],
) -> MeasuredSlope | None:
    """
    Return the part of gravity along the path, or None for fewer than three shots.

    Parameters
    ----------
    lead_s, blocked_a_s, blocked_b_s : ndarray of float64, shape (N,)
        Transit of the front, and how long each gate was blocked [s].
    slowing_mps2 : ndarray of float64, shape (N,)
        Deceleration by drag [m/s²].
    spacing_m : float
        Distance between the gates [m].
    ratio_u : float
        Standard uncertainty of the ratio of the two blocking times, common to all shots.
    stated : (float, float, float)
        The rig's pull, its half-width, and the pull in free fall [m/s²].
    """
    shots = len(lead_s)
    if shots < LEAST_SHOTS:
        return None
    gained = lead_s * (blocked_a_s + blocked_b_s) + blocked_b_s**2 - blocked_a_s**2
    pulls = 2 * spacing_m / lead_s * (blocked_a_s - blocked_b_s) / gained + slowing_mps2
    by_ratio = spacing_m / lead_s**2  # change of the pull with the ratio of the blocking times
    weights = 1 / by_ratio**2
    pull = float(np.sum(weights * pulls) / np.sum(weights))
    apart = float(np.sum(((pulls - pull) / by_ratio) ** 2)) / (shots - 1)
    random = math.sqrt(apart / float(np.sum(weights)))
    shared = ratio_u * float(np.sum(weights * by_ratio) / np.sum(weights))
    t = float(scipy.special.stdtrit(shots - 1, 1 - RISK / 2))
    stated_mps2, tolerance_mps2, free_mps2 = stated
    U_mps2 = math.hypot(t * random, OF_BOUNDS * shared)  # noqa: N806
    return MeasuredSlope(shots, pull, U_mps2, stated_mps2, tolerance_mps2, free_mps2)
