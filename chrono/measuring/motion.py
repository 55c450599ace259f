"""Compute kinetic energy, momentum and Mach number at the mean speed of a setup."""

from collections.abc import Mapping
from dataclasses import dataclass

from chrono.measuring.body_in_air import MASS, given_mass, site_of
from chrono.measuring.error_budget import coverage_factor, normal
from chrono.measuring.propagation import SPEED, Estimate, Quantity, propagate
from chrono.measuring.series_statistics import Series
from chrono.physics.stored_energy import kinetic_energy
from chrono.rigs.rig_model import Rig

Values = Mapping[str, float]


@dataclass(frozen=True)
class Motion:
    """
    Energy, momentum and Mach number of a body that has a setup's mean speed.

    Attributes
    ----------
    mass_kg : float
    energy, momentum : Estimate
        Kinetic energy [J] and momentum [N s].
    mach : float
        Speed divided by the speed of sound in the air of the site.
    """

    mass_kg: float
    energy: Estimate
    momentum: Estimate
    mach: float


def motion_of(series: Series, rig: Rig, own: Mapping[str, float]) -> Motion:
    """
    Return energy, momentum and Mach number at the mean speed of a series.

    Parameters
    ----------
    series : Series
    rig : Rig
        The rig with the mass and the air.
    own : mapping
        The body's `mass_kg` if the setup states it. It replaces the mass in the rig.
    """
    mass = given_mass(own.get("mass_kg", rig.body.mass_kg))
    u = series.U95_mean_mps / coverage_factor(float("inf"))
    speed = Quantity(SPEED, series.mean_mps, normal(SPEED, u, unit="m/s"))

    def model(values: Values) -> tuple[float, float]:
        return kinetic_energy(values[MASS], values[SPEED]), values[MASS] * values[SPEED]

    energy, momentum = propagate(model, (speed, mass))
    return Motion(mass.value, energy, momentum, series.mean_mps / site_of(rig).sound_mps)
