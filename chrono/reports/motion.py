"""What one shot's speed means: energy, momentum, Mach number, and how far it would fly."""

import math
from collections.abc import Mapping

from chrono.errors import ChronoError
from chrono.measuring.budget import normal
from chrono.measuring.flights import ANGLE, HEIGHT, WIND, Aim, flight_result
from chrono.measuring.launch import Launch
from chrono.measuring.propagation import SPEED, Quantity
from chrono.measuring.surroundings import (
    SMOOTH_SPHERE,
    MovingBody,
    given_diameter,
    given_mass,
    site_of,
)
from chrono.reports.timing import lengths_text
from chrono.reports.words import motion_text
from chrono.rigs.model import Rig
from chrono.session.shotlog import ShotRow
from chrono.units import format_speed, format_value

ANGLES_DEG = 0, 15, 30, 45
HEIGHT_M = 1.0
"""From where the ranges are told: a launcher on a table [m]."""


def motion_lines(row: ShotRow, rig: Rig, own: Mapping[str, float], unit: str) -> list[str]:
    """
    Return energy, momentum, lengths seen, Mach number and ranges of one shot, a line each.

    Parameters
    ----------
    row : ShotRow
        With a speed.
    rig : Rig
        Says the body, the air and the place.
    own : mapping
        What the shot's setup says of its body instead.
    unit : str
        Unit of speeds.
    """
    mass_kg = own.get("mass_kg", rig.body.mass_kg)
    body = MovingBody(
        given_mass(mass_kg),
        given_diameter(own.get("diameter_m", rig.body.diameter_m)),
        SMOOTH_SPHERE,
    )
    input_ = normal(SPEED, row.u_mps, unit="m/s")
    launch = Launch("", 0, (Quantity(SPEED, row.speed_mps, input_),), body, site_of(rig))
    return [
        f"speed     {format_speed(row.speed_mps, row.U95_mps, unit)}",
        f"motion    {motion_text(row.speed_mps, mass_kg)}",
        f"length    {lengths_text(row.length_a_mm, row.length_b_mm)}, declared "
        f"{1e3 * own.get('length_m', rig.body.length_m):.4g} mm",
        f"Mach      {row.speed_mps / launch.site.sound_mps:.3f}",
        f"expected range from {HEIGHT_M:g} m above the ground, no wind, ± 95 %:",
        *(f"  {degrees:>2}° up  {_range_text(launch, degrees)}" for degrees in ANGLES_DEG),
        "The body is taken for a smooth ball at the speed of the gates.",
    ]


def _range_text(launch: Launch, degrees: float) -> str:
    try:
        flight = flight_result(launch, _aim(math.radians(degrees)))
    except ChronoError as error:
        return str(error).splitlines()[0]
    U95 = flight.range.U95  # noqa: N806
    if not math.isfinite(U95):
        return f"about {flight.range.value:.2g} m"
    return f"{format_value(flight.range.value, U95)} ± {format_value(U95, U95)} m"


def _aim(angle_rad: float) -> Aim:
    def exactly(name: str, value: float, unit: str) -> Quantity:
        return Quantity(name, value, normal(name, 0.0, unit=unit))

    return Aim(
        exactly(ANGLE, angle_rad, "rad"),
        exactly(HEIGHT, HEIGHT_M, "m"),
        exactly(WIND, 0.0, "m/s"),
    )
