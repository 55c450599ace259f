"""Air and gravity at a site, and the drag of a body there, with what is not known of them.

What falls, flights, stops and energies have in common. Knows nothing of gates and shots.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from chrono.measuring.ball import DRAG_COEFFICIENT_RELATIVE_U
from chrono.measuring.budget import normal, rectangular
from chrono.measuring.propagation import Quantity
from chrono.physics.air import dynamic_viscosity, moist_air_density, speed_of_sound
from chrono.physics.drag import drag_constant, reynolds_number, sphere_drag_coefficient
from chrono.physics.gravity import ANOMALY_MPS2, normal_gravity
from chrono.physics.trajectory import Deceleration
from chrono.rigs.file import Rig

MASS_TOLERANCE = 0.01
DIAMETER_TOLERANCE = 0.005
DENSITY_TOLERANCE = 0.01
"""Half-widths, relative, where nothing else is stated: a kitchen scale, a caliper on a soft
ball, the weather since the site was described (common practice, no source)."""

GRAVITY = "gravity"
DENSITY = "air density"
MASS = "mass"
DIAMETER = "diameter"
DRAG = "drag coefficient"
TERMINAL = "terminal speed"

_SPEEDS_MPS = np.geomspace(1e-3, 3000.0, 3000)


@dataclass(frozen=True)
class Site:
    """
    Air and gravity.

    Attributes
    ----------
    temperature_k, pressure_pa, humidity : float
        Of the air [K], [Pa], 0 … 1.
    gravity_mps2 : float
        Local gravity [m/s²].
    """

    temperature_k: float
    pressure_pa: float
    humidity: float
    gravity_mps2: float

    @property
    def density_kgpm3(self) -> float:
        """Density of the air by CIPM-2007 [kg/m³]."""
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
        """Gravity and the density of the air, with what is not known of them."""
        density = self.density_kgpm3
        return (
            Quantity(
                GRAVITY, self.gravity_mps2, rectangular(GRAVITY, ANOMALY_MPS2, unit="m/s^2")
            ),
            Quantity(
                DENSITY,
                density,
                rectangular(DENSITY, DENSITY_TOLERANCE * density, unit="kg/m^3"),
            ),
        )


def site_of(rig: Rig) -> Site:
    """Return air and gravity where a rig says that it stands."""
    site = rig.site
    return Site(
        site.temperature_k,
        site.pressure_pa,
        site.humidity,
        normal_gravity(site.latitude_rad, site.altitude_m),
    )


@dataclass(frozen=True)
class Body:
    """
    A body that moves through air.

    Attributes
    ----------
    mass_kg, diameter_m : float
        Mass, and diameter across the path; NaN where only the terminal speed is known.
    coefficient : float or None
        Drag coefficient on the frontal area; None for that of a smooth sphere, which
        follows the Reynolds number.
    coefficient_u : float
        Its standard uncertainty, relative.
    terminal_mps, terminal_u_mps : float
        Terminal speed where that is what is known of the drag, else NaN; infinite for no
        drag.
    """

    mass_kg: float = math.nan
    diameter_m: float = math.nan
    coefficient: float | None = None
    coefficient_u: float = DRAG_COEFFICIENT_RELATIVE_U
    terminal_mps: float = math.nan
    terminal_u_mps: float = 0.0

    @property
    def quantities(self) -> tuple[Quantity, ...]:
        """What the drag depends on, with what is not known of it."""
        if not math.isnan(self.terminal_mps):
            return (
                Quantity(
                    TERMINAL,
                    self.terminal_mps,
                    normal(TERMINAL, self.terminal_u_mps, unit="m/s"),
                ),
            )
        middle = 1.0 if self.coefficient is None else self.coefficient
        return (
            Quantity(DRAG, middle, normal(DRAG, self.coefficient_u * middle)),
            self.mass_quantity,
            Quantity(
                DIAMETER,
                self.diameter_m,
                rectangular(DIAMETER, DIAMETER_TOLERANCE * self.diameter_m, unit="m"),
            ),
        )

    @property
    def mass_quantity(self) -> Quantity:
        """The mass with what is not known of it."""
        tolerance = rectangular(MASS, MASS_TOLERANCE * self.mass_kg, unit="kg")
        return Quantity(MASS, self.mass_kg, tolerance)


def deceleration_of(body: Body, site: Site, values: Mapping[str, float]) -> Deceleration:
    """
    Return the law of drag of a body, for values of its own and the site's quantities.

    A smooth sphere's coefficient is taken at the Reynolds number of each speed and scaled
    by the quantity `DRAG`, which is 1; another shape's is that quantity.
    """
    if TERMINAL in values:
        kappa = values[GRAVITY] / values[TERMINAL] ** 2
        return lambda v: kappa * v**2
    density, diameter = values[DENSITY], values[DIAMETER]
    scale = drag_constant(values[DRAG], density, diameter, values[MASS])
    if body.coefficient is not None:
        return lambda v: scale * v**2
    reynolds = reynolds_number(1.0, diameter, density, site.viscosity_pas) * _SPEEDS_MPS
    coefficients = sphere_drag_coefficient(reynolds)

    def deceleration(speed_mps: float) -> float:
        return scale * float(np.interp(speed_mps, _SPEEDS_MPS, coefficients)) * speed_mps**2

    return deceleration
