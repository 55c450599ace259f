"""Compute the speed at the launcher's mouth from the speed at the gates.

The rig file must contain the distance from the mouth to the gates. The result includes drag,
and on a path with a slope also gravity. Above a Reynolds number of 2e5 the drag of a smooth
sphere may be suddenly lower (drag crisis). The ± covers the lowest and the highest possible
drag.
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from chrono.arrays.array_types import Floats
from chrono.measuring.body_in_air import Ball, ball_in_air
from chrono.measuring.calibration_uncertainty import CombinedUncertainty, combine
from chrono.measuring.error_budget import (
    Contribution,
    Input,
    coverage_factor,
    normal,
    rectangular,
)
from chrono.measuring.path_motion import pull_of
from chrono.measuring.series_statistics import Series
from chrono.physics.accelerated_path import speed_after
from chrono.physics.sphere_drag import (
    CRISIS_REYNOLDS,
    FLAT_COEFFICIENT,
    FLAT_COEFFICIENT_RELATIVE_U,
    sphere_drag_bounds,
)
from chrono.rigs.rig_model import Rig, with_body

SOURCE = "smooth sphere, Clift, Grace and Weber 1978"
FLAT_SOURCE = "flat-ended body flown end first, Hoerner 1965"
CRISIS_SOURCE = "smooth sphere before or past the drag crisis, Achenbach 1972, Hoerner 1965"

_LOG_RATIO = np.concatenate([[0.0], np.geomspace(1e-7, math.log(1e3), 4000)])
"""Values of ln(speed on the path / speed at the gates); the largest speed ratio is 1000."""


@dataclass(frozen=True)
class MuzzleSpeed:
    """
    Speed at the launcher's mouth.

    Attributes
    ----------
    speed_mps : float
        Speed at the mouth [m/s]: the middle of `lowest_mps` and `highest_mps`.
    U95_mps : float
        Half-width for 95 % coverage [m/s]. It covers both cases: the drag crisis has begun or
        not. It is never smaller than the U95 of the speed at the gates.
    lowest_mps, highest_mps : float
        Speed at the mouth with the lowest and with the highest drag [m/s]; the same value
        outside the drag crisis.
    uncertainty : CombinedUncertainty
        Uncertainty for one of the two cases [m/s], from the speed at the gates, the distance
        and the drag.
    gates_mps : float
        Speed at the gates, from which the speed at the mouth was computed [m/s].
    reynolds : float
        Reynolds number at the mouth.
    coefficients : tuple of float
        Lowest and highest drag coefficient at the mouth.
    is_flat : bool
        True if the body has flat ends; otherwise it is a smooth sphere.
    """

    speed_mps: float
    U95_mps: float
    lowest_mps: float
    highest_mps: float
    uncertainty: CombinedUncertainty
    gates_mps: float
    reynolds: float
    coefficients: tuple[float, float]
    is_flat: bool = False

    @property
    def in_crisis(self) -> bool:
        """True if the drag may fall suddenly (drag crisis) on the path to the gates."""
        return self.reynolds > CRISIS_REYNOLDS and not self.is_flat

    @property
    def source(self) -> str:
        """The publication from which the drag coefficient comes."""
        if self.is_flat:
            return FLAT_SOURCE
        return CRISIS_SOURCE if self.in_crisis else SOURCE


_STEPS = 400
"""Number of steps from the gates back to the mouth, for a path with a slope."""


@dataclass(frozen=True)
class _Way:
    """Speed and drag at several distances [m] before the gates, back to the launcher."""

    gates_mps: float
    log_ratios: Floats
    kappa_per_m: Floats
    back_m: Floats
    acceleration_mps2: float = 0.0

    def log_ratio(self, distance_m: float) -> float:
        """Return ln(speed `distance_m` before the gates / speed at the gates)."""
        return float(np.interp(distance_m, self.back_m, self.log_ratios, right=math.inf))

    def speed(self, distance_m: float) -> float:
        """Return the speed `distance_m` before the gates [m/s]; inf if no speed is enough."""
        return self.gates_mps * math.exp(self.log_ratio(distance_m))

    def kappa(self, distance_m: float) -> float:
        """Return the drag constant κ [1/m] at the point `distance_m` before the gates."""
        return float(np.interp(distance_m, self.back_m, self.kappa_per_m))

    def growth(self, distance_m: float) -> float:
        """Return the change of the speed per metre toward the launcher [1/s]."""
        speed = self.speed(distance_m)
        return self.kappa(distance_m) * speed - self.acceleration_mps2 / speed


def muzzle_speed(
    speed_mps: float,
    u_mps: float,
    distance_m: float,
    body: Ball,
    *,
    dof: float = math.inf,
    U95_mps: float | None = None,  # noqa: N803 - the symbol of the GUM
    distance_tolerance_m: float = 0.02,
    is_flat: bool = False,
    acceleration_mps2: float = 0.0,
    acceleration_u_mps2: float = 0.0,
) -> MuzzleSpeed | None:
    """
    Return the speed at the launcher's mouth from the speed at the gates.

    Parameters
    ----------
    speed_mps, u_mps : float
        Speed midway between the gates and its standard uncertainty [m/s].
    distance_m : float
        Distance from the mouth to midway between the gates, along the path [m].
    body : Ball
        Body and air. The drag coefficient of a smooth sphere is used at each speed.
    dof : float, optional
        Degrees of freedom of `u_mps`.
    U95_mps : float, optional
        Expanded uncertainty of the speed at the gates [m/s]; by default t_95(dof)·u.
    distance_tolerance_m : float, optional
        Half-width of the distance (rectangular) [m].
    is_flat : bool, optional
        True if the body has flat ends. Then `body.drag_coefficient` is used at all speeds.
    acceleration_mps2, acceleration_u_mps2 : float, optional
        Acceleration by gravity along the path, and its standard uncertainty [m/s²].

    Returns
    -------
    MuzzleSpeed or None
        None if the body could not reach the gates at any speed.

    Notes
    -----
    On a level path dv/dx = −κ(v)·v. The path back from the gates is x = ∫ d(ln v)/κ (computed
    by trapezoids). A path with a slope is computed step by step. The ± is the root of the sum
    of two squares: the ± from the speed at the gates and the ± from the other inputs. Half the
    difference between the results with and without the drag crisis is added.
    """
    reach_m = 1.02 * distance_m

    def back(
        branch: int, speed: float = 1.0, drag: float = 1.0, pull_mps2: float = 0.0
    ) -> _Way:
        coefficient, pull = _bounds(body, is_flat, branch), acceleration_mps2 + pull_mps2
        if not acceleration_mps2:
            return _way(speed_mps * speed, coefficient, body)
        return _sloped_way(speed_mps * speed, coefficient, body, reach_m, pull, drag)

    ways = [back(branch) for branch in (0, 1)]
    lowest, highest = sorted(way.speed(distance_m) for way in ways)
    faster = ways[1]
    if not math.isfinite(faster.growth(distance_m) * distance_tolerance_m):
        return None
    at_gates = normal("speed at the gates", u_mps, dof=dof, unit="m/s")
    if acceleration_mps2:
        parts = _sloped_contributions(
            back, distance_m, distance_tolerance_m, at_gates, body, acceleration_u_mps2
        )
    else:
        parts = _contributions(faster, distance_m, distance_tolerance_m, at_gates, body)
    gates_u95 = coverage_factor(dof) * u_mps if U95_mps is None else U95_mps
    u95 = math.hypot(abs(parts[0].sensitivity) * gates_u95, combine(parts[1:]).U95)
    middle = (lowest + highest) / 2
    reynolds = body.reynolds(highest)
    low, high = (_bounds(body, is_flat, branch)(np.array([reynolds])) for branch in (0, 1))
    return MuzzleSpeed(
        speed_mps=middle,
        U95_mps=u95 + (highest - lowest) / 2,
        lowest_mps=lowest,
        highest_mps=highest,
        uncertainty=combine(parts),
        gates_mps=speed_mps,
        reynolds=reynolds,
        coefficients=(float(low[0]), float(high[0])),
        is_flat=is_flat,
    )


def muzzle_of(series: Series, rig: Rig, own: Mapping[str, float]) -> MuzzleSpeed | None:
    """
    Return the mean speed of a series at the launcher's mouth.

    Parameters
    ----------
    series : Series
    rig : Rig
        The rig with the body, the air and the distance.
    own : mapping
        Values of the body that the setup states: `mass_kg`, `diameter_m`. They replace the
        values of the rig.

    Returns
    -------
    MuzzleSpeed or None
        None if the body is so light that it could not reach the gates at any speed.

    Notes
    -----
    The body is a smooth sphere. If the rig states flat ends, the body flies end first. The
    site's air slows the body from the mouth to midway between the gates. The whole path has the
    slope that the rig states for the gates.
    """
    rig = with_body(rig, own)
    site, body = rig.site, rig.body
    pull_mps2, pull_u_mps2 = pull_of(rig)
    ball = ball_in_air(
        body.diameter_m,
        body.mass_kg,
        series.mean_mps,
        temperature_k=site.temperature_k,
        pressure_pa=site.pressure_pa,
        humidity=site.humidity,
    )
    is_flat = body.shape == "flat"
    if is_flat:
        u = FLAT_COEFFICIENT_RELATIVE_U
        ball = replace(ball, drag_coefficient=FLAT_COEFFICIENT, drag_coefficient_u=u)
    return muzzle_speed(
        series.mean_mps,
        series.u_mean_mps,
        site.muzzle_distance_m,
        ball,
        dof=series.dof,
        U95_mps=series.U95_mean_mps,
        is_flat=is_flat,
        acceleration_mps2=pull_mps2,
        acceleration_u_mps2=pull_u_mps2,
    )


def _bounds(body: Ball, is_flat: bool, branch: int) -> Callable[[Floats], Floats]:
    """Return the function that computes the lowest (0) or highest (1) drag coefficient."""
    if is_flat:
        return lambda reynolds: np.full_like(reynolds, body.drag_coefficient)
    return lambda reynolds: sphere_drag_bounds(reynolds)[branch]


def _way(speed_mps: float, coefficient: Callable[[Floats], Floats], body: Ball) -> _Way:
    """Compute speed and drag on a level path, from the gates back to the launcher's mouth."""
    reynolds = body.reynolds(speed_mps) * np.exp(_LOG_RATIO)
    kappa = coefficient(reynolds) * body.drag_per_coefficient_m
    slices = np.diff(_LOG_RATIO) * (1 / kappa[1:] + 1 / kappa[:-1]) / 2
    back_m = np.concatenate([[0.0], np.cumsum(slices)])
    return _Way(speed_mps, _LOG_RATIO, kappa, back_m)


def _sloped_way(
    speed_mps: float,
    coefficient: Callable[[Floats], Floats],
    body: Ball,
    reach_m: float,
    acceleration_mps2: float,
    drag: float,
) -> _Way:
    """Compute speed and drag on a path with a slope, or NaN if the body would be at rest."""
    table_mps = np.geomspace(1e-2, max(1e3 * speed_mps, 1.0), 2000)
    per_m = body.drag_per_coefficient_m * drag
    table = coefficient(body.reynolds(1.0) * table_mps) * per_m
    speeds, kappas = np.full((2, _STEPS + 1), np.nan)
    speed = speed_mps
    for place in range(_STEPS + 1):
        speeds[place] = speed
        kappas[place] = kappa = np.interp(speed, table_mps, table)
        speed = float(speed_after(-reach_m / _STEPS, speed, acceleration_mps2, kappa))
        if not math.isfinite(speed):
            break
    back_m = np.linspace(0.0, reach_m, _STEPS + 1)
    return _Way(speed_mps, np.log(speeds / speed_mps), kappas, back_m, acceleration_mps2)


def _sloped_contributions(
    back: Callable[..., _Way],
    distance_m: float,
    distance_tolerance_m: float,
    at_gates: Input,
    body: Ball,
    pull_u_mps2: float,
) -> list[Contribution]:
    """Return all parts of the uncertainty on a sloped path, the speed at the gates first."""
    faster = back(1)
    at_mouth, small = faster.speed(distance_m), 1e-3
    by_speed = (back(1, speed=1 + small).speed(distance_m) - at_mouth) / small
    by_drag = (back(1, drag=1 + small).speed(distance_m) - at_mouth) / small
    by_pull = (back(1, pull_mps2=small).speed(distance_m) - at_mouth) / small
    distance = rectangular("distance to the mouth", distance_tolerance_m, unit="m")
    slope = normal("slope", pull_u_mps2, unit="m/s^2")
    return [
        Contribution(at_gates, by_speed / faster.gates_mps),
        Contribution(distance, faster.growth(distance_m)),
        Contribution(slope, by_pull),
        *(Contribution(c.input, c.sensitivity * by_drag) for c in body.drag_contributions),
    ]


def _contributions(
    way: _Way, distance_m: float, distance_tolerance_m: float, at_gates: Input, body: Ball
) -> list[Contribution]:
    """Return all parts of the uncertainty on a level path, the speed at the gates first."""
    at_mouth, kappa = way.speed(distance_m), way.kappa(distance_m)
    by_speed = at_mouth / way.gates_mps * kappa / float(way.kappa_per_m[0])
    # a change of κ has the same effect as a change of the distance; the step is ± 1 %
    by_drag = (way.speed(distance_m * 1.01) - way.speed(distance_m * 0.99)) / 0.02
    distance = rectangular("distance to the mouth", distance_tolerance_m, unit="m")
    return [
        Contribution(at_gates, by_speed),
        Contribution(distance, kappa * at_mouth),
        *(Contribution(c.input, c.sensitivity * by_drag) for c in body.drag_contributions),
    ]
