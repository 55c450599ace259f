"""Speed at the launcher's mouth, from what the rig says of body, air and distance."""

from collections.abc import Mapping
from math import isfinite

from chrono.processor.flight import MuzzleSpeed, ball_in_air, muzzle_speed
from chrono.processor.statistics import Series
from chrono.rig import Rig


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
    return mouth if isfinite(mouth.uncertainty.U95) else None
