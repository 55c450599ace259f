"""A ball in the air of a site, with what is not known about the two.

Joins the physics of drag with the words of the error budget. Knows nothing of gates.
"""

from dataclasses import dataclass

from chrono.measuring.budget import Contribution, normal, rectangular
from chrono.physics.air import dynamic_viscosity, moist_air_density
from chrono.physics.drag import drag_constant, reynolds_number, sphere_drag_coefficient

DRAG_COEFFICIENT_RELATIVE_U = 0.1
"""Of the smooth sphere's coefficient taken for a ball: the correlation is within 6 % of
measurements below Re 6e4 and 9 % above at 1e5; seams and felt add to that (common
practice, no source)."""


@dataclass(frozen=True)
class Ball:
    """
    A ball and the air it flies in, with what is not known about them.

    Attributes
    ----------
    diameter_m, mass_kg : float
        Of the body [m], [kg].
    density_kgpm3, viscosity_pas : float
        Of the air [kg/m³], [Pa s].
    drag_coefficient : float
        On the frontal area, at the speed in question.
    drag_coefficient_u : float
        Its standard uncertainty, relative.
    density_tolerance, mass_tolerance, diameter_tolerance : float
        Half-widths, relative (rectangular).
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
        """Drag constant κ [1/m]."""
        return self.drag_coefficient * self.drag_per_coefficient_m

    @property
    def drag_per_coefficient_m(self) -> float:
        """Drag constant κ for a drag coefficient of 1 [1/m]."""
        return drag_constant(1.0, self.density_kgpm3, self.diameter_m, self.mass_kg)

    def reynolds(self, speed_mps: float) -> float:
        """Return the Reynolds number at a speed."""
        return reynolds_number(
            speed_mps, self.diameter_m, self.density_kgpm3, self.viscosity_pas
        )

    @property
    def drag_contributions(self) -> tuple[Contribution, ...]:
        """What makes κ uncertain, in relative terms: κ = ρ·Cd·π·D²/(8·m)."""
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
    Return a ball in the air of a site, its drag coefficient that of a smooth sphere.

    Parameters
    ----------
    diameter_m, mass_kg : float
        Of the ball [m], [kg].
    speed_mps : float
        Speed at which the drag coefficient is taken [m/s].
    temperature_k, pressure_pa, humidity : float
        Of the air [K], [Pa], 0 … 1.
    """
    density = moist_air_density(temperature_k, pressure_pa, humidity)
    viscosity = dynamic_viscosity(temperature_k)
    reynolds = reynolds_number(speed_mps, diameter_m, density, viscosity)
    coefficient = float(sphere_drag_coefficient(reynolds))
    return Ball(diameter_m, mass_kg, density, viscosity, coefficient)
