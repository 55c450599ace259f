"""Launches for tests: a squash ball in a workshop's air, stated or clocked."""

import math

import numpy as np

from chrono.measuring.body_in_air import (
    SMOOTH_SPHERE,
    TERMINAL,
    MovingBody,
    given_diameter,
    given_mass,
    site_of,
)
from chrono.measuring.launch import Launch, launch_of
from chrono.measuring.propagation import known
from chrono.measuring.series_statistics import series_statistics
from chrono.measuring.trajectory_results import Aim
from chrono.rigs.rig_file import default_rig

SITE = site_of(default_rig())
SQUASH_BALL = MovingBody(given_mass(0.024), given_diameter(0.04), SMOOTH_SPHERE)
IN_VACUUM = MovingBody(
    given_mass(0.024), None, SMOOTH_SPHERE, terminal=known(TERMINAL, math.inf)
)


def stated(speed_mps: float, u95_mps: float = 0.0, body: MovingBody = SQUASH_BALL) -> Launch:
    """Return a launch at a speed that someone states."""
    return Launch("", 0, (known("speed", speed_mps, u95_mps, "m/s"),), body, SITE)


def clocked(speeds_mps, u_shared_mps=0.02, name="two bands", own=None) -> Launch:
    """Return one more shot of clocked ones as a launch."""
    speeds = np.asarray(speeds_mps, float)
    series = series_statistics(
        speeds, np.full(len(speeds), 1e-4), np.full(len(speeds), u_shared_mps)
    )
    return launch_of(series, default_rig(), own or {}, name)


def aim(angle_deg=30.0, height_m=0.0, wind_mps=0.0, angle_u95_deg=0.0) -> Aim:
    """Return an aim, exact but for its angle."""
    return Aim(
        known("angle", math.radians(angle_deg), math.radians(angle_u95_deg), "rad"),
        known("height", height_m, unit="m"),
        known("wind", wind_mps, unit="m/s"),
    )
