"""Closed forms of a fall from rest under quadratic drag.

Deceleration is κ·v² with a constant κ (`drag.drag_constant`). `trajectory` integrates any
drag numerically and is what these are checked against. Plain SI floats; knows nothing of
gates' signals.
"""

import math

_LARGE = 30.0
"""Beyond it exp(−2x) is below the last digit of a float."""


def fall_speed(height_m: float, drag_per_m: float, gravity_mps2: float) -> float:
    """
    Return the speed after a fall from rest through a height.

    Parameters
    ----------
    height_m : float
        Height fallen [m].
    drag_per_m : float
        Drag constant κ [1/m], 0 for none.
    gravity_mps2 : float
        Acceleration at rest [m/s²].

    Returns
    -------
    float
        v = √(g·(1 − exp(−2κh))/κ) [m/s], from v·dv/dh = g − κ·v².
    """
    return math.sqrt(2 * gravity_mps2 * height_m * _decay(2 * drag_per_m * height_m))


def fall_time(height_m: float, drag_per_m: float, gravity_mps2: float) -> float:
    """
    Return the time a fall from rest takes for a height; arguments as for `fall_speed`.

    Returns
    -------
    float
        t = (v_t/g)·arcosh(exp(κh)) [s], the inverse of h = (1/κ)·ln cosh(g·t/v_t).
    """
    if drag_per_m == 0:
        return math.sqrt(2 * height_m / gravity_mps2)
    rate = math.sqrt(gravity_mps2 * drag_per_m)
    if drag_per_m * height_m > _LARGE:
        return (drag_per_m * height_m + math.log(2)) / rate
    # arcosh(1 + x) in a form that keeps its digits where x is small
    excess = math.expm1(drag_per_m * height_m)
    return math.log1p(excess + math.sqrt(excess * (excess + 2))) / rate


def _decay(phase: float) -> float:
    """Return (1 − exp(−x))/x, which is 1 at 0."""
    return -math.expm1(-phase) / phase if phase else 1.0
