"""Compute the energy stored in an elastic band, in compressed gas or in a tube without air.

The results are upper limits: losses by valves, friction and leaks always make the energy of the
body smaller. This file does not explain how to build or fill a launcher. All numbers are floats
or arrays in SI units.
"""

import math
from dataclasses import dataclass

from chrono.arrays.array_types import Floats
from chrono.physics.air_and_gravity import HEAT_RATIO


def elastic_work(draw_m: Floats, force_n: Floats) -> tuple[float, float]:
    """
    Return the work needed to pull back an elastic band.

    Parameters
    ----------
    draw_m, force_n : ndarray of float64, shape (N,), N >= 2
        How far the band is pulled back (strictly increasing) [m], and the force there [N].

    Returns
    -------
    work_j : float
        The work with straight lines between the points (trapezoids).
    between_j : float
        Difference from the work with a smooth curve through the points (PCHIP).
    """
    from scipy.integrate import trapezoid
    from scipy.interpolate import PchipInterpolator

    work = float(trapezoid(force_n, draw_m))
    smooth = PchipInterpolator(draw_m, force_n).integrate(draw_m[0], draw_m[-1])
    return work, abs(float(smooth) - work)


@dataclass(frozen=True)
class GasWork:
    """
    The largest energy that compressed gas can give to a body.

    This energy is already reduced by the work that pushes the outside air away.

    Attributes
    ----------
    isothermal_j, adiabatic_j : float
        Isothermal: limit if heat flows in freely and the gas keeps its temperature. Adiabatic:
        limit if no heat flows in. The best possible launch lies between the two limits. A fast
        launch is near the adiabatic limit.
    """

    isothermal_j: float
    adiabatic_j: float


def gas_work(
    volume_m3: float,
    gauge_pa: float,
    ambient_pa: float,
    swept_m3: float = math.inf,
    heat_ratio: float = HEAT_RATIO,
) -> GasWork:
    """
    Return the largest energy that compressed gas can give to a body when it expands.

    Parameters
    ----------
    volume_m3 : float
        Volume of the gas before the expansion [m³].
    gauge_pa : float
        Pressure of the gas above the atmosphere [Pa].
    ambient_pa : float
        Pressure of the atmosphere [Pa].
    swept_m3 : float, optional
        Volume that the body sweeps while it is pushed [m³]; infinite for an expansion
        down to the atmosphere's pressure. After that point the gas would only pull the body
        back, so no more work is counted.
    heat_ratio : float, optional
        γ of the gas.

    Notes
    -----
    Ideal gas: W = p·V·ln(V₁/V) − p_a·(V₁ − V) at constant temperature, and
    W = p·V·(1 − (V/V₁)^(γ−1))/(γ − 1) − p_a·(V₁ − V) without heat. V₁ is V + swept, but at
    most the volume at which the pressure has fallen to p_a.
    """
    pressure = ambient_pa + gauge_pa
    ratio = max(pressure / ambient_pa, 1.0)
    wide = 1 + swept_m3 / volume_m3
    isothermal, adiabatic = min(wide, ratio), min(wide, ratio ** (1 / heat_ratio))
    energy = pressure * volume_m3

    def pushed_back(growth: float) -> float:
        return ambient_pa * volume_m3 * (growth - 1)

    cooled = -math.expm1((1 - heat_ratio) * math.log(adiabatic)) / (heat_ratio - 1)
    return GasWork(
        isothermal_j=energy * math.log(isothermal) - pushed_back(isothermal),
        adiabatic_j=energy * cooled - pushed_back(adiabatic),
    )


def tube_work(
    bore_m: float, length_m: float, ambient_pa: float, residual_pa: float = 0.0
) -> float:
    """
    Return the largest energy of a body in a tube from which the air was pumped out [J].

    Parameters
    ----------
    bore_m, length_m : float
        Inner diameter of the tube and the distance over which the body is pushed [m].
    ambient_pa, residual_pa : float
        Pressure of the atmosphere and of the air left in the tube [Pa].

    Notes
    -----
    The result is (p_a − p_r)·A·L: pressure difference times swept volume. The air left in the
    tube is compressed ahead of the body and pushes back at least as much as before.
    """
    return (ambient_pa - residual_pa) * math.pi * bore_m**2 / 4 * length_m


def tube_speed(
    mass_kg: float,
    bore_m: float,
    length_m: float,
    ambient_pa: float,
    density_kgpm3: float,
    residual_pa: float = 0.0,
) -> float:
    """
    Return the speed of a body at the end of a tube with the air pumped out.

    The formula includes the mass of the air that follows the body into the tube.

    Parameters
    ----------
    mass_kg : float
        Mass of the body [kg].
    bore_m, length_m, ambient_pa, residual_pa : float
        See `tube_work`.
    density_kgpm3 : float
        Density of the outside air [kg/m³].

    Returns
    -------
    float
        v = √(Δp·A·(2·m·x + ρ·A·x²))/(m + ρ·A·x) [m/s], below `tube_limit` at any length.

    Notes
    -----
    The formula follows from the momentum of the body and of the column of air behind it, d((m +
    ρ·A·x)·v)/dt = Δp·A: E. Ayars and L. Buchholtz, Am. J. Phys. 72 (2004) 961.
    """
    area = math.pi * bore_m**2 / 4
    column = density_kgpm3 * area * length_m
    force = (ambient_pa - residual_pa) * area
    return math.sqrt(force * length_m * (2 * mass_kg + column)) / (mass_kg + column)


def tube_limit(ambient_pa: float, density_kgpm3: float, residual_pa: float = 0.0) -> float:
    """Return the highest speed √(Δp/ρ) in a long tube with the air pumped out."""
    return math.sqrt((ambient_pa - residual_pa) / density_kgpm3)


def kinetic_energy(mass_kg: float, speed_mps: float) -> float:
    """Return the kinetic energy m·v²/2 [J], without the energy of spin."""
    return mass_kg * speed_mps**2 / 2
