"""Compute motion on a straight path with constant acceleration a and drag: v·dv/dx = a − κv².

The functions accept numbers and arrays in SI units. The formulas are also accurate if the
acceleration a (the pull), the drag constant κ, or both are 0.
"""

import math

import numpy as np
import numpy.typing as npt

from chrono.arrays.array_types import Floats

ADDED_MASS = 0.5
"""Part of the displaced air that moves with a sphere in potential flow (Lamb, Hydrodynamics,
§ 92; from memory)."""

FLAT_ADDED_MASS = 8 / 3
"""Mass of the air that moves with a disc that flies flat side first, divided by ρR³ (Lamb,
Hydrodynamics, § 102; from memory). The program uses this value for a body with flat ends.
"""


def air_shares(
    density_kgpm3: float, diameter_m: float, length_m: float, mass_kg: float, *, is_flat: bool
) -> tuple[float, float]:
    """
    Return the mass of the displaced air, and the mass of the air that moves with the body.

    The returned masses are divided by the body's mass.

    Parameters
    ----------
    density_kgpm3 : float
        Density of the air [kg/m³].
    diameter_m, length_m, mass_kg : float
        Size and mass of a sphere, or of a cylinder that flies end first.
    is_flat : bool
        True if the body is a cylinder.

    Notes
    -----
    With the results r and s, the pull at rest is g·(1 − r)/(1 + s). The deceleration by drag is
    smaller by the factor 1 + s.
    """
    area_m2 = math.pi * diameter_m**2 / 4
    displaced = area_m2 * length_m if is_flat else area_m2 * diameter_m * 2 / 3
    moved = FLAT_ADDED_MASS * (diameter_m / 2) ** 3 if is_flat else ADDED_MASS * displaced
    return density_kgpm3 * displaced / mass_kg, density_kgpm3 * moved / mass_kg


def speed_after(
    path_m: npt.ArrayLike,
    speed_mps: npt.ArrayLike,
    acceleration_mps2: float,
    drag_per_m: npt.ArrayLike,
) -> Floats:
    """
    Return the speed [m/s] after a path, or NaN if the body stops before the end of the path.

    Parameters
    ----------
    path_m : array_like
        Length of the path [m]. For a negative length, the speed before the path is returned.
    speed_mps, acceleration_mps2, drag_per_m : array_like
        Speed at the start, pull a along the path [m/s²], and drag constant κ [1/m].

    Notes
    -----
    From d(v²)/dx = 2(a − κv²): v² = v₀² + (a − κv₀²)·E with E = (1 − exp(−2κx))/κ.
    """
    speed, kappa = np.asarray(speed_mps, np.float64), np.asarray(drag_per_m, np.float64)
    squared = speed**2 + (acceleration_mps2 - kappa * speed**2) * _eased(path_m, kappa)
    return np.sqrt(np.where(squared > 0, squared, np.nan))


def travel_time(
    path_m: npt.ArrayLike,
    speed_mps: npt.ArrayLike,
    acceleration_mps2: float,
    drag_per_m: npt.ArrayLike,
) -> Floats:
    """
    Return the time [s] that a body needs for a path.

    The arguments are the same as for `speed_after`, but the path length must be above zero.

    Notes
    -----
    ∫dv/(a − κv²) is artanh(q·r)/q with q = √(aκ) and r = E/(v₀ + v − κv₀E); for a < 0 it is
    the arctangent with q = √(−aκ), and r itself if aκ is 0.
    """
    speed, kappa = np.asarray(speed_mps, np.float64), np.asarray(drag_per_m, np.float64)
    eased = _eased(path_m, kappa)
    end = speed_after(path_m, speed, acceleration_mps2, kappa)
    plain = eased / (speed + end - kappa * speed * eased)
    root = np.sqrt(abs(acceleration_mps2) * kappa)
    bend = np.arctanh if acceleration_mps2 > 0 else np.arctan
    some = np.where(root > 0, root, 1.0)
    return np.asarray(np.where(root > 0, bend(root * plain) / some, plain))


def _eased(path_m: npt.ArrayLike, kappa: Floats) -> Floats:
    some = np.where(kappa > 0, kappa, 1.0)
    path = np.asarray(path_m, np.float64)
    return np.asarray(np.where(kappa > 0, -np.expm1(-2 * some * path) / some, 2 * path))
