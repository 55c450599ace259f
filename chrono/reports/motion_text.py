"""Write values that are computed from a speed, such as energy, momentum and Mach number."""

import math
from collections.abc import Mapping, Sequence
from typing import Any

from chrono.errors import ChronoError
from chrono.measuring.body_in_air import (
    SMOOTH_SPHERE,
    MovingBody,
    given_diameter,
    given_mass,
    site_of,
)
from chrono.measuring.error_budget import normal
from chrono.measuring.launch import Launch
from chrono.measuring.muzzle_speed import MuzzleSpeed
from chrono.measuring.propagation import SPEED, Quantity
from chrono.measuring.trajectory_results import ANGLE, HEIGHT, WIND, Aim, flight_result
from chrono.physics.sphere_drag import CRISIS_REYNOLDS
from chrono.processor.rig_rules import path_acceleration
from chrono.reports.launch_text import filled
from chrono.reports.rig_evidence_text import lengths_text
from chrono.reports.setup_words import motion_text
from chrono.reports.statistics_text import Detail, detail
from chrono.rigs.rig_model import Rig, stands_behind_mouth
from chrono.session.shot_log import ShotRow
from chrono.units import format_speed, format_value

ANGLES_DEG = 0, 15, 30, 45
HEIGHT_M = 1.0
"""Height of the launcher for the expected ranges [m], as if it stood on a table."""


def motion_lines(row: ShotRow, rig: Rig, own: Mapping[str, float], unit: str) -> list[str]:
    """
    Return energy, momentum, measured lengths and Mach number of one shot, one line each.

    Parameters
    ----------
    row : ShotRow
        A shot with a speed.
    rig : Rig
        The rig, which states the body, the air and the place.
    own : mapping
        Values of the body that the setup states. They replace the values of the rig.
    unit : str
        Unit of speeds.
    """
    energy, _, momentum = motion_text(
        row.speed_mps, own.get("mass_kg", rig.body.mass_kg)
    ).partition(" · ")
    return [
        f"speed     {format_speed(row.speed_mps, row.U95_mps, unit)}",
        f"energy    {energy}",
        f"momentum  {momentum}",
        f"length    {lengths_text(row.length_a_mm, row.length_b_mm)}; declared "
        f"{1e3 * own.get('length_m', rig.body.length_m):.4g} mm",
        f"Mach      {row.speed_mps / site_of(rig).sound_mps:.3f}",
    ]


def range_lines(row: ShotRow, rig: Rig, own: Mapping[str, float]) -> list[str]:
    """
    Return how far the body of a shot would fly at some launch angles.

    The computation takes about one second.
    """
    body = MovingBody(
        given_mass(own.get("mass_kg", rig.body.mass_kg)),
        given_diameter(own.get("diameter_m", rig.body.diameter_m)),
        SMOOTH_SPHERE,
    )
    input_ = normal(SPEED, row.u_mps, unit="m/s")
    launch = Launch("", 0, (Quantity(SPEED, row.speed_mps, input_),), body, site_of(rig))
    return [
        f"expected range from {HEIGHT_M:g} m above the ground, no wind, ± 95 %:",
        *(f"  {degrees:>2}° up  {_range_text(launch, degrees)}" for degrees in ANGLES_DEG),
        "Assumed: a smooth ball, launched at the measured speed.",
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


def muzzle_data(mouth: MuzzleSpeed | None) -> dict[str, Any]:
    """Return the speed at the launcher's mouth as keys for JSON; unknown values are None."""
    return {
        "muzzle_mps": mouth.speed_mps if mouth else None,
        "U95_muzzle_mps": mouth.U95_mps if mouth else None,
        "muzzle_reynolds": mouth.reynolds if mouth else None,
        "muzzle_drag_coefficients": list(mouth.coefficients) if mouth else None,
        "muzzle_drag_source": mouth.source if mouth else None,
    }


def muzzle_details(mouth: MuzzleSpeed | None, rig: Rig, mean_mps: float) -> list[Detail]:
    """
    Return the speed at the launcher's mouth, and the values used to compute it.

    `mean_mps` is the mean speed at the gates [m/s].
    """
    where = f"{rig.site.muzzle_distance_m:g} m before the gates"
    if stands_behind_mouth(rig):
        return detail(
            "mouth",
            f"{where}: no result, because gate A would be inside the launcher",
        )
    gained = 2 * path_acceleration(rig) * rig.site.muzzle_distance_m
    if mouth is None and mean_mps**2 <= gained:
        return detail(
            "mouth",
            f"{where}: no result, because a body that falls from there is faster at the gates",
        )
    if mouth is None:
        return detail(
            "mouth", f"{where}: not known, because the body is too light to reach the gates"
        )
    low, high = mouth.coefficients
    drag = f"{low:.2f} … {high:.2f}" if mouth.in_crisis else f"{high:.2f}"
    speed = format_speed(mouth.speed_mps, mouth.U95_mps, rig.speed_unit)
    return detail(
        "mouth",
        f"{speed}, {where}",
        f"drag coefficient {drag} at Re {mouth.reynolds:.1e}",
    )


def mouth_source_lines(mouths: Sequence[MuzzleSpeed], rig: Rig) -> list[str]:
    """Return notes on how the speeds at the launcher's mouth were computed, each note once."""
    if stands_behind_mouth(rig):
        return []
    path = "path with the slope angle of the rig" if rig.gates.slope_rad else "level path"
    texts = dict.fromkeys(f"mouth: {path}, {each.source}; {_limit(each)}" for each in mouths)
    return [line for text in texts for line in ["", *filled(text)]]


def _limit(mouth: MuzzleSpeed) -> str:
    if mouth.is_flat:
        return "this speed is valid only if the same end of the body always points forward"
    if mouth.in_crisis:
        return (
            "the drag of a ball can drop suddenly at this speed; the ± includes both cases, "
            "with and without this drop"
        )
    return (
        "this speed is valid only for a smooth ball with a Reynolds number of at most "
        f"{CRISIS_REYNOLDS:.0e}"
    )
