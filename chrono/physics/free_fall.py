"""Compute a fall from rest through the air, by formulas or step by step.

`fall_speed` and `fall_time` are formulas for a constant κ: the deceleration by drag is κ·v².
`fall_to` computes a fall step by step, for any law of drag. All numbers are floats in SI units.
"""

import math
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from chrono.arrays.array_types import Floats
from chrono.errors import OptionError
from chrono.physics.trajectory import Deceleration

_LARGE = 30.0
"""If x is larger than this value, exp(−2x) is smaller than the last digit of a float."""


def fall_speed(height_m: float, drag_per_m: float, gravity_mps2: float) -> float:
    """
    Return the speed of a body after a fall from rest through a given height.

    Parameters
    ----------
    height_m : float
        Height of the fall [m].
    drag_per_m : float
        Drag constant κ [1/m], 0 without drag.
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
    Return the time of a fall from rest through a given height.

    The arguments are the same as for `fall_speed`.

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
    # this form of arcosh(1 + x) is also accurate for a small x
    excess = math.expm1(drag_per_m * height_m)
    return math.log1p(excess + math.sqrt(excess * (excess + 2))) / rate


def _decay(phase: float) -> float:
    """Return (1 − exp(−x))/x; for x = 0 the result is 1."""
    return -math.expm1(-phase) / phase if phase else 1.0


FallGoal = Literal["height", "time", "speed"]

FASTEST_MPS = 3000.0
"""No launched body has a terminal speed above this speed."""

_CLOSE = 1 - 1e-6
"""A fall can reach this part of the terminal speed, but never the full terminal speed."""


@dataclass(frozen=True, eq=False)
class Fall:
    """
    A fall from rest.

    Attributes
    ----------
    time_s, height_m, speed_mps : ndarray of float64, shape (N,)
        Time since the release, height of the fall and speed. The last values are at the goal.
    """

    time_s: Floats
    height_m: Floats
    speed_mps: Floats


def terminal_speed_of(deceleration: Deceleration, gravity_mps2: float) -> float:
    """Return the lowest speed [m/s] at which drag balances gravity, or inf if there is none."""
    from scipy.optimize import brentq

    speeds = np.geomspace(1e-4, FASTEST_MPS, 400)
    short = np.array([deceleration(float(v)) < gravity_mps2 for v in speeds])
    if short.all():
        return math.inf
    first = int(np.argmin(short))
    if first == 0:
        return float(speeds[0])
    return float(
        brentq(
            lambda v: deceleration(v) - gravity_mps2,
            speeds[first - 1],
            speeds[first],
            xtol=1e-13,
            rtol=1e-13,
        )
    )


def fall_to(
    goal: FallGoal,
    value: float,
    deceleration: Deceleration,
    gravity_mps2: float,
    *,
    points: int = 200,
) -> Fall:
    """
    Compute a fall from rest step by step, until it has reached a height, a time or a speed.

    Parameters
    ----------
    goal : {"height", "time", "speed"}
        The quantity that is given.
    value : float
        Height of the fall [m], time [s] or speed [m/s], positive.
    deceleration : callable
        Deceleration by drag [m/s²] at a speed [m/s].
    gravity_mps2 : float
        Acceleration at rest: gravity reduced by buoyancy and added mass [m/s²].
    points : int, optional
        Number of points to return.

    Raises
    ------
    OptionError
        No fall reaches the given speed, or the given value is not above 0.

    Notes
    -----
    The method is DOP853 of scipy with a relative tolerance of 1e-10.
    """
    from scipy.integrate import solve_ivp

    if value <= 0:  # a value minus its uncertainty may be negative
        raise OptionError(f"the {goal} of a fall must be above 0", hint="give a larger value")
    if goal == "speed":
        _check_reachable(value, terminal_speed_of(deceleration, gravity_mps2))

    def motion(_: float, state: Floats) -> list[float]:
        return [float(state[1]), gravity_mps2 - deceleration(max(float(state[1]), 0.0))]

    def reached(time_s: float, state: Floats) -> float:
        return {"height": state[0], "time": time_s, "speed": state[1]}[goal] - value

    reached.terminal = True  # type: ignore[attr-defined]
    end = value if goal == "time" else math.inf
    path: Any = solve_ivp(
        motion,
        (0.0, end),
        [0.0, 0.0],
        method="DOP853",
        events=None if goal == "time" else reached,
        dense_output=True,
        rtol=1e-10,
        atol=1e-12,
    )
    time_s = np.linspace(0.0, path.t[-1], points)
    height, speed = path.sol(time_s)
    return Fall(time_s, height, speed)


def _check_reachable(speed_mps: float, terminal_mps: float) -> None:
    if speed_mps >= terminal_mps * _CLOSE:
        raise OptionError(
            f"this body cannot fall as fast as {speed_mps:.4g} m/s: its terminal speed is only "
            f"{terminal_mps:.4g} m/s",
            hint="give a lower speed, or a heavier or smaller body",
        )
