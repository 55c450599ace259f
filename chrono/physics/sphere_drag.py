"""Compute the drag of a smooth sphere in steady flow from the Reynolds number.

Real balls have seams, felt or dimples. The caller of these functions decides how much the drag
of a real ball may differ from the drag of a smooth sphere.
"""

import math

import numpy as np
import numpy.typing as npt

from chrono.arrays.array_types import Floats

CRISIS_REYNOLDS = 2e5
"""Reynolds number at which the drag crisis may begin. For a smooth sphere in calm air the drag
falls near 3.7e5 (E. Achenbach, J. Fluid Mech. 54 (1972) 565; from memory). With turbulence or
roughness the drag falls at a smaller Reynolds number.
"""

PLATEAU, PLATEAU_REYNOLDS = 0.47, 4e4
"""Largest drag coefficient between `PLATEAU_REYNOLDS` and the drag crisis. Measured values of
smooth spheres are 0.47 … 0.44, but the formula goes up to 0.51. If the gates are far apart, a
bias of the drag matters as much as its uncertainty.
"""

CRISIS_LOWEST, CRISIS_HIGHEST = 0.07, 0.52
"""Lowest and highest drag coefficient measured above `CRISIS_REYNOLDS`. The lowest value is
from a Reynolds number just above the drag crisis (Achenbach 1972, from memory). The highest
value is from Reynolds numbers below the drag crisis (S. F. Hoerner, Fluid-Dynamic Drag (1965),
has 0.5 up to 3.25e5 and 0.1 from 5e5 on).
"""

FLAT_COEFFICIENT, FLAT_COEFFICIENT_RELATIVE_U = 0.95, 0.12
"""Drag coefficient of a cylinder that flies end first, relative to its frontal area, and the
relative standard uncertainty. The coefficient is 1.15 … 0.83 for lengths of 0.5 … 2 diameters,
and 0.99 for long cylinders (S. F. Hoerner, Fluid-Dynamic Drag (1965), chapter 3; from memory).
"""

_CORRELATION_ENDS = (0.01, 20.0, 260.0, 1.5e3, 1.2e4, 4.4e4, 3.38e5, 4e5, 1e6)


def sphere_drag_coefficient(reynolds: npt.ArrayLike) -> Floats:
    """
    Return the drag coefficient of a smooth sphere.

    Parameters
    ----------
    reynolds : array_like of float
        Reynolds number v·D/ν, positive.

    Returns
    -------
    ndarray of float64
        Drag coefficient relative to the frontal area, with the same shape. It is within 6 % of
        measurements for 3 < Re < 6e4. Above about 2e5 it falls steeply when the boundary layer
        becomes turbulent. Roughness and spin shift the speed at which this happens. Use
        `sphere_drag_bounds` at these Reynolds numbers.

    Notes
    -----
    R. Clift, J. R. Grace and M. E. Weber, Bubbles, Drops and Particles (1978), table 5.2.
    """
    re = np.atleast_1d(np.asarray(reynolds, np.float64))
    if np.any(~(re > 0)):
        raise ValueError("the Reynolds number (speed · diameter / viscosity) must be positive")
    piece = np.searchsorted(_CORRELATION_ENDS, re)
    cd = np.empty_like(re)
    for number in np.unique(piece):
        here = piece == number
        cd[here] = _piece(int(number), re[here], np.log10(re[here]))
    return cd.reshape(np.shape(reynolds))


def steady_drag_coefficient(reynolds: npt.ArrayLike) -> Floats:
    """
    Return the drag coefficient of a smooth sphere, without a sudden fall (drag crisis).

    Above the Reynolds number `PLATEAU_REYNOLDS`, the coefficient is at most `PLATEAU`.
    """
    re = np.asarray(reynolds, np.float64)
    found = sphere_drag_coefficient(re)
    return np.where((re > PLATEAU_REYNOLDS) & (found > PLATEAU), PLATEAU, found)


def sphere_drag_bounds(reynolds: npt.ArrayLike) -> tuple[Floats, Floats]:
    """
    Return the lowest and the highest drag coefficient that a smooth sphere may have.

    Both are equal up to the Reynolds number `CRISIS_REYNOLDS`.
    """
    re = np.asarray(reynolds, np.float64)
    steady = steady_drag_coefficient(np.minimum(re, CRISIS_REYNOLDS))
    beyond = re > CRISIS_REYNOLDS
    low: Floats = np.where(beyond, CRISIS_LOWEST, steady)
    high: Floats = np.where(beyond, CRISIS_HIGHEST, steady)
    return low, high


def reynolds_number(
    speed_mps: float, diameter_m: float, density_kgpm3: float, viscosity_pas: float
) -> float:
    """Return the Reynolds number [1] of a sphere in air of given density and viscosity."""
    return density_kgpm3 * speed_mps * diameter_m / viscosity_pas


def drag_constant(
    coefficient: float, density_kgpm3: float, diameter_m: float, mass_kg: float
) -> float:
    """
    Return the drag constant κ; at the speed v, drag causes the deceleration κ·v².

    Parameters
    ----------
    coefficient : float
        Drag coefficient relative to the frontal area.
    density_kgpm3 : float
        Density of the air [kg/m³].
    diameter_m : float
        Diameter at a right angle to the path [m].
    mass_kg : float
        Mass of the body [kg].

    Returns
    -------
    float
        κ = ρ·Cd·A/(2·m) with A = π·D²/4 [1/m].
    """
    return density_kgpm3 * coefficient * math.pi * diameter_m**2 / (8 * mass_kg)


def _piece(number: int, re: Floats, w: Floats) -> Floats:
    """Return the drag coefficient in one range; `re`: Reynolds number, `w`: log10(re)."""
    match number:
        case 0:
            return 24 / re + 4.5
        case 1:
            return 24 / re * (1 + 0.1315 * re ** (0.82 - 0.05 * w))
        case 2:
            return 24 / re * (1 + 0.1935 * re**0.6305)
        case 3:
            return np.asarray(10 ** (1.6435 - 1.1242 * w + 0.1558 * w**2))
        case 4:
            return np.asarray(10 ** (-2.4571 + 2.5558 * w - 0.9295 * w**2 + 0.1049 * w**3))
        case 5:
            return np.asarray(10 ** (-1.9181 + 0.6370 * w - 0.0636 * w**2))
        case 6:
            return np.asarray(10 ** (-4.3390 + 1.5809 * w - 0.1546 * w**2))
        case 7:
            return 29.78 - 5.3 * w
        case 8:
            return 0.1 * w - 0.49
        case _:
            return 0.19 - 8e4 / re
