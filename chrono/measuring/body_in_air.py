"""Describe a body in the air of a site: air, gravity and drag, with their uncertainties."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from chrono.errors import OptionError
from chrono.measuring.error_budget import Contribution, arcsine, normal, rectangular
from chrono.measuring.propagation import Quantity
from chrono.physics.air_and_gravity import (
    ANOMALY_MPS2,
    dynamic_viscosity,
    moist_air_density,
    normal_gravity,
    speed_of_sound,
)
from chrono.physics.sphere_drag import (
    drag_constant,
    reynolds_number,
    sphere_drag_bounds,
    steady_drag_coefficient,
)
from chrono.physics.trajectory import Deceleration
from chrono.rigs.rig_model import Rig

DRAG_COEFFICIENT_RELATIVE_U = 0.1
"""Relative standard uncertainty if the drag coefficient of a smooth sphere is used for a ball.
The formula for a smooth sphere is within 6 % of measurements below a Reynolds number of 6e4. At
1e5 it is 9 % too high. Seams and felt make the uncertainty larger (common practice, no source).
"""


@dataclass(frozen=True)
class Ball:
    """
    A ball and the air it flies in, with their uncertainties.

    Attributes
    ----------
    diameter_m, mass_kg : float
        Diameter and mass of the body [m], [kg].
    density_kgpm3, viscosity_pas : float
        Density and viscosity of the air [kg/m³], [Pa s].
    drag_coefficient : float
        Drag coefficient relative to the frontal area, at one speed.
    drag_coefficient_u : float
        Relative standard uncertainty of the drag coefficient.
    density_tolerance, mass_tolerance, diameter_tolerance : float
        Relative half-widths of density, mass and diameter (rectangular distributions).
    """

    diameter_m: float
    mass_kg: float
    density_kgpm3: float
    viscosity_pas: float
    drag_coefficient: float
    drag_coefficient_u: float = DRAG_COEFFICIENT_RELATIVE_U
    density_tolerance: float = 0.01
    mass_tolerance: float = 0.01
    diameter_tolerance: float = 0.005

    @property
    def drag_per_m(self) -> float:
        """Drag constant κ [1/m]; the deceleration by drag is κ·v²."""
        return self.drag_coefficient * self.drag_per_coefficient_m

    @property
    def drag_per_coefficient_m(self) -> float:
        """Drag constant κ [1/m] for a drag coefficient of 1."""
        return drag_constant(1.0, self.density_kgpm3, self.diameter_m, self.mass_kg)

    def reynolds(self, speed_mps: float) -> float:
        """Return the Reynolds number at a speed."""
        return reynolds_number(
            speed_mps, self.diameter_m, self.density_kgpm3, self.viscosity_pas
        )

    @property
    def drag_contributions(self) -> tuple[Contribution, ...]:
        """Contributions to the relative uncertainty of the drag constant κ."""
        return (
            Contribution(normal("drag coefficient", self.drag_coefficient_u), 1.0),
            Contribution(rectangular("air density", self.density_tolerance), 1.0),
            Contribution(rectangular("mass", self.mass_tolerance), 1.0),
            Contribution(rectangular("diameter", self.diameter_tolerance), 2.0),
        )


def ball_in_air(
    diameter_m: float,
    mass_kg: float,
    speed_mps: float,
    *,
    temperature_k: float,
    pressure_pa: float,
    humidity: float,
) -> Ball:
    """
    Return a `Ball` in the air of a site, with the drag coefficient of a smooth sphere.

    Parameters
    ----------
    diameter_m, mass_kg : float
        Diameter and mass of the ball [m], [kg].
    speed_mps : float
        Speed for which the drag coefficient is computed [m/s].
    temperature_k, pressure_pa, humidity : float
        Air temperature, pressure and relative humidity [K], [Pa], 0 … 1.
    """
    density = moist_air_density(temperature_k, pressure_pa, humidity)
    viscosity = dynamic_viscosity(temperature_k)
    reynolds = reynolds_number(speed_mps, diameter_m, density, viscosity)
    coefficient = float(steady_drag_coefficient(reynolds))
    return Ball(diameter_m, mass_kg, density, viscosity, coefficient)


GRAVITY = "gravity"
DENSITY = "air density"
MASS = "mass"
DIAMETER = "diameter"
DRAG = "drag coefficient"
CRISIS = "drag crisis"
TERMINAL = "terminal speed"

_SPEEDS_MPS = np.geomspace(1e-3, 3000.0, 3000)


@dataclass(frozen=True)
class SiteAir:
    """
    The air and the gravity at a site.

    Attributes
    ----------
    temperature_k, pressure_pa, humidity : float
        Air temperature, pressure and relative humidity [K], [Pa], 0 … 1.
    gravity_mps2 : float
        Local gravity [m/s²].
    """

    temperature_k: float
    pressure_pa: float
    humidity: float
    gravity_mps2: float

    @property
    def density_kgpm3(self) -> float:
        """Density of the air by the formula CIPM-2007 [kg/m³]."""
        return moist_air_density(self.temperature_k, self.pressure_pa, self.humidity)

    @property
    def viscosity_pas(self) -> float:
        """Dynamic viscosity of the air [Pa s]."""
        return dynamic_viscosity(self.temperature_k)

    @property
    def sound_mps(self) -> float:
        """Speed of sound [m/s]."""
        return speed_of_sound(self.pressure_pa, self.density_kgpm3)

    @property
    def quantities(self) -> tuple[Quantity, ...]:
        """The gravity and the density of the air, with their uncertainties."""
        density = self.density_kgpm3
        unknown = Ball.density_tolerance * density
        return (
            Quantity(
                GRAVITY, self.gravity_mps2, rectangular(GRAVITY, ANOMALY_MPS2, unit="m/s^2")
            ),
            Quantity(DENSITY, density, rectangular(DENSITY, unknown, unit="kg/m^3")),
        )


def site_of(rig: Rig) -> SiteAir:
    """Return the air and the gravity at the site of a rig."""
    site = rig.site
    return SiteAir(
        site.temperature_k,
        site.pressure_pa,
        site.humidity,
        normal_gravity(site.latitude_rad, site.altitude_m),
    )


@dataclass(frozen=True)
class MovingBody:
    """
    A body that moves through air; unknown values are None.

    Attributes
    ----------
    mass, diameter : Quantity or None
        Mass [kg], and diameter at a right angle to the path [m].
    drag : Quantity
        Drag coefficient relative to the frontal area. For a sphere: a factor by which the drag
        coefficient of a smooth sphere is multiplied.
    sphere : bool
        True if the body is a sphere.
    terminal : Quantity or None
        Terminal speed [m/s], if the drag is computed from it; infinite without air.
    """

    mass: Quantity | None
    diameter: Quantity | None
    drag: Quantity
    sphere: bool = True
    terminal: Quantity | None = None

    @property
    def drag_is_known(self) -> bool:
        """True if the known values of the body are sufficient to compute its drag."""
        return self.terminal is not None or None not in (self.mass, self.diameter)

    @property
    def quantities(self) -> tuple[Quantity, ...]:
        """All known values of the body, with their uncertainties."""
        if self.terminal:
            return (self.mass, self.terminal) if self.mass else (self.terminal,)
        known = tuple(q for q in (self.mass, self.diameter) if q is not None)
        return (*known, self.drag, BRANCH) if self.sphere else (*known, self.drag)


BRANCH = Quantity(CRISIS, 0.5, arcsine(CRISIS, 0.5))
"""
Drag coefficient of a smooth sphere above a Reynolds number of 2e5, on a scale from 0 (lowest
value) to 1 (highest value). The true coefficient is either the lowest or the highest value, and
not between them. For this reason the distribution is U-shaped.
"""

SMOOTH_SPHERE = Quantity(DRAG, 1.0, normal(DRAG, DRAG_COEFFICIENT_RELATIVE_U))


def given_mass(mass_kg: float) -> Quantity:
    """Return a mass with the uncertainty of a kitchen scale."""
    return Quantity(MASS, mass_kg, rectangular(MASS, Ball.mass_tolerance * mass_kg, unit="kg"))


def given_diameter(diameter_m: float) -> Quantity:
    """Return a diameter with the uncertainty of a caliper on a soft ball."""
    unknown = Ball.diameter_tolerance * diameter_m
    return Quantity(DIAMETER, diameter_m, rectangular(DIAMETER, unknown, unit="m"))


def deceleration_of(
    body: MovingBody, site: SiteAir, values: Mapping[str, float]
) -> Deceleration:
    """
    Return a function that computes a body's deceleration by drag [m/s²] from its speed [m/s].

    Parameters
    ----------
    body : MovingBody
    site : SiteAir
        Only its viscosity is used, because density and gravity are in `values`.
    values : mapping
        Values of `MovingBody.quantities` and `SiteAir.quantities`, by name.
    """
    if body.terminal is not None:
        kappa = values[GRAVITY] / values[TERMINAL] ** 2
        return lambda v: kappa * v**2
    density, diameter = values[DENSITY], values[DIAMETER]
    scale = drag_constant(values[DRAG], density, diameter, values[MASS])
    if not body.sphere:
        return lambda v: scale * v**2
    reynolds = reynolds_number(1.0, diameter, density, site.viscosity_pas) * _SPEEDS_MPS
    least, largest = sphere_drag_bounds(reynolds)
    coefficients = least + values[CRISIS] * (largest - least)

    def deceleration(speed_mps: float) -> float:
        return scale * float(np.interp(speed_mps, _SPEEDS_MPS, coefficients)) * speed_mps**2

    return deceleration


def weight_per_mass(body: MovingBody, values: Mapping[str, float]) -> float:
    """
    Return gravity minus buoyancy, as an acceleration [m/s²].

    If the body is not a sphere, its buoyancy counts as 0.

    Raises
    ------
    OptionError
        The body is lighter than the air that it displaces.
    """
    displaced = _displaced(body, values)
    if displaced >= 1:
        mass_g = 1e3 * values[MASS]
        raise OptionError(
            f"a body of {mass_g:.3g} g takes the place of {displaced * mass_g:.3g} g "
            "of air, so the body does not fall",
            hint="check the mass and the diameter",
        )
    return values[GRAVITY] * (1 - displaced)


def falling_laws(
    body: MovingBody, site: SiteAir, values: Mapping[str, float]
) -> tuple[Deceleration, float]:
    """
    Return a falling body's deceleration by drag and its acceleration at speed 0 [m/s²].

    Notes
    -----
    A body that gains speed also accelerates air. A sphere moves as if half the mass of the
    displaced air were added to its own mass (H. Lamb, Hydrodynamics, art. 92):
    (m + ρV/2)·dv/dt = (m − ρV)·g − D.
    """
    drag, inertia = deceleration_of(body, site, values), 1 + _displaced(body, values) / 2
    return lambda v: drag(v) / inertia, weight_per_mass(body, values) / inertia


def _displaced(body: MovingBody, values: Mapping[str, float]) -> float:
    """Return the mass of the displaced air divided by the body's mass, or 0 if unknown."""
    if not body.sphere or body.terminal is not None or not body.drag_is_known:
        return 0.0
    return values[DENSITY] * math.pi * values[DIAMETER] ** 3 / 6 / values[MASS]
