"""Speed at the launcher's mouth, from what the rig says of body, air and distance."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from chrono.measuring.ball import Ball, ball_in_air
from chrono.measuring.budget import Contribution, normal, rectangular
from chrono.measuring.combined import Combined, combine
from chrono.measuring.statistics import Series
from chrono.physics.flight import speed_upstream
from chrono.rigs.file import Rig


@dataclass(frozen=True)
class MuzzleSpeed:
    """
    Speed at the launcher's mouth.

    Attributes
    ----------
    speed_mps : float
        At the mouth [m/s].
    uncertainty : Combined
        Of that speed [m/s]: speed at the gates, distance, drag.
    gates_mps : float
        Speed at the gates it was worked out from [m/s].
    drag_per_m : float
        Drag constant κ used [1/m].
    """

    speed_mps: float
    uncertainty: Combined
    gates_mps: float
    drag_per_m: float


def muzzle_speed(
    speed_mps: float,
    u_mps: float,
    distance_m: float,
    body: Ball,
    *,
    dof: float = math.inf,
    distance_tolerance_m: float = 0.02,
    gravity_along_mps2: float = 0.0,
) -> MuzzleSpeed:
    """
    Return the speed at the launcher's mouth from the speed at the gates.

    Parameters
    ----------
    speed_mps, u_mps : float
        Speed midway between the gates and its standard uncertainty [m/s].
    distance_m : float
        From the mouth to midway between the gates, along the path [m].
    body : Ball
        Ball and air; its drag coefficient is taken as constant over the distance.
    dof : float, optional
        Degrees of freedom of `u_mps`.
    distance_tolerance_m : float, optional
        Half-width of the distance (rectangular) [m].
    gravity_along_mps2 : float, optional
        g·sin(elevation) of the path [m/s²].

    Returns
    -------
    MuzzleSpeed
    """
    kappa = body.drag_per_m

    def upstream(v: float = speed_mps, x: float = distance_m, scale: float = 1.0) -> float:
        return speed_upstream(v, x, kappa * scale, gravity_along_mps2)

    at_mouth = upstream()
    slowing = (gravity_along_mps2 + kappa * at_mouth**2) / at_mouth
    # a symmetric difference over ± 1 %: by how much v₀ follows a relative change of κ
    by_drag = (upstream(scale=1.01) - upstream(scale=0.99)) / 0.02
    by_speed = speed_mps * math.exp(2 * kappa * distance_m) / at_mouth
    contributions = [
        Contribution(normal("speed at the gates", u_mps, dof=dof, unit="m/s"), by_speed),
        Contribution(
            rectangular("distance to the mouth", distance_tolerance_m, unit="m"), slowing
        ),
        *(Contribution(c.input, c.sensitivity * by_drag) for c in body.drag_contributions),
    ]
    return MuzzleSpeed(at_mouth, combine(contributions), speed_mps, kappa)


def muzzle_of(series: Series, rig: Rig, own: Mapping[str, float]) -> MuzzleSpeed | None:
    """
    Return the mean speed of a series at the launcher's mouth.

    Parameters
    ----------
    series : Series
    rig : Rig
        Says the body, the air and the distance.
    own : mapping
        What the setup says of its body in place of the rig: `mass_kg`, `diameter_m`.

    Returns
    -------
    MuzzleSpeed or None
        None if no speed at the mouth could have brought so light a body to the gates.

    Notes
    -----
    The body is taken as a smooth sphere in the site's air, slowed by drag from the mouth to
    midway between the gates; the path is taken as level.
    """
    site, body = rig.site, rig.body
    ball = ball_in_air(
        own.get("diameter_m", body.diameter_m),
        own.get("mass_kg", body.mass_kg),
        series.mean_mps,
        temperature_k=site.temperature_k,
        pressure_pa=site.pressure_pa,
        humidity=site.humidity,
    )
    try:
        mouth = muzzle_speed(
            series.mean_mps, series.u_mean_mps, site.muzzle_distance_m, ball, dof=series.dof
        )
    except OverflowError:
        return None
    return mouth if math.isfinite(mouth.uncertainty.U95) else None
