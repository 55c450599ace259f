"""Compute a flight through the air step by step, with any drag that opposes the motion.

All numbers are floats in SI units.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, cast

import numpy as np

from chrono.arrays.array_types import Floats
from chrono.errors import OptionError

Deceleration = Callable[[float], float]
"""Deceleration by drag [m/s²] at a speed relative to the air [m/s]."""

Motion = Callable[[float, Floats], list[float]]
"""Rate of change of the state (x, y, vx, vy) at a time [m, m/s]."""

BEST_ANGLE_TOLERANCE_RAD = 1e-5
_STRAIGHT = 1e-12
"""A cosine below this value counts as 0, because it is only a rounding error."""

_LOG_SLOWEST, _LOG_FASTEST = math.log(1e-9), math.log(1e4)
"""Logarithms of the slowest and the fastest possible speed of a launched body [m/s]."""


@dataclass(frozen=True, eq=False)
class Flight:
    """
    A flight through the air, from launch to landing.

    Attributes
    ----------
    time_s, distance_m, height_m, speed_mps : ndarray of float64, shape (N,)
        Values along the path; the last one is at landing. The speed is relative to the ground.
    range_m, apex_m : float
        Distance at landing and greatest height above the landing [m].
    impact_angle_rad : float
        Angle of the landing below the horizontal [rad].
    """

    time_s: Floats
    distance_m: Floats
    height_m: Floats
    speed_mps: Floats
    range_m: float
    apex_m: float
    impact_angle_rad: float


def _cosine(angle_rad: float) -> float:
    """Return the cosine of an angle; exactly 0 for straight up and straight down."""
    cosine = math.cos(angle_rad)
    return 0.0 if abs(cosine) < _STRAIGHT else cosine


def fly(
    speed_mps: float,
    elevation_rad: float,
    deceleration: Deceleration,
    gravity_mps2: float,
    *,
    height_m: float = 0.0,
    wind_mps: float = 0.0,
    points: int = 200,
) -> Flight:
    """
    Compute a flight in a vertical plane until the body has fallen to height 0.

    Parameters
    ----------
    speed_mps, elevation_rad : float
        Speed and elevation at launch [m/s], [rad].
    deceleration : callable
        Deceleration by drag [m/s²] at a speed [m/s], such as ``lambda v: kappa * v**2``.
    gravity_mps2 : float
        Gravity [m/s²], positive.
    height_m : float, optional
        Height of the launch above the landing [m]; negative if the landing is higher.
    wind_mps : float, optional
        Wind along the flight [m/s], positive from behind; the same at every height.
    points : int, optional
        Number of points of the path to return.

    Returns
    -------
    Flight

    Raises
    ------
    OptionError
        The body never gets as high as the landing.

    Notes
    -----
    The method is DOP853 of scipy with a relative tolerance of 1e-10. Lift and spin are left
    out.
    """
    across, up = speed_mps * _cosine(elevation_rad), speed_mps * math.sin(elevation_rad)
    never = OptionError(
        f"the body never rises to the landing height, {-height_m:g} m above the launch point",
        hint="give a higher speed, a steeper angle or a lower landing point",
    )
    if height_m < 0 and up <= 0:
        raise never
    motion = _motion(deceleration, gravity_mps2, wind_mps)
    path = _until_landing(motion, [0.0, height_m, across, up])
    if not len(path.t_events[0]):
        raise never
    time_s = np.linspace(0.0, path.t[-1], points)
    x, y, vx, vy = path.sol(time_s)
    tops = [float(state[1]) for state in path.y_events[1]]
    return Flight(
        time_s=time_s,
        distance_m=x,
        height_m=y,
        speed_mps=np.hypot(vx, vy),
        range_m=float(path.y[0, -1]),
        apex_m=max([height_m, *tops]),
        impact_angle_rad=math.atan2(-float(path.y[3, -1]), float(path.y[2, -1])),
    )


def speed_along(speed_mps: float, distance_m: float, deceleration: Deceleration) -> float:
    """
    Return the speed [m/s] of a body after a distance on a level path.

    If the distance is negative, the result is the speed at a place before the start. Formula
    for the speed v after the distance x: d(ln v)/dx = −a(v)/v², where a(v) is `deceleration`.

    Raises
    ------
    OptionError
        The speed is not above 0. Or the distance is negative, and no speed is enough for this
        light body.
    """
    from scipy.integrate import solve_ivp

    if not distance_m:
        return speed_mps
    if speed_mps <= 0:  # a speed minus its uncertainty may be negative
        raise OptionError("the body does not move forward", hint="give a speed above 0")

    def slowing(_: float, log_speed: Floats) -> list[float]:
        speed = math.exp(min(max(float(log_speed[0]), _LOG_SLOWEST), _LOG_FASTEST))
        return [-deceleration(speed) / speed**2]

    path: Any = solve_ivp(
        slowing,
        (0.0, distance_m),
        [math.log(speed_mps)],
        method="DOP853",
        rtol=1e-10,
        atol=1e-10,
    )
    end = float(path.y[0, -1])
    if end > _LOG_FASTEST:
        raise OptionError(
            f"this body is too light: it cannot move {abs(distance_m):g} m through the air "
            "at any speed",
            hint="check the mass, the diameter and the distance",
        )
    return math.exp(end)


def best_elevation(
    speed_mps: float,
    deceleration: Deceleration,
    gravity_mps2: float,
    *,
    height_m: float = 0.0,
    wind_mps: float = 0.0,
) -> float:
    """Return the launch angle [rad] with the longest range; for the arguments see `fly`."""
    from scipy.optimize import minimize_scalar

    def shortness(elevation_rad: float) -> float:
        try:
            path = fly(
                speed_mps,
                elevation_rad,
                deceleration,
                gravity_mps2,
                height_m=height_m,
                wind_mps=wind_mps,
                points=2,
            )
        except OptionError:
            return 0.0
        return -path.range_m

    found = minimize_scalar(
        shortness,
        bounds=(math.radians(-10), math.radians(85)),
        method="bounded",
        options={"xatol": BEST_ANGLE_TOLERANCE_RAD},
    )
    return float(found.x)


def vacuum_range(
    speed_mps: float, elevation_rad: float, gravity_mps2: float, height_m: float = 0.0
) -> float:
    """
    Return the range [m] of a flight without air: v_x·(v_y + √(v_y² + 2·g·h))/g.

    The result is NaN if the body never reaches the height of the landing.
    """
    across, up = speed_mps * _cosine(elevation_rad), speed_mps * math.sin(elevation_rad)
    square = up**2 + 2 * gravity_mps2 * height_m
    if square < 0:
        return math.nan
    return across * (up + math.sqrt(square)) / gravity_mps2


def fitted_drag(
    range_m: float,
    speed_mps: float,
    elevation_rad: float,
    gravity_mps2: float,
    *,
    height_m: float = 0.0,
    wind_mps: float = 0.0,
) -> float:
    """
    Find the drag constant κ [1/m] with which a body flies a given distance.

    Parameters
    ----------
    range_m : float
        Measured distance from launch to landing [m].
    speed_mps, elevation_rad, gravity_mps2, height_m, wind_mps
        See `fly`.

    Raises
    ------
    OptionError
        No drag gives this range. The range is longer than in a vacuum, or it needs more drag
        than any body has.
    """
    from scipy.optimize import toms748

    def excess(log_kappa: float) -> float:
        kappa = math.exp(log_kappa)
        path = fly(
            speed_mps,
            elevation_rad,
            lambda v: kappa * v**2,
            gravity_mps2,
            height_m=height_m,
            wind_mps=wind_mps,
            points=2,
        )
        return path.range_m - range_m

    longest = vacuum_range(speed_mps, elevation_rad, gravity_mps2, height_m)
    refusal = OptionError(
        f"with every drag value, the range differs from {range_m:.4g} m; without air, "
        + (
            f"the range would be {longest:.4g} m"
            if longest > 0
            else "the body would not land at this distance"
        ),
        hint="check the measured range, the speed, the angle and the height",
    )
    if not 0 < range_m < longest:
        raise refusal
    # with the lowest drag the range is less than a millionth shorter; with the highest drag the
    # body loses its speed in 1/10 of the range
    ends = math.log(1e-6 / longest), math.log(30.0 / range_m)
    if excess(ends[0]) <= 0 or excess(ends[1]) >= 0:
        raise refusal
    return math.exp(float(toms748(excess, *ends, xtol=1e-10, rtol=1e-10)))


def _motion(deceleration: Deceleration, gravity_mps2: float, wind_mps: float) -> Motion:
    """Return the equation of motion; drag acts against the motion through the air."""

    def motion(_: float, state: Floats) -> list[float]:
        vx, vy = state[2], state[3]
        through = vx - wind_mps
        speed = math.hypot(through, vy)
        drag = deceleration(speed) / speed if speed > 0 else 0.0
        return [vx, vy, -drag * through, -gravity_mps2 - drag * vy]

    return motion


def _until_landing(motion: Motion, launch: list[float]) -> Any:
    """Compute a flight until the body lands, or until a landing is no longer possible."""
    from scipy.integrate import solve_ivp

    def landing(_: float, state: Floats) -> float:
        return cast(float, state[1])

    def apex(_: float, state: Floats) -> float:
        return cast(float, state[3])

    def short(_: float, state: Floats) -> float:
        return cast(float, max(state[1] + 1e-9, state[3]))

    landing.terminal, landing.direction = True, -1.0  # type: ignore[attr-defined]
    short.terminal, short.direction = True, -1.0  # type: ignore[attr-defined]
    return solve_ivp(
        motion,
        (0.0, math.inf),
        launch,
        method="DOP853",
        events=(landing, apex, short),
        dense_output=True,
        rtol=1e-10,
        atol=1e-10,
    )
