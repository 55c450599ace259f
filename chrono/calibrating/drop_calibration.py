"""Compute the effective spacing of the gates from balls that fall through both gates.

Gate A is mounted above gate B. A ball is released at rest and falls through both gates. The
height of the fall and the local gravity give the speed of the ball. The speed and the transit
give the effective spacing: the distance between the places where the two gates trip. The
computation includes air drag, buoyancy and the air that moves with the ball. As a check, the
module also estimates the height of the fall and the spacing from the blocking times.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import Enum

import numpy as np

from chrono.arrays.array_types import Floats
from chrono.errors import CalibrationError
from chrono.measuring.body_in_air import Ball
from chrono.measuring.calibration_uncertainty import (
    MIN_REPEATS,
    CombinedUncertainty,
    combine,
    mean_input,
)
from chrono.measuring.error_budget import Contribution, Input, rectangular, tilt
from chrono.physics.air_and_gravity import ANOMALY_MPS2
from chrono.physics.free_fall import fall_speed, fall_time
from chrono.processor.shot_records import EdgesUsed

ADDED_MASS = 0.5
"""The mass of the air that moves with a sphere, divided by the mass of the displaced air. The
value is for a flow without friction (Lamb, Hydrodynamics, § 92; from memory)."""

ADDED_MASS_TOLERANCE = 0.25
"""Half-width of `ADDED_MASS`, because air has friction (common practice, no source)."""

CLUSTER_GAP = 6.0
CLUSTER_PART = 0.01
"""Drops form two groups if the gap between their transits exceeds two limits: `CLUSTER_GAP`
standard deviations within a group, and the part `CLUSTER_PART` of a transit."""

NO_FALL = 0.25
"""Largest relative difference between the computed and the stated spacing. If the difference is
larger, the ball did not fall from the stated height."""

TOO_WIDE = 3.0
"""A result is not worth writing if its ± is more than this many times the ± of the stated
spacing."""

HEIGHT = "height of the fall"

CLOCK_RATE = rectangular("clock rate", 50e-6)
LATENCY = rectangular("latency mismatch", 0.2e-6, unit="s")
"""The default uncertainties, for a rig with a crystal clock and fast sensors."""


@dataclass(frozen=True)
class DropSetup:
    """
    The conditions under which the balls are dropped.

    Attributes
    ----------
    height_m : float
        Height from the beam of gate A up to the ball's lower edge before the release [m].
    body : Ball
        Ball and air, with the drag coefficient at the speed of the fall.
    gravity_mps2 : float
        Local gravity in vacuum [m/s²].
    spacing_m, spacing_tolerance_m, trip_tolerance_m : float
        Stated spacing, its half-width, and the half-width of each gate's trip position [m].
    height_tolerance_m : float
        Half-width of the height [m].
    gravity_tolerance_mps2 : float
        Half-width of the gravity [m/s²].
    length_tolerance_m : float
        Half-width of the ball's length along the fall [m].
    plumb_limit_rad : float
        Largest angle between the gates' axis and the plumb line [rad].
    clock_rate : Input
        Uncertainty of the clock's rate, relative.
    latency : Input
        Uncertainty of the gates' delay difference [s].
    """

    height_m: float
    body: Ball
    gravity_mps2: float
    spacing_m: float
    spacing_tolerance_m: float = 0.5e-3
    trip_tolerance_m: float = 0.2e-3
    height_tolerance_m: float = 1e-3
    gravity_tolerance_mps2: float = ANOMALY_MPS2
    length_tolerance_m: float = 0.5e-3
    plumb_limit_rad: float = math.radians(1)
    clock_rate: Input = CLOCK_RATE
    latency: Input = LATENCY


@dataclass(frozen=True)
class MeasuredLength:
    """A length computed from the blocking times, with its standard uncertainty [m]."""

    value_m: float
    u_m: float

    def contradicts(self, stated_m: float) -> bool:
        """Check if a stated length differs from `value_m` by more than three times `u_m`."""
        return abs(self.value_m - stated_m) > 3 * self.u_m


class DropDoubt(Enum):
    """The reason not to write the result of a drop calibration into the rig file."""

    DIFFERS = "differs"
    """The spacing does not agree with the stated spacing."""
    NO_FALL = "no fall"
    """The speed of the balls did not grow between the gates as it does in a fall."""
    TOO_WIDE = "too wide"
    """The spacing that the rig states has a smaller uncertainty."""


@dataclass(frozen=True)
class DropResult:
    """
    The result of a drop calibration: the effective spacing of the gates.

    Attributes
    ----------
    spacing_m : float
        Distance along the gates' axis between the places where the gates trip [m].
    uncertainty : CombinedUncertainty
        Uncertainty of the spacing [m].
    setup : DropSetup
        The values from which the spacing was computed.
    drops : int
        Number of drops.
    mean_transit_s : float
        Mean transit of the drops [s].
    deviation_m : float
        Found spacing minus stated spacing [m].
    deviation_uncertainty : CombinedUncertainty
        Uncertainty of the deviation [m], from `uncertainty`, the ruler and the trip positions.
    height_seen, spacing_seen : MeasuredLength or None
        Height and spacing from the blocking times; None without blocking times.
    """

    spacing_m: float
    uncertainty: CombinedUncertainty
    setup: DropSetup
    drops: int
    mean_transit_s: float
    deviation_m: float
    deviation_uncertainty: CombinedUncertainty
    height_seen: MeasuredLength | None
    spacing_seen: MeasuredLength | None

    @property
    def stated_U95_m(self) -> float:  # noqa: N802
        """The ± (95 %) of the stated spacing, computed from the rig's tolerances [m]."""
        return combine(_stated_spacing(self.setup)).U95

    @property
    def doubt(self) -> DropDoubt | None:
        """The reason why the program should not write the result; None if there is no doubt."""
        stated_m, seen = self.setup.spacing_m, self.spacing_seen
        if seen and seen.contradicts(stated_m) and seen.value_m < stated_m / 2:
            return DropDoubt.NO_FALL
        if not self.agrees:
            return DropDoubt.DIFFERS
        if TOO_WIDE * self.stated_U95_m < self.uncertainty.U95:
            return DropDoubt.TOO_WIDE
        return None

    @property
    def agrees(self) -> bool:
        """True if the computed and the stated spacing agree within their uncertainty."""
        return abs(self.deviation_m) <= self.deviation_uncertainty.U95

    @property
    def by_height(self) -> float:
        """How much the computed spacing changes if the height changes by 1 m [m per m]."""
        parts = self.uncertainty.contributions
        return abs(next(part.sensitivity for part in parts if part.name == HEIGHT))

    @property
    def unseen_height_m(self) -> float:
        """The smallest error of the height of the fall that this calibration detects [m]."""
        return self.deviation_uncertainty.U95 / self.by_height


def drop_calibration(
    transit_s: Floats,
    setup: DropSetup,
    *,
    edges_used: EdgesUsed = EdgesUsed.BOTH,
    blocking_a_s: Floats | None = None,
    blocking_b_s: Floats | None = None,
) -> DropResult:
    """
    Return the effective spacing from the transits of dropped balls.

    Parameters
    ----------
    transit_s : ndarray of float64, shape (N,)
        Transits, corrected for the known clock rate and delay difference [s]; NaN if a drop
        has no transit.
    setup : DropSetup
        Height, ball, air and gravity, with their tolerances.
    edges_used : EdgesUsed
        The edges that gave all these transits.
    blocking_a_s, blocking_b_s : ndarray of float64, shape (N,), optional
        Blocking times at A and B [s], for the check on height and spacing.

    Returns
    -------
    DropResult

    Raises
    ------
    CalibrationError
        If there are too few drops, or if the height is impossible.
    """
    transits = transit_s[np.isfinite(transit_s)]
    _refuse(transits, setup)
    _refuse_clusters(transits)
    mean_s = float(np.mean(transits))
    spacing_m = _spacing(mean_s, setup, edges_used)
    _refuse_no_fall(mean_s, spacing_m, setup, edges_used)
    scatter = mean_input("scatter of the drops", transits, "s")
    contributions = _contributions(mean_s, spacing_m, scatter, setup, edges_used)
    uncertainty = combine(contributions)
    against = combine([*contributions, *_stated_spacing(setup)])
    height_seen, spacing_seen = _seen(blocking_a_s, blocking_b_s, setup)
    return DropResult(
        spacing_m=spacing_m,
        uncertainty=uncertainty,
        setup=setup,
        drops=len(transits),
        mean_transit_s=mean_s,
        deviation_m=spacing_m - setup.spacing_m,
        deviation_uncertainty=against,
        height_seen=height_seen,
        spacing_seen=spacing_seen,
    )


def drop_transit(
    spacing_m: float, setup: DropSetup, edges_used: EdgesUsed = EdgesUsed.BOTH
) -> float:
    """
    Return the transit [s] that a falling ball should have at a given gate spacing [m].

    Before the release, the lower edge of the ball is `setup.height_m` above gate A.
    """
    gravity, kappa = _fall(setup)
    return _transit(spacing_m / _lengthening(setup), _starts(setup, edges_used), kappa, gravity)


def _fall(
    setup: DropSetup,
    *,
    gravity_mps2: float | None = None,
    drag_scale: float = 1.0,
    added_mass: float = ADDED_MASS,
) -> tuple[float, float]:
    """Return the acceleration at the start of the fall [m/s²], and the drag constant [1/m]."""
    # (mass + added_mass·ρV)·dv/dt = (mass − ρV)·g − ρ·Cd·(frontal area)·v²/2
    body = setup.body
    displaced = body.density_kgpm3 * math.pi * body.diameter_m**3 / 6 / body.mass_kg
    inertia = 1 + added_mass * displaced
    gravity = setup.gravity_mps2 if gravity_mps2 is None else gravity_mps2
    return gravity * (1 - displaced) / inertia, body.drag_per_m * drag_scale / inertia


def _starts(
    setup: DropSetup, edges_used: EdgesUsed, height_m: float | None = None
) -> list[float]:
    lower = setup.height_m if height_m is None else height_m
    upper = lower + setup.body.diameter_m
    by_edges = {EdgesUsed.LEAD: [lower], EdgesUsed.TRAIL: [upper]}
    return by_edges.get(edges_used, [lower, upper])


def _lengthening(setup: DropSetup) -> float:
    """Return (gate spacing)/(vertical distance of the gates), averaged over all tilts."""
    return 1 + setup.plumb_limit_rad**2 / 6


def _transit(drop_m: float, starts: Sequence[float], kappa: float, gravity: float) -> float:
    times = [
        fall_time(start + drop_m, kappa, gravity) - fall_time(start, kappa, gravity)
        for start in starts
    ]
    return sum(times) / len(times)


def _spacing(
    transit_s: float,
    setup: DropSetup,
    edges_used: EdgesUsed,
    *,
    height_m: float | None = None,
    fall: tuple[float, float] | None = None,
) -> float:
    """Return the gate spacing for which a falling ball has a given transit."""
    gravity, kappa = fall or _fall(setup)
    starts = _starts(setup, edges_used, height_m)

    def missing(drop_m: float) -> float:
        return _transit(drop_m, starts, kappa, gravity) - transit_s

    def slope(drop_m: float) -> float:
        slownesses = [1 / fall_speed(start + drop_m, kappa, gravity) for start in starts]
        return sum(slownesses) / len(starts)

    first = fall_speed(starts[0], kappa, gravity) * transit_s + gravity * transit_s**2 / 2
    return _newton(missing, slope, first) * _lengthening(setup)


def _newton(
    missing: Callable[[float], float], slope: Callable[[float], float], start: float
) -> float:
    """Find the x > 0 where the function `missing` is 0, by Newton's method."""
    x = start
    for _ in range(50):
        step = missing(x) / slope(x)
        x = max(x - step, x / 10)
        if abs(step) < 1e-13:
            break
    return x


def _contributions(
    mean_s: float, spacing_m: float, scatter: Input, setup: DropSetup, edges_used: EdgesUsed
) -> list[Contribution]:
    def change(fall: tuple[float, float]) -> float:
        return _spacing(mean_s, setup, edges_used, fall=fall) - spacing_m

    by_time = (_spacing(mean_s + 1e-6, setup, edges_used) - spacing_m) / 1e-6
    higher = _spacing(mean_s, setup, edges_used, height_m=setup.height_m + 1e-6)
    by_gravity = change(_fall(setup, gravity_mps2=setup.gravity_mps2 + 1e-3)) / 1e-3
    by_drag = change(_fall(setup, drag_scale=1.01)) / 0.01
    by_added_mass = change(_fall(setup, added_mass=ADDED_MASS + 0.01)) / 0.01
    height = rectangular(HEIGHT, setup.height_tolerance_m, unit="m")
    gravity = rectangular("local gravity", setup.gravity_tolerance_mps2, unit="m/s2")
    return [
        Contribution(scatter, by_time),
        Contribution(height, (higher - spacing_m) / 1e-6),
        Contribution(gravity, by_gravity),
        *(
            Contribution(drag.input, drag.sensitivity * by_drag)
            for drag in setup.body.drag_contributions
        ),
        Contribution(rectangular("added mass of air", ADDED_MASS_TOLERANCE), by_added_mass),
        Contribution(tilt("plumb line", setup.plumb_limit_rad), spacing_m),
        Contribution(setup.clock_rate, by_time * mean_s),
        Contribution(setup.latency, by_time),
    ]


def _stated_spacing(setup: DropSetup) -> list[Contribution]:
    """Return the uncertainties of the stated spacing, from ruler and trip positions."""
    trips = [rectangular(f"trip position {gate}", setup.trip_tolerance_m) for gate in "AB"]
    ruler = rectangular("stated spacing", setup.spacing_tolerance_m)
    return [Contribution(quantity, 1.0) for quantity in (ruler, *trips)]


def _seen(
    blocking_a_s: Floats | None, blocking_b_s: Floats | None, setup: DropSetup
) -> tuple[MeasuredLength | None, MeasuredLength | None]:
    """Compute the height of fall and the gate spacing from the blocking times."""
    if blocking_a_s is None or blocking_b_s is None:
        return None, None
    sides = [side[np.isfinite(side)] for side in (blocking_a_s, blocking_b_s)]
    if min(len(side) for side in sides) < 2:
        return None, None
    blocked = [mean_input("", side, "s") for side in sides]
    length = setup.body.diameter_m
    to_a, to_b = (_fall_before(float(np.mean(side)), length, setup) for side in sides)
    grow = 1e-4 * length
    by_length = [
        (_fall_before(float(np.mean(side)), length + grow, setup) - fallen) / grow
        for side, fallen in zip(sides, (to_a, to_b), strict=True)
    ]
    # a beam has a width, so a gate may be blocked for a longer or shorter path than the ball
    u_beam = 2 * setup.trip_tolerance_m / math.sqrt(3)
    u_length = setup.length_tolerance_m / math.sqrt(3)
    # blocking time t = length/v: a change of t acts like a change of length with opposite sign
    u_own = [
        abs(slope) * math.hypot(u_beam, length * part.u / float(np.mean(side)))
        for slope, part, side in zip(by_length, blocked, sides, strict=True)
    ]
    u_height = math.hypot(u_own[0], by_length[0] * u_length, setup.height_tolerance_m)
    u_spacing = math.hypot(*u_own, (by_length[1] - by_length[0]) * u_length)
    return MeasuredLength(to_a, u_height), MeasuredLength(to_b - to_a, u_spacing)


def _fall_before(blocking_s: float, length_m: float, setup: DropSetup) -> float:
    """Return the height of fall [m] after which a ball blocks a beam for a given time."""
    gravity, kappa = _fall(setup)

    def missing(height_m: float) -> float:
        return _transit(length_m, [height_m], kappa, gravity) - blocking_s

    def slope(height_m: float) -> float:
        below = fall_speed(height_m + length_m, kappa, gravity)
        return 1 / below - 1 / fall_speed(height_m, kappa, gravity)

    return _newton(missing, slope, (length_m / blocking_s) ** 2 / (2 * gravity))


def _refuse_no_fall(
    mean_s: float, spacing_m: float, setup: DropSetup, edges_used: EdgesUsed
) -> None:
    if abs(spacing_m / setup.spacing_m - 1) <= NO_FALL:
        return
    expected_ms = drop_transit(setup.spacing_m, setup, edges_used) * 1e3
    raise CalibrationError(
        f"the mean transit is {mean_s * 1e3:.4g} ms, but a fall from "
        f"{setup.height_m * 1e3:g} mm takes {expected_ms:.4g} ms between the gates",
        hint="give a recording of drops, and the height of these drops",
    )


def _refuse_clusters(transits: Floats) -> None:
    ordered = np.sort(transits)
    gaps = np.diff(ordered)[1:-1]
    if not len(gaps):
        return
    place = int(gaps.argmax()) + 2
    sides = ordered[:place], ordered[place:]
    spread = math.sqrt(sum(float(np.var(side, ddof=1)) for side in sides) / 2)
    gap_s = float(sides[1][0] - sides[0][-1])
    if gap_s > max(CLUSTER_GAP * spread, CLUSTER_PART * float(ordered[0])):
        low, high = (float(np.mean(side)) * 1e3 for side in sides)
        raise CalibrationError(
            f"the drops form two groups: {len(sides[0])} drops with a transit of about "
            f"{low:.4g} ms and {len(sides[1])} drops with a transit of about {high:.4g} ms",
            hint="always drop the ball from the same height, catch it below gate B, and "
            "set all other shots aside",
        )


def _refuse(transits: Floats, setup: DropSetup) -> None:
    if len(transits) < MIN_REPEATS:
        raise CalibrationError(
            f"only {len(transits)} usable drops were found; at least {MIN_REPEATS} are needed",
            hint="drop the ball ten times from the same height",
        )
    if not setup.height_m > 0:
        raise CalibrationError(
            "the height of the ball's lower edge above gate A is too small: "
            f"{setup.height_m * 1e3:g} mm",
            hint="give the height from the beam of gate A up to the ball's lower edge",
        )
    if np.any(transits <= 0):
        raise CalibrationError(
            "the transit of a drop is zero or negative",
            hint="gate A must be the upper gate; mark drops that missed a gate as set aside",
        )
