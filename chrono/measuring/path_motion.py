"""Compute the speed of the body's middle, midway between the gates, from a transit.

The speed v changes along the path d. The pull a is the acceleration by gravity along the path,
and drag causes the deceleration κv². The transit is Δ, the body's length is ℓ, and the mean
speed is V = d/Δ.

- Gravity alone: v² = V² + (aΔ/2)² ± aℓ, with + for leading edges and − for trailing edges.
- Drag alone: V is too low by the fraction (κd)²/24. If only one pair of edges is used, there is
  another relative error of κℓ/2.
- Gravity and drag: the module simulates bodies of many speeds (see `DragTable`).
"""

import math
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from chrono.arrays.array_types import Floats
from chrono.measuring.body_in_air import DRAG_COEFFICIENT_RELATIVE_U, ball_in_air
from chrono.measuring.error_budget import (
    Contribution,
    Input,
    chords,
    combined_uncertainty,
    mean_chord,
    normal,
    rectangular,
)
from chrono.physics.accelerated_path import speed_after, travel_time
from chrono.physics.air_and_gravity import ANOMALY_MPS2
from chrono.physics.sphere_drag import (
    FLAT_COEFFICIENT,
    FLAT_COEFFICIENT_RELATIVE_U,
    reynolds_number,
    sphere_drag_bounds,
)
from chrono.processor.rig_rules import air_of, free_acceleration, path_acceleration
from chrono.processor.shot_records import EdgesUsed
from chrono.rigs.rig_model import Rig
from chrono.units import STANDARD_GRAVITY_MPS2

CHORDS = "chords"
DRAG = "drag"
SLOPE = "slope"
GRAVITY = "gravity"
BUOYANCY = "buoyancy"
LENGTH = "body length"

ADDED_MASS_TOLERANCE = 0.5
"""Relative half-width of the added mass of air (common practice, no source)."""
LENGTH_TOLERANCE = 0.005
"""Relative half-width of a body's length, for a caliper on a soft ball (common practice)."""

_SPEEDS_MPS = np.geomspace(0.1, 2000.0, 600)
_MOST_SPREAD = 0.02
"""Largest relative correction of v² for the variance of the slope."""
_AIR_RELATIVE_U = 0.013
"""Relative standard uncertainty of displaced air divided by mass. Density and mass are known to
1 %, and the diameter is known to 0.5 %.
"""
_MOST_BEND = 5.0
"""Largest correction of ln(speed) for drag. It changes the speed by a factor of about 150."""
_FASTEST_MPS = 2000.0
_STEPS = 12
"""Number of steps along the path. κ is constant in each step."""
_SIGNS = np.array([0.0, 0.0, 1.0, -1.0])
"""Sign of aℓ for each `EdgesUsed`: + for leading edges, − for trailing edges."""
_CURVED = 1.04
"""Relative standard uncertainty of the square of a rectangular quantity. An input with this
value and a rectangular distribution has a 95 % interval that contains 95 % of the squares.
"""
_PAIRS = (EdgesUsed.BOTH, EdgesUsed.LEAD, EdgesUsed.TRAIL)


@dataclass(frozen=True, eq=False)
class Shares:
    """
    How much the speed changes with the path, the transit and the pull of gravity.

    Attributes
    ----------
    path, transit : ndarray of float64 or float
        Exponent of the path, and minus the exponent of the transit. Both are 1 on a level path.
    pull : ndarray of float64
        Relative change of the speed per change of the pull a [s²/m].
    """

    path: Floats | float
    transit: Floats | float
    pull: Floats


@dataclass(frozen=True, eq=False)
class DragTable:
    """
    Table of the correction for drag at each mean speed.

    Attributes
    ----------
    mean_mps : ndarray of float64, shape (M,)
        The mean speeds V in increasing order.
    bend, bend_u : ndarray of float64, shape (M,)
        Correction for drag, which is added to ln(speed), and its standard uncertainty.
    skew : ndarray of float64, shape (M,)
        Half of the expected difference between leading and trailing transit, divided by the
        mean of both.
    """

    mean_mps: Floats
    bend: Floats
    bend_u: Floats
    skew: Floats


@dataclass(frozen=True, eq=False)
class PathMotion:
    """
    The motion of a body between the gates of one rig.

    Attributes
    ----------
    spacing_m, path_factor : float
        Distance between the gates [m], and mean factor by which tilt lengthens the path.
    length_m : float
        Length of the body; for a ball, the mean length (chord) that crosses a beam [m].
    acceleration_mps2 : float
        The pull a along the path, with buoyancy and added mass [m/s²]; 0 on a level path.
    free_mps2 : float
        Acceleration of the body in free fall [m/s²].
    pulls : tuple of Input
        Uncertainties of the pull, divided by the acceleration in free fall: slope, gravity, and
        buoyancy with added mass.
    chords : Input or None
        Error of the path if a ball crosses the beams off-centre [m], or None.
    length : Input
        Uncertainty of the body's length [m].
    kappa_per_m : ndarray of float64, shape (600,)
        Drag constant κ [1/m] at 600 speeds.
    kappa_u : ndarray of float64, shape (600,)
        Relative standard uncertainty of `kappa_per_m`.
    """

    spacing_m: float
    path_factor: float
    length_m: float
    acceleration_mps2: float
    free_mps2: float
    pulls: tuple[Input, ...]
    chords: Input | None
    length: Input
    kappa_per_m: Floats
    kappa_u: Floats

    @classmethod
    def from_rig(cls, rig: Rig) -> "PathMotion":
        """Create the model of the motion from a rig's gates, slope, body, air and aim."""
        body, gates = rig.body, rig.gates
        is_round = body.shape == "round" and gates.off_centre_m > 0
        chord = chords(CHORDS, body.diameter_m / 2, gates.off_centre_m) if is_round else None
        seen = mean_chord(chord) if chord else 1.0
        own_u = LENGTH_TOLERANCE / math.sqrt(3) * body.length_m
        kappa, kappa_u = _drag(rig)
        return cls(
            spacing_m=rig.spacing_m,
            path_factor=1 + gates.tilt_limit_rad**2 / 6,
            length_m=body.length_m * seen,
            acceleration_mps2=path_acceleration(rig),
            free_mps2=free_acceleration(rig),
            pulls=_pulls(rig),
            chords=chord,
            length=normal(LENGTH, math.hypot(own_u, chord.u if chord else 0.0), unit="m"),
            kappa_per_m=kappa,
            kappa_u=kappa_u,
        )

    @cached_property
    def tables(self) -> dict[int, DragTable]:
        """A `DragTable` for each choice of edges (`EdgesUsed`)."""
        return _level_tables(self) if self.is_level else _sloped_tables(self)

    @property
    def path_m(self) -> float:
        """Length of the path from gate A to gate B [m]."""
        return self.spacing_m * self.path_factor

    @property
    def is_level(self) -> bool:
        """True if the rig does not state a slope, so the path counts as level."""
        return self.acceleration_mps2 == 0

    @property
    def stated_pull(self) -> tuple[float, float]:
        """The pull of gravity that the rig states, and its half-width [m/s²]."""
        half = math.sqrt(3) * math.hypot(*(pull.u for pull in self.pulls))
        return self.acceleration_mps2, abs(self.free_mps2) * half

    @property
    def _slope_u_mps2(self) -> float:
        return self.pulls[0].u * abs(self.free_mps2)

    def drag(self, speed_mps: Floats) -> tuple[Floats, Floats]:
        """Return the drag constant κ [1/m] at each speed, and the relative u of κ."""
        kappa = np.interp(speed_mps, _SPEEDS_MPS, self.kappa_per_m)
        return kappa, np.interp(speed_mps, _SPEEDS_MPS, self.kappa_u)

    def speed(
        self,
        mean_mps: Floats,
        transit_s: Floats,
        edges_used: int,
        skew: npt.ArrayLike | None = None,
        pull_off_mps2: Floats | None = None,
    ) -> Floats:
        """
        Return the speed of each body [m/s] when its middle is midway between the gates.

        Parameters
        ----------
        mean_mps, transit_s : ndarray of float64, shape (N,)
            Mean speed V = d/Δ [m/s], and true transit Δ [s]. With two pairs of edges, Δ is the
            mean of both transits.
        edges_used : int
            An `EdgesUsed` other than NONE.
        skew : array_like, optional
            Half the difference between leading and trailing transit, divided by their mean, if
            two pairs were measured. By default, the value expected for the body is used.
        pull_off_mps2 : ndarray, optional
            Deviation of the pull from the rig's value [m/s²]. By default, the variance of the
            slope is included.
        """
        factor = np.exp(self._bend(mean_mps, edges_used))
        pull: float | Floats = self.acceleration_mps2
        spread = (self._slope_u_mps2 * transit_s / 2) ** 2
        spread = np.minimum(spread, _MOST_SPREAD * mean_mps**2)
        if self.is_level and pull_off_mps2 is None:
            return np.asarray(mean_mps * factor * np.sqrt(1 + spread / mean_mps**2))
        if pull_off_mps2 is not None:
            pull, spread = pull + pull_off_mps2, np.zeros_like(mean_mps)
        parts = self.squares(mean_mps, transit_s, edges_used, skew, pull)
        squared = np.sum([*parts, spread], axis=0)
        return np.asarray(np.sqrt(np.maximum(squared, 0.0)) * factor)

    def bend_u(self, mean_mps: Floats, edges_used: int) -> Floats:
        """Return how much drag adds to the relative standard uncertainty of each speed."""
        table = self.tables[edges_used]
        return np.asarray(np.interp(mean_mps, table.mean_mps, table.bend_u))

    def expected_skew(self, mean_mps: Floats) -> Floats:
        """Return the `skew` of the `DragTable` at each mean speed."""
        table = self.tables[EdgesUsed.BOTH]
        return np.asarray(np.interp(mean_mps, table.mean_mps, table.skew))

    def shares(
        self,
        mean_mps: Floats,
        transit_s: Floats,
        edges_used: int,
        skew: npt.ArrayLike | None = None,
    ) -> Shares:
        """Return how strongly each input changes the speed (same arguments as `speed`)."""
        pull = self.acceleration_mps2
        by_path, by_pull, by_length = self.squares(mean_mps, transit_s, edges_used, skew, pull)
        squared = np.maximum(by_path + by_pull + by_length, 1e-3 * by_path)
        curved = transit_s**2 / (8 * squared) * (_CURVED * self._slope_u_mps2)
        straight = pull * transit_s**2 / 4 + _SIGNS[edges_used] * self.length_m / 2
        by_a = np.hypot(straight / squared, curved)
        if self.is_level:
            return Shares(1.0, 1.0, by_a)
        return Shares(by_path / squared, (by_path - by_pull) / squared, by_a)

    def contributions(
        self,
        speed_mps: float,
        mean_mps: float,
        transit_s: float,
        edges_used: int,
        skew: float | None = None,
    ) -> tuple[Contribution, ...]:
        """
        Return how much gravity, drag and the body's size add to the uncertainty of a speed.

        `speed_mps` is the speed [m/s]. All other arguments are the same as for `speed`.
        """
        mean, transit = np.array([mean_mps]), np.array([transit_s])
        shares = self.shares(mean, transit, edges_used, skew)
        drag = normal(DRAG, float(self.bend_u(mean, edges_used)[0]))
        by_pull = speed_mps * float(shares.pull[0]) * self.free_mps2
        found = [Contribution(pull, by_pull) for pull in self.pulls]
        found.append(Contribution(drag, speed_mps))
        if edges_used != EdgesUsed.BOTH and self.chords is not None:
            by_path = speed_mps / self.spacing_m * float(np.ravel(shares.path)[0])
            found.append(Contribution(self.chords, by_path))
        if edges_used != EdgesUsed.BOTH and not self.is_level:
            by_length = self.length_share(edges_used) / (2 * speed_mps)
            found.append(Contribution(self.length, by_length))
        return tuple(found)

    def length_share(self, edges_used: int) -> float:
        """Return the change of v² per metre of body length [m/s²]."""
        return float(_SIGNS[edges_used]) * self.acceleration_mps2

    def u(self, speed_mps: Floats, shares: Shares, mean_mps: Floats, edges_used: int) -> Floats:
        """Return the relative standard uncertainty from all `contributions` together."""
        parts = [shares.pull * (pull.u * self.free_mps2) for pull in self.pulls]
        parts.append(self.bend_u(mean_mps, edges_used))
        squared = np.sum(np.square(parts), axis=0)
        if edges_used != EdgesUsed.BOTH and self.chords is not None:
            squared = squared + (shares.path * (self.chords.u / self.spacing_m)) ** 2
        if edges_used != EdgesUsed.BOTH and not self.is_level:
            by_length = self.acceleration_mps2 / (2 * speed_mps**2)
            squared = squared + (by_length * self.length.u) ** 2
        return np.asarray(np.sqrt(squared))

    def mean_speed(self, speed_mps: npt.ArrayLike, edges_used: int) -> Floats:
        """
        Return the mean speed V [m/s] for a given speed midway between the gates.

        If a body is too slow to pass both gates, the result is the mean speed of the slowest
        body that passes both gates.
        """
        speed = np.atleast_1d(np.asarray(speed_mps, np.float64))
        least = 0.0 if self.is_level else self.tables[edges_used].mean_mps[0]
        mean = np.maximum(speed, least)
        for _ in range(50):
            transit = self.path_m / mean
            ratio = speed / self.speed(mean, transit, edges_used)
            power = np.maximum(self.shares(mean, transit, edges_used).transit, 0.2)
            mean = np.maximum(mean * ratio ** (1 / power), least)
            if np.all(np.abs(ratio - 1) < 4e-16):
                break
        return np.asarray(mean.reshape(np.shape(speed_mps)))

    def lengths(
        self, speed_mps: Floats, blocked_a_s: Floats, blocked_b_s: Floats
    ) -> tuple[Floats, Floats]:
        """Return the body's length at gates A and B [m], from speeds and blocking times."""
        kappa = np.interp(speed_mps, _SPEEDS_MPS, self.kappa_per_m)
        found = []
        for place, blocked_s in ((-0.5, blocked_a_s), (0.5, blocked_b_s)):
            x = place * self.path_m
            speed = speed_after(x, speed_mps, self.acceleration_mps2, kappa)
            gained = self.acceleration_mps2 * blocked_s / 2
            found.append(blocked_s * np.sqrt(np.maximum(speed**2 - gained**2, 0.0)))
        return found[0], found[1]

    def with_drag_known(self, part: float) -> "PathMotion":
        """Return a copy in which the uncertainty of the drag is multiplied by `part`."""
        return replace(self, kappa_u=self.kappa_u * part)

    def _bend(self, mean_mps: Floats, edges_used: int) -> Floats:
        table = self.tables[edges_used]
        return np.asarray(np.interp(mean_mps, table.mean_mps, table.bend))

    def squares(
        self,
        mean_mps: Floats,
        transit_s: Floats,
        edges_used: int,
        skew: npt.ArrayLike | None,
        pull_mps2: float | Floats,
    ) -> tuple[Floats, Floats, Floats]:
        """
        Return three terms [m²/s²] whose sum is v²: mean speed, gravity and body length.

        `pull_mps2` is the acceleration by gravity along the path; see `speed` for the others.
        """
        straight, pulled = mean_mps**2, (pull_mps2 * transit_s / 2) ** 2
        by_length = straight * 0 + _SIGNS[edges_used] * pull_mps2 * self.length_m
        if edges_used == EdgesUsed.BOTH and not self.is_level:
            e = self.expected_skew(mean_mps) if skew is None else skew
            e2 = np.square(np.asarray(e, np.float64))
            straight, pulled = straight * (1 + e2) / (1 - e2) ** 2, pulled * (1 + e2)
        return straight, pulled, by_length


def _drag(rig: Rig) -> tuple[Floats, Floats]:
    """Return the drag constant κ [1/m] at several speeds, and its relative uncertainty."""
    body, site = rig.body, rig.site
    ball = ball_in_air(
        body.diameter_m,
        body.mass_kg,
        1.0,
        temperature_k=site.temperature_k,
        pressure_pa=site.pressure_pa,
        humidity=site.humidity,
    )
    if body.shape == "flat":
        middle = np.full_like(_SPEEDS_MPS, FLAT_COEFFICIENT)
        of_drag = np.full_like(_SPEEDS_MPS, FLAT_COEFFICIENT_RELATIVE_U)
    else:
        unit = reynolds_number(1.0, body.diameter_m, ball.density_kgpm3, ball.viscosity_pas)
        low, high = sphere_drag_bounds(unit * _SPEEDS_MPS)
        middle = (low + high) / 2
        of_drag = np.hypot(DRAG_COEFFICIENT_RELATIVE_U, (high - low) / middle / math.sqrt(12))
    rest = combined_uncertainty(ball.drag_contributions[1:])
    _, moved = air_of(rig)
    of_air = moved / (1 + moved) * ADDED_MASS_TOLERANCE / math.sqrt(3)
    scale = ball.drag_per_coefficient_m / (1 + moved)
    return scale * middle, np.hypot(of_drag, math.hypot(rest, of_air))


def pull_of(rig: Rig) -> tuple[float, float]:
    """Return the acceleration by gravity along the path, and its uncertainty u [m/s²]."""
    u = math.hypot(*(pull.u for pull in _pulls(rig)))
    return path_acceleration(rig), free_acceleration(rig) * u


def _pulls(rig: Rig) -> tuple[Input, ...]:
    """Return the inputs that make the acceleration by gravity uncertain."""
    slope, limit = rig.gates.slope_rad, rig.gates.slope_tolerance_rad
    displaced, moved = air_of(rig)
    sine = path_acceleration(rig) / free_acceleration(rig)
    spread = math.sin(2 * limit) / (2 * limit) if limit else 1.0
    squared = (1 - math.cos(2 * slope) * spread) / 2
    by_slope = rectangular(SLOPE, math.sqrt(3 * max(squared - sine**2, 0.0)))
    if not sine:
        return (by_slope,)
    added_u = moved * ADDED_MASS_TOLERANCE / math.sqrt(3)
    air_u = math.hypot((displaced + moved) * _AIR_RELATIVE_U, added_u)
    return (
        by_slope,
        rectangular(GRAVITY, ANOMALY_MPS2 / STANDARD_GRAVITY_MPS2 * abs(sine)),
        normal(BUOYANCY, abs(sine) * air_u),
    )


def _level_tables(motion: PathMotion) -> dict[int, DragTable]:
    """Return the tables of the correction for drag on a level path."""
    kappa = motion.kappa_per_m
    z = np.maximum(kappa * motion.path_m / 2, 1e-12)
    even = np.where(z < 1e-3, z * z / 6, np.log(np.sinh(np.minimum(z, 20)) / np.minimum(z, 20)))
    even_slope = np.where(z < 1e-3, z * z / 3, z / np.tanh(z) - 1)
    tables = {}
    for used in _PAIRS:
        odd = -_SIGNS[used] * kappa * motion.length_m / 2
        bend = np.clip(odd + even, -_MOST_BEND, _MOST_BEND)
        bend_u = np.abs(odd + even_slope) * motion.kappa_u
        tables[int(used)] = DragTable(_SPEEDS_MPS, bend, bend_u, np.zeros_like(bend))
    return tables


def _sloped_tables(motion: PathMotion) -> dict[int, DragTable]:
    """Simulate bodies; return the tables of the correction for drag on a path with a slope."""
    reach_m = motion.path_m + motion.length_m
    least = math.sqrt(abs(motion.acceleration_mps2) * reach_m)
    speed = np.hypot(least * 0.7, np.geomspace(1e-2 * least, _FASTEST_MPS, len(_SPEEDS_MPS)))
    more = replace(motion, kappa_per_m=motion.kappa_per_m * (1 + motion.kappa_u))
    tables = {}
    for used in _PAIRS:
        mean, bend, skew = _passed(motion, speed, used)
        off_mean, off_bend, _ = _passed(more, speed, used)
        some = np.isfinite(bend + off_bend)
        mean, bend, skew = mean[some], bend[some], skew[some]
        bend_u = np.abs(np.interp(mean, off_mean[some], off_bend[some]) - bend)
        tables[int(used)] = DragTable(mean, bend, bend_u, skew)
    return tables


def _passed(motion: PathMotion, speed_mps: Floats, used: int) -> tuple[Floats, ...]:
    """Return the columns of a `DragTable` for simulated bodies; NaN if a body stops."""
    half, pull = motion.path_m / 2, motion.acceleration_mps2
    lead, trail = (
        _move(motion, _move(motion, speed_mps, middle - half)[0], 2 * half)[1]
        for middle in (-motion.length_m / 2, motion.length_m / 2)
    )
    transit = {EdgesUsed.LEAD: lead, EdgesUsed.TRAIL: trail}.get(
        EdgesUsed(used), (lead + trail) / 2
    )
    mean, skew = 2 * half / transit, (lead - trail) / (lead + trail)
    steady = np.sum(motion.squares(mean, transit, used, skew, pull), axis=0)
    bend = np.log(speed_mps) - np.log(np.where(steady > 0, steady, np.nan)) / 2
    return mean, bend, skew


def _move(motion: PathMotion, speed_mps: Floats, way_m: float) -> tuple[Floats, Floats]:
    """Return the speed after a distance, and the time; a negative distance goes backward."""
    pull, step = motion.acceleration_mps2, way_m / _STEPS
    time_s = np.zeros_like(speed_mps)
    for _ in range(_STEPS):
        end = speed_mps
        for _ in range(2):
            middle = (speed_mps + end) / 2
            kappa = np.interp(middle, _SPEEDS_MPS, motion.kappa_per_m)
            end = speed_after(step, speed_mps, pull, kappa)
        begin = speed_mps if step > 0 else end
        time_s = time_s + travel_time(abs(step), begin, pull, kappa)
        speed_mps = end
    return speed_mps, time_s
