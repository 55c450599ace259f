"""Speed at the launcher's mouth, from what the rig says of body, air and distance."""

from chrono.processor.flight import MuzzleSpeed, ball_in_air, muzzle_speed
from chrono.processor.statistics import Series
from chrono.rig import Rig


def muzzle_of(series: Series, rig: Rig) -> MuzzleSpeed:
    """
    Return the mean speed of a series at the launcher's mouth.

    The body is taken as a smooth sphere in the site's air, slowed by drag from the mouth to
    midway between the gates; the path is taken as level.
    """
    site, body = rig.site, rig.body
    ball = ball_in_air(
        body.diameter_m,
        body.mass_kg,
        series.mean_mps,
        temperature_k=site.temperature_k,
        pressure_pa=site.pressure_pa,
        humidity=site.humidity,
    )
    return muzzle_speed(
        series.mean_mps, series.u_mean_mps, site.muzzle_distance_m, ball, dof=series.dof
    )
